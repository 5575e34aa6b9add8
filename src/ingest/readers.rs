//! Which of a source's probes read a message, and if none does, the one reason worth telling.
//!
//! In: the payload and the probes whose topic or port it came by. Out: readings with their probes,
//! and at most one refusal.

use crate::config::Plan;
use crate::wire::{self, Decoded, Recipe, Refusal};

/// A source's probes.
#[derive(Debug)]
pub(super) struct Readers {
    /// Position in the plan, and recipe.
    probes: Vec<(usize, Recipe)>,
    /// What the latest message gave: position in the plan, reading.
    pub(super) found: Vec<(usize, Decoded)>,
    decoded: Vec<Decoded>,
}

/// Why a message, or a part of it, was not taken; the probe where only one can be meant.
pub(super) type Refused = Option<(Option<usize>, Refusal)>;

impl Readers {
    /// The probes of the source at position `source`.
    pub(super) fn new(plan: &Plan, source: usize) -> Readers {
        let probes = plan.probes.iter().enumerate().filter(|(_, probe)| probe.source == source);
        let probes = probes.map(|(at, probe)| (at, probe.recipe.clone())).collect();
        Readers { probes, found: Vec::new(), decoded: Vec::new() }
    }

    /// How many there are; each is named by a number below this.
    pub(super) fn len(&self) -> usize {
        self.probes.len()
    }

    /// Tries `payload` with each of `candidates` and leaves what they read in `found`.
    pub(super) fn read(&mut self, candidates: impl Iterator<Item = usize>, payload: &[u8]) -> Refused {
        self.found.clear();
        let mut tried = 0;
        let mut refused: Refused = None;
        let mut torn: Refused = None;
        for (probe, recipe) in candidates.filter_map(|at| self.probes.get(at)) {
            tried += 1;
            let outcome = wire::decode(recipe, payload, &mut self.decoded);
            let read = !self.decoded.is_empty();
            self.found.extend(self.decoded.drain(..).map(|decoded| (*probe, decoded)));
            let Err(reason) = outcome else { continue };
            if read {
                torn = torn.or(Some((Some(*probe), reason)));
            } else if refused.is_none_or(|(_, before)| tells(reason) > tells(before)) {
                refused = Some((Some(*probe), reason));
            }
        }
        if !self.found.is_empty() {
            return torn;
        }
        let (probe, reason) = refused.unwrap_or((None, Refusal::NobodyReads));
        // With several probes on one line only those meant by it can be named.
        let meant = tried == 1 || matches!(reason, Refusal::BadTime | Refusal::FieldMissing);
        Some((probe.filter(|_| meant && reason != Refusal::NobodyReads), reason))
    }
}

/// How much a reason tells: the further the message got, the more.
fn tells(reason: Refusal) -> u8 {
    match reason {
        Refusal::BadTime => 4,
        Refusal::FieldMissing => 3,
        Refusal::NobodyReads => 2,
        Refusal::Malformed | Refusal::Checksum | Refusal::Header => 1,
        _ => 0,
    }
}
