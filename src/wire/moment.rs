//! A message's own time. In: a field and its unit. Out: a moment, or nothing where it is none.
//! Left out: whether the moment can be true (a clock not set says 1970); that is judged later.

use chrono::DateTime;

use super::fields::Raw;
use super::recipe::TimeUnit;
use crate::climate::Stamp;

/// The last millisecond of the year 9999, the end of what RFC 3339 can write.
const LAST_MS: i64 = 253_402_300_799_999;

/// The moment in `raw`, to the millisecond (nearest). `None` where it cannot be read, or lies before
/// 1970 or after 9999.
pub(super) fn read(raw: Raw<'_>, unit: TimeUnit) -> Option<Stamp> {
    let ms = match (unit, raw) {
        (TimeUnit::Rfc3339, Raw::Text(text)) => DateTime::parse_from_rfc3339(text.trim()).ok()?.timestamp_millis(),
        (TimeUnit::Rfc3339, _) => return None,
        (TimeUnit::Milliseconds, Raw::Text(text)) => match text.trim().parse::<i64>() {
            Ok(ms) => ms,
            Err(_) => whole(text.trim().parse().ok()?)?,
        },
        (TimeUnit::Milliseconds, Raw::Number(ms)) => whole(ms)?,
        (TimeUnit::Seconds, Raw::Text(text)) => whole(text.trim().parse::<f64>().ok()? * 1_000.0)?,
        (TimeUnit::Seconds, Raw::Number(seconds)) => whole(seconds * 1_000.0)?,
        (_, Raw::Other) => return None,
    };
    at(ms)
}

/// The moment `ms` milliseconds after 1970 began, inside the range.
pub(super) fn at(ms: i64) -> Option<Stamp> {
    (0..=LAST_MS).contains(&ms).then_some(Stamp(ms))
}

/// The nearest whole number; `None` for NaN and what is far outside the range.
fn whole(ms: f64) -> Option<i64> {
    (ms.abs() <= LAST_MS as f64).then(|| ms.round() as i64)
}
