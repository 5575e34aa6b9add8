//! Invented nights, the same from the same seed.
//!
//! A shelf (heated, 22 °C, one air probe, one core in tub A1) and a fruiting tent (15 °C, 90 %RH) from
//! 18:00 to 08:00, one reading a minute. Everything is made up; the shapes are the trade's (common
//! practice, no source), the physics is kept to two facts computed from published figures: a 12 cm cake
//! follows its air with a time constant of about 6 hours, and sits 2 to 3 °C over it.
//!
//! - air: the thermostat's sawtooth (period 20 to 40 min, half a degree either way), noise of 0.05 °C,
//!   a resolution of 0.1 °C
//! - core: a first-order lag of 6 h behind air and its own heat, noise of 0.03 °C, steps of 1/16 °C
//! - tent: humidifier cycling, CO2 of 600 to 900 ppm
//!
//! Kinds of quiet nights: `noise` (lone wild values and error codes, one in 150), `humidifier` (80 to 97 %
//! every quarter of an hour), `doors` (three openings of 10 to 25 min: colder, dry, fresh), `heater`
//! (hysteresis of 1.5 °C either way), `dropouts` (each probe silent six times for up to 8 min), `sun` (up to
//! 5 °C on the tent's and 4 °C on the shelf's air in the last hours, over the limit for less than an hour), `cold`
//! (the room sinks by 9 °C).
//!
//! Nights that must wake: `runaway` (own heat that grows by a fifth with each degree, so that 33 °C is
//! reached before morning), `heater-stuck` (from 22:00 the heater is on for good: 40 °C in three hours),
//! `probe-lost` (from 22:00 neither probe of the shelf says anything, the port being well).

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};

pub const MIN_MS: i64 = 60_000;
/// From 18:00 to 08:00.
pub const MINUTES: i64 = 14 * 60;
/// Trouble begins at 22:00.
pub const TROUBLE_MIN: i64 = 4 * 60;

pub const QUIET: [&str; 7] = ["noise", "humidifier", "doors", "heater", "dropouts", "sun", "cold"];

/// What the probes say in one minute; none: nothing.
#[derive(Clone, Copy, Debug, Default)]
pub struct Minute {
    pub shelf_c: Option<f64>,
    pub core_c: Option<f64>,
    /// Temperature, humidity, CO2.
    pub tent: Option<(f64, f64, f64)>,
    /// The core without its noise, °C.
    pub true_core_c: f64,
}

/// One night.
pub struct Night {
    rng: StdRng,
    kind: &'static str,
    period: f64,
    phase: f64,
    own_heat_k: f64,
    core_c: f64,
    doors: Vec<(i64, i64)>,
    silences: [Vec<(i64, i64)>; 3],
}

impl Night {
    pub fn new(kind: &'static str, seed: u64) -> Night {
        let mut rng = StdRng::seed_from_u64(seed);
        let own_heat_k = rng.random_range(1.0..3.0);
        let mut spans = |count: usize, least: i64, most: i64| -> Vec<(i64, i64)> {
            let span = |_| {
                let from = rng.random_range(0..MINUTES);
                (from, from + rng.random_range(least..=most))
            };
            (0..count).map(span).collect()
        };
        let doors = if kind == "doors" { spans(3, 10, 25) } else { Vec::new() };
        let silences = [0; 3].map(|_| if kind == "dropouts" { spans(6, 2, 8) } else { Vec::new() });
        Night {
            kind,
            period: rng.random_range(20.0..40.0),
            phase: rng.random_range(0.0..1.0),
            core_c: if kind == "runaway" { 26.0 } else { 22.0 + own_heat_k },
            own_heat_k,
            doors,
            silences,
            rng,
        }
    }

    /// What is read in minute `minute` of the night; to be asked for in order.
    pub fn minute(&mut self, minute: i64) -> Minute {
        let air_c = self.air_c(minute);
        self.heat_cake(air_c, minute);
        let shelf = quantised(air_c + self.noise(0.05), 0.1);
        let core = quantised(self.core_c + self.noise(0.03), 1.0 / 16.0);
        let tent = self.tent(minute);
        let lost = self.kind == "probe-lost" && minute >= TROUBLE_MIN;
        let silent = |probe: usize| self.silences[probe].iter().any(|(from, to)| (*from..*to).contains(&minute));
        let (silent_shelf, silent_core, silent_tent) = (silent(0), silent(1), silent(2));
        let (shelf, core) = (self.wild(shelf), self.wild(core));
        Minute {
            shelf_c: Some(shelf).filter(|_| !lost && !silent_shelf),
            core_c: Some(core).filter(|_| !lost && !silent_core),
            tent: Some(tent).filter(|_| !silent_tent),
            true_core_c: self.core_c,
        }
    }

    fn air_c(&mut self, minute: i64) -> f64 {
        let turn = (minute as f64 / self.period + self.phase).fract();
        let saw = if turn < 0.4 { turn / 0.4 } else { (1.0 - turn) / 0.6 } * 2.0 - 1.0;
        let swing = if self.kind == "heater" { 1.5 } else { 0.5 };
        let mut air_c = 22.0 + swing * saw;
        if self.is_open(minute) {
            air_c -= 4.0;
        }
        match self.kind {
            // A hump over the last three hours.
            "sun" => air_c += 4.0 * hump(minute, MINUTES - 180, MINUTES),
            "cold" => air_c -= 9.0 * (minute as f64 / (MINUTES - 120) as f64).min(1.0),
            "heater-stuck" if minute >= TROUBLE_MIN => {
                air_c = 22.0 + 18.0 * ((minute - TROUBLE_MIN) as f64 / 180.0).min(1.0);
            }
            _ => {}
        }
        air_c
    }

    fn heat_cake(&mut self, air_c: f64, minute: i64) {
        let tau_min = 6.0 * 60.0;
        let own_k = if self.kind == "runaway" {
            // A fifth more with each degree.
            let begun = (minute as f64 / 60.0).min(1.0);
            4.0 + begun * 3.6 * (1.2_f64.powf(self.core_c - 26.0))
        } else {
            self.own_heat_k
        };
        self.core_c += (air_c + own_k - self.core_c) / tau_min;
    }

    fn tent(&mut self, minute: i64) -> (f64, f64, f64) {
        let turn = (minute as f64 / 15.0 + self.phase).fract();
        let saw = if turn < 0.3 { turn / 0.3 } else { (1.0 - turn) / 0.7 };
        let (low, high) = if self.kind == "humidifier" { (80.0, 97.0) } else { (88.0, 94.0) };
        let mut air = (15.0 + self.noise(0.05), low + (high - low) * saw + self.noise(0.5), 750.0 + self.noise(40.0));
        if self.is_open(minute) {
            air = (air.0 + 2.0, 62.0 + self.noise(1.0), 480.0 + self.noise(20.0));
        }
        if self.kind == "sun" {
            air.0 += 5.0 * hump(minute, MINUTES - 60, MINUTES);
            air.1 -= 6.0 * hump(minute, MINUTES - 60, MINUTES);
        }
        (quantised(air.0, 0.1), quantised(air.1.min(100.0), 0.1), quantised(air.2, 1.0))
    }

    fn is_open(&self, minute: i64) -> bool {
        self.doors.iter().any(|(from, to)| (*from..*to).contains(&minute))
    }

    /// About normal: the mean of four.
    fn noise(&mut self, deviation: f64) -> f64 {
        let sum: f64 = (0..4).map(|_| self.rng.random_range(-1.0..1.0)).sum();
        sum * deviation * 0.866
    }

    /// Now and then nonsense, in noisy nights.
    fn wild(&mut self, value: f64) -> f64 {
        let draw = self.rng.random_range(0..150);
        match (self.kind, draw) {
            ("noise", 0) => [85.0, -127.0, 999.9][self.rng.random_range(0..3)],
            ("noise", 1) => value + self.rng.random_range(-15.0..15.0),
            _ => value,
        }
    }
}

fn hump(minute: i64, from: i64, to: i64) -> f64 {
    if minute < from {
        return 0.0;
    }
    let share = (minute - from) as f64 / (to - from) as f64;
    (share * std::f64::consts::PI).sin().max(0.0)
}

fn quantised(value: f64, step: f64) -> f64 {
    // Rounded once more, so that 22.3 is 22.3 and not its neighbour.
    ((value / step).round() * step * 1e4).round() / 1e4
}
