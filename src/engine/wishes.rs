//! What the grower wished of the watches, as the logbook holds it: an alert acknowledged or put aside,
//! hands in the tent.
//!
//! In: entries, as they are read and once more after a start. Out: the keeper told. A wish holds from
//! the moment it was typed, however long nobody ran.

use tracing::info;

use crate::climate::Stamp;
use crate::engine::Engine;
use crate::grow::logbook::{Deed, Entry};
use crate::watch::alert::AlertEvent;
use crate::watch::keeper::Keeper;
use crate::watch::limits::WORKING_MAX_MS;

impl Engine {
    /// Does what an entry asks for, where it asks for something beside telling of a tub.
    pub(super) fn apply(&mut self, entry: &Entry, now: Stamp) {
        if let Err(why) = fulfil(&mut self.keeper, entry, now, &mut self.events) {
            info!("logbook entry {}: {why}", entry.id);
        }
        self.changed = true;
    }
}

/// Tells the keeper of one wish; an entry that tells of a tub is none.
///
/// # Errors
/// Why nothing came of it.
pub fn fulfil(keeper: &mut Keeper, entry: &Entry, now: Stamp, events: &mut Vec<AlertEvent>) -> Result<(), String> {
    let at = entry.at.min(now);
    match &entry.deed {
        Deed::Acknowledged { alert } if !keeper.acknowledge(*alert, at, events) => {
            Err(format!("alert {alert} was acknowledged, but is not open"))
        }
        Deed::Shelved { alert, for_ms } if !keeper.shelve(*alert, at, *for_ms, events) => {
            Err(format!("alert {alert} was put aside, but does not stand"))
        }
        Deed::Working { space, for_ms } if !keeper.working(space.as_deref(), at, *for_ms) => {
            Err(format!("the config knows no space {:?}", space.as_deref().unwrap_or_default()))
        }
        _ => Ok(()),
    }
}

/// Says once more, after a start, what was wished before it and still holds at `now`.
pub fn recall(keeper: &mut Keeper, entries: &[Entry], now: Stamp) {
    for entry in entries {
        match &entry.deed {
            Deed::Shelved { alert, for_ms } => keeper.shelved_before(*alert, entry.at, *for_ms),
            Deed::Working { space, for_ms } if now.since(entry.at) <= WORKING_MAX_MS => {
                // A space that left the config has no watches that could wait.
                let _ = keeper.working(space.as_deref(), entry.at.min(now), *for_ms);
            }
            _ => {}
        }
    }
}
