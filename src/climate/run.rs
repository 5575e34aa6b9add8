//! Runs of readings of one source as columns, and what a stretch of them comes to as a whole.
//!
//! In: times and values side by side, good and corrected, in time order. Out: blocks of neighbouring
//! readings with their integral and extremes, so that a figure over years need not look at each piece
//! of the line: where a block lies on one side of every limit its figure follows from the block alone.
//! Pure. Left out: what a figure makes of a block; where one crosses a limit, its pieces are taken singly.

use super::stamp::{HOUR_MS, Stamp};

/// Pieces in a block: enough to be worth it, few enough that a crossing costs little.
const PIECES: usize = 32;

/// Sums kept side by side, so that one addition need not wait for the one before.
const LANES: usize = 4;

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
        std::iter::from_fn(move || {
            if rest.len() < 2 {
                return None;
            }
            let block = Block::of(rest.split(PIECES + 1).0);
            rest = rest.split(block.run.len() - 1).1;
            Some(block)
        })
    }
}

/// Neighbouring readings, at least two, and what the line through them comes to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Block<'a> {
    run: Run<'a>,
    twice_area: f64,
    sum: f64,
    low: f64,
    high: f64,
    shortest_ms: i64,
    longest_ms: i64,
}

impl<'a> Block<'a> {
    /// Of at least two readings.
    fn of(run: Run<'a>) -> Block<'a> {
        let (stamps, values) = (run.stamps, run.values);
        let (mut areas, mut sums) = ([0.0; LANES], [0.0; LANES]);
        let (mut lows, mut highs) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
        let (mut shortest_ms, mut longest_ms) = (i64::MAX, i64::MIN);
        let mut piece = |lane: usize, at: i64, next_at: i64, value: f64, next: f64| {
            let ms = next_at.wrapping_sub(at);
            (shortest_ms, longest_ms) = (shortest_ms.min(ms), longest_ms.max(ms));
            areas[lane] += (value + next) * ms as f64;
            sums[lane] += next;
            lows[lane] = if next < lows[lane] { next } else { lows[lane] };
            highs[lane] = if next > highs[lane] { next } else { highs[lane] };
        };
        let pieces = stamps.len().saturating_sub(1);
        let whole = pieces / LANES * LANES;
        for start in (0..whole).step_by(LANES) {
            let (at, value) = (&stamps[start..=start + LANES], &values[start..=start + LANES]);
            for lane in 0..LANES {
                piece(lane, at[lane], at[lane + 1], value[lane], value[lane + 1]);
            }
        }
        for index in whole..pieces {
            piece(index - whole, stamps[index], stamps[index + 1], values[index], values[index + 1]);
        }
        let first = values.first().copied().unwrap_or(f64::NAN);
        Block {
            run,
            twice_area: areas.iter().sum(),
            sum: sums.iter().sum(),
            low: lows.iter().copied().fold(first, f64::min),
            high: highs.iter().copied().fold(first, f64::max),
            shortest_ms,
            longest_ms,
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

    /// The sum of the values after its first.
    pub fn later_sum(&self) -> f64 {
        self.sum
    }

    /// The lowest and the highest of its values.
    pub fn range(&self) -> (f64, f64) {
        (self.low, self.high)
    }

    /// The longest time between neighbours, ms.
    pub fn longest_ms(&self) -> i64 {
        self.longest_ms
    }

    /// Whether every time is later than the one before, and every value a number.
    pub fn is_sound(&self) -> bool {
        self.shortest_ms > 0 && self.twice_area.is_finite()
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
