//! Which probes tell of a tub when, and how their readings become its figures.
//!
//! In: what the logbook says of the tub, stretches of good readings. Out: the runs that count, handed
//! to the fold. What is sealed is read tub by tub; what is not, in one pass for all tubs, because the
//! rows of all probes lie together.

use std::collections::VecDeque;

use super::fold::{Fold, Source};
use super::{core_at, like, space_at};
use crate::climate::run::Run;
use crate::climate::{Quantity, Stamp};
use crate::grow::culture::Bands;
use crate::grow::thermal::Preference;
use crate::grow::tub::Tub;
use crate::store::error::StoreError;
use crate::store::reader::Reader;
use crate::store::runs::Asked;

/// A stretch of a tub's life with one space and one source of temperatures.
#[derive(Clone, Debug, PartialEq)]
struct Segment {
    from: Stamp,
    to: Stamp,
    space: String,
    core: Option<String>,
}

fn segments(tub: &Tub, tubs: &[Tub], from: Stamp, to: Stamp) -> Vec<Segment> {
    let mut turns: Vec<Stamp> = tub.spaces.iter().map(|since| since.from).collect();
    turns.extend(tub.cores.iter().map(|since| since.from));
    if let Some(other) = like(tub, tubs) {
        turns.extend(other.cores.iter().map(|since| since.from).chain(other.ended_at));
    }
    turns.retain(|turn| *turn > from && *turn < to);
    turns.sort_unstable();
    let mut segments: Vec<Segment> = Vec::new();
    for (start, end) in std::iter::once(from).chain(turns.iter().copied()).zip(turns.iter().copied().chain([to])) {
        let core = core_at(tub, tubs, start).map(str::to_owned);
        let space = space_at(tub, start).to_owned();
        match segments.last_mut() {
            Some(last) if last.core == core && last.space == space => last.to = end,
            _ => segments.push(Segment { from: start, to: end, space, core }),
        }
    }
    segments
}

/// One tub's figures, and the segments they are still to be read from.
pub(super) struct Task<'a> {
    pub fold: Fold<'a>,
    passages: VecDeque<Passage>,
}

impl<'a> Task<'a> {
    /// Of samples before `until`.
    pub fn new(mut fold: Fold<'a>, tubs: &[Tub], until: Stamp) -> Task<'a> {
        let (from, end) = (fold.start, fold.end);
        let segments = segments(fold.tub, tubs, from, end.map_or(until, |end| end.min(until)));
        let last = segments.len().saturating_sub(1);
        let passages = segments
            .into_iter()
            .enumerate()
            .map(|(index, segment)| Passage::new(&mut fold, segment, index == 0, index == last))
            .collect();
        Task { fold, passages }
    }
}

/// Reads the figures of all `tasks`, which all ask for what is settled only, or none of them does.
pub(super) fn run(reader: &Reader, tasks: &mut [Task<'_>]) -> Result<(), StoreError> {
    let Some(settled_only) = tasks.first().map(|task| task.fold.settled_only) else { return Ok(()) };
    let quantity = Quantity::Temperature;
    let mut names: Vec<String> = Vec::new();
    let mut range: Option<(Stamp, Stamp)> = None;
    for Task { fold, passages } in tasks.iter_mut() {
        let mut is_open = false;
        for passage in passages.iter_mut() {
            let own: Vec<String> = passage.sources.iter().map(|source| source.name.clone()).collect();
            let probes: Vec<&str> = own.iter().map(String::as_str).collect();
            let (from, to) = (passage.from, passage.to);
            // In time order: where one is left open, those after it wait.
            let live = if is_open { from } else { reader.all_live_from(&probes, from, to)?.clamp(from, to.max(from)) };
            let asked = Asked { probes: &probes, quantity, settled_only };
            reader.sealed_runs(asked, (from, live), &mut |runs| passage.take(fold, runs))?;
            passage.from = live;
            if live < to {
                is_open = true;
                range = Some(range.map_or((live, to), |(begin, end)| (begin.min(live), end.max(to))));
                names.extend(own);
            }
        }
        passages.retain(|passage| passage.from < passage.to);
    }
    let Some(range) = range else { return Ok(()) };
    names.sort_unstable();
    names.dedup();
    let probes: Vec<&str> = names.iter().map(String::as_str).collect();
    let place = |source: &Source| probes.binary_search(&source.name.as_str()).ok();
    reader.live_runs(Asked { probes: &probes, quantity, settled_only }, range, &mut |runs| {
        for Task { fold, passages } in tasks.iter_mut() {
            for passage in passages.iter_mut() {
                let own = |source: &Source| place(source).map(|place| runs[place].within(passage.from, passage.to));
                let own: Vec<Run<'_>> = passage.sources.iter().map(|source| own(source).unwrap_or_default()).collect();
                passage.take(fold, &own);
            }
        }
    })
}

/// One segment while it is read: the core, if there is one, and the air, side by side.
struct Passage {
    segment: Segment,
    /// What is still to be read.
    from: Stamp,
    to: Stamp,
    /// Readings before it are only led in.
    counted_from: Stamp,
    /// The core first, if there is one.
    sources: Vec<Source>,
    cores: usize,
    bridge_ms: Vec<i64>,
    bands: Bands,
    preference: Preference,
    /// Until when the last reading of the air speaks, and what it was.
    air_now: Option<(Stamp, f64)>,
    has_begun: bool,
}

impl Passage {
    fn new(fold: &mut Fold<'_>, segment: Segment, first: bool, last: bool) -> Passage {
        let setup = fold.setup;
        let space = setup.spaces.iter().find(|space| space.name == segment.space);
        let core = segment.core.as_deref();
        let mut sources: Vec<Source> = core.map(|name| fold.source(name, true)).into_iter().collect();
        let cores = sources.len();
        let air = space.map_or(&[][..], |space| &space.air).iter().filter_map(|position| setup.probes.get(*position));
        for probe in air.filter(|probe| Some(probe.name.as_str()) != core) {
            sources.push(fold.source(&probe.name, false));
        }
        // The line that crosses the ends counts with its part in the segment; between segments of
        // different sources there is no line. Before a segment only the preference is led in.
        let lead_ms = sources.iter().map(|source| source.gaps.bridge_ms).max().unwrap_or(0);
        let ends_here = last && fold.end == Some(segment.to);
        Passage {
            from: segment.from.plus(-lead_ms),
            to: if ends_here { segment.to.plus(lead_ms) } else { segment.to },
            counted_from: if first { Stamp(i64::MIN) } else { segment.from },
            cores,
            bridge_ms: sources[cores..].iter().map(|source| source.gaps.bridge_ms).collect(),
            bands: space.map(|space| space.bands).unwrap_or_default(),
            preference: Preference::new(sources.len() - cores),
            air_now: None,
            has_begun: false,
            segment,
            sources,
        }
    }

    /// Takes the readings of one stretch, by the position of their probe in `sources`.
    fn take(&mut self, fold: &mut Fold<'_>, runs: &[Run<'_>]) {
        if !std::mem::replace(&mut self.has_begun, true) {
            fold.limits_for = None;
        }
        let (cores, air) = runs.split_at(self.cores.min(runs.len()));
        let mut speaking: Vec<(usize, Run<'_>)> = Vec::new();
        self.preference.take_runs(air, &self.bridge_ms, &mut |rank, run| speaking.push((rank, run)));
        let (from, end) = (self.counted_from, Stamp(i64::MAX));
        let Some(core) = cores.first() else {
            for (rank, run) in speaking {
                fold.push(&self.sources[rank], run.within(from, end), false, &self.bands);
            }
            return;
        };
        let air: Vec<Run<'_>> = speaking.iter().map(|(_, run)| run.within(from, end)).collect();
        fold.figures.warmth.runs(core.within(from, end), &air);
        fold.push(&self.sources[0], core.within(from, end), true, &self.bands);
        self.compare(fold, *core, &speaking);
    }

    /// How far the core is over the air that spoke last before it.
    fn compare(&mut self, fold: &mut Fold<'_>, core: Run<'_>, speaking: &[(usize, Run<'_>)]) {
        let until = |rank: usize, at: Stamp| at.plus(self.bridge_ms[rank]);
        let mut most = fold.figures.core_over_air_max_k.unwrap_or(f64::NEG_INFINITY);
        let mut air = speaking.iter().flat_map(|(rank, run)| run.iter().map(move |(at, value)| (*rank, at, value)));
        let mut next = air.next();
        let mut now = self.air_now;
        for (at, value) in core.iter() {
            while let Some((rank, air_at, air_value)) = next.filter(|(_, air_at, _)| *air_at < at) {
                now = Some((until(rank, air_at), air_value));
                next = air.next();
            }
            if let Some((until, air_value)) = now
                && at <= until
                && at >= self.segment.from
                && at < self.segment.to
            {
                most = most.max(value - air_value);
            }
        }
        if let Some((rank, at, value)) = next.into_iter().chain(air).last() {
            now = Some((until(rank, at), value));
        }
        self.air_now = now;
        fold.figures.core_over_air_max_k = Some(most).filter(|most| most.is_finite());
    }
}
