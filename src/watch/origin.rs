//! Where a tub's temperature comes from, and what counts as too hot there. One place for the live
//! keeper and for whoever folds stored samples, so that both take the same decisions.
//!
//! In: a tub as the logbook tells it, and the tub whose core stands in for it. Out: core or air at a
//! moment, and the top of the band to hold it to. Left out: which of a space's air probes speaks.

use crate::climate::Stamp;
use crate::grow::culture::{Band, StageBands};
use crate::grow::tub::{Since, Tub};

/// Without a core the air's high limits are this much lower, K: the substrate is warmer than its air.
pub const FROM_AIR_STRICTER_K: f64 = 2.0;

/// Where a tub's temperature comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin<'a> {
    /// From the probe of this name inside its own substrate.
    Core(&'a str),
    /// From the core of the tub that stands in for it.
    Like(&'a str),
    /// From the air of the space of this name.
    Air(&'a str),
}

impl Origin<'_> {
    /// Whether it is measured inside substrate.
    pub fn is_core(self) -> bool {
        !matches!(self, Origin::Air(_))
    }
}

/// What held at `at`: the last stretch begun by then; the first one before that.
fn at<T>(stretches: &[Since<T>], at: Stamp) -> Option<&T> {
    let begun = stretches.partition_point(|stretch| stretch.from <= at);
    stretches.get(begun.saturating_sub(1)).map(|stretch| &stretch.value)
}

/// A tub's own core probe at `moment`, none before it got one.
fn core_at(tub: &Tub, moment: Stamp) -> Option<&str> {
    let begun = tub.cores.first().is_some_and(|core| core.from <= moment);
    at(&tub.cores, moment).filter(|_| begun).and_then(|core| core.as_deref())
}

/// Where the temperature of `tub` comes from at `moment`: its own core; without one the core of
/// `like` (the tub named by `tub.like`) while that one lives; else its space's air.
pub fn origin<'a>(tub: &'a Tub, like: Option<&'a Tub>, moment: Stamp) -> Origin<'a> {
    if let Some(core) = core_at(tub, moment) {
        return Origin::Core(core);
    }
    let lives = |other: &&Tub| other.ended_at.is_none_or(|end| moment < end);
    match like.filter(lives).and_then(|other| core_at(other, moment)) {
        Some(core) => Origin::Like(core),
        None => Origin::Air(at(&tub.spaces, moment).map_or("", String::as_str)),
    }
}

/// The top of the band for heat stress, °C: the core's where there is a core (the air's where the
/// stage names none for cores), else the air's, lowered because there is no core.
pub fn stress_top_c(bands: &StageBands, is_core: bool) -> Option<f64> {
    let core = bands.core_temperature.high.or(bands.temperature.high);
    let air = bands.temperature.high.or(bands.core_temperature.high);
    if is_core { core.map(|limit| limit.value) } else { air.map(|limit| limit.value - FROM_AIR_STRICTER_K) }
}

/// An air temperature band for a tub without a core: high limits lowered.
#[must_use]
pub fn stricter(mut band: Band) -> Band {
    for limit in [&mut band.high, &mut band.critical_high].into_iter().flatten() {
        limit.value -= FROM_AIR_STRICTER_K;
    }
    band
}
