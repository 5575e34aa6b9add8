//! Robust and time-weighted statistics of series.
//!
//! In: short windows of values (median, spread), or a whole series streamed in time order (mean,
//! extremes, hours in a band, percentiles). Out: one figure each; memory does not grow with the
//! series. Left out: what is done with an outlier.

use super::run::Block;
use super::series::{Gaps, Line, coverage};
use super::stamp::Stamp;

/// Makes the median absolute deviation of normally spread values equal their standard deviation:
/// 1 / quantile(0.75) of the normal law, as usually rounded (F. R. Hampel, J. Am. Stat. Assoc. 69, 1974).
pub const MAD_SCALE: f64 = 1.4826;

/// The median, the mean of the middle two for an even count; reorders `values`. `None` when empty or
/// when one of them is not a number.
pub fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() || values.iter().any(|value| value.is_nan()) {
        return None;
    }
    let middle = values.len() / 2;
    let is_even = values.len().is_multiple_of(2);
    let (below, upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let upper = *upper;
    if !is_even {
        return Some(upper);
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(0.5 * (lower + upper))
}

/// The middle and the spread of a window, neither of them moved by a few wild values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// In the values' unit.
    pub median: f64,
    /// Median absolute deviation times [`MAD_SCALE`], in the values' unit.
    pub scaled_mad: f64,
}

impl Spread {
    /// Of the window `values`; reorders and overwrites them. `None` when empty or when one of them is
    /// not a number.
    pub fn of(values: &mut [f64]) -> Option<Spread> {
        let middle = median(values)?;
        for value in values.iter_mut() {
            *value = (*value - middle).abs();
        }
        Some(Spread { median: middle, scaled_mad: MAD_SCALE * median(values)? })
    }

    /// Hampel's rule: farther from the median than `n_sigma` scaled deviations. Where the spread is 0
    /// any other value is an outlier, so a caller sets a floor of its own (a probe's resolution) beside it.
    pub fn is_outlier(&self, value: f64, n_sigma: f64) -> bool {
        (value - self.median).abs() > n_sigma * self.scaled_mad
    }
}

/// Time-weighted mean, extremes and coverage of one series over a window, streamed in time order.
#[derive(Clone, Debug)]
pub struct Summary {
    line: Line,
    integral: f64,
    min: f64,
    max: f64,
    sum: f64,
    count: u64,
}

impl Summary {
    /// Of the time from `start`, and up to `end` if there is one.
    pub fn new(start: Stamp, end: Option<Stamp>) -> Summary {
        let line = Line::new(start, end);
        Summary { line, integral: 0.0, min: f64::INFINITY, max: f64::NEG_INFINITY, sum: 0.0, count: 0 }
    }

    /// Takes the next reading in time order; readings around the window count with the part of their
    /// line that lies in it, so they are pushed too. See [`Line::push`] for what is bridged.
    pub fn push(&mut self, source: u32, at: Stamp, value: f64, gaps: Gaps) {
        let before = self.line.last_at();
        if let Some(piece) = self.line.push(source, at, value, gaps) {
            self.integral += piece.mean() * piece.hours();
            let (low, high) = piece.range();
            self.widen(low);
            self.widen(high);
        }
        let is_taken = self.line.last_at() != before;
        if is_taken && self.line.covers(at) {
            self.widen(value);
            self.sum += value;
            self.count += 1;
        }
    }

    /// Takes a block that begins with the last reading pushed; the same as pushing its later readings.
    pub fn push_block(&mut self, source: u32, block: &Block<'_>, gaps: Gaps) {
        // A reading at the window's end is not in it any more, though its line is.
        if !self.line.covers(block.to()) || !self.line.take(source, block, gaps) {
            if let Some((before, after)) = block.halves() {
                self.push_block(source, &before, gaps);
                return self.push_block(source, &after, gaps);
            }
            return block.later().iter().for_each(|(at, value)| self.push(source, at, value, gaps));
        }
        self.integral += block.integral_over(0.0);
        let (low, high) = block.range();
        self.widen(low);
        self.widen(high);
        // Their sum is asked for only where nothing could be joined.
        self.count += block.later().len() as u64;
    }

    fn widen(&mut self, value: f64) {
        self.min = self.min.min(value);
        self.max = self.max.max(value);
    }

    fn is_empty(&self) -> bool {
        self.min > self.max
    }

    /// The mean over measured time; the plain mean of the readings where none of them could be joined;
    /// `None` without any.
    pub fn mean(&self) -> Option<f64> {
        let hours = self.line.hours_measured();
        if hours > 0.0 { Some(self.integral / hours) } else { (self.count > 0).then(|| self.sum / self.count as f64) }
    }

    /// The lowest value, of readings and of lines cut by the window.
    pub fn min(&self) -> Option<f64> {
        (!self.is_empty()).then_some(self.min)
    }

    /// The highest value, of readings and of lines cut by the window.
    pub fn max(&self) -> Option<f64> {
        (!self.is_empty()).then_some(self.max)
    }

    /// How many readings lay in the window.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Hours covered by the line.
    pub fn hours_measured(&self) -> f64 {
        self.line.hours_measured()
    }

    /// Hours measured over hours elapsed up to `now` or the window's end, 0..=1; 1 when nothing has elapsed.
    pub fn coverage(&self, now: Stamp) -> f64 {
        coverage(self.line.hours_measured(), self.line.hours_elapsed(now))
    }
}

/// The limits [`BandHours`] counts against, in the series' unit.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BandLimits {
    /// Under it is too low.
    pub low: Option<f64>,
    /// Over it is too high.
    pub high: Option<f64>,
    /// At or over it is harm (a culture's damage limit).
    pub damage: Option<f64>,
}

/// Hours a series spent outside its band, crossings solved on the line between readings.
#[derive(Clone, Debug)]
pub struct BandHours {
    line: Line,
    limits: BandLimits,
    under: f64,
    over: f64,
    damage: f64,
}

impl BandHours {
    /// Of the time from `start`, and up to `end` if there is one.
    pub fn new(limits: BandLimits, start: Stamp, end: Option<Stamp>) -> BandHours {
        BandHours { line: Line::new(start, end), limits, under: 0.0, over: 0.0, damage: 0.0 }
    }

    /// Other limits from here on (the stage changed): the piece that leads to the next reading is
    /// judged by them.
    pub fn set_limits(&mut self, limits: BandLimits) {
        self.limits = limits;
    }

    /// Takes the next reading in time order. See [`Line::push`] for what is bridged.
    pub fn push(&mut self, source: u32, at: Stamp, value: f64, gaps: Gaps) {
        let Some(piece) = self.line.push(source, at, value, gaps) else { return };
        self.under += self.limits.low.map_or(0.0, |limit| piece.hours_under(limit));
        self.over += self.limits.high.map_or(0.0, |limit| piece.hours_over(limit));
        self.damage += self.limits.damage.map_or(0.0, |limit| piece.hours_at_or_over(limit));
    }

    /// Takes a block that begins with the last reading pushed; the same as pushing its later readings.
    pub fn push_block(&mut self, source: u32, block: &Block<'_>, gaps: Gaps) {
        let BandLimits { low, high, damage } = self.limits;
        let under = low.map_or(Some(0.0), |limit| block.hours_under(limit));
        let over = high.map_or(Some(0.0), |limit| block.hours_over(limit));
        let harm = damage.map_or(Some(0.0), |limit| Some(block.hours() - block.hours_under(limit)?));
        match (under, over, harm) {
            (Some(under), Some(over), Some(harm)) if self.line.take(source, block, gaps) => {
                self.under += under;
                self.over += over;
                self.damage += harm;
            }
            _ => match block.halves() {
                Some((before, after)) => {
                    self.push_block(source, &before, gaps);
                    self.push_block(source, &after, gaps);
                }
                None => block.later().iter().for_each(|(at, value)| self.push(source, at, value, gaps)),
            },
        }
    }

    /// Hours strictly under the low limit.
    pub fn hours_under(&self) -> f64 {
        self.under
    }

    /// Hours strictly over the high limit.
    pub fn hours_over(&self) -> f64 {
        self.over
    }

    /// Hours at or over the damage limit.
    pub fn hours_over_damage(&self) -> f64 {
        self.damage
    }

    /// Hours under the low or over the high limit.
    pub fn hours_out(&self) -> f64 {
        self.under + self.over
    }

    /// Hours covered by the line.
    pub fn hours_measured(&self) -> f64 {
        self.line.hours_measured()
    }
}

/// Percentiles of readings in bounded memory: counts in bins of one width, exact to one bin.
#[derive(Clone, Debug)]
pub struct Histogram {
    low: f64,
    width: f64,
    counts: Vec<u64>,
    total: u64,
    min: f64,
    max: f64,
}

impl Histogram {
    /// For CO2 in ppm: 0 to 40,000 (the widest range of common probes, from memory) in bins of 10.
    pub fn for_co2() -> Histogram {
        Histogram::new(0.0, 10.0, 4_000)
    }

    /// `bins` bins (at least one) of `width` from `low` up; values outside count in the end bins.
    fn new(low: f64, width: f64, bins: usize) -> Histogram {
        Histogram { low, width, counts: vec![0; bins], total: 0, min: f64::INFINITY, max: f64::NEG_INFINITY }
    }

    /// Takes a reading, in any order; one that is no number is ignored.
    pub fn push(&mut self, value: f64) {
        if !value.is_finite() {
            return;
        }
        // The cast saturates: under the first bin is bin 0.
        let bin = ((value - self.low) / self.width) as usize;
        let last = self.counts.len() - 1;
        self.counts[bin.min(last)] += 1;
        self.total += 1;
        self.min = self.min.min(value);
        self.max = self.max.max(value);
    }

    /// The value at or under which `percent` (0..=100) of the readings lie, within one bin's width
    /// (the whole excess, in an end bin). `None` without readings or for another percentage.
    pub fn percentile(&self, percent: f64) -> Option<f64> {
        if self.total == 0 || !(0.0..=100.0).contains(&percent) {
            return None;
        }
        let wanted = percent / 100.0 * self.total as f64;
        let mut seen = 0.0;
        for (bin, &count) in self.counts.iter().enumerate() {
            let count = count as f64;
            if count > 0.0 && seen + count >= wanted {
                let share = ((wanted - seen) / count).clamp(0.0, 1.0);
                let value = self.low + self.width * (bin as f64 + share);
                return Some(value.clamp(self.min, self.max));
            }
            seen += count;
        }
        Some(self.max)
    }
}
