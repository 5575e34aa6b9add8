//! The open alerts, and how a condition opens, changes and closes one.
//!
//! In: what a watch wants to stand now. Out: events. One open alert per subject and watch, found by
//! its slot; it keeps its id. Left out: when a condition holds, and the words.

use std::collections::BTreeMap;

use crate::climate::Stamp;
use crate::climate::stamp::SECOND_MS;
use crate::watch::alert::{Alert, AlertEvent, AlertState, EventKind, Severity, Watch};
use crate::watch::life::{Happening, apply, unsuppressed};

/// A standing alert's text is made anew no oftener than this: it is read by people, and a flood of
/// samples must not spend its time on words.
const REWORD_MS: i64 = 10 * SECOND_MS;

/// A watch's place for its alert.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Slot {
    pub(super) id: Option<i64>,
    /// How far a watch that goes in steps of one severity has come.
    pub(super) step: u8,
    worded_at: Stamp,
}

impl Slot {
    pub(super) fn of(alert: &Alert) -> Slot {
        Slot::orphan(alert.id)
    }

    /// The same, come so far already.
    pub(super) fn at_step(self, step: u8) -> Slot {
        Slot { step, ..self }
    }

    /// The place of an alert that no watch has.
    pub(super) fn orphan(id: i64) -> Slot {
        Slot { id: Some(id), step: 0, worded_at: Stamp(0) }
    }
}

/// What should stand.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wanted {
    pub(super) severity: Severity,
    /// A higher step of the same severity is worse too.
    pub(super) step: u8,
    /// The first offending sample.
    pub(super) first_at: Stamp,
    pub(super) value: Option<f64>,
    pub(super) limit: Option<f64>,
    /// The value offends now (it may be calming).
    pub(super) offends: bool,
}

impl Wanted {
    /// A condition that is no number.
    pub(super) fn plain(severity: Severity, first_at: Stamp) -> Wanted {
        Wanted { severity, step: 0, first_at, value: None, limit: None, offends: true }
    }

    /// A number over a limit.
    pub(super) fn of(severity: Severity, first_at: Stamp, value: f64, limit: f64) -> Wanted {
        Wanted { value: Some(value), limit: Some(limit), ..Wanted::plain(severity, first_at) }
    }
}

/// What a text is asked for.
#[derive(Clone, Copy, Debug)]
pub(super) enum Words {
    Stands,
    Over { lasted_ms: i64 },
}

#[derive(Clone, Debug)]
struct Open {
    alert: Alert,
    /// The worst it was told as.
    worst: Severity,
}

/// The open alerts.
#[derive(Clone, Debug)]
pub(super) struct Book {
    alerts: BTreeMap<i64, Open>,
    next_id: i64,
    /// Alerts that changed without an event, for the store; drained with each round. Bounded by the
    /// alerts there are and what came and went meanwhile.
    changed: Vec<Alert>,
}

impl Book {
    pub(super) fn new(open: Vec<Alert>, next_id: i64) -> Book {
        let open = open.into_iter().filter(|alert| alert.state != AlertState::Ended);
        let alerts: BTreeMap<i64, Open> = open.map(|alert| (alert.id, Open { worst: alert.severity, alert })).collect();
        // An id is never used again, whatever the caller counted.
        let next_id = alerts.keys().next_back().map_or(next_id, |last| next_id.max(last + 1));
        Book { alerts, next_id, changed: Vec::new() }
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &Alert> {
        self.alerts.values().map(|open| &open.alert)
    }

    pub(super) fn by_id(&self, id: i64) -> Option<&Alert> {
        self.alerts.get(&id).map(|open| &open.alert)
    }

    pub(super) fn get(&self, slot: Slot) -> Option<&Alert> {
        self.by_id(slot.id?)
    }

    /// Whether the slot's alert stands for a condition that holds.
    pub(super) fn stands(&self, slot: Slot) -> bool {
        self.get(slot).is_some_and(|alert| alert.state != AlertState::Returned)
    }

    /// The next number for an alert, used up.
    pub(super) fn number(&mut self) -> i64 {
        self.next_id += 1;
        self.next_id - 1
    }

    /// The highest number given.
    pub(super) fn newest(&self) -> i64 {
        self.next_id - 1
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
                let alert = raised(self.number(), subject, watch, wanted, at, words(Words::Stands));
                *slot = Slot { id: Some(alert.id), step: wanted.step, worded_at: at };
                let worst = alert.severity;
                events.push(AlertEvent { kind: EventKind::Raised, at, alert: alert.clone(), worst });
                self.alerts.insert(alert.id, Open { alert, worst });
            }
            (Some(open), Some(wanted)) => {
                let alert = &mut open.alert;
                let (severity, state) = (alert.severity, alert.state);
                let (told, noted) = (events.len(), self.changed.len());
                if alert.state == AlertState::Suppressed {
                    // It is judged again, so nothing explains it away any more.
                    alert.state = unsuppressed(alert);
                }
                let worse = (wanted.severity, wanted.step) > (alert.severity, slot.step);
                let reword = alert.state == AlertState::Returned
                    || wanted.severity != alert.severity
                    || worse
                    || at.since(slot.worded_at).abs() >= REWORD_MS;
                alert.severity = wanted.severity;
                slot.step = wanted.step;
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
                // Come down, or explained no more: a start must not tell what it no longer is.
                if let Some(Open { alert, .. }) = self.alerts.get(&id)
                    && (alert.severity, alert.state) != (severity, state)
                    && (events.len(), self.changed.len()) == (told, noted)
                {
                    self.changed.push(alert.clone());
                }
            }
            (Some(open), None) => {
                let alert = &mut open.alert;
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
        let Some(Open { alert, worst }) = self.alerts.get_mut(&id) else { return false };
        let before = alert.state;
        let kind = apply(alert, happening, at);
        // Worse, or back: it is told as what it is now, and never heard as less before its end.
        if before == AlertState::Returned && kind == Some(EventKind::RaisedAgain) {
            *worst = alert.severity;
        }
        *worst = (*worst).max(alert.severity);
        match kind {
            Some(kind) => events.push(AlertEvent { kind, at, alert: alert.clone(), worst: *worst }),
            None if alert.state != before => self.changed.push(alert.clone()),
            None => {}
        }
        if alert.state == AlertState::Ended {
            self.alerts.remove(&id);
        }
        true
    }

    /// What a watch wants where a worse alert may explain it: then nothing is raised, and what stands
    /// goes on standing as it is told.
    pub(super) fn unless_explained(&self, slot: Slot, wanted: Option<Wanted>, is_explained: bool) -> Option<Wanted> {
        let wanted = wanted?;
        if !is_explained {
            return Some(wanted);
        }
        let alert = self.get(slot).filter(|alert| alert.state != AlertState::Returned)?;
        Some(Wanted { severity: wanted.severity.min(alert.severity), step: wanted.step.min(slot.step), ..wanted })
    }

    /// What the slot's alert was about is no longer watched.
    pub(super) fn gone(&mut self, slot: Slot, at: Stamp, events: &mut Vec<AlertEvent>) {
        let Some(open) = slot.id.and_then(|id| self.alerts.get_mut(&id)) else { return };
        let text = crate::watch::wording::gone(&open.alert.subject);
        self.close(slot, text, at, events);
    }

    /// What the slot's alert asked for was done: it ends, whether anybody acknowledged it or not.
    pub(super) fn close(&mut self, slot: Slot, text: String, at: Stamp, events: &mut Vec<AlertEvent>) {
        let Some(open) = slot.id.and_then(|id| self.alerts.get_mut(&id)) else { return };
        let alert = &mut open.alert;
        if alert.state != AlertState::Returned {
            alert.text = text;
        }
        let id = alert.id;
        self.happen(id, Happening::Gone, at, events);
    }

    /// Another alert explains the slot's one, or does so no more.
    pub(super) fn suppress(&mut self, slot: Slot, is_explained: bool, at: Stamp, events: &mut Vec<AlertEvent>) {
        let Some(open) = slot.id.and_then(|id| self.alerts.get_mut(&id)) else { return };
        let (id, state) = (open.alert.id, open.alert.state);
        match (is_explained, state) {
            (true, _) => {
                self.happen(id, Happening::Suppress, at, events);
            }
            (false, AlertState::Suppressed) => {
                open.alert.state = unsuppressed(&open.alert);
                self.changed.push(open.alert.clone());
            }
            (false, _) => {}
        }
    }

    /// An alert told once more as it stands, to those who asked for it.
    pub(super) fn again(&mut self, id: i64, at: Stamp, events: &mut Vec<AlertEvent>) -> bool {
        let Some(Open { alert, worst }) = self.alerts.get_mut(&id) else { return false };
        if alert.state != AlertState::Unacknowledged {
            return false;
        }
        alert.repeat = alert.repeat.saturating_add(1);
        events.push(AlertEvent { kind: EventKind::RaisedAgain, at, alert: alert.clone(), worst: *worst });
        true
    }

    /// Something that nobody was told of, for the store alone.
    pub(super) fn note(&mut self, alert: Alert) {
        self.changed.push(alert);
    }

    pub(super) fn take_changed(&mut self) -> Vec<Alert> {
        std::mem::take(&mut self.changed)
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
