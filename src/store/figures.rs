//! One tub's figures over stored samples: degree-hours, heat stress, mean, extremes, hours outside
//! the band, core over air.
//!
//! In: a tub as the logbook tells it, the installation, and a stretch of time. Out: [`TubFigures`].
//! Temperatures are taken from the tub's core where it has one at that time (its own, else that of
//! the tub it is like), else from its space's air, whose first listed probe that gave a good reading
//! of late speaks. The live watches decide alike. Left out: which samples are good (`history.rs`).

mod fold;
mod passage;

use self::fold::Fold;
use self::passage::Task;
use super::error::StoreError;
use super::reader::Reader;
use crate::climate::Stamp;
use crate::climate::statistics::{BandHours, Summary};
use crate::grow::culture::Culture;
use crate::grow::self_heating::SelfHeating;
use crate::grow::thermal::Exposure;
use crate::grow::tub::{Since, Tub};
use crate::watch::origin::{Origin, origin};
use crate::watch::setup::Setup;

/// What the stored samples tell of one tub.
#[derive(Clone, Debug)]
pub struct TubFigures {
    /// Thermal time. Its sources are marked by the probe's position in `setup.probes`.
    pub exposure: Exposure,
    /// The probe that gave the last temperature counted.
    pub temperature_from: Option<String>,
    /// Every probe that gave temperatures, in the order of their first.
    pub sources: Vec<String>,
    /// Mean and extremes, °C.
    pub temperature: Summary,
    /// Hours outside the bands of the stages, and at or over the culture's damage limit.
    pub band: BandHours,
    /// The most the core was over the air, K; none without both.
    pub core_over_air_max_k: Option<f64>,
    /// Degree-hours at a reading about each day, in time order.
    pub course: Vec<(Stamp, f64)>,
    /// Core beside air, hour by hour.
    pub warmth: SelfHeating,
}

/// The figures from the tub's spawning on, from samples before `until`, up to when it was colonised
/// (which is what the culture's requirement speaks of) or ended. With `settled_only` nothing enters
/// whose quality a later sample may still change: so the live watches can carry on from there.
///
/// # Errors
/// When the store cannot be read.
pub fn exposure(
    reader: &Reader,
    tub: &Tub,
    tubs: &[Tub],
    setup: &Setup,
    culture: &Culture,
    until: Stamp,
    settled_only: bool,
) -> Result<TubFigures, StoreError> {
    let end = tub.colonised_at.or(tub.ended_at);
    let mut tasks = [Task::new(Fold::new(tub, setup, culture, tub.spawned_at, end, settled_only), tubs, until)];
    passage::run(reader, &mut tasks)?;
    let [task] = tasks;
    Ok(task.fold.figures)
}

/// What the live watches carry on with of one tub, from samples before a moment.
#[derive(Clone, Debug)]
pub struct Past {
    /// Those of [`exposure`], of what is settled.
    pub figures: TubFigures,
    /// Hours outside the band since the tub's present stage began.
    pub stage: BandHours,
}

/// The past of several tubs with their cultures, in the order of `wanted`. The samples that are not
/// sealed are read once for all of them.
///
/// # Errors
/// When the store cannot be read.
pub fn pasts(
    reader: &Reader,
    wanted: &[(&Tub, &Culture)],
    tubs: &[Tub],
    setup: &Setup,
    until: Stamp,
) -> Result<Vec<Past>, StoreError> {
    let begun = |tub: &Tub| tub.stages.last().map_or(tub.spawned_at, |stage| stage.from);
    let mut tasks = Vec::new();
    for (tub, culture) in wanted {
        let end = tub.colonised_at.or(tub.ended_at);
        tasks.push(Task::new(Fold::new(tub, setup, culture, tub.spawned_at, end, true), tubs, until));
        if begun(tub) != tub.spawned_at {
            tasks.push(Task::new(Fold::new(tub, setup, culture, begun(tub), None, true), tubs, until));
        }
    }
    passage::run(reader, &mut tasks)?;
    let mut folded = tasks.into_iter().map(|task| task.fold.figures);
    let mut pasts = Vec::with_capacity(wanted.len());
    for (tub, _) in wanted {
        let Some(figures) = folded.next() else { break };
        // They know it already where the stage is the tub's first.
        let of_stage = if begun(tub) == tub.spawned_at { None } else { folded.next() };
        let stage = of_stage.map_or_else(|| figures.band.clone(), |of_stage| of_stage.band);
        pasts.push(Past { figures, stage });
    }
    Ok(pasts)
}

/// The figures of the time from `from` to `to`, which must lie in the tub's life; lines to readings
/// around it count with their part in it.
///
/// # Errors
/// When the store cannot be read.
pub fn over(
    reader: &Reader,
    tub: &Tub,
    tubs: &[Tub],
    setup: &Setup,
    culture: &Culture,
    from: Stamp,
    to: Stamp,
) -> Result<TubFigures, StoreError> {
    let mut tasks = [Task::new(Fold::new(tub, setup, culture, from, Some(to), false), tubs, to)];
    passage::run(reader, &mut tasks)?;
    let [task] = tasks;
    Ok(task.fold.figures)
}

/// What held at `at`.
fn held<T>(history: &[Since<T>], at: Stamp) -> Option<&T> {
    history[..history.partition_point(|since| since.from <= at)].last().map(|since| &since.value)
}

/// The core probe that speaks for `tub` at `at`: its own, else that of the tub it is like.
pub fn core_at<'a>(tub: &'a Tub, tubs: &'a [Tub], at: Stamp) -> Option<&'a str> {
    match origin(tub, like(tub, tubs), at) {
        Origin::Core(core) | Origin::Like(core) => Some(core),
        Origin::Air(_) => None,
    }
}

/// The space `tub` stands in at `at`; before it was spawned, its first.
pub fn space_at(tub: &Tub, at: Stamp) -> &str {
    held(&tub.spaces, at).or(tub.spaces.first().map(|first| &first.value)).map_or("", String::as_str)
}

fn like<'a>(tub: &Tub, tubs: &'a [Tub]) -> Option<&'a Tub> {
    tubs.iter().find(|other| Some(&other.id) == tub.like.as_ref())
}
