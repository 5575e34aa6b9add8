//! A series thinned to columns of equal time, for drawing: no peak is lost.
//!
//! In: readings, or summaries of readings, in time order. Out: of each column the lowest, the highest,
//! the mean, and when its first and last were measured, so that gaps show. Pure.

use super::Stamp;

/// What fell into one column.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Column {
    /// The lowest.
    pub min: f64,
    /// The highest.
    pub max: f64,
    /// Their sum, for the mean.
    pub sum: f64,
    /// How many.
    pub count: u64,
    /// When the first was measured.
    pub first_at: Stamp,
    /// When the last was measured.
    pub last_at: Stamp,
}

impl Column {
    /// The mean of what fell into it.
    pub fn mean(&self) -> f64 {
        self.sum / self.count.max(1) as f64
    }

    fn join(&mut self, other: &Column) {
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
        self.sum += other.sum;
        self.count += other.count;
        self.last_at = self.last_at.max(other.last_at);
    }
}

/// One series, thinned to columns of equal time without losing its peaks.
#[derive(Clone, Debug, PartialEq)]
pub struct Lane {
    from: Stamp,
    to: Stamp,
    pub(super) columns: Vec<Option<Column>>,
}

impl Lane {
    /// An empty one over `from <= at < to` in `columns` columns (at least one).
    pub fn new(from: Stamp, to: Stamp, columns: usize) -> Lane {
        Lane { from, to: to.max(from.plus(1)), columns: vec![None; columns.max(1)] }
    }

    /// The column that `at` falls into; none outside the range.
    fn place(&self, at: Stamp) -> Option<usize> {
        if at < self.from || at >= self.to {
            return None;
        }
        let share = i128::from(at.since(self.from)) * self.columns.len() as i128 / i128::from(self.to.since(self.from));
        usize::try_from(share).ok().filter(|place| *place < self.columns.len())
    }

    /// The beginning of the column that `at` falls into, as [`Lane::filled`] gives it; none outside the range.
    pub fn begin_of(&self, at: Stamp) -> Option<Stamp> {
        self.place(at).map(|place| self.begin(place))
    }

    fn begin(&self, place: usize) -> Stamp {
        let width_ms = self.to.since(self.from) as f64 / self.columns.len() as f64;
        self.from.plus((place as f64 * width_ms) as i64)
    }

    /// Takes a reading; one outside the range, or no number, is passed over.
    pub fn push(&mut self, at: Stamp, value: f64) {
        self.push_summary(at, Column { min: value, max: value, sum: value, count: 1, first_at: at, last_at: at });
    }

    /// Takes a summary of many readings into the column its beginning falls into.
    pub fn push_summary(&mut self, at: Stamp, summary: Column) {
        let Some(place) = self.place(at).filter(|_| summary.sum.is_finite()) else { return };
        match &mut self.columns[place] {
            Some(column) => column.join(&summary),
            empty => *empty = Some(summary),
        }
    }

    /// Nothing fell into it.
    pub fn is_empty(&self) -> bool {
        self.columns.iter().all(Option::is_none)
    }

    /// The columns that hold something, each with the moment it begins.
    pub fn filled(&self) -> impl Iterator<Item = (Stamp, &Column)> {
        self.columns.iter().enumerate().filter_map(|(place, column)| Some((self.begin(place), column.as_ref()?)))
    }

    /// The same in fewer columns.
    #[must_use]
    pub fn thinned(&self, columns: usize) -> Lane {
        let mut thin = Lane::new(self.from, self.to, columns.min(self.columns.len()));
        for (at, column) in self.filled() {
            thin.push_summary(at, *column);
        }
        thin
    }

    /// The same with `by` added to every value.
    #[must_use]
    pub fn raised(self, by: f64) -> Lane {
        self.scaled(1.0, by)
    }

    /// The same with every value taken `times` (over 0), plus `by`.
    #[must_use]
    pub fn scaled(mut self, times: f64, by: f64) -> Lane {
        for column in self.columns.iter_mut().flatten() {
            column.min = column.min * times + by;
            column.max = column.max * times + by;
            column.sum = column.sum * times + by * column.count as f64;
        }
        self
    }

    /// The lowest and the highest of all; none where nothing was read.
    pub fn range(&self) -> Option<(f64, f64)> {
        let columns = self.columns.iter().flatten();
        columns.fold(None, |range: Option<(f64, f64)>, column| {
            let (low, high) = range.unwrap_or((column.min, column.max));
            Some((low.min(column.min), high.max(column.max)))
        })
    }

    /// Runs of columns whose readings lie no further apart than `bridge_ms`: place and column.
    pub(super) fn runs(&self, bridge_ms: i64) -> Vec<Vec<(usize, &Column)>> {
        let mut runs: Vec<Vec<(usize, &Column)>> = Vec::new();
        for (place, column) in self.columns.iter().enumerate().filter_map(|(at, one)| Some((at, one.as_ref()?))) {
            match runs.last_mut() {
                Some(run) if run.last().is_some_and(|(_, last)| column.first_at.since(last.last_at) <= bridge_ms) => {
                    run.push((place, column));
                }
                _ => runs.push(vec![(place, column)]),
            }
        }
        runs
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn no_peak_is_lost_however_many_readings_share_a_column() {
        let (from, to) = (Stamp(0), Stamp(1_000_000));
        let mut lane = Lane::new(from, to, 100);
        for at in 0..100_000 {
            lane.push(Stamp(at * 10), if at == 54_321 { 40.0 } else { 24.0 });
        }
        lane.push(to, 99.0); // outside
        lane.push(Stamp(5), f64::NAN);
        assert_eq!(lane.range(), Some((24.0, 40.0)));
        assert_eq!(lane.thinned(7).range(), Some((24.0, 40.0)));
        assert_eq!(lane.filled().map(|(_, column)| column.count).sum::<u64>(), 100_000);
        assert_eq!(lane.filled().find(|(_, column)| column.max > 30.0).unwrap().0, Stamp(540_000));
    }

    #[test]
    fn a_gap_breaks_the_line() {
        let mut lane = Lane::new(Stamp(0), Stamp(1_000), 100);
        for at in (0..400).chain(700..1_000).step_by(10) {
            lane.push(Stamp(at), 1.0);
        }
        assert_eq!(lane.runs(50).len(), 2);
        assert_eq!(lane.runs(400).len(), 1);
    }
}
