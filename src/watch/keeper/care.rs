//! What a tub asks for beside its limits: heat that comes, heat that adds up, a tub that stands still,
//! one to be looked at, one to be picked.
//!
//! In: its good core readings, its figures, its log, the site's zone. Out: what should stand, by
//! watch. Reminders come by day only. Moments are those at which a thing came to be so, whenever it
//! was looked at, so that a replay tells the same.

use chrono::{NaiveTime, TimeZone, Timelike};
use chrono_tz::Tz;

use super::book::{Slot, Wanted};
use super::tubs::Felt;
use crate::climate::Stamp;
use crate::climate::stamp::{DAY_MS, HOUR_MS, MINUTE_MS};
use crate::climate::statistics::{BandHours, BandLimits};
use crate::grow::culture::Thermal;
use crate::grow::due::due_window;
use crate::grow::self_heating::SelfHeating;
use crate::grow::thermal::{Exposure, rate_c};
use crate::grow::tub::{Stage, Tub};
use crate::watch::alert::{Severity, Watch};
use crate::watch::band::Trip;
use crate::watch::table::{CORE_OVER_AIR, HEAT_STRESS_H, HEATING_AHEAD, STALLED};

/// The watches beside the core's limits, by their slots.
pub(super) const CARES: [Watch; 6] =
    [Watch::CoreOverAir, Watch::HeatingAhead, Watch::HeatStress, Watch::Stalled, Watch::Due, Watch::PickSoon];
/// Position of each in [`CARES`].
pub(super) const OVER_AIR: usize = 0;
pub(super) const AHEAD: usize = 1;
pub(super) const STRESS: usize = 2;
pub(super) const STANDS_STILL: usize = 3;
pub(super) const DUE: usize = 4;
pub(super) const PICK: usize = 5;

/// Reminders come between these hours of the site's clocks.
const DAY_HOURS: std::ops::Range<u32> = 8..20;
/// How often slopes and degree-hours are looked at: both change over hours.
pub(super) const LOOK_MS: i64 = 10 * MINUTE_MS;
/// Slower than this is no way to a limit, °C an hour.
const RISING_C_PER_H: f64 = 0.05;
/// A forecast of never, hours.
const NEVER_H: f64 = 1e6;
/// Days overdue at which it is told again.
const OVERDUE_DAYS: [u8; 3] = [0, 2, 5];
/// After a look that found it patchy, it is due again in so long.
const LOOK_AGAIN_MS: i64 = 2 * DAY_MS;
/// Pins become a harvest in about so long.
const PINS_TO_PICK_MS: i64 = 4 * DAY_MS;
/// Degree-hours say nothing of a stall before so many measured hours.
const STALL_HOURS_MIN: f64 = 48.0;
/// A living tub has been over its air by this, on one day at least, when a week has gone by, K.
const WARM_K: f64 = 0.5;
const WARM_BY_MS: i64 = 7 * DAY_MS;
/// With fewer hours of both core and air, nobody can say.
const WARM_HOURS_MIN: u32 = 72;

/// The live state of one tub's cares.
#[derive(Clone, Debug)]
pub(super) struct Cares {
    pub(super) slots: [Slot; 6],
    over_air: [Trip; 2],
    /// Core and air, °C, at the last reading of the core.
    pub(super) pair: Option<(f64, f64)>,
    ahead: Trip,
    /// °C an hour and hours until the critical limit.
    pub(super) pace: (f64, f64),
    looked: i64,
    stalled: Trip,
    stalled_looked: i64,
    /// Hours over the band in the present stage, and since when it is that.
    pub(super) stress: BandHours,
    stage_from: Stamp,
    pub(super) warmth: SelfHeating,
}

impl Cares {
    pub(super) fn new(tub: &Tub) -> Cares {
        let stage_from = stage_from(tub);
        Cares {
            slots: [Slot::default(); 6],
            over_air: [Trip::default(); 2],
            pair: None,
            ahead: Trip::default(),
            pace: (0.0, NEVER_H),
            looked: 0,
            stalled: Trip::default(),
            stalled_looked: 0,
            stress: BandHours::new(BandLimits::default(), stage_from, None),
            stage_from,
            warmth: SelfHeating::new(tub.spawned_at),
        }
    }

    /// The logbook's newer word: another stage begins its hours anew; true where it does.
    pub(super) fn renew(&mut self, tub: &Tub) -> bool {
        let from = stage_from(tub);
        let is_new = from != self.stage_from;
        if is_new {
            self.stage_from = from;
            self.stress = BandHours::new(BandLimits::default(), from, None);
        }
        is_new
    }

    /// A reading that enters the tub's figures enters its hours over the band too.
    #[inline]
    pub(super) fn feel(&mut self, felt: Felt, tops_c: [Option<f64>; 2]) {
        let high = tops_c[usize::from(felt.is_core)];
        self.stress.set_limits(BandLimits { high, ..BandLimits::default() });
        self.stress.push(felt.source, felt.at, felt.temperature_c, felt.gaps);
    }

    /// An alert of before the start: its condition is still there.
    pub(super) fn restore(&mut self, index: usize, first_at: Stamp, since: Stamp, severity: Severity) {
        let trip = Trip::restored(first_at, since);
        match index {
            OVER_AIR => {
                self.over_air[0] = trip;
                if severity > CORE_OVER_AIR[0].severity {
                    self.over_air[1] = trip;
                }
            }
            AHEAD => self.ahead = trip,
            STANDS_STILL => self.stalled = trip,
            _ => {}
        }
    }

    /// When the present stage began.
    pub(super) fn stage_from(&self) -> Stamp {
        self.stage_from
    }

    /// The core was taken out: what it said is no evidence any more.
    pub(super) fn forget_core(&mut self) {
        (self.over_air, self.ahead, self.pair) = ([Trip::default(); 2], Trip::default(), None);
    }

    /// A good core reading beside the air's last; `gap_ms` is the longest silence evidence reaches over.
    pub(super) fn beside_air(&mut self, at: Stamp, core_c: f64, air_c: f64, gap_ms: i64) {
        self.pair = Some((core_c, air_c));
        for (trip, weighed) in self.over_air.iter_mut().zip(&CORE_OVER_AIR) {
            trip.step(&weighed.rule, at, core_c - air_c, gap_ms);
        }
    }

    /// Whether it is time to take the slope.
    pub(super) fn is_look_due(&mut self, at: Stamp) -> bool {
        let turn = at.0.div_euclid(LOOK_MS);
        std::mem::replace(&mut self.looked, turn) != turn
    }

    /// A good core reading, with its slope over the last hours and its critical limit.
    pub(super) fn forecast(&mut self, at: Stamp, core_c: f64, slope: f64, critical_c: f64, gap_ms: i64) {
        let hours = match critical_c - core_c {
            left if left <= 0.0 => 0.0,
            left if slope >= RISING_C_PER_H => left / slope,
            _ => NEVER_H,
        };
        self.pace = (slope, hours);
        self.ahead.step(&HEATING_AHEAD, at, hours, gap_ms.max(2 * LOOK_MS));
    }

    pub(super) fn over_air_wanted(&self) -> Option<Wanted> {
        let (core_c, air_c) = self.pair?;
        let mut both = self.over_air.iter().zip(&CORE_OVER_AIR);
        let (trip, weighed) = both.rfind(|(trip, _)| trip.is_active())?;
        let first_at = trip.since().unwrap_or_default();
        Some(Wanted::of(weighed.severity, first_at, core_c - air_c, weighed.rule.limit))
    }

    pub(super) fn ahead_wanted(&self, core_c: f64, critical_c: f64) -> Option<Wanted> {
        let first_at = self.ahead.since().filter(|_| self.ahead.is_active())?;
        Some(Wanted::of(Severity::Warning, first_at, core_c, critical_c))
    }

    pub(super) fn stress_wanted(&self) -> Option<Wanted> {
        let hours = self.stress.hours_over();
        let (limit, severity) = HEAT_STRESS_H.into_iter().rfind(|(limit, _)| hours >= *limit)?;
        Some(Wanted::of(severity, self.stage_from, hours, limit))
    }

    /// The moment of the present look at degree-hours, if it is time for one.
    pub(super) fn stall_look(&mut self, now: Stamp) -> Option<Stamp> {
        let turn = now.0.div_euclid(LOOK_MS);
        (std::mem::replace(&mut self.stalled_looked, turn) != turn).then_some(Stamp(turn * LOOK_MS))
    }

    /// Looks at how far it should be.
    pub(super) fn look_at_stall(
        &mut self,
        tub: &Tub,
        exposure: Option<&Exposure>,
        thermal: &Thermal,
        has_core: bool,
        at: Stamp,
    ) {
        if tub.stage != Stage::Colonising {
            self.stalled = Trip::default();
            return;
        }
        let share = exposure.map(|exposure| exposure.figures(at)).and_then(|figures| {
            let expected = rate_c(thermal, thermal.usual_c) * figures.hours_measured;
            (figures.hours_measured >= STALL_HOURS_MIN && expected > 0.0).then(|| figures.degree_hours / expected)
        });
        let cold = self.cold_week(tub, at).filter(|_| has_core).map(|_| 0.0);
        let share = cold.or(share).unwrap_or(1.0);
        self.stalled.step(&STALLED, at, share, 2 * HOUR_MS);
    }

    /// The warmest day over air, K, of a tub that a week did not warm; none where it did, or nobody
    /// can say.
    pub(super) fn cold_week(&self, tub: &Tub, at: Stamp) -> Option<f64> {
        if at.since(tub.spawned_at) < WARM_BY_MS {
            return None;
        }
        let report = self.warmth.report(at);
        let warmest = report.peak.map(|(_, over_k)| over_k)?;
        (report.hours_measured >= WARM_HOURS_MIN && warmest < WARM_K).then_some(warmest)
    }

    pub(super) fn stalled_wanted(&self) -> Option<Wanted> {
        let first_at = self.stalled.since().filter(|_| self.stalled.is_active())?;
        Some(Wanted::plain(Severity::Advice, first_at))
    }
}

fn stage_from(tub: &Tub) -> Stamp {
    tub.stages.last().map_or(tub.spawned_at, |stage| stage.from)
}

/// The first moment of the site's day from `at` on.
fn by_day(at: Stamp, zone: Tz) -> Stamp {
    let local = at.utc().with_timezone(&zone);
    if DAY_HOURS.contains(&local.hour()) {
        return at;
    }
    let date = if local.hour() < DAY_HOURS.start { Some(local.date_naive()) } else { local.date_naive().succ_opt() };
    let morning = NaiveTime::from_hms_opt(DAY_HOURS.start, 0, 0);
    let first = date.zip(morning).and_then(|(date, time)| zone.from_local_datetime(&date.and_time(time)).earliest());
    // No zone turns its clocks at eight in the morning; were one to, the moment itself will do.
    first.map_or(at, |first| Stamp::from_time(&first))
}

/// A reminder: what should stand, and since when it may be told. None: nothing is due.
pub(super) type Reminder = Option<(Wanted, Stamp)>;

/// Whether `tub` is to be looked at by `now`, and how long it has been.
pub(super) fn due(
    tub: &Tub,
    exposure: Option<&Exposure>,
    thermal: &Thermal,
    not_before_ms: i64,
    zone: Tz,
    now: Stamp,
) -> Reminder {
    if tub.stage != Stage::Colonising || tub.colonised_at.is_some() {
        return None;
    }
    let exposure = exposure?;
    let figures = exposure.figures(now);
    figures.reached_low?;
    let rate = exposure.rate_per_hour();
    let earliest = due_window(&figures, thermal, tub.spawned_at, now, rate, not_before_ms).earliest;
    let from = tub.looked_at.map_or(earliest, |looked| earliest.max(looked.plus(LOOK_AGAIN_MS)));
    let at_step = |days: u8| by_day(from.plus(i64::from(days) * DAY_MS), zone);
    let step = OVERDUE_DAYS.iter().rposition(|days| at_step(*days) <= now)?;
    let days = OVERDUE_DAYS[step];
    let wanted = Wanted { step: step as u8, ..Wanted::of(Severity::Advice, from, f64::from(days), f64::from(days)) };
    Some((wanted, at_step(days)))
}

/// Whether the log answers a reminder that stood from `from` on.
pub(super) fn is_answered(tub: &Tub, from: Stamp) -> bool {
    let looked = tub.looked_at.is_some_and(|looked| looked.plus(LOOK_AGAIN_MS) > from);
    looked || tub.colonised_at.is_some() || tub.stage != Stage::Colonising
}

/// The step that a due alert with this limit had come to.
pub(super) fn due_step(limit: Option<f64>) -> u8 {
    let reached = OVERDUE_DAYS.iter().rposition(|days| limit.is_some_and(|limit| limit >= f64::from(*days)));
    reached.unwrap_or(0) as u8
}

/// Days overdue at a step.
pub(super) fn overdue_days(step: u8) -> u8 {
    OVERDUE_DAYS.get(usize::from(step)).copied().unwrap_or(0)
}

/// Whether `tub` is to be picked by `now`.
pub(super) fn pick_soon(tub: &Tub, zone: Tz, now: Stamp) -> Reminder {
    let pins = tub.pins_at.filter(|_| tub.stage == Stage::Fruiting)?;
    if tub.harvests.iter().any(|harvest| harvest.at >= pins) {
        return None;
    }
    let from = pins.plus(PINS_TO_PICK_MS);
    let told = by_day(from, zone);
    (told <= now).then(|| (Wanted::plain(Severity::Advice, from), told))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reminder_waits_for_the_sites_morning() {
        let lisbon = chrono_tz::Europe::Lisbon;
        // 2026-11-25T06:00Z is 06:00 there; 2026-07-01T06:00Z is 07:00.
        for (at, expected) in [
            (1_795_586_400_000, 1_795_586_400_000 + 2 * HOUR_MS),
            (1_782_885_600_000, 1_782_885_600_000 + HOUR_MS),
            (1_795_586_400_000 + 4 * HOUR_MS, 1_795_586_400_000 + 4 * HOUR_MS),
            (1_795_586_400_000 + 15 * HOUR_MS, 1_795_586_400_000 + 26 * HOUR_MS),
        ] {
            assert_eq!(by_day(Stamp(at), lisbon), Stamp(expected));
        }
    }
}
