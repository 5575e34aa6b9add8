//! What is measured, in which unit, and how far a value may be believed.

use super::stamp::Stamp;

/// A measured quantity; the unit is fixed by it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    /// Degrees Celsius.
    Temperature,
    /// Relative humidity over water, percent.
    Humidity,
    /// Carbon dioxide, parts per million by volume.
    Co2,
    /// Battery charge, percent, or volts where the probe reports volts.
    Battery,
}

impl Quantity {
    /// All quantities, in the order of the store's columns.
    pub const ALL: [Quantity; 4] = [Quantity::Temperature, Quantity::Humidity, Quantity::Co2, Quantity::Battery];

    /// The word used in config, CSV, JSON and line protocol.
    pub fn word(self) -> &'static str {
        match self {
            Quantity::Temperature => "temperature",
            Quantity::Humidity => "humidity",
            Quantity::Co2 => "co2",
            Quantity::Battery => "battery",
        }
    }

    /// The name with its unit, as JSON and CSV columns have it: `temperature_c`.
    pub fn column(self) -> &'static str {
        match self {
            Quantity::Temperature => "temperature_c",
            Quantity::Humidity => "humidity_pct",
            Quantity::Co2 => "co2_ppm",
            Quantity::Battery => "battery_pct",
        }
    }

    /// The quantity called `word`, if there is one.
    pub fn from_word(word: &str) -> Option<Quantity> {
        Quantity::ALL.into_iter().find(|quantity| quantity.word() == word)
    }

    /// Position in [`Quantity::ALL`].
    pub fn index(self) -> usize {
        self as usize
    }
}

/// How far a stored value may be believed. Only `Good` enters figures and alerts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[repr(u8)]
pub enum Quality {
    /// Believed.
    #[default]
    Good = 0,
    /// A lone reading far from its neighbours.
    Spike = 1,
    /// An error code dressed as a number (-127, 999.9, 85.0 out of context, not a number).
    Sentinel = 2,
    /// Physically impossible here.
    OutOfRange = 3,
    /// The same value for hours while its neighbours moved.
    Stuck = 4,
    /// A humidity element that is wet.
    Saturated = 5,
    /// No time of its own, and the time of arrival says nothing (retained, repeated, a burst after a connection).
    Undated = 6,
    /// Dated later than now.
    Future = 7,
}

impl Quality {
    /// All qualities; the position is the stored code.
    pub const ALL: [Quality; 8] = [
        Quality::Good,
        Quality::Spike,
        Quality::Sentinel,
        Quality::OutOfRange,
        Quality::Stuck,
        Quality::Saturated,
        Quality::Undated,
        Quality::Future,
    ];

    /// The word used in CSV and line protocol.
    pub fn word(self) -> &'static str {
        match self {
            Quality::Good => "good",
            Quality::Spike => "spike",
            Quality::Sentinel => "sentinel",
            Quality::OutOfRange => "out-of-range",
            Quality::Stuck => "stuck",
            Quality::Saturated => "saturated",
            Quality::Undated => "undated",
            Quality::Future => "future",
        }
    }

    /// The quality called `word`, if there is one.
    pub fn from_word(word: &str) -> Option<Quality> {
        Quality::ALL.into_iter().find(|quality| quality.word() == word)
    }

    /// The quality with the stored code `code`, if there is one.
    pub fn from_code(code: u8) -> Option<Quality> {
        Quality::ALL.get(usize::from(code)).copied()
    }
}

/// The mark of a sample that was dated by a clock that was wrong and could not be dated anew. It
/// stands beside the quality and excludes nothing.
pub const CLOCK_UNSURE: &str = "clock-unsure";

/// A quality as CSV and line protocol have it, the mark beside it where there is one:
/// `good`, `good clock-unsure`.
pub fn with_mark(quality: Quality, is_clock_unsure: bool) -> std::borrow::Cow<'static, str> {
    match is_clock_unsure {
        false => quality.word().into(),
        true => format!("{} {CLOCK_UNSURE}", quality.word()).into(),
    }
}

/// What such a text says: the quality, and whether the mark stands beside it.
pub fn without_mark(text: &str) -> Option<(Quality, bool)> {
    match text.split_once(' ') {
        None => Some((Quality::from_word(text)?, false)),
        Some((word, mark)) => (mark == CLOCK_UNSURE).then_some((Quality::from_word(word)?, true)),
    }
}

/// One probe message as it was read: a value for each quantity it carried (in the order of
/// [`Quantity::ALL`]), uncorrected. A value that was no number at all is NaN.
pub type Values = [Option<f64>; 4];

/// One value of one series: when, what, and how far to believe it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// When it was measured.
    pub at: Stamp,
    /// In the quantity's unit.
    pub value: f64,
    /// How far to believe it.
    pub quality: Quality,
}
