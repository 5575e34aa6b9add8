//! What time it is, for a daemon that follows real probes or a rehearsal that follows made-up ones.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{SystemTime, UNIX_EPOCH};

use crate::climate::Stamp;

/// Where the daemon's time comes from.
#[derive(Clone, Debug)]
pub enum Clock {
    /// The machine's clock.
    Wall,
    /// The newest sample's own time: for samples that run faster than the clock on the wall.
    Samples(Arc<AtomicI64>),
}

impl Clock {
    /// A samples' clock that starts at `start`.
    pub fn samples(start: Stamp) -> Clock {
        Clock::Samples(Arc::new(AtomicI64::new(start.0)))
    }

    /// Now.
    pub fn now(&self) -> Stamp {
        match self {
            Clock::Wall => {
                let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
                Stamp(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
            }
            Clock::Samples(newest) => Stamp(newest.load(Ordering::Relaxed)),
        }
    }

    /// A sample of this time was seen; moves a samples' clock on, never back.
    pub fn saw(&self, at: Stamp) {
        if let Clock::Samples(newest) = self {
            newest.fetch_max(at.0, Ordering::Relaxed);
        }
    }
}
