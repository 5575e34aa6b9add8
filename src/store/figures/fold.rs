//! One tub's figures, run after run of the readings that count.
//!
//! In: runs of one probe each, in time order. Out: [`TubFigures`]. Pure. A run is cut where the tub's
//! stage turns, because its limits do, and where a day of the course is full.

use super::{TubFigures, held};
use crate::climate::Stamp;
use crate::climate::run::Run;
use crate::climate::stamp::DAY_MS;
use crate::climate::statistics::{BandHours, BandLimits, Summary};
use crate::grow::culture::{Bands, Culture, StageBands};
use crate::grow::self_heating::SelfHeating;
use crate::grow::thermal::{Exposure, Gaps};
use crate::grow::tub::{Stage, Tub};
use crate::watch::origin::stress_top_c;
use crate::watch::setup::Setup;

/// How often a probe that left the config is taken to have reported.
const EVERY_UNKNOWN_MS: i64 = crate::climate::stamp::MINUTE_MS;

/// A probe as a tub's figures read it.
#[derive(Clone, Debug)]
pub(super) struct Source {
    pub name: String,
    pub mark: u32,
    pub gaps: Gaps,
}

/// The limits that hours outside the band are counted against; the high one as for heat stress.
fn band_limits(bands: &StageBands, from_core: bool, damage_c: f64) -> BandLimits {
    let (air, core) = (bands.temperature.low, bands.core_temperature.low);
    let low = if from_core { core.or(air) } else { air };
    BandLimits { low: low.map(|low| low.value), high: stress_top_c(bands, from_core), damage: Some(damage_c) }
}

pub(super) struct Fold<'a> {
    pub tub: &'a Tub,
    pub setup: &'a Setup,
    culture: &'a Culture,
    pub settled_only: bool,
    pub start: Stamp,
    /// The end of what counts; without one everything known does.
    pub end: Option<Stamp>,
    pub figures: TubFigures,
    /// Probes that are not in the config any more.
    strangers: Vec<String>,
    pub limits_for: Option<(Stage, bool)>,
    last_at: Option<Stamp>,
}

impl<'a> Fold<'a> {
    pub fn new(
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
            course: Vec::new(),
            warmth: SelfHeating::new(tub.spawned_at),
        };
        let (strangers, limits_for, last_at) = (Vec::new(), None, None);
        Fold { tub, setup, culture, settled_only, start, end, figures, strangers, limits_for, last_at }
    }

    /// The probe called `name`, in the tub's core or the air around it.
    pub fn source(&mut self, name: &str, core: bool) -> Source {
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
        Source { name: name.to_owned(), mark, gaps }
    }

    /// Takes the next readings that count.
    pub fn push(&mut self, source: &Source, run: Run<'_>, from_core: bool, space: &Bands) {
        let mut rest = run;
        while let Some((at, _)) = rest.first() {
            // The line that leads to a reading belongs to the stage it began in.
            let begun = self.last_at.unwrap_or(at);
            let stages = &self.tub.stages;
            let stage = held(stages, begun).copied().unwrap_or(Stage::Colonising);
            if self.limits_for != Some((stage, from_core)) {
                self.limits_for = Some((stage, from_core));
                let bands = self.culture.bands.of(stage).overridden_by(space.of(stage));
                let limits = band_limits(&bands, from_core, self.culture.thermal.damage_c);
                self.figures.exposure.set_stress_top_c(limits.high);
                self.figures.band.set_limits(limits);
            }
            let turn = stages.get(stages.partition_point(|stage| stage.from <= begun)).map(|stage| stage.from);
            let since = self.figures.course.last().map_or(self.figures.exposure.start(), |(last, _)| *last);
            let day = since.plus(DAY_MS);
            let cut = turn.map_or(day, |turn| turn.min(day));
            let (now, later) = rest.split(rest.stamps.partition_point(|at| *at < cut.0) + 1);
            self.take(source, now);
            rest = later;
            if let Some((last, _)) = now.last() {
                self.last_at = Some(last);
                if last >= day {
                    let degree_hours = self.figures.exposure.figures(last).degree_hours;
                    self.figures.course.push((last, degree_hours));
                }
            }
        }
        let figures = &mut self.figures;
        if !run.is_empty() && figures.temperature_from.as_deref() != Some(source.name.as_str()) {
            figures.temperature_from = Some(source.name.clone());
            if !figures.sources.contains(&source.name) {
                figures.sources.push(source.name.clone());
            }
        }
    }

    fn take(&mut self, source: &Source, run: Run<'_>) {
        let (mark, gaps) = (source.mark, source.gaps);
        let TubFigures { exposure, temperature, band, .. } = &mut self.figures;
        if let Some((at, value)) = run.first() {
            exposure.push(mark, at, value, gaps);
            temperature.push(mark, at, value, gaps);
            band.push(mark, at, value, gaps);
        }
        for block in run.blocks() {
            exposure.push_block(mark, &block, gaps);
            temperature.push_block(mark, &block, gaps);
            band.push_block(mark, &block, gaps);
        }
    }
}
