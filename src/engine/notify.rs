//! What the service manager is told: ready, reloading, stopping, and that the engine turns.
//!
//! In: the daemon's own turns, and the engine's snapshots. Out: datagrams to the socket that systemd
//! names in NOTIFY_SOCKET; none where it names none. The watchdog is fed only after a new snapshot:
//! a process that lives while its engine stands still is ended and started again.

use std::sync::Arc;
use std::time::Duration;

use sd_notify::NotifyState;
use tokio::sync::watch;
use tokio::time::MissedTickBehavior;
use tracing::{debug, warn};

use crate::status::snapshot::Snapshot;

/// The watchdog is fed so often within the time it allows; the second chance covers a busy machine.
const FEEDS: u32 = 3;

/// The service manager's side of one daemon.
pub struct Manager {
    feeding: Option<tokio::time::Interval>,
}

impl Manager {
    /// Of this process; reads the environment that systemd sets.
    pub fn new() -> Manager {
        let feeding = sd_notify::watchdog_enabled().map(|limit| {
            let step = (limit / FEEDS).max(Duration::from_millis(1));
            let mut interval = tokio::time::interval(step);
            interval.set_missed_tick_behavior(MissedTickBehavior::Delay);
            interval
        });
        Manager { feeding }
    }

    /// Up: the store is open and the sources are started. `doing` is shown by `systemctl status`.
    pub fn ready(&self, doing: &str) {
        tell(&[NotifyState::Ready, NotifyState::Status(doing)]);
    }

    /// The config is read again.
    pub fn reloading(&self) {
        match NotifyState::monotonic_usec_now() {
            Ok(now) => tell(&[NotifyState::Reloading, now]),
            Err(why) => debug!("the machine tells no monotonic time: {why}"),
        }
    }

    /// Going down in order.
    pub fn stopping(&self) {
        tell(&[NotifyState::Stopping]);
    }

    /// Feeds the watchdog as long as `snapshots` bring something new; never ends. Where no watchdog is
    /// set, it only waits. Dropping it loses nothing.
    pub async fn feed(&mut self, snapshots: &mut watch::Receiver<Arc<Snapshot>>) {
        let Some(feeding) = &mut self.feeding else { return std::future::pending().await };
        loop {
            feeding.tick().await;
            if has_turned(snapshots) {
                tell(&[NotifyState::Watchdog]);
            }
        }
    }
}

/// Whether the engine has shown something since the last call; false once it has ended.
fn has_turned(snapshots: &mut watch::Receiver<Arc<Snapshot>>) -> bool {
    let turned = snapshots.has_changed().unwrap_or(false);
    snapshots.mark_unchanged();
    turned
}

impl Default for Manager {
    fn default() -> Self {
        Manager::new()
    }
}

fn tell(state: &[NotifyState<'_>]) {
    if let Err(why) = sd_notify::notify(state) {
        warn!("the service manager cannot be told: {why}");
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn the_watchdog_is_fed_only_after_a_new_snapshot() {
        let (engine, mut shown) = watch::channel(Arc::new(Snapshot::default()));
        assert!(!has_turned(&mut shown), "nothing was shown yet");
        engine.send(Arc::new(Snapshot::default())).unwrap();
        assert!(has_turned(&mut shown));
        assert!(!has_turned(&mut shown), "the engine stands still");
        engine.send(Arc::new(Snapshot::default())).unwrap();
        assert!(has_turned(&mut shown), "it goes on");
        drop(engine);
        assert!(!has_turned(&mut shown), "it has ended");
    }
}
