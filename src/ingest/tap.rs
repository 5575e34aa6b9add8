//! What arrives, for whoever wants to look on: the raw message beside what became of it.
//!
//! In: messages as the sources take them. Out: [`Arrival`]s on a channel that drops the oldest where
//! nobody keeps up. While nobody looks on, an arrival costs one look at a counter.

use tokio::sync::broadcast;

use super::Clock;
use crate::climate::Stamp;
use crate::wire::{Decoded, Refusal, printable};

/// The longest excerpt of a message, bytes: some lines of a terminal, and a whole message of most boards.
const EXCERPT_BYTES: usize = 1024;
/// Arrivals kept for a reader that lags; the rest is told as passed over.
const ARRIVALS_MAX: usize = 1024;

/// One message, line or answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Arrival {
    /// Position of the source in `setup.sources`.
    pub source: usize,
    /// When, by the machine's clock.
    pub at: Stamp,
    /// The topic, the device, the unit.
    pub by: String,
    /// The start of it, made printable.
    pub text: String,
    /// What was read from it: position of the probe, reading.
    pub read: Vec<(usize, Decoded)>,
    /// Why it, or a part of it, was not taken; the probe where only one can be meant.
    pub refused: Option<(Option<usize>, Refusal)>,
}

/// The end where arrivals go in.
#[derive(Clone, Debug)]
pub struct Tap(broadcast::Sender<Arrival>);

impl Default for Tap {
    fn default() -> Tap {
        Tap(broadcast::Sender::new(ARRIVALS_MAX))
    }
}

impl Tap {
    /// A look on from now.
    pub fn listen(&self) -> broadcast::Receiver<Arrival> {
        self.0.subscribe()
    }

    /// Shows one arrival, where somebody looks on.
    pub(super) fn show(
        &self,
        source: usize,
        clock: &Clock,
        by: &str,
        payload: &[u8],
        read: &[(usize, Decoded)],
        refused: Option<(Option<usize>, Refusal)>,
    ) {
        if self.0.receiver_count() == 0 {
            return;
        }
        let at = clock();
        let (by, text) = (printable(by.as_bytes(), EXCERPT_BYTES), printable(payload, EXCERPT_BYTES));
        // The last listener may have gone just now.
        let _ = self.0.send(Arrival { source, at, by, text, read: read.to_vec(), refused });
    }
}
