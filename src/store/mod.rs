//! The store: one SQLite file. One writer thread commits in groups; readers use short transactions
//! of their own. Only this room knows SQL.
//!
//! In: [`Change`]s from the engine, logbook entries from commands. Out: [`Report`]s of what is on
//! stable storage, and what is stored, judged and corrected, in time order. The schema stands in
//! `schema.rs`. Fresh samples lie in rows (`commit.rs`), older ones in packed chunks (`seal.rs`); readers see no difference.

mod ahead;
pub mod backup;
mod chunk;
mod chunks;
mod commit;
pub mod corrections;
mod disbelieved;
pub mod entries;
pub mod error;
pub mod facts;
pub mod figures;
pub mod fingerprint;
mod group;
pub mod heat;
pub mod history;
pub mod judged;
mod known;
mod late;
mod merge;
pub mod open;
pub mod past;
pub mod quarters;
pub mod reader;
mod redate;
pub mod rename;
mod rows;
pub mod runs;
pub mod salvage;
pub mod schema;
mod seal;
pub mod seen;
pub mod self_heating;
mod series;
pub mod standing;
pub mod stretches;
pub mod summary;
pub mod told;
mod told_anew;
mod window;
pub mod writer;
mod zones;

use crate::climate::{Quality, Quantity, Stamp, quantity::Values};
use crate::watch::alert::{Alert, EventKind};
use crate::watch::clock::Stretch;
use crate::watch::setup::Correction;

pub use error::StoreError;
pub use judged::JudgedMessage;
pub use known::Known;
pub use open::{Access, Store};
pub use reader::Reader;
pub use seen::Seen;
pub use stretches::Timing;
pub use told::{Told, ToldLately};
pub use writer::{Urgency, Writer};

/// One probe message on its way to the disk or back, uncorrected.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// The probe's number in the store (`Store::probe_id`).
    pub probe: i64,
    /// When it was measured; unique within the probe.
    pub at: Stamp,
    /// What it read.
    pub values: Values,
    /// What was known on arrival, by `Quantity::index`. Judgement in context (spikes, 85.0) is made
    /// when the series is read, in time order, so that it does not depend on the order of arrival.
    pub quality: [Quality; 4],
    /// How it came by its time.
    pub timing: Timing,
}

/// What a message for a messenger tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tells {
    /// What happened to an alert.
    Event(EventKind),
    /// The morning list.
    Morning,
}

impl Tells {
    /// The word in the store.
    pub fn word(self) -> &'static str {
        match self {
            Tells::Event(kind) => kind.word(),
            Tells::Morning => "morning",
        }
    }

    /// What `word` stands for, if anything.
    pub fn from_word(word: &str) -> Option<Tells> {
        if word == "morning" { Some(Tells::Morning) } else { EventKind::from_word(word).map(Tells::Event) }
    }
}

impl From<EventKind> for Tells {
    fn from(kind: EventKind) -> Tells {
        Tells::Event(kind)
    }
}

/// One message waiting for a messenger.
#[derive(Clone, Debug, PartialEq)]
pub struct OutboxItem {
    /// Given by the engine, ever rising.
    pub id: i64,
    /// The messenger's name.
    pub messenger: String,
    /// The alert; 0 where it tells of none.
    pub alert_id: i64,
    /// What it tells.
    pub event: Tells,
    /// The body, JSON.
    pub body: String,
    /// The same over retries and after a crash.
    pub idempotency_key: String,
    /// When it was put in.
    pub created_at: Stamp,
    /// How often it was tried.
    pub tries: u32,
}

/// A correction, and from when it holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DatedCorrection {
    /// The probe's number in the store.
    pub probe: i64,
    /// Which of its quantities.
    pub quantity: Quantity,
    /// It holds for samples measured at or after this, until the next one.
    pub since: Stamp,
    /// Gain and offset.
    pub correction: Correction,
    /// When it was written down.
    pub made: Stamp,
}

/// One thing to be written.
#[derive(Clone, Debug)]
pub enum Change {
    /// A new sample; the caller has made sure it is no duplicate.
    Sample(Sample),
    /// An alert as it stands now; replaces the row with its id.
    Alert(Alert),
    /// A message for a messenger.
    Outbox(OutboxItem),
    /// It was accepted, or given up for good.
    Delivered {
        /// The outbox item.
        id: i64,
        /// When.
        at: Stamp,
    },
    /// It was tried and not accepted.
    Tried {
        /// The outbox item.
        id: i64,
        /// How often by now.
        tries: u32,
        /// Why not.
        error: String,
    },
    /// Entries up to this id have been applied by the engine.
    AppliedUpTo(i64),
    /// A correction that holds from its `since` on.
    Correction(DatedCorrection),
    /// A probe that was not known when the store was opened. Number and name must both be new.
    Probe {
        /// Its number.
        id: i64,
        /// Its name.
        name: String,
    },
    /// A single fact that must not be ahead of what is committed with it; replaces the one before.
    Fact {
        /// Its name.
        key: String,
        /// What it says, JSON.
        value: String,
    },
    /// A stretch of the machine's clock as it is known now; replaces the row with its number.
    Clock(Stretch),
    /// How many of a probe's messages have not been taken since the store began.
    Refused {
        /// The probe's number.
        probe: i64,
        /// The total, replacing the one before.
        count: u64,
    },
}

/// What the writer tells of its work.
#[derive(Clone, Debug, PartialEq)]
pub enum Report {
    /// Everything handed over up to and with this ticket is on stable storage.
    Committed {
        /// The last ticket in it.
        ticket: u64,
        /// Seconds the commit took.
        seconds: f64,
        /// Samples in it.
        samples: usize,
    },
    /// A commit failed; what waits is kept and tried again.
    Failing {
        /// Why, in one plain sentence.
        why: String,
        /// Samples waiting.
        waiting: usize,
    },
    /// Samples nobody waits for were given up, oldest first, because more than
    /// [`writer::QUEUE_SAMPLES`] waited. They are not stored, and may be taken again.
    Dropped {
        /// Probe's number and time of each.
        samples: Vec<(i64, Stamp)>,
        /// Further ones that are not named, because the disk held up even this list.
        more: u64,
    },
    /// Samples of one probe that are in a chunk now: the duplicate index need not hold them.
    Sealed {
        /// The probe's number.
        probe: i64,
        /// Their times, in order.
        stamps: Vec<i64>,
    },
    /// Samples could not be sealed; they stay in their rows, and it is tried again.
    Unsealed {
        /// Why, in one plain sentence.
        why: String,
    },
}
