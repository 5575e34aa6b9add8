//! One source's way to the engine: its clock, its place in the queue, what it has told already.
//!
//! Dropping it ends the source's intake; `Sources` waits for that when it stops.

use std::net::SocketAddr;
use std::time::Instant;

use tokio::sync::mpsc;

use super::readers::Refused;
use super::refusals::Refusals;
use super::{Clock, Delivery, SourceState, Tap};
use crate::wire::{Decoded, Refusal, printable};

/// The longest excerpt of a refused message, in bytes: enough to know it by.
const EXCERPT_BYTES: usize = 120;

/// How far the stopping of the sources has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd)]
pub(super) enum Phase {
    /// Everything runs.
    Run,
    /// Nothing is taken in any more; acknowledgements still go out.
    Drain,
    /// All ends.
    Finish,
}

/// What a source needs to deliver.
pub(super) struct Intake {
    /// Position of the source in `setup.sources`.
    pub(super) source: usize,
    /// The machine's clock.
    pub(super) clock: Clock,
    /// Refusals that wait to be told.
    pub(super) refusals: Refusals,
    /// The engine's queue.
    pub(super) queue: mpsc::Sender<Delivery>,
    /// Where it listens, where it does.
    pub(super) bound: Option<SocketAddr>,
    told: Option<(SourceState, String)>,
    tap: Tap,
    /// Held while the intake lives.
    _alive: mpsc::Sender<()>,
}

impl Intake {
    /// The way of the source at `source`.
    pub(super) fn new(
        source: usize,
        queue: mpsc::Sender<Delivery>,
        clock: Clock,
        tap: Tap,
        alive: mpsc::Sender<()>,
    ) -> Intake {
        Intake { source, clock, refusals: Refusals::new(source), queue, bound: None, told: None, tap, _alive: alive }
    }

    /// The delivery that tells a new state; `None` where the same was told last.
    pub(super) fn state(&mut self, state: SourceState, why: String) -> Option<Delivery> {
        let news = (state, why);
        if self.told.as_ref() == Some(&news) {
            return None;
        }
        let why = news.1.clone();
        self.told = Some(news);
        let bound = self.bound.filter(|_| state == SourceState::Connected);
        Some(Delivery::Source { source: self.source, state, at: (self.clock)(), why, bound })
    }

    /// Shows a message that came by `by` to whoever looks on.
    pub(super) fn seen(&self, by: &str, payload: &[u8], read: &[(usize, Decoded)], refused: Refused) {
        self.tap.show(self.source, &self.clock, by, payload, read, refused);
    }

    /// Counts a refusal of `payload`, which came by `by` (a topic or a device).
    pub(super) fn refuse(&mut self, probe: Option<usize>, reason: Refusal, by: &str, payload: &[u8]) {
        self.refusals.note(probe, reason, Instant::now(), || {
            format!("{}: {}", printable(by.as_bytes(), EXCERPT_BYTES), printable(payload, EXCERPT_BYTES))
        });
    }
}
