//! What time it is, for a daemon that follows real probes or a rehearsal that follows made-up ones.
//!
//! A daemon's own clock goes on evenly, whoever sets the machine's: waits, silence and ages run on it.
//! That the machine's was set is noticed in `timekeeping.rs`.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use nix::time::ClockId;

use crate::climate::Stamp;

/// Where the daemon's time comes from.
#[derive(Clone, Debug)]
pub enum Clock {
    /// The machine's clock, whatever it shows.
    Wall,
    /// The machine's clock as it was when the daemon began, and the time since: nobody can set it. What
    /// is added to the time since boot, ms.
    Steady(Arc<AtomicI64>),
    /// The newest sample's own time: for samples that run faster than the clock on the wall.
    Samples(Arc<AtomicI64>),
}

impl Clock {
    /// A samples' clock that starts at `start`.
    pub fn samples(start: Stamp) -> Clock {
        Clock::Samples(Arc::new(AtomicI64::new(start.0)))
    }

    /// A clock that nobody can set.
    pub fn steady() -> Clock {
        Clock::Steady(Arc::new(AtomicI64::new(Clock::Wall.now().0 - since_boot_ms())))
    }

    /// Goes with the machine's clock, which is less than a step away.
    pub fn follow(&self, new_offset_ms: i64) {
        if let Clock::Steady(offset_ms) = self {
            offset_ms.store(new_offset_ms, Ordering::Relaxed);
        }
    }

    /// The machine's clock, for what must not run at the samples' speed.
    pub fn machine(&self) -> Clock {
        match self {
            Clock::Samples(_) => Clock::Wall,
            own => own.clone(),
        }
    }

    /// Now.
    pub fn now(&self) -> Stamp {
        match self {
            Clock::Wall => {
                let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
                Stamp(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
            }
            Clock::Steady(offset_ms) => Stamp(since_boot_ms().saturating_add(offset_ms.load(Ordering::Relaxed))),
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

/// Milliseconds since the machine started, sleep included.
pub fn since_boot_ms() -> i64 {
    // The kernel has had it since 2.6.39; elsewhere the clock that stops in sleep does.
    let read = |clock| nix::time::clock_gettime(clock).map(Duration::from);
    let since = read(ClockId::CLOCK_BOOTTIME).or_else(|_| read(ClockId::CLOCK_MONOTONIC)).unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
}
