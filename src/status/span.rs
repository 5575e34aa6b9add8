//! The range of time that a chart shows.
//!
//! In: a query (`range=2d`, or `from` and `to`), the site's zone, now. Out: the range, the words for
//! it, and the labels of its time axis in local time.

use chrono_tz::Tz;

use crate::climate::Stamp;
use crate::climate::stamp::{DAY_MS, HOUR_MS, MINUTE_MS};
use crate::grow::moment;

/// The longest range.
const LONGEST_MS: i64 = 20 * 366 * DAY_MS;
/// The ranges offered: word in the address, words on the page, length.
pub(super) const OFFERED: [(&str, &str, i64); 6] = [
    ("1h", "an hour", HOUR_MS),
    ("12h", "12 hours", 12 * HOUR_MS),
    ("2d", "2 days", 2 * DAY_MS),
    ("14d", "2 weeks", 14 * DAY_MS),
    ("90d", "3 months", 90 * DAY_MS),
    ("366d", "a year", 366 * DAY_MS),
];
/// What is shown when nothing is asked for.
const USUAL: usize = 2;

/// A range of time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Span {
    pub(super) from: Stamp,
    pub(super) to: Stamp,
    /// The word of the offered range it is, if it is one.
    pub(super) word: Option<&'static str>,
}

impl Span {
    /// Reads the range asked for.
    ///
    /// # Errors
    /// One sentence.
    pub(super) fn parse(query: &[(String, String)], timezone: Tz, now: Stamp) -> Result<Span, String> {
        let given = |key: &str| query.iter().find(|(name, _)| name == key).map(|(_, value)| value.as_str());
        let time = |key: &str| {
            let text = given(key).filter(|text| !text.is_empty())?;
            Some(moment::parse(text, timezone, now).map(|moment| moment.at).map_err(|wrong| format!("{key}: {wrong}.")))
        };
        if let (Some(from), to) = (time("from"), time("to")) {
            let (from, to) = (from?, to.unwrap_or(Ok(now))?);
            if from >= to {
                return Err("\"from\" is not before \"to\".".to_owned());
            }
            if to.since(from) > LONGEST_MS {
                return Err("that range is longer than 20 years.".to_owned());
            }
            return Ok(Span { from, to, word: None });
        }
        let offered = match given("range") {
            None => Some(&OFFERED[USUAL]),
            Some(word) => OFFERED.iter().find(|(offered, ..)| *offered == word),
        };
        let Some((word, _, ms)) = offered else {
            let words: Vec<&str> = OFFERED.iter().map(|(word, ..)| *word).collect();
            return Err(format!("\"range\" is one of {}; or give \"from\" and \"to\".", words.join(", ")));
        };
        Ok(Span { from: now.plus(-ms), to: now.plus(1), word: Some(word) })
    }

    /// The same range as a query.
    pub(super) fn query(&self) -> String {
        match self.word {
            Some(word) => format!("range={word}"),
            None => format!("from={}&to={}", self.from.rfc3339(), self.to.rfc3339()),
        }
    }

    /// Labels of the axis: local times at round steps, at most nine.
    pub(super) fn ticks(&self, timezone: Tz) -> Vec<(Stamp, String)> {
        let length = self.to.since(self.from);
        let steps = [10 * MINUTE_MS, HOUR_MS, 3 * HOUR_MS, 6 * HOUR_MS, 12 * HOUR_MS];
        let days = [1, 2, 7, 14, 30, 61, 122, 365, 730, 1461].map(|days| days * DAY_MS);
        let all = steps.into_iter().chain(days);
        let step = all.clone().find(|step| length / step <= 8).unwrap_or(5 * 365 * DAY_MS);
        let format = match step {
            ..DAY_MS => "%H:%M",
            _ if step < 300 * DAY_MS => "%-d %b",
            _ => "%Y",
        };
        let first = moment::start_of_day(moment::local_day(self.from, timezone), timezone);
        let mut at = first;
        let mut ticks = Vec::new();
        while at < self.to {
            if at >= self.from {
                ticks.push((at, at.utc().with_timezone(&timezone).format(format).to_string()));
            }
            at = if step < DAY_MS {
                at.plus(step)
            } else {
                // A day is not always 24 hours: the next local midnight after so many days.
                moment::start_of_day(moment::local_day(at.plus(step + 6 * HOUR_MS), timezone), timezone)
            };
        }
        ticks
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn every_range_has_a_few_labels() {
        let now = Stamp(1_795_586_400_000);
        for (word, _, ms) in OFFERED {
            let span = Span::parse(&[("range".into(), word.into())], chrono_tz::Europe::Berlin, now).unwrap();
            assert_eq!(span.to.since(span.from), ms + 1);
            let ticks = span.ticks(chrono_tz::Europe::Berlin);
            assert!((2..=9).contains(&ticks.len()), "{word}: {ticks:?}");
        }
    }

    #[test]
    fn a_wrong_range_is_said() {
        let now = Stamp(1_795_586_400_000);
        let parse = |pairs: &[(&str, &str)]| {
            let query: Vec<(String, String)> = pairs.iter().map(|(k, v)| ((*k).into(), (*v).into())).collect();
            Span::parse(&query, Tz::UTC, now)
        };
        assert!(parse(&[("range", "3y")]).is_err());
        assert!(parse(&[("from", "2026-11-20"), ("to", "2026-11-19")]).is_err());
        assert!(parse(&[("from", "1970-01-01"), ("to", "2100-01-01")]).is_err());
        assert!(parse(&[("from", "soon")]).is_err());
        assert_eq!(parse(&[("from", "2026-11-20")]).unwrap().to, now);
    }
}
