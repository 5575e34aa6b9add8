//! `climate.csv`: what each probe read, an hour or a sample a row, in order of time.
//!
//! In: judged, corrected messages. Out: hourly the mean of the good values and how much of the hour
//! was measured; raw every message with its quality. Humidity figures are computed from the row's
//! temperature and humidity. Hours are those of the site's clocks.

use std::collections::BTreeMap;
use std::io;
use std::ops::ControlFlow;

use chrono::Offset;
use chrono_tz::Tz;

use super::export::{Every, Material, Sheet, Stopped};
use super::places::Placed;
use crate::climate::quantity::with_mark;
use crate::climate::series::{Gaps, Line};
use crate::climate::stamp::{HOUR_MS, SECOND_MS};
use crate::climate::{Quantity, Stamp, humidity};
use crate::store::JudgedMessage;
use crate::store::history::Form;

/// The columns; the last only with raw samples.
pub(super) const COLUMNS: [&str; 11] = [
    "time",
    "space",
    "probe",
    "temperature_c",
    "humidity_pct",
    "co2_ppm",
    "dew_point_c",
    "vpd_kpa",
    "absolute_humidity_g_m3",
    "coverage",
    "quality",
];

/// The quantities that have a column: battery has none.
const SHOWN: [Quantity; 3] = [Quantity::Temperature, Quantity::Humidity, Quantity::Co2];

/// Writes all rows.
pub(super) fn write(csv: &mut Sheet, material: &Material<'_>) -> Result<(), Stopped> {
    let Material { reader, setup, tubs, options } = *material;
    let known: Vec<String> = reader.probes()?.into_iter().map(|(_, name)| name).collect();
    let probes = Placed::all(setup, tubs, &known);
    let tub = options.tub_in(tubs).unwrap_or(None);
    let names: Vec<&str> = probes.iter().map(|probe| probe.name.as_str()).collect();
    let (from, to) = options.range();
    let mut hours = Hours::new(&probes, csv.timezone());
    let mut failed: Option<io::Error> = None;
    let mut visit = |position: usize, message: &JudgedMessage| {
        if tub.is_some_and(|tub| !probes[position].concerns(tub, tubs, message.at)) {
            return ControlFlow::Continue(());
        }
        failed = match options.every {
            Every::Raw => sample_row(csv, &probes[position], message).err(),
            Every::Hourly => hours.push(csv, position, message).err(),
        };
        if failed.is_some() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    };
    reader.history(&names, from, to, Form::Corrected, &mut visit)?;
    match failed {
        Some(error) => Err(Stopped::Disk(error)),
        None => Ok(hours.write_before(csv, Stamp(i64::MAX))?),
    }
}

fn sample_row(csv: &mut Sheet, probe: &Placed<'_>, message: &JudgedMessage) -> io::Result<()> {
    csv.time(message.at).text(probe.at(message.at).space).text(&probe.name);
    for quantity in SHOWN {
        csv.exact(message.values[quantity.index()]);
    }
    derived(csv, message.good(Quantity::Temperature), message.good(Quantity::Humidity));
    csv.exact(None).text(&with_mark(message.worst(), message.clock_unsure));
    csv.end_row()
}

fn derived(csv: &mut Sheet, temperature: Option<f64>, humidity: Option<f64>) {
    let both = temperature.zip(humidity);
    csv.figure(both.and_then(|(t, rh)| humidity::dew_point_c(t, rh)));
    csv.figure(both.and_then(|(t, rh)| humidity::vpd_kpa(t, rh)));
    csv.figure(both.and_then(|(t, rh)| humidity::absolute_humidity_g_m3(t, rh)));
}

/// One probe's hour.
#[derive(Default)]
struct Hour {
    /// Its first message; none where a line only leads through.
    first: Option<Stamp>,
    sums: [f64; 3],
    counts: [u64; 3],
    measured_ms: [i64; 3],
}

/// The hours that may still grow, and the line of each series that reaches into the next.
struct Hours<'a> {
    probes: &'a [Placed<'a>],
    timezone: Tz,
    lines: Vec<[Line; 3]>,
    gaps: Vec<Gaps>,
    open: BTreeMap<(Stamp, usize), Hour>,
    /// The longest silence that is bridged: so long after its end an hour is final.
    bridge_ms: i64,
}

impl<'a> Hours<'a> {
    fn new(probes: &'a [Placed<'a>], timezone: Tz) -> Hours<'a> {
        let gaps: Vec<Gaps> = probes
            .iter()
            .map(|probe| if probe.is_core() { Gaps::for_core(probe.every_ms) } else { Gaps::for_air(probe.every_ms) })
            .collect();
        let line = || Line::new(Stamp(i64::MIN), None);
        Hours {
            probes,
            timezone,
            lines: probes.iter().map(|_| [line(), line(), line()]).collect(),
            bridge_ms: gaps.iter().map(|gaps| gaps.bridge_ms).max().unwrap_or(0),
            gaps,
            open: BTreeMap::new(),
        }
    }

    fn hour_of(&self, at: Stamp) -> Stamp {
        let offset = at.utc().with_timezone(&self.timezone).offset().fix().local_minus_utc();
        let offset_ms = i64::from(offset) * SECOND_MS;
        Stamp(at.plus(offset_ms).0.div_euclid(HOUR_MS).saturating_mul(HOUR_MS)).plus(-offset_ms)
    }

    fn push(&mut self, csv: &mut Sheet, position: usize, message: &JudgedMessage) -> io::Result<()> {
        let own = self.hour_of(message.at);
        self.write_before(csv, own.plus(-self.bridge_ms))?;
        self.open.entry((own, position)).or_default().first.get_or_insert(message.at);
        for (index, quantity) in SHOWN.into_iter().enumerate() {
            let Some(value) = message.good(quantity) else { continue };
            if let Some(hour) = self.open.get_mut(&(own, position)) {
                hour.sums[index] += value;
                hour.counts[index] += 1;
            }
            let piece = self.lines[position][index].push(0, message.at, value, self.gaps[position]);
            let Some(piece) = piece else { continue };
            let mut start = piece.from;
            while start < piece.to {
                let hour = self.hour_of(start);
                let end = hour.plus(HOUR_MS).min(piece.to).max(start.plus(1));
                self.open.entry((hour, position)).or_default().measured_ms[index] += end.since(start);
                start = end;
            }
        }
        Ok(())
    }

    /// Writes the hours that end at or before `mark`, in order of time and then of probes.
    fn write_before(&mut self, csv: &mut Sheet, mark: Stamp) -> io::Result<()> {
        while let Some(first) = self.open.first_entry()
            && first.key().0.plus(HOUR_MS) <= mark
        {
            let ((start, position), hour) = first.remove_entry();
            self.write_hour(csv, start, position, &hour)?;
        }
        Ok(())
    }

    fn write_hour(&self, csv: &mut Sheet, start: Stamp, position: usize, hour: &Hour) -> io::Result<()> {
        let probe = &self.probes[position];
        let mean = |index: usize| (hour.counts[index] > 0).then(|| hour.sums[index] / hour.counts[index] as f64);
        csv.time(start).text(probe.at(hour.first.unwrap_or(start)).space).text(&probe.name);
        for index in 0..SHOWN.len() {
            csv.figure(mean(index));
        }
        derived(csv, mean(0), mean(1));
        // The one that was measured least speaks for the row, so that no cell looks better than it is.
        let measured = (0..SHOWN.len()).filter(|index| hour.counts[*index] > 0).map(|index| hour.measured_ms[index]);
        let coverage = measured.min().unwrap_or(0) as f64 / HOUR_MS as f64;
        csv.figure(Some(coverage.min(1.0)));
        csv.end_row()
    }
}
