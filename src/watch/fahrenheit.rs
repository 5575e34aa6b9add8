//! Notices a thermometer that speaks Fahrenheit while the config takes it for Celsius.
//!
//! In: a probe's good raw temperatures. Out: once, that they look like degrees Fahrenheit.
//! Left out: what is done about it; the values stay as they are, a person must look.

/// 15 to 40 °C, the world of tubs, in degrees Fahrenheit.
const LIKELY: std::ops::RangeInclusive<f64> = 59.0..=104.0;
/// Under this it is Celsius for certain: a room at 10 °C or colder would be needed for the other.
const SURELY_CELSIUS: f64 = 50.0;
/// This many in a row, and no more apart than `SPREAD`, are no accident.
const READINGS: u8 = 10;
/// A room stands still; water that is heated, whose Celsius values look the same, does not.
const SPREAD: f64 = 10.0;

/// The detector of one probe.
#[derive(Clone, Copy, Debug, Default)]
pub struct Fahrenheit {
    settled: bool,
    count: u8,
    low: f64,
    high: f64,
}

impl Fahrenheit {
    /// Takes the next good raw temperature; true once, when the suspicion is confirmed: ten in a row
    /// from 59 to 104, within 10 of each other, and never one under 50.
    pub fn push(&mut self, raw: f64) -> bool {
        if self.settled {
            return false;
        }
        if raw < SURELY_CELSIUS {
            self.settled = true;
            return false;
        }
        if !LIKELY.contains(&raw) {
            self.count = 0;
            return false;
        }
        (self.low, self.high) = if self.count == 0 { (raw, raw) } else { (self.low.min(raw), self.high.max(raw)) };
        self.count = if self.high - self.low > SPREAD { 0 } else { self.count + 1 };
        self.settled = self.count == READINGS;
        self.settled
    }
}

#[cfg(test)]
mod tests {
    use super::Fahrenheit;

    fn told(values: impl IntoIterator<Item = f64>) -> usize {
        let mut detector = Fahrenheit::default();
        values.into_iter().filter(|value| detector.push(*value)).count()
    }

    #[test]
    fn a_room_in_fahrenheit_is_told_once() {
        assert_eq!(told((0..100).map(|i| 75.0 + f64::from(i % 3))), 1);
    }

    #[test]
    fn celsius_is_not_mistaken_for_it() {
        assert_eq!(told((0..100).map(|_| 24.0)), 0);
        // A heat run: from the room's temperature up to 70 °C and held there.
        assert_eq!(told((20..70).map(f64::from).chain((0..100).map(|_| 70.0))), 0);
        // A probe first heard in water that heats.
        assert_eq!(told((0..40).map(|i| 55.0 + 1.5 * f64::from(i))), 0);
        assert_eq!(told([]), 0);
    }
}
