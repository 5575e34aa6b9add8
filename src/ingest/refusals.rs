//! Refusals of one source, told in batches: the first of a kind at once, then at most one each
//! [`TOLD_EVERY`] with how many there were. A port that sees nothing but noise costs the engine five
//! deliveries a second, whatever the baud.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use super::Delivery;
use crate::wire::Refusal;

/// How often one kind of refusal is told.
pub(super) const TOLD_EVERY: Duration = Duration::from_millis(200);

/// The batches of one source. Bounded: one for each probe and reason.
#[derive(Debug)]
pub(super) struct Refusals {
    source: usize,
    kinds: BTreeMap<(Option<usize>, Refusal), Batch>,
}

#[derive(Debug)]
struct Batch {
    count: u64,
    excerpt: String,
    /// When it may be told.
    due: Instant,
}

impl Refusals {
    /// None yet.
    pub(super) fn new(source: usize) -> Refusals {
        Refusals { source, kinds: BTreeMap::new() }
    }

    /// Counts one; `excerpt` is asked for only where it is the first of its batch.
    pub(super) fn note(
        &mut self,
        probe: Option<usize>,
        reason: Refusal,
        now: Instant,
        excerpt: impl FnOnce() -> String,
    ) {
        let batch =
            self.kinds.entry((probe, reason)).or_insert_with(|| Batch { count: 0, excerpt: String::new(), due: now });
        if batch.count == 0 {
            batch.excerpt = excerpt();
        }
        batch.count += 1;
    }

    /// When the next batch may be told; `None` where none waits.
    pub(super) fn next_due(&self) -> Option<Instant> {
        self.kinds.values().filter(|batch| batch.count > 0).map(|batch| batch.due).min()
    }

    /// The batches that may be told now.
    pub(super) fn due(&mut self, now: Instant) -> Vec<Delivery> {
        let source = self.source;
        let mut told = Vec::new();
        self.kinds.retain(|&(probe, reason), batch| {
            if batch.due > now {
                return true;
            }
            if batch.count == 0 {
                return false;
            }
            let excerpt = std::mem::take(&mut batch.excerpt);
            told.push(Delivery::Refused { source, probe, reason, count: batch.count, excerpt });
            *batch = Batch { count: 0, excerpt: String::new(), due: now + TOLD_EVERY };
            true
        });
        told
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counts(told: &[Delivery]) -> Vec<(Refusal, u64, &str)> {
        told.iter()
            .filter_map(|delivery| match delivery {
                Delivery::Refused { reason, count, excerpt, .. } => Some((*reason, *count, excerpt.as_str())),
                _ => None,
            })
            .collect()
    }

    #[test]
    fn a_flood_is_told_five_times_a_second_and_counted_whole() {
        let start = Instant::now();
        let mut refusals = Refusals::new(0);
        let mut told = Vec::new();
        for ms in 0..1_000 {
            let now = start + Duration::from_millis(ms);
            for _ in 0..100 {
                refusals.note(None, Refusal::Malformed, now, || format!("at {ms}"));
            }
            told.extend(refusals.due(now));
        }
        assert_eq!(counts(&told[..2]), [(Refusal::Malformed, 100, "at 0"), (Refusal::Malformed, 20_000, "at 1")]);
        assert_eq!(told.len(), 5);
        let end = start + Duration::from_secs(2);
        told.extend(refusals.due(end));
        assert_eq!(counts(&told).iter().map(|told| told.1).sum::<u64>(), 100_000);
        assert!(refusals.next_due().is_none());
        assert!(refusals.due(end + TOLD_EVERY).is_empty() && refusals.kinds.is_empty());
    }
}
