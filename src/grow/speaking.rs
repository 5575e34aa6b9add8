//! The air probe that speaks, over whole runs of readings.
//!
//! In: the readings of a space's air probes in one stretch of time, as columns. Out: those that count,
//! as runs, in time order: the same as [`Preference::take`] asked for each reading alone. Pure.

use super::thermal::Preference;
use crate::climate::Stamp;
use crate::climate::run::Run;

impl Preference {
    /// Gives `visit` the readings that count: the rank of their probe, and a run. `runs` holds the
    /// readings of the stretch by rank, `bridge_ms` the limit of each probe.
    pub fn take_runs<'a>(&mut self, runs: &[Run<'a>], bridge_ms: &[i64], visit: &mut dyn FnMut(usize, Run<'a>)) {
        let count = self.speaks_until.len().min(bridge_ms.len());
        let mut rest: Vec<Run<'a>> = runs.iter().copied().take(count).collect();
        while let Some((at, rank)) = earliest(&rest) {
            let earlier = self.speaks_until[..rank].iter().flatten().max().copied();
            if let Some(until) = earlier.filter(|until| *until >= at) {
                // An earlier probe spoke of late.
                self.skip(rank, &mut rest, until, bridge_ms[rank]);
                continue;
            }
            // It speaks until an earlier one does, or until it has been silent for too long.
            let others = rest[..rank].iter().filter_map(|run| run.stamps.first()).min();
            let free = others.map_or(rest[rank].len(), |next| rest[rank].stamps.partition_point(|at| at < next));
            let is_alone = rest.iter().enumerate().all(|(other, run)| other == rank || run.is_empty());
            let counted = if is_alone { free } else { unbroken(&rest[rank].split(free).0, bridge_ms[rank]) };
            let (speaks, later) = rest[rank].split(counted.max(1));
            rest[rank] = later;
            if let Some((last, _)) = speaks.last() {
                let until = last.plus(bridge_ms[rank]);
                self.speaks_until[rank] = self.speaks_until[rank].max(Some(until));
                for (later, bridge_ms) in bridge_ms.iter().enumerate().take(rest.len()).skip(rank + 1) {
                    self.skip(later, &mut rest, until, *bridge_ms);
                }
            }
            visit(rank, speaks);
        }
    }

    /// Readings up to `until` do not count, though they were given.
    fn skip(&mut self, rank: usize, rest: &mut [Run<'_>], until: Stamp, bridge_ms: i64) {
        let (silenced, later) = rest[rank].split(rest[rank].stamps.partition_point(|at| *at <= until.0));
        rest[rank] = later;
        if let Some((last, _)) = silenced.last() {
            self.speaks_until[rank] = self.speaks_until[rank].max(Some(last.plus(bridge_ms)));
        }
    }
}

/// The earliest reading of all, of the same moment that of the first listed: its time and rank.
fn earliest(rest: &[Run<'_>]) -> Option<(Stamp, usize)> {
    rest.iter().enumerate().filter_map(|(rank, run)| Some((run.first()?.0, rank))).min()
}

/// How many of its readings follow each other within `bridge_ms`.
fn unbroken(run: &Run<'_>, bridge_ms: i64) -> usize {
    run.stamps.windows(2).position(|pair| pair[1].saturating_sub(pair[0]) > bridge_ms).map_or(run.len(), |gap| gap + 1)
}

#[cfg(test)]
mod tests {
    use rand::rngs::StdRng;
    use rand::{Rng, SeedableRng};

    use super::*;

    /// By (time, rank), one by one.
    fn one_by_one(columns: &[Vec<i64>], bridge_ms: &[i64]) -> Vec<(usize, i64)> {
        let mut all: Vec<(i64, usize)> =
            columns.iter().enumerate().flat_map(|(rank, column)| column.iter().map(move |at| (*at, rank))).collect();
        all.sort_unstable();
        let mut preference = Preference::new(columns.len());
        let counts = |(at, rank): &(i64, usize)| preference.take(*rank, Stamp(*at), bridge_ms[*rank]);
        all.into_iter().filter(counts).map(|(at, rank)| (rank, at)).collect()
    }

    #[test]
    fn runs_are_taken_as_one_by_one_wherever_they_are_cut() {
        let mut random = StdRng::seed_from_u64(3);
        for turn in 0..400 {
            let probes = random.random_range(1..5);
            let bridge_ms: Vec<i64> = (0..probes).map(|_| random.random_range(1..60)).collect();
            let columns: Vec<Vec<i64>> = (0..probes)
                .map(|_| {
                    let (mut at, mut column) = (random.random_range(0..200), Vec::new());
                    for _ in 0..random.random_range(0..120) {
                        column.push(at);
                        at += if random.random_bool(0.1) {
                            random.random_range(1..300)
                        } else {
                            random.random_range(1..9)
                        };
                    }
                    column
                })
                .collect();
            let (mut preference, mut found) = (Preference::new(probes), Vec::new());
            let cut = random.random_range(1..700);
            let ones = vec![0.0; 200];
            for window in 0..(4_000 / cut + 10) {
                let (from, to) = (Stamp(window * cut), Stamp((window + 1) * cut));
                let runs: Vec<Run<'_>> =
                    columns.iter().map(|column| Run::new(column, &ones).within(from, to)).collect();
                preference.take_runs(&runs, &bridge_ms, &mut |rank, run| {
                    found.extend(run.stamps.iter().map(|at| (rank, *at)));
                });
            }
            let end = (4_000 / cut + 10) * cut;
            let expected: Vec<_> = one_by_one(&columns, &bridge_ms).into_iter().filter(|(_, at)| *at < end).collect();
            assert_eq!(found, expected, "turn {turn}, {bridge_ms:?}");
        }
    }
}
