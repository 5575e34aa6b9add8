//! The morning list: one message a day that tells what stands, what is due, what went by in the
//! night, which probes look odd, and when each messenger last worked.
//!
//! In: the time, the config's time of day, the facts. Out: whether a day's list is to be made now, and
//! the list, as text for people and as JSON for programs. Pure: no clock, no I/O. Left out: where the
//! facts come from, and the sending.

use std::fmt::Write as _;

use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeDelta, TimeZone};
use serde::Serialize;

use super::outbox::{Letterhead, morning_key};
use crate::climate::Stamp;
use crate::climate::stamp::HOUR_MS;
use crate::store::{OutboxItem, Tells};
use crate::watch::view::AlertView;

/// A list that could not be made in time is made up to so long after; then the day is half over, and
/// the next one tells it all.
const LATE_MS: i64 = 6 * HOUR_MS;

/// Lines in each part; a longer list is read on the status page.
const LINES_MAX: usize = 30;

/// What the list tells.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Facts {
    /// Alerts that stand, the worst first; none that only says that something is due.
    pub standing: Vec<AlertView>,
    /// What is due, in words.
    pub due: Vec<String>,
    /// What came and went since the last list.
    pub past: Vec<Past>,
    /// Probes that look odd.
    pub doubtful: Vec<Doubtful>,
    /// The messengers.
    pub messengers: Vec<Worked>,
    /// Since when `past` is told.
    #[serde(skip)]
    pub since: Stamp,
}

/// Something that came and went.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Past {
    /// When it began.
    #[serde(serialize_with = "rfc3339")]
    pub from: Stamp,
    /// When it was over.
    #[serde(serialize_with = "rfc3339")]
    pub to: Stamp,
    /// As an alert's subject.
    pub subject: String,
    /// The watch's word.
    pub watch: &'static str,
    /// The severity's word.
    pub severity: &'static str,
}

/// A probe that looks odd.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Doubtful {
    /// Its name.
    pub probe: String,
    /// silent, stuck, implausible, saturated.
    pub health: &'static str,
}

/// How a messenger has been doing.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Worked {
    /// Its name.
    pub name: String,
    /// When it last accepted something.
    #[serde(serialize_with = "rfc3339_or_null")]
    pub last_accepted_at: Option<Stamp>,
    /// Why it does not work now.
    pub fault: Option<String>,
}

fn rfc3339<S: serde::Serializer>(at: &Stamp, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&at.rfc3339())
}

fn rfc3339_or_null<S: serde::Serializer>(at: &Option<Stamp>, serializer: S) -> Result<S::Ok, S::Error> {
    match at {
        Some(at) => rfc3339(at, serializer),
        None => serializer.serialize_none(),
    }
}

/// The day whose list is to be made at `now`, if any is: the last time the clocks of the site showed
/// `at`, unless that is too long ago. Where they skip `at` in spring the list is made as they jump;
/// where they show it twice in autumn, the first time. Whether it was made already is the caller's
/// to know, by [`key`].
pub fn day_due(now: Stamp, at: NaiveTime, zone: chrono_tz::Tz) -> Option<NaiveDate> {
    let today = now.utc().with_timezone(&zone).date_naive();
    [Some(today), today.checked_sub_days(Days::new(1))].into_iter().flatten().find(|day| {
        let ago = moment(*day, at, zone).map_or(i64::MIN, |moment| now.since(Stamp::from_time(&moment)));
        (0..=LATE_MS).contains(&ago)
    })
}

/// When the clocks of `zone` first show `at` on `day`, or jump over it.
fn moment(day: NaiveDate, at: NaiveTime, zone: chrono_tz::Tz) -> Option<DateTime<chrono_tz::Tz>> {
    // No zone skips more than a day; quarters of an hour meet every jump there was.
    (0..=96).find_map(|quarters| {
        let local = day.and_time(at).checked_add_signed(TimeDelta::minutes(15 * quarters))?;
        zone.from_local_datetime(&local).earliest()
    })
}

/// The idempotency key of the list of `day`: the same for all messengers, over retries and restarts.
pub fn key(site: &str, day: NaiveDate) -> String {
    morning_key(site, day)
}

/// The list of `day` for one messenger.
pub fn item(head: &Letterhead, messenger: &str, facts: &Facts, day: NaiveDate, id: i64, now: Stamp) -> OutboxItem {
    let count = |count: usize, what: &str| format!("{count} {what}");
    let subject = format!(
        "morning list of {day}: {}, {}, {}",
        count(facts.standing.len(), "standing"),
        count(facts.due.len(), "due"),
        count(facts.past.len(), "went by")
    );
    let mut body = serde_json::json!({
        "event": "morning",
        "site": head.site,
        "time": now.rfc3339(),
        "severity": "advice",
        "subject": subject,
        "text": text(head, facts, day),
    });
    if let (Some(object), Ok(serde_json::Value::Object(parts))) = (body.as_object_mut(), serde_json::to_value(facts)) {
        object.extend(parts);
        if let Some(address) = &head.address {
            object.insert("link".to_owned(), format!("{address}/").into());
        }
    }
    OutboxItem {
        id,
        messenger: messenger.to_owned(),
        alert_id: 0,
        event: Tells::Morning,
        body: body.to_string(),
        idempotency_key: key(&head.site, day),
        created_at: now,
        tries: 0,
    }
}

fn text(head: &Letterhead, facts: &Facts, day: NaiveDate) -> String {
    let mut text = format!("{}, {day}\n", head.site);
    let standing: Vec<String> = facts
        .standing
        .iter()
        .map(|alert| {
            let known = if alert.state == "unacknowledged" { "" } else { alert.state };
            let known = if known.is_empty() { String::new() } else { format!(", {known}") };
            format!("{}{known}, since {}: {}", alert.severity, head.local(alert.since), alert.text)
        })
        .collect();
    if standing.is_empty() {
        text.push_str("\nNothing is wrong now.\n");
    } else {
        part(&mut text, "Wrong now", &standing);
    }
    part(&mut text, "Due", &facts.due);
    let past: Vec<String> = facts
        .past
        .iter()
        .map(|past| {
            let (from, to) = (head.local(past.from), head.local(past.to));
            format!("{from} to {to}, {}: {}, {}", past.severity, past.subject, past.watch)
        })
        .collect();
    part(&mut text, &format!("Went by since {}", head.local(facts.since)), &past);
    let doubtful: Vec<String> =
        facts.doubtful.iter().map(|doubtful| format!("{}: {}", doubtful.probe, doubtful.health)).collect();
    part(&mut text, "Doubtful probes", &doubtful);
    let messengers: Vec<String> = facts
        .messengers
        .iter()
        .map(|worked| {
            let last = worked
                .last_accepted_at
                .map_or("has not been used yet".to_owned(), |at| format!("last worked {}", head.local(at)));
            let fault = worked.fault.as_ref().map_or(String::new(), |why| format!("; does not work now: {why}"));
            format!("{}: {last}{fault}", worked.name)
        })
        .collect();
    part(&mut text, "Messengers", &messengers);
    text
}

/// A heading and its lines; nothing where there are none.
fn part(text: &mut String, heading: &str, lines: &[String]) {
    if lines.is_empty() {
        return;
    }
    // Writing to a String cannot fail.
    let _ = writeln!(text, "\n{heading}:");
    for line in lines.iter().take(LINES_MAX) {
        let _ = writeln!(text, "- {}", line.replace(|letter: char| letter.is_control(), " "));
    }
    if lines.len() > LINES_MAX {
        let _ = writeln!(text, "- and {} more", lines.len() - LINES_MAX);
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use chrono_tz::Europe::Lisbon;

    fn at(text: &str) -> Stamp {
        Stamp::from_time(&DateTime::parse_from_rfc3339(text).unwrap())
    }

    fn due(now: &str, time: (u32, u32)) -> Option<String> {
        let time = NaiveTime::from_hms_opt(time.0, time.1, 0).unwrap();
        day_due(at(now), time, Lisbon).map(|day| day.to_string())
    }

    #[test]
    fn a_list_is_due_from_its_time_on_for_some_hours() {
        // Lisbon keeps UTC in winter and UTC+1 in summer; its clocks change at 01:00 UTC (EU directive 2000/84/EC).
        for (now, time, day) in [
            ("2026-11-25T07:29:59Z", (7, 30), None),
            ("2026-11-25T07:30:00Z", (7, 30), Some("2026-11-25")),
            ("2026-11-25T13:30:00Z", (7, 30), Some("2026-11-25")),
            ("2026-11-25T13:30:01Z", (7, 30), None),
            // The day of before, told after midnight.
            ("2026-11-25T01:00:00Z", (23, 0), Some("2026-11-24")),
            // In summer an hour sooner.
            ("2026-07-01T06:30:00Z", (7, 30), Some("2026-07-01")),
            // 29 March 2026: 01:30 does not exist; the list comes as the clocks jump from 01:00 to 02:00.
            ("2026-03-29T00:59:59Z", (1, 30), None),
            ("2026-03-29T01:00:00Z", (1, 30), Some("2026-03-29")),
            // 25 October 2026: 01:30 comes twice; the first counts, and the second names the same day.
            ("2026-10-25T00:30:00Z", (1, 30), Some("2026-10-25")),
            ("2026-10-25T01:30:00Z", (1, 30), Some("2026-10-25")),
        ] {
            assert_eq!(due(now, time).as_deref(), day, "{now} {time:?}");
        }
    }
}
