//! Runs of readings of one source as columns, and what a stretch of them comes to as a whole.
//!
//! In: times and values side by side, good and corrected, in time order. Out: blocks of neighbouring
//! readings with their integral and extremes, so that a figure over years need not look at each piece
//! of the line: where a block lies on one side of every limit its figure follows from the block alone.
//! Pure. Left out: what a figure makes of a block. One that crosses a limit is halved, and in the end its
//! pieces are taken singly.

use super::stamp::{HOUR_MS, Stamp};

/// Pieces in a block: enough to be worth it, few enough that a crossing costs little.
const PIECES: usize = 64;

/// A block of fewer pieces is not halved any more.
const HALVED_FROM: usize = 16;

/// Readings of one source in time order: times, ms, and values.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Run<'a> {
    /// When each was measured, ms since the epoch.
    pub stamps: &'a [i64],
    /// In the quantity's unit; as many.
    pub values: &'a [f64],
}

impl<'a> Run<'a> {
    /// Of both columns, cut to the shorter one.
    pub fn new(stamps: &'a [i64], values: &'a [f64]) -> Run<'a> {
        let count = stamps.len().min(values.len());
        Run { stamps: &stamps[..count], values: &values[..count] }
    }

    /// How many readings.
    pub fn len(&self) -> usize {
        self.stamps.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.stamps.is_empty()
    }

    /// The first reading.
    pub fn first(&self) -> Option<(Stamp, f64)> {
        Some((Stamp(*self.stamps.first()?), *self.values.first()?))
    }

    /// The last reading.
    pub fn last(&self) -> Option<(Stamp, f64)> {
        Some((Stamp(*self.stamps.last()?), *self.values.last()?))
    }

    /// The readings from `from` on and before `to`.
    #[must_use]
    pub fn within(&self, from: Stamp, to: Stamp) -> Run<'a> {
        let begin = self.stamps.partition_point(|at| *at < from.0);
        let end = self.stamps.partition_point(|at| *at < to.0).max(begin);
        Run { stamps: &self.stamps[begin..end], values: &self.values[begin..end] }
    }

    /// The first `count` readings (all, where there are fewer), and the rest.
    #[must_use]
    pub fn split(&self, count: usize) -> (Run<'a>, Run<'a>) {
        let count = count.min(self.len());
        let ((stamps, later), (values, rest)) = (self.stamps.split_at(count), self.values.split_at(count));
        (Run { stamps, values }, Run { stamps: later, values: rest })
    }

    /// The readings one by one.
    pub fn iter(&self) -> impl Iterator<Item = (Stamp, f64)> + 'a {
        self.stamps.iter().map(|at| Stamp(*at)).zip(self.values.iter().copied())
    }

    /// Blocks that follow each other: the last reading of one is the first of the next, so that every
    /// piece of the line between the readings is in one of them. None of a single reading.
    pub fn blocks(&self) -> impl Iterator<Item = Block<'a>> + use<'a> {
        let mut rest = *self;
        std::iter::from_fn(move || rest.next_block(i64::MAX))
    }

    /// Takes the next block off, which ends at the first reading that is at least `ms` after its first, where
    /// there is one so soon. Its last reading stays, as the first of the next.
    pub fn next_block(&mut self, ms: i64) -> Option<Block<'a>> {
        if self.len() < 2 {
            return None;
        }
        let mut next = self.split(PIECES + 1).0;
        let begin = next.stamps[0];
        let is_sooner = |at: &i64| at.wrapping_sub(begin) < ms;
        if !next.stamps.last().is_some_and(is_sooner) {
            next = next.split(next.stamps.partition_point(is_sooner).max(1) + 1).0;
        }
        *self = self.split(next.len() - 1).1;
        Some(Block::of(next))
    }
}

/// Neighbouring readings, at least two, and what the line through them comes to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Block<'a> {
    run: Run<'a>,
    twice_area: f64,
    low: f64,
    high: f64,
    /// Its shortest piece; 0 or less where the times do not rise.
    shortest_ms: i64,
}

/// What some values come to.
#[derive(Clone, Copy)]
struct Sums {
    twice_area: f64,
    low: f64,
    high: f64,
}

const NOTHING: Sums = Sums { twice_area: 0.0, low: f64::INFINITY, high: f64::NEG_INFINITY };

impl Sums {
    /// Takes the piece of `ms` from `value` to `next`.
    #[inline(always)]
    fn add(&mut self, ms: i64, value: f64, next: f64) {
        // Written so that each is one instruction; no number never wins a comparison.
        self.twice_area += (value + next) * ms as f64;
        self.low = if next < self.low { next } else { self.low };
        self.high = if next > self.high { next } else { self.high };
    }
}

impl<'a> Block<'a> {
    /// Of at least two readings.
    fn of(run: Run<'a>) -> Block<'a> {
        let (stamps, values) = (run.stamps, run.values);
        // Two sums side by side: one addition need not wait for the one before.
        let (mut even, mut odd) = (NOTHING, NOTHING);
        let mut shortest_ms = i64::MAX;
        for (at, value) in stamps.windows(3).step_by(2).zip(values.windows(3).step_by(2)) {
            let (one, two) = (at[1].wrapping_sub(at[0]), at[2].wrapping_sub(at[1]));
            shortest_ms = shortest_ms.min(one).min(two);
            even.add(one, value[0], value[1]);
            odd.add(two, value[1], value[2]);
        }
        if stamps.len().is_multiple_of(2)
            && let ([.., at, to], [.., value, next]) = (stamps, values)
        {
            let last = to.wrapping_sub(*at);
            shortest_ms = shortest_ms.min(last);
            even.add(last, *value, *next);
        }
        let first = values.first().copied().unwrap_or(f64::NAN);
        Block {
            run,
            twice_area: even.twice_area + odd.twice_area,
            low: first.min(even.low).min(odd.low),
            high: first.max(even.high).max(odd.high),
            shortest_ms,
        }
    }

    /// Its readings.
    pub fn run(&self) -> Run<'a> {
        self.run
    }

    /// The readings after its first, which is the last of the block before.
    pub fn later(&self) -> Run<'a> {
        self.run.split(1).1
    }

    /// In two at the first reading that is at least `ms` after its first; `None` where that is its
    /// last or there is none.
    pub fn split_after(&self, ms: i64) -> Option<(Block<'a>, Block<'a>)> {
        let begin = self.from().0;
        let place = self.run.stamps.partition_point(|at| at.wrapping_sub(begin) < ms).max(1);
        if place + 1 >= self.run.len() {
            return None;
        }
        Some((Block::of(self.run.split(place + 1).0), Block::of(self.run.split(place).1)))
    }

    fn pieces(&self) -> usize {
        self.run.len().saturating_sub(1)
    }

    /// In two, for a figure that follows from neither end; `None` where its few pieces are better taken singly.
    pub fn halves(&self) -> Option<(Block<'a>, Block<'a>)> {
        let half = self.pieces() / 2;
        (self.pieces() >= HALVED_FROM)
            .then(|| (Block::of(self.run.split(half + 1).0), Block::of(self.run.split(half).1)))
    }

    /// When its first reading was.
    pub fn from(&self) -> Stamp {
        Stamp(self.run.stamps.first().copied().unwrap_or(0))
    }

    /// When its last reading was.
    pub fn to(&self) -> Stamp {
        Stamp(self.run.stamps.last().copied().unwrap_or(0))
    }

    /// Its length, ms.
    pub fn span_ms(&self) -> i64 {
        self.to().since(self.from())
    }

    /// Its length in hours.
    pub fn hours(&self) -> f64 {
        self.to().hours_since(self.from())
    }

    /// The integral of value - `base` along the line: unit × h.
    pub fn integral_over(&self, base: f64) -> f64 {
        (0.5 * self.twice_area - base * self.span_ms() as f64) / HOUR_MS as f64
    }

    /// The lowest and the highest of its values.
    pub fn range(&self) -> (f64, f64) {
        (self.low, self.high)
    }

    /// Whether every time is later than the one before, by `ms` at most, and every value a number.
    pub fn is_unbroken(&self, ms: i64) -> bool {
        // What all others leave of it at most is the longest.
        let others_ms = (self.pieces() as i64 - 1).saturating_mul(self.shortest_ms);
        let has_no_gap = || {
            self.span_ms().saturating_sub(others_ms) <= ms
                || self.run.stamps.windows(2).all(|pair| pair[1].saturating_sub(pair[0]) <= ms)
        };
        self.shortest_ms > 0 && self.twice_area.is_finite() && has_no_gap()
    }

    /// Hours strictly under `limit`; `None` where it is crossed or touched.
    pub fn hours_under(&self, limit: f64) -> Option<f64> {
        if self.low >= limit {
            Some(0.0)
        } else if self.high < limit {
            Some(self.hours())
        } else {
            None
        }
    }

    /// Hours strictly over `limit`; `None` where it is crossed or touched.
    pub fn hours_over(&self, limit: f64) -> Option<f64> {
        if self.high <= limit {
            Some(0.0)
        } else if self.low > limit {
            Some(self.hours())
        } else {
            None
        }
    }

    /// The integral of max(0, value - `limit`), unit × h; `None` where it is crossed.
    pub fn excess_over(&self, limit: f64) -> Option<f64> {
        if self.high <= limit {
            Some(0.0)
        } else if self.low >= limit {
            Some(self.integral_over(limit))
        } else {
            None
        }
    }
}
