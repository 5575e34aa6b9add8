//! Who has signed in: a signed cookie, and the token inside every form.
//!
//! In: the site's token, a moment. Out: a cookie that holds for [`LASTS_S`] and survives a restart,
//! and a form token that only a page of ours can know. Both are made from the token by HMAC-SHA-256
//! (RFC 2104, FIPS 180-4), so that a new token ends every session and nothing is kept in memory.
//! Left out: the headers around them (`guard`), and how often one may try (`Tries`, below, counts).

use std::collections::VecDeque;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use ring::hmac;

use crate::config::plan::Secret;

/// The cookie's name.
pub(super) const COOKIE: &str = "tubwatch-session";
/// So long a session holds, seconds: a phone in the shed is signed in once a season.
pub(super) const LASTS_S: i64 = 90 * 86_400;
/// Wrong tokens that are answered within [`TRIES_WITHIN`]; a slip or two, never a search.
const TRIES_MAX: usize = 10;
/// See [`TRIES_MAX`].
const TRIES_WITHIN: Duration = Duration::from_secs(60);

fn key(token: &Secret) -> hmac::Key {
    hmac::Key::new(hmac::HMAC_SHA256, token.0.as_bytes())
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn unhex(text: &str) -> Option<Vec<u8>> {
    if !text.len().is_multiple_of(2) || !text.is_ascii() {
        return None;
    }
    (0..text.len()).step_by(2).map(|at| u8::from_str_radix(&text[at..at + 2], 16).ok()).collect()
}

/// A new session's cookie value, from `now_s` on (seconds since 1970).
pub(super) fn begin(token: &Secret, now_s: i64) -> String {
    let body = format!("{}.{:032x}", now_s.saturating_add(LASTS_S), rand::random::<u128>());
    let mark = hmac::sign(&key(token), format!("session:{body}").as_bytes());
    format!("{body}.{}", hex(mark.as_ref()))
}

/// Whether `cookie` is a session of this token that has not run out.
pub(super) fn holds(token: &Secret, cookie: &str, now_s: i64) -> bool {
    let Some((body, mark)) = cookie.rsplit_once('.') else { return false };
    let (Some(mark), Some((until, _))) = (unhex(mark), body.split_once('.')) else { return false };
    !token.0.is_empty()
        && until.parse::<i64>().is_ok_and(|until| until > now_s)
        && hmac::verify(&key(token), format!("session:{body}").as_bytes(), &mark).is_ok()
}

/// What a form of this session carries.
pub(super) fn form_token(token: &Secret, cookie: &str) -> String {
    hex(hmac::sign(&key(token), format!("form:{cookie}").as_bytes()).as_ref())
}

/// Whether `shown` is what a form of this session carries.
pub(super) fn is_form_token(token: &Secret, cookie: &str, shown: &str) -> bool {
    let Some(mark) = unhex(shown) else { return false };
    hmac::verify(&key(token), format!("form:{cookie}").as_bytes(), &mark).is_ok()
}

/// Wrong tokens of late.
#[derive(Debug, Default)]
pub(super) struct Tries(Mutex<VecDeque<Instant>>);

impl Tries {
    /// Whether one more may be tried at `now`.
    pub(super) fn may(&self, now: Instant) -> bool {
        let Ok(mut tries) = self.0.lock() else { return false };
        while tries.front().is_some_and(|first| now.duration_since(*first) > TRIES_WITHIN) {
            tries.pop_front();
        }
        tries.len() < TRIES_MAX
    }

    /// One was wrong.
    pub(super) fn failed(&self, now: Instant) {
        if let Ok(mut tries) = self.0.lock() {
            tries.push_back(now);
            if tries.len() > TRIES_MAX {
                tries.pop_front();
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_session_holds_for_its_token_and_its_time_alone() {
        let (token, other) = (Secret("correct".to_owned()), Secret("another".to_owned()));
        let cookie = begin(&token, 1_000);
        assert!(holds(&token, &cookie, 1_000) && holds(&token, &cookie, 999 + LASTS_S));
        assert!(!holds(&token, &cookie, 1_000 + LASTS_S), "it has run out");
        assert!(!holds(&other, &cookie, 1_000), "a new token ends it");
        assert!(!holds(&Secret(String::new()), &begin(&Secret(String::new()), 1_000), 1_000), "an empty token");
        let longer = cookie.replacen(&(1_000 + LASTS_S).to_string(), &(9_000 + LASTS_S).to_string(), 1);
        for forged in [longer.as_str(), "", ".", "..", "9999999999.ff.", "9999999999.ff.0g", "a.b.\u{e4}\u{e4}"] {
            assert!(!holds(&token, forged, 1_000), "{forged}");
        }
    }

    #[test]
    fn a_form_token_is_its_session_s_alone() {
        let token = Secret("correct".to_owned());
        let (mine, yours) = (begin(&token, 0), begin(&token, 0));
        assert!(is_form_token(&token, &mine, &form_token(&token, &mine)));
        assert!(!is_form_token(&token, &mine, &form_token(&token, &yours)));
        assert!(!is_form_token(&token, &mine, "") && !is_form_token(&token, &mine, "zz"));
    }

    #[test]
    fn tries_are_bounded_and_come_back() {
        let (tries, now) = (Tries::default(), Instant::now());
        for _ in 0..TRIES_MAX {
            assert!(tries.may(now));
            tries.failed(now);
        }
        assert!(!tries.may(now));
        assert!(tries.may(now + TRIES_WITHIN + Duration::from_secs(1)));
    }
}
