//! Whom to tell of an alert, and when: hush hours, `only_after`, `again_every`.
//!
//! In: alert events as they happen, the alerts as they stand, the time. Out: outbox items that are to
//! go now. What has to wait is not put into the outbox: it is derived again at a start from what
//! stands and from what was told. So what waited is told as what it is by then, and an alert that
//! came and went meanwhile is no news. Who was told of an alert is told of its end and of its
//! acknowledgement, by what was really told. Pure: no clock, no I/O. Left out: the sending; the
//! morning list.

use std::collections::BTreeMap;

use super::outbox::Letterhead;
use crate::climate::Stamp;
use crate::config::Plan;
use crate::config::plan::MessengerPlan;
use crate::store::{OutboxItem, ToldLately};
use crate::watch::alert::{Alert, AlertEvent, AlertState, EventKind, Severity, Watch};

/// What one messenger was last told of one alert.
#[derive(Clone, Copy, Debug)]
struct Heard {
    event: EventKind,
    /// When it was last told that it stands.
    raised_at: Stamp,
    /// How often it was told so again without anything new.
    reminders: u32,
    /// The worst it was told.
    severity: Severity,
}

/// One alert that somebody was told of, or may have to be.
#[derive(Clone, Debug)]
struct Followed {
    alert: Alert,
    /// Nobody has acknowledged it since.
    open_since: Stamp,
    /// By the messenger's position.
    heard: Vec<Option<Heard>>,
    /// What is still to be told, by the messenger's position.
    waiting: Vec<Option<EventKind>>,
}

/// The rules of all messengers, and who was told what.
pub struct Teller {
    head: Letterhead,
    messengers: Vec<MessengerPlan>,
    followed: BTreeMap<i64, Followed>,
}

impl Teller {
    /// One that knows what was told before the start. `stands` are the alerts that are open; what
    /// nobody was told of them is told by the same rules as a new one.
    pub fn new(plan: &Plan, lately: &ToldLately) -> Teller {
        let mut teller =
            Teller { head: Letterhead::of(plan), messengers: plan.messengers.clone(), followed: BTreeMap::new() };
        for alert in &lately.alerts {
            let mut followed = teller.follow(alert, alert.since);
            for told in lately.told.iter().filter(|told| told.alert_id == alert.id) {
                let position = teller.messengers.iter().position(|messenger| messenger.name == told.messenger);
                if let Some(position) = position {
                    let heard = &mut followed.heard[position];
                    *heard = Some(after(*heard, told.event, told.at, told.severity));
                }
            }
            for (position, messenger) in teller.messengers.iter().enumerate() {
                followed.waiting[position] = missed(messenger, alert, followed.heard[position]);
            }
            teller.followed.insert(alert.id, followed);
        }
        teller.forget();
        teller
    }

    /// One for a start without a store: what stands was told by the run before, from its memory.
    pub fn without_store(plan: &Plan, stands: impl Iterator<Item = Alert>) -> Teller {
        let mut teller = Teller::new(plan, &ToldLately::default());
        for alert in stands {
            let mut followed = teller.follow(&alert, alert.since);
            for (position, messenger) in teller.messengers.iter().enumerate() {
                if concerns(messenger, &alert) && alert.state != AlertState::Returned {
                    followed.heard[position] = Some(after(None, EventKind::Raised, alert.since, alert.severity));
                }
            }
            teller.followed.insert(alert.id, followed);
        }
        teller
    }

    fn follow(&self, alert: &Alert, open_since: Stamp) -> Followed {
        let count = self.messengers.len();
        Followed { alert: alert.clone(), open_since, heard: vec![None; count], waiting: vec![None; count] }
    }

    /// Takes one event; gives what is to be told of it at once, as it was when it happened. Items take
    /// their numbers from `next_id` upwards.
    pub fn event(&mut self, event: &AlertEvent, now: Stamp, next_id: &mut i64) -> Vec<OutboxItem> {
        let alert = &event.alert;
        let new = self.follow(alert, now);
        let followed = self.followed.entry(alert.id).or_insert(new);
        let raises = is_raise(event.kind);
        if event.kind == EventKind::RaisedAgain && followed.alert.state != AlertState::Unacknowledged {
            followed.open_since = now;
        }
        followed.alert = alert.clone();
        for (position, messenger) in self.messengers.iter().enumerate() {
            let told = followed.heard[position].is_some();
            followed.waiting[position] = if raises { concerns(messenger, alert) } else { told }.then_some(event.kind);
        }
        let items = followed.tell(&self.head, &self.messengers, now, next_id);
        self.forget();
        items
    }

    /// True where [`Teller::due`] may have something: the cheap question of each tick.
    pub fn has_waiting(&self) -> bool {
        self.followed.values().any(|followed| {
            followed.waiting.iter().any(Option::is_some)
                || (followed.alert.severity == Severity::Critical
                    && followed.alert.state == AlertState::Unacknowledged
                    && self.messengers.iter().any(|messenger| messenger.again_every_ms.is_some()))
        })
    }

    /// What is to be told now. `stands` are the alerts as they are; items take their numbers from
    /// `next_id` upwards.
    pub fn due<'a>(
        &mut self,
        now: Stamp,
        stands: impl Iterator<Item = &'a Alert>,
        next_id: &mut i64,
    ) -> Vec<OutboxItem> {
        for alert in stands {
            if let Some(followed) = self.followed.get_mut(&alert.id) {
                followed.alert = alert.clone();
            }
        }
        let mut items = Vec::new();
        for followed in self.followed.values_mut() {
            items.extend(followed.tell(&self.head, &self.messengers, now, next_id));
        }
        self.forget();
        items
    }

    /// Lets go of alerts of which nobody is to be told any more.
    fn forget(&mut self) {
        self.followed.retain(|_, followed| {
            followed.alert.state != AlertState::Ended || followed.waiting.iter().any(Option::is_some)
        });
    }
}

impl Followed {
    /// What is to be told of it at `now`, to each that is not to be left in peace.
    fn tell(
        &mut self,
        head: &Letterhead,
        messengers: &[MessengerPlan],
        now: Stamp,
        next_id: &mut i64,
    ) -> Vec<OutboxItem> {
        let time = now.utc().with_timezone(&head.timezone).time();
        let mut items = Vec::new();
        for (position, messenger) in messengers.iter().enumerate() {
            let Some((kind, reminder)) = self.news(position, messenger, now) else { continue };
            let worth = self.heard[position].map_or(self.alert.severity, |heard| {
                if is_raise(kind) { self.alert.severity } else { heard.severity.max(self.alert.severity) }
            });
            if messenger.hush.is_some_and(|hush| hush.holds(time, worth)) {
                continue;
            }
            let event = AlertEvent { kind, at: now, alert: self.alert.clone(), worst: worth };
            items.push(head.item(&messenger.name, &event, reminder, *next_id, now));
            *next_id += 1;
            let mut heard = after(self.heard[position], kind, now, self.alert.severity);
            heard.reminders = reminder;
            self.heard[position] = Some(heard);
            self.waiting[position] = None;
        }
        items
    }

    /// What `messenger` is to be told at `now` but for its hush, and the number of the reminder.
    fn news(&mut self, position: usize, messenger: &MessengerPlan, now: Stamp) -> Option<(EventKind, u32)> {
        let heard = self.heard[position];
        let stands = self.alert.state == AlertState::Unacknowledged && self.alert.severity >= messenger.at_least;
        match self.waiting[position] {
            Some(kind) if !is_raise(kind) => Some((kind, 0)),
            // Put aside for a while, by somebody or by another alert that explains it.
            Some(_) if matches!(self.alert.state, AlertState::Shelved | AlertState::Suppressed) => None,
            Some(_) if !stands => {
                // Somebody knows, or it is over: no news any more.
                self.waiting[position] = None;
                None
            }
            Some(kind) => {
                let wait = messenger.only_after_ms.unwrap_or(0);
                (now.since(self.open_since) >= wait).then_some((kind, 0))
            }
            None => {
                let (every, heard) = (messenger.again_every_ms?, heard?);
                let again = stands && self.alert.severity == Severity::Critical && is_raise(heard.event);
                let is_time = now.since(heard.raised_at) >= every;
                (again && is_time).then(|| (EventKind::RaisedAgain, heard.reminders + 1))
            }
        }
    }
}

fn is_raise(kind: EventKind) -> bool {
    matches!(kind, EventKind::Raised | EventKind::RaisedAgain)
}

/// Whether `messenger` is to be told that `alert` stands.
fn concerns(messenger: &MessengerPlan, alert: &Alert) -> bool {
    alert.severity >= messenger.at_least && !is_about(alert, messenger)
}

/// Nobody is told by a messenger that it does not work.
fn is_about(alert: &Alert, messenger: &MessengerPlan) -> bool {
    alert.watch == Watch::MessengerFailing && alert.subject.strip_prefix("messenger ") == Some(messenger.name.as_str())
}

/// What a messenger has heard after one more event.
fn after(heard: Option<Heard>, event: EventKind, at: Stamp, severity: Severity) -> Heard {
    let before = heard.unwrap_or(Heard { event, raised_at: at, reminders: 0, severity });
    if is_raise(event) {
        // Counted on over a restart, so that no reminder takes the number of another.
        let again = is_raise(before.event) && event == EventKind::RaisedAgain;
        let reminders = if again { before.reminders + 1 } else { 0 };
        Heard { event, raised_at: at, reminders, severity: severity.max(before.severity) }
    } else {
        Heard { event, ..before }
    }
}

/// What `messenger` was not told of an alert before the start.
fn missed(messenger: &MessengerPlan, alert: &Alert, heard: Option<Heard>) -> Option<EventKind> {
    let returned_last = alert.returned_at > alert.acknowledged_at;
    let over = if returned_last { EventKind::Returned } else { EventKind::Acknowledged };
    let told_raised = heard.is_some_and(|heard| is_raise(heard.event));
    match alert.state {
        AlertState::Unacknowledged | AlertState::Suppressed => {
            let knows = told_raised && heard.is_some_and(|heard| heard.severity >= alert.severity);
            let kind = if alert.repeat == 0 && heard.is_none() { EventKind::Raised } else { EventKind::RaisedAgain };
            (!knows && concerns(messenger, alert)).then_some(kind)
        }
        AlertState::Acknowledged => told_raised.then_some(EventKind::Acknowledged),
        AlertState::Returned => told_raised.then_some(EventKind::Returned),
        AlertState::Ended => {
            let heard = heard?;
            (is_raise(heard.event) || (heard.event != over && !returned_or(heard.event, over))).then_some(over)
        }
        // It is raised again when its while is over.
        AlertState::Shelved => None,
    }
}

/// A messenger that heard of the return needs no word of the acknowledgement that ended it.
fn returned_or(heard: EventKind, over: EventKind) -> bool {
    heard == EventKind::Returned && over == EventKind::Acknowledged
}
