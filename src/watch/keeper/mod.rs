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

mod belief;
mod book;
mod care;
mod doubts;
mod flow;
mod hands;
mod heat;
mod levels;
mod logbook;
mod machine;
mod probes;
mod spaces;
mod tend;
mod tubs;
mod views;

use std::collections::{BTreeMap, VecDeque};

use crate::climate::{Reading, Stamp};
use crate::grow::tub::Tub;
use crate::watch::alert::{Alert, AlertEvent, AlertState, Severity, Watch};
use crate::watch::life::Happening;
use crate::watch::setup::Setup;

use book::{Book, Slot};
use care::CARES;
use doubts::{DOUBTS, FALLEN_OUT};
use hands::Hands;
use machine::{Part, PartWatch, SourceWatch, part_of};
use probes::ProbeState;
use spaces::{AIR, SpaceState};
use tubs::TubState;

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

/// All live state of judging and watching; see the file's head.
#[derive(Clone, Debug)]
pub struct Keeper {
    setup: Setup,
    probes: Vec<ProbeState>,
    sources: Vec<SourceWatch>,
    spaces: Vec<SpaceState>,
    /// The live ones.
    tubs: Vec<TubState>,
    /// Those, ended ones too, that a live tub names as the one it is like.
    stand_ins: Vec<Tub>,
    /// The heat runs under way.
    heats: Vec<heat::HeatState>,
    parts: BTreeMap<Part, PartWatch>,
    book: Book,
    /// Until when each shelved alert is put aside.
    shelves: BTreeMap<i64, Stamp>,
    hands: Hands,
    /// A probe is missed only once it has been heard.
    waits_for_first: bool,
    /// Open alerts of before the start whose subject is not watched any more.
    orphans: Vec<i64>,
    past: VecDeque<Past>,
    /// When the sample at hand arrived.
    now: Stamp,
    /// Scratch, empty between calls.
    settled: Vec<Reading>,
}

impl Keeper {
    /// A keeper that has heard nothing yet. `tubs` as the logbook tells them (ended ones are left
    /// aside), `open` the alerts that had not ended, `next_alert_id` the first id never used.
    pub fn new(mut setup: Setup, tubs: Vec<Tub>, open: Vec<Alert>, next_alert_id: i64, now: Stamp) -> Keeper {
        let known = setup.probes.len();
        for space in &mut setup.spaces {
            space.air.retain(|probe| *probe < known);
        }
        let mut keeper = Keeper {
            probes: setup.probes.iter().cloned().map(|probe| ProbeState::new(probe, now)).collect(),
            sources: setup.sources.iter().cloned().map(|source| SourceWatch::new(source, now)).collect(),
            spaces: setup.spaces.iter().cloned().map(SpaceState::new).collect(),
            tubs: Vec::new(),
            stand_ins: Vec::new(),
            heats: Vec::new(),
            parts: BTreeMap::new(),
            book: Book::new(open, next_alert_id),
            shelves: BTreeMap::new(),
            hands: Hands::default(),
            waits_for_first: false,
            orphans: Vec::new(),
            past: VecDeque::new(),
            now,
            settled: Vec::new(),
            setup,
        };
        for (space, state) in keeper.spaces.iter().enumerate() {
            for (rank, probe) in state.setup.air.iter().enumerate() {
                keeper.probes[*probe].air_of.push((space, rank));
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
            // Their runs are told later.
            Watch::HoldReached | Watch::CoolEnough | Watch::HoldLost => None,
            Watch::Co2ForPeople => self.spaces.iter_mut().find(|space| by_subject(&space.subject)).map(|space| {
                space.co2_for_people.restore(alert);
                &mut space.people_slot
            }),
            watch if CARES.contains(&watch) => self.restore_care(alert),
            watch if DOUBTS.contains(&watch) => {
                let index = DOUBTS.iter().position(|doubt| *doubt == watch).unwrap_or_default();
                let probe = self.probes.iter_mut().find(|probe| by_subject(&probe.subject));
                probe.map(|probe| {
                    probe.doubts.is_out |= index == FALLEN_OUT && alert.state != AlertState::Returned;
                    &mut probe.doubts.slots[index]
                })
            }
            watch => part_of(watch, &alert.subject).map(|part| {
                let since = (alert.state != AlertState::Returned).then_some(alert.first_at);
                let state = self.parts.entry(part).or_default();
                if state.slot.id.is_none() {
                    *state = PartWatch::restored(since, Slot::default());
                }
                &mut state.slot
            }),
        };
        match slot {
            Some(slot) if slot.id.is_none() => *slot = Slot::of(alert).at_step(slot.step),
            _ => return false,
        }
        true
    }

    /// For a replay: a probe is waited for only from its first sample on, since a file does not tell
    /// whether one that is not in it was silent or left out.
    pub fn wait_for_first_samples(&mut self) {
        self.waits_for_first = true;
    }

    /// Alerts that changed without anybody being told (put aside, explained, over before they were
    /// known), as they are now, for the store.
    pub fn take_changed(&mut self) -> Vec<Alert> {
        self.book.take_changed()
    }

    /// The highest number an alert was given; 0 where none was.
    pub fn newest_alert(&self) -> i64 {
        self.book.newest()
    }

    /// The grower knows of the alert `id`; false where none such is open.
    pub fn acknowledge(&mut self, id: i64, at: Stamp, events: &mut Vec<AlertEvent>) -> bool {
        self.book.happen(id, Happening::Acknowledge, at, events)
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
