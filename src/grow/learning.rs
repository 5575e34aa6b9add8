//! A grower's own requirement, learnt from tubs that were logged as colonised.
//!
//! In: past tubs with their degree-hours, and the tub it is for. Out: median and spread of their
//! degree-hours in place of the handbook's requirement, with the count; and how many days the due date
//! would have been off. Only tubs of the same culture, recipe and kind of temperature source are taken:
//! with the core 2 to 5 °C over air, sums taken from air run 10 to 25 % short.
//! Left out: contaminated tubs and where the figures come from; the caller passes the tubs.
//!
//! "Colonised" is when the grower looked and logged it, so what is learnt contains the grower's habit of looking.

use super::culture::Requirement;
use super::tub::Kind;
use crate::climate::Stamp;
use crate::climate::stamp::{DAY_MS, HOUR_MS};
use crate::climate::statistics::{Spread, median};

/// Tubs it takes before anything is learnt.
pub const TUBS_MIN: usize = 5;
/// The newest tubs that are learnt from: a strain ages, and a recipe drifts.
pub const TUBS_MAX: usize = 50;
/// A tub less measured than this share of its time teaches nothing.
pub const COVERAGE_MIN: f64 = 0.9;
/// Spawn rates are alike up to this factor (common practice, no source): 1:1 and 1:2 are not.
const SPAWN_RATE_FACTOR: f64 = 1.5;
/// One in ten lies further out than this on either side: the 0.9 quantile of the normal law.
const NORMAL_TENTH: f64 = 1.281_551_565_5;
/// Few tubs that agree to the hour prove no narrower range than this share of the median to either side
/// (common practice, no source).
const SPREAD_MIN: f64 = 0.05;
/// An extrapolation past the day a tub was logged goes at the rate of its last days, ms.
const RATE_SPAN_MS: i64 = 2 * DAY_MS;

/// Where a tub's temperature came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// A probe in the substrate, its own or another tub's standing in.
    Core,
    /// The air of its space.
    Air,
}

/// What makes tubs of one culture comparable.
#[derive(Clone, Debug, PartialEq)]
pub struct Recipe {
    /// What it sits in.
    pub kind: Kind,
    /// The grower's word for the strain.
    pub strain: Option<String>,
    /// By volume, %: [`super::yields::Filling::spawn_rate_pct`].
    pub spawn_rate_pct: Option<f64>,
}

impl Recipe {
    /// The same container and strain, and a spawn rate within a factor of 1.5 (or unknown of both).
    pub fn is_like(&self, other: &Recipe) -> bool {
        let alike = match (self.spawn_rate_pct, other.spawn_rate_pct) {
            (None, None) => true,
            (Some(a), Some(b)) => a.max(b) <= SPAWN_RATE_FACTOR * a.min(b),
            _ => false,
        };
        alike && self.kind == other.kind && self.strain == other.strain
    }
}

/// A tub that was logged as colonised.
#[derive(Clone, Debug, PartialEq)]
pub struct PastTub {
    /// Its id.
    pub id: String,
    /// The culture's name.
    pub culture: String,
    /// Its recipe.
    pub recipe: Recipe,
    /// Where its degree-hours come from.
    pub source: Source,
    /// When it was spawned.
    pub spawned_at: Stamp,
    /// When it was logged as colonised.
    pub colonised_at: Stamp,
    /// Degree-hours from the one to the other, °C·h.
    pub degree_hours: f64,
    /// Share of that time measured, 0..=1.
    pub coverage: f64,
    /// Degree-hours it had at moments in between, in time order, one a day say; may be empty.
    pub course: Vec<(Stamp, f64)>,
}

impl PastTub {
    /// Whether it says anything: measured well enough, and a positive sum over a positive time.
    fn teaches(&self) -> bool {
        let counts = self.degree_hours.is_finite() && self.degree_hours > 0.0;
        counts && self.coverage >= COVERAGE_MIN && self.colonised_at > self.spawned_at
    }

    /// When it had `wanted` degree-hours: on its course where it was so far by the day it was logged, else
    /// at the rate of its last two days from there on. `None` where it gained nothing in them.
    pub fn moment_of(&self, wanted: f64) -> Option<Stamp> {
        let inner = self.course.iter().copied().filter(|(at, sum)| {
            *at > self.spawned_at && *at < self.colonised_at && (0.0..=self.degree_hours).contains(sum)
        });
        let ends = (self.colonised_at, self.degree_hours);
        let points: Vec<(Stamp, f64)> = [(self.spawned_at, 0.0)].into_iter().chain(inner).chain([ends]).collect();
        for pair in points.windows(2) {
            let ((from, before), (to, after)) = (pair[0], pair[1]);
            if wanted <= after && after > before {
                let share = ((wanted - before) / (after - before)).clamp(0.0, 1.0);
                return Some(from.plus((to.since(from) as f64 * share).round() as i64));
            }
        }
        let since = self.colonised_at.plus(-RATE_SPAN_MS);
        let (from, before) = points.iter().rev().copied().find(|(at, _)| *at <= since).unwrap_or(points[0]);
        let rate = (self.degree_hours - before) / self.colonised_at.hours_since(from);
        let ms = (wanted - self.degree_hours) / rate * HOUR_MS as f64;
        (rate > 0.0 && ms.is_finite()).then(|| self.colonised_at.plus(ms.round() as i64))
    }
}

/// The tubs that teach something of a tub of this culture, recipe and source: the newest [`TUBS_MAX`], newest first.
pub fn alike<'a>(past: &'a [PastTub], culture: &str, recipe: &Recipe, source: Source) -> Vec<&'a PastTub> {
    let is_alike = |tub: &&PastTub| tub.culture == culture && tub.source == source && tub.recipe.is_like(recipe);
    let mut found: Vec<&PastTub> = past.iter().filter(is_alike).filter(|tub| tub.teaches()).collect();
    found.sort_by(|a, b| b.colonised_at.cmp(&a.colonised_at).then_with(|| a.id.cmp(&b.id)));
    found.truncate(TUBS_MAX);
    found
}

/// A requirement learnt.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Learned {
    /// °C·h: the median, and on either side what one tub in ten would lie beyond if they spread normally (1.28
    /// scaled median absolute deviations, at least 5 % of the median).
    pub requirement: Requirement,
    /// How many tubs it is of.
    pub tubs: usize,
    /// The middle half of them, °C·h: first and third quartile (linear between tubs).
    pub quartiles: (f64, f64),
    /// Scaled median absolute deviation, °C·h.
    pub scaled_mad: f64,
}

/// What tubs alike ([`alike`]) teach; `None` under [`TUBS_MIN`] of them.
pub fn learn(alike: &[&PastTub]) -> Option<Learned> {
    let mut sums: Vec<f64> = alike.iter().map(|tub| tub.degree_hours).collect();
    if sums.len() < TUBS_MIN {
        return None;
    }
    sums.sort_by(f64::total_cmp);
    let quartiles = (quantile(&sums, 0.25), quantile(&sums, 0.75));
    let Spread { median: usual, scaled_mad } = Spread::of(&mut sums)?;
    let reach = (NORMAL_TENTH * scaled_mad).max(SPREAD_MIN * usual);
    let requirement = Requirement { low: (usual - reach).max(0.0), usual, high: usual + reach };
    Some(Learned { requirement, tubs: alike.len(), quartiles, scaled_mad })
}

/// The quantile of sorted values, linear between neighbours (R. J. Hyndman, Y. Fan, Am. Stat. 50 (1996)
/// 361-365, type 7, as spreadsheets have it). `sorted` is not empty.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let place = share * (sorted.len() - 1) as f64;
    let below = (place.floor() as usize).min(sorted.len() - 1);
    let above = (below + 1).min(sorted.len() - 1);
    sorted[below] + (sorted[above] - sorted[below]) * (place - below as f64)
}

/// How far due dates were off, in days: positive where the tub was said to be due later than it was logged.
#[derive(Clone, Debug, PartialEq)]
pub struct DueError {
    /// Of how many tubs.
    pub tubs: usize,
    /// The median of the errors without their sign.
    pub median_days: f64,
    /// The median of the errors with it.
    pub bias_days: f64,
    /// The largest, with its sign.
    pub worst_days: f64,
    /// Of each tub, by id.
    pub of_each: Vec<(String, f64)>,
}

/// The error of the due date when each tub is predicted from the others' median (leave-one-out), by the
/// temperatures the tub really had; `None` under [`TUBS_MIN`] tubs.
pub fn leave_one_out(alike: &[&PastTub]) -> Option<DueError> {
    due_error(alike, |left_out| {
        let others = alike.iter().enumerate().filter(|(place, _)| *place != left_out);
        median(&mut others.map(|(_, tub)| tub.degree_hours).collect::<Vec<f64>>())
    })
}

/// The same with one requirement for all, the handbook's say, to set beside [`leave_one_out`]; °C·h.
pub fn error_of(alike: &[&PastTub], usual: f64) -> Option<DueError> {
    due_error(alike, |_| Some(usual))
}

fn due_error(alike: &[&PastTub], wanted: impl Fn(usize) -> Option<f64>) -> Option<DueError> {
    if alike.len() < TUBS_MIN {
        return None;
    }
    let mut of_each = Vec::with_capacity(alike.len());
    for (place, tub) in alike.iter().enumerate() {
        if let Some(due) = wanted(place).and_then(|sum| tub.moment_of(sum)) {
            of_each.push((tub.id.clone(), due.since(tub.colonised_at) as f64 / DAY_MS as f64));
        }
    }
    let mut errors: Vec<f64> = of_each.iter().map(|(_, days)| *days).collect();
    let worst_days = errors.iter().copied().max_by(|a, b| a.abs().total_cmp(&b.abs()))?;
    let bias_days = median(&mut errors)?;
    let median_days = median(&mut errors.iter().map(|days| days.abs()).collect::<Vec<f64>>())?;
    Some(DueError { tubs: of_each.len(), median_days, bias_days, worst_days, of_each })
}
