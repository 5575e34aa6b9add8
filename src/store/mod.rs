//! The store: one SQLite file. One writer thread commits in groups; readers use short transactions
//! of their own. Only this room knows SQL.

use crate::climate::{Quality, Stamp, quantity::Values};
use crate::watch::alert::{Alert, EventKind};

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
}
