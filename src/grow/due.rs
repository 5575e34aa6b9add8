//! From degree-hours to what a grower asks: equivalent days, progress, and when to go and look.
//!
//! In: a tub's figures, its culture's thermal-time parameters, the rate of the last two days. Out:
//! days, a share, two moments. Left out: learning a grower's own requirement from finished tubs.

use super::culture::Thermal;
use super::thermal::{Figures, rate_c};
use crate::climate::stamp::{DAY_MS, HOUR_MS, Stamp};

/// How far ahead a forecast reaches. A tub too cold to get there within a year is said to be due in a
/// year, with no latest moment: no date beyond that means anything.
pub const FORECAST_MAX_MS: i64 = 365 * DAY_MS;

/// Degree-hours in days at the culture's usual temperature: divided by those of one such day.
/// 0 where the culture does not grow at its usual temperature (the config refuses that).
pub fn equivalent_days(degree_hours: f64, thermal: &Thermal) -> f64 {
    share(degree_hours, 24.0 * rate_c(thermal, thermal.usual_c))
}

/// Degree-hours over the culture's usual requirement; 1 when it is met, more after that.
/// 0 where the culture requires nothing (the config refuses that).
pub fn progress(degree_hours: f64, thermal: &Thermal) -> f64 {
    share(degree_hours, thermal.requirement.usual)
}

fn share(part: f64, whole: f64) -> f64 {
    if whole > 0.0 { part / whole } else { 0.0 }
}

/// When to go and look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Due {
    /// Not before.
    pub earliest: Stamp,
    /// Seldom later; `None` where at the present rate it lies beyond [`FORECAST_MAX_MS`].
    pub latest: Option<Stamp>,
}

/// The due window: from the moment the low end of the requirement is reached to the moment the high
/// end is, at `rate_per_hour` (degree-hours gained per hour, `Exposure::rate_per_hour`) from `now` on;
/// an end that has been reached already keeps the moment it was.
///
/// Never earlier than `not_before_ms` after `spawned_at`, and never closing before it opens. With no
/// rate known, the culture's usual temperature is taken for the time to come; for hours that nobody
/// measured it is taken always (such hours add nothing to `figures`): else the window of a tub without
/// a probe would move away day by day. It says when to go and look, never that a tub is done.
pub fn due_window(
    figures: &Figures,
    thermal: &Thermal,
    spawned_at: Stamp,
    now: Stamp,
    rate_per_hour: Option<f64>,
    not_before_ms: i64,
) -> Due {
    let usual_rate = rate_c(thermal, thermal.usual_c);
    let rate = rate_per_hour.unwrap_or(usual_rate);
    let unmeasured_h = (figures.hours_elapsed - figures.hours_measured).max(0.0);
    let gained = figures.degree_hours + unmeasured_h * usual_rate;
    let low = figures.reached_low.or_else(|| forecast(thermal.requirement.low - gained, rate, now));
    let high = figures.reached_high.or_else(|| forecast(thermal.requirement.high - gained, rate, now));
    let earliest = low.unwrap_or(now.plus(FORECAST_MAX_MS)).max(spawned_at.plus(not_before_ms));
    Due { earliest, latest: high.map(|moment| moment.max(earliest)) }
}

/// The moment `missing` degree-hours will have been gained, or were, where it is not over 0; `None`
/// beyond the forecast's reach.
fn forecast(missing: f64, rate: f64, now: Stamp) -> Option<Stamp> {
    if rate <= 0.0 {
        return (missing <= 0.0).then_some(now);
    }
    let ms = missing / rate * HOUR_MS as f64;
    (ms <= FORECAST_MAX_MS as f64).then(|| now.plus(ms.round() as i64))
}
