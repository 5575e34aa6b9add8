//! The life of one alert after IEC 62682 / ANSI/ISA-18.2: which state follows which, and what is
//! told of it.
//!
//! In: a state and what happened. Out: the next state, and the event to be told if any. Pure.
//! Left out: when a condition holds (`band`), who shelves and for how long, wording.

use super::alert::{Alert, AlertState, EventKind};
use crate::climate::Stamp;

/// What can happen to an alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Happening {
    /// The condition holds (again), no worse than before.
    Stands,
    /// The condition is worth more than before.
    Worse,
    /// The condition is over.
    Over,
    /// The grower knows.
    Acknowledge,
    /// What it was about is no longer watched (a tub ended, a probe left the config), or what it asked
    /// for was logged.
    Gone,
    /// The grower puts it aside for a while.
    Shelve,
    /// That while is over, and the condition still holds.
    ShelfEnds,
    /// Another alert explains it.
    Suppress,
}

impl Happening {
    /// All of them.
    pub const ALL: [Happening; 8] = [
        Happening::Stands,
        Happening::Worse,
        Happening::Over,
        Happening::Acknowledge,
        Happening::Gone,
        Happening::Shelve,
        Happening::ShelfEnds,
        Happening::Suppress,
    ];
}

/// The next state and what is told.
///
/// An alert that gets worse asks for attention again, also when it was acknowledged or shelved. One
/// that returned unacknowledged stays on the list until the grower has seen it; if the condition
/// comes back meanwhile it is the same incident. Ended is final: the next is a new alert.
pub fn step(state: AlertState, happening: Happening) -> (AlertState, Option<EventKind>) {
    use AlertState::{Acknowledged, Ended, Returned, Shelved, Suppressed, Unacknowledged};
    use Happening::{Acknowledge, Gone, Over, ShelfEnds, Shelve, Stands, Suppress, Worse};
    match (state, happening) {
        (Unacknowledged, Stands) | (Acknowledged, Stands | Acknowledge) | (Returned, Over) => (state, None),
        (Unacknowledged | Acknowledged | Shelved, Worse) => (Unacknowledged, Some(EventKind::RaisedAgain)),
        (Unacknowledged, Over) => (Returned, Some(EventKind::Returned)),
        (Unacknowledged, Acknowledge) => (Acknowledged, Some(EventKind::Acknowledged)),
        (Acknowledged | Shelved, Over) => (Ended, Some(EventKind::Returned)),
        (Returned, Stands | Worse) => (Unacknowledged, Some(EventKind::RaisedAgain)),
        // Logging a tub's end is knowing of it.
        (Returned, Acknowledge | Gone) => (Ended, Some(EventKind::Acknowledged)),
        (Unacknowledged | Acknowledged | Shelved | Suppressed, Gone) => (Ended, Some(EventKind::Returned)),
        (Shelved | Suppressed, Acknowledge) => (Acknowledged, Some(EventKind::Acknowledged)),
        // Another alert tells of it; nobody was told of this one.
        (Suppressed, Over) => (Ended, Some(EventKind::Returned)),
        (Unacknowledged | Acknowledged | Shelved, Shelve) => (Shelved, None),
        (Shelved, ShelfEnds) => (Unacknowledged, Some(EventKind::RaisedAgain)),
        (Unacknowledged | Acknowledged, Suppress) => (Suppressed, None),
        (Shelved, Stands) | (Suppressed, Stands | Worse) | (Ended, _) => (state, None),
        // What is over or explained already cannot be put aside; what was shelved stays so.
        (Returned | Suppressed, Shelve) | (Returned | Shelved | Suppressed, Suppress) | (_, ShelfEnds) => (state, None),
    }
}

/// The state that a suppressed alert goes back to once nothing explains it any more: its times tell.
pub fn unsuppressed(alert: &Alert) -> AlertState {
    match (alert.returned_at, alert.acknowledged_at) {
        (Some(_), _) => AlertState::Returned,
        (None, Some(_)) => AlertState::Acknowledged,
        (None, None) => AlertState::Unacknowledged,
    }
}

/// Moves `alert` on at `at` and keeps its times; what is to be told, if anything.
pub fn apply(alert: &mut Alert, happening: Happening, at: Stamp) -> Option<EventKind> {
    let (next, told) = step(alert.state, happening);
    let ends = next == AlertState::Ended && alert.state != AlertState::Ended;
    alert.state = next;
    if ends {
        alert.ended_at = Some(at);
    }
    match told {
        Some(EventKind::RaisedAgain) => {
            alert.repeat = alert.repeat.saturating_add(1);
            alert.acknowledged_at = None;
            alert.returned_at = None;
        }
        Some(EventKind::Returned) => alert.returned_at = Some(at),
        Some(EventKind::Acknowledged) => alert.acknowledged_at = Some(at),
        Some(EventKind::Raised) | None => {}
    }
    told
}
