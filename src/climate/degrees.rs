//! The degrees a person reads: Celsius, or Fahrenheit where the config says so.
//!
//! In: °C. Out: text. Everything that is computed, stored, exported or sent as JSON stays in °C. A
//! temperature and a difference of two are converted differently: the name says which. Pure.

/// Which degrees are shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Degrees {
    /// °C.
    #[default]
    Celsius,
    /// °F = °C × 9/5 + 32 (exact; ISO 80000-5 and NIST SP 811, appendix B.9).
    Fahrenheit,
}

impl Degrees {
    /// Their sign.
    pub fn unit(self) -> &'static str {
        match self {
            Degrees::Celsius => "°C",
            Degrees::Fahrenheit => "°F",
        }
    }

    /// A temperature given in °C, in these.
    pub fn of(self, celsius: f64) -> f64 {
        match self {
            Degrees::Celsius => celsius,
            Degrees::Fahrenheit => celsius * 1.8 + 32.0,
        }
    }

    /// A difference given in K, in these.
    pub fn step(self, kelvin: f64) -> f64 {
        match self {
            Degrees::Celsius => kelvin,
            Degrees::Fahrenheit => kelvin * 1.8,
        }
    }

    /// A temperature with its sign, with `digits` decimals.
    pub fn say(self, celsius: f64, digits: usize) -> String {
        format!("{:.digits$} {}", self.of(celsius), self.unit())
    }

    /// A difference with its sign, with `digits` decimals.
    pub fn say_step(self, kelvin: f64, digits: usize) -> String {
        format!("{:.digits$} {}", self.step(kelvin), self.unit())
    }

    /// A temperature a person gave, with its sign and no more decimals than it needs, two at most.
    pub fn say_set(self, celsius: f64) -> String {
        format!("{} {}", (self.of(celsius) * 100.0).round() / 100.0, self.unit())
    }
}

#[cfg(test)]
mod tests {
    use super::Degrees::{Celsius, Fahrenheit};

    #[test]
    fn fixed_points_and_differences() {
        assert_eq!([Fahrenheit.of(0.0), Fahrenheit.of(100.0), Fahrenheit.of(-40.0)], [32.0, 212.0, -40.0]);
        assert_eq!((Fahrenheit.say(28.4, 1), Fahrenheit.say_step(0.5, 1)), ("83.1 °F".to_owned(), "0.9 °F".to_owned()));
        assert_eq!((Celsius.say(28.4, 1), Celsius.say_step(0.5, 1)), ("28.4 °C".to_owned(), "0.5 °C".to_owned()));
        assert_eq!((Celsius.say_set(65.0), Fahrenheit.say_set(65.0)), ("65 °C".to_owned(), "149 °F".to_owned()));
    }
}
