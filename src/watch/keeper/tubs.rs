//! One live tub: its core, its limits, its thermal time.

use super::book::Slot;
use super::care::Cares;
use super::levels::{Levels, add};
use crate::climate::Stamp;
use crate::grow::culture::{Culture, StageBands};
use crate::grow::thermal::{Exposure, Gaps};
use crate::grow::tub::Tub;
use crate::watch::alert::Watch;
use crate::watch::origin::stress_top_c;
use crate::watch::table::rules;

/// Readings kept while a tub's figures are made anew from the store: a minute of a flood from one
/// probe. When it overflows the figures are asked for again.
const KEPT_MAX: usize = 10_000;

/// The probe that is the tub's core.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Core {
    /// Position of the probe.
    pub(super) probe: usize,
    /// The name of the tub it sits in, where that is another one.
    pub(super) of_tub: Option<String>,
}

/// A reading that enters a tub's figures.
#[derive(Clone, Copy, Debug)]
pub(super) struct Felt {
    /// Position of the probe.
    pub(super) source: u32,
    pub(super) at: Stamp,
    pub(super) temperature_c: f64,
    pub(super) gaps: Gaps,
    pub(super) is_core: bool,
}

/// The live state of one tub.
#[derive(Clone, Debug)]
pub(super) struct TubState {
    pub(super) tub: Tub,
    pub(super) subject: String,
    /// Position of its culture; none where the config knows it no more.
    pub(super) culture: Option<usize>,
    /// Of its present stage in its present space.
    pub(super) bands: StageBands,
    pub(super) core: Option<Core>,
    /// Position of its space; none where the config knows it no more.
    pub(super) space: Option<usize>,
    pub(super) levels: Levels,
    pub(super) slot: Slot,
    pub(super) cares: Cares,
    /// Its core probe is not in its substrate: it is judged by its air.
    pub(super) is_out: bool,
    exposure: Option<Exposure>,
    tops_c: [Option<f64>; 2],
    /// The probe of the last reading that entered its figures.
    pub(super) felt_from: Option<u32>,
    /// Its figures must be made anew from the store.
    pub(super) is_stale: bool,
    kept: Option<Vec<Felt>>,
}

impl TubState {
    /// A tub whose figures begin with nothing: stale until the store's are given.
    pub(super) fn new(tub: Tub) -> TubState {
        TubState {
            subject: format!("tub {}", tub.name),
            cares: Cares::new(&tub),
            is_out: false,
            tub,
            culture: None,
            bands: StageBands::default(),
            core: None,
            space: None,
            levels: Levels::default(),
            slot: Slot::default(),
            exposure: None,
            tops_c: [None; 2],
            felt_from: None,
            is_stale: true,
            kept: None,
        }
    }

    /// Its figures are those of all its samples.
    pub(super) fn is_settled(&self) -> bool {
        !self.is_stale && self.kept.is_none()
    }

    /// Takes the logbook's newer word on the same tub; true where a stage began by it.
    pub(super) fn renew(&mut self, tub: Tub) -> bool {
        let old = &self.tub;
        let moved = (old.spawned_at, &old.culture, &old.like, old.colonised_at)
            != (tub.spawned_at, &tub.culture, &tub.like, tub.colonised_at)
            || old.spaces != tub.spaces
            || old.cores != tub.cores;
        if moved {
            self.is_stale = true;
            self.felt_from = None;
        }
        self.subject = format!("tub {}", tub.name);
        self.tub = tub;
        let is_new_stage = self.cares.renew(&self.tub);
        // The hours of a stage that began a while ago are in the store.
        self.is_stale |= is_new_stage;
        is_new_stage
    }

    /// Takes the present culture and bands.
    pub(super) fn set_culture(&mut self, culture: Option<(usize, &Culture)>, bands: StageBands, heated: bool) {
        let changed = self.culture != culture.map(|(index, _)| index);
        self.culture = culture.map(|(index, _)| index);
        self.bands = bands;
        self.tops_c = [stress_top_c(&bands, false), stress_top_c(&bands, true)];
        if changed || self.exposure.is_none() {
            self.exposure = culture.map(|(_, culture)| fresh_exposure(&self.tub, culture, self.tops_c[1]));
        }
        let mut list = Vec::new();
        if self.core.is_some() && !self.is_out {
            add(&mut list, rules(Watch::CoreTemperature, &bands.core_temperature, heated), None, false);
        }
        self.levels.replace(list);
    }

    pub(super) fn exposure(&self) -> Option<&Exposure> {
        self.exposure.as_ref()
    }

    /// Takes a good reading into its figures. While history is read in (`is_live` false) one that is
    /// in them already is no surprise.
    #[inline]
    pub(super) fn feel(&mut self, felt: Felt, is_live: bool) {
        self.felt_from = Some(felt.source);
        self.cares.feel(felt, self.tops_c);
        if let Some(kept) = &mut self.kept {
            if kept.len() < KEPT_MAX {
                kept.push(felt);
            } else {
                self.is_stale = true;
            }
        }
        if let Some(exposure) = &mut self.exposure {
            // Two probes out of step: only the store can put them in order.
            self.is_stale |= is_live && exposure.last_at().is_some_and(|last| felt.at <= last);
            push(exposure, self.tops_c, felt);
        }
    }

    pub(super) fn begin_rebuild(&mut self) {
        self.is_stale = false;
        self.kept = Some(Vec::new());
    }

    pub(super) fn finish_rebuild(&mut self, mut exposure: Exposure) {
        for felt in self.kept.take().into_iter().flatten() {
            push(&mut exposure, self.tops_c, felt);
            self.cares.feel(felt, self.tops_c);
        }
        self.exposure = Some(exposure);
    }

    pub(super) fn abandon_rebuild(&mut self) {
        self.kept = None;
        self.is_stale = true;
    }
}

#[inline]
fn push(exposure: &mut Exposure, tops_c: [Option<f64>; 2], felt: Felt) {
    exposure.set_stress_top_c(tops_c[usize::from(felt.is_core)]);
    exposure.push(felt.source, felt.at, felt.temperature_c, felt.gaps);
}

/// A tub's thermal time with nothing in it: from spawning to colonised, which is what the culture's
/// requirement speaks of.
pub fn fresh_exposure(tub: &Tub, culture: &Culture, stress_top_c: Option<f64>) -> Exposure {
    Exposure::new(culture.thermal, stress_top_c, tub.spawned_at).ending(tub.colonised_at)
}
