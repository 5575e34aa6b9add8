//! The snapshot as metrics.
//!
//! In: a [`Snapshot`]. Out: the classic text exposition 0.0.4, or OpenMetrics 1.0; both by the same
//! writer, since they differ in four small things: the end marker, UNIT lines, quotes in HELP, and
//! the family name of a counter. Left out: time stamps of single samples; a probe that is silent is
//! left out altogether, so that an old reading is never taken for the present one.

use std::fmt::Write as _;

use super::snapshot::{COMMIT_BUCKETS_S, ForwardView, ProbeView, Snapshot};
use crate::climate::Quantity;
use crate::watch::alert::{AlertState, Severity};

/// Content type of the classic exposition.
pub const CLASSIC_TYPE: &str = "text/plain; version=0.0.4; charset=utf-8";
/// Content type of OpenMetrics.
pub const OPEN_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// Which exposition is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exposition {
    /// Text format 0.0.4.
    Classic,
    /// OpenMetrics 1.0.
    Open,
}

impl Exposition {
    /// What a request's `Accept` asks for: OpenMetrics where it is named and not refused (`q=0`).
    pub fn asked_by(accept: &str) -> Exposition {
        let named = accept.split(',').any(|range| {
            let mut parts = range.split(';').map(str::trim);
            let is_open = parts.next().is_some_and(|kind| kind.eq_ignore_ascii_case("application/openmetrics-text"));
            let refused = parts.filter_map(|part| part.strip_prefix("q=")).any(|q| q.parse() == Ok(0.0));
            is_open && !refused
        });
        if named { Exposition::Open } else { Exposition::Classic }
    }

    /// The answer's content type.
    pub fn content_type(self) -> &'static str {
        match self {
            Exposition::Classic => CLASSIC_TYPE,
            Exposition::Open => OPEN_TYPE,
        }
    }
}

/// The whole exposition of `snapshot`.
pub fn write(snapshot: &Snapshot, exposition: Exposition) -> String {
    let mut text = Text { out: String::with_capacity(4096), exposition };
    air(&mut text, snapshot);
    tubs(&mut text, snapshot);
    alerts(&mut text, snapshot);
    machine(&mut text, snapshot);
    if exposition == Exposition::Open {
        text.out.push_str("# EOF\n");
    }
    text.out
}

fn air(text: &mut Text, snapshot: &Snapshot) {
    let inner = &snapshot.inner;
    let read = |quantity: Quantity, scale: f64| {
        snapshot.probes.iter().enumerate().filter_map(move |(position, probe)| {
            let space = inner.probe_space.get(position)?.as_deref()?;
            let value = probe.readings.get(quantity.column())?.as_f64()?;
            is_heard(probe).then_some((vec![("space", space), ("probe", probe.name.as_str())], value * scale))
        })
    };
    let family =
        ("tubwatch_temperature_celsius", "celsius", "Air temperature, last good reading of a probe that reports.");
    text.gauge(family, read(Quantity::Temperature, 1.0));
    let family = ("tubwatch_relative_humidity_ratio", "ratio", "Relative humidity over water, 0 to 1.");
    text.gauge(family, read(Quantity::Humidity, 0.01));
    let family = ("tubwatch_co2_ppm", "ppm", "Carbon dioxide, parts per million by volume.");
    text.gauge(family, read(Quantity::Co2, 1.0));

    let heard = |space: &&super::snapshot::SpaceView| {
        let speaker = space.probe.as_deref();
        snapshot.probes.iter().any(|probe| Some(probe.name.as_str()) == speaker && is_heard(probe))
    };
    let derived = |pick: fn(&super::snapshot::SpaceView) -> Option<f64>| {
        snapshot.spaces.iter().filter(heard).filter_map(move |space| {
            let labels = vec![("space", space.name.as_str()), ("probe", space.probe.as_deref()?)];
            Some((labels, pick(space)?))
        })
    };
    let family = ("tubwatch_dew_point_celsius", "celsius", "Dew point over water.");
    text.gauge(family, derived(|space| space.dew_point_c));
    let family = ("tubwatch_vapour_pressure_deficit_pascals", "pascals", "Saturation less actual vapour pressure.");
    text.gauge(family, derived(|space| space.vpd_kpa.map(|kpa| kpa * 1000.0)));
}

fn is_heard(probe: &ProbeView) -> bool {
    probe.health != "silent"
}

fn tubs(text: &mut Text, snapshot: &Snapshot) {
    let each = |pick: fn(&super::snapshot::TubView) -> Option<f64>| {
        snapshot.tubs.iter().filter_map(move |tub| Some((vec![("tub", tub.name.as_str())], pick(tub)?)))
    };
    let family = ("tubwatch_tub_core_celsius", "celsius", "Temperature inside the substrate.");
    // One that is silent has no temperature now, as with the probes themselves.
    let silent = |name: &str| snapshot.probes.iter().any(|probe| probe.name == name && !is_heard(probe));
    let heard = snapshot.tubs.iter().filter(|tub| !tub.temperature_from.as_deref().is_some_and(silent));
    text.gauge(family, heard.filter_map(|tub| Some((vec![("tub", tub.name.as_str())], tub.core_c?))));
    let family = (
        "tubwatch_tub_thermal_time_celsius_seconds",
        "celsius_seconds",
        "Thermal time above the culture's base since spawning; 3600 of it are one degree-hour.",
    );
    text.gauge(family, each(|tub| Some(tub.degree_hours * 3600.0)));
    let family = ("tubwatch_tub_progress_ratio", "ratio", "Thermal time over the culture's requirement.");
    text.gauge(family, each(|tub| Some(tub.progress)));
    let family = ("tubwatch_tub_coverage_ratio", "ratio", "Hours measured over hours elapsed since spawning.");
    text.gauge(family, each(|tub| Some(tub.coverage)));
}

fn alerts(text: &mut Text, snapshot: &Snapshot) {
    let stands = [AlertState::Unacknowledged.word(), AlertState::Acknowledged.word()];
    let counts = Severity::ALL.map(|severity| {
        let standing =
            snapshot.alerts.iter().filter(|alert| alert.severity == severity.word() && stands.contains(&alert.state));
        (vec![("severity", severity.word())], standing.count() as f64)
    });
    let family = ("tubwatch_alerts_active", "", "Alerts whose condition stands, neither shelved nor suppressed.");
    text.gauge(family, counts.into_iter());
}

fn machine(text: &mut Text, snapshot: &Snapshot) {
    let inner = &snapshot.inner;
    let accepted = inner.samples_by_source.iter().map(|(source, count)| (vec![("source", source.as_str())], *count));
    text.counter("tubwatch_samples", "Probe messages accepted into the store.", accepted);
    let refused = inner
        .refused_by_source
        .iter()
        .map(|(source, reason, count)| (vec![("source", source.as_str()), ("reason", *reason)], *count));
    text.counter("tubwatch_samples_refused", "Messages, lines or bytes not taken, by reason.", refused);
    let family = ("tubwatch_commit_seconds", "seconds", "Time a commit of the store took.");
    text.histogram(family, &inner.commit_buckets, inner.commit_seconds_sum);
    let written = inner.written_bytes.map(|bytes| (Vec::new(), bytes));
    let help = "Bytes this process had written to block devices: what wears a card.";
    text.counter("tubwatch_written_bytes", help, written.into_iter());
    let each = |pick: fn(&ForwardView) -> u64| {
        inner.forwards.iter().map(move |one| (vec![("target", one.name.as_str())], pick(one))).collect::<Vec<_>>()
    };
    text.counter("tubwatch_forward_points", "Points a forwarding target took.", each(|one| one.points).into_iter());
    let refused = each(|one| one.refused).into_iter();
    text.counter("tubwatch_forward_points_refused", "Points a forwarding target refused for good.", refused);
    let behind = inner.forwards.iter().map(|one| (vec![("target", one.name.as_str())], one.behind_s));
    let family = ("tubwatch_forward_behind_seconds", "seconds", "Age of what a forwarding target was last sent.");
    text.gauge(family, behind);
    let waiting = inner.outbox_waiting.iter().map(|(name, count)| (vec![("messenger", name.as_str())], *count as f64));
    text.gauge(("tubwatch_outbox_waiting", "", "Messages not yet accepted by a messenger."), waiting);
}

type Labels<'a> = Vec<(&'static str, &'a str)>;
/// Name, unit (empty: none) and help.
type Family = (&'static str, &'static str, &'static str);

struct Text {
    out: String,
    exposition: Exposition,
}

impl Text {
    fn gauge<'a>(&mut self, family: Family, samples: impl Iterator<Item = (Labels<'a>, f64)>) {
        self.head(family, "gauge");
        for (labels, value) in samples.filter(|(_, value)| value.is_finite()) {
            self.sample(family.0, &labels, &number(value));
        }
    }

    /// `family` is the name without `_total`.
    fn counter<'a>(&mut self, family: &str, help: &str, samples: impl Iterator<Item = (Labels<'a>, u64)>) {
        let total = format!("{family}_total");
        match self.exposition {
            Exposition::Classic => self.head((&total, "", help), "counter"),
            Exposition::Open => self.head((family, "", help), "counter"),
        }
        for (labels, value) in samples {
            self.sample(&total, &labels, &value.to_string());
        }
    }

    fn histogram(&mut self, family: Family, buckets: &[u64; COMMIT_BUCKETS_S.len() + 1], sum: f64) {
        self.head(family, "histogram");
        let bounds = COMMIT_BUCKETS_S.iter().map(|bound| format!("{bound:?}")).chain(["+Inf".to_owned()]);
        let mut count = 0_u64;
        for (bound, in_bucket) in bounds.zip(buckets) {
            count = count.saturating_add(*in_bucket);
            self.sample(&format!("{}_bucket", family.0), &[("le", &bound)], &count.to_string());
        }
        self.sample(&format!("{}_sum", family.0), &[], &number(sum));
        self.sample(&format!("{}_count", family.0), &[], &count.to_string());
    }

    fn head(&mut self, (name, unit, help): (&str, &str, &str), kind: &str) {
        let is_open = self.exposition == Exposition::Open;
        let help = escaped(help, is_open);
        // Writing to a String cannot fail.
        let _ = writeln!(self.out, "# HELP {name} {help}\n# TYPE {name} {kind}");
        if is_open && !unit.is_empty() {
            let _ = writeln!(self.out, "# UNIT {name} {unit}");
        }
    }

    fn sample(&mut self, name: &str, labels: &[(&'static str, &str)], value: &str) {
        self.out.push_str(name);
        for (position, (label, content)) in labels.iter().enumerate() {
            let open = if position == 0 { '{' } else { ',' };
            let _ = write!(self.out, "{open}{label}=\"{}\"", escaped(content, true));
        }
        let close = if labels.is_empty() { "" } else { "}" };
        let _ = writeln!(self.out, "{close} {value}");
    }
}

/// Nine significant digits are beyond any probe, and hide the noise of a scaled binary fraction.
fn number(value: f64) -> String {
    let short = format!("{value:.8e}").parse::<f64>().unwrap_or(value);
    short.to_string()
}

fn escaped(text: &str, quotes: bool) -> String {
    let text = text.replace('\\', "\\\\").replace('\n', "\\n");
    if quotes { text.replace('"', "\\\"") } else { text }
}
