//! From a message's fields to readings, the same for every format.
//!
//! In: a recipe and anything that can be asked for its fields. Out: one [`Decoded`] or a refusal.
//! Left out: how each format finds a field.

use super::moment;
use super::recipe::{Decoded, Recipe, Refusal};
use super::value::number;
use crate::climate::Quantity;
use crate::climate::quantity::Values;

/// What stands in a field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Raw<'a> {
    /// A number by the format's own rules; may be infinite or NaN.
    Number(f64),
    /// Text, which may be a number.
    Text(&'a str),
    /// Anything else: true, a list.
    Other,
}

/// A message that can be asked for its fields.
pub(super) trait Fields {
    /// What stands at `at`; `None` where nothing was sent.
    fn field(&self, at: &str) -> Option<Raw<'_>>;

    /// Whether the field at `at` reads `text`.
    fn says(&self, at: &str, text: &str) -> bool {
        matches!(self.field(at), Some(Raw::Text(found)) if found == text)
    }
}

/// Words by which probes say that they have no number. `nan` and `inf` are numbers to the parser.
const NO_NUMBER: [&str; 15] = [
    "",
    "-",
    "--",
    "---",
    "null",
    "none",
    "n/a",
    "na",
    "err",
    "error",
    "fail",
    "failed",
    "fault",
    "invalid",
    "unavailable",
];

/// A value and whether it was a number or a known word for having none.
fn value(raw: Raw<'_>, quantity: Quantity) -> (f64, bool) {
    match raw {
        Raw::Number(number) => (finite(number), true),
        Raw::Text(text) => {
            let text = text.trim();
            match number(text, Some(quantity)) {
                Some(number) => (finite(number), true),
                None => (f64::NAN, NO_NUMBER.iter().any(|word| word.eq_ignore_ascii_case(text))),
            }
        }
        Raw::Other => (f64::NAN, false),
    }
}

/// Infinities are no readings.
fn finite(number: f64) -> f64 {
    if number.is_finite() { number } else { f64::NAN }
}

/// Reads the recipe's quantities and time from `fields`.
///
/// Errors: [`Refusal::NobodyReads`] where `select` does not match, [`Refusal::FieldMissing`],
/// [`Refusal::Malformed`] or [`Refusal::BadTime`] as the room's header says.
pub(super) fn read(recipe: &Recipe, fields: &impl Fields) -> Result<Decoded, Refusal> {
    if !recipe.select.iter().all(|(at, text)| fields.says(at, text)) {
        return Err(Refusal::NobodyReads);
    }
    let mut values: Values = [None; 4];
    let mut spoke = false;
    for quantity in Quantity::ALL {
        let at = recipe.reads[quantity.index()].as_deref();
        let Some(raw) = at.and_then(|at| fields.field(at)) else { continue };
        let (number, understood) = value(raw, quantity);
        values[quantity.index()] = Some(number);
        spoke |= understood;
    }
    if values.iter().all(Option::is_none) {
        return Err(Refusal::FieldMissing);
    }
    if !spoke {
        return Err(Refusal::Malformed);
    }
    let time = match &recipe.time {
        Some(time) => match fields.field(&time.at) {
            Some(raw) => Some(moment::read(raw, time.unit).ok_or(Refusal::BadTime)?),
            None => None,
        },
        None => None,
    };
    Ok(Decoded { time, values })
}
