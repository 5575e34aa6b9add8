//! `standing.json` kept up to date, beside the loop.
//!
//! Only the newest state matters: while one is being written, a later one waits and replaces any
//! that waited before it.

use std::path::PathBuf;
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex};

use tracing::warn;

use crate::store::standing::{self, Standing};

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
