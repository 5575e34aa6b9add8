//! A little history that came late, sealed alone: within a minute of falling quiet, and few bytes a day.
//!
//! In: the rows of late samples as they are committed, the time. Out: when they are due; their samples in
//! the chunks they belong in, and their rows gone, in one transaction. Left out: what is late, and rounds
//! over everything (`seal.rs`).
//!
//! A late sample costs its chunk written anew, whatever its size; so a drip that goes on for hours (a
//! probe whose clock is a day behind) may only spend what [`Budget`] allows.

use std::collections::HashMap;
use std::time::{Duration, Instant};

use rusqlite::{Connection, TransactionBehavior};

use super::chunk::Row;
use super::chunks::ChunkError;
use super::rows::{self, SampleRow};
use super::{merge, zones};

/// History is sealed when it has been quiet for so long.
const QUIET: Duration = Duration::from_secs(30);

/// So many late samples are no trickle: a round over everything takes them with it.
pub(super) const LITTLE: usize = 1000;

/// Chunks that late samples may rewrite at once, and how long until one more is free: at 0.3 MB each to
/// the disk (the worst case: log and file, checkpointed each time) 10 MB, and 15 MB a day.
const CHUNKS_AT_ONCE: f64 = 32.0;
const CHUNK_AGAIN: Duration = Duration::from_secs(30 * 60);

/// How many chunks may be written anew for late samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Budget {
    chunks: f64,
    /// When it was so many; none before the first.
    at: Option<Instant>,
}

impl Default for Budget {
    fn default() -> Budget {
        Budget { chunks: CHUNKS_AT_ONCE, at: None }
    }
}

impl Budget {
    fn chunks_at(&self, now: Instant) -> f64 {
        let passed = self.at.map_or(Duration::ZERO, |at| now.saturating_duration_since(at));
        (self.chunks + passed.as_secs_f64() / CHUNK_AGAIN.as_secs_f64()).min(CHUNKS_AT_ONCE)
    }

    fn spend(&mut self, chunks: usize, now: Instant) {
        *self = Budget { chunks: self.chunks_at(now) - chunks as f64, at: Some(now) };
    }

    /// How long until one chunk is allowed.
    fn free_in(&self, now: Instant) -> Duration {
        CHUNK_AGAIN.mul_f64((1.0 - self.chunks_at(now)).max(0.0))
    }
}

/// The late samples that wait.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Late {
    /// Their rows; no more than [`LITTLE`] are kept.
    rows: Vec<i64>,
    last: Option<Instant>,
    budget: Budget,
}

impl Late {
    /// One was committed, as this row.
    pub fn note(&mut self, row: i64, now: Instant) {
        if self.rows.len() < LITTLE {
            self.rows.push(row);
        }
        self.last = Some(now);
    }

    /// Whether there are some, and few enough to be sealed alone.
    pub fn is_little(&self) -> bool {
        !self.rows.is_empty() && self.rows.len() < LITTLE
    }

    /// When they have been quiet for long enough, and may be written.
    pub fn due_in(&self, now: Instant) -> Option<Duration> {
        let quiet_in = (self.last? + QUIET).saturating_duration_since(now);
        Some(if self.is_little() { quiet_in.max(self.budget.free_in(now)) } else { quiet_in })
    }

    /// They are taken care of.
    pub fn clear(&mut self) {
        self.rows.clear();
        self.last = None;
    }

    /// Something else was committed: what had to stay because it was the newest row need not any more.
    pub fn wake(&mut self, now: Instant) {
        if !self.rows.is_empty() {
            self.last.get_or_insert(now);
        }
    }

    /// Those that wait, to be sealed now; the newest row stays, and waits on.
    pub fn take(&mut self, newest_row: i64) -> Vec<i64> {
        self.last = None;
        let (taken, left) = self.rows.iter().partition(|row| **row < newest_row);
        self.rows = left;
        taken
    }

    /// So many chunks were written anew for them.
    pub fn spend(&mut self, chunks: usize, now: Instant) {
        self.budget.spend(chunks, now);
    }

    /// What may still be spent, to be kept over a fault.
    pub fn budget(&self) -> Budget {
        self.budget
    }

    /// Sets it.
    pub fn set_budget(&mut self, budget: Budget) {
        self.budget = budget;
    }
}

/// A probe, and the times of its samples.
pub(super) type OfProbe = (i64, Vec<i64>);

/// Puts the samples of these rows into their chunks and takes the rows away. The newest row of the heap
/// must not be among them, so that no row's number is given twice. Tells the times by probe, and how many
/// chunks were touched, about.
pub(super) fn seal(
    connection: &mut Connection,
    numbered: &[i64],
    keep_from: Option<i64>,
) -> Result<(Vec<OfProbe>, usize), ChunkError> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let mut by_probe: HashMap<i64, Vec<Row>> = HashMap::new();
    {
        let sql = format!("SELECT {} FROM sample WHERE rowid = ?1", rows::SAMPLE_COLUMNS);
        let mut read = transaction.prepare_cached(&sql)?;
        let mut delete = transaction.prepare_cached("DELETE FROM sample WHERE rowid = ?1")?;
        for number in numbered {
            let mut found = read.query([number])?;
            let Some(row) = found.next()? else { continue };
            let SampleRow { probe, at, values, quality, timing, .. } = SampleRow::new(&rows::sample(row)?, false);
            by_probe.entry(probe).or_default().push(Row {
                at,
                values,
                arrival: quality,
                judged: quality.into(),
                timing,
            });
            drop(found);
            delete.execute([number])?;
        }
        // Where their times lay nothing needs to be looked for any more.
        let mut done = i64::MIN;
        for number in numbered {
            if *number > done {
                done = zones::anew(&transaction, *number, *number)?.unwrap_or(*number);
            }
        }
    }
    let (mut sealed, mut touched) = (Vec::new(), 0);
    for (probe, mut rows) in by_probe {
        rows.sort_by_key(|row| row.at);
        rows.dedup_by_key(|row| row.at);
        sealed.push((probe, rows.iter().map(|row| row.at).collect()));
        rows.retain(|row| keep_from.is_none_or(|from| row.at >= from));
        for cluster in merge::clusters(&rows) {
            merge::into_chunks(&transaction, probe, cluster)?;
            touched += 1;
        }
    }
    transaction.commit()?;
    Ok((sealed, touched))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::open::Store;
    use super::super::seal::Sealer;
    use super::super::stretches::Timing;
    use super::*;
    use crate::climate::{Quantity, Stamp};

    #[test]
    fn a_little_is_due_when_quiet_and_a_drip_may_not_spend_more_than_its_budget() {
        let begun = Instant::now();
        let mut late = Late::default();
        assert_eq!((late.due_in(begun), late.is_little()), (None, false));
        let (mut now, mut sealed) = (begun, 0);
        // One every 40 s for a day, each in a chunk of its own.
        for row in 0..24 * 90 {
            late.note(row, now);
            assert!(late.due_in(now).is_some_and(|due| due >= QUIET), "not before it is quiet");
            now += Duration::from_secs(40);
            if late.due_in(now) == Some(Duration::ZERO) {
                let taken = late.take(i64::MAX).len();
                assert!(taken == 1 || sealed >= 32, "one at a time while the budget lasts");
                late.spend(1, now);
                sealed += 1;
            }
        }
        assert!((32 + 40..=32 + 48 + 2).contains(&sealed), "{sealed}");
        // What waits still is sealed in the end, though nothing more comes.
        late.note(-1, now);
        assert!(late.due_in(now).is_some_and(|due| due <= CHUNK_AGAIN));
    }

    #[test]
    fn late_samples_go_into_their_chunks_alone_and_the_rest_stays() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path()).unwrap();
        store.probe_ids(&["a", "b"]).unwrap();
        let insert = |store: &Store, probe: i64, at: i64| {
            let sql = "INSERT INTO sample (probe, at, temperature, quality) VALUES (?1, ?2, 24.0, 0)";
            store.connection.execute(sql, (probe, at)).unwrap();
        };
        for at in 0..2_000 {
            insert(&store, 1 + at % 2, at * 60_000);
        }
        store.seal().unwrap();
        // A new day, and three of the first that were kept back; the last is the newest row.
        let day = 40 * 3_600_000;
        for at in 0..100 {
            insert(&store, 1, day + at * 60_000);
        }
        for (probe, at) in [(1, 61_000), (2, 7_777_777), (1, 62_000)] {
            insert(&store, probe, at);
        }
        let newest = |store: &Store| -> i64 {
            store.connection.query_row("SELECT max(rowid) FROM sample", [], |row| row.get(0)).unwrap()
        };
        let mut sealer = Sealer::load(&store.connection, None).unwrap();
        let now = Instant::now();
        assert!(sealer.due_in(now).is_some_and(|due| due > Duration::ZERO && due <= QUIET));
        assert_eq!(sealer.due_in(now + QUIET), Some(Duration::ZERO));
        let (mut out, row) = (Vec::new(), newest(&store));
        assert!(!sealer.step(&mut store.connection, row, &mut out).unwrap());
        out.sort_by_key(|sealed| sealed.probe);
        let told: Vec<(i64, Vec<i64>)> = out.drain(..).map(|sealed| (sealed.probe, sealed.stamps)).collect();
        assert_eq!(told, [(1, vec![61_000]), (2, vec![7_777_777])]);
        let count =
            |store: &Store, sql: &str| -> i64 { store.connection.query_row(sql, [], |row| row.get(0)).unwrap() };
        assert_eq!(count(&store, "SELECT count(*) FROM sample"), 102, "the day's rows, the one before, the newest");
        assert_eq!(count(&store, "SELECT sum(count) FROM chunk"), 2_001);
        assert_eq!(sealer.due_in(now + QUIET * 4), None, "the newest row waits for company");
        insert(&store, 1, day + 100 * 60_000);
        sealer.note(newest(&store), 1, day + 100 * 60_000, 0, Timing::default());
        let row = newest(&store);
        assert_eq!(sealer.due_in(Instant::now() + QUIET), Some(Duration::ZERO));
        assert!(!sealer.step(&mut store.connection, row, &mut out).unwrap());
        assert_eq!((out.len(), out[0].stamps.clone()), (1, vec![62_000]));
        assert_eq!(count(&store, "SELECT sum(count) FROM chunk"), 2_002);
        let mut seen = 0;
        let reader = store.reader().unwrap();
        let (all, quantity) = ((Stamp(i64::MIN), Stamp(i64::MAX)), Quantity::Temperature);
        for probe in ["a", "b"] {
            reader.series(probe, quantity, all.0, all.1, &mut |_| seen += 1).unwrap();
        }
        assert_eq!(seen, 2_000 + 100 + 3 + 1);
    }

    #[test]
    fn much_waits_for_no_budget() {
        let now = Instant::now();
        let mut late = Late::default();
        late.spend(1_000, now);
        (0..2 * LITTLE as i64).for_each(|row| late.note(row, now));
        assert_eq!((late.is_little(), late.due_in(now)), (false, Some(QUIET)));
    }
}
