//! Signs that a probe must not be believed: stuck, implausible, a wet element, fallen out of its
//! substrate, a battery at its end.
//!
//! In: settled readings of one probe; its neighbours' movements. Out: what should stand, by watch.
//! What the series alone tells of stuck and saturated is the judge's; what only the neighbours tell
//! raises an alert here and leaves the readings their quality, so that figures stay a function of the
//! series.

use std::collections::VecDeque;

use super::book::{Slot, Wanted};
use crate::climate::stamp::{HOUR_MS, MINUTE_MS};
use crate::climate::trend::Thinner;
use crate::climate::{Quality, Quantity, Reading, Stamp};
use crate::watch::alert::{Severity, Watch};
use crate::watch::band::Trip;
use crate::watch::still::STUCK_MS;
use crate::watch::table::{BATTERY_PERCENT, BATTERY_VOLTS};

/// The watches over one probe's word, by their slots.
pub(super) const DOUBTS: [Watch; 5] =
    [Watch::ProbeStuck, Watch::ProbeImplausible, Watch::ProbeSaturated, Watch::ProbeFallenOut, Watch::Battery];
/// Position of stuck, implausible, … in [`DOUBTS`].
pub(super) const STUCK: usize = 0;
pub(super) const IMPLAUSIBLE: usize = 1;
pub(super) const SATURATED: usize = 2;
pub(super) const FALLEN_OUT: usize = 3;
pub(super) const BATTERY: usize = 4;

/// Bad readings in a row until a probe is implausible.
pub(super) const BAD_RUN: u32 = 3;
/// And so long without a believed one until that is told: a loose plug pushed home is no news.
const BAD_MS: i64 = 5 * MINUTE_MS;
/// How often neighbours are compared, and the width of the means they are compared by.
pub(super) const COMPARE_MS: i64 = 5 * MINUTE_MS;
/// Hours of extremes kept: those of a stuck run and the two begun.
const HOURS_KEPT: usize = (STUCK_MS / HOUR_MS) as usize + 2;
/// A core is compared with its air over so long, by at least so many means.
const FOLLOW_MS: i64 = 3 * HOUR_MS;
const FOLLOW_POINTS: usize = 24;
/// The air must have moved by so much meanwhile, K.
const FOLLOW_AIR_K: f64 = 2.0;
/// So near, or within this share of the air's movement, is following without a lag: a cake of 12 cm
/// with a time constant of 6 hours makes less than half of such a movement.
const FOLLOW_NEAR_K: f64 = 0.5;
const FOLLOW_SHARE: f64 = 0.25;
/// A percentage is over this; a voltage of one or two cells is not.
const VOLTS_MAX: f64 = 5.5;

/// How far a neighbour must have moved while a probe stood still: air against air, and a core, which
/// hardly feels a short swing of its air, against air.
pub(super) fn moved_enough(quantity: Quantity, is_core: bool) -> f64 {
    match quantity {
        Quantity::Temperature if is_core => 4.0,
        Quantity::Temperature => 1.5,
        Quantity::Humidity => 6.0,
        _ => 400.0,
    }
}

#[derive(Clone, Copy, Debug)]
struct Extremes {
    hour: i64,
    low: f64,
    high: f64,
}

/// A value and since when the series has not left it.
#[derive(Clone, Copy, Debug)]
struct Same {
    value: f64,
    since: Stamp,
    last_at: Stamp,
}

/// Readings in a row that were not believed.
#[derive(Clone, Copy, Debug, Default)]
struct Bad {
    count: u32,
    since: Option<Stamp>,
    value: f64,
}

/// The live state of one probe's doubts.
#[derive(Clone, Debug)]
pub(super) struct Doubts {
    pub(super) slots: [Slot; 5],
    same: [Option<Same>; 3],
    hours: [VecDeque<Extremes>; 3],
    bad: [Bad; 3],
    /// The quality of the newest settled reading.
    newest: [Quality; 3],
    wet_since: Option<Stamp>,
    /// The neighbour that moved while a quantity stood still.
    pub(super) neighbour: Option<(Quantity, String)>,
    battery: Trip,
    battery_last: Option<(Stamp, f64)>,
    battery_most: f64,
    /// It follows its air.
    pub(super) is_out: bool,
    out_since: Stamp,
    compared: i64,
}

impl Doubts {
    pub(super) fn new() -> Doubts {
        Doubts {
            slots: [Slot::default(); 5],
            same: [None; 3],
            hours: Default::default(),
            bad: [Bad::default(); 3],
            newest: [Quality::Good; 3],
            wet_since: None,
            neighbour: None,
            battery: Trip::default(),
            battery_last: None,
            battery_most: 0.0,
            is_out: false,
            out_since: Stamp(0),
            compared: 0,
        }
    }

    /// Takes a settled, uncorrected reading.
    #[inline]
    pub(super) fn settle(&mut self, quantity: Quantity, reading: &Reading) {
        let Some(bad) = self.bad.get_mut(quantity.index()) else {
            if reading.quality == Quality::Good {
                self.charge(reading);
            }
            return;
        };
        self.newest[quantity.index()] = reading.quality;
        match reading.quality {
            Quality::Good | Quality::Stuck | Quality::Saturated => {
                *bad = Bad::default();
                self.move_on(quantity.index(), reading);
            }
            _ => {
                bad.count = bad.count.saturating_add(1);
                bad.since.get_or_insert(reading.at);
                bad.value = reading.value;
            }
        }
        if quantity == Quantity::Humidity {
            match reading.quality {
                Quality::Saturated => _ = self.wet_since.get_or_insert(reading.at),
                Quality::Good => self.wet_since = None,
                _ => {}
            }
        }
    }

    #[inline]
    fn move_on(&mut self, index: usize, reading: &Reading) {
        let Reading { at, value, .. } = *reading;
        match &mut self.same[index] {
            Some(same) if same.value.to_bits() == value.to_bits() && at.since(same.last_at) <= HOUR_MS => {
                same.last_at = at;
            }
            same => *same = Some(Same { value, since: at, last_at: at }),
        }
        let hour = at.0.div_euclid(HOUR_MS);
        let hours = &mut self.hours[index];
        match hours.back_mut() {
            Some(last) if last.hour == hour => {
                (last.low, last.high) = (last.low.min(value), last.high.max(value));
            }
            _ => {
                if hours.len() == HOURS_KEPT {
                    hours.pop_front();
                }
                hours.push_back(Extremes { hour, low: value, high: value });
            }
        }
    }

    fn charge(&mut self, reading: &Reading) {
        self.battery_most = self.battery_most.max(reading.value);
        let rule = if self.is_percent() { &BATTERY_PERCENT } else { &BATTERY_VOLTS };
        // However seldom it is told, two readings of a battery belong together.
        self.battery.step(rule, reading.at, reading.value, i64::MAX);
        self.battery_last = Some((reading.at, reading.value));
    }

    pub(super) fn is_percent(&self) -> bool {
        self.battery_most > VOLTS_MAX
    }

    /// The quantity that stands still, its value, since when; by its own noise or its neighbours.
    pub(super) fn stuck(&self) -> Option<(Quantity, f64, Stamp)> {
        let judged = Quantity::ALL[..3].iter().find(|quantity| self.newest[quantity.index()] == Quality::Stuck);
        let quantity = *judged.or(self.neighbour.as_ref().map(|(quantity, _)| quantity))?;
        self.same[quantity.index()].map(|same| (quantity, same.value, same.since))
    }

    pub(super) fn is_saturated(&self) -> bool {
        self.newest[Quantity::Humidity.index()] == Quality::Saturated
    }

    /// The quantity whose last readings cannot be true: how many, since when, the last. `pending`:
    /// how many wait for their judgement, and since when.
    pub(super) fn implausible(&self, pending: [Option<(u32, Reading)>; 3]) -> Option<(Quantity, u32, Stamp, f64)> {
        Quantity::ALL[..3].iter().find_map(|quantity| {
            let (bad, pending) = (&self.bad[quantity.index()], pending[quantity.index()]);
            let count = bad.count + pending.map_or(0, |(count, _)| count);
            let since = bad.since.or(pending.map(|(_, first)| first.at))?;
            let value = pending.map_or(bad.value, |(_, first)| first.value);
            (count >= BAD_RUN).then_some((*quantity, count, since, value))
        })
    }

    /// Whether it is time to look at the neighbours.
    pub(super) fn is_compare_due(&mut self, at: Stamp) -> bool {
        let turn = at.0.div_euclid(COMPARE_MS);
        std::mem::replace(&mut self.compared, turn) != turn
    }

    /// Since when this quantity stood still, where that is long enough to ask the neighbours.
    pub(super) fn still_since(&self, quantity: Quantity, at: Stamp) -> Option<Stamp> {
        let same = self.same[quantity.index()]?;
        (at.since(same.since) >= STUCK_MS && at.since(same.last_at) <= HOUR_MS).then_some(same.since)
    }

    /// How far the values went in the whole hours since `since`.
    pub(super) fn range_since(&self, quantity: Quantity, since: Stamp) -> f64 {
        let first = since.0.div_euclid(HOUR_MS) + 1;
        let hours = || self.hours[quantity.index()].iter().filter(|hour| hour.hour >= first);
        let high = hours().map(|hour| hour.high).fold(f64::NEG_INFINITY, f64::max);
        let low = hours().map(|hour| hour.low).fold(f64::INFINITY, f64::min);
        if high >= low { high - low } else { 0.0 }
    }

    /// Compares a core with its air. Once out it counts as out until it is seen to lag or to differ.
    pub(super) fn compare(&mut self, core: &Thinner, air: &Thinner, at: Stamp) {
        let bucket = |at: Stamp| at.0.div_euclid(COMPARE_MS);
        let mut air_points = air.points().filter(|(moment, _)| at.since(*moment) <= FOLLOW_MS).peekable();
        let (mut low, mut high, mut apart, mut count) = (f64::INFINITY, f64::NEG_INFINITY, 0.0_f64, 0_usize);
        for (moment, core_c) in core.points().filter(|(moment, _)| at.since(*moment) <= FOLLOW_MS) {
            while air_points.next_if(|(air_at, _)| bucket(*air_at) < bucket(moment)).is_some() {}
            let Some((_, air_c)) = air_points.next_if(|(air_at, _)| bucket(*air_at) == bucket(moment)) else {
                continue;
            };
            (low, high) = (low.min(air_c), high.max(air_c));
            apart = apart.max((core_c - air_c).abs());
            count += 1;
        }
        let moved = high - low;
        if count < FOLLOW_POINTS {
            return;
        }
        let follows = apart <= FOLLOW_NEAR_K.max(FOLLOW_SHARE * moved);
        if !follows {
            self.is_out = false;
        } else if moved >= FOLLOW_AIR_K && !self.is_out {
            (self.is_out, self.out_since) = (true, at);
        }
    }

    /// What should stand of the doubt at `index` of [`DOUBTS`]; `sits` in a tub's substrate.
    pub(super) fn wanted(
        &self,
        index: usize,
        sits: bool,
        at: Stamp,
        pending: [Option<(u32, Reading)>; 3],
    ) -> Option<Wanted> {
        let severity = if sits { Severity::Warning } else { Severity::Advice };
        match index {
            STUCK => {
                self.stuck().map(|(_, value, since)| Wanted { value: Some(value), ..Wanted::plain(severity, since) })
            }
            IMPLAUSIBLE => {
                let (_, _, since, value) = self.implausible(pending)?;
                let value = Some(value).filter(|value| value.is_finite());
                (at.since(since) >= BAD_MS).then(|| Wanted { value, ..Wanted::plain(severity, since) })
            }
            SATURATED => self.wet_since.filter(|_| self.is_saturated()).map(|since| Wanted::plain(severity, since)),
            FALLEN_OUT => self.is_out.then(|| Wanted::plain(severity, self.out_since)),
            _ => {
                let (at, value) = self.battery_last.filter(|_| self.battery.is_active())?;
                let limit = if self.is_percent() { BATTERY_PERCENT.limit } else { BATTERY_VOLTS.limit };
                Some(Wanted::of(severity, self.battery.since().unwrap_or(at), value, limit))
            }
        }
    }

    /// The last battery reading.
    pub(super) fn battery(&self) -> f64 {
        self.battery_last.map_or(0.0, |(_, value)| value)
    }
}
