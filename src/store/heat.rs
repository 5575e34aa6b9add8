//! A heat run folded from what is stored.
//!
//! In: a run of the logbook, and a moment. Out: the run as its readings up to then make it, and what
//! happened in it. The live watch takes the same readings: a restart or a late one costs another fold.

use super::error::StoreError;
use super::reader::Reader;
use crate::climate::{Quality, Quantity, Reading, Stamp};
use crate::grow::heat_run::{Event, GAP_MS, HeatRun};
use crate::grow::logbook::Run;

/// Follows `run` over the stored readings before `until`, and ends it where the logbook has ended it.
/// With `settled_only` nothing enters whose quality a later reading may still change.
///
/// # Errors
/// When the store cannot be read.
pub fn follow(
    reader: &Reader,
    run: &Run,
    until: Stamp,
    settled_only: bool,
) -> Result<(HeatRun, Vec<Event>), StoreError> {
    let mut heat = run.begin();
    let mut events = Vec::new();
    let names: Vec<&str> = run.plan.probes().iter().map(String::as_str).collect();
    // A reading just before the beginning gives the first line its start.
    let from = run.started_at.plus(-GAP_MS);
    let to = run.ended_at.map_or(until, |ended| ended.plus(1).min(until));
    let mut visit = |probe: usize, reading: Reading, settled: bool| {
        let dated = !matches!(reading.quality, Quality::Undated | Quality::Future);
        if dated && (settled || !settled_only) {
            events.extend(heat.reading(probe, reading.at, reading.value, reading.quality == Quality::Good));
        }
    };
    reader.series_of(&names, Quantity::Temperature, from, to, &mut visit)?;
    if let Some(ended) = run.ended_at.filter(|ended| *ended <= until) {
        events.extend(heat.end(ended));
    }
    Ok((heat, events))
}
