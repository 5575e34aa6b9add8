//! `heat_runs.csv`: a row for each heat run, with the tubs spawned from it.
//!
//! In: the runs of the logbook and the stored samples. Out: their rows. Units stand with their reference and z.

use super::export::{Material, Sheet, Stopped};
use crate::climate::stamp::MINUTE_MS;
use crate::grow::logbook::Run;
use crate::store::heat;

/// The columns.
pub(super) const COLUMNS: [&str; 20] = [
    "run",
    "started_at",
    "ended_at",
    "verdict",
    "window",
    "hold_at_c",
    "hold_for_min",
    "spawn_below_c",
    "earned_min",
    "proven_min",
    "unknown_min",
    "reached_at",
    "cool_at",
    "peak_c",
    "pasteurisation_units",
    "units_reference_c",
    "units_z_c",
    "probes",
    "lowest_at_target_min",
    "tubs",
];

/// Writes one run.
pub(super) fn row(csv: &mut Sheet, material: &Material<'_>, run: &Run) -> Result<(), Stopped> {
    let (mut followed, _) = heat::follow(material.reader, run, material.options.now.plus(1), false)?;
    if run.is_open() {
        followed.tick(material.options.now);
    }
    let report = followed.report();
    let minutes = |ms: i64| Some(ms as f64 / MINUTE_MS as f64);
    let peak = report.probes.iter().filter_map(|probe| probe.peak.map(|(_, peak)| peak)).max_by(f64::total_cmp);
    let tubs: Vec<&str> = material
        .tubs
        .iter()
        .filter(|tub| tub.heat_run.as_ref() == Some(&run.name))
        .map(|tub| tub.id.as_str())
        .collect();
    csv.text(&run.name).time(run.started_at).time_if(run.ended_at).text(report.verdict_words());
    csv.text(run.window.map_or("", |window| window.name));
    csv.exact(Some(run.plan.hold_at_c())).exact(minutes(run.plan.hold_for_ms())).exact(Some(run.plan.spawn_below_c()));
    csv.figure(minutes(report.earned_ms)).figure(minutes(report.proven_ms)).figure(minutes(report.unknown_ms));
    csv.time_if(report.reached_at).time_if(report.cool_at).figure(peak).figure(Some(report.least_units));
    csv.exact(Some(report.scale.reference_c())).figure(Some(report.scale.z_c())).text(&run.plan.probes().join("+"));
    csv.figure(report.probes.iter().map(|probe| probe.at_target_ms).min().and_then(minutes)).text(&tubs.join("+"));
    Ok(csv.end_row()?)
}
