//! One sentence for the evening: the warmest core now, and where it will be by morning.
//!
//! In: the snapshot and the last hours' slope. Out: the sentence, in the evening and at night only.
//! Left out: a forecast; it says what follows if it goes on like this.

use super::home::{Seat, is_silent};
use crate::climate::Stamp;
use crate::climate::stamp::HOUR_MS;
use crate::grow::moment;
use crate::status::limits;
use crate::status::snapshot::{Snapshot, TubView};
use crate::status::wording::Clock;

/// The evening sentence is said from this hour on, local time.
const EVENING_HOUR: u32 = 15;
/// Until this hour of the next morning, which it speaks of.
const MORNING_HOUR: u32 = 7;

/// The warmest core now, and where it will be by morning if it goes on so. Said in the evening and
/// at night, while something can still be done about it.
pub(super) fn evening(snapshot: &Snapshot, seat: &Seat<'_>, clock: Clock) -> Option<String> {
    let morning = next_morning(clock)?;
    let probe_of = |tub: &TubView| tub.temperature_from.clone();
    let hot =
        |one: &&TubView, other: &&TubView| one.core_c.partial_cmp(&other.core_c).unwrap_or(std::cmp::Ordering::Equal);
    // Of equals the first: tubs that another's core stands in for come after it.
    let measured = snapshot.tubs.iter().rev().filter(|tub| tub.core_c.is_some());
    let tub = measured.filter(|tub| probe_of(tub).is_some_and(|probe| !is_silent(snapshot, &probe))).max_by(hot)?;
    let core = tub.core_c?;
    let said = format!("The warmest core is {}: {} now", tub.name, clock.degrees(core));
    let Some(slope) = seat.traces.slope_per_hour(&probe_of(tub)?, clock.now) else {
        return Some(format!(
            "{said}; too few readings of the last hours are at hand to say where it will be by morning."
        ));
    };
    let hours = morning.hours_since(clock.now);
    let then = core + slope * hours;
    let at = clock.short(morning);
    if (slope * hours).abs() < 0.5 {
        return Some(format!("{said}, and about the same by {at} if it goes on like this."));
    }
    let damage = limits::culture(seat.setup, &tub.culture).map(|culture| culture.thermal.damage_c);
    let harm = match damage {
        Some(damage) if core < damage && then >= damage => {
            let until = clock.now.plus(((damage - core) / slope * HOUR_MS as f64) as i64);
            format!(" It reaches {}, where harm begins, at about {}.", clock.show.say_set(damage), clock.short(until))
        }
        _ => String::new(),
    };
    Some(format!("{said}, and about {} by {at} if it goes on like this.{harm}", clock.degrees(then)))
}

/// The morning that an evening sentence speaks of; none by day.
fn next_morning(clock: Clock) -> Option<Stamp> {
    use chrono::Timelike;
    let hour = clock.now.utc().with_timezone(&clock.timezone).hour();
    let day = moment::local_day(clock.now, clock.timezone);
    let day = match hour {
        EVENING_HOUR.. => day.succ_opt()?,
        ..MORNING_HOUR => day,
        _ => return None,
    };
    Some(moment::start_of_day(day, clock.timezone).plus(i64::from(MORNING_HOUR) * HOUR_MS))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::climate::stamp::MINUTE_MS;
    use crate::status::traces::Traces;
    use crate::watch::setup::Setup;

    fn tub(name: &str, core_c: Option<f64>) -> TubView {
        TubView {
            name: name.to_owned(),
            id: format!("{name}-2026-11-18"),
            culture: "oyster".to_owned(),
            kind: "tub",
            stage: "colonising",
            space: "shelf".to_owned(),
            spawned_at: Stamp(0),
            age_days: 1.0,
            temperature_from: Some(format!("core-{name}")),
            degree_hours: 0.0,
            degree_hours_low: 0.0,
            degree_hours_high: 0.0,
            heat_stress_degree_hours: 0.0,
            coverage: 1.0,
            equivalent_days: 0.0,
            progress: 0.0,
            requirement: None,
            due: None,
            core_c,
            core_over_air_k: None,
            alerts: Vec::new(),
        }
    }

    /// 25 November 2026, `hour`:00 UTC.
    fn at(hour: i64) -> Stamp {
        Stamp(1_795_564_800_000 + hour * HOUR_MS)
    }

    #[test]
    fn the_evening_sentence_speaks_of_the_warmest_core() {
        let traces = Traces::default();
        let now = at(21);
        let mut snapshot = Snapshot { time: now, ..Snapshot::default() };
        snapshot.tubs = vec![tub("a", Some(24.0)), tub("b", Some(27.0)), tub("c", None)];
        let setup = Setup::default();
        let seat = Seat { setup: &setup, traces: &traces, bound: None, form: None, may_sign_in: false };
        let clock = |now| Clock { now, timezone: chrono_tz::UTC, show: Default::default() };
        let said = evening(&snapshot, &seat, clock(now)).unwrap();
        assert!(said.starts_with("The warmest core is b: 27.0 °C now; too few readings"), "{said}");
        for minute in (0..300).step_by(5) {
            let rise = f64::from(300 - minute) / 60.0 * 0.2;
            traces.heard("core-b", now.plus(-i64::from(minute) * MINUTE_MS), 26.0 + rise);
        }
        let said = evening(&snapshot, &seat, clock(now)).unwrap();
        // 0.2 °C an hour over the ten hours to seven o'clock.
        assert!(said.contains("27.0 °C now, and about 29.0 °C by Thu 26 Nov, 07:00 if it goes on like this"), "{said}");
        assert_eq!(evening(&snapshot, &seat, clock(at(10))), None, "by day nobody plans a night");
        // Tubs that b's core stands in for are as warm, and come after it.
        snapshot.tubs.push(tub("d", Some(27.0)));
        assert!(evening(&snapshot, &seat, clock(now)).unwrap().starts_with("The warmest core is b:"));
        snapshot.tubs.clear();
        assert_eq!(evening(&snapshot, &seat, clock(now)), None);
    }

    #[test]
    fn mornings_are_local_and_ahead() {
        let morning = |hour: i64, timezone| {
            next_morning(Clock { now: at(hour), timezone, show: Default::default() })
                .map(|stamp| stamp.since(at(0)) / HOUR_MS)
        };
        assert_eq!(morning(21, chrono_tz::UTC), Some(31));
        assert_eq!(morning(3, chrono_tz::UTC), Some(7));
        assert_eq!(morning(12, chrono_tz::UTC), None);
        // Noon in London is eight in the evening in Perth (UTC+8): seven there is 23 UTC.
        assert_eq!(morning(12, chrono_tz::Australia::Perth), Some(23));
    }
}
