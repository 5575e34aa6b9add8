//! The cares of tubs and the air for people, held to their watches and told.
//!
//! In: good readings as they are believed, ticks. Out: alerts. What runs on samples is told with the
//! sample's time, what runs on the calendar with the moment it came to be so.

use super::Keeper;
use super::book::{Book, Slot, Words};
use super::care::{self, AHEAD, CARES, DUE, OVER_AIR, PICK, STANDS_STILL, STRESS};
use super::tubs::TubState;
use crate::climate::Stamp;
use crate::climate::stamp::DAY_MS;
use crate::grow::culture::Thermal;
use crate::grow::thermal::rate_c;
use crate::watch::alert::{Alert, AlertEvent, AlertState, Severity, Watch};
use crate::watch::sentences;

impl Keeper {
    /// A good core reading of a tub's own core enters its cares.
    #[inline]
    pub(super) fn care(&mut self, tub: usize, probe: usize, at: Stamp, core_c: f64, gap_ms: i64) {
        let Some(core) = &self.tubs[tub].core else { return };
        if core.of_tub.is_some() || self.probes[probe].doubts.is_out {
            return;
        }
        let air = self.tubs[tub].space.and_then(|space| self.spaces[space].air_now);
        let state = &mut self.tubs[tub];
        state.cares.warmth.core(at, core_c);
        if let Some((_, air_c)) = air.filter(|(until, _)| at <= *until) {
            state.cares.beside_air(at, core_c, air_c, gap_ms);
        }
        if let Some(critical) = state.bands.core_temperature.critical_high
            && state.cares.is_look_due(at)
            && let Some(slope) = self.probes[probe].slope()
        {
            self.tubs[tub].cares.forecast(at, core_c, slope, critical.value, gap_ms);
        }
    }

    /// Brings the alerts on a tub's cares that run on samples in line. While its core stands at the
    /// critical limit that alert tells it all: nothing further is raised or told as worse.
    #[inline]
    pub(super) fn hold_cares(&mut self, tub: usize, at: Stamp, events: &mut Vec<AlertEvent>) {
        let worst = self.tubs[tub].levels.worst();
        let is_explained = worst.is_some_and(|level| level.weighed.severity == Severity::Critical);
        if !is_explained {
            self.hold_stress(tub, at, events);
        }
        let show = self.setup.show;
        let TubState { cares, subject, tub, bands, levels, .. } = &mut self.tubs[tub];
        let mut held = cares.slots;
        // Before air was read beside it (after a start) nothing is known.
        if let Some(pair) = cares.pair {
            let wanted = self.book.unless_explained(held[OVER_AIR], cares.over_air_wanted(), is_explained);
            let whose = (subject.as_str(), Watch::CoreOverAir);
            self.book.hold(&mut held[OVER_AIR], whose, wanted, at, events, |words| match words {
                Words::Over { lasted_ms } => sentences::core_over_air_over(&tub.name, pair.0 - pair.1, lasted_ms, show),
                Words::Stands => {
                    let (limit, since) = wanted.map_or((0.0, at), |it| (it.limit.unwrap_or(0.0), it.first_at));
                    sentences::core_over_air(&tub.name, pair.0, pair.1, limit, at.since(since), show)
                }
            });
        }
        let critical = bands.core_temperature.critical_high.map(|limit| limit.value);
        let Some((core_c, critical)) = levels.last.map(|(_, value)| value).zip(critical) else {
            cares.slots = held;
            return;
        };
        let wanted = self.book.unless_explained(held[AHEAD], cares.ahead_wanted(core_c, critical), is_explained);
        let (slope, hours) = cares.pace;
        let whose = (subject.as_str(), Watch::HeatingAhead);
        self.book.hold(&mut held[AHEAD], whose, wanted, at, events, |words| match words {
            Words::Over { lasted_ms } => sentences::heating_ahead_over(&tub.name, lasted_ms),
            Words::Stands => sentences::heating_ahead(&tub.name, core_c, slope, critical, hours, show),
        });
        cares.slots = held;
    }

    /// Heat that adds up, from core or air; it stands until the stage ends.
    pub(super) fn hold_stress(&mut self, tub: usize, at: Stamp, events: &mut Vec<AlertEvent>) {
        let TubState { cares, subject, tub, .. } = &mut self.tubs[tub];
        let Some(wanted) = cares.stress_wanted() else { return };
        let (hours, limit) = (wanted.value.unwrap_or_default(), wanted.limit.unwrap_or_default());
        let mut slot = cares.slots[STRESS];
        self.book.hold(&mut slot, (subject, Watch::HeatStress), Some(wanted), at, events, |_| {
            sentences::heat_stress(&tub.name, hours, limit, tub.stage.word())
        });
        cares.slots[STRESS] = slot;
    }

    /// What runs on the calendar: due, to be picked, behind.
    pub(super) fn tick_tub(&mut self, tub: usize, now: Stamp, events: &mut Vec<AlertEvent>) {
        let thermal = self.tubs[tub].culture.and_then(|index| self.setup.cultures.get(index)).map(|it| it.thermal);
        let Some(thermal) = thermal else { return };
        self.remind(tub, &thermal, now, events);
        if let Some(at) = self.tubs[tub].cares.stall_look(now) {
            self.look_at_stall(tub, &thermal, at, events);
        }
    }

    fn remind(&mut self, tub: usize, thermal: &Thermal, now: Stamp, events: &mut Vec<AlertEvent>) {
        let (zone, not_before_ms) = (self.setup.timezone, self.setup.due_not_before_ms);
        let state = &self.tubs[tub];
        let due = if state.is_settled() {
            care::due(&state.tub, state.exposure(), thermal, not_before_ms, zone, now)
        } else {
            None
        };
        let degree_hours = state.exposure().map_or(0.0, |exposure| exposure.figures(now).degree_hours);
        let TubState { cares, subject, tub, .. } = &mut self.tubs[tub];
        let mut slots = cares.slots;
        if let Some((wanted, since)) = due {
            let days = now.since(tub.spawned_at) as f64 / DAY_MS as f64;
            let at = told_at(&self.book, slots[DUE], wanted.step, since, now);
            self.book.hold(&mut slots[DUE], (subject, Watch::Due), Some(wanted), at, events, |_| {
                sentences::due(&tub.name, days, degree_hours, care::overdue_days(wanted.step))
            });
        }
        if let Some((wanted, since)) = care::pick_soon(tub, zone, now) {
            let days = tub.pins_at.map_or(0.0, |pins| now.since(pins) as f64 / DAY_MS as f64);
            let at = told_at(&self.book, slots[PICK], wanted.step, since, now);
            self.book.hold(&mut slots[PICK], (subject, Watch::PickSoon), Some(wanted), at, events, |_| {
                sentences::pick_soon(&tub.name, days)
            });
        }
        cares.slots = slots;
    }

    fn look_at_stall(&mut self, tub: usize, thermal: &Thermal, at: Stamp, events: &mut Vec<AlertEvent>) {
        if !self.tubs[tub].is_settled() {
            return;
        }
        let (exposure, rate) = (self.tubs[tub].exposure().cloned(), rate_c(thermal, thermal.usual_c));
        let has_core = self.tubs[tub].core.as_ref().is_some_and(|core| core.of_tub.is_none());
        let show = self.setup.show;
        let TubState { cares, subject, tub, .. } = &mut self.tubs[tub];
        cares.look_at_stall(tub, exposure.as_ref(), thermal, has_core, at);
        let wanted = cares.stalled_wanted();
        let figures = exposure.map(|exposure| exposure.figures(at)).unwrap_or_default();
        let cold = cares.cold_week(tub, at).filter(|_| has_core);
        let mut slot = cares.slots[STANDS_STILL];
        self.book.hold(&mut slot, (subject, Watch::Stalled), wanted, at, events, |words| match (words, cold) {
            (Words::Over { .. }, _) => sentences::caught_up(&tub.name),
            (Words::Stands, Some(warmest_k)) => {
                sentences::stalled_cold(&tub.name, at.hours_since(tub.spawned_at) / 24.0, warmest_k, show)
            }
            (Words::Stands, None) => {
                let expected = rate * figures.hours_measured;
                sentences::stalled_behind(&tub.name, figures.degree_hours, expected, figures.hours_measured)
            }
        });
        cares.slots[STANDS_STILL] = slot;
    }

    /// The logbook answered: what was due is looked at, what was ripe is picked, another stage begins.
    pub(super) fn close_cares(&mut self, tub: usize, is_new_stage: bool, now: Stamp, events: &mut Vec<AlertEvent>) {
        let zone = self.setup.timezone;
        let has_core = self.tubs[tub].core.as_ref().is_some_and(|core| core.of_tub.is_none());
        let TubState { cares, tub, .. } = &mut self.tubs[tub];
        if !has_core {
            cares.forget_core();
        }
        let due_from = self.book.get(cares.slots[DUE]).map(|alert| alert.first_at);
        let over = [
            (DUE, due_from.is_some_and(|from| care::is_answered(tub, from)), sentences::looked_at(&tub.name)),
            (PICK, care::pick_soon(tub, zone, now).is_none(), sentences::picked(&tub.name)),
            (STRESS, is_new_stage, sentences::stage_over(&tub.name)),
            (STANDS_STILL, is_new_stage, sentences::stage_over(&tub.name)),
            (OVER_AIR, !has_core, sentences::no_core(&tub.name)),
            (AHEAD, !has_core, sentences::no_core(&tub.name)),
        ];
        for (index, is_over, text) in over {
            if is_over && cares.slots[index].id.is_some() {
                self.book.close(cares.slots[index], text, now, events);
                cares.slots[index] = Slot::default();
            }
        }
    }

    /// CO2 that is bad for people, of a space's speaking probe.
    pub(super) fn hold_people(&mut self, space: usize, at: Stamp, events: &mut Vec<AlertEvent>) {
        let state = &mut self.spaces[space];
        let ppm = state.co2_for_people.last.map_or(0.0, |(_, ppm)| ppm);
        let wanted = state.co2_for_people.wanted();
        let (limit, since) = wanted.map_or((0.0, at), |it| (it.limit.unwrap_or(0.0), it.first_at));
        let name = &state.setup.name;
        let whose = (state.subject.as_str(), Watch::Co2ForPeople);
        self.book.hold(&mut state.people_slot, whose, wanted, at, events, |words| match words {
            Words::Over { lasted_ms } => sentences::co2_fit(name, ppm, lasted_ms),
            Words::Stands => sentences::co2_for_people(name, ppm, limit, at.since(since)),
        });
    }

    /// The air a space's tubs feel, for what is compared with it.
    #[inline]
    pub(super) fn air_felt(&mut self, space: usize, at: Stamp, air_c: f64, bridge_ms: i64) {
        self.spaces[space].air_now = Some((at.plus(bridge_ms), air_c));
        let own = |tub: &&mut TubState| tub.core.as_ref().is_some_and(|core| core.of_tub.is_none());
        for tub in self.tubs.iter_mut().filter(|tub| tub.space == Some(space)).filter(own) {
            tub.cares.warmth.air(at, air_c);
        }
    }

    /// Takes up an alert of before the start on one of a tub's cares.
    pub(super) fn restore_care(&mut self, alert: &Alert) -> Option<&mut Slot> {
        let index = CARES.iter().position(|watch| *watch == alert.watch)?;
        let zone = self.setup.timezone;
        let state = self.tubs.iter_mut().find(|tub| tub.subject == alert.subject)?;
        // Answered, picked, or of another stage, while nobody ran: it has no watch any more.
        let is_answered = match index {
            DUE => care::is_answered(&state.tub, alert.first_at),
            PICK => care::pick_soon(&state.tub, zone, Stamp(i64::MAX)).is_none(),
            STRESS => alert.first_at != state.cares.stage_from(),
            _ => false,
        };
        if is_answered {
            return None;
        }
        if alert.state != AlertState::Returned {
            state.cares.restore(index, alert.first_at, alert.since, alert.severity);
        }
        let slot = &mut state.cares.slots[index];
        if slot.id.is_none() && index == DUE {
            slot.step = care::due_step(alert.limit);
        }
        Some(slot)
    }
}

/// The moment a reminder is told with: when it came due, if it is new or a step further.
fn told_at(book: &Book, slot: Slot, step: u8, since: Stamp, now: Stamp) -> Stamp {
    if book.get(slot).is_none() || step > slot.step { since } else { now }
}
