//! A moment: milliseconds since 1970-01-01T00:00:00Z, the resolution samples are stored in.

use chrono::{DateTime, SecondsFormat, Utc};

/// A moment in UTC, in whole milliseconds since the Unix epoch.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Stamp(pub i64);

/// One second in milliseconds.
pub const SECOND_MS: i64 = 1_000;
/// One minute in milliseconds.
pub const MINUTE_MS: i64 = 60 * SECOND_MS;
/// One hour in milliseconds.
pub const HOUR_MS: i64 = 60 * MINUTE_MS;
/// Twenty-four hours in milliseconds.
pub const DAY_MS: i64 = 24 * HOUR_MS;

impl Stamp {
    /// Milliseconds from `earlier` to `self`; negative when `earlier` is later. Saturates.
    pub fn since(self, earlier: Stamp) -> i64 {
        self.0.saturating_sub(earlier.0)
    }

    /// Hours from `earlier` to `self`.
    pub fn hours_since(self, earlier: Stamp) -> f64 {
        self.since(earlier) as f64 / HOUR_MS as f64
    }

    /// The moment `ms` milliseconds later (earlier when negative). Saturates.
    #[must_use]
    pub fn plus(self, ms: i64) -> Stamp {
        Stamp(self.0.saturating_add(ms))
    }

    /// As a chrono time; the epoch's ends stand in for what chrono cannot hold.
    pub fn utc(self) -> DateTime<Utc> {
        DateTime::from_timestamp_millis(self.0).unwrap_or(if self.0 < 0 {
            DateTime::<Utc>::MIN_UTC
        } else {
            DateTime::<Utc>::MAX_UTC
        })
    }

    /// From a chrono time of any zone, cut to milliseconds.
    pub fn from_time<Tz: chrono::TimeZone>(time: &DateTime<Tz>) -> Stamp {
        Stamp(time.timestamp_millis())
    }

    /// RFC 3339 in UTC to the second: `2026-11-25T06:00:00Z`.
    pub fn rfc3339(self) -> String {
        self.utc().to_rfc3339_opts(SecondsFormat::Secs, true)
    }

    /// RFC 3339 in UTC, with milliseconds only where there are any.
    pub fn rfc3339_exact(self) -> String {
        let format = if self.0.rem_euclid(SECOND_MS) == 0 { SecondsFormat::Secs } else { SecondsFormat::Millis };
        self.utc().to_rfc3339_opts(format, true)
    }
}
