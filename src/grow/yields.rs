//! What a tub gave: biological efficiency, spawn rate, flush shares, grams a day of shelf space.
//!
//! In: pickings and the masses given at spawning. Out: figures, each with its basis. This is the one
//! definition of each; exports and reports call it. Left out: the climate beside the yield.

use super::tub::{Harvest, Tub};
use crate::climate::Stamp;

/// A tub's first day counts whole, so that a crop of day one is not divided by minutes.
const DAYS_MIN: f64 = 1.0;
/// Over this a mass was mistyped, %: the highest figure seen published is 176, of heavily fed button mushroom
/// (AMB Express, 2017, s13568-017-0438-6).
pub const BELIEVABLE_PCT: f64 = 200.0;

/// What the dry mass under a yield is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// The bulk substrate alone.
    Bulk,
    /// The bulk substrate and the grain spawn.
    BulkAndGrain,
}

impl Basis {
    /// The word used in CSV and JSON.
    pub fn word(self) -> &'static str {
        match self {
            Basis::Bulk => "bulk",
            Basis::BulkAndGrain => "bulk+grain",
        }
    }
}

/// Dry substrate, and what of it is counted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DryMass {
    /// Grams, over 0.
    pub grams: f64,
    /// What is counted.
    pub basis: Basis,
}

impl DryMass {
    /// From what was given at spawning, in grams: bulk alone, or both. `None` where the bulk was not given
    /// (grain alone is no substrate to divide by), where a mass is negative or no number, or all is 0.
    pub fn of(dry_bulk_g: Option<f64>, dry_grain_g: Option<f64>) -> Option<DryMass> {
        let bulk = dry_bulk_g?;
        let (grams, basis) = match dry_grain_g {
            None => (bulk, Basis::Bulk),
            Some(grain) => (bulk + grain, Basis::BulkAndGrain),
        };
        let sensible = bulk >= 0.0 && dry_grain_g.is_none_or(|grain| grain >= 0.0) && grams > 0.0 && grams.is_finite();
        sensible.then_some(DryMass { grams, basis })
    }
}

/// Biological efficiency, %: fresh mass over dry mass of substrate × 100. Over 100 is ordinary for a good strain.
///
/// `fresh_g` in grams, 0 or more; `None` for another or no number. Definition: S. T. Chang, P. G. Miles (1984),
/// as cited by growers' texts. The casing is left out (common practice, no source).
pub fn biological_efficiency_pct(fresh_g: f64, dry: DryMass) -> Option<f64> {
    share_pct(fresh_g, dry.grams)
}

/// Spawn rate, %: spawn over the substrate it was mixed into × 100, so 1:1 is 100 and 1:3 is 33.
///
/// Both in the same measure: litres (as tubs are logged), or wet mass (as published rates of 1 to 5 % are meant:
/// D. J. Royse, Cultivation of Oyster Mushrooms, Penn State), or dry mass; the three differ, so say which. `spawn` 0
/// or more, `substrate` over 0; `None` otherwise.
pub fn spawn_rate_pct(spawn: f64, substrate: f64) -> Option<f64> {
    share_pct(spawn, substrate)
}

fn share_pct(part: f64, whole: f64) -> Option<f64> {
    let pct = part / whole * 100.0;
    (part >= 0.0 && whole > 0.0 && pct.is_finite()).then_some(pct)
}

/// Grams fresh a day of shelf space, from spawning to the end (or to now): `None` where `to` is not after `from`.
/// Under a day counts as one.
pub fn grams_per_tub_day(fresh_g: f64, from: Stamp, to: Stamp) -> Option<f64> {
    let days = to.hours_since(from) / 24.0;
    (days > 0.0 && fresh_g >= 0.0 && fresh_g.is_finite()).then(|| fresh_g / days.max(DAYS_MIN))
}

/// What was put into a tub. Litres and grams; `None`: not given.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Filling {
    /// Litres of grain spawn.
    pub grain_l: Option<f64>,
    /// Litres of bulk substrate.
    pub bulk_l: Option<f64>,
    /// Grams of dry bulk substrate.
    pub dry_bulk_g: Option<f64>,
    /// Grams of dry grain.
    pub dry_grain_g: Option<f64>,
}

impl Filling {
    /// Of this tub.
    pub fn of(tub: &Tub) -> Filling {
        let Tub { grain_l, bulk_l, dry_bulk_g, dry_grain_g, .. } = *tub;
        Filling { grain_l, bulk_l, dry_bulk_g, dry_grain_g }
    }

    /// Spawn rate by volume, %; see [`spawn_rate_pct`].
    pub fn spawn_rate_pct(&self) -> Option<f64> {
        spawn_rate_pct(self.grain_l?, self.bulk_l?)
    }

    /// The dry mass that yields are divided by.
    pub fn dry_mass(&self) -> Option<DryMass> {
        DryMass::of(self.dry_bulk_g, self.dry_grain_g)
    }
}

/// One flush's yield.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FlushYield {
    /// From 1.
    pub flush: u32,
    /// First and last picking.
    pub picked: (Stamp, Stamp),
    /// How many pickings.
    pub pickings: u32,
    /// Grams fresh.
    pub fresh_g: f64,
    /// Grams dried; none where a picking was not weighed dry.
    pub dry_g: Option<f64>,
    /// Of the tub's fresh total so far, %; none where that is 0.
    pub share_pct: Option<f64>,
    /// Of this flush alone, %.
    pub biological_efficiency_pct: Option<f64>,
}

/// A tub's yield up to a moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Yields {
    /// By number.
    pub flushes: Vec<FlushYield>,
    /// Grams fresh, of all flushes; 0 before the first.
    pub fresh_total_g: f64,
    /// Grams dried; none where a picking was not weighed dry, or there is none.
    pub dry_total_g: Option<f64>,
    /// What efficiency is divided by; none where it was not given.
    pub dry_mass: Option<DryMass>,
    /// Of all flushes, %.
    pub biological_efficiency_pct: Option<f64>,
    /// Grams fresh a day from spawning to `to`.
    pub grams_per_tub_day: Option<f64>,
}

impl Yields {
    /// Of the pickings of one tub, in any order, from its spawning at `from` to `to` (its end, or now). A
    /// picking whose mass is negative or no number is left out (the logbook refuses such).
    pub fn of(filling: &Filling, harvests: &[Harvest], from: Stamp, to: Stamp) -> Yields {
        let mut picked: Vec<&Harvest> =
            harvests.iter().filter(|harvest| harvest.fresh_g >= 0.0 && harvest.fresh_g.is_finite()).collect();
        picked.sort_by_key(|harvest| (harvest.flush, harvest.at));
        // The sum of nothing is -0.0, which nobody wants to read.
        let fresh_total_g = picked.iter().map(|harvest| harvest.fresh_g).sum::<f64>() + 0.0;
        let dry_mass = filling.dry_mass();
        let efficiency = |fresh_g: f64| dry_mass.and_then(|dry| biological_efficiency_pct(fresh_g, dry));
        let flushes = picked
            .chunk_by(|a, b| a.flush == b.flush)
            .map(|flush| {
                let fresh_g: f64 = flush.iter().map(|harvest| harvest.fresh_g).sum();
                FlushYield {
                    flush: flush[0].flush,
                    picked: (flush[0].at, flush[flush.len() - 1].at),
                    pickings: flush.len() as u32,
                    fresh_g,
                    dry_g: dry_g(flush),
                    share_pct: share_pct(fresh_g, fresh_total_g),
                    biological_efficiency_pct: efficiency(fresh_g),
                }
            })
            .collect();
        Yields {
            flushes,
            fresh_total_g,
            dry_total_g: dry_g(&picked),
            dry_mass,
            biological_efficiency_pct: efficiency(fresh_total_g),
            grams_per_tub_day: grams_per_tub_day(fresh_total_g, from, to),
        }
    }
}

/// Grams dried of several pickings; none where one was not weighed dry, or there is none.
fn dry_g(harvests: &[&Harvest]) -> Option<f64> {
    if harvests.is_empty() { None } else { harvests.iter().map(|harvest| harvest.dry_g).sum() }
}
