//! An alert as outsiders see it: one shape for `/status.json` and for what a messenger is sent.
//!
//! In: an [`Alert`]. Out: the contract's JSON object, keys in its order. Left out: when it was
//! returned, acknowledged, ended; those are columns of the export.

use serde::{Serialize, Serializer};

use super::alert::Alert;
use crate::climate::Stamp;

/// Decimal places of an alert's value and limit: two cover every quantity's resolution.
const VALUE_DIGITS: u32 = 2;

/// `value` rounded to `digits` decimal places (half away from zero), never a negative zero. A value
/// that is not finite, or too large to have decimals, comes back as it was.
pub fn rounded(value: f64, digits: u32) -> f64 {
    let scale = 10_f64.powi(i32::try_from(digits).unwrap_or(i32::MAX));
    let scaled = value * scale;
    if scaled.is_finite() { scaled.round() / scale + 0.0 } else { value }
}

/// An alert, as the contract has it; with an `event` beside it also the body of a webhook.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AlertView {
    /// Stays the same while it is open.
    pub id: i64,
    /// `tub A1`, `space shelf`, `probe core-a1`, `source house`.
    pub subject: String,
    /// The watch's word.
    pub watch: &'static str,
    /// advice, warning, critical.
    pub severity: &'static str,
    /// unacknowledged, acknowledged, returned, shelved, suppressed.
    pub state: &'static str,
    /// When it was raised.
    #[serde(serialize_with = "stamp")]
    pub since: Stamp,
    /// The latest offending value, in the quantity's unit, to two decimals.
    pub value: Option<f64>,
    /// The limit it broke, likewise.
    pub limit: Option<f64>,
    /// What a tired grower understands at once.
    pub text: String,
}

impl AlertView {
    /// `alert` as outsiders see it. A value that is no number becomes `null`.
    pub fn of(alert: &Alert) -> AlertView {
        let shown = |value: Option<f64>| value.filter(|value| value.is_finite()).map(|v| rounded(v, VALUE_DIGITS));
        AlertView {
            id: alert.id,
            subject: alert.subject.clone(),
            watch: alert.watch.word(),
            severity: alert.severity.word(),
            state: alert.state.word(),
            since: alert.since,
            value: shown(alert.value),
            limit: shown(alert.limit),
            text: alert.text.clone(),
        }
    }
}

fn stamp<S: Serializer>(at: &Stamp, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&at.rfc3339())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding_keeps_what_cannot_be_rounded() {
        for (value, digits, expected) in
            [(28.404, 2, 28.4), (28.405_1, 2, 28.41), (-0.004, 2, 0.0), (1.5, 0, 2.0), (1e308, 2, 1e308)]
        {
            assert_eq!(rounded(value, digits), expected, "{value}");
        }
        assert!(rounded(-0.004, 2).is_sign_positive());
        assert!(rounded(f64::NAN, 2).is_nan());
    }
}
