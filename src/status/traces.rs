//! The last two days of every temperature, small enough to be held: what `/` draws without the store.
//!
//! In: snapshots as they come, and once the stored samples of these days. Out: a lane for a small
//! trace, and how fast a temperature changes. A quarter-hour is a place (lowest, highest, mean); with
//! 200 probes that is 3 MB at most. Left out: what lies further back (`gather`).

use std::collections::{HashMap, VecDeque};
use std::sync::{Arc, Mutex};

use tokio::sync::watch;

use super::archive::Archive;
use super::gather::of_quarter;
use super::snapshot::Snapshot;
use crate::climate::chart::{Column, Lane};
use crate::climate::stamp::HOUR_MS;
use crate::climate::trend::slope_per_hour;
use crate::climate::{Quantity, Stamp};
use crate::store::summary::QUARTER_MS;

/// How far back a trace goes.
pub(super) const SPAN_MS: i64 = 48 * HOUR_MS;
/// Columns of a small trace: an hour each.
const TRACE_COLUMNS: usize = 48;
/// How far back a slope looks.
const SLOPE_MS: i64 = 4 * HOUR_MS;
/// Fewer places than these tell no slope.
const SLOPE_PLACES_MIN: usize = 5;

type Places = VecDeque<(i64, Column)>;

/// Two days of every probe's temperature, by the probe's name.
#[derive(Clone, Debug, Default)]
pub(super) struct Traces(Arc<Mutex<HashMap<String, Places>>>);

impl Traces {
    /// Follows the snapshots until their sender is gone; begins with what is stored.
    pub(super) async fn follow(self, mut snapshots: watch::Receiver<Arc<Snapshot>>, archive: Arc<dyn Archive>) {
        let filled = self.clone();
        let now = snapshots.borrow().time;
        let stored = tokio::task::spawn_blocking(move || filled.fill(archive.as_ref(), now));
        while snapshots.changed().await.is_ok() {
            let snapshot = Arc::clone(&snapshots.borrow_and_update());
            self.take(&snapshot);
        }
        // It ends by itself, and reads at most two days.
        let _ = stored.await;
    }

    fn fill(&self, archive: &dyn Archive, now: Stamp) {
        let now = now.max(Stamp::from_time(&chrono::Utc::now()));
        let probes = archive.plan().setup.probes.iter().filter(|probe| probe.reads(Quantity::Temperature));
        let names: Vec<&str> = probes.map(|probe| probe.name.as_str()).collect();
        let mut found: HashMap<String, Places> = HashMap::new();
        let read = archive.reader().map(|reader| {
            let range = (now.plus(-SPAN_MS), now.plus(1));
            reader.quarters_of(&names, Quantity::Temperature, range, &mut |position, quarter| {
                let places = found.entry(names[position].to_owned()).or_default();
                places.push_back((quarter.start.0.div_euclid(QUARTER_MS), of_quarter(quarter)));
            })
        });
        if !matches!(read, Ok(Ok(()))) {
            // Without a store the traces begin now; the store's fault is told elsewhere.
            return;
        }
        let Ok(mut held) = self.0.lock() else { return };
        for (name, stored) in found {
            let live = held.entry(name).or_default();
            let newer = stored.back().map_or(i64::MIN, |(place, _)| *place);
            let rest: Vec<_> = live.drain(..).filter(|(place, _)| *place > newer).collect();
            *live = stored;
            live.extend(rest);
        }
    }

    fn take(&self, snapshot: &Snapshot) {
        let Ok(mut held) = self.0.lock() else { return };
        for probe in &snapshot.probes {
            let value = probe.readings.get(Quantity::Temperature.column()).and_then(serde_json::Value::as_f64);
            let (Some(value), Some(at)) = (value, probe.last_at) else { continue };
            if probe.health != "reporting" {
                continue;
            }
            if !held.contains_key(&probe.name) {
                held.insert(probe.name.clone(), Places::new());
            }
            if let Some(places) = held.get_mut(&probe.name) {
                push(places, at, value);
            }
        }
    }

    /// One reading, as if a snapshot had shown it.
    #[cfg(test)]
    pub(super) fn heard(&self, probe: &str, at: Stamp, value: f64) {
        if let Ok(mut held) = self.0.lock() {
            let places = held.entry(probe.to_owned()).or_default();
            let one = Column { min: value, max: value, sum: value, count: 1, first_at: at, last_at: at };
            places.push_front((at.0.div_euclid(QUARTER_MS), one));
        }
    }

    /// The last two days of `probe` as a small trace.
    pub(super) fn lane(&self, probe: &str, now: Stamp) -> Lane {
        let mut lane = Lane::new(now.plus(-SPAN_MS), now.plus(1), TRACE_COLUMNS);
        if let Ok(held) = self.0.lock() {
            for (_, column) in held.get(probe).into_iter().flatten() {
                lane.push_summary(column.first_at, *column);
            }
        }
        lane
    }

    /// How fast the temperature of `probe` changes, °C an hour, by the last four hours; robust
    /// against single places. None where too little was read.
    pub(super) fn slope_per_hour(&self, probe: &str, now: Stamp) -> Option<f64> {
        let held = self.0.lock().ok()?;
        let recent = held.get(probe)?.iter().filter(|(_, column)| now.since(column.first_at) <= SLOPE_MS);
        let points: Vec<(Stamp, f64)> = recent.map(|(_, column)| (column.first_at, column.mean())).collect();
        (points.len() >= SLOPE_PLACES_MIN).then(|| slope_per_hour(&points)).flatten()
    }
}

fn push(places: &mut Places, at: Stamp, value: f64) {
    let place = at.0.div_euclid(QUARTER_MS);
    let one = Column { min: value, max: value, sum: value, count: 1, first_at: at, last_at: at };
    match places.back_mut() {
        Some((last, column)) if *last == place => {
            column.min = column.min.min(value);
            column.max = column.max.max(value);
            column.sum += value;
            column.count += 1;
            column.last_at = column.last_at.max(at);
        }
        Some((last, _)) if *last > place => {}
        _ => places.push_back((place, one)),
    }
    while places.front().is_some_and(|(first, _)| place - first > SPAN_MS / QUARTER_MS) {
        places.pop_front();
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::climate::stamp::MINUTE_MS;

    #[test]
    fn a_steady_rise_is_told_and_old_places_go() {
        let traces = Traces::default();
        let mut places = Places::new();
        for minute in 0..6_000 {
            push(&mut places, Stamp(minute * MINUTE_MS), 20.0 + minute as f64 / 600.0);
        }
        assert!(places.len() <= 193);
        traces.0.lock().unwrap().insert("core".to_owned(), places);
        let now = Stamp(6_000 * MINUTE_MS);
        let slope = traces.slope_per_hour("core", now).unwrap();
        assert!((slope - 0.1).abs() < 1e-6, "{slope}");
        let (low, high) = traces.lane("core", now).range().unwrap();
        assert!((low - 25.2).abs() < 0.05 && (high - 29.998).abs() < 0.01, "{low} {high}");
        assert!(traces.slope_per_hour("core", now.plus(SLOPE_MS * 2)).is_none() && traces.lane("none", now).is_empty());
    }
}
