//! What the engine shows at one moment; serialises to `/status.json` as the contract has it.
//!
//! The engine makes a new one at most once a second and only when something changed; readers take
//! the latest without waiting for anything.

use serde::Serialize;

use super::heat::HeatRunView;
use crate::climate::Stamp;

pub use crate::watch::view::{AlertView, rounded};

fn stamp<S: serde::Serializer>(at: &Stamp, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&at.rfc3339())
}

fn stamp_if<S: serde::Serializer>(at: &Option<Stamp>, serializer: S) -> Result<S::Ok, S::Error> {
    match at {
        Some(at) => serializer.serialize_str(&at.rfc3339()),
        None => serializer.serialize_none(),
    }
}

/// The whole state.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Snapshot {
    /// The site's name.
    pub site: String,
    /// The daemon's clock.
    #[serde(serialize_with = "stamp")]
    pub time: Stamp,
    /// The program's version.
    pub version: &'static str,
    /// Spaces, in the config's order.
    pub spaces: Vec<SpaceView>,
    /// Tubs that have not ended.
    pub tubs: Vec<TubView>,
    /// Heat runs under way; left out where there is none.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub heat_runs: Vec<HeatRunView>,
    /// Probes, in the config's order.
    pub probes: Vec<ProbeView>,
    /// Alerts that have not ended, worst first.
    pub alerts: Vec<AlertView>,
    /// Sources, in the config's order.
    pub sources: Vec<SourceView>,
    /// For `/health` and `/metrics`.
    #[serde(skip)]
    pub inner: Inner,
}

/// A space: its last good reading, however old.
#[derive(Clone, Debug, Default, Serialize)]
pub struct SpaceView {
    /// Its name.
    pub name: String,
    /// The probe that spoke.
    pub probe: Option<String>,
    /// When.
    #[serde(serialize_with = "stamp_if")]
    pub at: Option<Stamp>,
    /// °C.
    pub temperature_c: Option<f64>,
    /// %RH over water.
    pub humidity_pct: Option<f64>,
    /// ppm.
    pub co2_ppm: Option<f64>,
    /// °C, over water.
    pub dew_point_c: Option<f64>,
    /// kPa.
    pub vpd_kpa: Option<f64>,
    /// g/m³.
    pub absolute_humidity_g_m3: Option<f64>,
}

/// A tub.
#[derive(Clone, Debug, Serialize)]
pub struct TubView {
    /// Its bare name.
    pub name: String,
    /// Its filling.
    pub id: String,
    /// The culture's name.
    pub culture: String,
    /// tub, bag, block, bottle or bed.
    pub kind: &'static str,
    /// The stage's word.
    pub stage: &'static str,
    /// The space it stands in.
    pub space: String,
    /// When it began.
    #[serde(serialize_with = "stamp")]
    pub spawned_at: Stamp,
    /// Days since.
    pub age_days: f64,
    /// The probe the figures come from.
    pub temperature_from: Option<String>,
    /// °C·h above base, capped.
    pub degree_hours: f64,
    /// Unbridged time counted as nothing.
    pub degree_hours_low: f64,
    /// Unbridged time counted as the optimum.
    pub degree_hours_high: f64,
    /// °C·h over the top of the band.
    pub heat_stress_degree_hours: f64,
    /// Hours measured / hours elapsed.
    pub coverage: f64,
    /// Degree-hours in days at the culture's usual temperature.
    pub equivalent_days: f64,
    /// Degree-hours over the requirement.
    pub progress: f64,
    /// What it is held to, where that is learnt from the grower's own tubs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub requirement: Option<RequirementView>,
    /// When to go and look; none once colonised.
    pub due: Option<DueView>,
    /// Inside the substrate, °C.
    pub core_c: Option<f64>,
    /// Core minus air, K.
    pub core_over_air_k: Option<f64>,
    /// Ids of the alerts that concern it.
    pub alerts: Vec<i64>,
}

/// Degree-hours from spawning to colonised, and who says so.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct RequirementView {
    /// Seldom less, °C·h.
    pub low: f64,
    /// The middle.
    pub usual: f64,
    /// Seldom more.
    pub high: f64,
    /// `own tubs`: the median and spread of those the grower logged as colonised.
    pub from: &'static str,
    /// How many they were.
    pub tubs: usize,
}

/// When to go and look.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct DueView {
    /// Not before.
    #[serde(serialize_with = "stamp")]
    pub earliest: Stamp,
    /// Seldom later; none where no rate is known.
    #[serde(serialize_with = "stamp_if")]
    pub latest: Option<Stamp>,
}

/// A probe.
#[derive(Clone, Debug, Default, Serialize)]
pub struct ProbeView {
    /// Its name.
    pub name: String,
    /// reporting, silent, stuck, implausible, saturated.
    pub health: &'static str,
    /// When its newest sample was measured.
    #[serde(serialize_with = "stamp_if")]
    pub last_at: Option<Stamp>,
    /// Its last good readings, by the column's name.
    pub readings: serde_json::Map<String, serde_json::Value>,
    /// Messages accepted into the store since it began.
    pub samples: u64,
    /// Messages that were not.
    pub refused: u64,
}

/// A source.
#[derive(Clone, Debug, Serialize)]
pub struct SourceView {
    /// Its name.
    pub name: String,
    /// connected, connecting, away.
    pub state: &'static str,
    /// Since when.
    #[serde(serialize_with = "stamp")]
    pub since: Stamp,
    /// Where an intake listens; left out of any other source, and where it does not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
}

/// What `/health` and `/metrics` need beside the public state.
#[derive(Clone, Debug, Default)]
pub struct Inner {
    /// The site's zone: the page and `series.csv` speak of local days.
    pub timezone: chrono_tz::Tz,
    /// The degrees that people are shown.
    pub show: crate::climate::degrees::Degrees,
    /// A probe or space was renamed since the start: the daemon takes itself up anew.
    pub renamed: bool,
    /// What does not work, each in one plain sentence; empty: all works.
    pub faults: Vec<String>,
    /// Alerts that are put aside, and until when.
    pub shelved_until: Vec<(i64, Stamp)>,
    /// Where hands are at work (none: everywhere), and until when.
    pub at_work: Vec<(Option<String>, Stamp)>,
    /// The space each probe measures the air of, by the probe's position.
    pub probe_space: Vec<Option<String>>,
    /// The source each probe comes from, by the probe's position.
    pub probe_source: Vec<String>,
    /// Samples accepted, by source.
    pub samples_by_source: Vec<(String, u64)>,
    /// Refusals since the daemon started, by source and reason.
    pub refused_by_source: Vec<(String, &'static str, u64)>,
    /// Commits, by the upper bounds of [`COMMIT_BUCKETS_S`], not cumulative; the last is the rest.
    pub commit_buckets: [u64; COMMIT_BUCKETS_S.len() + 1],
    /// Seconds spent in commits.
    pub commit_seconds_sum: f64,
    /// Time-series databases that are sent what is stored.
    pub forwards: Vec<ForwardView>,
    /// Messages waiting, by messenger.
    pub outbox_waiting: Vec<(String, u64)>,
    /// Bytes this process had written to block devices since it began; none where nobody counts.
    pub written_bytes: Option<u64>,
    /// Over so many milliseconds.
    pub written_over_ms: i64,
}

/// A target of forwarding.
#[derive(Clone, Debug, Default)]
pub struct ForwardView {
    /// Its name.
    pub name: String,
    /// Seconds from what was sent to now; since 1970 where nothing was.
    pub behind_s: f64,
    /// Points taken since it began.
    pub points: u64,
    /// Points it will never take.
    pub refused: u64,
}

/// Upper bounds of the commit histogram, seconds.
pub const COMMIT_BUCKETS_S: [f64; 8] = [0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 5.0];
