//! `flushes.csv`: a row for each flush that was picked, its climate beside its yield.
//!
//! In: a tub and the stored samples. Out: its rows. A flush's window begins with its opening (else
//! the entry before it) and ends with its last picking; `harvested_at` is its first.

use super::export::{Material, Sheet, Stopped};
use super::flush_climate::FlushClimate;
use crate::grow::tub::Tub;
use crate::grow::yields::{Filling, biological_efficiency_pct};

/// The columns.
pub(super) const COLUMNS: [&str; 20] = [
    "tub",
    "id",
    "flush",
    "from",
    "to",
    "harvested_at",
    "fresh_g",
    "dry_g",
    "biological_efficiency_pct",
    "biological_efficiency_basis",
    "temperature_mean_c",
    "temperature_min_c",
    "temperature_max_c",
    "humidity_mean_pct",
    "humidity_min_pct",
    "vpd_mean_kpa",
    "co2_mean_ppm",
    "co2_p95_ppm",
    "hours_out_of_band",
    "coverage",
];

/// Writes one tub's flushes, in the order of their numbers.
pub(super) fn rows(csv: &mut Sheet, material: &Material<'_>, tub: &Tub) -> Result<(), Stopped> {
    for flush in &tub.flushes {
        let dry = Filling::of(tub).dry_mass();
        csv.text(&tub.name).text(&tub.id).count(i64::from(flush.number)).time(flush.from).time(flush.to);
        csv.time_if(flush.harvests.first().map(|harvest| harvest.at));
        csv.figure(Some(flush.fresh_g())).figure(flush.dry_g());
        csv.figure(dry.and_then(|dry| biological_efficiency_pct(flush.fresh_g(), dry)));
        csv.text(dry.map_or("", |dry| dry.basis.word()));
        let air = FlushClimate::of(material, tub, flush.from, flush.to)?;
        csv.figure(air.temperature.mean()).figure(air.temperature.min()).figure(air.temperature.max());
        csv.figure(air.humidity.mean()).figure(air.humidity.min()).figure(air.vpd.mean());
        csv.figure(air.co2.mean()).figure(air.co2_readings.percentile(95.0));
        csv.figure(air.hours_out()).figure(Some(air.coverage(flush.to)));
        csv.end_row()?;
    }
    Ok(())
}
