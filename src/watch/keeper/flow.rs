//! The way of a sample through the keeper: judged, corrected, believed, held to limits.
//!
//! In: raw samples. Out: alert events. Nothing here depends on how many tubs there are: a probe knows
//! the tubs and spaces it bears on.

use std::collections::VecDeque;

use super::book::{Book, Wanted, Words};
use super::levels::{Ended, Levels};
use super::probes::ProbeState;
use super::spaces::{AIR, SpaceState};
use super::tubs::{Felt, TubState};
use super::{Keeper, PAST_MAX, Past, Taken};
use crate::climate::degrees::Degrees;
use crate::climate::quantity::Values;
use crate::climate::{Quality, Quantity, Reading, Stamp};
use crate::watch::alert::{Alert, AlertEvent, AlertState, Watch};
use crate::watch::{sentences, wording};

impl Keeper {
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
        self.now = now;
        self.heard(probe, now, events);
        if quality.contains(&Quality::Future) {
            return Taken::Aside;
        }
        if self.probes[probe].last_at.is_some_and(|last| at <= last) {
            self.mark_stale(probe, at);
            self.stale_heat(probe, at);
            return Taken::Late;
        }
        self.lapse_cores(probe, at, now, events);
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
        self.reconcile_heat(probe, at, events);
        self.doubt(probe, at, is_fresh, now, events);
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
        self.doubt(probe, at, false, at, &mut Vec::new());
    }

    /// Judges one value and lets what is settled by it enter everything; true where the value itself
    /// is settled and good, so that the present is known.
    #[inline]
    fn absorb(&mut self, probe: usize, quantity: Quantity, reading: Reading, is_live: bool) -> bool {
        let mut settled = std::mem::take(&mut self.settled);
        self.probes[probe].judge(quantity, reading, &mut settled);
        let mut is_now = false;
        for reading_settled in settled.drain(..) {
            let believed = self.probes[probe].settle(quantity, reading_settled);
            if is_live && quantity == Quantity::Temperature {
                self.feel_heat(probe, reading_settled.at, believed);
            }
            let Some(value) = believed else { continue };
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
                    && is_live
                {
                    let past = &mut self.past;
                    remember(past, &mut self.book, &tub.subject, Watch::CoreTemperature, ended, at, self.now);
                }
                self.care(self.probes[probe].core_of[index], probe, at, value, core_gaps.bridge_ms);
            }
        }
        for index in 0..self.probes[probe].air_of.len() {
            let (place, rank) = self.probes[probe].air_of[index];
            let speaks = self.spaces[place].speaks(&self.probes, rank, quantity, at);
            let space = &mut self.spaces[place];
            let (_, watch) = AIR[quantity.index()];
            if speaks
                && let Some(ended) = space.levels[quantity.index()].step(at, value, air_gaps.bridge_ms)
                && space.slots[quantity.index()].id.is_none()
                && is_live
            {
                remember(&mut self.past, &mut self.book, &space.subject, watch, ended, at, self.now);
            }
            if speaks && quantity == Quantity::Co2 {
                space.co2_for_people.step(at, value, air_gaps.bridge_ms);
            }
            if quantity == Quantity::Temperature && space.preference.take(rank, at, air_gaps.bridge_ms) {
                for tub in &space.fed {
                    let felt = Felt { source, at, temperature_c: value, gaps: air_gaps, is_core: false };
                    self.tubs[*tub].feel(felt, is_live);
                }
                self.air_felt(place, at, value, air_gaps.bridge_ms);
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
                let tub = self.probes[probe].core_of[index];
                self.hold_tub(tub, at, events);
                self.hold_cares(tub, at, events);
            }
        }
        for index in 0..self.probes[probe].air_of.len() {
            let (space, rank) = self.probes[probe].air_of[index];
            if self.spaces[space].speaks(&self.probes, rank, quantity, at) {
                self.hold_space(space, quantity.index(), Some(probe), at, events);
                if quantity == Quantity::Co2 {
                    self.hold_people(space, at, events);
                }
                if quantity == Quantity::Temperature {
                    for fed in 0..self.spaces[space].fed.len() {
                        self.hold_stress(self.spaces[space].fed[fed], at, events);
                    }
                }
            }
        }
    }

    #[inline]
    pub(super) fn hold_tub(&mut self, tub: usize, at: Stamp, events: &mut Vec<AlertEvent>) {
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
                show: self.setup.show,
            };
            facts.text(words, levels, at, || probe.and_then(ProbeState::slope))
        };
        self.book.hold(slot, (subject, Watch::CoreTemperature), wanted, at, events, words);
    }

    #[inline]
    pub(super) fn hold_space(
        &mut self,
        space: usize,
        index: usize,
        probe: Option<usize>,
        at: Stamp,
        events: &mut Vec<AlertEvent>,
    ) {
        let show = self.setup.show;
        let SpaceState { levels, slots, subject, setup, .. } = &mut self.spaces[space];
        let (levels, slot, watch) = (&levels[index], &mut slots[index], AIR[index].1);
        let mut wanted = levels.wanted();
        if wanted.is_none() && slot.id.is_none() {
            return;
        }
        if let Some(waits) = wanted.filter(|_| self.hands.are_in(space, at)) {
            // What waits is neither raised nor told as worse; what stands goes on standing.
            let standing = self.book.get(*slot).filter(|alert| alert.state != AlertState::Returned);
            let told = standing.map(|alert| Wanted { severity: waits.severity.min(alert.severity), ..waits });
            wanted = levels.wanted_at_work().filter(|it| told.is_none_or(|told| it.severity >= told.severity)).or(told);
            if wanted.is_none() {
                return;
            }
        }
        let facts = Facts { watch, name: &setup.name, damage_c: None, core_of: None, heated: setup.heated, show };
        let slope = || probe.and_then(|probe| self.probes[probe].slope());
        self.book.hold(slot, (subject, watch), wanted, at, events, |words| facts.text(words, levels, at, slope));
    }

    /// Lone critical readings of cores that nothing has followed in time: told with the moment it was
    /// long enough, before anything later is.
    fn lapse_cores(&mut self, probe: usize, at: Stamp, now: Stamp, events: &mut Vec<AlertEvent>) {
        for index in 0..self.probes[probe].core_of.len() {
            let tub = self.probes[probe].core_of[index];
            self.tick_core(tub, at, now, events);
        }
    }

    /// A lone critical reading of a core that nothing has followed by `by`.
    pub(super) fn tick_core(&mut self, tub: usize, by: Stamp, now: Stamp, events: &mut Vec<AlertEvent>) {
        let state = &mut self.tubs[tub];
        let Some(since) = state.levels.lapse(by) else { return };
        let Some((at, _)) = state.levels.last else { return };
        let probe = state.core.as_ref().and_then(|core| self.probes.get(core.probe));
        if probe.is_some_and(|probe| probe.last_at == Some(at) && probe.is_fresh(at, now)) {
            self.hold_tub(tub, since, events);
        }
    }
}

/// Keeps a condition that nobody was told of: for the morning list, and as an alert that is over for
/// the store, so that it outlives a restart. It was over at `at`, and becomes known now.
fn remember(
    past: &mut VecDeque<Past>,
    book: &mut Book,
    subject: &str,
    watch: Watch,
    ended: Ended,
    at: Stamp,
    now: Stamp,
) {
    if past.len() == PAST_MAX {
        past.pop_front();
    }
    past.push_back(Past { subject: subject.to_owned(), watch, severity: ended.severity, from: ended.from, to: at });
    let alert = Alert {
        id: book.number(),
        subject: subject.to_owned(),
        watch,
        severity: ended.severity,
        state: AlertState::Ended,
        since: ended.from,
        first_at: ended.from,
        value: None,
        limit: Some(ended.limit),
        text: sentences::went_by(subject, watch.word(), at.since(ended.from)),
        returned_at: Some(at),
        acknowledged_at: None,
        ended_at: Some(now),
        repeat: 0,
    };
    book.note(alert);
}

/// What the text of a limit's alert needs beside the levels.
struct Facts<'a> {
    watch: Watch,
    name: &'a str,
    damage_c: Option<f64>,
    core_of: Option<&'a str>,
    heated: bool,
    show: Degrees,
}

impl Facts<'_> {
    fn text(&self, words: Words, levels: &Levels, at: Stamp, slope: impl FnOnce() -> Option<f64>) -> String {
        let value = levels.last.map(|(_, value)| value);
        let worst = match (words, levels.worst()) {
            (Words::Stands, Some(worst)) => worst,
            (Words::Over { lasted_ms }, _) if !levels.is_empty() => {
                return wording::kept_again(self.watch, self.name, value, lasted_ms, self.show);
            }
            _ => return wording::kept_again(self.watch, self.name, None, 0, self.show),
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
            offence: worst.broken_by.map(|(then, value)| wording::Offence {
                value,
                ago_ms: at.since(then),
                lone: worst.lone,
            }),
            show: self.show,
        });
        // Of the same tubs only the worst is told; other tubs in the space have limits of their own.
        for other in levels.active().filter(|other| other.tubs != worst.tubs) {
            let rule = &other.weighed.rule;
            wording::also(&mut text, self.watch, rule.side, rule.limit, &other.tubs, self.show);
        }
        text
    }
}
