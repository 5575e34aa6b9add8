//! The course of one tub's climate, thinned to the width of a chart without losing its peaks.
//!
//! In: the store, a tub, a stretch of time. Out: lanes for core, air, humidity, CO2 and core over air, and what
//! was not believed. Air is the first listed probe of the space the tub stood in that spoke of late.

use crate::climate::chart::{COLUMNS, Doubted, Lane};
use crate::climate::{Quality, Quantity, Reading, Stamp};
use crate::grow::thermal::{Gaps, Preference};
use crate::grow::tub::Tub;
use crate::store::figures::{core_at, space_at};
use crate::store::{Reader, StoreError};
use crate::watch::setup::Setup;

/// Readings that are not believed kept for drawing, of each quantity.
const DOUBTED_MAX: usize = 200;

/// The lanes of one tub.
pub(super) struct Course {
    pub core: Lane,
    pub air: Lane,
    pub humidity: Lane,
    pub co2: Lane,
    pub over_air: Lane,
    /// Of core and air temperature.
    pub doubted: Vec<Doubted>,
    /// The longest silence a line is drawn over, ms.
    pub core_bridge_ms: i64,
    pub air_bridge_ms: i64,
}

/// A probe that bears on the tub.
struct Source<'a> {
    name: &'a str,
    /// The space whose air it measures, and its place in the list.
    air: Option<(&'a str, usize)>,
    bridge_ms: i64,
}

impl Course {
    /// From `from` and before `to`.
    pub fn of(
        reader: &Reader,
        setup: &Setup,
        tubs: &[Tub],
        tub: &Tub,
        from: Stamp,
        to: Stamp,
    ) -> Result<Course, StoreError> {
        let lane = || Lane::new(from, to, COLUMNS);
        let sources = sources(setup, tubs, tub);
        let longest = |air: bool| sources.iter().filter(|one| one.air.is_some() == air).map(|one| one.bridge_ms).max();
        let mut course = Course {
            core: lane(),
            air: lane(),
            humidity: lane(),
            co2: lane(),
            over_air: lane(),
            doubted: Vec::new(),
            core_bridge_ms: longest(false).unwrap_or(0),
            air_bridge_ms: longest(true).unwrap_or(0),
        };
        // A column of a long life is wider than a silence: neighbouring columns are joined.
        let column_ms = to.since(from) / COLUMNS as i64 * 2;
        course.core_bridge_ms = course.core_bridge_ms.max(column_ms);
        course.air_bridge_ms = course.air_bridge_ms.max(column_ms);
        course.temperatures(reader, tubs, tub, &sources, (from, to))?;
        for quantity in [Quantity::Humidity, Quantity::Co2] {
            let lane = if quantity == Quantity::Humidity { &mut course.humidity } else { &mut course.co2 };
            air_lane(reader, tub, &sources, quantity, (from, to), lane)?;
        }
        Ok(course)
    }

    fn temperatures(
        &mut self,
        reader: &Reader,
        tubs: &[Tub],
        tub: &Tub,
        sources: &[Source<'_>],
        (from, to): (Stamp, Stamp),
    ) -> Result<(), StoreError> {
        let names: Vec<&str> = sources.iter().map(|source| source.name).collect();
        let mut speaks = Speaks::new(sources);
        let mut air_now: Option<(Stamp, f64)> = None;
        let mut visit = |position: usize, reading: Reading, _: bool| {
            let source = &sources[position];
            let is_core = core_at(tub, tubs, reading.at) == Some(source.name);
            let is_air = !is_core && source.air.is_some_and(|(space, _)| space == space_at(tub, reading.at));
            if !is_core && !is_air {
                return;
            }
            if reading.quality != Quality::Good {
                if self.doubted.len() < DOUBTED_MAX && reading.value.is_finite() {
                    let why = format!("{}: {} {}", reading.at.rfc3339(), reading.value, reading.quality.word());
                    self.doubted.push(Doubted { at: reading.at, value: reading.value, why });
                }
                return;
            }
            if is_core {
                self.core.push(reading.at, reading.value);
                if let Some((_, air)) = air_now.filter(|(until, _)| reading.at <= *until) {
                    self.over_air.push(reading.at, reading.value - air);
                }
            } else if speaks.take(position, reading.at) {
                self.air.push(reading.at, reading.value);
                air_now = Some((reading.at.plus(source.bridge_ms), reading.value));
            }
        };
        reader.series_of(&names, Quantity::Temperature, from, to, &mut visit)
    }
}

fn air_lane(
    reader: &Reader,
    tub: &Tub,
    sources: &[Source<'_>],
    quantity: Quantity,
    (from, to): (Stamp, Stamp),
    lane: &mut Lane,
) -> Result<(), StoreError> {
    let names: Vec<&str> = sources.iter().map(|source| source.name).collect();
    let mut speaks = Speaks::new(sources);
    let mut visit = |position: usize, reading: Reading, _: bool| {
        let here = sources[position].air.is_some_and(|(space, _)| space == space_at(tub, reading.at));
        if here && reading.quality == Quality::Good && speaks.take(position, reading.at) {
            lane.push(reading.at, reading.value);
        }
    };
    reader.series_of(&names, quantity, from, to, &mut visit)
}

/// Every probe that was ever the tub's core or the air around it.
fn sources<'a>(setup: &'a Setup, tubs: &'a [Tub], tub: &'a Tub) -> Vec<Source<'a>> {
    let every_ms = |name: &str| setup.probes.iter().find(|probe| probe.name == name).map_or(0, |probe| probe.every_ms);
    let mut sources: Vec<Source<'a>> = Vec::new();
    let stood_in = tubs.iter().find(|other| Some(&other.id) == tub.like.as_ref());
    for core in [Some(tub), stood_in].into_iter().flatten().flat_map(|tub| &tub.cores) {
        if let Some(name) = core.value.as_deref()
            && sources.iter().all(|source| source.name != name)
        {
            sources.push(Source { name, air: None, bridge_ms: Gaps::for_core(every_ms(name)).bridge_ms });
        }
    }
    for space in setup.spaces.iter().filter(|space| tub.spaces.iter().any(|stood| stood.value == space.name)) {
        for (rank, probe) in space.air.iter().filter_map(|place| setup.probes.get(*place)).enumerate() {
            if sources.iter().all(|source| source.name != probe.name) {
                let bridge_ms = Gaps::for_air(probe.every_ms).bridge_ms;
                sources.push(Source { name: &probe.name, air: Some((&space.name, rank)), bridge_ms });
            }
        }
    }
    sources
}

/// Which air probe speaks for each space.
struct Speaks<'a> {
    sources: &'a [Source<'a>],
    by_space: Vec<(&'a str, Preference)>,
}

impl<'a> Speaks<'a> {
    fn new(sources: &'a [Source<'a>]) -> Speaks<'a> {
        let mut by_space: Vec<(&str, Preference)> = Vec::new();
        for (space, _) in sources.iter().filter_map(|source| source.air) {
            if by_space.iter().all(|(known, _)| *known != space) {
                let probes = sources.iter().filter(|one| one.air.is_some_and(|(of, _)| of == space)).count();
                by_space.push((space, Preference::new(probes)));
            }
        }
        Speaks { sources, by_space }
    }

    fn take(&mut self, position: usize, at: Stamp) -> bool {
        let source = &self.sources[position];
        let Some((space, rank)) = source.air else { return false };
        let preference = self.by_space.iter_mut().find(|(known, _)| *known == space);
        preference.is_some_and(|(_, preference)| preference.take(rank, at, source.bridge_ms))
    }
}
