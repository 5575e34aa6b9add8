//! Which samples are stored already: refuses duplicates without an index in the file.
//!
//! In: (probe, time) of each sample. Out: whether it is new. Pure; rebuilt at start from the heap
//! by `Reader::known`. What is sealed is left out: `known.rs` looks into the chunks.
//!
//! Memory: stamps of a probe are kept as differences in blocks: 2 bytes a sample where they are
//! under 16 s apart, 3 up to half an hour, plus 0.2 for the block; the newest 256 to
//! 512 of each probe as 8 bytes each. 20 probes every 10 s: 0.5 MB, since
//! what a day old is sealed.

use std::collections::HashMap;

use crate::climate::Stamp;

/// Stamps in a freshly closed block; one that late samples fill to twice this is split.
const TAIL: usize = 256;

/// The stamps of every probe's stored samples.
#[derive(Clone, Debug, Default)]
pub struct Seen {
    probes: HashMap<i64, Stamps>,
}

impl Seen {
    /// An empty index.
    pub fn new() -> Seen {
        Seen::default()
    }

    /// Notes a sample; false when it was there already.
    pub fn insert(&mut self, probe: i64, at: Stamp) -> bool {
        self.probes.entry(probe).or_default().insert(at.0)
    }

    /// Whether a sample is there.
    pub fn contains(&self, probe: i64, at: Stamp) -> bool {
        self.probes.get(&probe).is_some_and(|stamps| stamps.contains(at.0))
    }

    /// Forgets a sample that was not stored after all; false when it was not there.
    pub fn remove(&mut self, probe: i64, at: Stamp) -> bool {
        self.probes.get_mut(&probe).is_some_and(|stamps| stamps.remove(at.0))
    }

    /// `at`, moved on by 1 ms as often as it is taken.
    pub fn next_free(&self, probe: i64, at: Stamp) -> Stamp {
        self.probes.get(&probe).map_or(at, |stamps| Stamp(stamps.next_free(at.0)))
    }

    /// Forgets many samples of a probe, given in time order.
    pub fn remove_all(&mut self, probe: i64, sorted: &[i64]) {
        let Some(old) = self.probes.remove(&probe) else { return };
        let mut gone = sorted.iter().copied().peekable();
        let mut left = Stamps::default();
        let blocks = old.blocks.iter().flat_map(Block::stamps);
        for at in blocks.chain(old.tail.iter().copied()) {
            while gone.peek().is_some_and(|next| *next < at) {
                gone.next();
            }
            if gone.peek() != Some(&at) {
                left.insert(at);
            }
        }
        if left.count > 0 {
            self.probes.insert(probe, left);
        }
    }

    /// How many samples of a probe are there.
    pub fn count(&self, probe: i64) -> u64 {
        self.probes.get(&probe).map_or(0, |stamps| stamps.count)
    }
}

/// A run of stamps: the first, and the differences of the others as varints (LEB128).
#[derive(Clone, Debug)]
struct Block {
    first: i64,
    last: i64,
    count: u32,
    steps: Box<[u8]>,
}

impl Block {
    /// From ascending stamps, at least one.
    fn new(stamps: &[i64]) -> Block {
        let (first, last) = (stamps.first().copied().unwrap_or(0), stamps.last().copied().unwrap_or(0));
        let mut steps = Vec::with_capacity(stamps.len() * 2);
        for pair in stamps.windows(2) {
            let mut step = pair[1].wrapping_sub(pair[0]) as u64;
            while step >= 0x80 {
                steps.push((step as u8) | 0x80);
                step >>= 7;
            }
            steps.push(step as u8);
        }
        Block { first, last, count: stamps.len() as u32, steps: steps.into_boxed_slice() }
    }

    fn stamps(&self) -> Vec<i64> {
        let mut stamps = Vec::with_capacity(self.count as usize + 1);
        let mut at = self.first;
        stamps.push(at);
        let (mut step, mut shift) = (0_u64, 0);
        for byte in &self.steps {
            step |= u64::from(byte & 0x7F) << shift;
            shift += 7;
            if byte & 0x80 == 0 {
                at = at.wrapping_add(step as i64);
                stamps.push(at);
                (step, shift) = (0, 0);
            }
        }
        stamps
    }
}

/// One probe's stamps: blocks in time order, none overlapping, then the newest as they are.
#[derive(Clone, Debug, Default)]
struct Stamps {
    blocks: Vec<Block>,
    tail: Vec<i64>,
    count: u64,
}

impl Stamps {
    /// Position of the block whose span reaches to `at` or beyond, if `at` lies before the tail.
    fn block_of(&self, at: i64) -> Option<usize> {
        if self.blocks.last().is_none_or(|block| at > block.last) {
            return None;
        }
        Some(self.blocks.partition_point(|block| block.last < at))
    }

    fn contains(&self, at: i64) -> bool {
        match self.block_of(at) {
            Some(index) => {
                let block = &self.blocks[index];
                block.first <= at && block.stamps().binary_search(&at).is_ok()
            }
            None => self.tail.binary_search(&at).is_ok(),
        }
    }

    fn insert(&mut self, at: i64) -> bool {
        let new = match self.block_of(at) {
            Some(index) => self.insert_in_block(index, at),
            None => self.insert_in_tail(at),
        };
        self.count += u64::from(new);
        new
    }

    fn insert_in_block(&mut self, index: usize, at: i64) -> bool {
        let mut stamps = self.blocks[index].stamps();
        let Err(place) = stamps.binary_search(&at) else { return false };
        stamps.insert(place, at);
        if stamps.len() < 2 * TAIL {
            self.blocks[index] = Block::new(&stamps);
        } else {
            let (left, right) = stamps.split_at(TAIL);
            self.blocks[index] = Block::new(left);
            self.blocks.insert(index + 1, Block::new(right));
        }
        true
    }

    fn insert_in_tail(&mut self, at: i64) -> bool {
        match self.tail.last() {
            Some(last) if *last >= at => match self.tail.binary_search(&at) {
                Ok(_) => return false,
                Err(place) => self.tail.insert(place, at),
            },
            _ => self.tail.push(at),
        }
        if self.tail.len() >= 2 * TAIL {
            self.blocks.push(Block::new(&self.tail[..TAIL]));
            self.tail.drain(..TAIL);
        }
        true
    }

    fn remove(&mut self, at: i64) -> bool {
        let removed = match self.block_of(at) {
            Some(index) => {
                let mut stamps = self.blocks[index].stamps();
                let found = stamps.binary_search(&at);
                if let Ok(place) = found {
                    stamps.remove(place);
                    if stamps.is_empty() {
                        self.blocks.remove(index);
                    } else {
                        self.blocks[index] = Block::new(&stamps);
                    }
                }
                found.is_ok()
            }
            None => match self.tail.binary_search(&at) {
                Ok(place) => {
                    self.tail.remove(place);
                    true
                }
                Err(_) => false,
            },
        };
        self.count -= u64::from(removed);
        removed
    }

    /// A run of taken milliseconds is stepped over block by block, not one by one: many messages
    /// without their own time may come in one burst.
    fn next_free(&self, at: i64) -> i64 {
        let mut at = at;
        while let Some(index) = self.block_of(at) {
            let block = &self.blocks[index];
            if at < block.first {
                return at;
            }
            let next = if block.last.wrapping_sub(block.first) == i64::from(block.count) - 1 {
                block.last.saturating_add(1)
            } else {
                after_run(&block.stamps(), at)
            };
            if next <= block.last {
                return next;
            }
            if next == at {
                return at;
            }
            at = next;
        }
        after_run(&self.tail, at)
    }
}

/// The first stamp from `at` on that is not in ascending `stamps`.
fn after_run(stamps: &[i64], at: i64) -> i64 {
    let start = stamps.partition_point(|stamp| *stamp < at);
    let later = &stamps[start..];
    // In ascending distinct numbers the run from `at` ends where one first lies beyond its place.
    let (mut low, mut high) = (0, later.len());
    while low < high {
        let middle = (low + high) / 2;
        if later[middle].wrapping_sub(at) == middle as i64 { low = middle + 1 } else { high = middle }
    }
    at.saturating_add(low as i64)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::collections::BTreeSet;

    use rand::rngs::StdRng;
    use rand::{Rng, SeedableRng};

    use super::*;

    #[test]
    fn agrees_with_a_plain_set_whatever_the_order() {
        let mut random = StdRng::seed_from_u64(7);
        for spread in [50_i64, 3_000, 40_000_000] {
            let (mut seen, mut set) = (Seen::new(), BTreeSet::new());
            for step in 0..6_000_i64 {
                // Mostly onwards, sometimes late, sometimes again.
                let at = if random.random_bool(0.7) {
                    step * spread / 50
                } else {
                    random.random_range(-spread..spread * 100)
                };
                match random.random_range(0..10) {
                    0 => assert_eq!(seen.remove(1, Stamp(at)), set.remove(&at)),
                    1 => {
                        let mut free = at;
                        while set.contains(&free) {
                            free += 1;
                        }
                        assert_eq!(seen.next_free(1, Stamp(at)), Stamp(free));
                    }
                    _ => assert_eq!(seen.insert(1, Stamp(at)), set.insert(at)),
                }
                assert_eq!(seen.contains(1, Stamp(at)), set.contains(&at));
                assert_eq!(seen.count(1), set.len() as u64);
            }
        }
    }

    #[test]
    fn many_are_forgotten_at_once() {
        let mut seen = Seen::new();
        (0..3_000).for_each(|step| assert!(seen.insert(1, Stamp(step * 10))));
        let gone: Vec<i64> = (0..3_000).filter(|step| step % 3 != 0).map(|step| step * 10).chain([99_999]).collect();
        seen.remove_all(1, &gone);
        assert_eq!(seen.count(1), 1_000);
        for step in 0..3_000 {
            assert_eq!(seen.contains(1, Stamp(step * 10)), step % 3 == 0);
        }
        seen.remove_all(1, &(0..3_000).map(|step| step * 10).collect::<Vec<_>>());
        assert_eq!(seen.count(1), 0);
        seen.remove_all(7, &[1]);
    }

    #[test]
    fn probes_do_not_meet() {
        let mut seen = Seen::new();
        assert!(seen.insert(1, Stamp(5)) && seen.insert(2, Stamp(5)));
        assert!(!seen.insert(1, Stamp(5)));
        assert!(seen.remove(1, Stamp(5)) && !seen.remove(1, Stamp(5)));
        assert!(seen.contains(2, Stamp(5)));
    }

    #[test]
    fn a_burst_in_one_millisecond_is_strung_out() {
        let mut seen = Seen::new();
        for expected in 0..5_000 {
            let at = seen.next_free(1, Stamp(0));
            assert_eq!(at, Stamp(expected));
            assert!(seen.insert(1, at));
        }
    }

    #[test]
    fn a_regular_series_costs_what_the_header_says() {
        let mut seen = Seen::new();
        for step in 0..100_000 {
            seen.insert(1, Stamp(step * 10_000));
        }
        let stamps = seen.probes.get(&1).unwrap();
        let bytes: usize = stamps.blocks.iter().map(|block| block.steps.len() + size_of::<Block>()).sum();
        let each = bytes as f64 / (stamps.blocks.len() * TAIL) as f64;
        assert!(each < 2.25, "{each} bytes a sample");
    }

    #[test]
    fn the_ends_of_time_are_places_too() {
        let mut seen = Seen::new();
        for at in [i64::MIN, 0, i64::MAX] {
            assert!(seen.insert(1, Stamp(at)) && !seen.insert(1, Stamp(at)));
        }
        for step in 1..600 {
            assert!(seen.insert(1, Stamp(step)));
        }
        assert!(seen.contains(1, Stamp(i64::MIN)) && seen.contains(1, Stamp(i64::MAX)));
        assert_eq!(seen.next_free(1, Stamp(0)), Stamp(600));
    }
}
