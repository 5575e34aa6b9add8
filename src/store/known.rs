//! Which samples are stored, in rows or in chunks: what the engine refuses duplicates by.
//!
//! In: (probe, time) of each sample. Out: whether it is new; how many each probe has. The index in
//! memory holds what is not sealed; for a time that may be sealed the chunk is looked into, the few
//! last ones from memory. Blocks for a read of a chunk where something comes late, about a
//! millisecond for thousands of samples in a row.

use std::collections::{HashMap, VecDeque};

use super::reader::Reader;
use super::seen::Seen;
use crate::climate::Stamp;

/// Chunks whose times are kept: 70 kB each.
const CHUNKS_KEPT: usize = 8;

/// The times of one chunk, or of the gap between two.
#[derive(Debug)]
struct Kept {
    probe: i64,
    from: i64,
    to: i64,
    stamps: Vec<i64>,
}

/// The stored samples of every probe.
#[derive(Debug, Default)]
pub struct Known {
    seen: Seen,
    /// How many are sealed, and the latest of them.
    sealed: HashMap<i64, (u64, i64)>,
    reader: Option<Reader>,
    kept: VecDeque<Kept>,
}

impl Known {
    /// Nothing is stored.
    pub fn new() -> Known {
        Known::default()
    }

    pub(super) fn of(seen: Seen, sealed: HashMap<i64, (u64, i64)>, reader: Reader) -> Known {
        Known { seen, sealed, reader: Some(reader), kept: VecDeque::new() }
    }

    /// Notes a sample; false when it was there already.
    pub fn insert(&mut self, probe: i64, at: Stamp) -> bool {
        !self.is_sealed(probe, at) && self.seen.insert(probe, at)
    }

    /// Forgets a sample that was not stored after all.
    pub fn remove(&mut self, probe: i64, at: Stamp) {
        self.seen.remove(probe, at);
    }

    /// `at`, moved on by 1 ms as often as it is taken.
    pub fn next_free(&mut self, probe: i64, at: Stamp) -> Stamp {
        let mut free = self.seen.next_free(probe, at);
        while self.is_sealed(probe, free) {
            free = self.seen.next_free(probe, free.plus(1));
        }
        free
    }

    /// How many samples of a probe are there.
    pub fn count(&self, probe: i64) -> u64 {
        self.seen.count(probe) + self.sealed.get(&probe).map_or(0, |(count, _)| *count)
    }

    /// These are in a chunk now.
    pub fn sealed(&mut self, probe: i64, stamps: &[i64]) {
        self.seen.remove_all(probe, stamps);
        self.kept.retain(|kept| kept.probe != probe);
        if let Some(last) = stamps.last() {
            let (count, latest) = self.sealed.entry(probe).or_insert((0, *last));
            *count += stamps.len() as u64;
            *latest = (*latest).max(*last);
        }
    }

    fn is_sealed(&mut self, probe: i64, at: Stamp) -> bool {
        if self.sealed.get(&probe).is_none_or(|(_, latest)| at.0 > *latest) {
            return false;
        }
        let holds = |kept: &Kept| kept.probe == probe && kept.from <= at.0 && at.0 <= kept.to;
        if let Some(kept) = self.kept.iter().find(|kept| holds(kept)) {
            return kept.stamps.binary_search(&at.0).is_ok();
        }
        let Some(reader) = &self.reader else { return false };
        // Where the chunk cannot be read the sample is taken: sealing leaves it out if it is there.
        let Ok((from, to, stamps)) = reader.sealed_around(probe, at) else { return false };
        let found = stamps.binary_search(&at.0).is_ok();
        self.kept.truncate(CHUNKS_KEPT - 1);
        self.kept.push_front(Kept { probe, from, to, stamps });
        found
    }
}
