//! Where probes arrive: connect, read, reconnect. In: a broker's or port's bytes. Out: [`Delivery`]s
//! on the engine's bounded queue. Left out: what a message is worth, and whether it came before.
//!
//! Nothing here waits in memory beyond that queue: while it is full, lines wait in the kernel and
//! messages at the broker. Refusals are told in batches, so noise cannot fill it.

mod backoff;
mod door;
mod feed;
mod intake;
mod local;
mod modbus;
mod mqtt;
mod readers;
mod receipt;
mod refusals;
mod routes;
mod serial;
mod sources;
mod tap;
mod tty;
pub mod window;

pub use door::serve_one;
pub use receipt::{Ack, Acks, Receipt};
pub use sources::{Clock, Sources};
pub use tap::{Arrival, Tap};

use std::net::SocketAddr;

use crate::climate::Stamp;
use crate::wire::{Decoded, Refusal};

/// What a source tells the engine.
#[derive(Debug)]
pub enum Delivery {
    /// A message one probe sent.
    Message(Message),
    /// Something that was not taken. To be counted; logged at a bounded rate.
    Refused {
        /// Position of the source in `setup.sources`.
        source: usize,
        /// The probe it was meant for, where that is known.
        probe: Option<usize>,
        /// Why.
        reason: Refusal,
        /// How many (bursts are told as one).
        count: u64,
        /// The start of it, made printable, and where it came from (topic or device).
        excerpt: String,
    },
    /// The source's state changed.
    Source {
        /// Position of the source in `setup.sources`.
        source: usize,
        /// What it is now.
        state: SourceState,
        /// When, by the machine's clock.
        at: Stamp,
        /// Why it is away, in words; empty otherwise.
        why: String,
        /// Where it listens, of an intake that does.
        bound: Option<SocketAddr>,
    },
}

/// One decoded message of one probe.
#[derive(Debug)]
pub struct Message {
    /// Position of the probe in `plan.probes`.
    pub probe: usize,
    /// What it says.
    pub decoded: Decoded,
    /// When it arrived, by the machine's clock.
    pub received: Stamp,
    /// How it came, where that bears on its dating.
    pub carriage: Carriage,
    /// Told once the sample is on disk; `None` where nobody waits.
    pub receipt: Option<Receipt>,
}

/// How a message came.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Carriage {
    /// The broker had kept it (MQTT retain flag).
    pub retained: bool,
    /// Marked as a repeat (MQTT dup flag).
    pub repeat: bool,
    /// Which connection of its source brought it, counted from 1.
    pub connection: u64,
    /// That connection found the broker's session still there, so a backlog may come first.
    pub resumed: bool,
    /// A second copy, for the watches only, while the store fails: the first waits at the broker.
    pub beside: bool,
}

/// Whether a source can deliver.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SourceState {
    /// Open, and every subscription granted.
    Connected,
    /// Being tried, or a subscription not granted yet.
    Connecting,
    /// Cannot be reached.
    Away,
}

impl SourceState {
    /// The word used in JSON.
    pub fn word(self) -> &'static str {
        match self {
            SourceState::Connected => "connected",
            SourceState::Connecting => "connecting",
            SourceState::Away => "away",
        }
    }
}
