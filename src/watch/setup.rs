//! What the watches must know of the installation: sources, probes, spaces, cultures. Built by `config`.

use crate::climate::Quantity;
use crate::climate::degrees::Degrees;
use crate::grow::culture::{Bands, Culture};

/// The installation as the watches see it. Probes, spaces and sources are named elsewhere by their
/// position in these lists.
#[derive(Clone, Debug, Default)]
pub struct Setup {
    /// Brokers, intakes and ports.
    pub sources: Vec<SourceSetup>,
    /// Every probe, in the config's order.
    pub probes: Vec<ProbeSetup>,
    /// Every space, in the config's order.
    pub spaces: Vec<SpaceSetup>,
    /// Every culture known.
    pub cultures: Vec<Culture>,
    /// The earliest look, however warm it was, after spawning.
    pub due_not_before_ms: i64,
    /// The site's zone: reminders come by its day.
    pub timezone: chrono_tz::Tz,
    /// The degrees that texts for people are written in.
    pub show: Degrees,
}

/// A broker, an intake or a port.
#[derive(Clone, Debug)]
pub struct SourceSetup {
    /// Its name in the config.
    pub name: String,
    /// `broker`, `intake` or `port`.
    pub kind: &'static str,
}

/// A probe.
#[derive(Clone, Debug)]
pub struct ProbeSetup {
    /// Its name in the config.
    pub name: String,
    /// Position of its source.
    pub source: usize,
    /// How often it is expected to report.
    pub every_ms: i64,
    /// Which quantities it reads, by [`Quantity::index`].
    pub reads: [bool; 4],
    /// The correction in force now, by [`Quantity::index`].
    pub correction: [Correction; 4],
}

impl ProbeSetup {
    /// Whether it reads `quantity`.
    pub fn reads(&self, quantity: Quantity) -> bool {
        self.reads[quantity.index()]
    }
}

/// corrected = gain × raw + offset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correction {
    /// Dimensionless.
    pub gain: f64,
    /// In the quantity's unit.
    pub offset: f64,
}

impl Default for Correction {
    fn default() -> Self {
        Correction { gain: 1.0, offset: 0.0 }
    }
}

impl Correction {
    /// The corrected value.
    pub fn apply(self, raw: f64) -> f64 {
        if self == Correction::default() { raw } else { self.gain.mul_add(raw, self.offset) }
    }
}

/// A space.
#[derive(Clone, Debug)]
pub struct SpaceSetup {
    /// Its name in the config.
    pub name: String,
    /// Positions of its air probes; the first that is healthy speaks for the space.
    pub air: Vec<usize>,
    /// A heater can run away here.
    pub heated: bool,
    /// The space's own limits by stage, over each culture's. Without tubs the space is judged by
    /// these alone: by the widest of the stages named.
    pub bands: Bands,
}
