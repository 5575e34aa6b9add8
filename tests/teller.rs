//! Whom to tell and when: the rules on a clock that is moved by hand, restarts included.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveTime};
use serde_json::Value;
use tubwatch::climate::Stamp;
use tubwatch::config::plan::{Hush, MessengerPlan, Plan, Secret, Way};
use tubwatch::deliver::Teller;
use tubwatch::store::{OutboxItem, Tells, Told, ToldLately};
use tubwatch::watch::alert::{Alert, AlertEvent, AlertState, EventKind, Severity, Watch};
use tubwatch::watch::life::{Happening, apply};

const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;

fn at(text: &str) -> Stamp {
    Stamp::from_time(&DateTime::parse_from_rfc3339(text).unwrap())
}

fn messenger(name: &str, at_least: Severity) -> MessengerPlan {
    let way = Way::Webhook { url: Secret("http://127.0.0.1/".to_owned()), headers: Vec::new(), body: None };
    MessengerPlan::plain(name, at_least, way)
}

fn night() -> Hush {
    let time = |hour| NaiveTime::from_hms_opt(hour, 0, 0).unwrap();
    Hush { from: time(22), to: time(7), unless: Severity::Critical }
}

/// A keeper's book in small, a teller, and an outbox that remembers.
struct Night {
    plan: Plan,
    teller: Teller,
    alerts: BTreeMap<i64, Alert>,
    told: Vec<Told>,
    keys: Vec<String>,
    next_id: i64,
    now: Stamp,
}

impl Night {
    /// In Lisbon, where winter's clocks show UTC.
    fn new(messengers: &[MessengerPlan], now: &str) -> Night {
        let mut plan = harness::plan(Vec::new(), Vec::new(), Vec::new());
        plan.timezone = chrono_tz::Europe::Lisbon;
        plan.messengers = messengers.to_vec();
        plan.status.address = Some("http://192.0.2.7:8750".to_owned());
        let teller = Teller::new(&plan, &ToldLately::default());
        Night { plan, teller, alerts: BTreeMap::new(), told: Vec::new(), keys: Vec::new(), next_id: 1, now: at(now) }
    }

    fn raise(&mut self, id: i64, severity: Severity) -> Vec<String> {
        let alert = Alert {
            id,
            subject: format!("tub A{id}"),
            watch: Watch::CoreTemperature,
            severity,
            state: AlertState::Unacknowledged,
            since: self.now,
            first_at: self.now,
            value: None,
            limit: None,
            text: "Hot.".to_owned(),
            returned_at: None,
            acknowledged_at: None,
            ended_at: None,
            repeat: 0,
        };
        self.alerts.insert(id, alert.clone());
        self.event(EventKind::Raised, alert)
    }

    fn happen(&mut self, id: i64, happening: Happening) -> Vec<String> {
        let mut alert = self.alerts[&id].clone();
        if happening == Happening::Worse {
            alert.severity = Severity::Critical;
        }
        let kind = apply(&mut alert, happening, self.now);
        self.alerts.insert(id, alert.clone());
        kind.map_or_else(Vec::new, |kind| self.event(kind, alert))
    }

    fn event(&mut self, kind: EventKind, alert: Alert) -> Vec<String> {
        let event = AlertEvent { kind, at: self.now, worst: alert.severity, alert };
        let items = self.teller.event(&event, self.now, &mut self.next_id);
        let told = items.into_iter().map(|item| self.take(item)).collect();
        assert!(self.look().is_empty(), "what is to be told of an event is told with it");
        told
    }

    /// What is told now: `messenger event id`.
    fn look(&mut self) -> Vec<String> {
        let open = self.alerts.values().filter(|alert| alert.state != AlertState::Ended);
        let had = self.teller.has_waiting();
        let items = self.teller.due(self.now, open, &mut self.next_id);
        assert!(had || items.is_empty(), "the cheap question says no, but there was something");
        items.into_iter().map(|item| self.take(item)).collect()
    }

    fn take(&mut self, item: OutboxItem) -> String {
        let Tells::Event(event) = item.event else { panic!("{item:?}") };
        let body: Value = serde_json::from_str(&item.body).unwrap();
        assert_eq!(body["link"], format!("http://192.0.2.7:8750/alert/{}", item.alert_id));
        assert_eq!(body["event"], event.word());
        let severity = Severity::from_word(body["severity"].as_str().unwrap()).unwrap();
        let line = format!("{} {} {}", item.messenger, event.word(), item.alert_id);
        let key = format!("{} {}", item.messenger, item.idempotency_key);
        assert!(!self.keys.contains(&key), "the same key twice: {key}");
        self.keys.push(key);
        self.told.push(Told { messenger: item.messenger, alert_id: item.alert_id, event, at: self.now, severity });
        line
    }

    fn later(&mut self, ms: i64) -> Vec<String> {
        self.now = self.now.plus(ms);
        self.look()
    }

    /// The daemon ends and starts again on its store.
    fn restart(&mut self) -> Vec<String> {
        let lately = ToldLately {
            alerts: self.alerts.values().cloned().collect(),
            told: self.told.clone(),
            ..ToldLately::default()
        };
        self.teller = Teller::new(&self.plan, &lately);
        self.look()
    }
}

#[test]
fn each_is_told_what_reaches_it_and_of_the_end_of_what_it_was_told() {
    use Severity::{Advice, Critical, Warning};
    let all = [messenger("all", Advice), messenger("phone", Warning), messenger("bed", Critical)];
    let mut night = Night::new(&all, "2026-11-25T12:00:00Z");
    assert_eq!(night.raise(1, Advice), ["all raised 1"]);
    assert_eq!(night.raise(2, Warning), ["all raised 2", "phone raised 2"]);
    assert_eq!(night.happen(2, Happening::Worse), ["all raised-again 2", "phone raised-again 2", "bed raised-again 2"]);
    // It has become milder, but those who were told of it are told of its end.
    night.alerts.get_mut(&2).unwrap().severity = Advice;
    assert_eq!(night.happen(2, Happening::Over), ["all returned 2", "phone returned 2", "bed returned 2"]);
    assert_eq!(night.happen(2, Happening::Acknowledge).len(), 3);
    assert_eq!(night.happen(1, Happening::Acknowledge), ["all acknowledged 1"]);
    assert_eq!(night.happen(1, Happening::Over), ["all returned 1"]);
    assert!(night.restart().is_empty());
    assert!(!night.teller.has_waiting());
}

#[test]
fn what_is_hushed_waits_and_is_told_as_what_it_is_by_then() {
    let phone = MessengerPlan { hush: Some(night()), ..messenger("phone", Severity::Warning) };
    let mut night = Night::new(&[phone], "2026-11-24T21:50:00Z");
    assert_eq!(night.raise(1, Severity::Warning), ["phone raised 1"], "before the quiet hours");
    night.later(20 * MINUTE);
    assert!(night.happen(1, Happening::Over).is_empty(), "a warning's end does not wake anybody");
    assert!(night.raise(2, Severity::Warning).is_empty());
    assert!(night.raise(3, Severity::Warning).is_empty());
    assert!(night.raise(4, Severity::Warning).is_empty());
    assert_eq!(night.raise(5, Severity::Critical), ["phone raised 5"]);
    assert_eq!(night.happen(5, Happening::Over), ["phone returned 5"]);
    assert!(night.later(3 * HOUR).is_empty());
    assert!(night.happen(3, Happening::Over).is_empty(), "it came and went in the night");
    assert!(night.happen(4, Happening::Acknowledge).is_empty(), "somebody saw it on the page");
    // A restart in the night neither tells nor forgets.
    assert!(night.restart().is_empty());
    night.now = at("2026-11-25T06:59:59Z");
    assert!(night.look().is_empty());
    assert_eq!(night.later(1_000), ["phone returned 1", "phone raised 2"]);
    assert!(night.later(HOUR).is_empty());
    assert!(night.restart().is_empty());
}

#[test]
fn what_gets_worse_at_night_is_told_at_once() {
    let phone = MessengerPlan { hush: Some(night()), ..messenger("phone", Severity::Warning) };
    let mut night = Night::new(&[phone], "2026-11-24T23:00:00Z");
    assert!(night.raise(1, Severity::Warning).is_empty());
    night.later(MINUTE);
    assert_eq!(night.happen(1, Happening::Worse), ["phone raised-again 1"]);
}

#[test]
fn critical_ones_are_told_again_until_acknowledged_each_with_its_own_key() {
    let phone = MessengerPlan { again_every_ms: Some(HOUR), ..messenger("phone", Severity::Warning) };
    let mut night = Night::new(&[phone], "2026-11-25T02:00:00Z");
    assert_eq!(night.raise(1, Severity::Critical), ["phone raised 1"]);
    assert_eq!(night.raise(2, Severity::Warning), ["phone raised 2"]);
    assert!(night.later(HOUR - 1).is_empty());
    assert_eq!(night.later(1), ["phone raised-again 1"]);
    assert!(night.restart().is_empty());
    assert!(night.later(HOUR - 1).is_empty());
    assert_eq!(night.later(1), ["phone raised-again 1"], "counted on over a restart");
    assert_eq!(night.happen(1, Happening::Over), ["phone returned 1"]);
    assert!(night.later(2 * HOUR).is_empty(), "what is over is not repeated");
    assert_eq!(night.happen(1, Happening::Stands), ["phone raised-again 1"]);
    assert_eq!(night.later(HOUR), ["phone raised-again 1"]);
    assert_eq!(night.happen(1, Happening::Acknowledge), ["phone acknowledged 1"]);
    assert!(night.later(9 * HOUR).is_empty());
}

#[test]
fn a_second_messenger_is_used_for_what_nobody_has_acknowledged_by_then() {
    let neighbour = MessengerPlan { only_after_ms: Some(20 * MINUTE), ..messenger("neighbour", Severity::Critical) };
    let mut night = Night::new(&[messenger("phone", Severity::Warning), neighbour], "2026-11-25T02:00:00Z");
    assert_eq!(night.raise(1, Severity::Critical), ["phone raised 1"]);
    assert_eq!(night.raise(2, Severity::Critical), ["phone raised 2"]);
    assert_eq!(night.raise(3, Severity::Critical), ["phone raised 3"]);
    night.later(10 * MINUTE);
    assert_eq!(night.happen(2, Happening::Acknowledge), ["phone acknowledged 2"]);
    assert_eq!(night.happen(3, Happening::Over), ["phone returned 3"]);
    assert!(night.restart().is_empty());
    assert!(night.later(10 * MINUTE - 1).is_empty());
    assert_eq!(night.later(1), ["neighbour raised 1"]);
    assert_eq!(night.happen(1, Happening::Acknowledge), ["phone acknowledged 1", "neighbour acknowledged 1"]);
}

#[test]
fn a_crash_between_the_change_and_the_telling_loses_no_word() {
    let mut night = Night::new(&[messenger("phone", Severity::Warning)], "2026-11-25T12:00:00Z");
    night.raise(1, Severity::Warning);
    night.raise(2, Severity::Warning);
    // The store has the change, the outbox does not.
    for (id, happening) in [(1, Happening::Over), (2, Happening::Acknowledge)] {
        apply(night.alerts.get_mut(&id).unwrap(), happening, night.now.plus(1));
    }
    assert_eq!(night.restart(), ["phone returned 1", "phone acknowledged 2"]);
    assert!(night.restart().is_empty());
}

#[test]
fn what_another_alert_explains_is_told_when_that_one_no_longer_does() {
    let phone = MessengerPlan { hush: Some(night()), ..messenger("phone", Severity::Warning) };
    let mut night = Night::new(&[phone], "2026-11-25T06:00:00Z");
    assert!(night.raise(1, Severity::Warning).is_empty());
    night.alerts.get_mut(&1).unwrap().state = AlertState::Suppressed;
    assert!(night.later(2 * HOUR).is_empty());
    assert!(night.restart().is_empty());
    night.alerts.get_mut(&1).unwrap().state = AlertState::Unacknowledged;
    assert_eq!(night.later(MINUTE), ["phone raised 1"]);
}

#[test]
fn nobody_is_told_by_a_messenger_that_it_does_not_work() {
    let two = [messenger("phone", Severity::Warning), messenger("post", Severity::Warning)];
    let mut night = Night::new(&two, "2026-11-25T12:00:00Z");
    let mut alert = Alert { watch: Watch::MessengerFailing, subject: "messenger phone".to_owned(), ..night_alert() };
    alert.since = night.now;
    night.alerts.insert(9, alert.clone());
    assert_eq!(night.event(EventKind::Raised, alert), ["post raised 9"]);
    assert_eq!(night.happen(9, Happening::Over), ["post returned 9"]);
}

fn night_alert() -> Alert {
    Alert {
        id: 9,
        subject: String::new(),
        watch: Watch::Store,
        severity: Severity::Warning,
        state: AlertState::Unacknowledged,
        since: Stamp(0),
        first_at: Stamp(0),
        value: None,
        limit: None,
        text: "It does not work.".to_owned(),
        returned_at: None,
        acknowledged_at: None,
        ended_at: None,
        repeat: 0,
    }
}

#[test]
fn quiet_hours_hold_over_a_change_of_the_clocks() {
    // 29 March 2026: Lisbon's clocks jump from 01:00 to 02:00, so 07:00 is 06:00 UTC (directive 2000/84/EC).
    let phone = MessengerPlan { hush: Some(night()), ..messenger("phone", Severity::Warning) };
    let mut night = Night::new(&[phone], "2026-03-29T00:30:00Z");
    assert!(night.raise(1, Severity::Warning).is_empty());
    night.now = at("2026-03-29T05:59:59Z");
    assert!(night.look().is_empty());
    assert_eq!(night.later(1_000), ["phone raised 1"]);
}
