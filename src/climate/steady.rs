//! Is a reading steady enough to calibrate by?
//!
//! In: raw readings of one probe at a reference, in time order. Out: steady, with the reading and its
//! uncertainty, or what is still missing. Steady means: over the whole of the last window, the mean of
//! every sixtieth of it lies within a band around their median (one in twenty may not, so that a lone wild
//! reading does not start the wait over), and their robust slope is small. Memory is bounded: 62 means.
//! Left out: which readings are good; the caller pushes none that is an error code.

use std::collections::VecDeque;

use super::calibration::Reference;
use super::stamp::{MINUTE_MS, Stamp};
use super::statistics::Spread;
use super::trend::slope_per_hour;

/// Means a window is divided into.
const PARTS: i64 = 60;
/// Fewer readings than this in a window say nothing of its steadiness.
const READINGS_MIN: i64 = 6;
/// One mean in so many may lie outside the band.
const WILD_ONE_IN: usize = 20;

/// What counts as steady.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Criterion {
    /// Over how long, ms.
    pub window_ms: i64,
    /// How far a mean may lie from the median, in the quantity's unit.
    pub within: f64,
    /// How large the robust slope may be, in the quantity's unit per hour.
    pub slope_per_hour: f64,
}

impl Criterion {
    /// For a probe that reports every `every_ms`: in a salt jar 30 min within 0.3 points and under 0.2
    /// points an hour; in ice or boiling water 5 min within 0.15 °C and under 2 °C an hour. A window is
    /// never shorter than six readings. (Common practice, no source: a jar needs hours, a stirred bath
    /// minutes, and a common thermometer's step is 0.0625 °C.)
    pub fn at(reference: Reference, every_ms: i64) -> Criterion {
        let (least_ms, within, slope_per_hour) = match reference {
            Reference::Salt(_) => (30 * MINUTE_MS, 0.3, 0.2),
            Reference::Ice | Reference::Boiling => (5 * MINUTE_MS, 0.15, 2.0),
        };
        Criterion { window_ms: least_ms.max(every_ms.saturating_mul(READINGS_MIN)), within, slope_per_hour }
    }

    /// How it judges, in words, for the grower to read; `unit` as in `points` or `°C`.
    pub fn stated(&self, unit: &str) -> String {
        let Criterion { window_ms, within, slope_per_hour } = *self;
        let minutes = window_ms as f64 / MINUTE_MS as f64;
        format!(
            "steady means: for {minutes:.0} min within ±{within} {unit} of the median, moving less than {slope_per_hour} {unit} an hour"
        )
    }
}

/// What is found of the last window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Standing {
    /// Not read for long enough, or with too few readings or too long silences in between.
    TooShort {
        /// At least so long still, ms.
        wait_ms: i64,
    },
    /// Too many means lie too far from the median.
    Restless {
        /// All but one in twenty lie within so much of it, in the quantity's unit.
        by: f64,
    },
    /// Still moving one way.
    Moving {
        /// In the quantity's unit per hour.
        slope_per_hour: f64,
    },
    /// Steady.
    Steady(Settled),
}

/// A steady reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settled {
    /// The median of the window, raw, in the quantity's unit.
    pub reading: f64,
    /// Standard uncertainty: the means' scaled median absolute deviation, and the probe's step as seen
    /// (a step s counts as s / √12) or what the slope moves it in half a window, whichever is more.
    pub uncertainty: f64,
    /// Robust slope, in the quantity's unit per hour.
    pub slope_per_hour: f64,
    /// Readings in the window.
    pub readings: i64,
}

#[derive(Clone, Copy, Debug)]
struct Part {
    number: i64,
    first: Stamp,
    last: Stamp,
    sum: f64,
    count: i64,
}

/// Gathers the last window of readings and judges it.
#[derive(Clone, Debug)]
pub struct SteadyWatch {
    criterion: Criterion,
    parts: VecDeque<Part>,
    last: Option<(Stamp, f64)>,
    step: Option<f64>,
}

impl SteadyWatch {
    /// Nothing read yet.
    pub fn new(criterion: Criterion) -> SteadyWatch {
        SteadyWatch { criterion, parts: VecDeque::with_capacity(PARTS as usize + 3), last: None, step: None }
    }

    /// Takes the next good raw reading in time order; an older one, or no number, is ignored. A silence of
    /// over a third of the window starts the wait over.
    pub fn push(&mut self, at: Stamp, value: f64) {
        if !value.is_finite() || self.last.is_some_and(|(last, _)| at <= last) {
            return;
        }
        if let Some((last_at, last_value)) = self.last {
            if at.since(last_at) > self.criterion.window_ms / 3 {
                self.parts.clear();
            }
            let step = (value - last_value).abs();
            // Under a millionth is not a probe's step but the rounding of binary numbers.
            if step > 1e-6 {
                self.step = Some(self.step.map_or(step, |least| least.min(step)));
            }
        }
        self.last = Some((at, value));
        let number = at.0.div_euclid(self.part_ms());
        match self.parts.back_mut() {
            Some(part) if part.number == number => {
                part.last = at;
                part.sum += value;
                part.count += 1;
            }
            _ => self.parts.push_back(Part { number, first: at, last: at, sum: value, count: 1 }),
        }
        // One part stays that reaches back over the whole window.
        let reach = at.plus(-self.criterion.window_ms);
        while self.parts.get(1).is_some_and(|part| part.first <= reach) {
            self.parts.pop_front();
        }
    }

    fn part_ms(&self) -> i64 {
        (self.criterion.window_ms / PARTS).max(1)
    }

    /// How the readings of the last window stand.
    pub fn standing(&self) -> Standing {
        let window_ms = self.criterion.window_ms;
        let too_short = |wait_ms: i64| Standing::TooShort { wait_ms: wait_ms.clamp(1, window_ms.max(1)) };
        let (Some(oldest), Some((newest, _))) = (self.parts.front(), self.last) else { return too_short(window_ms) };
        let readings: i64 = self.parts.iter().map(|part| part.count).sum();
        if newest.since(oldest.first) < window_ms || readings < READINGS_MIN {
            return too_short(window_ms - newest.since(oldest.first));
        }
        let middle = |part: &Part| part.first.plus(part.last.since(part.first) / 2);
        let points: Vec<(Stamp, f64)> =
            self.parts.iter().map(|part| (middle(part), part.sum / part.count as f64)).collect();
        let mut means: Vec<f64> = points.iter().map(|point| point.1).collect();
        let (Some(spread), Some(slope)) = (Spread::of(&mut means), slope_per_hour(&points)) else {
            return too_short(1);
        };
        let mut far: Vec<f64> = points.iter().map(|point| (point.1 - spread.median).abs()).collect();
        far.sort_by(f64::total_cmp);
        let by = far[far.len() - 1 - far.len() / WILD_ONE_IN];
        if by > self.criterion.within {
            return Standing::Restless { by };
        }
        if slope.abs() >= self.criterion.slope_per_hour {
            return Standing::Moving { slope_per_hour: slope };
        }
        let of_step = self.step.unwrap_or(0.0) / 12f64.sqrt();
        let of_slope = slope.abs() * window_ms as f64 / super::stamp::HOUR_MS as f64 / 2.0;
        let uncertainty = spread.scaled_mad.hypot(of_step.max(of_slope));
        Standing::Steady(Settled { reading: spread.median, uncertainty, slope_per_hour: slope, readings })
    }
}
