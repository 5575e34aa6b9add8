//! The store: one SQLite file. One writer thread commits in groups; readers use short transactions
//! of their own. Only this room knows SQL.
//!
//! In: [`Change`]s from the engine, logbook entries from commands. Out: [`Report`]s of what is on
//! stable storage, and what is stored, judged and corrected, in time order. The schema stands in
//! `schema.rs`; what is left out of this version: sealed chunks, summaries, retention, backup.

mod commit;
pub mod corrections;
pub mod entries;
pub mod error;
pub mod facts;
pub mod figures;
pub mod history;
pub mod judged;
pub mod open;
pub mod reader;
mod rows;
pub mod schema;
pub mod seen;
pub mod standing;
pub mod writer;
mod zones;

use crate::climate::{Quality, Quantity, Stamp, quantity::Values};
use crate::watch::alert::{Alert, EventKind};
use crate::watch::setup::Correction;

pub use error::StoreError;
pub use judged::JudgedMessage;
pub use open::{Access, Store};
pub use reader::Reader;
pub use seen::Seen;
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
}

/// One message waiting for a messenger.
#[derive(Clone, Debug, PartialEq)]
pub struct OutboxItem {
    /// Given by the engine, ever rising.
    pub id: i64,
    /// The messenger's name.
    pub messenger: String,
    /// The alert.
    pub alert_id: i64,
    /// What happened to it.
    pub event: EventKind,
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
}
