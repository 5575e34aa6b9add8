//! Trends: a robust slope, and a bounded memory of the last hours to take it over.
//!
//! In: (moment, value) points of one series. Out: its slope in units per hour, unmoved by up to 29 %
//! of wild points. Left out: what the slope means.

use std::collections::VecDeque;

use super::stamp::{HOUR_MS, Stamp};
use super::statistics::median;

/// The most points a slope is taken over: 64,620 pairs of them, a few milliseconds. Of more, this
/// many are picked at even steps, the first and the last among them.
pub const POINTS_MAX: usize = 360;

/// Theil-Sen slope: the median of the slopes of all pairs of points, in the value's unit per hour
/// (°C/h for a temperature). Points in any order; pairs of the same moment and values that are no
/// number are left out. `None` under 3 points or where they all share one moment.
///
/// Source: P. K. Sen, Estimates of the regression coefficient based on Kendall's tau, J. Am. Stat.
/// Assoc. 63 (1968), 1379-1389.
pub fn slope_per_hour(points: &[(Stamp, f64)]) -> Option<f64> {
    let numbers: Vec<(Stamp, f64)> = points.iter().copied().filter(|(_, value)| value.is_finite()).collect();
    let picked = pick_evenly(numbers);
    if picked.len() < 3 {
        return None;
    }
    let mut slopes = Vec::with_capacity(picked.len() * (picked.len() - 1) / 2);
    for (index, &(from, from_value)) in picked.iter().enumerate() {
        for &(to, to_value) in &picked[index + 1..] {
            if to != from {
                slopes.push((to_value - from_value) / to.hours_since(from));
            }
        }
    }
    median(&mut slopes)
}

fn pick_evenly(points: Vec<(Stamp, f64)>) -> Vec<(Stamp, f64)> {
    if points.len() <= POINTS_MAX {
        return points;
    }
    let last = points.len() - 1;
    (0..POINTS_MAX).map(|step| points[step * last / (POINTS_MAX - 1)]).collect()
}

#[derive(Clone, Copy, Debug)]
struct Bucket {
    number: i64,
    first: Stamp,
    offset_sum_ms: i64,
    value_sum: f64,
    count: i64,
}

impl Bucket {
    fn point(&self) -> (Stamp, f64) {
        (self.first.plus(self.offset_sum_ms / self.count), self.value_sum / self.count as f64)
    }
}

/// Keeps the last hours of a series as a bounded number of points: the mean of each bucket of time.
/// Buckets lie on the calendar, not on the first reading, so that what is kept depends only on the
/// readings.
#[derive(Clone, Debug)]
pub struct Thinner {
    span_ms: i64,
    bucket_ms: i64,
    buckets: VecDeque<Bucket>,
}

impl Thinner {
    /// Keeps `hours` (1..=48) in at most `points` (2..=[`POINTS_MAX`]) buckets, and the one begun;
    /// what lies outside those ranges is taken as their nearest end.
    pub fn new(hours: u32, points: usize) -> Thinner {
        let span_ms = i64::from(hours.clamp(1, 48)) * HOUR_MS;
        let points = points.clamp(2, POINTS_MAX);
        let bucket_ms = span_ms / points as i64;
        Thinner { span_ms, bucket_ms, buckets: VecDeque::with_capacity(points + 2) }
    }

    /// Takes the next reading in time order; one older than the newest bucket, or no number, is ignored.
    pub fn push(&mut self, at: Stamp, value: f64) {
        let number = at.0.div_euclid(self.bucket_ms);
        if !value.is_finite() || self.buckets.back().is_some_and(|newest| number < newest.number) {
            return;
        }
        match self.buckets.back_mut() {
            Some(newest) if newest.number == number => {
                newest.offset_sum_ms += at.since(newest.first);
                newest.value_sum += value;
                newest.count += 1;
            }
            _ => self.buckets.push_back(Bucket { number, first: at, offset_sum_ms: 0, value_sum: value, count: 1 }),
        }
        let oldest_kept = at.plus(-self.span_ms).0.div_euclid(self.bucket_ms);
        while self.buckets.front().is_some_and(|oldest| oldest.number < oldest_kept) {
            self.buckets.pop_front();
        }
    }

    /// The points kept, oldest first: each bucket's mean moment and mean value.
    pub fn points(&self) -> impl Iterator<Item = (Stamp, f64)> + '_ {
        self.buckets.iter().map(Bucket::point)
    }

    /// Hours between the oldest and the newest point; 0 under two.
    pub fn hours_spanned(&self) -> f64 {
        match (self.buckets.front(), self.buckets.back()) {
            (Some(oldest), Some(newest)) => newest.point().0.hours_since(oldest.point().0),
            _ => 0.0,
        }
    }

    /// The robust slope of the points of the last `hours`, in units per hour; see [`slope_per_hour`].
    pub fn slope_per_hour(&self, hours: f64) -> Option<f64> {
        let newest = self.buckets.back()?.point().0;
        let points: Vec<(Stamp, f64)> = self.points().filter(|(at, _)| newest.hours_since(*at) <= hours).collect();
        slope_per_hour(&points)
    }
}
