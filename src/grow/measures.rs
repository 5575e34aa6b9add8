//! Masses and volumes as a grower types them.
//!
//! In: `412g`, `0.4kg`, `412` (grams); `2L`, `2 l`, `500ml`. Out: grams or litres.
//! Left out: other units (a scale in a grow room weighs in grams) and a decimal comma, which is
//! refused with a sentence because `1,200` may mean either.

use super::wrong::Wrong;
use crate::climate::stamp::{DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS};

/// The most one picking can weigh, grams: a whole bed's flush; more is a slip of the unit.
pub const FRESH_MAX_G: f64 = 50_000.0;
/// The most dry substrate or grain of one container, grams: a large bed.
pub const DRY_MAX_G: f64 = 500_000.0;
/// The largest volume of one container, litres: a large bed.
pub const VOLUME_MAX_L: f64 = 1_000.0;

/// Reads a mass: grams. A bare number is grams. `what` names it in the sentence.
///
/// # Errors
/// [`Wrong::Word`] when it is no mass, not over zero, or over `max_g`.
pub fn mass_g(what: &str, text: &str, max_g: f64) -> Result<f64, Wrong> {
    let (number, unit) = split(text);
    let scale = match unit.to_lowercase().as_str() {
        "" | "g" => 1.0,
        "kg" => 1_000.0,
        _ => return Err(Wrong::Word(format!("{what}: \"{text}\" is no mass; write it like 412g or 0.4kg"))),
    };
    let grams = plain_number(number)
        .ok_or_else(|| Wrong::Word(format!("{what}: \"{text}\" is no mass; write it like 412g or 0.4kg")))?
        * scale;
    in_range(grams, max_g).ok_or_else(|| {
        let limit_kg = max_g / 1_000.0;
        Wrong::Word(format!(
            "{what}: {text} cannot be; a mass here is over 0 and at most {limit_kg} kg, and a bare number is grams"
        ))
    })
}

/// Reads a volume: litres. The unit must be there, since 2 and 500 are both common.
///
/// # Errors
/// [`Wrong::Word`] when it is no volume, not over zero, or over [`VOLUME_MAX_L`].
pub fn volume_l(what: &str, text: &str) -> Result<f64, Wrong> {
    let (number, unit) = split(text);
    let scale = match unit.to_lowercase().as_str() {
        "l" => 1.0,
        "ml" => 0.001,
        _ => return Err(Wrong::Word(format!("{what}: \"{text}\" is no volume; write it like 2L or 500ml"))),
    };
    let litres = plain_number(number)
        .ok_or_else(|| Wrong::Word(format!("{what}: \"{text}\" is no volume; write it like 2L or 500ml")))?
        * scale;
    in_range(litres, VOLUME_MAX_L).ok_or_else(|| {
        Wrong::Word(format!("{what}: {text} cannot be; a volume here is over 0 and at most {VOLUME_MAX_L} L"))
    })
}

/// Reads a length of time: milliseconds. The unit must be there.
///
/// # Errors
/// [`Wrong::Word`] when it is no length of time over zero, or over a year.
pub fn duration_ms(what: &str, text: &str) -> Result<i64, Wrong> {
    let wrong = || Wrong::Word(format!("{what}: \"{text}\" is no length of time; write it like 90min, 1h, or 2d"));
    let (number, unit) = split(text);
    let unit_ms = match unit.to_lowercase().as_str() {
        "s" => SECOND_MS,
        "min" | "m" => MINUTE_MS,
        "h" => HOUR_MS,
        "d" => DAY_MS,
        _ => return Err(wrong()),
    };
    let ms = plain_number(number).ok_or_else(wrong)? * unit_ms as f64;
    in_range(ms, 366.0 * DAY_MS as f64).map(|ms| ms.round() as i64).ok_or_else(wrong)
}

/// Reads a temperature over 0: °C.
///
/// # Errors
/// [`Wrong::Word`] when it is no temperature over 0 °C and up to 150, or in another unit.
pub fn temperature_c(what: &str, text: &str) -> Result<f64, Wrong> {
    let wrong = || Wrong::Word(format!("{what}: \"{text}\" is no temperature here; write it in Celsius, like 65C"));
    let trimmed = text.trim().replace('°', "");
    let (number, unit) = split(&trimmed);
    if !matches!(unit, "C" | "c" | "") {
        return Err(wrong());
    }
    plain_number(number.trim()).and_then(|value| in_range(value, 150.0)).ok_or_else(wrong)
}

/// Reads a height above the sea: metres; below it with a minus.
///
/// # Errors
/// [`Wrong::Word`] when it is no height in metres.
pub fn altitude_m(what: &str, text: &str) -> Result<f64, Wrong> {
    let wrong = || Wrong::Word(format!("{what}: \"{text}\" is no height; write metres above the sea, like 640m"));
    let (below, rest) = text.trim().strip_prefix('-').map_or((false, text.trim()), |rest| (true, rest));
    let (number, unit) = split(rest);
    if unit != "m" {
        return Err(wrong());
    }
    let metres = plain_number(number).ok_or_else(wrong)?;
    Ok(if below { -metres } else { metres })
}

/// Reads an air pressure: Pa.
///
/// # Errors
/// [`Wrong::Word`] when it is no pressure in hPa or mbar.
pub fn pressure_pa(what: &str, text: &str) -> Result<f64, Wrong> {
    let wrong = || Wrong::Word(format!("{what}: \"{text}\" is no pressure; write it like 940hPa"));
    let (number, unit) = split(text);
    if !matches!(unit.to_lowercase().as_str(), "hpa" | "mbar") {
        return Err(wrong());
    }
    plain_number(number).map(|hpa| hpa * 100.0).ok_or_else(wrong)
}

/// The number and the unit behind it, without the spaces around either.
fn split(text: &str) -> (&str, &str) {
    let text = text.trim();
    let end = text.find(|letter: char| letter.is_alphabetic()).unwrap_or(text.len());
    (text[..end].trim_end(), text[end..].trim())
}

/// A plain decimal number: digits with at most one point. No sign, exponent, comma or infinity.
fn plain_number(text: &str) -> Option<f64> {
    let plain =
        text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.') && text.bytes().any(|b| b.is_ascii_digit());
    if plain { text.parse().ok() } else { None }
}

fn in_range(value: f64, max: f64) -> Option<f64> {
    (value > 0.0 && value <= max).then_some(value)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn masses_as_growers_write_them() {
        for (text, grams) in [
            ("412g", 412.0),
            ("412", 412.0),
            ("0.4kg", 400.0),
            (" 412 g ", 412.0),
            ("1.25 KG", 1250.0),
            (".5kg", 500.0),
            ("50kg", 50_000.0),
        ] {
            assert_eq!(mass_g("fresh", text, FRESH_MAX_G).unwrap(), grams, "{text}");
        }
        for text in ["", "g", "0", "0g", "-5g", "51kg", "1e3", "nan", "inf", "412oz", "0,4kg", "1.2.3g", "4 1 2", "٣g"]
        {
            let wrong = mass_g("fresh", text, FRESH_MAX_G).unwrap_err();
            assert!(matches!(&wrong, Wrong::Word(said) if said.starts_with("fresh: ")), "{text}: {wrong}");
        }
    }

    #[test]
    fn volumes_need_their_unit() {
        for (text, litres) in [("2L", 2.0), ("2 l", 2.0), ("500ml", 0.5), ("1.5L", 1.5)] {
            assert_eq!(volume_l("grain", text).unwrap(), litres, "{text}");
        }
        for text in ["2", "0L", "2kg", "1001L", "-1L", "L", "two l"] {
            assert!(volume_l("grain", text).is_err(), "{text}");
        }
    }
}
