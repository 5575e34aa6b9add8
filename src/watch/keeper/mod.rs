//! The keeper: the pure whole that daemon, rehearsal and replay run. It judges samples, keeps the
//! figures of tubs, holds everything to its limits and lives the alerts' lives.
//!
//! In: dated raw samples, source and store states, the tubs of the logbook, acknowledgements, ticks.
//! Out: alert events, and views for the status. No clock, no I/O; the same input gives the same events.
//! Left out: duplicates (the store's index refuses them before), delivery, the outbox.
//!
//! Climate watches advance on sample time, so a backlog is judged in its own time; a condition is
//! raised only where it stands at the probe's newest sample and that one is of the present. Silence,
//! sources and store run on the machine's clock.

mod book;
mod levels;
mod machine;
mod probes;
mod spaces;
mod tubs;
mod views;

use std::collections::VecDeque;

use crate::climate::quantity::Values;
use crate::climate::{Quality, Quantity, Reading, Stamp};
use crate::grow::thermal::Exposure;
use crate::grow::tub::Tub;
use crate::watch::alert::{Alert, AlertEvent, AlertState, Severity, Watch};
use crate::watch::life::Happening;
use crate::watch::origin::{Origin, origin};
use crate::watch::setup::Setup;
use crate::watch::wording;

use book::{Book, Slot, Words};
use levels::{Ended, Levels};
use machine::{SourceWatch, StoreWatch};
use probes::ProbeState;
use spaces::{AIR, SpaceState};
use tubs::{Core, Felt, TubState};

pub use probes::Health;
pub use tubs::fresh_exposure;
pub use views::{Heard, ProbeSeen, SpaceSeen, TubSeen};

/// Conditions of the past kept for the morning list. Older ones fall out.
const PAST_MAX: usize = 200;

/// What became of a sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taken {
    /// Judged and watched.
    Watched,
    /// Not later than the probe's newest: it enters figures only. The tubs it bears on are stale now
    /// ([`Keeper::stale_tubs`]).
    Late,
    /// Undated, of the future, or of no probe: it enters nothing.
    Aside,
}

/// A condition that came and went in a backlog, so that nobody was told.
#[derive(Clone, Debug, PartialEq)]
pub struct Past {
    /// As an alert's subject.
    pub subject: String,
    /// Which watch.
    pub watch: Watch,
    /// The worst it was.
    pub severity: Severity,
    /// The first offending sample.
    pub from: Stamp,
    /// When it was over.
    pub to: Stamp,
}

/// See the file's head.
#[derive(Clone, Debug)]
pub struct Keeper {
    setup: Setup,
    probes: Vec<ProbeState>,
    sources: Vec<SourceWatch>,
    spaces: Vec<SpaceState>,
    /// The live ones.
    tubs: Vec<TubState>,
    store: StoreWatch,
    book: Book,
    /// Open alerts of before the start whose subject is not watched any more.
    orphans: Vec<i64>,
    past: VecDeque<Past>,
    /// Scratch, empty between calls.
    settled: Vec<Reading>,
}

impl Keeper {
    /// A keeper that has heard nothing yet. `tubs` as the logbook tells them (ended ones are left
    /// aside), `open` the alerts that had not ended, `next_alert_id` the first id never used.
    pub fn new(setup: Setup, tubs: Vec<Tub>, open: Vec<Alert>, next_alert_id: i64, now: Stamp) -> Keeper {
        let mut keeper = Keeper {
            probes: setup.probes.iter().cloned().map(|probe| ProbeState::new(probe, now)).collect(),
            sources: setup.sources.iter().cloned().map(|source| SourceWatch::new(source, now)).collect(),
            spaces: setup.spaces.iter().cloned().map(SpaceState::new).collect(),
            tubs: Vec::new(),
            store: StoreWatch::default(),
            book: Book::new(open, next_alert_id),
            orphans: Vec::new(),
            past: VecDeque::new(),
            settled: Vec::new(),
            setup,
        };
        for (space, state) in keeper.spaces.iter().enumerate() {
            for (rank, probe) in state.setup.air.iter().enumerate() {
                if let Some(probe) = keeper.probes.get_mut(*probe) {
                    probe.air_of.push((space, rank));
                }
            }
        }
        keeper.set_tubs(tubs);
        let open: Vec<Alert> = keeper.book.iter().cloned().collect();
        for alert in &open {
            if !keeper.take_up(alert) {
                keeper.orphans.push(alert.id);
            }
        }
        keeper
    }

    /// Gives an alert of before the start back to its watch; false where there is none, or it has one.
    fn take_up(&mut self, alert: &Alert) -> bool {
        let by_subject = |subject: &str| *subject == alert.subject;
        let slot = match alert.watch {
            Watch::CoreTemperature => self.tubs.iter_mut().find(|tub| by_subject(&tub.subject)).map(|tub| {
                tub.levels.restore(alert);
                &mut tub.slot
            }),
            Watch::Temperature | Watch::Humidity | Watch::Co2 => {
                let index = AIR.iter().position(|(_, watch)| *watch == alert.watch).unwrap_or_default();
                self.spaces.iter_mut().find(|space| by_subject(&space.subject)).map(|space| {
                    space.levels[index].restore(alert);
                    &mut space.slots[index]
                })
            }
            Watch::ProbeSilent => self.probes.iter_mut().find(|probe| by_subject(&probe.subject)).map(|probe| {
                if alert.state != AlertState::Returned {
                    probe.quiet_since = alert.first_at;
                }
                &mut probe.slot
            }),
            Watch::SourceDown => self.sources.iter_mut().find(|source| by_subject(&source.subject)).map(|source| {
                if alert.state != AlertState::Returned {
                    source.since = alert.first_at;
                }
                &mut source.slot
            }),
            Watch::Store => Some(&mut self.store.slot).filter(|_| by_subject("store")),
        };
        match slot {
            Some(slot) if slot.id.is_none() => *slot = Slot::of(alert),
            _ => return false,
        }
        if alert.watch == Watch::Store && alert.state != AlertState::Returned {
            self.store.failing_since = Some(alert.first_at);
        }
        true
    }

    /// Takes one sample: raw values, with the quality known on arrival (all `Undated` or all `Future`
    /// where it is that). `now` is when it arrived, by the machine's clock (by the samples' in a replay).
    pub fn sample(
        &mut self,
        probe: usize,
        at: Stamp,
        values: &Values,
        quality: [Quality; 4],
        now: Stamp,
        events: &mut Vec<AlertEvent>,
    ) -> Taken {
        if probe >= self.probes.len() || quality.contains(&Quality::Undated) {
            return Taken::Aside;
        }
        self.heard(probe, now, events);
        if quality.contains(&Quality::Future) {
            return Taken::Aside;
        }
        if self.probes[probe].last_at.is_some_and(|last| at <= last) {
            self.mark_stale(probe, at);
            return Taken::Late;
        }
        let is_fresh = self.probes[probe].is_fresh(at, now);
        self.probes[probe].last_at = Some(at);
        for quantity in Quantity::ALL {
            let index = quantity.index();
            let Some(value) = values[index] else { continue };
            let is_now = self.absorb(probe, quantity, Reading { at, value, quality: quality[index] }, true);
            if is_now && is_fresh {
                self.reconcile(probe, quantity, at, events);
            }
        }
        Taken::Watched
    }

    /// Takes stored history before the live samples, in time order for each probe: judges, trends,
    /// last readings and delays, without raising anything and without hearing the probe.
    pub fn warm(&mut self, probe: usize, at: Stamp, values: &Values, quality: [Quality; 4]) {
        let aside = quality.iter().any(|quality| matches!(quality, Quality::Undated | Quality::Future));
        let Some(state) = self.probes.get_mut(probe).filter(|_| !aside) else { return };
        if state.last_at.is_some_and(|last| at <= last) {
            return;
        }
        state.last_at = Some(at);
        for quantity in Quantity::ALL {
            if let Some(value) = values[quantity.index()] {
                self.absorb(probe, quantity, Reading { at, value, quality: quality[quantity.index()] }, false);
            }
        }
    }

    /// Judges one value and lets what is settled by it enter everything; true where the value itself
    /// is settled and good, so that the present is known.
    #[inline]
    fn absorb(&mut self, probe: usize, quantity: Quantity, reading: Reading, is_live: bool) -> bool {
        let mut settled = std::mem::take(&mut self.settled);
        self.probes[probe].judge(quantity, reading, &mut settled);
        let mut is_now = false;
        for reading_settled in settled.drain(..) {
            let Some(value) = self.probes[probe].settle(quantity, reading_settled) else { continue };
            is_now = reading_settled.at == reading.at;
            match quantity {
                Quantity::Battery => {}
                _ => self.believe(probe, quantity, reading_settled.at, value, is_live),
            }
        }
        self.settled = settled;
        is_now
    }

    /// A good, corrected value enters limits and figures.
    #[inline]
    fn believe(&mut self, probe: usize, quantity: Quantity, at: Stamp, value: f64, is_live: bool) {
        let state = &self.probes[probe];
        let (air_gaps, core_gaps, source) = (state.air_gaps(), state.core_gaps(), probe as u32);
        if quantity == Quantity::Temperature {
            for index in 0..self.probes[probe].core_of.len() {
                let tub = &mut self.tubs[self.probes[probe].core_of[index]];
                let ended = tub.levels.step(at, value, core_gaps.bridge_ms);
                tub.feel(Felt { source, at, temperature_c: value, gaps: core_gaps, is_core: true }, is_live);
                if let Some(ended) = ended
                    && tub.slot.id.is_none()
                {
                    remember(&mut self.past, &tub.subject, Watch::CoreTemperature, ended, at);
                }
            }
        }
        for index in 0..self.probes[probe].air_of.len() {
            let (space, rank) = self.probes[probe].air_of[index];
            let speaks = self.spaces[space].speaks(&self.probes, rank, quantity, at);
            let space = &mut self.spaces[space];
            let (_, watch) = AIR[quantity.index()];
            if speaks
                && let Some(ended) = space.levels[quantity.index()].step(at, value, air_gaps.bridge_ms)
                && space.slots[quantity.index()].id.is_none()
            {
                remember(&mut self.past, &space.subject, watch, ended, at);
            }
            if quantity == Quantity::Temperature && space.preference.take(rank, at, air_gaps.bridge_ms) {
                for tub in &space.fed {
                    let felt = Felt { source, at, temperature_c: value, gaps: air_gaps, is_core: false };
                    self.tubs[*tub].feel(felt, is_live);
                }
            }
        }
    }

    /// Brings the alerts on what this probe measures in line with its newest sample.
    #[inline]
    fn reconcile(&mut self, probe: usize, quantity: Quantity, at: Stamp, events: &mut Vec<AlertEvent>) {
        if quantity == Quantity::Battery {
            return;
        }
        if quantity == Quantity::Temperature {
            for index in 0..self.probes[probe].core_of.len() {
                self.hold_tub(self.probes[probe].core_of[index], at, events);
            }
        }
        for index in 0..self.probes[probe].air_of.len() {
            let (space, rank) = self.probes[probe].air_of[index];
            if self.spaces[space].speaks(&self.probes, rank, quantity, at) {
                self.hold_space(space, quantity.index(), Some(probe), at, events);
            }
        }
    }

    #[inline]
    fn hold_tub(&mut self, tub: usize, at: Stamp, events: &mut Vec<AlertEvent>) {
        let TubState { levels, slot, subject, tub, core, culture, space, .. } = &mut self.tubs[tub];
        let wanted = levels.wanted();
        if wanted.is_none() && slot.id.is_none() {
            return;
        }
        let probe = core.as_ref().and_then(|core| self.probes.get(core.probe));
        let words = |words| {
            let facts = Facts {
                watch: Watch::CoreTemperature,
                name: &tub.name,
                damage_c: culture.and_then(|index| self.setup.cultures.get(index)).map(|it| it.thermal.damage_c),
                core_of: core.as_ref().and_then(|core| core.of_tub.as_deref()),
                heated: space.and_then(|index| self.spaces.get(index)).is_some_and(|space| space.setup.heated),
            };
            facts.text(words, levels, at, || probe.and_then(ProbeState::slope))
        };
        self.book.hold(slot, (subject, Watch::CoreTemperature), wanted, at, events, words);
    }

    #[inline]
    fn hold_space(
        &mut self,
        space: usize,
        index: usize,
        probe: Option<usize>,
        at: Stamp,
        events: &mut Vec<AlertEvent>,
    ) {
        let SpaceState { levels, slots, subject, setup, .. } = &mut self.spaces[space];
        let (levels, slot, watch) = (&levels[index], &mut slots[index], AIR[index].1);
        let wanted = levels.wanted();
        if wanted.is_none() && slot.id.is_none() {
            return;
        }
        let facts = Facts { watch, name: &setup.name, damage_c: None, core_of: None, heated: setup.heated };
        let slope = || probe.and_then(|probe| self.probes[probe].slope());
        self.book.hold(slot, (subject, watch), wanted, at, events, |words| facts.text(words, levels, at, slope));
    }

    /// A lone critical reading of a core that nothing has followed.
    fn tick_core(&mut self, tub: usize, now: Stamp, events: &mut Vec<AlertEvent>) {
        let state = &mut self.tubs[tub];
        if !state.levels.lapse(now) {
            return;
        }
        let Some((at, _)) = state.levels.last else { return };
        let probe = state.core.as_ref().and_then(|core| self.probes.get(core.probe));
        if probe.is_some_and(|probe| probe.last_at == Some(at) && probe.is_fresh(at, now)) {
            self.hold_tub(tub, now, events);
        }
    }

    /// The grower knows of the alert `id`; false where none such is open.
    pub fn acknowledge(&mut self, id: i64, at: Stamp, events: &mut Vec<AlertEvent>) -> bool {
        self.book.happen(id, Happening::Acknowledge, at, events)
    }

    /// The logbook changed: all tubs as it tells them now, ended ones too or not. Alerts of tubs that
    /// ended end; limits follow stages, spaces and cores; tubs whose figures it bears on become stale.
    pub fn tubs_changed(&mut self, tubs: Vec<Tub>, now: Stamp, events: &mut Vec<AlertEvent>) {
        for gone in self.set_tubs(tubs) {
            self.book.gone(gone, now, events);
        }
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

    /// Puts the live tubs in place and all that hangs on them; gives the slots of those gone.
    fn set_tubs(&mut self, tubs: Vec<Tub>) -> Vec<Slot> {
        let mut before = std::mem::take(&mut self.tubs);
        for tub in tubs.into_iter().filter(Tub::is_alive) {
            let state = match before.iter().position(|state| state.tub.id == tub.id) {
                Some(index) => {
                    let mut state = before.swap_remove(index);
                    state.renew(tub);
                    state
                }
                None => TubState::new(tub),
            };
            self.tubs.push(state);
        }
        let cores: Vec<_> = self.tubs.iter().map(|state| self.core_of(&state.tub)).collect();
        for probe in &mut self.probes {
            probe.core_of.clear();
            probe.sits_in.clear();
        }
        for space in &mut self.spaces {
            space.fed.clear();
            space.guards.clone_from(&space.setup.air);
        }
        for (index, (state, core)) in self.tubs.iter_mut().zip(cores).enumerate() {
            state.core = core;
            state.space = self.spaces.iter().position(|space| space.setup.name == state.tub.space());
            let space = state.space.map(|space| &mut self.spaces[space]);
            if let Some(core) = &state.core {
                self.probes[core.probe].core_of.push(index);
                if core.of_tub.is_none() {
                    self.probes[core.probe].sits_in.push(state.tub.name.clone());
                }
            }
            let culture = self.setup.cultures.iter().position(|culture| culture.name == state.tub.culture);
            let culture = culture.map(|index| (index, &self.setup.cultures[index]));
            let stage = state.tub.stage;
            let mut bands = culture.map(|(_, culture)| culture.bands.of(stage)).unwrap_or_default();
            let mut heated = false;
            if let Some(space) = space {
                bands = bands.overridden_by(space.setup.bands.of(stage));
                heated = space.setup.heated;
                match &state.core {
                    None => space.fed.push(index),
                    Some(core) if core.of_tub.is_none() => space.guards.push(core.probe),
                    Some(_) => {}
                }
            }
            state.set_culture(culture, bands, heated);
        }
        for (index, space) in self.spaces.iter_mut().enumerate() {
            space.set_limits(self.tubs.iter().filter(|tub| tub.space == Some(index)));
        }
        before.into_iter().map(|state| state.slot).collect()
    }

    /// The probe that is a tub's core now: its own, else that of the tub that stands in for it.
    fn core_of(&self, tub: &Tub) -> Option<Core> {
        let probe = |name: &str| self.probes.iter().position(|probe| probe.setup.name == name);
        if let Some(own) = tub.core().and_then(probe) {
            return Some(Core { probe: own, of_tub: None });
        }
        let like = self.like_of(tub)?;
        Some(Core { probe: like.core().and_then(probe)?, of_tub: Some(like.name.clone()) })
    }

    /// The live tub that stands in for `tub`.
    fn like_of(&self, tub: &Tub) -> Option<&Tub> {
        let like = tub.like.as_deref()?;
        self.tubs.iter().map(|state| &state.tub).find(|other| other.id == like)
    }

    /// Marks the tubs whose figures a late sample of `probe` bears on.
    fn mark_stale(&mut self, probe: usize, at: Stamp) {
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

    /// Figures of this tub are about to be made from the store. Call it before the last sample that
    /// was handed here is committed, and read the store only after that: what is sampled from now on
    /// is kept and added in the end. False where no such tub lives.
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

    /// They could not be made (the store cannot be read): the tub is stale again.
    pub fn abandon_rebuild(&mut self, tub_id: &str) {
        if let Some(state) = self.live(tub_id) {
            state.abandon_rebuild();
        }
    }

    fn live(&mut self, tub_id: &str) -> Option<&mut TubState> {
        self.tubs.iter_mut().find(|state| state.tub.id == tub_id)
    }

    /// Probes that look as if they spoke Fahrenheit; each is told once.
    pub fn take_fahrenheit(&mut self) -> Vec<usize> {
        let looks =
            |(index, probe): (usize, &mut ProbeState)| std::mem::take(&mut probe.looks_fahrenheit).then_some(index);
        self.probes.iter_mut().enumerate().filter_map(looks).collect()
    }

    /// Conditions that came and went in a backlog, oldest first.
    pub fn past(&self) -> impl Iterator<Item = &Past> {
        self.past.iter()
    }
}

fn remember(past: &mut VecDeque<Past>, subject: &str, watch: Watch, ended: Ended, at: Stamp) {
    if past.len() == PAST_MAX {
        past.pop_front();
    }
    past.push_back(Past { subject: subject.to_owned(), watch, severity: ended.severity, from: ended.from, to: at });
}

/// What the text of a limit's alert needs beside the levels.
struct Facts<'a> {
    watch: Watch,
    name: &'a str,
    damage_c: Option<f64>,
    core_of: Option<&'a str>,
    heated: bool,
}

impl Facts<'_> {
    fn text(&self, words: Words, levels: &Levels, at: Stamp, slope: impl FnOnce() -> Option<f64>) -> String {
        let value = levels.last.map(|(_, value)| value);
        let worst = match (words, levels.worst()) {
            (Words::Stands, Some(worst)) => worst,
            (Words::Over { lasted_ms }, _) if !levels.is_empty() => {
                return wording::kept_again(self.watch, self.name, value, lasted_ms);
            }
            _ => return wording::kept_again(self.watch, self.name, None, 0),
        };
        let rule = &worst.weighed.rule;
        let mut text = wording::broken(&wording::Broken {
            watch: self.watch,
            name: self.name,
            severity: worst.weighed.severity,
            side: rule.side,
            limit: rule.limit,
            value: value.unwrap_or(rule.limit),
            lasting_ms: worst.trip.since().map_or(0, |since| at.since(since)),
            calming: worst.trip.is_calming(),
            slope: slope(),
            damage_c: self.damage_c,
            tubs: &worst.tubs,
            from_air: worst.from_air,
            core_of: self.core_of,
            heated: self.heated,
        });
        // Of the same tubs only the worst is told; other tubs in the space have limits of their own.
        for other in levels.active().filter(|other| other.tubs != worst.tubs) {
            wording::also(&mut text, self.watch, other.weighed.rule.side, other.weighed.rule.limit, &other.tubs);
        }
        text
    }
}
