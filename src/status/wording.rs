//! Times and figures as the page says them.
//!
//! In: moments, numbers. Out: short text in the site's time. Left out: what it means.

use chrono::Datelike;
use chrono_tz::Tz;

use super::snapshot::Snapshot;
use crate::climate::Stamp;
use crate::climate::degrees::Degrees;
use crate::climate::stamp::{DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS};
use crate::watch::view::rounded;

/// The moment a page speaks of, and the zone and the degrees it speaks in.
#[derive(Clone, Copy)]
pub(super) struct Clock {
    pub(super) now: Stamp,
    pub(super) timezone: Tz,
    /// The degrees it speaks in.
    pub(super) show: Degrees,
}

impl Clock {
    /// As a snapshot has them.
    pub(super) fn of(snapshot: &Snapshot) -> Clock {
        Clock { now: snapshot.time, timezone: snapshot.inner.timezone, show: snapshot.inner.show }
    }

    /// A temperature, or that there is none.
    pub(super) fn temperature(self, celsius: Option<f64>) -> String {
        celsius.map_or("not measured".to_owned(), |celsius| self.degrees(celsius))
    }

    /// `24.1 °C`.
    pub(super) fn degrees(self, celsius: f64) -> String {
        self.show.say(rounded(celsius, 3), 1)
    }

    /// A temperature difference: `4.3 °C over`, `0.5 °C under`, `the same as`.
    pub(super) fn over(self, kelvin: f64) -> String {
        let over = rounded(self.show.step(kelvin), 1);
        if over > 0.0 {
            format!("{over:.1} {} over", self.show.unit())
        } else if over < 0.0 {
            format!("{:.1} {} under", -over, self.show.unit())
        } else {
            "the same as".to_owned()
        }
    }

    /// `Wednesday 25 November 2026, 06:00:12`.
    pub(super) fn full(self, at: Stamp) -> String {
        at.utc().with_timezone(&self.timezone).format("%A %-d %B %Y, %H:%M:%S").to_string()
    }

    /// `06:00` today, `Tue 24 Nov, 06:00` else, with the year where it is not this one.
    pub(super) fn short(self, at: Stamp) -> String {
        let (local, today) = (at.utc().with_timezone(&self.timezone), self.now.utc().with_timezone(&self.timezone));
        let format = match (local.date_naive() == today.date_naive(), local.year() == today.year()) {
            (true, _) => "%H:%M",
            (false, true) => "%a %-d %b, %H:%M",
            (false, false) => "%a %-d %b %Y, %H:%M",
        };
        local.format(format).to_string()
    }

    /// `12 s ago`, `3 h 20 min ago`; what is dated later than now is `just now`.
    pub(super) fn ago(self, at: Stamp) -> String {
        let ms = self.now.since(at);
        let (days, hours, minutes) = (ms / DAY_MS, ms % DAY_MS / HOUR_MS, ms % HOUR_MS / MINUTE_MS);
        match ms {
            ..SECOND_MS => "just now".to_owned(),
            SECOND_MS..MINUTE_MS => format!("{} s ago", ms / SECOND_MS),
            MINUTE_MS..HOUR_MS => format!("{minutes} min ago"),
            HOUR_MS..DAY_MS if minutes == 0 => format!("{hours} h ago"),
            HOUR_MS..DAY_MS => format!("{hours} h {minutes} min ago"),
            _ if hours == 0 => format!("{days} d ago"),
            _ => format!("{days} d {hours} h ago"),
        }
    }
}

/// `value` with `digits` decimals, no negative zero.
pub(super) fn figure(value: f64, digits: u32) -> String {
    let value = rounded(value, digits);
    format!("{value:.*}", digits as usize)
}

/// A value with its unit, or that there is none.
pub(super) fn cell(value: Option<f64>, digits: u32, unit: &str) -> String {
    value.map_or("not measured".to_owned(), |value| format!("{} {unit}", figure(value, digits)))
}

/// The address of the page of one thing: `/space/fruiting%20tent`. What is not unreserved in a path
/// (RFC 3986, section 2.3) is written in percent.
pub(super) fn path(kind: &str, name: &str) -> String {
    let mut out = format!("/{kind}/");
    for byte in name.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_name_has_an_address() {
        for (name, expected) in
            [("A1-2026-11-18", "/x/A1-2026-11-18"), ("fruiting tent?", "/x/fruiting%20tent%3F"), ("é", "/x/%C3%A9")]
        {
            assert_eq!(path("x", name), expected);
        }
    }

    #[test]
    fn ages_are_told_in_two_steps_at_most() {
        let clock = Clock { now: Stamp(10 * DAY_MS), timezone: Tz::UTC, show: Degrees::Celsius };
        for (ms, text) in [
            (-5_000, "just now"),
            (12_000, "12 s ago"),
            (59_999, "59 s ago"),
            (60_000, "1 min ago"),
            (3 * HOUR_MS + 20 * MINUTE_MS, "3 h 20 min ago"),
            (4 * HOUR_MS, "4 h ago"),
            (2 * DAY_MS + 4 * HOUR_MS, "2 d 4 h ago"),
            (3 * DAY_MS, "3 d ago"),
        ] {
            assert_eq!(clock.ago(clock.now.plus(-ms)), text);
        }
    }

    #[test]
    fn times_are_the_site_s() {
        // 25 November 2026, 06:00 UTC is 07:00 in Berlin (UTC+1 in winter).
        let clock = Clock { now: Stamp(1_795_586_400_000), timezone: Tz::Europe__Berlin, show: Degrees::Celsius };
        assert_eq!(clock.short(clock.now), "07:00");
        assert_eq!(clock.short(clock.now.plus(-8 * HOUR_MS)), "Tue 24 Nov, 23:00");
        assert_eq!(clock.short(clock.now.plus(-400 * DAY_MS)), "Tue 21 Oct 2025, 08:00");
        assert_eq!(clock.full(clock.now), "Wednesday 25 November 2026, 07:00:00");
    }

    #[test]
    fn differences_say_which_way() {
        let clock = |show| Clock { now: Stamp(0), timezone: Tz::UTC, show };
        let said = |show| [4.26, -0.5, -0.02].map(|kelvin| clock(show).over(kelvin));
        assert_eq!(said(Degrees::Celsius), ["4.3 °C over", "0.5 °C under", "the same as"]);
        assert_eq!(said(Degrees::Fahrenheit), ["7.7 °F over", "0.9 °F under", "the same as"]);
    }
}
