//! Probe judgement: which values of a series may be believed.
//!
//! In: one series' readings in time order, raw, with what was known on arrival. Out: the same
//! readings in the same order with their final quality. A pure fold: pushing one by one and then
//! asking for [`Judge::pending`] equals judging the whole, so figures depend on what is stored.
//! Left out: what only other probes tell.
//!
//! Three steps, the first two holding back only what the next readings may still change:
//! 1. 85.0 °C exactly, the power-on value of a common one-wire thermometer, is an error code only
//!    where the readings on both sides are far from it; a bucket cooling through 85.0 is true.
//! 2. A lone reading far from those before it (Hampel 1974: median and median absolute deviation)
//!    waits for the next: where that agrees, or goes further the same way, it was a real jump.
//! 3. Values that stand still, see [`super::still`].

use std::collections::VecDeque;

use super::still::{SATURATED_MS, STUCK_MS, Still};
use crate::climate::stamp::MINUTE_MS;
use crate::climate::{Quality, Quantity, Reading, Stamp};

/// What a one-wire thermometer says before its first measurement, °C.
const POWER_ON_C: f64 = 85.0;
/// A neighbour this near makes 85.0 a true reading, K.
const POWER_ON_NEAR_K: f64 = 5.0;
/// Neighbours for the spike test: enough for a median to outvote three bad ones.
const NEIGHBOURS: usize = 7;
/// Readings further apart than this are no neighbours: after a silence a jump is no spike.
const WINDOW_MS: i64 = 15 * MINUTE_MS;
/// Readings that may wait for their final quality, in each step. A run of 85.0 longer than this is
/// an error code for certain; the bound holds memory at 3 KiB a series at worst.
const WAITING_MAX: usize = 64;
/// Makes the median absolute deviation of a normal distribution its standard deviation.
const MAD_TO_SIGMA: f64 = 1.4826;
/// Standard deviations from the median, the usual choice for a Hampel filter.
const SIGMAS: f64 = 3.0;

/// How long before a moment judging must begin so that the judgement at that moment no longer
/// depends on where it began (unbroken runs of doubtful values apart), milliseconds. For readers of a
/// part of a series.
pub const LEAD_IN_MS: i64 = 2 * WINDOW_MS + if SATURATED_MS > STUCK_MS { SATURATED_MS } else { STUCK_MS };

/// What the value alone tells.
///
/// `value` is raw, in the quantity's unit. Not finite, -127 and 999.9 are error codes (of
/// disconnected thermometers and of climate sensors; common practice, no source). Outside the
/// range, ends included where not said otherwise, is impossible: temperature over -40 (itself an
/// error code) up to 130 °C (a heat run in a pressure cooker reaches 125); humidity 0 to 105 %
/// (elements overshoot when wet); CO2 over 0 (sensors say 0 while they warm up) up to 100 000 ppm;
/// battery 0 to 110 (percent, or volts). 0.0 °C and 85.0 °C are good: a probe in ice is true, and
/// 85.0 is judged with its neighbours. CO2 under the outdoor level is kept: a correction may lift it.
pub fn on_arrival(quantity: Quantity, value: f64) -> Quality {
    if !value.is_finite() || (value + 127.0).abs() <= 0.01 || (value - 999.9).abs() <= 0.005 {
        return Quality::Sentinel;
    }
    let possible = match quantity {
        Quantity::Temperature => value > -40.0 && value <= 130.0,
        Quantity::Humidity => (0.0..=105.0).contains(&value),
        Quantity::Co2 => value > 0.0 && value <= 100_000.0,
        Quantity::Battery => (0.0..=110.0).contains(&value),
    };
    if possible { Quality::Good } else { Quality::OutOfRange }
}

/// How far is far: a jump smaller than this is never a spike. °C, points of %RH, ppm.
fn floor(quantity: Quantity, last: f64) -> f64 {
    match quantity {
        Quantity::Temperature => 3.0,
        Quantity::Humidity => 10.0,
        // Concentrations swing in proportion; 200 ppm is the noise of a cheap sensor.
        Quantity::Co2 => (0.3 * last.abs()).max(200.0),
        // Charge enters no figure and no alert in context.
        Quantity::Battery => f64::INFINITY,
    }
}

/// How near is agreement: within this two readings in a row vouch for each other.
fn agreement(quantity: Quantity, suspect: f64) -> f64 {
    match quantity {
        Quantity::Temperature => 1.0,
        Quantity::Humidity => 3.0,
        Quantity::Co2 => (0.1 * suspect.abs()).max(50.0),
        Quantity::Battery => f64::INFINITY,
    }
}

/// The judge of one series.
#[derive(Clone, Debug)]
pub struct Judge {
    quantity: Quantity,
    /// The latest believed value that is not 85.0.
    before: Option<f64>,
    /// A run of 85.0 with what came between; empty most of the time.
    power_on: VecDeque<Reading>,
    recent: Recent,
    /// Led by one suspect, followed by bad values only; empty most of the time.
    suspects: VecDeque<Reading>,
    still: Still,
}

impl Judge {
    /// A judge that has seen nothing.
    pub fn new(quantity: Quantity) -> Judge {
        Judge {
            quantity,
            before: None,
            power_on: VecDeque::new(),
            recent: Recent::default(),
            suspects: VecDeque::new(),
            still: Still::new(),
        }
    }

    /// Takes the next reading in time order, with the quality known on arrival, and appends the
    /// readings whose quality is now final, in order. Readings that are not good on arrival keep
    /// their quality and are nobody's neighbour. Allocates only while something is in doubt.
    pub fn push(&mut self, reading: Reading, settled: &mut Vec<Reading>) {
        let before = settled.len();
        self.push_on(reading, settled);
        for reading in &mut settled[before..] {
            self.still.judge(self.quantity, reading);
        }
    }

    fn push_on(&mut self, mut reading: Reading, settled: &mut Vec<Reading>) {
        if reading.quality == Quality::Good {
            // Whoever kept it may have known less; asking again costs next to nothing.
            reading.quality = on_arrival(self.quantity, reading.value);
        }
        let good = reading.quality == Quality::Good;
        if good && self.quantity == Quantity::Temperature && reading.value == POWER_ON_C {
            let near = self.before.is_some_and(|before| (before - POWER_ON_C).abs() <= POWER_ON_NEAR_K);
            if near {
                self.judge_jump(reading, settled);
            } else {
                self.wait_for_neighbour(reading, settled);
            }
        } else if good {
            if !self.power_on.is_empty() {
                let near = (reading.value - POWER_ON_C).abs() <= POWER_ON_NEAR_K;
                self.settle_power_on(if near { Quality::Good } else { Quality::Sentinel }, settled);
            }
            self.before = Some(reading.value);
            self.judge_jump(reading, settled);
        } else if self.power_on.is_empty() {
            self.judge_jump(reading, settled);
        } else {
            self.wait_for_neighbour(reading, settled);
        }
    }

    /// The readings that are not final yet, in order, with the quality they have if nothing follows:
    /// a suspect alone is a spike, 85.0 without a near neighbour an error code.
    pub fn pending(&self) -> impl Iterator<Item = Reading> + '_ {
        let as_if = |quality| move |reading: &Reading| if_good(*reading, quality);
        self.suspects.iter().map(as_if(Quality::Spike)).chain(self.power_on.iter().map(as_if(Quality::Sentinel)))
    }

    /// How many readings are not final yet.
    pub fn pending_len(&self) -> usize {
        self.suspects.len() + self.power_on.len()
    }

    fn wait_for_neighbour(&mut self, reading: Reading, settled: &mut Vec<Reading>) {
        if self.power_on.len() == WAITING_MAX
            && let Some(oldest) = self.power_on.pop_front()
        {
            self.judge_jump(if_good(oldest, Quality::Sentinel), settled);
        }
        self.power_on.push_back(reading);
    }

    fn settle_power_on(&mut self, quality: Quality, settled: &mut Vec<Reading>) {
        while let Some(reading) = self.power_on.pop_front() {
            self.judge_jump(if_good(reading, quality), settled);
        }
    }

    /// The second step.
    fn judge_jump(&mut self, reading: Reading, settled: &mut Vec<Reading>) {
        if self.suspects.is_empty() {
            if reading.quality != Quality::Good {
                settled.push(reading);
            } else {
                self.accept_or_suspect(reading, settled);
            }
        } else if reading.quality != Quality::Good {
            if self.suspects.len() == WAITING_MAX {
                self.settle_suspect(Quality::Spike, settled);
                settled.push(reading);
            } else {
                self.suspects.push_back(reading);
            }
        } else {
            let verdict = self.verdict_on_suspect(&reading);
            self.settle_suspect(verdict, settled);
            self.accept_or_suspect(reading, settled);
        }
    }

    /// What the next good reading makes of the suspect.
    fn verdict_on_suspect(&self, next: &Reading) -> Quality {
        let Some(suspect) = self.suspects.front() else { return Quality::Good };
        let agrees = (next.value - suspect.value).abs() <= agreement(self.quantity, suspect.value);
        // A fast climb: the suspect lies between the readings before it and the next, so it is not
        // alone; else a probe put into hot water would never be believed.
        let on_the_way = self.is_far(next)
            && self.recent.last().is_some_and(|last| (next.value - suspect.value) * (suspect.value - last.value) > 0.0);
        if agrees || on_the_way { Quality::Good } else { Quality::Spike }
    }

    fn settle_suspect(&mut self, quality: Quality, settled: &mut Vec<Reading>) {
        while let Some(reading) = self.suspects.pop_front() {
            let reading = if_good(reading, quality);
            if reading.quality == Quality::Good {
                self.recent.add(reading.at, reading.value);
            }
            settled.push(reading);
        }
    }

    fn accept_or_suspect(&mut self, reading: Reading, settled: &mut Vec<Reading>) {
        if self.is_far(&reading) {
            self.suspects.push_back(reading);
        } else {
            self.recent.add(reading.at, reading.value);
            settled.push(reading);
        }
    }

    /// Far from the reading before it and from the middle of the last few.
    fn is_far(&self, reading: &Reading) -> bool {
        let Some(last) = self.recent.last() else { return false };
        let floor = floor(self.quantity, last.value);
        if reading.at.since(last.at) > WINDOW_MS || (reading.value - last.value).abs() <= floor {
            return false;
        }
        let (median, deviation) = self.recent.median_and_deviation(reading.at);
        (reading.value - median).abs() > floor.max(SIGMAS * MAD_TO_SIGMA * deviation)
    }
}

/// The reading with `quality` in place of good; a bad one keeps its own.
fn if_good(mut reading: Reading, quality: Quality) -> Reading {
    if reading.quality == Quality::Good {
        reading.quality = quality;
    }
    reading
}

/// A believed value and its time.
#[derive(Clone, Copy, Debug, Default)]
struct Neighbour {
    at: Stamp,
    value: f64,
}

/// The last few believed values, in a ring.
#[derive(Clone, Copy, Debug, Default)]
struct Recent {
    ring: [Neighbour; NEIGHBOURS],
    filled: usize,
    next: usize,
}

impl Recent {
    fn add(&mut self, at: Stamp, value: f64) {
        self.ring[self.next] = Neighbour { at, value };
        self.next = (self.next + 1) % NEIGHBOURS;
        self.filled = (self.filled + 1).min(NEIGHBOURS);
    }

    fn last(&self) -> Option<Neighbour> {
        (self.filled > 0).then(|| self.ring[(self.next + NEIGHBOURS - 1) % NEIGHBOURS])
    }

    /// Median and median absolute deviation of those within the window before `at`; zero and zero
    /// where there are none (the caller has seen to it that there is one).
    fn median_and_deviation(&self, at: Stamp) -> (f64, f64) {
        let mut values = [0.0; NEIGHBOURS];
        let mut count = 0;
        for neighbour in &self.ring[..self.filled] {
            if at.since(neighbour.at) <= WINDOW_MS {
                values[count] = neighbour.value;
                count += 1;
            }
        }
        let median = median(&mut values[..count]);
        for value in &mut values[..count] {
            *value = (*value - median).abs();
        }
        (median, self::median(&mut values[..count]))
    }
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    match values.len() {
        0 => 0.0,
        odd if odd % 2 == 1 => values[odd / 2],
        even => f64::midpoint(values[even / 2 - 1], values[even / 2]),
    }
}
