//! The open alerts, and how a condition opens, changes and closes one.
//!
//! In: what a watch wants to stand now. Out: events. One open alert per subject and watch, found by
//! its slot; it keeps its id. Left out: when a condition holds, and the words.

use std::collections::BTreeMap;

use crate::climate::Stamp;
use crate::climate::stamp::SECOND_MS;
use crate::watch::alert::{Alert, AlertEvent, AlertState, EventKind, Severity, Watch};
use crate::watch::life::{Happening, apply};

/// A standing alert's text is made anew no oftener than this: it is read by people, and a flood of
/// samples must not spend its time on words.
const REWORD_MS: i64 = 10 * SECOND_MS;

/// A watch's place for its alert.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Slot {
    pub(super) id: Option<i64>,
    worded_at: Stamp,
}

impl Slot {
    pub(super) fn of(alert: &Alert) -> Slot {
        Slot::orphan(alert.id)
    }

    /// The place of an alert that no watch has.
    pub(super) fn orphan(id: i64) -> Slot {
        Slot { id: Some(id), worded_at: Stamp(0) }
    }
}

/// What should stand.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wanted {
    pub(super) severity: Severity,
    /// The first offending sample.
    pub(super) first_at: Stamp,
    pub(super) value: Option<f64>,
    pub(super) limit: Option<f64>,
    /// The value offends now (it may be calming).
    pub(super) offends: bool,
}

/// What a text is asked for.
#[derive(Clone, Copy, Debug)]
pub(super) enum Words {
    Stands,
    Over { lasted_ms: i64 },
}

/// The open alerts.
#[derive(Clone, Debug)]
pub(super) struct Book {
    alerts: BTreeMap<i64, Alert>,
    next_id: i64,
}

impl Book {
    pub(super) fn new(open: Vec<Alert>, next_id: i64) -> Book {
        let alerts: BTreeMap<i64, Alert> =
            open.into_iter().filter(|alert| alert.state != AlertState::Ended).map(|alert| (alert.id, alert)).collect();
        // An id is never used again, whatever the caller counted.
        let next_id = alerts.keys().next_back().map_or(next_id, |last| next_id.max(last + 1));
        Book { alerts, next_id }
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &Alert> {
        self.alerts.values()
    }

    pub(super) fn get(&self, slot: Slot) -> Option<&Alert> {
        self.alerts.get(&slot.id?)
    }

    /// Whether the slot's alert stands for a condition that holds.
    pub(super) fn stands(&self, slot: Slot) -> bool {
        self.get(slot).is_some_and(|alert| alert.state != AlertState::Returned)
    }

    /// Brings the slot's alert in line with what should stand at `at`.
    #[inline]
    pub(super) fn hold(
        &mut self,
        slot: &mut Slot,
        (subject, watch): (&str, Watch),
        wanted: Option<Wanted>,
        at: Stamp,
        events: &mut Vec<AlertEvent>,
        words: impl FnOnce(Words) -> String,
    ) {
        if slot.id.is_none() && wanted.is_none() {
            return;
        }
        match (slot.id.and_then(|id| self.alerts.get_mut(&id)), wanted) {
            (None, None) => slot.id = None,
            (None, Some(wanted)) => {
                let alert = raised(self.next_id, subject, watch, wanted, at, words(Words::Stands));
                self.next_id += 1;
                *slot = Slot { id: Some(alert.id), worded_at: at };
                events.push(AlertEvent { kind: EventKind::Raised, at, alert: alert.clone() });
                self.alerts.insert(alert.id, alert);
            }
            (Some(alert), Some(wanted)) => {
                let worse = wanted.severity > alert.severity;
                let reword = alert.state == AlertState::Returned
                    || wanted.severity != alert.severity
                    || at.since(slot.worded_at).abs() >= REWORD_MS;
                alert.severity = wanted.severity;
                alert.limit = wanted.limit;
                if wanted.offends || worse {
                    alert.value = wanted.value;
                }
                if reword {
                    alert.text = words(Words::Stands);
                    slot.worded_at = at;
                }
                let happening = if worse { Happening::Worse } else { Happening::Stands };
                let id = alert.id;
                self.happen(id, happening, at, events);
            }
            (Some(alert), None) => {
                if alert.state != AlertState::Returned {
                    alert.text = words(Words::Over { lasted_ms: at.since(alert.first_at) });
                    let id = alert.id;
                    self.happen(id, Happening::Over, at, events);
                }
            }
        }
    }

    /// Something happened to the alert `id`; false where there is none open. It leaves the book when
    /// it ends.
    pub(super) fn happen(&mut self, id: i64, happening: Happening, at: Stamp, events: &mut Vec<AlertEvent>) -> bool {
        let Some(alert) = self.alerts.get_mut(&id) else { return false };
        if let Some(kind) = apply(alert, happening, at) {
            events.push(AlertEvent { kind, at, alert: alert.clone() });
        }
        if alert.state == AlertState::Ended {
            self.alerts.remove(&id);
        }
        true
    }

    /// What the slot's alert was about is no longer watched.
    pub(super) fn gone(&mut self, slot: Slot, at: Stamp, events: &mut Vec<AlertEvent>) {
        let text = self.get(slot).map(|alert| crate::watch::wording::gone(&alert.subject)).unwrap_or_default();
        self.gone_saying(slot, &text, at, events);
    }

    /// The same, with words of its own.
    pub(super) fn gone_saying(&mut self, slot: Slot, text: &str, at: Stamp, events: &mut Vec<AlertEvent>) {
        let Some(alert) = slot.id.and_then(|id| self.alerts.get_mut(&id)) else { return };
        if alert.state != AlertState::Returned {
            text.clone_into(&mut alert.text);
        }
        let id = alert.id;
        self.happen(id, Happening::Gone, at, events);
    }
}

fn raised(id: i64, subject: &str, watch: Watch, wanted: Wanted, at: Stamp, text: String) -> Alert {
    Alert {
        id,
        subject: subject.to_owned(),
        watch,
        severity: wanted.severity,
        state: AlertState::Unacknowledged,
        since: at,
        first_at: wanted.first_at,
        value: wanted.value,
        limit: wanted.limit,
        text,
        returned_at: None,
        acknowledged_at: None,
        ended_at: None,
        repeat: 0,
    }
}
