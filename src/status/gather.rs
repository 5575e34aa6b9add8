//! What the charts of a tub or a space show, gathered in one passing over the stored samples.
//!
//! In: a reader, the settings, a tub or a space, a range of time. Out: lanes of columns that keep
//! every peak, and what was not believed. Temperatures of a tub come from its core where it has one
//! at that time, else from its space's air, as its figures do; of a space's air probes the first
//! listed that read well of late speaks. Ranges whose columns are longer than a quarter-hour are drawn
//! from the store's summaries: highest and lowest of what was measured are kept; what is computed from
//! two quantities (VPD, core over air) and warmth is then made of quarter-hour means; what is not
//! believed, which no summary holds, is looked up by itself.

use std::collections::BTreeMap;
use std::ops::ControlFlow;

use crate::climate::chart::{COLUMNS, Column, Doubted, Lane};
use crate::climate::series::{Gaps, Piece};
use crate::climate::{Quality, Quantity, Stamp, humidity};
use crate::grow::culture::Thermal;
use crate::grow::thermal::{self, Preference};
use crate::grow::tub::Tub;
use crate::store::figures::{core_at, space_at};
use crate::store::history::Form;
use crate::store::summary::{QUARTER_MS, Quarter};
use crate::store::{Reader, StoreError};
use crate::watch::setup::Setup;
use crate::watch::view::rounded;

/// How often a probe that left the config is taken to have reported.
const EVERY_UNKNOWN_MS: i64 = crate::climate::stamp::MINUTE_MS;

/// Whose samples are gathered.
pub(super) enum Whose<'a> {
    /// A tub's, among all tubs.
    Tub(&'a Tub, &'a [Tub]),
    /// The air of the space at this position.
    Space(usize),
}

/// What was not believed in one column: the first of it that has a value, and how many there were.
#[derive(Clone, Copy)]
pub(super) struct Disbelieved {
    at: Stamp,
    value: f64,
    quality: Quality,
    pub(super) count: u64,
}

/// A lane and what was not believed of it.
pub(super) struct Line {
    pub(super) lane: Lane,
    /// By the beginning of the column it falls into.
    pub(super) doubted: BTreeMap<Stamp, Disbelieved>,
    /// How many there were of each kind.
    pub(super) doubts: BTreeMap<&'static str, u64>,
    /// Readings further apart are not joined, ms.
    pub(super) bridge_ms: i64,
}

/// Everything the charts need.
pub(super) struct Gathered {
    pub(super) core: Line,
    /// Temperature, humidity, CO2 of the air, by `Quantity::index`.
    pub(super) air: [Line; 3],
    pub(super) vpd: Line,
    pub(super) over: Line,
    /// Warmth collected within the range, °C·h from its beginning on.
    pub(super) warmth: Line,
    /// The whole of it.
    pub(super) gained: f64,
}

impl Line {
    pub(super) fn new(from: Stamp, to: Stamp, bridge_ms: i64) -> Line {
        let lane = Lane::new(from, to, COLUMNS);
        Line { lane, doubted: BTreeMap::new(), doubts: BTreeMap::new(), bridge_ms }
    }

    /// Takes a reading, or the sum of several, in time order.
    pub(super) fn take(&mut self, at: Stamp, column: Column, quality: Quality) {
        if quality == Quality::Good {
            self.lane.push_summary(at, column);
        } else if let Some(begin) = self.lane.begin_of(at) {
            let new = Disbelieved { at, value: column.sum, quality, count: 0 };
            let it = self.doubted.entry(begin).or_insert(new);
            if !it.value.is_finite() {
                *it = Disbelieved { count: it.count, ..new };
            }
            it.count += 1;
            *self.doubts.entry(quality.word()).or_default() += 1;
        }
    }
}

impl Line {
    /// The crosses, worded by `say`: one a column, so that a probe that lies all day does not bury the line.
    /// Values are taken `times` and have `by` added.
    pub(super) fn crosses(&self, (times, by): (f64, f64), say: impl Fn(Stamp) -> String) -> Vec<Doubted> {
        let cross = |it: &Disbelieved| {
            let more = if it.count > 1 { format!(", and {} more", it.count - 1) } else { String::new() };
            let value = rounded(it.value * times + by, 6);
            // An error code is what the probe said, in no degrees.
            let said = if it.quality == Quality::Sentinel { it.value } else { value };
            let why = format!("{} {said}: {}{more}", say(it.at), it.quality.word());
            Doubted { at: it.at, value, why }
        };
        self.doubted.values().filter(|it| it.value.is_finite()).map(cross).collect()
    }
}

/// What one probe said at a moment, or over a quarter-hour: temperature, humidity, CO2.
type Heard = [Option<(Column, Quality)>; 3];

/// Of what is heard the charts show these.
const SHOWN: [Quantity; 3] = [Quantity::Temperature, Quantity::Humidity, Quantity::Co2];

/// One reading as a column.
pub(super) fn of_one(at: Stamp, value: f64) -> Column {
    Column { min: value, max: value, sum: value, count: 1, first_at: at, last_at: at }
}

/// The mean of a quantity where it is believed.
fn good(heard: &Heard, quantity: Quantity) -> Option<f64> {
    heard[quantity.index()].filter(|(_, quality)| *quality == Quality::Good).map(|(column, _)| column.mean())
}

/// A probe that is read for the charts.
struct Source {
    name: String,
    every_ms: i64,
}

struct Pass<'a> {
    setup: &'a Setup,
    whose: &'a Whose<'a>,
    thermal: Option<Thermal>,
    sources: Vec<Source>,
    preference: Vec<[Preference; 3]>,
    out: Gathered,
    air_now: Option<(Stamp, f64)>,
    warm: Option<(Stamp, f64)>,
    /// Warmth is counted up to here.
    warm_until: Stamp,
}

/// Gathers the range `from <= at < to`. `thermal` is the culture's, for warmth.
///
/// # Errors
/// When the store cannot be read.
pub(super) fn gather(
    reader: &Reader,
    setup: &Setup,
    whose: &Whose<'_>,
    thermal: Option<Thermal>,
    (from, to): (Stamp, Stamp),
) -> Result<Gathered, StoreError> {
    let sources = sources(setup, whose);
    let widest = |gaps: fn(i64) -> Gaps| {
        sources
            .iter()
            .map(|source| gaps(source.every_ms).bridge_ms)
            .max()
            .unwrap_or_else(|| gaps(EVERY_UNKNOWN_MS).bridge_ms)
    };
    let (core_ms, air_ms) = (widest(Gaps::for_core), widest(Gaps::for_air));
    let line = |bridge_ms: i64| Line::new(from, to, bridge_ms);
    let out = Gathered {
        core: line(core_ms),
        air: [line(air_ms), line(air_ms), line(air_ms)],
        vpd: line(air_ms),
        over: line(core_ms),
        warmth: line(core_ms),
        gained: 0.0,
    };
    let warm_until = match whose {
        Whose::Tub(tub, _) => tub.colonised_at.or(tub.ended_at).unwrap_or(Stamp(i64::MAX)),
        Whose::Space(_) => from,
    };
    let preference = setup.spaces.iter().map(|space| [0, 1, 2].map(|_| Preference::new(space.air.len()))).collect();
    let names: Vec<String> = sources.iter().map(|source| source.name.clone()).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let mut pass = Pass { setup, whose, thermal, sources, preference, out, air_now: None, warm: None, warm_until };
    let (begin, end) = match whose {
        Whose::Tub(tub, _) => (from.max(tub.spawned_at), tub.ended_at.unwrap_or(to).min(to)),
        Whose::Space(_) => (from, to),
    };
    if to.since(from) / COLUMNS as i64 >= QUARTER_MS {
        by_quarters(reader, &names, begin, end, &mut pass)?;
    } else {
        reader.history(&names, begin, end, Form::Corrected, &mut |position, message| {
            let heard = SHOWN.map(|quantity| {
                message.reading(quantity).map(|reading| (of_one(reading.at, reading.value), reading.quality))
            });
            pass.take(position, message.at, &heard);
            ControlFlow::Continue(())
        })?;
    }
    Ok(pass.out)
}

/// The same from the summaries of quarter-hours, probe after probe within each.
fn by_quarters(reader: &Reader, names: &[&str], from: Stamp, to: Stamp, pass: &mut Pass<'_>) -> Result<(), StoreError> {
    let mut quarters: BTreeMap<(Stamp, usize), Heard> = BTreeMap::new();
    for (position, name) in names.iter().enumerate() {
        for quantity in SHOWN {
            reader.quarters(name, quantity, from, to, &mut |quarter| {
                let heard = quarters.entry((quarter.start, position)).or_default();
                heard[quantity.index()] = Some((of_quarter(quarter), Quality::Good));
            })?;
        }
    }
    for ((start, position), heard) in &quarters {
        // Its middle stands for it, except where the range cuts it.
        pass.take(*position, start.plus(QUARTER_MS / 2).min(to.plus(-1)).max(from), heard);
    }
    for (position, name) in names.iter().enumerate() {
        for quantity in SHOWN {
            reader.disbelieved(name, quantity, from, to, &mut |reading| {
                let mut heard = Heard::default();
                heard[quantity.index()] = Some((of_one(reading.at, reading.value), reading.quality));
                pass.take(position, reading.at, &heard);
            })?;
        }
    }
    Ok(())
}

/// A quarter-hour as what falls into a column.
pub(super) fn of_quarter(quarter: &Quarter) -> Column {
    let Quarter { start, count, sum, min, max } = *quarter;
    Column { min, max, sum, count, first_at: start, last_at: start.plus(QUARTER_MS - 1) }
}

fn sources(setup: &Setup, whose: &Whose<'_>) -> Vec<Source> {
    let air_of = |space: &str| {
        let found = setup.spaces.iter().find(|known| known.name == space);
        let probes: Vec<String> =
            found.into_iter().flat_map(|space| &space.air).map(|probe| setup.probes[*probe].name.clone()).collect();
        probes
    };
    let mut all: Vec<String> = Vec::new();
    match whose {
        Whose::Space(space) => {
            all.extend(setup.spaces.get(*space).map(|space| air_of(&space.name)).unwrap_or_default())
        }
        Whose::Tub(tub, tubs) => {
            all.extend(tub.spaces.iter().flat_map(|space| air_of(&space.value)));
            let like = tubs.iter().find(|other| Some(&other.id) == tub.like.as_ref());
            let held = tub.cores.iter().chain(like.into_iter().flat_map(|like| &like.cores));
            all.extend(held.filter_map(|core| core.value.clone()));
        }
    }
    let mut sources: Vec<Source> = Vec::new();
    for name in all {
        if sources.iter().all(|source| source.name != name) {
            let every_ms =
                setup.probes.iter().find(|probe| probe.name == name).map_or(EVERY_UNKNOWN_MS, |probe| probe.every_ms);
            sources.push(Source { name, every_ms });
        }
    }
    sources
}

impl Pass<'_> {
    fn take(&mut self, position: usize, at: Stamp, heard: &Heard) {
        let name = self.sources[position].name.as_str();
        let (core, space) = match self.whose {
            Whose::Tub(tub, tubs) => (core_at(tub, tubs, at), space_at(tub, at)),
            Whose::Space(space) => (None, self.setup.spaces[*space].name.as_str()),
        };
        if core == Some(name) {
            self.take_core(position, at, heard);
            return;
        }
        let place = self.setup.spaces.iter().position(|known| known.name == space);
        let rank = place.and_then(|place| {
            let air = &self.setup.spaces[place].air;
            air.iter().position(|probe| self.setup.probes[*probe].name == name).map(|rank| (place, rank))
        });
        if let Some((place, rank)) = rank {
            self.take_air(position, at, (place, rank), heard, core.is_some());
        }
    }

    fn take_core(&mut self, position: usize, at: Stamp, heard: &Heard) {
        let Some((column, quality)) = heard[Quantity::Temperature.index()] else { return };
        self.out.core.take(at, column, quality);
        if quality != Quality::Good {
            return;
        }
        let bridge_ms = Gaps::for_core(self.sources[position].every_ms).bridge_ms;
        if let Some((air_at, air)) = self.air_now
            && at.since(air_at) <= self.out.air[0].bridge_ms
        {
            self.out.over.take(at, of_one(at, column.mean() - air), Quality::Good);
        }
        self.warm(at, column.mean(), bridge_ms);
    }

    fn take_air(&mut self, position: usize, at: Stamp, (place, rank): (usize, usize), heard: &Heard, has_core: bool) {
        let bridge_ms = Gaps::for_air(self.sources[position].every_ms).bridge_ms;
        let mut speaks = [false; 3];
        for quantity in SHOWN {
            let index = quantity.index();
            let Some((column, quality)) = heard[index] else { continue };
            if quality == Quality::Good {
                speaks[index] = self.preference[place][index].take(rank, at, bridge_ms);
                if !speaks[index] {
                    continue;
                }
            }
            self.out.air[index].take(at, column, quality);
        }
        let Some(t_c) = good(heard, Quantity::Temperature).filter(|_| speaks[0]) else { return };
        self.air_now = Some((at, t_c));
        if !has_core {
            self.warm(at, t_c, bridge_ms);
        }
        if let Some(vpd) = good(heard, Quantity::Humidity).and_then(|rh| humidity::vpd_kpa(t_c, rh)) {
            self.out.vpd.take(at, of_one(at, vpd), Quality::Good);
        }
    }

    fn warm(&mut self, at: Stamp, value: f64, bridge_ms: i64) {
        let Some(thermal) = &self.thermal else { return };
        let before = self.warm.replace((at, value));
        if at > self.warm_until {
            return;
        }
        if let Some((from, from_value)) = before
            && at > from
            && at.since(from) <= bridge_ms
        {
            let piece = Piece { from, to: at, from_value, to_value: value, doubtful: false };
            self.out.gained += thermal::degree_hours(&piece, thermal);
        }
        self.out.warmth.take(at, of_one(at, self.out.gained), Quality::Good);
    }
}
