//! Recorded samples through the watches once more, on the samples' own clock.
//!
//! In: the config's installation, the logbook, the stored alerts (to know which one an acknowledgement
//! meant), samples in the order of their time. Out: alert events. Reads no samples, writes nothing.
//! Left out: corrections (records are corrected already); sources, the machine's own parts, delivery.
//!
//! The logbook is taken as it stands, each line at the time it is dated, with what was amended since.

use std::collections::VecDeque;

use crate::climate::Stamp;
use crate::climate::stamp::{MINUTE_MS, SECOND_MS};
use crate::engine::wishes;
use crate::grow::amend;
use crate::grow::logbook::{self, Deed, Entry, Run};
use crate::grow::rename::{self, Named, Renaming};
use crate::records::recorded::Recorded;
use crate::watch::alert::{Alert, AlertEvent};
use crate::watch::keeper::{Keeper, Taken};
use crate::watch::setup::{Correction, Setup};

/// Time is looked at before a sample, once a second of theirs at most, and in a silence once a minute:
/// what runs on the calendar is told with the moment it came to be so.
const LOOK_MS: i64 = SECOND_MS;
const LOOK_IN_SILENCE_MS: i64 = MINUTE_MS;

/// What was taken in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Samples of probes in the config.
    pub samples: u64,
    /// Samples of other probes.
    pub strangers: u64,
    /// Samples not later than the newest of their probe, or without a time to go by.
    pub aside: u64,
}

/// A replay under way.
pub struct Replay {
    setup: Setup,
    keeper: Option<Keeper>,
    /// The lines of the logbook as they stand, by time; those before the first sample are in `told`.
    to_come: VecDeque<Entry>,
    told: Vec<Entry>,
    stored: Vec<Alert>,
    renamings: Vec<Renaming>,
    looked: Stamp,
    counts: Counts,
}

impl Replay {
    /// Of an installation, its whole logbook and the alerts the store has. `coarse`: rows are hourly,
    /// so no probe is missed for less.
    pub fn new(mut setup: Setup, entries: &[Entry], stored: Vec<Alert>, coarse: bool) -> Replay {
        for probe in &mut setup.probes {
            probe.correction = [Correction::default(); 4];
            if coarse {
                probe.every_ms = probe.every_ms.max(crate::climate::stamp::HOUR_MS);
            }
        }
        let standing = amend::lines(entries).into_iter().filter(|line| line.void_by.is_none()).map(|line| line.entry);
        // Amendments and renamings are heeded in the lines they concern: once is enough.
        let is_heeded = |entry: &Entry| matches!(entry.deed, Deed::Amended { .. } | Deed::Renamed(_));
        let mut lines: Vec<Entry> = standing.filter(|entry| !is_heeded(entry)).collect();
        lines.sort_by_key(|entry| (entry.at, entry.id));
        Replay {
            setup,
            keeper: None,
            to_come: lines.into(),
            told: Vec::new(),
            stored,
            renamings: rename::all(entries).into_iter().map(|(_, renaming)| renaming.clone()).collect(),
            looked: Stamp(i64::MIN),
            counts: Counts::default(),
        }
    }

    /// Takes the next sample and appends what is told by then.
    pub fn sample(&mut self, sample: &Recorded, events: &mut Vec<AlertEvent>) {
        let Some(probe) = self.place_of(&sample.probe) else {
            self.counts.strangers += 1;
            return;
        };
        let at = if self.looked.0 == i64::MIN { sample.at } else { sample.at.max(self.looked) };
        self.pass_to(at, events);
        let Some(keeper) = &mut self.keeper else { return };
        let taken = keeper.sample(probe, sample.at, &sample.values, sample.quality, at, events);
        self.counts.samples += 1;
        if taken != Taken::Watched {
            self.counts.aside += 1;
            keeper.take_as_known();
        }
    }

    /// The probe that was recorded under `name`, be it called otherwise since.
    fn place_of(&self, name: &str) -> Option<usize> {
        let place = |name: &str| self.setup.probes.iter().position(|probe| probe.name == name);
        place(name).or_else(|| {
            let renamed = self.renamings.iter().filter(|renaming| renaming.what == Named::Probe);
            place(renamed.fold(name, |name, renaming| if renaming.old == name { &renaming.new } else { name }))
        })
    }

    /// What was taken in so far.
    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// Lets time pass up to `to`: lines of the logbook, silences, reminders.
    fn pass_to(&mut self, to: Stamp, events: &mut Vec<AlertEvent>) {
        if self.keeper.is_none() {
            self.begin(to, events);
            return;
        }
        loop {
            let line = self.to_come.front().map(|entry| entry.at).filter(|at| *at <= to);
            let look = self.looked.plus(LOOK_IN_SILENCE_MS);
            match line {
                Some(at) if at <= look => {
                    self.look(at.max(self.looked), events);
                    self.log(events);
                }
                _ if look < to => self.look(look, events),
                _ => break,
            }
        }
        if to.since(self.looked) >= LOOK_MS {
            self.look(to, events);
        }
    }

    fn begin(&mut self, at: Stamp, events: &mut Vec<AlertEvent>) {
        while self.to_come.front().is_some_and(|entry| entry.at <= at) {
            self.told.extend(self.to_come.pop_front());
        }
        let book = logbook::fold(&self.told, self.setup.timezone);
        let mut keeper = Keeper::new(self.setup.clone(), book.tubs, Vec::new(), 1, at);
        follow_heat_runs(&mut keeper, &book.heat_runs, at, events);
        keeper.wait_for_first_samples();
        keeper.take_as_known();
        wishes::recall(&mut keeper, &self.told, at);
        for source in 0..self.setup.sources.len() {
            keeper.source(source, true, at, "", events);
        }
        self.keeper = Some(keeper);
        self.looked = at;
    }

    fn look(&mut self, at: Stamp, events: &mut Vec<AlertEvent>) {
        self.looked = at;
        if let Some(keeper) = &mut self.keeper {
            keeper.take_as_known();
            keeper.tick(at, events);
            // Nobody keeps them here.
            drop(keeper.take_changed());
        }
    }

    /// The next line of the logbook takes effect.
    fn log(&mut self, events: &mut Vec<AlertEvent>) {
        let (Some(mut entry), Some(keeper)) = (self.to_come.pop_front(), &mut self.keeper) else { return };
        if entry.deed.is_wish() {
            match &mut entry.deed {
                Deed::Acknowledged { alert } | Deed::Shelved { alert, .. } => {
                    *alert = meant(&self.stored, *alert, keeper).unwrap_or(i64::MIN);
                }
                _ => {}
            }
            // What did not come to pass here cannot be acknowledged here.
            let _ = wishes::fulfil(keeper, &entry, self.looked, events);
        } else {
            let at = entry.at.max(self.looked);
            self.told.push(entry);
            let book = logbook::fold(&self.told, self.setup.timezone);
            keeper.tubs_changed(book.tubs, at, events);
            follow_heat_runs(keeper, &book.heat_runs, at, events);
            keeper.take_as_known();
        }
    }
}

/// Heat runs as the logbook tells them now, made of what is replayed: no store is asked for what was before.
fn follow_heat_runs(keeper: &mut Keeper, runs: &[Run], at: Stamp, events: &mut Vec<AlertEvent>) {
    keeper.heat_runs_changed(runs, at, events);
    keeper.trust_heat_runs();
}

/// The open alert of this replay on the same subject by the same watch as the stored one.
fn meant(stored: &[Alert], id: i64, keeper: &Keeper) -> Option<i64> {
    let known = stored.iter().find(|alert| alert.id == id)?;
    let same = |alert: &&Alert| (alert.watch, &alert.subject) == (known.watch, &known.subject);
    keeper.alerts().find(same).map(|alert| alert.id)
}
