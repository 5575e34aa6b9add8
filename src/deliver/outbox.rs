//! What happened to an alert, as messages for the messengers.
//!
//! In: an [`AlertEvent`] and who is told. Out: an [`OutboxItem`], its key, and what it becomes when it
//! is told late. Pure: no clock, no I/O. Left out: whom to tell and when (`teller`), the sending.

use std::fmt::Write as _;

use chrono::DateTime;
use serde::Serialize;

use crate::climate::Stamp;
use crate::config::Plan;
use crate::store::{OutboxItem, Tells};
use crate::watch::alert::{Alert, AlertEvent, EventKind, Severity};
use crate::watch::view::AlertView;

/// The longest idempotency key: receivers commonly store 255 characters (common practice, no source).
const KEY_CHARS_MAX: usize = 200;

/// The body of a message: the alert as the contract has it, what happened to it, and where it can be
/// acknowledged.
#[derive(Serialize)]
struct Body {
    #[serde(flatten)]
    alert: AlertView,
    event: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    link: Option<String>,
}

/// What every message of a site has in common.
#[derive(Clone, Debug)]
pub struct Letterhead {
    /// The site's name.
    pub site: String,
    /// Its zone: times in texts are local.
    pub timezone: chrono_tz::Tz,
    /// Where the status page is reached, without a slash at its end.
    pub address: Option<String>,
}

impl Letterhead {
    /// The one of `plan`.
    pub fn of(plan: &Plan) -> Letterhead {
        Letterhead { site: plan.site.clone(), timezone: plan.timezone, address: plan.status.address.clone() }
    }

    /// The page where an alert can be acknowledged.
    fn link(&self, alert: i64) -> Option<String> {
        self.address.as_ref().map(|address| format!("{address}/alert/{alert}"))
    }

    /// `at` as people at the site say it.
    pub fn local(&self, at: Stamp) -> String {
        at.utc().with_timezone(&self.timezone).format("%Y-%m-%d %H:%M").to_string()
    }

    /// The message that tells `event`; `reminder` counts the times it was told again unchanged.
    pub(super) fn item(&self, messenger: &str, event: &AlertEvent, reminder: u32, id: i64, now: Stamp) -> OutboxItem {
        let link = self.link(event.alert.id);
        OutboxItem {
            id,
            messenger: messenger.to_owned(),
            alert_id: event.alert.id,
            event: event.kind.into(),
            body: body(AlertView::of(&event.alert), event.kind.word(), link),
            idempotency_key: key(&self.site, event, reminder),
            created_at: now,
            tries: 0,
        }
    }

    /// What stands of an alert, for whoever looks later.
    pub(super) fn standing(&self, alert: &Alert) -> String {
        let view = AlertView::of(alert);
        let mut value = serde_json::to_value(&view).unwrap_or_default();
        if let (Some(link), Some(object)) = (self.link(alert.id), value.as_object_mut()) {
            object.insert("link".to_owned(), link.into());
        }
        value.to_string()
    }
}

/// `body` for a message that could not be told in time: its text begins with when it all was.
/// `at` is when what it tells happened. A body that is no alert stays as it is.
pub(super) fn told_late(body: &str, head: &Letterhead, tells: Tells, at: Stamp) -> String {
    let Ok(mut value) = serde_json::from_str::<serde_json::Value>(body) else { return body.to_owned() };
    let raised = value["since"].as_str().and_then(|since| DateTime::parse_from_rfc3339(since).ok());
    let raised = raised.map_or_else(String::new, |at| head.local(Stamp::from_time(&at)));
    let when = match tells {
        Tells::Event(EventKind::Returned) => format!("over since {}", head.local(at)),
        Tells::Event(EventKind::Acknowledged) => format!("acknowledged at {}", head.local(at)),
        Tells::Event(EventKind::Raised | EventKind::RaisedAgain) => "not told until now".to_owned(),
        Tells::Morning => return body.to_owned(),
    };
    let text = format!("Was raised at {raised}, {when}. {}", value["text"].as_str().unwrap_or(""));
    if let Some(place) = value.get_mut("text") {
        *place = text.into();
    }
    value.to_string()
}

/// Names one event of one alert: the same over retries, restarts, and a second judging of the same
/// samples. Made from site, subject, watch, time of the first offending sample, event and repeat
/// number; at most 200 characters, none but letters, digits and `-._~:%/`.
pub fn idempotency_key(site: &str, event: &AlertEvent) -> String {
    key(site, event, 0)
}

/// As [`idempotency_key`]; a reminder has a number of its own behind the repeat number.
fn key(site: &str, event: &AlertEvent, reminder: u32) -> String {
    let alert = &event.alert;
    let first_at = alert.first_at.rfc3339_exact();
    let repeat = if reminder == 0 { alert.repeat.to_string() } else { format!("{}.{reminder}", alert.repeat) };
    let parts = [site, &alert.subject, alert.watch.word(), &first_at, event.kind.word(), &repeat];
    shortened(parts.map(plain).join("/"))
}

/// The body of a trial: nothing is wrong, in the shape of an alert.
pub(super) fn trial_body(at: Stamp) -> String {
    let alert = AlertView {
        id: 0,
        subject: "trial".to_owned(),
        watch: "trial",
        severity: Severity::Advice.word(),
        state: "unacknowledged",
        since: at,
        value: None,
        limit: None,
        text: "Trial: nothing is wrong.".to_owned(),
    };
    body(alert, "trial", None)
}

/// The key of the morning list of `day`.
pub(super) fn morning_key(site: &str, day: chrono::NaiveDate) -> String {
    shortened([site, "morning", &day.to_string()].map(plain).join("/"))
}

/// A short name for a key, where its letters would not do.
pub(super) fn digest(key: &str) -> String {
    format!("{:032x}", fnv1a_128(key.as_bytes()))
}

/// The key of a trial made at `at`.
pub(super) fn trial_key(site: &str, at: Stamp) -> String {
    shortened([site, "trial", &at.rfc3339_exact()].map(plain).join("/"))
}

fn body(alert: AlertView, event: &'static str, link: Option<String>) -> String {
    serde_json::to_string(&Body { alert, event, link }).expect("an alert is a plain object with text keys")
}

/// `text` in unreserved characters and colons, the rest by percent (RFC 3986), so that a slash
/// between two texts is never part of one.
fn plain(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~:".contains(&byte) {
            plain.push(char::from(byte));
        } else {
            // Writing to a String cannot fail.
            let _ = write!(plain, "%{byte:02X}");
        }
    }
    plain
}

/// A key that is too long keeps its beginning and ends with a hash of the whole.
fn shortened(key: String) -> String {
    if key.len() <= KEY_CHARS_MAX {
        return key;
    }
    let hash = format!("~{:032x}", fnv1a_128(key.as_bytes()));
    format!("{}{hash}", &key[..KEY_CHARS_MAX - hash.len()])
}

/// FNV-1a with 128 bits: stable over releases, which the standard library's hasher is not.
/// Source: draft-eastlake-fnv, section 5 (offset basis and prime); values from memory, checked by
/// the published hash of the empty text and of "a".
fn fnv1a_128(bytes: &[u8]) -> u128 {
    const BASIS: u128 = 0x6c62_272e_07bb_0142_62b8_2175_6295_c58d;
    const PRIME: u128 = 0x0000_0000_0100_0000_0000_0000_0000_013b;
    bytes.iter().fold(BASIS, |hash, byte| (hash ^ u128::from(*byte)).wrapping_mul(PRIME))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hash_is_the_published_one() {
        // draft-eastlake-fnv, appendix of test values (from memory): FNV-1a 128 of "" and "a".
        assert_eq!(fnv1a_128(b""), 0x6c62_272e_07bb_0142_62b8_2175_6295_c58d);
        assert_eq!(fnv1a_128(b"a"), 0xd228_cb69_6f1a_8caf_7891_2b70_4e4a_8964);
    }

    #[test]
    fn long_keys_stay_apart_and_safe() {
        let (one, other) = (shortened("x".repeat(999)), shortened("x".repeat(1000)));
        assert_eq!((one.len(), other.len()), (KEY_CHARS_MAX, KEY_CHARS_MAX));
        assert_ne!(one, other);
        assert_eq!(plain("tub A/1\r\nß"), "tub%20A%2F1%0D%0A%C3%9F");
    }
}
