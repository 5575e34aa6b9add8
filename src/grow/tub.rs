//! A tub: one container of substrate from spawning to its end, as the logbook tells it.

use crate::climate::Stamp;

/// Where a tub stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Stage {
    /// Closed, mycelium running through the substrate.
    Colonising,
    /// Logged as colonised, not yet opened.
    Ripening,
    /// Opened to fruiting conditions, no pins logged yet.
    Pinning,
    /// Pins logged, or harvesting.
    Fruiting,
    /// Between flushes.
    Resting,
    /// Discarded or spent.
    Ended,
}

impl Stage {
    /// The word used in JSON and CSV.
    pub fn word(self) -> &'static str {
        match self {
            Stage::Colonising => "colonising",
            Stage::Ripening => "ripening",
            Stage::Pinning => "pinning",
            Stage::Fruiting => "fruiting",
            Stage::Resting => "resting",
            Stage::Ended => "ended",
        }
    }

    /// The lid is off or on the latch: the fruiting bands of humidity and CO2 apply.
    pub fn is_opened(self) -> bool {
        matches!(self, Stage::Pinning | Stage::Fruiting | Stage::Resting)
    }
}

/// What the substrate sits in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Kind {
    /// A lidded box.
    Tub,
    /// A filled bag.
    Bag,
    /// A block of sawdust.
    Block,
    /// A bottle.
    Bottle,
    /// A flat open bed.
    Bed,
}

impl Kind {
    /// All kinds.
    pub const ALL: [Kind; 5] = [Kind::Tub, Kind::Bag, Kind::Block, Kind::Bottle, Kind::Bed];

    /// The word used in commands, JSON and CSV.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Tub => "tub",
            Kind::Bag => "bag",
            Kind::Block => "block",
            Kind::Bottle => "bottle",
            Kind::Bed => "bed",
        }
    }

    /// The kind called `word`, if there is one.
    pub fn from_word(word: &str) -> Option<Kind> {
        Kind::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// A stretch of a tub's life in which one thing held (a space, a core probe), until the next begins.
#[derive(Clone, Debug, PartialEq)]
pub struct Since<T> {
    /// From when.
    pub from: Stamp,
    /// What held.
    pub value: T,
}

/// One picking.
#[derive(Clone, Debug, PartialEq)]
pub struct Harvest {
    /// When it was picked.
    pub at: Stamp,
    /// Which flush, from 1.
    pub flush: u32,
    /// Fresh mass, grams.
    pub fresh_g: f64,
    /// Dried mass, grams.
    pub dry_g: Option<f64>,
}

/// One wave of mushrooms, from its opening (or the entry before it) to its last picking.
#[derive(Clone, Debug, PartialEq)]
pub struct Flush {
    /// From 1.
    pub number: u32,
    /// The opening for it; without one the rest or soak that ended the flush before; without that
    /// the entry before its first pins or picking.
    pub from: Stamp,
    /// The last picking.
    pub to: Stamp,
    /// Its pickings in time order, never empty.
    pub harvests: Vec<Harvest>,
}

impl Flush {
    /// Fresh mass of all its pickings, grams.
    pub fn fresh_g(&self) -> f64 {
        self.harvests.iter().map(|harvest| harvest.fresh_g).sum()
    }

    /// Dried mass of its pickings, grams; none where any of them was not weighed dry.
    pub fn dry_g(&self) -> Option<f64> {
        self.harvests.iter().map(|harvest| harvest.dry_g).sum()
    }
}

/// One filling of one container, as folded from the logbook.
#[derive(Clone, Debug, PartialEq)]
pub struct Tub {
    /// The bare name, free again once the tub has ended.
    pub name: String,
    /// `A1-2026-11-18`: name and local date of spawning (`-2` and so on where that is taken).
    pub id: String,
    /// What it sits in.
    pub kind: Kind,
    /// The culture's name.
    pub culture: String,
    /// Where it stands now.
    pub stage: Stage,
    /// Each stage and since when, in time order; the last is `stage`.
    pub stages: Vec<Since<Stage>>,
    /// Spawn mixed into the substrate.
    pub spawned_at: Stamp,
    /// Last logged as looked at.
    pub looked_at: Option<Stamp>,
    /// Logged (or implied) as colonised.
    pub colonised_at: Option<Stamp>,
    /// First opened (or implied).
    pub opened_at: Option<Stamp>,
    /// Pins last logged.
    pub pins_at: Option<Stamp>,
    /// When it ended.
    pub ended_at: Option<Stamp>,
    /// `contaminated`, `spent` or `other`.
    pub ended_because: Option<String>,
    /// When contamination was first suspected or found.
    pub contaminated_at: Option<Stamp>,
    /// The spaces it stood in, in time order, never empty.
    pub spaces: Vec<Since<String>>,
    /// Its core probe over time (`None`: no core); empty if it never had one.
    pub cores: Vec<Since<Option<String>>>,
    /// Another tub whose core stands in (`--like`): its id.
    pub like: Option<String>,
    /// Litres of grain spawn.
    pub grain_l: Option<f64>,
    /// Litres of bulk substrate.
    pub bulk_l: Option<f64>,
    /// Grams of dry bulk substrate.
    pub dry_bulk_g: Option<f64>,
    /// Grams of dry grain.
    pub dry_grain_g: Option<f64>,
    /// The grower's word for the strain.
    pub strain: Option<String>,
    /// The grower's word for the batch.
    pub batch: Option<String>,
    /// The heat run of its substrate.
    pub heat_run: Option<String>,
    /// Where in the space.
    pub position: Option<String>,
    /// Pickings in time order.
    pub harvests: Vec<Harvest>,
    /// The flushes that were picked, by number.
    pub flushes: Vec<Flush>,
}

impl Tub {
    /// The space it stands in now.
    pub fn space(&self) -> &str {
        self.spaces.last().map_or("", |space| space.value.as_str())
    }

    /// Its own core probe now, if it has one.
    pub fn core(&self) -> Option<&str> {
        self.cores.last().and_then(|core| core.value.as_deref())
    }

    /// Not ended.
    pub fn is_alive(&self) -> bool {
        self.stage != Stage::Ended
    }
}
