//! Heat runs under way, fed with the same judged readings as everything else.
//!
//! In: the open runs of the logbook, readings, ticks. Out: three alerts a run, by way of the book: the hold
//! is reached, it is lost, it is cool enough to spawn. Left out: the run's own arithmetic
//! (`grow::heat_run`), and reading the store after a start or a late reading (the engine does).

use super::Keeper;
use super::book::{Slot, Wanted, Words};
use crate::climate::Stamp;
use crate::grow::heat_run::{Event, HeatRun, Report};
use crate::grow::logbook::Run;
use crate::watch::alert::{AlertEvent, Severity, Watch};
use crate::watch::heat_wording as wording;

/// Readings kept while a run is folded anew from the store: an hour of 16 probes every 6 s. When it
/// overflows the run is folded once more.
const KEPT_MAX: usize = 10_000;

/// The watches, in the order of [`HeatState::slots`].
const WATCHES: [Watch; 3] = [Watch::HoldReached, Watch::CoolEnough, Watch::HoldLost];

/// A reading of one of the run's probes: place in its plan, when, °C, believed.
type Felt = (usize, Stamp, f64, bool);

/// The live state of one run.
#[derive(Clone, Debug)]
pub(super) struct HeatState {
    run: Run,
    subject: String,
    heat: HeatRun,
    /// The hold is lost: since when, at which of its probes, °C.
    lost: Option<(Stamp, usize, f64)>,
    slots: [Slot; 3],
    /// What was read before is in it, or cannot be had: so alerts can be told.
    is_whole: bool,
    /// The store cannot be asked.
    is_alone: bool,
    is_stale: bool,
    late: u32,
    kept: Option<Vec<Felt>>,
}

impl HeatState {
    fn new(run: &Run) -> HeatState {
        HeatState {
            subject: format!("heat run {}", run.name),
            heat: run.begin(),
            run: run.clone(),
            lost: None,
            slots: [Slot::default(); 3],
            is_whole: false,
            is_alone: false,
            is_stale: true,
            late: 0,
            kept: None,
        }
    }

    fn heed(&mut self, events: &[Event]) {
        for event in events {
            match *event {
                Event::HoldLost { since, probe, value_c, .. } => self.lost = Some((since, probe, value_c)),
                Event::HoldResumed { .. } | Event::HoldReached { .. } => self.lost = None,
                _ => {}
            }
        }
    }

    fn take(&mut self, (probe, at, value_c, good): Felt) {
        let events = self.heat.reading(probe, at, value_c, good);
        self.heed(&events);
        // A backlog came probe by probe: only the store can put it in order.
        if self.heat.late_readings() > self.late {
            self.late = self.heat.late_readings();
            self.is_stale = true;
        }
    }

    fn feel(&mut self, felt: Felt) {
        if let Some(kept) = &mut self.kept {
            if kept.len() < KEPT_MAX {
                kept.push(felt);
            } else {
                self.is_stale = true;
            }
        }
        self.take(felt);
    }

    fn wanted(&self, report: &Report) -> [Option<Wanted>; 3] {
        let wanted = |first_at: Stamp, value: Option<f64>, limit: f64| Wanted {
            severity: Severity::Warning,
            step: 0,
            first_at,
            value,
            limit: Some(limit),
            offends: true,
        };
        let coldest = report.coldest.map(|(_, value)| value);
        let hottest = report.hottest.map(|(_, value)| value);
        let plan = &self.run.plan;
        [
            report.reached_at.map(|at| wanted(at, coldest, plan.hold_at_c())),
            report.cool_at.map(|at| wanted(at, hottest, plan.spawn_below_c())),
            self.lost.map(|(since, _, value_c)| wanted(since, Some(value_c), plan.hold_at_c())),
        ]
    }
}

impl Keeper {
    /// The logbook changed: all heat runs as it tells them now. Those that ended say how.
    pub fn heat_runs_changed(&mut self, runs: &[Run], now: Stamp, events: &mut Vec<AlertEvent>) {
        let before = std::mem::take(&mut self.heats);
        for run in runs.iter().filter(|run| run.is_open()) {
            let known = before.iter().find(|state| state.run == *run);
            self.heats.push(known.cloned().unwrap_or_else(|| {
                let mut state = HeatState::new(run);
                // Amended: its alerts stay.
                if let Some(other) = before.iter().find(|state| state.run.entry == run.entry) {
                    state.slots = other.slots;
                }
                state
            }));
        }
        for mut gone in before {
            if self.heats.iter().any(|state| state.run.entry == gone.run.entry) {
                continue;
            }
            let ended = runs.iter().find(|run| run.entry == gone.run.entry).and_then(|run| run.ended_at);
            gone.heat.end(ended.unwrap_or(now));
            let text = wording::ended(&gone.run, &gone.heat.report(), self.setup.show);
            for slot in gone.slots {
                self.book.close(slot, text.clone(), now, events);
            }
        }
        self.take_up_heat_alerts();
    }

    /// Gives alerts of before the start back to the runs they are of.
    fn take_up_heat_alerts(&mut self) {
        let Keeper { heats, orphans, book, .. } = self;
        orphans.retain(|id| {
            let Some(alert) = book.get(Slot::orphan(*id)) else { return true };
            let Some(place) = WATCHES.iter().position(|watch| *watch == alert.watch) else { return true };
            let state =
                heats.iter_mut().find(|state| state.subject == alert.subject && state.slots[place].id.is_none());
            state.map(|state| state.slots[place] = Slot::of(alert)).is_none()
        });
    }

    /// Names of the runs that must be folded anew from the store.
    pub fn stale_heat_runs(&self) -> impl Iterator<Item = &Run> {
        self.heats.iter().filter(|state| state.is_stale).map(|state| &state.run)
    }

    /// The run is about to be folded from the store; what is read from now on is kept and added in the
    /// end. False where no such run is open.
    pub fn begin_heat_rebuild(&mut self, name: &str) -> bool {
        let state = self.heats.iter_mut().find(|state| state.run.name == name);
        state
            .map(|state| {
                state.is_stale = false;
                state.is_alone = false;
                state.kept = Some(Vec::new());
            })
            .is_some()
    }

    /// It is folded, with what happened in it; none: the store could not be read, and it is stale again.
    pub fn finish_heat_rebuild(
        &mut self,
        name: &str,
        folded: Option<(HeatRun, Vec<Event>)>,
        now: Stamp,
        events: &mut Vec<AlertEvent>,
    ) {
        let Some(index) = self.heats.iter().position(|state| state.run.name == name) else { return };
        let state = &mut self.heats[index];
        let kept = state.kept.take().unwrap_or_default();
        let Some((heat, happened)) = folded else {
            state.is_stale = true;
            return;
        };
        state.late = heat.late_readings();
        state.heat = heat;
        state.is_whole = true;
        state.lost = None;
        state.heed(&happened);
        for felt in kept {
            state.take(felt);
        }
        self.hold_heat(index, now, events);
    }

    /// The store cannot be read: what is heard from now on must do.
    pub fn trust_heat_runs(&mut self) {
        for state in self.heats.iter_mut().filter(|state| state.kept.is_none()) {
            state.is_whole = true;
            state.is_alone = true;
        }
    }

    /// A judged reading of a probe, corrected; `None`: not to be believed.
    #[inline]
    pub(super) fn feel_heat(&mut self, probe: usize, at: Stamp, value_c: Option<f64>) {
        if self.heats.is_empty() {
            return;
        }
        let name = &self.probes[probe].setup.name;
        for state in &mut self.heats {
            if let Some(place) = state.run.plan.position(name) {
                state.feel((place, at, value_c.unwrap_or(f64::NAN), value_c.is_some()));
            }
        }
    }

    /// A late reading of a probe: the runs it is in are folded anew.
    pub(super) fn stale_heat(&mut self, probe: usize, at: Stamp) {
        let name = &self.probes[probe].setup.name;
        for state in &mut self.heats {
            state.is_stale |= at >= state.run.started_at && state.run.plan.position(name).is_some();
        }
    }

    /// Brings the alerts of the runs this probe is in in line; at most 16 probes make this cheap.
    pub(super) fn reconcile_heat(&mut self, probe: usize, at: Stamp, events: &mut Vec<AlertEvent>) {
        for index in 0..self.heats.len() {
            if self.heats[index].run.plan.position(&self.probes[probe].setup.name).is_some() {
                self.hold_heat(index, at, events);
            }
        }
    }

    /// Lets time pass for the runs: a probe that falls silent earns nothing.
    pub(super) fn tick_heat(&mut self, now: Stamp, events: &mut Vec<AlertEvent>) {
        for index in 0..self.heats.len() {
            let state = &mut self.heats[index];
            let happened = state.heat.tick(now);
            state.heed(&happened);
            if !happened.is_empty() {
                self.hold_heat(index, now, events);
            }
        }
    }

    fn hold_heat(&mut self, index: usize, at: Stamp, events: &mut Vec<AlertEvent>) {
        let HeatState { run, subject, heat, lost, slots, kept, is_whole, is_stale, is_alone, .. } = &self.heats[index];
        // Until the store has been read too little is known to tell.
        if kept.is_some() || !is_whole || (*is_stale && !is_alone) {
            return;
        }
        let report = heat.report();
        let wanted = self.heats[index].wanted(&report);
        let show = self.setup.show;
        let (run, subject, lost, mut slots) = (run.clone(), subject.clone(), *lost, *slots);
        for (place, wanted) in wanted.into_iter().enumerate() {
            let words = |words| match (WATCHES[place], words) {
                (Watch::HoldReached, Words::Stands) => wording::reached(&run, &report, show),
                (Watch::CoolEnough, Words::Stands) => wording::cool(&run, &report, show),
                (Watch::CoolEnough, Words::Over { .. }) => wording::warm_again(&run, &report, show),
                (_, Words::Stands) => wording::lost(&run, &report, lost, at, show),
                (_, Words::Over { .. }) => wording::resumed(&run, &report, show),
            };
            self.book.hold(&mut slots[place], (&subject, WATCHES[place]), wanted, at, events, words);
        }
        self.heats[index].slots = slots;
    }

    /// The open heat runs as they stand at the last tick, those of which all is known.
    pub fn heat_runs(&self) -> impl Iterator<Item = (&Run, Report)> {
        self.heats.iter().filter(|state| state.is_whole).map(|state| (&state.run, state.heat.report()))
    }

    /// The open heat run called `name`.
    pub fn heat_run(&self, name: &str) -> Option<&Run> {
        self.heats.iter().map(|state| &state.run).find(|run| run.name == name)
    }
}
