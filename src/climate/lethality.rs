//! Lethality of heat: temperature over time as minutes at a reference temperature (pasteurisation units).
//!
//! In: straight pieces of a temperature in °C, or a temperature held for minutes. Out: units, each one
//! minute at the scale's reference temperature. A figure without its scale says nothing, so the scale
//! carries its reference and z, and [`Scale::stated`] says them.
//! Left out: how many units are enough. That depends on what is to be killed; nothing here claims it.
//!
//! Source of the rate: W. D. Bigelow and others, Heat penetration in processing canned foods, National
//! Canners Association Bulletin 16-L, 1920 (from memory): 10^((T - reference) / z), the "general method"
//! when it is summed over a measured course. The sum here is the exact integral over each straight piece:
//! a trapezoid on the rate is more than twice too high where one piece spans 14 °C.

use super::degrees::Degrees;
use super::series::Piece;
use std::f64::consts::LN_10;

/// Temperatures over this count as this, °C: no water bath or steam at ordinary pressure comes near it.
pub const TEMPERATURE_MAX_C: f64 = 150.0;

/// A way to count lethality: its reference temperature, and how much one degree does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    reference_c: f64,
    /// Natural logarithm of the factor by which one degree more raises the rate.
    log_per_degree: f64,
}

impl Scale {
    /// The pasteurisation unit as brewers define it: 1.393^(T - 60) a minute, so z = 6.95 °C.
    ///
    /// Source: H. W. Del Vecchio, C. A. Dayharsh, F. C. Baselt, Proc. Am. Soc. Brew. Chem. 1951 (from
    /// memory); the formula was read in two later texts. 1.3 % over [`Scale::PASTEURISATION_Z7`] at 65 °C, 5.2 % at 80.
    pub const PASTEURISATION: Scale = Scale { reference_c: 60.0, log_per_degree: 0.331_459_694_797_668_7 };

    /// The same unit in its rounded form: 10^((T - 60) / 7) a minute.
    pub const PASTEURISATION_Z7: Scale = Scale { reference_c: 60.0, log_per_degree: LN_10 / 7.0 };

    /// A scale of your own: 1 unit a minute at `reference_c` (0..=150 °C), ten times that for every
    /// `z_c` (1..=100 °C) more. `None` outside those ranges.
    pub fn new(reference_c: f64, z_c: f64) -> Option<Scale> {
        let sensible = (0.0..=TEMPERATURE_MAX_C).contains(&reference_c) && (1.0..=100.0).contains(&z_c);
        sensible.then(|| Scale { reference_c, log_per_degree: LN_10 / z_c })
    }

    /// The temperature at which a minute is one unit, °C.
    pub fn reference_c(self) -> f64 {
        self.reference_c
    }

    /// How much hotter it must be for ten times the rate, °C.
    pub fn z_c(self) -> f64 {
        LN_10 / self.log_per_degree
    }

    /// The scale in words, to stand beside every figure: `reference 60 °C, z 6.95 °C`.
    pub fn stated(self) -> String {
        self.stated_in(Degrees::Celsius)
    }

    /// The same in the degrees a person reads; z is a difference.
    pub fn stated_in(self, show: Degrees) -> String {
        let z = (show.step(self.z_c()) * 100.0).round() / 100.0;
        format!("reference {}, z {z} {}", show.say_set(self.reference_c), show.unit())
    }

    /// Units a minute at `t_c` °C (over 150 counts as 150; what is no number as no heat at all).
    pub fn rate_per_min(self, t_c: f64) -> f64 {
        if t_c.is_nan() {
            return 0.0;
        }
        (self.log_per_degree * (t_c.min(TEMPERATURE_MAX_C) - self.reference_c)).exp()
    }

    /// Units of `minutes` (0 or more) held at `t_c` °C.
    pub fn held(self, t_c: f64, minutes: f64) -> f64 {
        self.rate_per_min(t_c) * minutes.max(0.0)
    }

    /// Units of one straight piece of a temperature in °C: the integral of the rate in closed form.
    ///
    /// It is minutes × (rate(to) - rate(from)) / x, with x = ln(10) (to - from) / z. Exact for every step of
    /// temperature up to 150 °C, level pieces included.
    pub fn units(self, piece: &Piece) -> f64 {
        let minutes = piece.hours() * 60.0;
        let (low, high) = piece.range();
        let span = self.log_per_degree * (high.min(TEMPERATURE_MAX_C) - low.min(TEMPERATURE_MAX_C));
        let mean_rate = if span > 1.0 {
            (self.rate_per_min(high) - self.rate_per_min(low)) / span
        } else if span > 0.0 {
            // The same, without the difference of two nearly equal rates.
            self.rate_per_min(low) * span.exp_m1() / span
        } else {
            self.rate_per_min(low)
        };
        minutes * mean_rate
    }
}
