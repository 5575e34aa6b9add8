//! A blocking thread's way to the engine: deliver, wait, notice a stop. For ports and kernel sensors.
//!
//! In: deliveries. Out: the same on the engine's bounded queue; while that is full the thread waits.

use std::time::{Duration, Instant};

use tokio::runtime::Handle;
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::watch;

use super::intake::{Intake, Phase};
use super::{Delivery, SourceState};

/// The longest until a stop is noticed.
pub(super) const STEP: Duration = Duration::from_millis(200);
/// How long what was read already may wait for room in the queue once the sources stop.
const LAST_WORDS: Duration = Duration::from_millis(500);

/// What a thread delivers by.
pub(super) struct Feed {
    /// The source's own.
    pub(super) intake: Intake,
    phase: watch::Receiver<Phase>,
    runtime: Handle,
}

impl Feed {
    /// Call it inside a tokio runtime.
    pub(super) fn new(intake: Intake, phase: watch::Receiver<Phase>) -> Feed {
        Feed { intake, phase, runtime: Handle::current() }
    }

    /// Tells a state, unless it was told last. False when the daemon stops.
    pub(super) fn tell(&mut self, state: SourceState, why: String) -> bool {
        self.intake.state(state, why).is_none_or(|news| self.deliver(news))
    }

    /// Tells the refusals that are due. False when the daemon stops.
    pub(super) fn tell_refusals(&mut self) -> bool {
        self.intake.refusals.due(Instant::now()).into_iter().all(|delivery| self.deliver(delivery))
    }

    /// Waits for room in the engine's queue; meanwhile what comes waits in the kernel. False when the
    /// daemon stops or the engine is gone.
    pub(super) fn deliver(&mut self, delivery: Delivery) -> bool {
        let delivery = match self.intake.queue.try_send(delivery) {
            Ok(()) => return true,
            Err(TrySendError::Closed(_)) => return false,
            Err(TrySendError::Full(delivery)) => delivery,
        };
        let mut phase = self.phase.clone();
        let queue = &self.intake.queue;
        let room = self.runtime.block_on(async {
            tokio::select! {
                biased;
                place = queue.reserve() => place.ok(),
                _ = phase.wait_for(|phase| *phase != Phase::Run) => None,
            }
        });
        if let Some(place) = room {
            place.send(delivery);
            return true;
        }
        self.last_words(delivery)
    }

    /// The daemon stops while the queue is full: the engine is emptying it, so what was read already
    /// gets a last chance.
    fn last_words(&self, mut delivery: Delivery) -> bool {
        let until = Instant::now() + LAST_WORDS;
        while Instant::now() < until {
            match self.intake.queue.try_send(delivery) {
                Ok(()) => return true,
                Err(TrySendError::Closed(_)) => return false,
                Err(TrySendError::Full(back)) => delivery = back,
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        false
    }

    /// Waits, in steps so that a stop is noticed. False when the daemon stops.
    pub(super) fn rest(&self, wait: Duration) -> bool {
        let until = Instant::now() + wait;
        while !self.stopping() {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return true;
            }
            std::thread::sleep(left.min(STEP));
        }
        false
    }

    /// Whether the daemon stops.
    pub(super) fn stopping(&self) -> bool {
        *self.phase.borrow() != Phase::Run || self.phase.has_changed().is_err()
    }
}
