//! `tubs.csv`: a row for each filling.
//!
//! In: a tub and the stored samples. Out: its row. Climate figures are those of the time from
//! spawning to colonised (to its end, or to now, where that has not come), all over the same stretch,
//! with its coverage beside them; hours over and under are counted against the band of its stage.
//! Cells without a figure are empty.

use super::export::{Material, Sheet, Stopped};
use crate::climate::Stamp;
use crate::climate::stamp::DAY_MS;
use crate::grow::due::equivalent_days;
use crate::grow::tub::Tub;
use crate::grow::yields::{Filling, Yields};
use crate::store::figures;

/// The columns.
pub(super) const COLUMNS: [&str; 35] = [
    "tub",
    "id",
    "kind",
    "culture",
    "strain",
    "batch",
    "heat_run",
    "position",
    "space",
    "spawned_at",
    "colonised_at",
    "opened_at",
    "ended_at",
    "ended_because",
    "contaminated_on_day",
    "grain_l",
    "bulk_l",
    "spawn_rate_pct",
    "dry_bulk_g",
    "dry_grain_g",
    "days_to_colonise",
    "degree_hours",
    "coverage",
    "equivalent_days",
    "temperature_from",
    "heat_stress_degree_hours",
    "mean_temperature_c",
    "max_temperature_c",
    "max_core_over_air_k",
    "hours_over_band",
    "hours_under_band",
    "hours_over_damage",
    "fresh_total_g",
    "biological_efficiency_pct",
    "biological_efficiency_basis",
];

/// Writes one tub.
pub(super) fn row(csv: &mut Sheet, material: &Material<'_>, tub: &Tub) -> Result<(), Stopped> {
    let filling = Filling::of(tub);
    csv.text(&tub.name).text(&tub.id).text(tub.kind.word()).text(&tub.culture);
    csv.text_if(tub.strain.as_deref()).text_if(tub.batch.as_deref());
    csv.text_if(tub.heat_run.as_deref()).text_if(tub.position.as_deref()).text(tub.space());
    csv.time(tub.spawned_at).time_if(tub.colonised_at).time_if(tub.opened_at);
    csv.time_if(tub.ended_at).text_if(tub.ended_because.as_deref());
    // Days begun since spawning: the day of spawning is day 0.
    let day = |at: Stamp| at.since(tub.spawned_at).div_euclid(DAY_MS) as f64;
    csv.exact(tub.contaminated_at.map(day));
    csv.exact(tub.grain_l).exact(tub.bulk_l).figure(filling.spawn_rate_pct());
    csv.exact(tub.dry_bulk_g).exact(tub.dry_grain_g);
    let days = |at: Stamp| at.since(tub.spawned_at) as f64 / DAY_MS as f64;
    csv.figure(tub.colonised_at.map(days));
    climate(csv, material, tub)?;
    let yields = Yields::of(&filling, &tub.harvests, tub.spawned_at, tub.ended_at.unwrap_or(material.options.now));
    // Of a living tub that was never picked nothing can be said yet.
    let told = !tub.harvests.is_empty() || !tub.is_alive();
    let efficiency = yields.biological_efficiency_pct.filter(|_| told);
    csv.figure(told.then_some(yields.fresh_total_g)).figure(efficiency);
    csv.text(yields.dry_mass.filter(|_| told).map_or("", |dry| dry.basis.word()));
    Ok(csv.end_row()?)
}

fn climate(csv: &mut Sheet, material: &Material<'_>, tub: &Tub) -> Result<(), Stopped> {
    let Material { reader, setup, tubs, options } = *material;
    let Some(culture) = setup.cultures.iter().find(|culture| culture.name == tub.culture) else {
        // The culture has left the config: nothing to count against.
        for _ in 0..11 {
            csv.text("");
        }
        return Ok(());
    };
    let from = tub.spawned_at;
    let to = tub.colonised_at.or(tub.ended_at).unwrap_or(options.now).max(from);
    let figures = figures::over(reader, tub, tubs, setup, culture, from, to)?;
    let thermal = figures.exposure.figures(to);
    let measured = !figures.sources.is_empty();
    let if_measured = |value: f64| measured.then_some(value);
    csv.figure(if_measured(thermal.degree_hours)).figure(Some(thermal.coverage()));
    csv.figure(if_measured(equivalent_days(thermal.degree_hours, &culture.thermal)));
    csv.text(&figures.sources.join("+")).figure(if_measured(thermal.heat_stress));
    csv.figure(figures.temperature.mean()).figure(figures.temperature.max());
    csv.figure(figures.core_over_air_max_k);
    csv.figure(if_measured(figures.band.hours_over())).figure(if_measured(figures.band.hours_under()));
    csv.figure(if_measured(figures.band.hours_over_damage()));
    Ok(())
}
