//! `standing.json` kept up to date, beside the loop.
//!
//! In: what stands, whenever that changes. Out: the file, and for the store what changed untold.
//! Only the newest state matters: while one is being written, a later one waits and replaces any
//! that waited before it.

use std::path::PathBuf;
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex};

use tracing::warn;

use super::{Engine, brought};
use crate::climate::stamp::DAY_MS;
use crate::grow::logbook::{Deed, Entry};
use crate::store::Change;
use crate::store::standing::{self, Standing};
use crate::watch::alert::{Alert, AlertState};

/// The thread that writes, and what it writes next.
pub(super) struct Keeping {
    next: Arc<Mutex<Option<Standing>>>,
    wake: SyncSender<()>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Keeping {
    /// For the store in `folder`.
    pub(super) fn new(folder: PathBuf) -> Keeping {
        let next = Arc::new(Mutex::new(None));
        let (wake, woken) = sync_channel::<()>(1);
        let waiting = Arc::clone(&next);
        let work = move || {
            let mut failing = false;
            while woken.recv().is_ok() {
                let taken =
                    waiting.lock().ok().and_then(|mut next: std::sync::MutexGuard<'_, Option<Standing>>| next.take());
                let Some(standing) = taken else { continue };
                let written = standing::write(&folder, &standing);
                if let (Err(why), false) = (&written, failing) {
                    warn!("{why}");
                }
                failing = written.is_err();
            }
        };
        let thread = std::thread::Builder::new().name("standing".to_owned()).spawn(work).ok();
        Keeping { next, wake, thread }
    }

    /// Writes this state soon; never waits.
    pub(super) fn write(&self, standing: Standing) {
        if let Ok(mut next) = self.next.lock() {
            *next = Some(standing);
        }
        match self.wake.try_send(()) {
            // A full queue means that the thread will look anyhow.
            Ok(()) | Err(TrySendError::Full(())) => {}
            Err(TrySendError::Disconnected(())) => warn!("standing.json is not written any more: its thread is gone"),
        }
    }

    /// Writes what waits and ends.
    pub(super) fn finish(self) {
        let Keeping { wake, thread, .. } = self;
        drop(wake);
        if let Some(thread) = thread {
            // A panic in it was already printed.
            let _ = thread.join();
        }
    }
}

impl Engine {
    /// Alerts that changed without anybody being told go to the store alone.
    pub(super) fn keep_silent_changes(&mut self) {
        let changed = self.keeper.take_changed();
        if changed.is_empty() {
            return;
        }
        changed.iter().for_each(|alert| self.keep_unstored(alert));
        self.round.changes.extend(changed.into_iter().map(Change::Alert));
        self.round.at_once = true;
        self.changed = true;
        self.keep_standing();
    }

    /// What ends while there is no store is kept for it.
    pub(super) fn keep_unstored(&mut self, alert: &Alert) {
        if self.outlets.writer.is_none() && alert.state == AlertState::Ended {
            if self.unstored.len() >= brought::ENDED_MAX {
                self.unstored.remove(0);
            }
            self.unstored.push(alert.clone());
        }
    }

    /// Rewrites `standing.json`.
    pub(super) fn keep_standing(&self) {
        let live: Vec<&str> = self.keeper.tubs().map(|tub| tub.id.as_str()).collect();
        let heat = |entry: &Entry| matches!(entry.deed, Deed::HeatBegan(_) | Deed::HeatEnded { .. });
        let now = self.clock.now();
        // A wish holds for a day at most.
        let of_live = |entry: &&Entry| {
            live.contains(&entry.tub.as_str()) || heat(entry) || (entry.deed.is_wish() && now.since(entry.at) <= DAY_MS)
        };
        self.standing.write(Standing {
            entries: self.entries.iter().filter(of_live).cloned().collect(),
            alerts: self.keeper.alerts().chain(&self.unstored).cloned().collect(),
            newest_alert: self.keeper.newest_alert(),
            is_unstored: self.outlets.writer.is_none() || self.is_bringing,
        });
    }
}
