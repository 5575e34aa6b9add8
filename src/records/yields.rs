//! Yields: biological efficiency and spawn rate.
//!
//! In: masses and volumes as logged. Out: percentages with their basis. Pure.

use crate::grow::tub::Tub;

/// A biological efficiency and what it is counted on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Efficiency {
    /// Percent.
    pub pct: f64,
    /// `bulk` or `bulk+grain`.
    pub basis: &'static str,
}

/// Biological efficiency: fresh mass ÷ dry mass of the substrate × 100 (S. T. Chang and P. G. Miles,
/// Mushrooms, 2004). The basis is the bulk substrate where only its dry mass was given, bulk and
/// grain where both were; none where the bulk's was not.
///
/// `fresh_g` in grams, of one flush or of all.
pub(super) fn efficiency(tub: &Tub, fresh_g: f64) -> Option<Efficiency> {
    let bulk = tub.dry_bulk_g?;
    let (dry, basis) = match tub.dry_grain_g {
        Some(grain) => (bulk + grain, "bulk+grain"),
        None => (bulk, "bulk"),
    };
    (dry > 0.0).then(|| Efficiency { pct: fresh_g / dry * 100.0, basis })
}

/// Spawn rate by volume: litres of grain to litres of bulk substrate, percent (1:1 is 100).
pub(super) fn spawn_rate_pct(tub: &Tub) -> Option<f64> {
    let (grain, bulk) = (tub.grain_l?, tub.bulk_l?);
    (bulk > 0.0).then(|| grain / bulk * 100.0)
}
