//! One probe as the keeper sees it: its judges, its last good readings, its silence.
//!
//! In: samples and arrivals. Out: settled readings and health. Silence runs on arrival, all else in
//! sample time.

use crate::climate::stamp::{HOUR_MS, MINUTE_MS};
use crate::climate::trend::Thinner;
use crate::climate::{Quality, Quantity, Reading, Stamp};
use crate::grow::thermal::Gaps;
use crate::watch::fahrenheit::Fahrenheit;
use crate::watch::judge::{Judge, on_arrival};
use crate::watch::setup::ProbeSetup;

use super::book::Slot;
use super::doubts::Doubts;

/// Intervals without a reading until a probe is silent.
const SILENT_INTERVALS: i64 = 3;
/// A condition is raised only on a sample younger than this, or than the silence limit if longer.
const FRESH_MS: i64 = 10 * MINUTE_MS;
/// The trend is taken over this many hours, in five-minute points.
const TREND_HOURS: u32 = 4;
const TREND_POINTS: usize = 48;
/// A trend of less than this is not told, hours.
const TREND_HOURS_MIN: f64 = 1.0;
/// How long a silence of a core, or of a heated space's last probe, is only advice.
pub(super) const SILENT_LONG_MS: i64 = HOUR_MS;

/// Whether a probe can be believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Health {
    /// It reports, and what it says is believed.
    Reporting,
    /// Nothing for three times its interval, or never.
    Silent,
    /// It reports, but the same for hours while others moved, or after it had jittered.
    Stuck,
    /// It reports, but its last readings were error codes, spikes or impossible.
    Implausible,
    /// It reports, but its humidity element is wet.
    Saturated,
}

impl Health {
    /// The word used in JSON.
    pub fn word(self) -> &'static str {
        match self {
            Health::Reporting => "reporting",
            Health::Silent => "silent",
            Health::Stuck => "stuck",
            Health::Implausible => "implausible",
            Health::Saturated => "saturated",
        }
    }
}

/// The live state of one probe.
#[derive(Clone, Debug)]
pub(super) struct ProbeState {
    pub(super) setup: ProbeSetup,
    pub(super) subject: String,
    judges: [Judge; 3],
    fahrenheit: Fahrenheit,
    /// Told and not fetched yet.
    pub(super) looks_fahrenheit: bool,
    pub(super) trend: Thinner,
    /// Newest dated sample.
    pub(super) last_at: Option<Stamp>,
    /// Newest arrival that shows it lives.
    pub(super) heard_at: Option<Stamp>,
    /// Since when the silence is counted.
    pub(super) quiet_since: Stamp,
    /// Last good corrected reading, by [`Quantity::index`].
    pub(super) good: [Option<(Stamp, f64)>; 4],
    pub(super) doubts: Doubts,
    pub(super) slot: Slot,
    /// Spaces whose air it measures, with its rank there.
    pub(super) air_of: Vec<(usize, usize)>,
    /// Positions of the live tubs it is the core of, or stands in for.
    pub(super) core_of: Vec<usize>,
    /// Names of the tubs it sits in.
    pub(super) sits_in: Vec<String>,
}

impl ProbeState {
    pub(super) fn new(setup: ProbeSetup, now: Stamp) -> ProbeState {
        ProbeState {
            subject: format!("probe {}", setup.name),
            judges: [Quantity::Temperature, Quantity::Humidity, Quantity::Co2].map(Judge::new),
            fahrenheit: Fahrenheit::default(),
            looks_fahrenheit: false,
            trend: Thinner::new(TREND_HOURS, TREND_POINTS),
            last_at: None,
            heard_at: None,
            quiet_since: now,
            good: [None; 4],
            doubts: Doubts::new(),
            slot: Slot::default(),
            air_of: Vec::new(),
            core_of: Vec::new(),
            sits_in: Vec::new(),
            setup,
        }
    }

    /// No reading for longer than this is silence, ms.
    pub(super) fn silent_ms(&self) -> i64 {
        self.setup.every_ms.saturating_mul(SILENT_INTERVALS)
    }

    /// Whether a sample at `at` tells of the present.
    pub(super) fn is_fresh(&self, at: Stamp, now: Stamp) -> bool {
        now.since(at) <= self.silent_ms().max(FRESH_MS)
    }

    /// Whether it has reported of late.
    pub(super) fn reports(&self, now: Stamp) -> bool {
        self.heard_at.is_some_and(|heard| now.since(heard) <= self.silent_ms())
    }

    pub(super) fn health(&self, now: Stamp) -> Health {
        if !self.reports(now) {
            Health::Silent
        } else if self.doubts.implausible(self.pending()).is_some() {
            Health::Implausible
        } else if self.doubts.stuck().is_some() {
            Health::Stuck
        } else if self.doubts.is_saturated() {
            Health::Saturated
        } else {
            Health::Reporting
        }
    }

    /// How many readings of each quantity wait for their judgement, and the first of them.
    pub(super) fn pending(&self) -> [Option<(u32, Reading)>; 3] {
        self.judges.each_ref().map(|judge| {
            let first = judge.pending().next()?;
            Some((judge.pending_len() as u32, first))
        })
    }

    /// Judges the next raw value; what is settled by it is appended.
    #[inline]
    pub(super) fn judge(&mut self, quantity: Quantity, reading: Reading, settled: &mut Vec<Reading>) {
        match self.judges.get_mut(quantity.index()) {
            Some(judge) => judge.push(reading, settled),
            None if reading.quality == Quality::Good => {
                settled.push(Reading { quality: on_arrival(quantity, reading.value), ..reading });
            }
            None => settled.push(reading),
        }
    }

    /// Takes a settled raw reading into the probe's own state; its corrected value if it is good.
    #[inline]
    pub(super) fn settle(&mut self, quantity: Quantity, reading: Reading) -> Option<f64> {
        let index = quantity.index();
        let value = corrected(&self.setup, quantity, reading.value);
        self.doubts.settle(quantity, &reading);
        if reading.quality != Quality::Good || !value.is_finite() {
            return None;
        }
        self.good[index] = Some((reading.at, value));
        if quantity == Quantity::Temperature {
            self.looks_fahrenheit |= self.fahrenheit.push(reading.value);
            self.trend.push(reading.at, value);
        }
        Some(value)
    }

    /// °C an hour, robustly, once there is an hour of it.
    pub(super) fn slope(&self) -> Option<f64> {
        let long_enough = self.trend.hours_spanned() >= TREND_HOURS_MIN;
        long_enough.then(|| self.trend.slope_per_hour(f64::from(TREND_HOURS)))?
    }

    pub(super) fn core_gaps(&self) -> Gaps {
        Gaps::for_core(self.setup.every_ms)
    }

    pub(super) fn air_gaps(&self) -> Gaps {
        Gaps::for_air(self.setup.every_ms)
    }
}

/// Corrected for its probe; humidity is cut to 0..=100, which a wet element or a correction overshoots.
fn corrected(setup: &ProbeSetup, quantity: Quantity, raw: f64) -> f64 {
    let value = setup.correction[quantity.index()].apply(raw);
    if quantity == Quantity::Humidity { value.clamp(0.0, 100.0) } else { value }
}
