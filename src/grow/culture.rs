//! A culture: a species' profile of bands, damage limits and thermal-time parameters.

use super::tub::Stage;

/// Thermal-time parameters. Temperatures in °C, requirement in °C·h.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thermal {
    /// Below this nothing grows.
    pub base_c: f64,
    /// The optimum: above it growth is counted as `cap_c - base_c`.
    pub cap_c: f64,
    /// At or above this nothing counts and harm begins.
    pub damage_c: f64,
    /// The temperature the usual durations speak of.
    pub usual_c: f64,
    /// Degree-hours from spawning to colonised.
    pub requirement: Requirement,
}

impl Thermal {
    /// The same, requiring something else.
    #[must_use]
    pub fn requiring(self, requirement: Option<Requirement>) -> Thermal {
        Thermal { requirement: requirement.unwrap_or(self.requirement), ..self }
    }
}

/// Degree-hours (°C·h above base) from spawning to colonised.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Requirement {
    /// Seldom earlier.
    pub low: f64,
    /// The middle of the range.
    pub usual: f64,
    /// Seldom later.
    pub high: f64,
}

/// One limit with its own patience; `None` means the watch's default.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    /// In the quantity's unit.
    pub value: f64,
    /// How long it must be overstepped before it counts.
    pub on_delay_ms: Option<i64>,
    /// How long it must be kept before it is over.
    pub off_delay_ms: Option<i64>,
    /// How far inside the limit a value must come back, in the quantity's unit.
    pub deadband: Option<f64>,
}

impl Limit {
    /// A limit with the watch's own patience.
    pub fn plain(value: f64) -> Limit {
        Limit { value, on_delay_ms: None, off_delay_ms: None, deadband: None }
    }
}

/// The limits within which one quantity should be.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Band {
    /// Under it is too low.
    pub low: Option<Limit>,
    /// Over it is too high.
    pub high: Option<Limit>,
    /// At or over it is worth getting out of bed.
    pub critical_high: Option<Limit>,
}

impl Band {
    /// This band with every limit that `over` names put in place of its own.
    #[must_use]
    pub fn overridden_by(self, over: Band) -> Band {
        Band {
            low: over.low.or(self.low),
            high: over.high.or(self.high),
            critical_high: over.critical_high.or(self.critical_high),
        }
    }

    /// True when no limit is named.
    pub fn is_empty(&self) -> bool {
        self.low.is_none() && self.high.is_none() && self.critical_high.is_none()
    }
}

/// The bands of one stage.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct StageBands {
    /// Inside the substrate, °C.
    pub core_temperature: Band,
    /// The space's air, °C.
    pub temperature: Band,
    /// The space's air, %RH.
    pub humidity: Band,
    /// The space's air, ppm.
    pub co2: Band,
}

impl StageBands {
    /// These bands with every limit that `over` names put in place of its own.
    #[must_use]
    pub fn overridden_by(self, over: StageBands) -> StageBands {
        StageBands {
            core_temperature: self.core_temperature.overridden_by(over.core_temperature),
            temperature: self.temperature.overridden_by(over.temperature),
            humidity: self.humidity.overridden_by(over.humidity),
            co2: self.co2.overridden_by(over.co2),
        }
    }
}

/// Bands by stage. A stage that is not named takes its neighbour's: ripening takes colonising's,
/// pinning and resting take fruiting's.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bands {
    /// Closed, running through the substrate.
    pub colonising: Option<StageBands>,
    /// Colonised, not yet opened.
    pub ripening: Option<StageBands>,
    /// Opened, setting pins.
    pub pinning: Option<StageBands>,
    /// Growing mushrooms.
    pub fruiting: Option<StageBands>,
    /// Between flushes.
    pub resting: Option<StageBands>,
}

impl Bands {
    /// The bands that hold in `stage`; none once a tub has ended.
    pub fn of(&self, stage: Stage) -> StageBands {
        match stage {
            Stage::Colonising => self.colonising,
            Stage::Ripening => self.ripening.or(self.colonising),
            Stage::Pinning => self.pinning.or(self.fruiting),
            Stage::Fruiting => self.fruiting,
            Stage::Resting => self.resting.or(self.fruiting),
            Stage::Ended => None,
        }
        .unwrap_or_default()
    }
}

/// A species' profile.
#[derive(Clone, Debug, PartialEq)]
pub struct Culture {
    /// What the grower calls it, `winter-oyster`.
    pub name: String,
    /// Latin binomial.
    pub species: String,
    /// Degree-hour parameters.
    pub thermal: Thermal,
    /// Where the figures come from.
    pub sources: Vec<String>,
    /// Limits by stage.
    pub bands: Bands,
}

impl Culture {
    /// The same culture, requiring what a grower's own tubs have taught.
    #[must_use]
    pub fn requiring(&self, requirement: Option<Requirement>) -> Culture {
        Culture { thermal: self.thermal.requiring(requirement), ..self.clone() }
    }
}
