//! A series as a line through its readings, cut at gaps too long to bridge.
//!
//! In: good, corrected readings in time order, each with a mark of its source. Out: straight pieces
//! between neighbours, cut to a window, and the time they cover. Every figure over time (degree-hours,
//! means, hours in a band) is a sum over these pieces, so that all of them bridge the same gaps.
//! Left out: which readings are good and which source counts; the caller decides.

use super::run::Block;
use super::stamp::{HOUR_MS, MINUTE_MS, Stamp};

/// Values beyond this are no measurement; they are ignored so that sums stay finite.
const MAGNITUDE_MAX: f64 = 1e12;

/// How long a silence may last.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gaps {
    /// Up to and with this the line goes straight from one reading to the next, ms.
    pub bridge_ms: i64,
    /// Over this a bridged piece is doubtful: it adds nothing to a figure's low bound, ms.
    pub doubtful_ms: i64,
}

impl Gaps {
    /// For a probe inside the substrate that should report every `every_ms`: an hour is bridged, or
    /// twice `every_ms` if that is longer; over three times `every_ms` is doubtful.
    pub fn for_core(every_ms: i64) -> Gaps {
        Gaps::bridging(HOUR_MS, every_ms)
    }

    /// For a probe in the air that should report every `every_ms`: 15 min are bridged, or twice
    /// `every_ms` if that is longer; over three times `every_ms` is doubtful.
    pub fn for_air(every_ms: i64) -> Gaps {
        Gaps::bridging(15 * MINUTE_MS, every_ms)
    }

    fn bridging(at_least_ms: i64, every_ms: i64) -> Gaps {
        Gaps { bridge_ms: at_least_ms.max(every_ms.saturating_mul(2)), doubtful_ms: every_ms.saturating_mul(3).max(0) }
    }
}

/// A straight line between two readings; `to` is later than `from`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Piece {
    /// Where it begins.
    pub from: Stamp,
    /// Where it ends.
    pub to: Stamp,
    /// The value at `from`.
    pub from_value: f64,
    /// The value at `to`.
    pub to_value: f64,
    /// It bridges a gap over the doubtful limit.
    pub doubtful: bool,
}

impl Piece {
    /// Its length in hours.
    #[inline]
    pub fn hours(&self) -> f64 {
        self.to.hours_since(self.from)
    }

    /// The lower and the higher of its ends.
    #[inline]
    pub fn range(&self) -> (f64, f64) {
        (self.from_value.min(self.to_value), self.from_value.max(self.to_value))
    }

    /// Its mean value.
    #[inline]
    pub fn mean(&self) -> f64 {
        0.5 * (self.from_value + self.to_value)
    }

    /// The value at `at`, on the line through its ends.
    pub fn value_at(&self, at: Stamp) -> f64 {
        let share = at.since(self.from) as f64 / self.to.since(self.from) as f64;
        self.from_value + (self.to_value - self.from_value) * share
    }

    /// The part of it within `from` and `to`; `None` where nothing of it is.
    pub fn within(&self, from: Stamp, to: Stamp) -> Option<Piece> {
        let mut part = *self;
        if from > self.from {
            part.from = from;
            part.from_value = self.value_at(from);
        }
        if to < self.to {
            part.to = to;
            part.to_value = self.value_at(to);
        }
        (part.from < part.to).then_some(part)
    }

    /// Hours of it strictly over `limit`.
    pub fn hours_over(&self, limit: f64) -> f64 {
        let (low, high) = self.range();
        if high <= limit {
            0.0
        } else if low >= limit {
            self.hours()
        } else {
            self.hours() * (high - limit) / (high - low)
        }
    }

    /// Hours of it strictly under `limit`.
    pub fn hours_under(&self, limit: f64) -> f64 {
        let (low, high) = self.range();
        if low >= limit {
            0.0
        } else if high <= limit {
            self.hours()
        } else {
            self.hours() * (limit - low) / (high - low)
        }
    }

    /// Hours of it at or over `limit`.
    pub fn hours_at_or_over(&self, limit: f64) -> f64 {
        self.hours() - self.hours_under(limit)
    }

    /// The integral of max(0, value - `limit`) over its hours: unit × h.
    #[inline]
    pub fn excess_over(&self, limit: f64) -> f64 {
        let (low, high) = self.range();
        if high <= limit {
            0.0
        } else if low >= limit {
            (self.mean() - limit) * self.hours()
        } else {
            self.hours_over(limit) * 0.5 * (high - limit)
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Last {
    source: u32,
    at: Stamp,
    value: f64,
}

/// Joins readings into pieces within a window, and counts the time they cover.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    start: Stamp,
    end: Stamp,
    last: Option<Last>,
    measured_ms: i64,
}

impl Line {
    /// A line that counts from `start`, and up to `end` if there is one.
    pub fn new(start: Stamp, end: Option<Stamp>) -> Line {
        Line { start, end: end.unwrap_or(Stamp(i64::MAX)), last: None, measured_ms: 0 }
    }

    /// Takes the next reading and gives the piece that leads to it, cut to the window.
    ///
    /// No piece comes of the first reading, after a gap over `gaps.bridge_ms` (the whole gap counts,
    /// also where the window cuts it), or after one of another source: between two places there is no
    /// line. A reading at or before the last one's time, or one that is no number, is ignored.
    #[inline]
    pub fn push(&mut self, source: u32, at: Stamp, value: f64, gaps: Gaps) -> Option<Piece> {
        let before = self.last;
        let is_number = value.abs() <= MAGNITUDE_MAX;
        if !is_number || before.is_some_and(|last| at <= last.at) {
            return None;
        }
        self.last = Some(Last { source, at, value });
        let last = before?;
        let gap_ms = at.since(last.at);
        if last.source != source || gap_ms > gaps.bridge_ms || at <= self.start || last.at >= self.end {
            return None;
        }
        let mut piece = Piece {
            from: last.at,
            to: at,
            from_value: last.value,
            to_value: value,
            doubtful: gap_ms > gaps.doubtful_ms,
        };
        if last.at < self.start || at > self.end {
            piece = piece.within(self.start, self.end)?;
        }
        self.measured_ms = self.measured_ms.saturating_add(piece.to.since(piece.from));
        Some(piece)
    }

    /// Takes a whole block that goes on from the last reading, where every piece of it counts in full,
    /// none is doubtful and none is cut by the window: then true. Else nothing has happened, and its
    /// later readings are to be pushed one by one.
    #[inline]
    pub fn take(&mut self, source: u32, block: &Block<'_>, gaps: Gaps) -> bool {
        let counts = self.could_take(source, block, gaps);
        if let (true, Some((at, value))) = (counts, block.run().last()) {
            self.last = Some(Last { source, at, value });
            self.measured_ms = self.measured_ms.saturating_add(block.span_ms());
        }
        counts
    }

    /// What [`Line::take`] would say.
    #[inline]
    pub fn could_take(&self, source: u32, block: &Block<'_>, gaps: Gaps) -> bool {
        let goes_on = self.last.is_some_and(|last| {
            last.source == source && block.run().first().is_some_and(|first| first == (last.at, last.value))
        });
        let (low, high) = block.range();
        goes_on
            && block.is_unbroken(gaps.bridge_ms.min(gaps.doubtful_ms))
            && block.from() >= self.start
            && block.to() <= self.end
            && low >= -MAGNITUDE_MAX
            && high <= MAGNITUDE_MAX
    }

    /// Where it begins to count.
    pub fn start(&self) -> Stamp {
        self.start
    }

    /// Whether `at` lies in the window: at or after its start, before its end.
    pub fn covers(&self, at: Stamp) -> bool {
        at >= self.start && at < self.end
    }

    /// When the last reading was, in the window or out of it.
    pub fn last_at(&self) -> Option<Stamp> {
        self.last.map(|last| last.at)
    }

    /// Sets a new end of the window; pieces already given stay given.
    pub fn set_end(&mut self, end: Option<Stamp>) {
        self.end = end.unwrap_or(Stamp(i64::MAX));
    }

    /// Milliseconds covered by pieces.
    #[inline]
    pub fn measured_ms(&self) -> i64 {
        self.measured_ms
    }

    /// Hours covered by pieces.
    pub fn hours_measured(&self) -> f64 {
        self.measured_ms as f64 / HOUR_MS as f64
    }

    /// Hours from the start to `now` (to the end, if that is earlier). A clock behind the readings
    /// counts as the last reading's time, so that no more is measured than has elapsed.
    pub fn hours_elapsed(&self, now: Stamp) -> f64 {
        let now = self.last.map_or(now, |last| last.at.max(now)).min(self.end);
        now.hours_since(self.start).max(0.0)
    }
}

/// Hours measured over hours elapsed, 0..=1; 1 when nothing has elapsed.
pub fn coverage(hours_measured: f64, hours_elapsed: f64) -> f64 {
    if hours_elapsed > 0.0 { (hours_measured / hours_elapsed).clamp(0.0, 1.0) } else { 1.0 }
}
