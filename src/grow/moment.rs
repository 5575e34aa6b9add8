//! Times as a grower types them, in the site's zone.
//!
//! In: `now`, RFC 3339, a local `2026-11-20 10:00`, or a local day `2026-11-20`. Out: a moment.
//! A local time that exists twice (clocks put back) means the first; one that does not exist
//! (clocks put forward) is refused. A day means its first minute, and says that only a day was
//! named, so that the logbook can put it after the spawning of the same day.

use chrono::{DateTime, Datelike, LocalResult, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, TimeZone};
use chrono_tz::Tz;

use super::wrong::Wrong;
use crate::climate::Stamp;

/// Years a logbook can speak of; anything else is a slip (`0206-11-20`).
const YEARS: std::ops::RangeInclusive<i32> = 2000..=2100;

/// A typed time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    /// When; for a day its first minute.
    pub at: Stamp,
    /// Only a day was named.
    pub whole_day: bool,
}

impl Moment {
    /// An exact time.
    pub fn exact(at: Stamp) -> Moment {
        Moment { at, whole_day: false }
    }
}

/// Reads a typed time. `now` is the machine's clock.
///
/// # Errors
/// [`Wrong::Word`] when it is no time, names a year no logbook speaks of, or a local time that the
/// site's clocks skipped.
pub fn parse(text: &str, timezone: Tz, now: Stamp) -> Result<Moment, Wrong> {
    let text = text.trim();
    if text.eq_ignore_ascii_case("now") {
        return Ok(Moment::exact(now));
    }
    let moment = if let Ok(time) = DateTime::parse_from_rfc3339(text) {
        year_is_sane(text, time.year())?;
        Moment::exact(Stamp::from_time(&time))
    } else if let Ok(day) = NaiveDate::parse_from_str(text, "%Y-%m-%d") {
        year_is_sane(text, day.year())?;
        Moment { at: start_of_day(day, timezone), whole_day: true }
    } else if let Some(local) = local_time(text) {
        year_is_sane(text, local.year())?;
        Moment::exact(from_local(text, local, timezone)?)
    } else {
        return Err(Wrong::Word(format!(
            "\"{text}\" is no time; write 2026-11-20 10:00, 2026-11-20, now, or 2026-11-20T10:00:00Z"
        )));
    };
    Ok(moment)
}

/// The first moment of a local day. Where midnight itself was skipped, the first minute there is.
pub fn start_of_day(day: NaiveDate, timezone: Tz) -> Stamp {
    let midnight = day.and_time(NaiveTime::MIN);
    // A zone changes its clocks by at most a day (Samoa left one out in 2011): two days of minutes end the search.
    (0..=2 * 24 * 60)
        .filter_map(|minute| timezone.from_local_datetime(&(midnight + TimeDelta::minutes(minute))).earliest())
        .map(|time| Stamp::from_time(&time))
        .next()
        .unwrap_or_else(|| Stamp(midnight.and_utc().timestamp_millis()))
}

/// The local day a moment falls on.
pub fn local_day(at: Stamp, timezone: Tz) -> NaiveDate {
    at.utc().with_timezone(&timezone).date_naive()
}

/// A moment in local time to the minute, `2026-11-20 10:00`.
pub fn local_text(at: Stamp, timezone: Tz) -> String {
    at.utc().with_timezone(&timezone).format("%Y-%m-%d %H:%M").to_string()
}

fn local_time(text: &str) -> Option<NaiveDateTime> {
    ["%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S"]
        .iter()
        .find_map(|format| NaiveDateTime::parse_from_str(text, format).ok())
}

fn from_local(text: &str, local: NaiveDateTime, timezone: Tz) -> Result<Stamp, Wrong> {
    match timezone.from_local_datetime(&local) {
        LocalResult::Single(time) | LocalResult::Ambiguous(time, _) => Ok(Stamp::from_time(&time)),
        LocalResult::None => {
            let after = (1..=24 * 60)
                .map(|minute| local + TimeDelta::minutes(minute))
                .find(|later| timezone.from_local_datetime(later).earliest().is_some());
            let choice =
                after.map_or(String::new(), |after| format!("; the next that does is {}", after.format("%H:%M")));
            Err(Wrong::Word(format!("{text} does not exist in {timezone}, the clocks went forward over it{choice}")))
        }
    }
}

fn year_is_sane(text: &str, year: i32) -> Result<(), Wrong> {
    if YEARS.contains(&year) {
        return Ok(());
    }
    Err(Wrong::Word(format!(
        "{text}: the year {year} cannot be meant; a logbook speaks of {} to {}",
        YEARS.start(),
        YEARS.end()
    )))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use chrono_tz::America::Sao_Paulo;
    use chrono_tz::Europe::Lisbon;
    use chrono_tz::Pacific::Apia;

    use super::*;

    const NOW: Stamp = Stamp(1_795_590_000_000);

    fn at(text: &str, timezone: Tz) -> String {
        parse(text, timezone, NOW).unwrap().at.rfc3339()
    }

    #[test]
    fn each_way_of_writing_a_time() {
        for (text, utc) in [
            ("2026-11-20T10:00:00Z", "2026-11-20T10:00:00Z"),
            ("2026-11-20T10:00:00+02:00", "2026-11-20T08:00:00Z"),
            ("2026-11-20 10:00", "2026-11-20T10:00:00Z"), // winter: Lisbon is on UTC
            ("2026-07-20 10:00", "2026-07-20T09:00:00Z"), // summer: an hour ahead
            ("2026-07-20T10:00", "2026-07-20T09:00:00Z"),
            ("2026-07-20 10:00:30", "2026-07-20T09:00:30Z"),
            ("2026-07-20", "2026-07-19T23:00:00Z"),
            (" now ", "2026-11-25T07:00:00Z"),
        ] {
            assert_eq!(at(text, Lisbon), utc, "{text}");
        }
        assert!(parse("2026-07-20", Lisbon, NOW).unwrap().whole_day);
        assert!(!parse("2026-07-20 00:00", Lisbon, NOW).unwrap().whole_day);
    }

    #[test]
    fn the_hour_that_is_twice_means_the_first() {
        // 25 October 2026: at 02:00 summer time the clocks go back to 01:00 (EU Directive 2000/84/EC).
        assert_eq!(at("2026-10-25 01:30", Lisbon), "2026-10-25T00:30:00Z");
        assert_eq!(at("2026-10-25 02:00", Lisbon), "2026-10-25T02:00:00Z");
    }

    #[test]
    fn the_hour_that_is_not_is_refused_with_the_next_that_is() {
        // 29 March 2026: at 01:00 the clocks go forward to 02:00 (EU Directive 2000/84/EC).
        let wrong = parse("2026-03-29 01:30", Lisbon, NOW).unwrap_err();
        assert_eq!(
            wrong.text(),
            "2026-03-29 01:30 does not exist in Europe/Lisbon, the clocks went forward over it; the next that does is 02:00"
        );
    }

    #[test]
    fn a_day_begins_with_its_first_minute_there_is() {
        // Midnight of 4 November 2018 was skipped in Brazil, all of 30 December 2011 in Samoa (IANA tz database).
        assert_eq!(at("2018-11-04", Sao_Paulo), "2018-11-04T03:00:00Z");
        assert_eq!(at("2011-12-30", Apia), "2011-12-30T10:00:00Z");
    }

    #[test]
    fn what_is_no_time() {
        for text in [
            "",
            "yesterday",
            "2026-13-01",
            "2026-02-30",
            "2026-11-20 25:00",
            "0206-11-20",
            "20.11.2026",
            "2026-11-20 10",
        ] {
            assert!(matches!(parse(text, Lisbon, NOW), Err(Wrong::Word(_))), "{text}");
        }
    }
}
