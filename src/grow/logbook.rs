//! The logbook: append-only dated entries, and the tubs they tell of.

use serde::{Deserialize, Serialize};

pub use super::amend::Line;
pub use super::changes::Changes;
pub use super::check::{Known, KnownProbe, Resolved, check};
pub use super::fold::{Book, Oddity, fold, tubs};
pub use super::heat_book::{HeatStart, Run};
use super::rename::Renaming;
use crate::climate::Stamp;

/// One line of the logbook, or one wish of the grower's, as written.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Given by the store, ever rising; what `amend` names.
    pub id: i64,
    /// When it was typed.
    pub written_at: Stamp,
    /// When it happened.
    pub at: Stamp,
    /// The tub's id (`A1-2026-11-18`), resolved when it was written; empty where no tub is meant.
    pub tub: String,
    /// What happened.
    pub deed: Deed,
}

/// What an entry says happened. The serialised form is the entry's stored body:
/// `{"deed": "harvested", "fresh_g": 412.0, …}`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "deed", rename_all = "kebab-case")]
pub enum Deed {
    /// Spawn to bulk: the tub begins.
    Spawned(Box<Spawning>),
    /// Looked at from outside, or briefly.
    Looked,
    /// The surface is wholly white.
    Colonised,
    /// To fruiting conditions.
    Opened {
        /// The space it went to, if it moved.
        #[serde(skip_serializing_if = "Option::is_none")]
        to: Option<String>,
    },
    /// Closed again.
    Closed,
    /// A casing layer went on.
    Cased,
    /// Pins seen.
    Pins,
    /// Picked.
    Harvested {
        /// Grams.
        fresh_g: f64,
        /// Grams.
        #[serde(skip_serializing_if = "Option::is_none")]
        dry_g: Option<f64>,
        /// From 1; `None`: the one under way.
        #[serde(skip_serializing_if = "Option::is_none")]
        flush: Option<u32>,
    },
    /// Between flushes.
    Rested,
    /// Rehydrated.
    Soaked,
    /// Mould suspected.
    Suspected {
        /// Colour or kind.
        #[serde(skip_serializing_if = "Option::is_none")]
        what: Option<String>,
        /// Where on the cake.
        #[serde(rename = "where", skip_serializing_if = "Option::is_none")]
        place: Option<String>,
    },
    /// The end.
    Discarded {
        /// `contaminated`, `spent` or `other`.
        because: String,
    },
    /// Free text.
    Noted {
        /// The text.
        text: String,
    },
    /// A photo was taken; the file stays where it is.
    Photographed {
        /// Its absolute path.
        file: String,
        /// What it shows.
        #[serde(skip_serializing_if = "Option::is_none")]
        text: Option<String>,
    },
    /// To another space.
    Moved {
        /// The space's name.
        to: String,
    },
    /// Its core probe changed.
    Core {
        /// The probe's name; `None`: taken out.
        probe: Option<String>,
    },
    /// Supersedes an earlier entry; only what is named changes.
    Amended {
        /// The entry's id.
        entry: i64,
        /// True: as if it had never been written.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        void: bool,
        /// New time, milliseconds since 1970.
        #[serde(skip_serializing_if = "Option::is_none")]
        at_ms: Option<i64>,
        /// New fresh mass, grams (a harvest).
        #[serde(skip_serializing_if = "Option::is_none")]
        fresh_g: Option<f64>,
        /// New dry mass, grams (a harvest).
        #[serde(skip_serializing_if = "Option::is_none")]
        dry_g: Option<f64>,
        /// New text (a note).
        #[serde(skip_serializing_if = "Option::is_none")]
        text: Option<String>,
        /// Whatever else is new.
        #[serde(default, skip_serializing_if = "no_changes")]
        more: Box<Changes>,
    },
    /// A heat run of substrate began; its entry names no tub.
    HeatBegan(Box<HeatStart>),
    /// A heat run was ended by the grower.
    HeatEnded {
        /// Its name.
        run: String,
    },
    /// The grower knows of an alert.
    Acknowledged {
        /// The alert's id.
        alert: i64,
    },
    /// The grower puts an alert aside for a while.
    Shelved {
        /// The alert's id.
        alert: i64,
        /// For so long, milliseconds.
        for_ms: i64,
    },
    /// Hands are in a space for a while.
    Working {
        /// The space; `None`: all of them.
        #[serde(skip_serializing_if = "Option::is_none")]
        space: Option<String>,
        /// For so long, milliseconds.
        for_ms: i64,
    },
    /// A probe or a space is called otherwise from now on; its entry names no tub.
    Renamed(Box<Renaming>),
}

fn no_changes(more: &Changes) -> bool {
    more.is_empty()
}

impl Deed {
    /// A remark: it can be made of an ended tub too, and changes nothing.
    pub fn is_remark(&self) -> bool {
        matches!(self, Deed::Noted { .. } | Deed::Photographed { .. })
    }

    /// The word used in the stored body and in `log.csv`.
    pub fn word(&self) -> &'static str {
        match self {
            Deed::Spawned(_) => "spawned",
            Deed::Looked => "looked",
            Deed::Colonised => "colonised",
            Deed::Opened { .. } => "opened",
            Deed::Closed => "closed",
            Deed::Cased => "cased",
            Deed::Pins => "pins",
            Deed::Harvested { .. } => "harvested",
            Deed::Rested => "rested",
            Deed::Soaked => "soaked",
            Deed::Suspected { .. } => "suspected",
            Deed::Discarded { .. } => "discarded",
            Deed::Noted { .. } => "noted",
            Deed::Photographed { .. } => "photographed",
            Deed::Moved { .. } => "moved",
            Deed::Core { .. } => "core",
            Deed::Amended { .. } => "amended",
            Deed::HeatBegan(_) => "heat-began",
            Deed::HeatEnded { .. } => "heat-ended",
            Deed::Acknowledged { .. } => "acknowledged",
            Deed::Shelved { .. } => "shelved",
            Deed::Working { .. } => "working",
            Deed::Renamed(_) => "renamed",
        }
    }

    /// A wish of the grower's to the watches; it tells of no tub.
    pub fn is_wish(&self) -> bool {
        matches!(self, Deed::Acknowledged { .. } | Deed::Shelved { .. } | Deed::Working { .. })
    }
}

/// Everything said at spawning.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Spawning {
    /// The bare name.
    pub name: String,
    /// The culture's name.
    pub culture: String,
    /// The space's name.
    pub space: String,
    /// tub, bag, block, bottle or bed.
    pub kind: String,
    /// Its core probe.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub core: Option<String>,
    /// The id of another tub whose core stands in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub like: Option<String>,
    /// Litres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub grain_l: Option<f64>,
    /// Litres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bulk_l: Option<f64>,
    /// Grams.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dry_bulk_g: Option<f64>,
    /// Grams.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dry_grain_g: Option<f64>,
    /// The heat run of its substrate.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub run: Option<String>,
    /// The grower's word.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub strain: Option<String>,
    /// The grower's word.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub batch: Option<String>,
    /// Where in the space.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub position: Option<String>,
}
