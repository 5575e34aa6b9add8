//! What the status shows, read off the keeper at a moment.

use super::Keeper;
use super::levels::Levels;
use super::probes::Health;
use super::spaces::AIR;
use super::tubs::TubState;
use crate::climate::{Quantity, Stamp};
use crate::grow::due::{Due, due_window, equivalent_days, progress};
use crate::grow::thermal::Figures;
use crate::grow::tub::Tub;
use crate::watch::alert::Alert;

/// A probe as it was last heard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ProbeSeen {
    /// Whether it can be believed.
    pub health: Health,
    /// When its newest dated sample was measured.
    pub last_at: Option<Stamp>,
    /// Last good corrected readings, by [`Quantity::index`], however old.
    pub good: [Option<(Stamp, f64)>; 4],
}

/// A good, corrected reading and where it comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heard {
    /// Position of the probe.
    pub probe: usize,
    /// When.
    pub at: Stamp,
    /// In the quantity's unit.
    pub value: f64,
}

/// A space's air: for each quantity the probe that speaks for it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SpaceSeen {
    /// By [`Quantity::index`] (battery never), however old; none only if never read.
    pub air: [Option<Heard>; 4],
}

impl SpaceSeen {
    /// The probe that speaks and when it last did: for temperature, else for the first quantity there is.
    pub fn spoken(&self) -> Option<Heard> {
        self.air.iter().flatten().next().copied()
    }
}

/// A live tub.
#[derive(Clone, Debug, PartialEq)]
pub struct TubSeen {
    /// Its thermal time; none where the config no longer knows its culture.
    pub figures: Option<Figures>,
    /// Being made anew from the store: the figures may be short of some samples.
    pub is_stale: bool,
    /// Degree-hours in days at the culture's usual temperature.
    pub equivalent_days: f64,
    /// Degree-hours over the culture's requirement.
    pub progress: f64,
    /// Degree-hours gained per hour of late.
    pub rate_per_hour: Option<f64>,
    /// When to go and look; none once it is colonised.
    pub due: Option<Due>,
    /// The last good reading of its core, or of the core that stands in, °C.
    pub core: Option<Heard>,
    /// Core minus air, K, where both were read of late.
    pub core_over_air_k: Option<f64>,
    /// How fast its core changes, °C an hour.
    pub core_slope_c_per_hour: Option<f64>,
    /// Position of the probe its figures come from.
    pub temperature_from: Option<usize>,
    /// No core: they come from air.
    pub is_from_air: bool,
    /// The open alerts that concern it, in the order of their ids.
    pub alerts: Vec<i64>,
}

impl Keeper {
    /// The open alerts, in the order of their ids.
    pub fn alerts(&self) -> impl Iterator<Item = &Alert> {
        self.book.iter()
    }

    /// The live tubs, in the order they were given.
    pub fn tubs(&self) -> impl Iterator<Item = &Tub> {
        self.tubs.iter().map(|state| &state.tub)
    }

    /// The probe at this position at `now`; none where there is no such.
    pub fn probe_view(&self, probe: usize, now: Stamp) -> Option<ProbeSeen> {
        let state = self.probes.get(probe)?;
        Some(ProbeSeen { health: state.health(now), last_at: state.last_at, good: state.good })
    }

    /// The space at this position at `now`; none where there is no such.
    pub fn space_view(&self, space: usize, now: Stamp) -> Option<SpaceSeen> {
        self.spaces.get(space)?;
        let mut seen = SpaceSeen::default();
        for (quantity, _) in AIR {
            seen.air[quantity.index()] = self.air(space, quantity, now);
        }
        Some(seen)
    }

    fn air(&self, space: usize, quantity: Quantity, now: Stamp) -> Option<Heard> {
        let probe = self.spaces[space].speaker(&self.probes, quantity, now)?;
        self.heard_from(probe, quantity)
    }

    fn heard_from(&self, probe: usize, quantity: Quantity) -> Option<Heard> {
        self.probes[probe].good[quantity.index()].map(|(at, value)| Heard { probe, at, value })
    }

    /// The live tub with this id at `now`; none where there is no such.
    pub fn tub_view(&self, tub_id: &str, now: Stamp) -> Option<TubSeen> {
        let state = self.tubs.iter().find(|state| state.tub.id == tub_id)?;
        let thermal = state.culture.and_then(|index| self.setup.cultures.get(index)).map(|culture| culture.thermal);
        let figures = state.exposure().map(|exposure| exposure.figures(now));
        let rate_per_hour = state.exposure().and_then(|exposure| exposure.rate_per_hour());
        let known = figures.zip(thermal);
        let core = state.core.as_ref().and_then(|core| self.heard_from(core.probe, Quantity::Temperature));
        let air = state.space.and_then(|space| self.air(space, Quantity::Temperature, now));
        let listed = || state.space.and_then(|space| self.spaces[space].setup.air.first().copied());
        let own = state.core.as_ref().map(|core| core.probe);
        Some(TubSeen {
            figures,
            is_stale: state.is_stale,
            equivalent_days: known.map_or(0.0, |(it, thermal)| equivalent_days(it.degree_hours, &thermal)),
            progress: known.map_or(0.0, |(it, thermal)| progress(it.degree_hours, &thermal)),
            rate_per_hour,
            due: known.filter(|_| state.tub.colonised_at.is_none()).map(|(it, thermal)| {
                let not_before_ms = self.setup.due_not_before_ms;
                due_window(&it, &thermal, state.tub.spawned_at, now, rate_per_hour, not_before_ms)
            }),
            core,
            core_over_air_k: core
                .zip(air)
                .filter(|pair| self.are_of_now(pair, now))
                .map(|(core, air)| core.value - air.value),
            core_slope_c_per_hour: core.and_then(|core| self.probes[core.probe].slope()),
            temperature_from: own.or(state.felt_from.map(|source| source as usize)).or_else(listed),
            is_from_air: own.is_none(),
            alerts: self.alerts_of(state),
        })
    }

    fn are_of_now(&self, (core, air): &(Heard, Heard), now: Stamp) -> bool {
        [core, air].into_iter().all(|heard| self.probes[heard.probe].is_fresh(heard.at, now))
    }

    /// Its own, its space's where it is among the tubs concerned, those on its core probe, and that of
    /// the tub whose core stands in for it, where that one speaks for both.
    fn alerts_of(&self, state: &TubState) -> Vec<i64> {
        let mut own = vec![state.slot];
        own.extend(state.cares.slots);
        if let Some(core) = &state.core {
            let probe = &self.probes[core.probe];
            own.push(probe.slot);
            own.extend(probe.doubts.slots);
            let speaks = |other: &&TubState| other.levels.active().any(|level| level.tubs.contains(&state.tub.name));
            own.extend(self.tubs.iter().filter(speaks).map(|other| other.slot));
        }
        let space = state.space.map(|space| &self.spaces[space]);
        let concerned = space.into_iter().flat_map(|space| {
            let concerns = |levels: &Levels| levels.active().any(|level| level.tubs.contains(&state.tub.name));
            space.levels.iter().zip(space.slots).filter(move |(levels, _)| concerns(levels)).map(|(_, slot)| slot)
        });
        let mut ids: Vec<i64> =
            own.into_iter().chain(concerned).filter_map(|slot| self.book.get(slot).map(|alert| alert.id)).collect();
        ids.sort_unstable();
        ids
    }
}
