//! A heat run as outsiders see it: in `/status.json`, and in `heat-runs --json`.
//!
//! In: a run of the logbook and what was measured of it. Out: the JSON object. Times are in minutes, for
//! that is how a hold is spoken of.

use serde::Serialize;

use super::snapshot::rounded;
use crate::climate::Stamp;
use crate::climate::stamp::MINUTE_MS;
use crate::grow::heat_run::{ProbeReport, Report, Voice};
use crate::grow::logbook::Run;

fn stamp<S: serde::Serializer>(at: &Stamp, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&at.rfc3339())
}

fn stamp_if<S: serde::Serializer>(at: &Option<Stamp>, serializer: S) -> Result<S::Ok, S::Error> {
    at.map(Stamp::rfc3339).serialize(serializer)
}

/// One heat run.
#[derive(Clone, Debug, Serialize)]
pub struct HeatRunView {
    /// Its name.
    pub name: String,
    /// When it began.
    #[serde(serialize_with = "stamp")]
    pub started_at: Stamp,
    /// When the grower ended it.
    #[serde(serialize_with = "stamp_if")]
    pub ended_at: Option<Stamp>,
    /// heating, hold, cooling, ready.
    pub phase: &'static str,
    /// held, short, unproven; of one probe "held where measured". What could be said if it ended now.
    pub verdict: &'static str,
    /// The published window the target was taken from.
    pub window: Option<&'static str>,
    /// Who published it.
    pub window_source: Option<&'static str>,
    /// The target, °C.
    pub hold_at_c: f64,
    /// How long it is to be held, min.
    pub hold_for_min: f64,
    /// Spawn once the hottest probe is below this, °C.
    pub spawn_below_c: f64,
    /// Hold minutes earned by the coldest valid probe.
    pub earned_min: f64,
    /// Of them, with every probe valid.
    pub proven_min: f64,
    /// Minutes without any valid probe.
    pub unknown_min: f64,
    /// The hold is under way and the coldest probe is under the target.
    pub paused: bool,
    /// When the hold was earned.
    #[serde(serialize_with = "stamp_if")]
    pub reached_at: Option<Stamp>,
    /// When it became cool enough to spawn.
    #[serde(serialize_with = "stamp_if")]
    pub cool_at: Option<Stamp>,
    /// The least pasteurisation units of any probe.
    pub pasteurisation_units: f64,
    /// The reference and z of all units here.
    pub units_reference_c: f64,
    /// See `units_reference_c`.
    pub units_z_c: f64,
    /// Its probes.
    pub probes: Vec<HeatProbeView>,
}

/// One probe of a run.
#[derive(Clone, Debug, Serialize)]
pub struct HeatProbeView {
    /// Its name.
    pub name: String,
    /// unheard, reading, implausible, lost.
    pub voice: &'static str,
    /// °C.
    pub temperature_c: Option<f64>,
    /// °C/h.
    pub slope_c_per_hour: Option<f64>,
    /// Minutes to the target at the present slope.
    pub minutes_to_target: Option<f64>,
    /// Minutes to the spawning temperature at the present slope.
    pub minutes_to_spawn: Option<f64>,
    /// Minutes this probe alone was at or over the target.
    pub at_target_min: f64,
    /// The hottest, °C.
    pub peak_c: Option<f64>,
    /// Of this probe.
    pub pasteurisation_units: f64,
    /// Silences of over five minutes.
    pub gaps: u32,
    /// All of them, min.
    pub unmeasured_min: f64,
}

fn minutes(ms: i64) -> f64 {
    rounded(ms as f64 / MINUTE_MS as f64, 1)
}

impl HeatRunView {
    /// The run as it stands.
    pub fn of(run: &Run, report: &Report) -> HeatRunView {
        HeatRunView {
            name: run.name.clone(),
            started_at: run.started_at,
            ended_at: run.ended_at,
            phase: report.phase.word(),
            verdict: report.verdict_words(),
            window: run.window.map(|window| window.name),
            window_source: run.window.map(|window| window.source),
            hold_at_c: run.plan.hold_at_c(),
            hold_for_min: minutes(run.plan.hold_for_ms()),
            spawn_below_c: run.plan.spawn_below_c(),
            earned_min: minutes(report.earned_ms),
            proven_min: minutes(report.proven_ms),
            unknown_min: minutes(report.unknown_ms),
            paused: report.paused,
            reached_at: report.reached_at,
            cool_at: report.cool_at,
            pasteurisation_units: rounded(report.least_units, 1),
            units_reference_c: report.scale.reference_c(),
            units_z_c: rounded(report.scale.z_c(), 2),
            probes: report.probes.iter().map(HeatProbeView::of).collect(),
        }
    }
}

impl HeatProbeView {
    fn of(probe: &ProbeReport) -> HeatProbeView {
        let to = |value: Option<f64>, digits| value.map(|value| rounded(value, digits));
        HeatProbeView {
            name: probe.name.clone(),
            voice: match probe.voice {
                Voice::Unheard => "unheard",
                Voice::Reading => "reading",
                Voice::Implausible => "implausible",
                Voice::Lost => "lost",
            },
            temperature_c: to(probe.now.map(|(_, value)| value), 2),
            slope_c_per_hour: to(probe.slope_c_per_h, 1),
            minutes_to_target: to(probe.minutes_to_target, 0),
            minutes_to_spawn: to(probe.minutes_to_spawn, 0),
            at_target_min: minutes(probe.at_target_ms),
            peak_c: to(probe.peak.map(|(_, value)| value), 2),
            pasteurisation_units: rounded(probe.units, 1),
            gaps: probe.gaps,
            unmeasured_min: minutes(probe.unmeasured_ms),
        }
    }
}
