//! What the logbook tells: which tubs live, where they stand, and figures made anew from the store.
//!
//! In: the tubs as folded from all entries. Out: limits, roles of probes, stale tubs, ended alerts.

use super::Keeper;
use super::book::Slot;
use super::spaces::AIR;
use super::tubs::{Core, TubState};
use crate::climate::Stamp;
use crate::climate::statistics::BandHours;
use crate::grow::culture::Requirement;
use crate::grow::self_heating::SelfHeating;
use crate::grow::thermal::Exposure;
use crate::grow::tub::Tub;
use crate::watch::alert::AlertEvent;
use crate::watch::origin::{Origin, origin};

impl Keeper {
    /// The logbook changed: all tubs as it tells them now, ended ones too or not. Alerts of tubs that
    /// ended end; limits follow stages, spaces and cores; tubs whose figures it bears on become stale.
    pub fn tubs_changed(&mut self, tubs: Vec<Tub>, now: Stamp, events: &mut Vec<AlertEvent>) {
        let (gone, new_stages) = self.set_tubs(tubs);
        for gone in gone {
            self.book.gone(gone, now, events);
        }
        for tub in 0..self.tubs.len() {
            let is_new_stage = new_stages.contains(&self.tubs[tub].tub.id);
            self.close_cares(tub, is_new_stage, now, events);
        }
        self.settle_limits(now, events);
    }

    /// Ends what no limit supports any more, after limits have changed.
    pub(super) fn settle_limits(&mut self, now: Stamp, events: &mut Vec<AlertEvent>) {
        for tub in 0..self.tubs.len() {
            if self.tubs[tub].levels.worst().is_none() {
                self.hold_tub(tub, now, events);
            }
        }
        for space in 0..self.spaces.len() {
            for index in 0..AIR.len() {
                if self.spaces[space].levels[index].worst().is_none() {
                    self.hold_space(space, index, None, now, events);
                }
            }
        }
    }

    /// Puts the live tubs in place and all that hangs on them; gives the slots of those gone, and the
    /// ids of those that another stage began for.
    pub(super) fn set_tubs(&mut self, tubs: Vec<Tub>) -> (Vec<Slot>, Vec<String>) {
        let mut new_stages = Vec::new();
        let mut before = std::mem::take(&mut self.tubs);
        let is_liked = |id: &str| tubs.iter().any(|tub| tub.is_alive() && tub.like.as_deref() == Some(id));
        let stand_ins: Vec<Tub> = tubs.iter().filter(|tub| is_liked(&tub.id)).cloned().collect();
        let stood_in = std::mem::replace(&mut self.stand_ins, stand_ins);
        for tub in tubs.into_iter().filter(Tub::is_alive) {
            let state = match before.iter().position(|state| state.tub.id == tub.id) {
                Some(index) => {
                    let mut state = before.swap_remove(index);
                    if state.renew(tub) {
                        new_stages.push(state.tub.id.clone());
                    }
                    state.is_stale |= !is_same_stand_in(&stood_in, &self.stand_ins, &state.tub);
                    state
                }
                None => TubState::new(tub),
            };
            self.tubs.push(state);
        }
        self.set_roles();
        let gone = before.into_iter().flat_map(|state| std::iter::once(state.slot).chain(state.cares.slots));
        (gone.collect(), new_stages)
    }

    /// Makes anew which probe and which space bears on which tub, and all limits.
    pub(super) fn set_roles(&mut self) {
        let cores: Vec<_> = self.tubs.iter().map(|state| self.core_of(&state.tub)).collect();
        for probe in &mut self.probes {
            probe.core_of.clear();
            probe.sits_in.clear();
        }
        for space in &mut self.spaces {
            space.fed.clear();
            space.guards.clone_from(&space.setup.air);
        }
        for (index, core) in cores.into_iter().enumerate() {
            self.set_role(index, core);
        }
        self.let_cores_speak();
        for (index, space) in self.spaces.iter_mut().enumerate() {
            space.set_limits(self.tubs.iter().filter(|tub| tub.space == Some(index)));
        }
    }

    /// A core that stands in for other tubs with the same limits raises one alert, which names them: not
    /// one for each.
    fn let_cores_speak(&mut self) {
        for index in 0..self.tubs.len() {
            let Some(speaker) = self.speaker_of(index).filter(|speaker| *speaker != index) else { continue };
            let name = self.tubs[index].tub.name.clone();
            self.tubs[index].levels.replace(Vec::new());
            self.tubs[speaker].levels.concern(&name);
        }
    }

    /// The tub whose alert speaks for the one at `index`, of those with the same core and limits: the one
    /// the core is in, or the first.
    fn speaker_of(&self, index: usize) -> Option<usize> {
        let state = &self.tubs[index];
        let core = state.core.as_ref().filter(|core| core.of_tub.is_some())?;
        let is_alike = |other: &&usize| {
            let other = &self.tubs[**other];
            other.core.as_ref().is_some_and(|other| other.probe == core.probe)
                && other.bands.core_temperature == state.bands.core_temperature
        };
        let alike = &self.probes[core.probe].core_of;
        let owns = |other: &&usize| self.tubs[**other].core.as_ref().is_some_and(|core| core.of_tub.is_none());
        let mut candidates = alike.iter().filter(is_alike);
        let first = candidates.clone().next();
        candidates.find(owns).or(first).copied()
    }

    fn set_role(&mut self, index: usize, core: Option<Core>) {
        let is_out = core.as_ref().is_some_and(|core| self.probes[core.probe].doubts.is_out);
        let state = &mut self.tubs[index];
        state.is_out = is_out;
        let stage = state.tub.stage;
        let culture = self.setup.cultures.iter().position(|culture| culture.name == state.tub.culture);
        let culture = culture.map(|index| (index, &self.setup.cultures[index]));
        let mut bands = culture.map(|(_, culture)| culture.bands.of(stage)).unwrap_or_default();
        let mut heated = false;
        if let Some(core) = &core {
            self.probes[core.probe].core_of.push(index);
            if core.of_tub.is_none() {
                self.probes[core.probe].sits_in.push(state.tub.name.clone());
            }
        }
        state.space = self.spaces.iter().position(|space| space.setup.name == state.tub.space());
        if let Some(space) = state.space.map(|space| &mut self.spaces[space]) {
            bands = bands.overridden_by(space.setup.bands.of(stage));
            heated = space.setup.heated;
            match &core {
                None => space.fed.push(index),
                Some(core) if core.of_tub.is_none() => space.guards.push(core.probe),
                Some(_) => {}
            }
        }
        state.core = core;
        state.set_culture(culture, bands, heated);
    }

    /// The probe that is a tub's core now: its own, else that of the tub that stands in for it.
    fn core_of(&self, tub: &Tub) -> Option<Core> {
        let probe = |name: &str| self.probes.iter().position(|probe| probe.setup.name == name);
        if let Some(own) = tub.core().and_then(probe) {
            return Some(Core { probe: own, of_tub: None });
        }
        let like = self.like_of(tub).filter(|like| like.is_alive())?;
        Some(Core { probe: like.core().and_then(probe)?, of_tub: Some(like.name.clone()) })
    }

    /// The tub that stands in, or stood in, for `tub`.
    fn like_of(&self, tub: &Tub) -> Option<&Tub> {
        stand_in(&self.stand_ins, tub)
    }

    /// Marks the tubs whose figures a late sample of `probe` bears on.
    pub(super) fn mark_stale(&mut self, probe: usize, at: Stamp) {
        let Some(probe) = self.probes.get(probe) else { return };
        let name = probe.setup.name.as_str();
        let is_air_of = |space: &str| probe.air_of.iter().any(|(index, _)| self.spaces[*index].setup.name == space);
        let touched: Vec<usize> = (0..self.tubs.len())
            .filter(|index| {
                let state = &self.tubs[*index];
                !state.is_stale
                    && at >= state.tub.spawned_at
                    && match origin(&state.tub, self.like_of(&state.tub), at) {
                        Origin::Core(core) | Origin::Like(core) => core == name,
                        Origin::Air(space) => is_air_of(space),
                    }
            })
            .collect();
        for index in touched {
            self.tubs[index].is_stale = true;
        }
    }

    /// Ids of the tubs whose figures must be made anew from the store: after the start, a late sample,
    /// or a change in the logbook that bears on them.
    pub fn stale_tubs(&self) -> impl Iterator<Item = &str> {
        self.tubs.iter().filter(|state| state.is_stale).map(|state| state.tub.id.as_str())
    }

    /// What the grower's own tubs have taught of this one: the requirement, and how many they were.
    pub fn set_requirement(&mut self, tub_id: &str, requirement: Option<(Requirement, usize)>) {
        if let Some(state) = self.live(tub_id) {
            state.set_requirement(requirement);
        }
    }

    /// Figures of this tub are about to be made from the store; what is sampled from now on is kept and
    /// added in the end. So: begin, wait until all samples handed over so far are committed, fold the
    /// store's, finish. False where no such tub lives.
    pub fn begin_rebuild(&mut self, tub_id: &str) -> bool {
        self.live(tub_id).map(TubState::begin_rebuild).is_some()
    }

    /// They are made. Sources in `exposure` are positions in `setup.probes`, as here, so that its last
    /// reading joins the next one.
    pub fn finish_rebuild(&mut self, tub_id: &str, exposure: Exposure) {
        if let Some(state) = self.live(tub_id) {
            state.finish_rebuild(exposure);
        }
    }

    /// What else the store tells of a tub whose figures are being made, to be said before they are
    /// finished: its hours over the band since its stage began, and its warmth over air since spawning.
    pub fn know_past(&mut self, tub_id: &str, stress: BandHours, warmth: SelfHeating) {
        if let Some(state) = self.live(tub_id) {
            (state.cares.stress, state.cares.warmth) = (stress, warmth);
        }
    }

    /// For a replay: the figures are those of the samples it was given, however the logbook changed.
    pub fn take_as_known(&mut self) {
        for state in &mut self.tubs {
            state.is_stale = false;
        }
    }

    /// They could not be made (the store cannot be read): the tub is stale again.
    pub fn abandon_rebuild(&mut self, tub_id: &str) {
        if let Some(state) = self.live(tub_id) {
            state.abandon_rebuild();
        }
    }

    fn live(&mut self, tub_id: &str) -> Option<&mut TubState> {
        self.tubs.iter_mut().find(|state| state.tub.id == tub_id)
    }
}

fn stand_in<'a>(stand_ins: &'a [Tub], tub: &Tub) -> Option<&'a Tub> {
    stand_ins.iter().find(|other| Some(&other.id) == tub.like.as_ref())
}

/// Whether the same is known of the stand-in of `tub` as before, as far as it bears on its figures.
fn is_same_stand_in(before: &[Tub], now: &[Tub], tub: &Tub) -> bool {
    match (stand_in(before, tub), stand_in(now, tub)) {
        (None, None) => true,
        (Some(before), Some(now)) => before.cores == now.cores && before.ended_at == now.ended_at,
        _ => false,
    }
}
