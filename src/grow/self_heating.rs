//! Self-heating: how far a tub's core is over the air around it, its hump, and whether that is over.
//!
//! In: good, corrected temperatures of the tub's core and of its space's air, from spawning on. Out: the
//! excess now, its robust trend, the day it peaked, and whether a tub about to be opened is still warm.
//! Memory is bounded: means of the last three days' hours and of 120 days, about 5 kB.
//! Left out: alerts (`watch` has core-over-air), and the heat in W/kg: it needs the heat the tub loses to
//! air per degree, which depends on its walls, lid and neighbours and is not measured, so no figure is given.
//!
//! Shape to expect (common practice, no source, but for the end): a lag of 1 to 3 days, a hump on days 3 to 10,
//! and a decay to air at full colonisation (P. Stamets, Growing Gourmet and Medicinal Mushrooms, 2000, p. 214).
//! A tub spawned warm falls first: days at the beginning that only fall are no hump. The air's day and night
//! swing the excess too (the core lags by hours), so days are compared hour of the day by hour of the day.

use std::collections::VecDeque;

use crate::climate::Stamp;
use crate::climate::run::Run;
use crate::climate::stamp::{DAY_MS, HOUR_MS};
use crate::climate::statistics::median;
use crate::climate::trend::slope_per_hour;

/// Hours kept one by one.
const HOURS_MAX: i64 = 72;
/// Days kept; the longest incubation (with ripening) in the trade's books is 110 days.
const DAYS_MAX: usize = 120;
/// A day counts with this many hours measured.
const DAY_HOURS_MIN: u32 = 6;
/// The last day counts with this many hours measured.
const LAST_DAY_HOURS_MIN: usize = 12;
/// A hump is a day's mean of at least this, °C: two common probes may differ by this much (±0.5 each), and a
/// lone tub peaks 2 to 3 °C over air (calculated from published respiration of compost).
pub const HUMP_C: f64 = 1.0;
/// It is over when the last day's median is under this, °C …
const OVER_C: f64 = 0.5;
/// … or under this share of its peak (common practice, no source).
const OVER_SHARE: f64 = 1.0 / 3.0;
/// Compared with the day before hour by hour, with at least so many hours of both.
const PAIRS_MIN: usize = 6;
/// A trend over this is a rise, °C/h: half a degree a day.
const RISE_C_PER_H: f64 = 0.02;

/// Where a tub's self-heating stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hump {
    /// Too little measured in the last day.
    Unknown,
    /// No day's mean was a hump yet.
    NotSeen,
    /// Seen, and rising over the last day.
    Rising,
    /// Seen, and level or falling, not over.
    Falling,
    /// Seen, and back near air.
    Over,
}

/// One tub's self-heating at a moment. Temperatures are differences, core minus air, °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Report {
    /// Mean of the newest hour in which both were measured, if that lies in the last three.
    pub excess_c: Option<f64>,
    /// Robust trend, °C/h: the median of the last 24 h's hours each compared with the same hour of the day
    /// before; while there is no day before, the robust slope of what there is, day and night in it.
    pub trend_c_per_h: Option<f64>,
    /// Median of the last 24 h's hours; none under 12 of them.
    pub last_day_c: Option<f64>,
    /// The day of the highest daily mean (the first 24 h after spawning are day 1), and that mean.
    pub peak: Option<(u32, f64)>,
    /// Where it stands.
    pub hump: Hump,
    /// Hours in which both were measured.
    pub hours_measured: u32,
}

#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    sum: f64,
    count: u32,
}

impl Sum {
    fn add(&mut self, value: f64) {
        self.sum += value;
        self.count += 1;
    }

    fn mean(self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / f64::from(self.count))
    }
}

/// One hour from spawning on.
#[derive(Clone, Copy, Debug)]
struct Hour {
    number: i64,
    core: Sum,
    air: Sum,
}

impl Hour {
    fn excess_c(&self) -> Option<f64> {
        Some(self.core.mean()? - self.air.mean()?)
    }

    fn day(&self) -> usize {
        (self.number / 24) as usize
    }
}

/// Gathers one tub's core over air.
#[derive(Clone, Debug)]
pub struct SelfHeating {
    start: Stamp,
    hours: VecDeque<Hour>,
    /// By day: sums of the excess of hours no longer kept.
    days: Vec<Sum>,
}

impl SelfHeating {
    /// Of a tub spawned at `start`.
    pub fn new(start: Stamp) -> SelfHeating {
        SelfHeating { start, hours: VecDeque::with_capacity(HOURS_MAX as usize + 1), days: Vec::new() }
    }

    /// Takes a good temperature of the tub's core, °C. In any order within the last three days; an older
    /// one, one before spawning, or no number is ignored.
    pub fn core(&mut self, at: Stamp, core_c: f64) {
        if let Some(hour) = self.hour(at, core_c) {
            hour.core.add(core_c);
        }
    }

    /// Takes a good temperature of the air of the space the tub stands in, °C; see [`SelfHeating::core`].
    pub fn air(&mut self, at: Stamp, air_c: f64) {
        if let Some(hour) = self.hour(at, air_c) {
            hour.air.add(air_c);
        }
    }

    /// Takes the core's temperatures of some stretch and the air's, which follow each other in time, as if
    /// one by one in order of time.
    pub fn runs(&mut self, core: Run<'_>, air: &[Run<'_>]) {
        let (mut core, mut later) = (core, air.iter().copied());
        let mut air = Run::default();
        loop {
            while air.is_empty()
                && let Some(next) = later.next()
            {
                air = next;
            }
            let (core_at, air_at) = (core.first().map(|first| first.0), air.first().map(|first| first.0));
            match (core_at, air_at) {
                (Some(core_at), Some(air_at)) if air_at < core_at => air = self.rest_of_hour(air, |hour| &mut hour.air),
                (Some(_), _) => core = self.rest_of_hour(core, |hour| &mut hour.core),
                (None, Some(_)) => air = self.rest_of_hour(air, |hour| &mut hour.air),
                (None, None) => return,
            }
        }
    }

    /// Takes what lies in the hour of the first of `run`, and gives the rest.
    fn rest_of_hour<'a>(&mut self, run: Run<'a>, which: fn(&mut Hour) -> &mut Sum) -> Run<'a> {
        let Some((at, _)) = run.first() else { return run };
        let number = at.since(self.start).div_euclid(HOUR_MS);
        let end = self.start.plus((number + 1).saturating_mul(HOUR_MS));
        let (of_hour, later) = run.split(run.stamps.partition_point(|at| *at < end.0).max(1));
        let mut numbers = of_hour.values.iter().copied().filter(|value| value.is_finite());
        // Where all are no number the hour is not even made.
        if let Some(first) = numbers.next()
            && let Some(hour) = self.hour(at, first)
        {
            let sum = which(hour);
            std::iter::once(first).chain(numbers).for_each(|value| sum.add(value));
        }
        later
    }

    /// The hour `at` lies in, made if there is none yet; hours that get too old go into their day.
    fn hour(&mut self, at: Stamp, value: f64) -> Option<&mut Hour> {
        let number = at.since(self.start).div_euclid(HOUR_MS);
        let newest = self.hours.back().map_or(number, |hour| hour.number.max(number));
        if !value.is_finite() || number < 0 || number <= newest - HOURS_MAX {
            return None;
        }
        while let Some(oldest) = self.hours.front().copied().filter(|hour| hour.number <= newest - HOURS_MAX) {
            self.hours.pop_front();
            if let (Some(excess), true) = (oldest.excess_c(), oldest.day() < DAYS_MAX) {
                self.days.resize(self.days.len().max(oldest.day() + 1), Sum::default());
                self.days[oldest.day()].add(excess);
            }
        }
        let place = self.hours.partition_point(|hour| hour.number < number);
        if self.hours.get(place).is_none_or(|hour| hour.number != number) {
            self.hours.insert(place, Hour { number, core: Sum::default(), air: Sum::default() });
        }
        self.hours.get_mut(place)
    }

    /// Each day's sum of hourly excess, the hours still kept among them.
    fn by_day(&self) -> Vec<Sum> {
        let mut days = self.days.clone();
        for (hour, excess) in self.hours.iter().filter_map(|hour| Some((hour, hour.excess_c()?))) {
            if hour.day() < DAYS_MAX {
                days.resize(days.len().max(hour.day() + 1), Sum::default());
                days[hour.day()].add(excess);
            }
        }
        days
    }

    /// How it stands at `now`.
    pub fn report(&self, now: Stamp) -> Report {
        let middle = |hour: &Hour| self.start.plus(hour.number * HOUR_MS + HOUR_MS / 2);
        let last_day: Vec<(i64, Stamp, f64)> = self
            .hours
            .iter()
            .filter_map(|hour| Some((hour.number, middle(hour), hour.excess_c()?)))
            .filter(|(_, at, _)| now.since(*at) <= DAY_MS)
            .collect();
        let newest = last_day.last().filter(|(_, at, _)| now.since(*at) <= 3 * HOUR_MS);
        let mut values: Vec<f64> = last_day.iter().map(|hour| hour.2).collect();
        let last_day_c = if values.len() >= LAST_DAY_HOURS_MIN { median(&mut values) } else { None };
        let trend_c_per_h = self.trend_c_per_h(&last_day);
        let days = self.by_day();
        let peak = peak(&days);
        Report {
            excess_c: newest.map(|hour| hour.2),
            trend_c_per_h,
            last_day_c,
            peak,
            hump: hump(last_day_c, peak, trend_c_per_h),
            hours_measured: days.iter().map(|day| day.count).sum(),
        }
    }

    /// The seasonal form of Sen's slope, the season being the day (R. M. Hirsch, J. R. Slack, R. A. Smith,
    /// Water Resour. Res. 18 (1982) 107-121).
    fn trend_c_per_h(&self, last_day: &[(i64, Stamp, f64)]) -> Option<f64> {
        let day_before = |number: i64| self.hours.iter().find(|hour| hour.number == number - 24)?.excess_c();
        let mut rises: Vec<f64> =
            last_day.iter().filter_map(|(number, _, excess)| Some((excess - day_before(*number)?) / 24.0)).collect();
        if rises.len() >= PAIRS_MIN {
            return median(&mut rises);
        }
        slope_per_hour(&last_day.iter().map(|(_, at, excess)| (*at, *excess)).collect::<Vec<_>>())
    }

    /// For `open`: the day's excess where the hump has been seen and is not over. A tub opened then is
    /// opened too early. `None` also where too little is known; [`Report::hump`] tells these apart.
    pub fn not_over(&self, now: Stamp) -> Option<f64> {
        let report = self.report(now);
        report.last_day_c.filter(|_| matches!(report.hump, Hump::Rising | Hump::Falling))
    }
}

/// The day with the highest mean, from 1, and that mean; days at the beginning that only fall are passed over.
fn peak(days: &[Sum]) -> Option<(u32, f64)> {
    let means: Vec<(u32, f64)> = days
        .iter()
        .zip(1..)
        .filter(|(day, _)| day.count >= DAY_HOURS_MIN)
        .filter_map(|(day, number)| Some((number, day.mean()?)))
        .collect();
    // A probe put in later sees no warm start.
    let is_start = means.first().is_some_and(|first| first.0 <= 2);
    let falling = if is_start { means.windows(2).take_while(|pair| pair[1].1 < pair[0].1).count() } else { 0 };
    means[falling..].iter().copied().max_by(|a, b| a.1.total_cmp(&b.1))
}

fn hump(last_day_c: Option<f64>, peak: Option<(u32, f64)>, trend_c_per_h: Option<f64>) -> Hump {
    let (Some(last_day_c), Some((_, peak_c))) = (last_day_c, peak) else { return Hump::Unknown };
    if peak_c < HUMP_C {
        Hump::NotSeen
    } else if last_day_c < OVER_C.max(OVER_SHARE * peak_c) {
        Hump::Over
    } else if trend_c_per_h.is_some_and(|slope| slope > RISE_C_PER_H) {
        Hump::Rising
    } else {
        Hump::Falling
    }
}
