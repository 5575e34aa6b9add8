//! One space: whose air reading counts, and the limits its tubs (or its own bands) put on it.

use super::book::Slot;
use super::levels::{Level, Levels, add};
use super::probes::ProbeState;
use super::tubs::TubState;
use crate::climate::{Quantity, Stamp};
use crate::grow::culture::{Band, Bands, Limit, StageBands};
use crate::grow::thermal::Preference;
use crate::watch::alert::Watch;
use crate::watch::origin::stricter;
use crate::watch::setup::SpaceSetup;
use crate::watch::table::{CO2_FOR_PEOPLE, rules};

/// The quantities a space's air is judged by, with their watches, by [`Quantity::index`].
pub(super) const AIR: [(Quantity, Watch); 3] =
    [(Quantity::Temperature, Watch::Temperature), (Quantity::Humidity, Watch::Humidity), (Quantity::Co2, Watch::Co2)];

/// The live state of one space.
#[derive(Clone, Debug)]
pub(super) struct SpaceState {
    pub(super) setup: SpaceSetup,
    pub(super) subject: String,
    /// By [`Quantity::index`].
    pub(super) levels: [Levels; 3],
    pub(super) slots: [Slot; 3],
    /// CO2 that is bad for people, in any stage and without tubs too.
    pub(super) co2_for_people: Levels,
    pub(super) people_slot: Slot,
    /// The air its tubs feel, °C, and until when it counts.
    pub(super) air_now: Option<(Stamp, f64)>,
    /// Whose temperature counts for figures.
    pub(super) preference: Preference,
    /// Positions of the live tubs in it whose temperature comes from its air.
    pub(super) fed: Vec<usize>,
    /// Its air probes, then the cores of the tubs in it: those that would tell of a hot space.
    pub(super) guards: Vec<usize>,
}

impl SpaceState {
    pub(super) fn new(setup: SpaceSetup) -> SpaceState {
        let mut people = Vec::new();
        add(&mut people, vec![CO2_FOR_PEOPLE], None, false);
        let mut co2_for_people = Levels::default();
        co2_for_people.replace(people);
        SpaceState {
            co2_for_people,
            people_slot: Slot::default(),
            air_now: None,
            subject: format!("space {}", setup.name),
            levels: Default::default(),
            slots: Default::default(),
            preference: Preference::new(setup.air.len()),
            fed: Vec::new(),
            guards: Vec::new(),
            setup,
        }
    }

    /// Whether a good reading at `at` of the air probe of this rank speaks for the space: no probe
    /// listed before it has given a good one within its own silence limit before that.
    #[inline]
    pub(super) fn speaks(&self, probes: &[ProbeState], rank: usize, quantity: Quantity, at: Stamp) -> bool {
        !self.setup.air[..rank].iter().any(|earlier| {
            let probe = &probes[*earlier];
            probe.good[quantity.index()].is_some_and(|(good_at, _)| at.since(good_at) <= probe.silent_ms())
        })
    }

    /// The air probe that speaks at `now`: the first listed that reports and whose reading is of late;
    /// without one, the one whose good reading is the newest, however old.
    pub(super) fn speaker(&self, probes: &[ProbeState], quantity: Quantity, now: Stamp) -> Option<usize> {
        let good = |index: usize| probes[index].good[quantity.index()];
        let is_healthy = |index: usize| {
            probes[index].reports(now) && good(index).is_some_and(|(at, _)| now.since(at) <= probes[index].silent_ms())
        };
        let air = || self.setup.air.iter().copied();
        let newest = || air().filter(|index| good(*index).is_some()).max_by_key(|index| good(*index).map(|(at, _)| at));
        air().find(|index| is_healthy(*index)).or_else(newest)
    }

    /// Makes its limits anew from the live tubs in it.
    pub(super) fn set_limits<'a>(&mut self, tubs: impl Iterator<Item = &'a TubState> + Clone) {
        let heated = self.setup.heated;
        let has_tubs = tubs.clone().next().is_some();
        for (quantity, watch) in AIR {
            let mut list: Vec<Level> = Vec::new();
            if has_tubs {
                for tub in tubs.clone() {
                    let Some((band, from_air)) = tub_band(tub, watch) else { continue };
                    add(&mut list, rules(watch, &band, heated), Some(&tub.tub.name), from_air);
                }
            } else {
                add(&mut list, rules(watch, &widest(&self.setup.bands, watch), heated), None, false);
            }
            self.levels[quantity.index()].replace(list);
        }
    }
}

fn band_of(bands: &StageBands, watch: Watch) -> Band {
    match watch {
        Watch::Humidity => bands.humidity,
        Watch::Co2 => bands.co2,
        _ => bands.temperature,
    }
}

/// What a tub asks of its space's air, and whether it is stricter for want of a core.
fn tub_band(tub: &TubState, watch: Watch) -> Option<(Band, bool)> {
    let band = band_of(&tub.bands, watch);
    if watch != Watch::Temperature {
        return tub.tub.stage.is_opened().then_some((band, false));
    }
    let from_air = tub.core.is_none() || tub.is_out;
    Some((if from_air { stricter(band) } else { band }, from_air))
}

/// The widest of the limits that the stages name: for a space without tubs.
fn widest(bands: &Bands, watch: Watch) -> Band {
    let stages = [bands.colonising, bands.ripening, bands.pinning, bands.fruiting, bands.resting];
    let named = || stages.iter().flatten().map(|stage| band_of(stage, watch));
    let by = |left: &Limit, right: &Limit| left.value.total_cmp(&right.value);
    Band {
        low: named().filter_map(|band| band.low).min_by(by),
        high: named().filter_map(|band| band.high).max_by(by),
        critical_high: named().filter_map(|band| band.critical_high).max_by(by),
    }
}
