//! One messenger's lane: what waits for it, and the task that brings it there.
//!
//! In: items, in the engine's order. Out: an outcome for each try. The order holds: the next item
//! is tried when the one before was accepted. The one exception is an item the receiver answers is
//! wrong in itself (most of 4xx): it is put aside for the longest pause and holds back only what
//! else is to be told of the same alert, so that one bad message never silences the rest. What has
//! waited longer than `Timing::late` is told once for each alert, as it ended: "was raised at …, over
//! since …".
//!
//! Memory is bounded: beyond [`BODIES_MAX`] committed items are kept as numbers and read back from
//! the store when their turn comes; beyond [`WAITING_MAX`] the oldest are left to the store until
//! the next start, since the newest are what the grower must know.

use std::collections::{HashMap, VecDeque};
use std::future::Future;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Waker};
use std::time::Duration;

use tokio::sync::{Notify, mpsc, watch};
use tokio::time::Instant;

use super::carrier::Carrier;
use super::outbox::{Letterhead, told_late};
use super::refused::Refused;
use super::{Kept, Outcome, Timing};
use crate::climate::Stamp;
use crate::store::{OutboxItem, Tells};

/// Messages held whole, per messenger: some 600 bytes each, so well under a megabyte.
const BODIES_MAX: usize = 512;
/// Messages held at all, per messenger: years of a quiet site, weeks of a noisy one; about a megabyte.
const WAITING_MAX: usize = 10_000;
/// How long an item whose text cannot be read back waits to be asked for again.
const READ_AGAIN: Duration = Duration::from_secs(30);

type Committed = Pin<Box<dyn Future<Output = ()> + Send>>;

struct Entry {
    id: i64,
    alert_id: i64,
    tells: Tells,
    /// When it was made, by the engine's clock and by ours.
    created_at: Stamp,
    born: Instant,
    tries: u32,
    /// Body and idempotency key; `None`: in the store only.
    text: Option<(Arc<str>, Arc<str>)>,
    /// `None` once it has been seen to be committed.
    committed: Option<Committed>,
    /// The longest it waits for its commit.
    go_at: Instant,
    /// Put aside until then.
    aside_until: Option<Instant>,
}

impl Entry {
    fn is_committed(&mut self) -> bool {
        let ended = |commit: &mut Committed| commit.as_mut().poll(&mut Context::from_waker(Waker::noop())).is_ready();
        if self.committed.as_mut().is_some_and(ended) {
            self.committed = None;
        }
        self.committed.is_none()
    }
}

#[derive(Default)]
struct Queue {
    entries: VecDeque<Entry>,
    /// Dropped from memory, still in the store.
    left_to_store: u64,
}

/// What waits for one messenger. The engine adds, the lane's task takes.
pub(super) struct Lane {
    name: String,
    timing: Timing,
    queue: Mutex<Queue>,
    /// Told of each new item.
    added: Notify,
}

/// The item whose turn it is.
struct Turn {
    id: i64,
    tries: u32,
    text: Option<(Arc<str>, Arc<str>)>,
    committed: Option<Committed>,
    go_at: Instant,
    /// It is told late: what it tells, and when that was.
    late: Option<(Tells, Stamp)>,
    /// Earlier items of its alert that it makes needless.
    instead_of: Vec<(i64, u32)>,
}

/// What the lane has to offer.
enum Next {
    Turn(Turn),
    /// Nothing before then; `None`: nothing at all.
    Wait(Option<Instant>),
}

impl Lane {
    pub(super) fn new(name: String, timing: Timing) -> Lane {
        Lane { name, timing, queue: Mutex::default(), added: Notify::new() }
    }

    /// `age` is how long ago the item was made.
    pub(super) fn push(&self, item: OutboxItem, age: Duration, committed: Committed) {
        let mut queue = self.lock();
        let now = Instant::now();
        queue.entries.push_back(Entry {
            id: item.id,
            alert_id: item.alert_id,
            tells: item.event,
            created_at: item.created_at,
            // A machine that was started just now knows no earlier moment.
            born: now.checked_sub(age).unwrap_or(now),
            tries: item.tries,
            text: Some((item.body.into(), item.idempotency_key.into())),
            committed: Some(committed),
            go_at: now + self.timing.commit,
            aside_until: None,
        });
        // The front is sent soon; only what is behind it may be let go.
        if queue.entries.iter().filter(|entry| entry.text.is_some()).count() > BODIES_MAX {
            for entry in queue.entries.iter_mut().skip(BODIES_MAX / 2) {
                if entry.text.is_some() && entry.is_committed() {
                    entry.text = None;
                }
            }
        }
        if queue.entries.len() > WAITING_MAX {
            queue.entries.pop_front();
            queue.left_to_store += 1;
            if queue.left_to_store == 1 {
                tracing::warn!(
                    messenger = %self.name,
                    "more than {WAITING_MAX} messages wait; the oldest stay in the store and are sent after the next start"
                );
            }
        }
        drop(queue);
        self.added.notify_one();
    }

    pub(super) fn waiting(&self) -> u64 {
        let queue = self.lock();
        queue.entries.len() as u64 + queue.left_to_store
    }

    fn lock(&self) -> MutexGuard<'_, Queue> {
        // Nothing panics while it is held; were it so, the queue would still be whole.
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The first item of an alert of which none is aside.
    fn next(&self, now: Instant) -> Next {
        let mut queue = self.lock();
        // Told late, an alert's last item is tried first: any one that is aside holds back the others.
        let aside = |entry: &Entry| Some((entry.alert_id, entry.aside_until.filter(|until| *until > now)?));
        let held_back: HashMap<i64, Instant> = queue.entries.iter().filter_map(aside).collect();
        let Some(entry) = queue.entries.iter_mut().find(|entry| !held_back.contains_key(&entry.alert_id)) else {
            return Next::Wait(held_back.into_values().min());
        };
        if now.saturating_duration_since(entry.born) >= self.timing.late {
            let alert_id = entry.alert_id;
            return Next::Turn(late_turn(&mut queue.entries, alert_id));
        }
        Next::Turn(turn(entry))
    }

    /// Changes the item numbered `id`, if it has not been left to the store meanwhile.
    fn change(&self, id: i64, change: impl FnOnce(&mut Entry)) {
        if let Some(entry) = self.lock().entries.iter_mut().find(|entry| entry.id == id) {
            change(entry);
        }
    }

    fn remove(&self, id: i64) {
        self.lock().entries.retain(|entry| entry.id != id);
    }
}

fn turn(entry: &mut Entry) -> Turn {
    Turn {
        id: entry.id,
        tries: entry.tries,
        text: entry.text.clone(),
        committed: entry.committed.take(),
        go_at: entry.go_at,
        late: None,
        instead_of: Vec::new(),
    }
}

/// The last item of the alert in place of all before it. There is one: the caller found it.
fn late_turn(entries: &mut VecDeque<Entry>, alert_id: i64) -> Turn {
    let of_alert = |entry: &&Entry| entry.alert_id == alert_id;
    let last = entries.iter().rposition(|entry| entry.alert_id == alert_id).unwrap_or(0);
    let instead_of = entries.iter().take(last).filter(of_alert).map(|entry| (entry.id, entry.tries)).collect();
    let entry = &mut entries[last];
    Turn { late: Some((entry.tells, entry.created_at)), instead_of, ..turn(entry) }
}

/// The task of one lane.
pub(super) struct Courier {
    pub(super) lane: Arc<Lane>,
    pub(super) head: Arc<Letterhead>,
    /// Or why there is none, to be said at each try.
    pub(super) carrier: Result<Carrier, String>,
    pub(super) kept: Arc<dyn Kept + Send + Sync>,
    pub(super) outcomes: mpsc::UnboundedSender<Outcome>,
    pub(super) stopped: watch::Receiver<bool>,
}

/// How the messenger has been doing.
#[derive(Default)]
struct Mood {
    /// Tries in a row that were not accepted.
    failures: u32,
    /// No try before then.
    pause_until: Option<Instant>,
    tried_at: Option<Instant>,
    /// What the log said last.
    said: Option<String>,
}

impl Courier {
    pub(super) async fn run(mut self) {
        let mut mood = Mood::default();
        while !*self.stopped.borrow() {
            let now = Instant::now();
            let pause = mood.pause_until.filter(|until| *until > now);
            let next = if pause.is_some() { Next::Wait(pause) } else { self.lane.next(now) };
            match next {
                Next::Turn(turn) => self.take(turn, &mut mood).await,
                Next::Wait(until) => self.rest(until, &mut mood).await,
            }
        }
    }

    /// Waits until then, or for a new item, or for the stop.
    async fn rest(&mut self, until: Option<Instant>, mood: &mut Mood) {
        let time = async {
            match until {
                Some(until) => tokio::time::sleep_until(until).await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            () = time => {}
            _ = self.stopped.wait_for(|stopped| *stopped) => {}
            () = self.lane.added.notified() => {
                if let (Some(pause), Some(tried_at)) = (mood.pause_until, mood.tried_at) {
                    mood.pause_until = Some(pause.min(tried_at + self.lane.timing.urge_after));
                }
            }
        }
    }

    async fn take(&mut self, mut turn: Turn, mood: &mut Mood) {
        if let Some(mut committed) = turn.committed.take()
            && tokio::time::timeout_at(turn.go_at, committed.as_mut()).await.is_err()
        {
            // The grower is told even if the disk is not; but only memory holds it until then.
            self.lane.change(turn.id, |entry| entry.committed = Some(committed));
        }
        let Some((body, key)) = self.text(turn.id, turn.text).await else { return };
        let body = match turn.late {
            Some((tells, at)) => told_late(&body, &self.head, tells, at).into(),
            None => body,
        };
        let result = match &self.carrier {
            Ok(carrier) => carrier.send(&body, &key, self.lane.timing.one_try).await,
            Err(why) => Err(Refused::passing(why.clone())),
        };
        let result = result.or_else(|refused| {
            if !refused.is_told() {
                return Err(refused);
            }
            tracing::warn!(messenger = %self.lane.name, "delivered, but not to all: {}", refused.why);
            Ok(())
        });
        let tries = turn.tries.saturating_add(1);
        match &result {
            Ok(()) => {
                self.lane.remove(turn.id);
                for (id, tries) in std::mem::take(&mut turn.instead_of) {
                    self.lane.remove(id);
                    let messenger = self.lane.name.clone();
                    let _ = self.outcomes.send(Outcome { id, messenger, tries, result: Ok(()) });
                }
                if mood.said.is_some() {
                    tracing::info!(messenger = %self.lane.name, "accepts messages again");
                }
                *mood = Mood::default();
            }
            Err(refused) => self.after_refusal(turn.id, tries, refused, mood),
        }
        let result = result.map_err(|refused| refused.why);
        // The engine may be gone before us when the daemon stops.
        let _ = self.outcomes.send(Outcome { id: turn.id, messenger: self.lane.name.clone(), tries, result });
    }

    /// The item's text, from memory or the store. `None`: it is not to be sent now.
    async fn text(&self, id: i64, held: Option<(Arc<str>, Arc<str>)>) -> Option<(Arc<str>, Arc<str>)> {
        if held.is_some() {
            return held;
        }
        let kept = Arc::clone(&self.kept);
        let read = tokio::task::spawn_blocking(move || kept.item(id)).await;
        let why = match read {
            Ok(Ok(Some(item))) => return Some((item.body.into(), item.idempotency_key.into())),
            Ok(Ok(None)) => {
                tracing::warn!(messenger = %self.lane.name, id, "a message that was waiting is no longer in the store");
                self.lane.remove(id);
                return None;
            }
            Ok(Err(why)) => why,
            Err(error) => error.to_string(),
        };
        tracing::warn!(messenger = %self.lane.name, id, why, "a waiting message cannot be read back; tried again soon");
        self.lane.change(id, |entry| entry.aside_until = Some(Instant::now() + READ_AGAIN));
        None
    }

    fn after_refusal(&self, id: i64, tries: u32, refused: &Refused, mood: &mut Mood) {
        let timing = &self.lane.timing;
        let now = Instant::now();
        mood.failures = mood.failures.saturating_add(1);
        mood.tried_at = Some(now);
        let asked = refused.retry_after.unwrap_or_default().min(timing.longest_pause);
        let pause = backoff(timing, mood.failures, rand::random()).max(asked);
        mood.pause_until = Some(now + pause);
        self.lane.change(id, |entry| {
            entry.tries = tries;
            if refused.for_good {
                entry.aside_until = Some(now + backoff(timing, u32::MAX, rand::random()));
            }
        });
        if mood.said.as_deref() == Some(refused.why.as_str()) {
            tracing::debug!(messenger = %self.lane.name, why = refused.why, "still not delivered");
        } else {
            tracing::warn!(messenger = %self.lane.name, "not delivered: {}; it is tried until accepted", refused.why);
            mood.said = Some(refused.why.clone());
        }
    }
}

/// The pause after `failures` failures in a row; `chance` from 0 to 1 shortens it by up to half.
fn backoff(timing: &Timing, failures: u32, chance: f64) -> Duration {
    let doubled = 2_u32.saturating_pow(failures.saturating_sub(1));
    timing.first_pause.saturating_mul(doubled).min(timing.longest_pause).mul_f64(1.0 - chance.clamp(0.0, 1.0) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_double_up_to_the_longest() {
        let timing = Timing::default();
        for (failures, chance, seconds) in
            [(1, 0.0, 1.0), (1, 1.0, 0.5), (2, 0.0, 2.0), (9, 0.0, 256.0), (10, 0.0, 300.0), (u32::MAX, 1.0, 150.0)]
        {
            assert_eq!(backoff(&timing, failures, chance).as_secs_f64(), seconds, "{failures} {chance}");
        }
    }
}
