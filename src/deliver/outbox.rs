//! What happened to an alert, as messages for the messengers.
//!
//! In: an [`AlertEvent`], the messengers, the site. Out: one [`OutboxItem`] for each messenger that
//! is to be told. Pure: no clock, no I/O. Left out: the sending.

use std::fmt::Write as _;

use serde::Serialize;

use crate::climate::Stamp;
use crate::config::plan::MessengerPlan;
use crate::store::OutboxItem;
use crate::watch::alert::{AlertEvent, Severity};
use crate::watch::view::AlertView;

/// The longest idempotency key: receivers commonly store 255 characters (common practice, no source).
const KEY_CHARS_MAX: usize = 200;

/// The body of a message: the alert as the contract has it, and what happened to it.
#[derive(Serialize)]
struct Body {
    #[serde(flatten)]
    alert: AlertView,
    event: &'static str,
}

/// The messages that tell `event`: one for each messenger whose `at_least` the alert's severity
/// reaches. A return or an acknowledgement goes to all that could have been told of the worst since
/// it was raised. Takes their numbers from `next_id` upwards.
pub fn items(
    event: &AlertEvent,
    site: &str,
    messengers: &[MessengerPlan],
    next_id: &mut i64,
    created_at: Stamp,
) -> Vec<OutboxItem> {
    let told = messengers.iter().filter(|messenger| event.worst >= messenger.at_least);
    told.map(|messenger| {
        let id = *next_id;
        *next_id += 1;
        OutboxItem {
            id,
            messenger: messenger.name.clone(),
            alert_id: event.alert.id,
            event: event.kind,
            body: body(AlertView::of(&event.alert), event.kind.word()),
            idempotency_key: idempotency_key(site, event),
            created_at,
            tries: 0,
        }
    })
    .collect()
}

/// Names one event of one alert: the same over retries, restarts, and a second judging of the same
/// samples. Made from site, subject, watch, time of the first offending sample, event and repeat
/// number; at most 200 characters, none but letters, digits and `-._~:%/`.
pub fn idempotency_key(site: &str, event: &AlertEvent) -> String {
    let alert = &event.alert;
    let first_at = alert.first_at.rfc3339_exact();
    let repeat = alert.repeat.to_string();
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
    body(alert, "trial")
}

/// The key of a trial made at `at`.
pub(super) fn trial_key(site: &str, at: Stamp) -> String {
    shortened([site, "trial", &at.rfc3339_exact()].map(plain).join("/"))
}

fn body(alert: AlertView, event: &'static str) -> String {
    serde_json::to_string(&Body { alert, event }).expect("an alert is a plain object with text keys")
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
