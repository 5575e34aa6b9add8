//! One tub's figures over stored samples: degree-hours, heat stress, mean, extremes, hours outside
//! the band, core over air.
//!
//! In: a tub as the logbook tells it, the installation, and a stretch of time. Out: [`TubFigures`].
//! Temperatures are taken from the tub's core where it has one at that time (its own, else that of
//! the tub it is like), else from its space's air, whose first listed probe that gave a good reading
//! of late speaks. The live watches decide alike. Left out: which samples are good (`history.rs`).

use super::error::StoreError;
use super::reader::Reader;
use crate::climate::statistics::{BandHours, BandLimits, Summary};
use crate::climate::{Quality, Quantity, Reading, Stamp};
use crate::grow::culture::{Culture, StageBands};
use crate::grow::self_heating::SelfHeating;
use crate::grow::thermal::{Exposure, Gaps, Preference};
use crate::grow::tub::{Since, Stage, Tub};
use crate::watch::origin::{Origin, origin, stress_top_c};
use crate::watch::setup::Setup;

/// How often a probe that left the config is taken to have reported.
const EVERY_UNKNOWN_MS: i64 = crate::climate::stamp::MINUTE_MS;

/// What the stored samples tell of one tub.
#[derive(Clone, Debug)]
pub struct TubFigures {
    /// Thermal time. Its sources are marked by the probe's position in `setup.probes`.
    pub exposure: Exposure,
    /// The probe that gave the last temperature counted.
    pub temperature_from: Option<String>,
    /// Every probe that gave temperatures, in the order of their first.
    pub sources: Vec<String>,
    /// Mean and extremes, °C.
    pub temperature: Summary,
    /// Hours outside the bands of the stages, and at or over the culture's damage limit.
    pub band: BandHours,
    /// The most the core was over the air, K; none without both.
    pub core_over_air_max_k: Option<f64>,
    /// Core beside air, hour by hour.
    pub warmth: SelfHeating,
}

/// The limits that hours outside the band are counted against; the high one as for heat stress.
fn band_limits(bands: &StageBands, from_core: bool, damage_c: f64) -> BandLimits {
    let (air, core) = (bands.temperature.low, bands.core_temperature.low);
    let low = if from_core { core.or(air) } else { air };
    BandLimits { low: low.map(|low| low.value), high: stress_top_c(bands, from_core), damage: Some(damage_c) }
}

/// The figures from the tub's spawning on, from samples before `until`, up to when it was colonised
/// (which is what the culture's requirement speaks of) or ended. With `settled_only` nothing enters
/// whose quality a later sample may still change: so the live watches can carry on from there.
///
/// # Errors
/// When the store cannot be read.
pub fn exposure(
    reader: &Reader,
    tub: &Tub,
    tubs: &[Tub],
    setup: &Setup,
    culture: &Culture,
    until: Stamp,
    settled_only: bool,
) -> Result<TubFigures, StoreError> {
    let start = tub.spawned_at;
    let end = tub.colonised_at.or(tub.ended_at);
    let mut fold = Fold::new(tub, setup, culture, start, end, settled_only);
    fold.run(reader, tubs, start, until)?;
    Ok(fold.figures)
}

/// Hours over the band since the tub's present stage began, from samples before `until`, for the live
/// watches to carry on with. `figures` are those of [`exposure`] up to the same moment, which know it
/// already where that stage is the tub's first.
///
/// # Errors
/// When the store cannot be read.
pub fn stage_stress(
    reader: &Reader,
    tub: &Tub,
    tubs: &[Tub],
    setup: &Setup,
    culture: &Culture,
    until: Stamp,
    figures: &TubFigures,
) -> Result<BandHours, StoreError> {
    let from = tub.stages.last().map_or(tub.spawned_at, |stage| stage.from);
    if from == tub.spawned_at {
        return Ok(figures.band.clone());
    }
    let mut fold = Fold::new(tub, setup, culture, from, None, true);
    fold.run(reader, tubs, from, until)?;
    Ok(fold.figures.band)
}

/// The figures of the time from `from` to `to`, which must lie in the tub's life; lines to readings
/// around it count with their part in it.
///
/// # Errors
/// When the store cannot be read.
pub fn over(
    reader: &Reader,
    tub: &Tub,
    tubs: &[Tub],
    setup: &Setup,
    culture: &Culture,
    from: Stamp,
    to: Stamp,
) -> Result<TubFigures, StoreError> {
    let mut fold = Fold::new(tub, setup, culture, from, Some(to), false);
    fold.run(reader, tubs, from, to)?;
    Ok(fold.figures)
}

/// A stretch of a tub's life with one space and one source of temperatures.
#[derive(Clone, Debug, PartialEq)]
struct Segment {
    from: Stamp,
    to: Stamp,
    space: String,
    core: Option<String>,
}

/// What held at `at`.
fn held<T>(history: &[Since<T>], at: Stamp) -> Option<&T> {
    history[..history.partition_point(|since| since.from <= at)].last().map(|since| &since.value)
}

/// The core probe that speaks for `tub` at `at`: its own, else that of the tub it is like.
pub fn core_at<'a>(tub: &'a Tub, tubs: &'a [Tub], at: Stamp) -> Option<&'a str> {
    match origin(tub, like(tub, tubs), at) {
        Origin::Core(core) | Origin::Like(core) => Some(core),
        Origin::Air(_) => None,
    }
}

/// The space `tub` stands in at `at`; before it was spawned, its first.
pub fn space_at(tub: &Tub, at: Stamp) -> &str {
    held(&tub.spaces, at).or(tub.spaces.first().map(|first| &first.value)).map_or("", String::as_str)
}

fn like<'a>(tub: &Tub, tubs: &'a [Tub]) -> Option<&'a Tub> {
    tubs.iter().find(|other| Some(&other.id) == tub.like.as_ref())
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

/// A probe as a segment reads it.
struct Source<'a> {
    name: &'a str,
    mark: u32,
    gaps: Gaps,
}

struct Fold<'a> {
    tub: &'a Tub,
    setup: &'a Setup,
    culture: &'a Culture,
    settled_only: bool,
    /// The end of what counts; without one everything known does.
    end: Option<Stamp>,
    figures: TubFigures,
    /// Probes that are not in the config any more.
    strangers: Vec<String>,
    limits_for: Option<(Stage, bool)>,
    last_at: Option<Stamp>,
}

impl<'a> Fold<'a> {
    fn new(
        tub: &'a Tub,
        setup: &'a Setup,
        culture: &'a Culture,
        start: Stamp,
        end: Option<Stamp>,
        settled_only: bool,
    ) -> Self {
        let figures = TubFigures {
            exposure: Exposure::new(culture.thermal, None, start).ending(end),
            temperature_from: None,
            sources: Vec::new(),
            temperature: Summary::new(start, end),
            band: BandHours::new(BandLimits::default(), start, end),
            core_over_air_max_k: None,
            warmth: SelfHeating::new(tub.spawned_at),
        };
        Fold { tub, setup, culture, settled_only, end, figures, strangers: Vec::new(), limits_for: None, last_at: None }
    }

    fn run(&mut self, reader: &Reader, tubs: &[Tub], from: Stamp, to: Stamp) -> Result<(), StoreError> {
        let segments = segments(self.tub, tubs, from, self.end.map_or(to, |end| end.min(to)));
        let last = segments.len().saturating_sub(1);
        for (index, segment) in segments.iter().enumerate() {
            self.segment(reader, segment, index == 0, index == last)?;
        }
        Ok(())
    }

    fn source<'b>(&mut self, name: &'b str, core: bool) -> Source<'b> {
        let known = self.setup.probes.iter().position(|probe| probe.name == name);
        let every_ms = known.map_or(EVERY_UNKNOWN_MS, |position| self.setup.probes[position].every_ms);
        let mark = match known {
            Some(position) => position as u32,
            None => {
                let stranger = self.strangers.iter().position(|stranger| stranger == name).unwrap_or_else(|| {
                    self.strangers.push(name.to_owned());
                    self.strangers.len() - 1
                });
                u32::MAX - stranger as u32
            }
        };
        let gaps = if core { Gaps::for_core(every_ms) } else { Gaps::for_air(every_ms) };
        Source { name, mark, gaps }
    }

    /// Reads one segment: the core, if there is one, and the air, side by side.
    fn segment(&mut self, reader: &Reader, segment: &Segment, first: bool, last: bool) -> Result<(), StoreError> {
        let setup = self.setup;
        let space = setup.spaces.iter().find(|space| space.name == segment.space);
        let core = segment.core.as_deref().map(|name| self.source(name, true));
        let air: Vec<Source<'_>> = space
            .map_or(&[][..], |space| &space.air)
            .iter()
            .filter_map(|position| setup.probes.get(*position))
            .filter(|probe| Some(probe.name.as_str()) != segment.core.as_deref())
            .map(|probe| self.source(&probe.name, false))
            .collect();
        let cores = usize::from(core.is_some());
        let sources: Vec<Source<'_>> = core.into_iter().chain(air).collect();
        let names: Vec<&str> = sources.iter().map(|source| source.name).collect();
        let lead_ms = sources.iter().map(|source| source.gaps.bridge_ms).max().unwrap_or(0);
        // The line that crosses the ends counts with its part in the segment; between segments of
        // different sources there is no line. Before a segment only the preference is led in.
        let ends_here = last && self.end == Some(segment.to);
        let to = if ends_here { segment.to.plus(lead_ms) } else { segment.to };
        let bands = space.map(|space| space.bands).unwrap_or_default();

        let mut preference = Preference::new(sources.len() - cores);
        let mut air_now: Option<(Stamp, f64)> = None;
        self.limits_for = None;
        let mut visit = |position: usize, reading: Reading, settled: bool| {
            if reading.quality != Quality::Good || (self.settled_only && !settled) {
                return;
            }
            let source = &sources[position];
            let counted = first || reading.at >= segment.from;
            if position < cores {
                if let Some((until, air)) = air_now
                    && reading.at <= until
                    && reading.at >= segment.from
                    && reading.at < segment.to
                {
                    let over = reading.value - air;
                    let most = self.figures.core_over_air_max_k.map_or(over, |most| most.max(over));
                    self.figures.core_over_air_max_k = Some(most);
                }
                self.figures.warmth.core(reading.at, reading.value);
            } else if preference.take(position - cores, reading.at, source.gaps.bridge_ms) {
                if cores > 0 {
                    self.figures.warmth.air(reading.at, reading.value);
                }
                air_now = Some((reading.at.plus(source.gaps.bridge_ms), reading.value));
            } else {
                return;
            }
            if counted && (position < cores || cores == 0) {
                self.push(source, reading, cores > 0, &bands);
            }
        };
        reader.series_of(&names, Quantity::Temperature, segment.from.plus(-lead_ms), to, &mut visit)
    }

    fn push(&mut self, source: &Source<'_>, reading: Reading, from_core: bool, space: &crate::grow::culture::Bands) {
        // The line that leads to this reading belongs to the stage it began in.
        let begun = self.last_at.replace(reading.at).unwrap_or(reading.at);
        let stage = held(&self.tub.stages, begun).copied().unwrap_or(Stage::Colonising);
        let figures = &mut self.figures;
        if self.limits_for != Some((stage, from_core)) {
            self.limits_for = Some((stage, from_core));
            let bands = self.culture.bands.of(stage).overridden_by(space.of(stage));
            let limits = band_limits(&bands, from_core, self.culture.thermal.damage_c);
            figures.exposure.set_stress_top_c(limits.high);
            figures.band.set_limits(limits);
        }
        let Reading { at, value, .. } = reading;
        figures.exposure.push(source.mark, at, value, source.gaps);
        figures.temperature.push(source.mark, at, value, source.gaps);
        figures.band.push(source.mark, at, value, source.gaps);
        if figures.temperature_from.as_deref() != Some(source.name) {
            figures.temperature_from = Some(source.name.to_owned());
            if !figures.sources.iter().any(|known| known == source.name) {
                figures.sources.push(source.name.to_owned());
            }
        }
    }
}
