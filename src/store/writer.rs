//! The one thread that writes: commits in groups, keeps what it cannot write, and tells.
//!
//! In: [`Change`]s, handed over without waiting and without failing. Out: [`Report`]s. A group is
//! committed when [`ACKS`] acknowledgements wait, when its first change has waited `commit_every`,
//! or at once where that is asked for; what comes while a commit runs goes into the next, so that
//! a flood makes large commits and a trickle few. Left out: what happens to what was reported.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::commit::Committer;
use super::error::StoreError;
use super::open::Store;
use super::rows::SampleRow;
use super::seal::Sealed;
use super::{Change, Report};
use crate::climate::Stamp;

/// So many acknowledgements wait at most: a broker may allow only 20 messages in flight.
pub const ACKS: usize = 16;

/// Samples kept while the disk does not take them: over a day of 20 probes every 10 s, at 64 bytes
/// each. Beyond it the oldest that nobody waits for are given up. Awaited ones are never given up:
/// the broker's window bounds them, and the engine may hold back (see [`Writer::waiting`]). While
/// one commit hangs, as many again may wait behind it.
pub const QUEUE_SAMPLES: usize = 200_000;

/// Given up at once when too many wait, so that this is not done for each single sample.
const GIVEN_UP_AT_ONCE: usize = QUEUE_SAMPLES / 16;

/// The first pause after a failed commit; doubled each time.
const PAUSE_FIRST: Duration = Duration::from_millis(100);

/// The longest pause between tries: how late a recovery may be noticed.
const PAUSE_LONGEST: Duration = Duration::from_secs(5);

/// Under steady load samples are sealed a step at a time, so that commits wait little.
const SEAL_AGAIN: Duration = Duration::from_secs(1);

/// Samples that cannot be sealed are told of again this often.
const UNSEALED_AGAIN: Duration = Duration::from_secs(3600);

/// A failure that goes on is reported again this often.
const REPORT_AGAIN: Duration = Duration::from_secs(60);

/// How soon a change must be on disk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Urgency {
    /// Now: an alert, an outbox item, the state of the logbook.
    AtOnce,
    /// Within this time: somebody waits who cannot wait for the group.
    Within(Duration),
    /// With its group.
    WhenDue,
}

/// What waits for its commit, the one that is under way included.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Waiting {
    /// Samples.
    pub samples: usize,
    /// Acknowledgements that depend on them.
    pub acks: usize,
}

/// The store did not take everything before the time to stop was over.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{samples} samples and {others} other changes were not stored before the time to stop was over: {why}")]
pub struct Unwritten {
    /// Samples lost, except those their sources will send again.
    pub samples: usize,
    /// Alerts, outbox items and the like.
    pub others: usize,
    /// Why.
    pub why: String,
}

/// Hands changes to the writing thread.
pub struct Writer {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

#[derive(Debug, Default)]
struct Shared {
    queue: Mutex<Queue>,
    wake: Condvar,
    done: Condvar,
}

/// What waits, and since when.
#[derive(Debug, Default)]
struct Queue {
    group: Group,
    since: Option<Instant>,
    urgent: bool,
    /// When the most impatient of those who wait wants it.
    by: Option<Instant>,
    ticket: u64,
    held: Waiting,
    held_others: usize,
    dropped: Vec<(i64, Stamp)>,
    dropped_more: u64,
    failing: Option<String>,
    stop: Option<Instant>,
    ended: Option<Result<(), Unwritten>>,
}

/// Changes that go into one commit.
#[derive(Debug, Default)]
pub(super) struct Group {
    pub samples: VecDeque<SampleRow>,
    pub others: VecDeque<Change>,
    pub acks: usize,
}

impl Group {
    fn is_empty(&self) -> bool {
        self.samples.is_empty() && self.others.is_empty()
    }

    fn append(&mut self, mut later: Group) {
        if self.is_empty() {
            *self = later;
            return;
        }
        self.samples.append(&mut later.samples);
        self.others.append(&mut later.others);
        self.acks += later.acks;
    }

    /// Takes out the oldest samples nobody waits for where more than [`QUEUE_SAMPLES`] are here;
    /// tells how many of them were among the first `front`.
    fn give_up(&mut self, front: usize, dropped: &mut Vec<(i64, Stamp)>, more: &mut u64) -> usize {
        if self.samples.len() <= QUEUE_SAMPLES {
            return 0;
        }
        let mut left = self.samples.len() - QUEUE_SAMPLES + GIVEN_UP_AT_ONCE;
        let (mut index, mut of_front) = (0, 0);
        self.samples.retain(|row| {
            let keep = row.awaited || left == 0;
            if !keep {
                left -= 1;
                of_front += usize::from(index < front);
                if dropped.len() < QUEUE_SAMPLES { dropped.push((row.probe, Stamp(row.at))) } else { *more += 1 }
            }
            index += 1;
            keep
        });
        of_front
    }
}

/// When the next commit is to begin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Due {
    Now,
    In(Duration),
    Never,
}

impl Queue {
    /// The rule of the group commit.
    fn due(&self, now: Instant, commit_every: Duration) -> Due {
        if self.urgent || self.stop.is_some() || self.group.acks >= ACKS {
            return Due::Now;
        }
        let usual = self.since.map(|since| commit_every.saturating_sub(now.saturating_duration_since(since)));
        let asked = self.by.map(|by| by.saturating_duration_since(now));
        match [usual, asked].into_iter().flatten().min() {
            None => Due::Never,
            Some(left) if left.is_zero() => Due::Now,
            Some(left) => Due::In(left),
        }
    }

    fn take(&mut self) -> (Group, u64) {
        self.since = None;
        self.urgent = false;
        self.by = None;
        (std::mem::take(&mut self.group), self.ticket)
    }
}

impl Writer {
    /// Starts the thread; it holds `store`, and with it the lock, until it ends. `report` is called
    /// on that thread and must not wait.
    ///
    /// # Errors
    /// When the system gives no thread or the store cannot be read.
    pub fn start(
        store: Store,
        commit_every: Duration,
        report: impl FnMut(Report) + Send + 'static,
    ) -> Result<Writer, StoreError> {
        let path = store.file();
        let committer = Committer::new(store)?;
        let shared = Arc::new(Shared::default());
        let mut work = Work {
            shared: shared.clone(),
            committer,
            commit_every,
            report: Box::new(report),
            held: Group::default(),
            ticket: 0,
            told: 0,
            failure: None,
            pause: PAUSE_FIRST,
            sealed_at: None,
            unsealed: None,
        };
        let thread = std::thread::Builder::new()
            .name("store-writer".to_owned())
            .spawn(move || {
                let ended = work.run();
                let shared = work.shared.clone();
                drop(work); // The lock is free before anybody hears of the end.
                lock(&shared.queue).ended = Some(ended);
                shared.done.notify_all();
            })
            .map_err(|error| StoreError::Failed { doing: "write", path, why: error.to_string() })?;
        Ok(Writer { shared, thread: Some(thread) })
    }

    /// Hands over changes, and returns the ticket that [`Report::Committed`] will name or pass.
    /// `acks_waiting` says how many sources wait to be told that these are stored; where it is not
    /// 0 the samples among them are never given up. Never waits for the disk, never fails.
    pub fn write(&self, changes: Vec<Change>, urgency: Urgency, acks_waiting: usize) -> u64 {
        let mut queue = lock(&self.shared.queue);
        let queue = &mut *queue;
        let before = queue.due(Instant::now(), Duration::MAX);
        for change in changes {
            match change {
                Change::Sample(sample) => queue.group.samples.push_back(SampleRow::new(&sample, acks_waiting > 0)),
                other => queue.group.others.push_back(other),
            }
        }
        queue.group.acks += acks_waiting;
        queue.urgent |= urgency == Urgency::AtOnce;
        let mut sooner = false;
        if let Urgency::Within(within) = urgency {
            let by = Instant::now() + within;
            sooner = queue.by.is_none_or(|before| by < before);
            queue.by = Some(queue.by.map_or(by, |before| before.min(by)));
        }
        queue.ticket += 1;
        if queue.since.is_none() && !queue.group.is_empty() {
            queue.since = Some(Instant::now());
        }
        queue.group.give_up(0, &mut queue.dropped, &mut queue.dropped_more);
        // Waking is needed only where this call changed what the thread waits for.
        if sooner
            || before == Due::Never
            || (before != Due::Now && queue.due(Instant::now(), Duration::MAX) == Due::Now)
        {
            self.shared.wake.notify_one();
        }
        queue.ticket
    }

    /// What waits for its commit. While many acknowledgements wait, the engine may stop taking from
    /// the sources that can send again.
    pub fn waiting(&self) -> Waiting {
        let queue = lock(&self.shared.queue);
        Waiting { samples: queue.group.samples.len() + queue.held.samples, acks: queue.group.acks + queue.held.acks }
    }

    /// Writes what waits and ends the thread, trying for at most `within`. Blocks.
    ///
    /// # Errors
    /// When something could not be written in that time.
    pub fn flush_and_stop(mut self, within: Duration) -> Result<(), Unwritten> {
        let deadline = Instant::now() + within;
        let mut queue = lock(&self.shared.queue);
        queue.stop = Some(deadline);
        self.shared.wake.notify_all();
        let ended = loop {
            if let Some(ended) = queue.ended.take() {
                break Some(ended);
            }
            let left = deadline.saturating_duration_since(Instant::now());
            if left.is_zero() {
                break None;
            }
            queue = self.shared.done.wait_timeout(queue, left).unwrap_or_else(PoisonError::into_inner).0;
        };
        match ended {
            Some(ended) => {
                drop(queue);
                if let Some(thread) = self.thread.take() {
                    let _ = thread.join();
                }
                ended
            }
            None => Err(Unwritten {
                samples: queue.group.samples.len() + queue.held.samples,
                others: queue.group.others.len() + queue.held_others,
                why: queue.failing.take().unwrap_or_else(|| "the disk does not answer".to_owned()),
            }),
        }
    }
}

impl Drop for Writer {
    /// Without `flush_and_stop` the thread makes one more try and ends by itself.
    fn drop(&mut self) {
        let mut queue = lock(&self.shared.queue);
        queue.stop.get_or_insert_with(Instant::now);
        self.shared.wake.notify_all();
    }
}

fn lock(queue: &Mutex<Queue>) -> MutexGuard<'_, Queue> {
    queue.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The thread's side.
struct Work {
    shared: Arc<Shared>,
    committer: Committer,
    commit_every: Duration,
    report: Box<dyn FnMut(Report) + Send>,
    /// What was taken from the queue and is not on disk yet.
    held: Group,
    /// The last ticket in `held`.
    ticket: u64,
    /// The last ticket reported as committed.
    told: u64,
    failure: Option<(String, Instant)>,
    pause: Duration,
    sealed_at: Option<Instant>,
    unsealed: Option<(String, Instant)>,
}

/// Why the thread woke up.
enum Woken {
    /// To commit; with the deadline for stopping, if there is one.
    Commit(Option<Instant>),
    /// Nothing is to be committed, and samples are to be sealed.
    Seal,
}

impl Work {
    fn run(&mut self) -> Result<(), Unwritten> {
        loop {
            let stop = match self.take_what_is_due() {
                Woken::Commit(stop) => stop,
                Woken::Seal => {
                    self.seal();
                    continue;
                }
            };
            if self.held.is_empty() {
                // An empty hand-over is stored as soon as everything before it is.
                self.tell_committed(0.0, 0);
            } else if !self.try_commit() && stop.is_some_and(|deadline| Instant::now() >= deadline) {
                return Err(self.unwritten());
            }
            if stop.is_some() && self.held.is_empty() && lock(&self.shared.queue).group.is_empty() {
                return Ok(());
            }
            // Under steady load there is never nothing to do.
            let rested = self.sealed_at.is_none_or(|at| at.elapsed() >= SEAL_AGAIN);
            if stop.is_none()
                && self.failure.is_none()
                && rested
                && self.seal_in(Instant::now()) == Some(Duration::ZERO)
            {
                self.seal();
            }
        }
    }

    fn seal_in(&self, now: Instant) -> Option<Duration> {
        self.committer.seal_in(now)
    }

    /// One step of sealing.
    fn seal(&mut self) {
        let mut sealed = Vec::new();
        let done = self.committer.seal(&mut sealed);
        self.sealed_at = Some(Instant::now());
        for Sealed { probe, stamps } in sealed {
            (self.report)(Report::Sealed { probe, stamps });
        }
        match done {
            Ok(_) => self.unsealed = None,
            Err(why) => {
                let told = self.unsealed.as_ref();
                if told.is_none_or(|(before, at)| *before != why || at.elapsed() >= UNSEALED_AGAIN) {
                    self.unsealed = Some((why.clone(), Instant::now()));
                    (self.report)(Report::Unsealed { why });
                }
            }
        }
    }

    /// Waits until a commit is due (after a failure: until the pause is over) and takes everything
    /// that waits; or until there is nothing to commit and something to seal.
    fn take_what_is_due(&mut self) -> Woken {
        let shared = self.shared.clone();
        let failed = self.failure.as_ref().map(|_| Instant::now());
        let mut queue = lock(&shared.queue);
        loop {
            let now = Instant::now();
            let due = match failed {
                // Whoever waits for the end is worth more tries.
                Some(failed) => {
                    let pause = if queue.stop.is_some() { PAUSE_FIRST } else { self.pause };
                    let left = pause.saturating_sub(now.saturating_duration_since(failed));
                    if left.is_zero() { Due::Now } else { Due::In(left) }
                }
                None => queue.due(now, self.commit_every),
            };
            let seal_in = if failed.is_some() { None } else { self.seal_in(now) };
            let wait = match (due, seal_in) {
                (Due::Now, _) => break,
                (_, Some(Duration::ZERO)) => return Woken::Seal,
                (Due::In(left), Some(seal_in)) => Due::In(left.min(seal_in)),
                (Due::Never, Some(seal_in)) => Due::In(seal_in),
                (due, None) => due,
            };
            queue = match wait {
                Due::Now => break,
                Due::In(left) => shared.wake.wait_timeout(queue, left).unwrap_or_else(PoisonError::into_inner).0,
                Due::Never => shared.wake.wait(queue).unwrap_or_else(PoisonError::into_inner),
            };
        }
        let (group, ticket) = queue.take();
        self.held.append(group);
        self.ticket = ticket;
        let (mut dropped, mut more) = (std::mem::take(&mut queue.dropped), std::mem::take(&mut queue.dropped_more));
        let front = self.committer.in_doubt();
        let gone = self.held.give_up(front, &mut dropped, &mut more);
        self.committer.forget_in_doubt(gone);
        queue.held = Waiting { samples: self.held.samples.len(), acks: self.held.acks };
        queue.held_others = self.held.others.len();
        let stop = queue.stop;
        drop(queue);
        if !dropped.is_empty() {
            (self.report)(Report::Dropped { samples: dropped, more });
        }
        Woken::Commit(stop)
    }

    fn try_commit(&mut self) -> bool {
        let begun = Instant::now();
        match self.committer.commit(&mut self.held) {
            Ok(samples) => {
                self.held = Group::default();
                let mut queue = lock(&self.shared.queue);
                queue.held = Waiting::default();
                queue.held_others = 0;
                queue.failing = None;
                drop(queue);
                self.failure = None;
                self.pause = PAUSE_FIRST;
                self.tell_committed(begun.elapsed().as_secs_f64(), samples);
                true
            }
            Err(why) => {
                self.tell_failure(why);
                false
            }
        }
    }

    fn tell_committed(&mut self, seconds: f64, samples: usize) {
        if self.ticket > self.told {
            self.told = self.ticket;
            (self.report)(Report::Committed { ticket: self.ticket, seconds, samples });
        }
    }

    fn tell_failure(&mut self, why: String) {
        let now = Instant::now();
        if self.failure.is_some() {
            self.pause = (self.pause * 2).min(PAUSE_LONGEST);
        }
        let told = self.failure.take();
        let known = told.filter(|(before, at)| *before == why && now.saturating_duration_since(*at) < REPORT_AGAIN);
        if known.is_none() {
            let mut queue = lock(&self.shared.queue);
            queue.failing = Some(why.clone());
            let waiting = self.held.samples.len() + queue.group.samples.len();
            drop(queue);
            (self.report)(Report::Failing { why: why.clone(), waiting });
        }
        self.failure = Some(known.unwrap_or((why, now)));
    }

    fn unwritten(&self) -> Unwritten {
        let queue = lock(&self.shared.queue);
        Unwritten {
            samples: self.held.samples.len() + queue.group.samples.len(),
            others: self.held.others.len() + queue.group.others.len(),
            why: self.failure.as_ref().map_or_else(String::new, |(why, _)| why.clone()),
        }
    }
}

#[cfg(test)]
mod tests;
