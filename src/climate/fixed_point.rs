//! A value that is known, and how well.
//!
//! In: what a salt, a bath or a barometer is known to be. Out: that, with its uncertainty. Left out: how
//! it is known, and what a probe said of it.

/// A known value and how far it may be off, in the quantity's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FixedPoint {
    /// What is true there.
    pub value: f64,
    /// Its standard uncertainty.
    pub uncertainty: f64,
}
