//! The live state as outsiders see it: one snapshot for the status, made when something changed.

use std::sync::Arc;

use serde_json::{Map, Value};

use crate::climate::stamp::SECOND_MS;
use crate::climate::{Quantity, Stamp, humidity};
use crate::engine::{Engine, wear};
use crate::grow::tub::Tub;
use crate::status::heat::HeatRunView;
use crate::status::snapshot::{AlertView, ForwardView, Inner, ProbeView, Snapshot, SourceView, SpaceView, TubView};
use crate::status::tub::{Measured, tub_view};
use crate::watch::view::rounded;

/// A snapshot is made no more often than this.
const SHOW_EVERY_MS: i64 = SECOND_MS / 4;

/// Decimal places shown, by `Quantity::index`.
const DIGITS: [u32; 4] = [2, 2, 0, 1];

fn shown(quantity: Quantity, value: f64) -> f64 {
    rounded(value, DIGITS[quantity.index()])
}

impl Engine {
    /// Shows the live state, if something changed and the last time was not just now.
    pub(super) fn show(&mut self, at_once: bool) {
        let wall = self.wall.now();
        let due = self.shown_at.is_none_or(|shown_at| wall.since(shown_at).abs() >= SHOW_EVERY_MS);
        if !(at_once || due) {
            return;
        }
        // Ages, coverage and silence change with the clock alone.
        let aged = self.shown_at.is_none_or(|shown_at| wall.since(shown_at).abs() >= SECOND_MS);
        if !(at_once || self.changed || aged) {
            return;
        }
        self.shown_at = Some(wall);
        self.changed = false;
        let snapshot = self.snapshot(self.clock.now());
        // Nobody may be looking.
        let _ = self.outlets.snapshots.send(Arc::new(snapshot));
    }

    pub(super) fn snapshot(&self, now: Stamp) -> Snapshot {
        Snapshot {
            site: self.plan.site.clone(),
            time: now,
            version: env!("CARGO_PKG_VERSION"),
            spaces: (0..self.plan.setup.spaces.len()).map(|space| self.space(space, now)).collect(),
            tubs: self.keeper.tubs().filter_map(|tub| self.tub(tub, now)).collect(),
            heat_runs: self.keeper.heat_runs().map(|(run, report)| HeatRunView::of(run, &report)).collect(),
            probes: (0..self.plan.probes.len()).map(|probe| self.probe(probe, now)).collect(),
            alerts: self.alerts(),
            sources: self.source_views(),
            inner: self.inner(now),
        }
    }

    fn space(&self, space: usize, now: Stamp) -> SpaceView {
        let setup = &self.plan.setup;
        let seen = self.keeper.space_view(space, now).unwrap_or_default();
        let value = |quantity: Quantity| seen.air[quantity.index()].map(|heard| heard.value);
        let spoken = seen.spoken();
        let air = value(Quantity::Temperature).zip(value(Quantity::Humidity));
        let derived = |formula: fn(f64, f64) -> Option<f64>, digits: u32| {
            air.and_then(|(t_c, rh_pct)| formula(t_c, rh_pct)).map(|value| rounded(value, digits))
        };
        SpaceView {
            name: setup.spaces[space].name.clone(),
            probe: spoken.map(|heard| setup.probes[heard.probe].name.clone()),
            at: spoken.map(|heard| heard.at),
            temperature_c: value(Quantity::Temperature).map(|value| shown(Quantity::Temperature, value)),
            humidity_pct: value(Quantity::Humidity).map(|value| shown(Quantity::Humidity, value)),
            co2_ppm: value(Quantity::Co2).map(|value| shown(Quantity::Co2, value)),
            dew_point_c: derived(humidity::dew_point_c, 2),
            vpd_kpa: derived(humidity::vpd_kpa, 3),
            absolute_humidity_g_m3: derived(humidity::absolute_humidity_g_m3, 1),
        }
    }

    fn tub(&self, tub: &Tub, now: Stamp) -> Option<TubView> {
        let seen = self.keeper.tub_view(&tub.id, now)?;
        let setup = &self.plan.setup;
        let thermal = setup.cultures.iter().find(|culture| culture.name == tub.culture).map(|culture| &culture.thermal);
        let core_c = seen.core.map(|core| core.value);
        let measured = Measured {
            figures: seen.figures.unwrap_or_default(),
            rate_per_hour: seen.rate_per_hour,
            own_requirement: seen.own_requirement,
            temperature_from: seen.temperature_from.map(|probe| setup.probes[probe].name.clone()),
            core_c,
            air_c: core_c.zip(seen.core_over_air_k).map(|(core_c, over_k)| core_c - over_k),
            alerts: seen.alerts,
        };
        Some(tub_view(tub, &measured, thermal, now, setup.due_not_before_ms))
    }

    fn probe(&self, probe: usize, now: Stamp) -> ProbeView {
        let setup = &self.plan.setup.probes[probe];
        let seen = self.keeper.probe_view(probe, now);
        let mut readings = Map::new();
        for quantity in Quantity::ALL.into_iter().filter(|quantity| setup.reads(*quantity)) {
            let good = seen.as_ref().and_then(|seen| seen.good[quantity.index()]);
            let value = good.map_or(Value::Null, |(_, value)| Value::from(shown(quantity, value)));
            readings.insert(quantity.column().to_owned(), value);
        }
        ProbeView {
            name: setup.name.clone(),
            health: seen.as_ref().map_or("silent", |seen| seen.health.word()),
            last_at: seen.as_ref().and_then(|seen| seen.last_at),
            readings,
            samples: self.tally.stored_by_probe[probe],
            refused: self.tally.refused_of(probe),
        }
    }

    fn alerts(&self) -> Vec<AlertView> {
        let mut alerts: Vec<_> = self.keeper.alerts().collect();
        alerts.sort_by_key(|alert| (std::cmp::Reverse(alert.severity), alert.id));
        alerts.into_iter().map(AlertView::of).collect()
    }

    fn source_views(&self) -> Vec<SourceView> {
        let views = self.plan.setup.sources.iter().zip(&self.sources);
        views
            .map(|(setup, live)| SourceView {
                name: setup.name.clone(),
                state: live.state.word(),
                since: live.since,
                address: live.bound.map(|address| address.to_string()),
            })
            .collect()
    }

    fn inner(&self, now: Stamp) -> Inner {
        let setup = &self.plan.setup;
        let source_name = |source: usize| setup.sources[source].name.clone();
        let space_of = |probe: usize| {
            let space = setup.spaces.iter().find(|space| space.air.contains(&probe));
            space.map(|space| space.name.clone())
        };
        let wear = wear::by_now();
        let mut samples_by_source = vec![0_u64; setup.sources.len()];
        for (probe, count) in self.tally.stored_by_probe.iter().enumerate() {
            samples_by_source[setup.probes[probe].source] += count;
        }
        Inner {
            timezone: self.plan.timezone,
            show: setup.show,
            renamed: self.renamed,
            faults: self.faults(),
            shelved_until: self
                .keeper
                .alerts()
                .filter_map(|alert| Some((alert.id, self.keeper.shelved_until(alert.id)?)))
                .collect(),
            at_work: self.keeper.at_work(now).map(|(space, until)| (space.map(str::to_owned), until)).collect(),
            probe_space: (0..setup.probes.len()).map(space_of).collect(),
            probe_source: setup.probes.iter().map(|probe| source_name(probe.source)).collect(),
            samples_by_source: samples_by_source
                .into_iter()
                .enumerate()
                .map(|(source, count)| (source_name(source), count))
                .collect(),
            refused_by_source: self
                .tally
                .refusals()
                .map(|(source, reason, count)| (source_name(source), reason.word(), count))
                .collect(),
            commit_buckets: self.tally.commit_buckets,
            commit_seconds_sum: self.tally.commit_seconds_sum,
            forwards: self
                .forwarding
                .seen()
                .into_iter()
                .map(|seen| ForwardView {
                    name: seen.name,
                    behind_s: (self.clock.now().since(seen.sent).max(0)) as f64 / 1000.0,
                    points: seen.points,
                    refused: seen.refused,
                })
                .collect(),
            outbox_waiting: self.outlets.deliverer.waiting(),
            written_bytes: wear.bytes,
            written_over_ms: wear.over_ms,
        }
    }
}
