//! What a heat run is to reach: its plan, and windows of temperature and time that were published.
//!
//! In: probes, target, hold, and the temperature to spawn at, or the name of a window. Out: a checked
//! [`Plan`]. Left out: following it (`heat_run`). A window is what its source did or advises for its
//! substrate; none promises that a run kept to it leaves nothing alive, and pasteurising does not aim at that.

use crate::climate::stamp::{HOUR_MS, MINUTE_MS};

/// Probes one run may follow; a bucket or a barrel needs three or four.
pub const PROBES_MAX: usize = 16;
/// Targets accepted, °C: under 40 nothing is pasteurised, over 100 it takes pressure.
pub const HOLD_AT_C: std::ops::RangeInclusive<f64> = 40.0..=100.0;
/// The longest hold accepted, ms.
pub const HOLD_MAX_MS: i64 = 48 * HOUR_MS;
/// The coldest probe under the target for this long, before the hold is over, loses the hold, ms.
pub const LOST_AFTER_MS: i64 = 2 * MINUTE_MS;
/// Spawn below this where the grower names nothing, °C. The book allows 38 (P. Stamets, Growing Gourmet
/// and Medicinal Mushrooms, 2000, chapter 17); careful growers wait for 25 to 28 (common practice, no source).
pub const SPAWN_BELOW_C: f64 = 25.0;

/// Why a plan is refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[allow(missing_docs)] // the message says what each is, and its fields what they hold
pub enum PlanError {
    #[error("a heat run needs at least one probe in the substrate; name it with --probe")]
    NoProbe,
    #[error("a heat run follows at most {PROBES_MAX} probes, and {count} are named")]
    TooManyProbes { count: usize },
    #[error("the probe {probe} is named twice; name each once")]
    SameProbe { probe: String },
    #[error("cannot hold at {hold_at_c} °C: give 40 to 100 °C, measured in the substrate")]
    HoldAt { hold_at_c: f64 },
    #[error("cannot hold for {minutes} min: give 1 min to 48 h")]
    HoldFor { minutes: i64 },
    #[error(
        "cannot spawn below {spawn_below_c} °C: give a temperature from 5 °C up, and at least 5 °C under the target of {hold_at_c} °C"
    )]
    SpawnBelow { spawn_below_c: f64, hold_at_c: f64 },
}

/// What one heat run is to reach. Checked when made.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    probes: Vec<String>,
    hold_at_c: f64,
    hold_for_ms: i64,
    spawn_below_c: f64,
}

impl Plan {
    /// A run of the probes named, to be held at or over `hold_at_c` (40..=100 °C) for `hold_for_ms` (1 min
    /// to 48 h) at its coldest probe, and to be spawned once its hottest is below `spawn_below_c` (5 °C to 5
    /// under the target).
    ///
    /// # Errors
    /// No probe, too many, one twice, or a figure out of range.
    pub fn new(probes: Vec<String>, hold_at_c: f64, hold_for_ms: i64, spawn_below_c: f64) -> Result<Plan, PlanError> {
        if probes.is_empty() {
            return Err(PlanError::NoProbe);
        }
        if probes.len() > PROBES_MAX {
            return Err(PlanError::TooManyProbes { count: probes.len() });
        }
        if let Some((_, probe)) = probes.iter().enumerate().find(|(index, probe)| probes[..*index].contains(probe)) {
            return Err(PlanError::SameProbe { probe: probe.clone() });
        }
        if !HOLD_AT_C.contains(&hold_at_c) {
            return Err(PlanError::HoldAt { hold_at_c });
        }
        if !(MINUTE_MS..=HOLD_MAX_MS).contains(&hold_for_ms) {
            return Err(PlanError::HoldFor { minutes: hold_for_ms / MINUTE_MS });
        }
        if !(5.0..=hold_at_c - 5.0).contains(&spawn_below_c) {
            return Err(PlanError::SpawnBelow { spawn_below_c, hold_at_c });
        }
        Ok(Plan { probes, hold_at_c, hold_for_ms, spawn_below_c })
    }

    /// The probes' names; a probe's place here is its number in readings and events.
    pub fn probes(&self) -> &[String] {
        &self.probes
    }

    /// The number of the probe called `name`.
    pub fn position(&self, name: &str) -> Option<usize> {
        self.probes.iter().position(|probe| probe == name)
    }

    /// The target, °C.
    pub fn hold_at_c(&self) -> f64 {
        self.hold_at_c
    }

    /// How long it is to be held, ms.
    pub fn hold_for_ms(&self) -> i64 {
        self.hold_for_ms
    }

    /// Spawn once the hottest probe is below this, °C.
    pub fn spawn_below_c(&self) -> f64 {
        self.spawn_below_c
    }
}

/// A published window of temperature and time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// What it is chosen by.
    pub name: &'static str,
    /// For which substrate, heated how.
    pub substrate: &'static str,
    /// The coolest temperature the source names, °C, in the substrate.
    pub from_c: f64,
    /// The hottest, °C.
    pub to_c: f64,
    /// The shortest time the source names, min.
    pub from_min: i64,
    /// The longest, min.
    pub to_min: i64,
    /// Author, work, year, page; or what kind of hearsay it is.
    pub source: &'static str,
}

impl Window {
    /// The target to hold at: the coolest temperature named.
    pub fn hold_at_c(&self) -> f64 {
        self.from_c
    }

    /// How long to hold it, ms: the longest time named, for the coolest temperature needs it.
    pub fn hold_for_ms(&self) -> i64 {
        self.to_min * MINUTE_MS
    }
}

/// The windows, mildest first. The spread between them is real: they differ in substrate, in how it is
/// heated and in what is to be killed.
pub const WINDOWS: [Window; 10] = [
    Window {
        name: "compost-57",
        substrate: "button-mushroom compost, phase II, live steam and air",
        from_c: 57.0,
        to_c: 60.0,
        from_min: 120,
        to_min: 360,
        source: "P. Stamets, J. Chilton, The Mushroom Cultivator, 1983, p. 97",
    },
    Window {
        name: "compost-57-long",
        substrate: "button-mushroom compost, phase II",
        from_c: 57.0,
        to_c: 59.0,
        from_min: 240,
        to_min: 360,
        source: "Dhar, Kapoor, Mushroom Science 12(1), article 49, 1989",
    },
    Window {
        name: "compost-60",
        substrate: "button-mushroom compost, phase II",
        from_c: 60.0,
        to_c: 60.0,
        from_min: 120,
        to_min: 120,
        source: "Penn State, Basic Procedures for Agaricus Mushroom Growing (number from memory)",
    },
    Window {
        name: "steam-60",
        substrate: "straw, steam",
        from_c: 60.0,
        to_c: 60.0,
        from_min: 360,
        to_min: 360,
        source: "P. Stamets, J. Chilton, The Mushroom Cultivator, 1983, p. 191",
    },
    Window {
        name: "coir-60",
        substrate: "coir or straw, hot water",
        from_c: 60.0,
        to_c: 71.0,
        from_min: 90,
        to_min: 120,
        source: "a hobby grower's page, weak",
    },
    Window {
        name: "centre-62",
        substrate: "oyster substrate, steam, measured in the centre",
        from_c: 62.0,
        to_c: 62.0,
        from_min: 240,
        to_min: 240,
        source: "spawn maker's data sheet, weak",
    },
    Window {
        name: "aerated-steam-65",
        substrate: "oyster substrate (cottonseed hulls, straw), aerated steam",
        from_c: 65.0,
        to_c: 65.0,
        from_min: 60,
        to_min: 60,
        source: "D. J. Royse, Cultivation of Oyster Mushrooms, Penn State College of Agricultural Sciences",
    },
    Window {
        name: "hot-water-65",
        substrate: "straw, hot water",
        from_c: 65.0,
        to_c: 75.0,
        from_min: 60,
        to_min: 90,
        source: "common practice, no source",
    },
    Window {
        name: "hot-water-70",
        substrate: "straw, hot water",
        from_c: 70.0,
        to_c: 74.0,
        from_min: 60,
        to_min: 120,
        source: "a hobby grower's page, weak",
    },
    Window {
        name: "water-bath-71",
        substrate: "straw, water bath",
        from_c: 71.0,
        to_c: 71.0,
        from_min: 30,
        to_min: 45,
        source: "P. Stamets, J. Chilton, The Mushroom Cultivator, 1983, p. 191",
    },
];

/// The window called `name`.
pub fn window(name: &str) -> Option<&'static Window> {
    WINDOWS.iter().find(|window| window.name == name)
}
