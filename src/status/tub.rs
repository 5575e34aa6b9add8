//! One tub as outsiders see it: from the logbook's tub and its figures to the status's fields.
//!
//! In: a [`Tub`], its thermal time up to now, the latest temperatures. Out: a [`TubView`]. Pure, so
//! that the daemon's snapshot and the commands show the same. Left out: where the figures come from.

use super::snapshot::{DueView, RequirementView, TubView, rounded};
use crate::climate::Stamp;
use crate::climate::stamp::DAY_MS;
use crate::grow::culture::{Requirement, Thermal};
use crate::grow::due::{due_window, equivalent_days, progress};
use crate::grow::thermal::Figures;
use crate::grow::tub::{Stage, Tub};

/// What is known of a tub beside the logbook.
#[derive(Clone, Debug, Default)]
pub struct Measured {
    /// Its thermal time up to now, or up to its end.
    pub figures: Figures,
    /// Degree-hours gained per hour over the last two days.
    pub rate_per_hour: Option<f64>,
    /// The requirement learnt from the grower's own tubs, and how many they were.
    pub own_requirement: Option<(Requirement, usize)>,
    /// The probe the figures come from.
    pub temperature_from: Option<String>,
    /// Inside the substrate now, °C.
    pub core_c: Option<f64>,
    /// The air around it now, °C.
    pub air_c: Option<f64>,
    /// Ids of the alerts that concern it.
    pub alerts: Vec<i64>,
}

/// The tub at `now`. `thermal` is its culture's; none where the config does not know it any more:
/// then nothing is due. `due_not_before_ms` after spawning is the earliest look.
pub fn tub_view(
    tub: &Tub,
    measured: &Measured,
    thermal: Option<&Thermal>,
    now: Stamp,
    due_not_before_ms: i64,
) -> TubView {
    let Measured { figures, rate_per_hour, core_c, air_c, .. } = measured;
    let until = tub.ended_at.unwrap_or(now);
    let own = measured.own_requirement;
    let thermal = thermal.map(|thermal| thermal.requiring(own.map(|(requirement, _)| requirement)));
    let thermal = thermal.as_ref();
    let requirement = own.map(|(Requirement { low, usual, high }, tubs)| {
        let [low, usual, high] = [low, usual, high].map(|sum| rounded(sum, 0));
        RequirementView { low, usual, high, from: "own tubs", tubs }
    });
    let due = thermal.filter(|_| tub.stage == Stage::Colonising).map(|thermal| {
        let due = due_window(figures, thermal, tub.spawned_at, now, *rate_per_hour, due_not_before_ms);
        DueView { earliest: due.earliest, latest: due.latest }
    });
    TubView {
        name: tub.name.clone(),
        id: tub.id.clone(),
        culture: tub.culture.clone(),
        kind: tub.kind.word(),
        stage: tub.stage.word(),
        space: tub.space().to_owned(),
        spawned_at: tub.spawned_at,
        age_days: rounded(until.since(tub.spawned_at) as f64 / DAY_MS as f64, 2),
        temperature_from: measured.temperature_from.clone(),
        degree_hours: rounded(figures.degree_hours, 1),
        degree_hours_low: rounded(figures.low, 1),
        degree_hours_high: rounded(figures.high, 1),
        heat_stress_degree_hours: rounded(figures.heat_stress, 1),
        coverage: rounded(figures.coverage(), 3),
        equivalent_days: thermal.map_or(0.0, |thermal| rounded(equivalent_days(figures.degree_hours, thermal), 2)),
        progress: thermal.map_or(0.0, |thermal| rounded(progress(figures.degree_hours, thermal), 2)),
        requirement,
        due,
        core_c: core_c.map(|core| rounded(core, 2)),
        core_over_air_k: core_c.zip(*air_c).map(|(core, air)| rounded(core - air, 2)),
        alerts: measured.alerts.clone(),
    }
}
