//! A number as people and boards write it: decimal comma, unit stuck to it. Pure.
//!
//! In: text and the quantity it is to be. Out: the number in the quantity's own unit (°C, %, ppm; battery
//! in percent or volts). Left out: words for "no number".
//!
//! A comma is the decimal comma where it is the only mark; with a point beside it, or twice, it parts
//! thousands, and such a number is refused rather than guessed. So is `1,234` of CO2, which may be either.

use crate::climate::Quantity;

/// What a unit makes of a number: value = (number - `less`) / `by`.
struct Unit {
    words: &'static [&'static str],
    less: f64,
    by: f64,
}

const fn unit(words: &'static [&'static str], less: f64, by: f64) -> Unit {
    Unit { words, less, by }
}

/// Fahrenheit and kelvin by their definitions: 0 °C is 32 °F and 273.15 K (BIPM SI brochure, 2.3.1).
const TEMPERATURE: [Unit; 3] = [
    unit(&["c", "°c", "ºc", "℃", "degc", "°", "cel", "celsius"], 0.0, 1.0),
    unit(&["f", "°f", "ºf", "℉", "degf", "fahrenheit"], 32.0, 1.8),
    unit(&["k", "kelvin"], 273.15, 1.0),
];
const HUMIDITY: [Unit; 1] = [unit(&["%", "%rh", "rh", "%r.h.", "pct", "percent"], 0.0, 1.0)];
const CO2: [Unit; 1] = [unit(&["ppm"], 0.0, 1.0)];
const BATTERY: [Unit; 2] =
    [unit(&["%", "v", "volt", "volts", "pct", "percent"], 0.0, 1.0), unit(&["mv"], 0.0, 1_000.0)];

fn units(quantity: Quantity) -> &'static [Unit] {
    match quantity {
        Quantity::Temperature => &TEMPERATURE,
        Quantity::Humidity => &HUMIDITY,
        Quantity::Co2 => &CO2,
        Quantity::Battery => &BATTERY,
    }
}

/// The unit called `word` of `quantity`; of any where none is given.
fn unit_of(word: &str, quantity: Option<Quantity>) -> Option<&'static Unit> {
    let word: String = word.chars().filter(|c| !c.is_whitespace()).flat_map(char::to_lowercase).collect();
    let of = |quantity| units(quantity).iter().find(|unit| unit.words.contains(&word.as_str()));
    match quantity {
        Some(quantity) => of(quantity),
        None => Quantity::ALL.into_iter().find_map(of),
    }
}

/// Whether `word` is a unit.
pub(super) fn is_unit(word: &str) -> bool {
    unit_of(word, None).is_some()
}

/// The number in `text`, which is trimmed, as `quantity`; without one, of any. `None` where there is
/// none, or in a unit of something else. May be NaN or infinite, where that is what was written.
pub(super) fn number(text: &str, quantity: Option<Quantity>) -> Option<f64> {
    if let Ok(number) = text.parse() {
        return Some(number);
    }
    let (digits, word) = text.split_at(end_of_number(text));
    let number = plain(digits, quantity)?;
    if word.trim().is_empty() {
        return Some(number);
    }
    let unit = unit_of(word, quantity)?;
    if (unit.less, unit.by) == (0.0, 1.0) {
        return Some(number);
    }
    // Finer than any probe, and no tail of digits that nobody measured.
    Some(((number - unit.less) / unit.by * 10_000.0).round() / 10_000.0)
}

/// Where the number at the start of `text` ends.
fn end_of_number(text: &str) -> usize {
    let bytes = text.as_bytes();
    let sign = usize::from(bytes.first().is_some_and(|byte| matches!(byte, b'+' | b'-')));
    let run = |from: usize, of: fn(&u8) -> bool| from + bytes[from..].iter().take_while(|byte| of(byte)).count();
    let end = run(sign, |byte| byte.is_ascii_digit() || matches!(byte, b'.' | b','));
    // An exponent, where digits follow it.
    if bytes.get(end).is_some_and(|byte| matches!(byte, b'e' | b'E')) {
        let from = end + 1 + usize::from(bytes.get(end + 1).is_some_and(|byte| matches!(byte, b'+' | b'-')));
        let exponent = if from <= bytes.len() { run(from, u8::is_ascii_digit) } else { from };
        if exponent > from {
            return exponent;
        }
    }
    end
}

/// A number without a unit, its comma read as the decimal one.
fn plain(digits: &str, quantity: Option<Quantity>) -> Option<f64> {
    let Some((whole, rest)) = digits.split_once(',') else { return digits.parse().ok() };
    let decimals = rest.bytes().take_while(u8::is_ascii_digit).count();
    let thousands = quantity == Some(Quantity::Co2) && decimals == 3 && rest.len() == 3;
    if rest.contains([',', '.']) || whole.contains('.') || decimals == 0 || thousands {
        return None;
    }
    format!("{whole}.{rest}").parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_as_they_are_written() {
        use Quantity::{Battery, Co2, Humidity, Temperature};
        for (text, quantity, expected) in [
            ("23.4", Temperature, Some(23.4)),
            ("23,4", Temperature, Some(23.4)),
            ("-0,5", Temperature, Some(-0.5)),
            ("+23.4C", Temperature, Some(23.4)),
            ("23.4 °C", Temperature, Some(23.4)),
            ("23,4℃", Temperature, Some(23.4)),
            ("74.1F", Temperature, Some(23.3889)),
            ("212 °F", Temperature, Some(100.0)),
            ("-40F", Temperature, Some(-40.0)),
            ("298.15K", Temperature, Some(25.0)),
            ("2.5e1C", Temperature, Some(25.0)),
            ("2.5E1", Temperature, Some(25.0)),
            ("88%", Humidity, Some(88.0)),
            ("88,2 % RH", Humidity, Some(88.2)),
            ("812ppm", Co2, Some(812.0)),
            ("812,5", Co2, Some(812.5)),
            ("3.71V", Battery, Some(3.71)),
            ("3710mV", Battery, Some(3.71)),
            ("97 %", Battery, Some(97.0)),
            ("1,234", Co2, None),
            ("1,234.5", Co2, None),
            ("1.234,5", Temperature, None),
            ("1,2,3", Temperature, None),
            ("23,", Temperature, None),
            (",5", Temperature, Some(0.5)),
            ("88%", Temperature, None),
            ("23.4F", Humidity, None),
            ("23.4 bananas", Temperature, None),
            ("C", Temperature, None),
            ("", Temperature, None),
            ("e5", Temperature, None),
            ("5e", Temperature, None),
            ("--5", Temperature, None),
            ("0x17", Temperature, None),
        ] {
            assert_eq!(number(text, Some(quantity)), expected, "{text} as {}", quantity.word());
        }
        assert!(number("nan", Some(Temperature)).is_some_and(f64::is_nan));
        assert!(is_unit("°C") && is_unit("%") && !is_unit("ok"));
    }
}
