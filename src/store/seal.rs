//! Takes samples out of the heap and packs them into chunks, a round at a time, in short steps.
//!
//! In: the writer's connection, and each sample it has committed. Out: chunks and their summaries,
//! and which samples are in them now. A round takes every row up to a fixed one: some probes a step,
//! each step one transaction that writes their chunks and marks their rows as sealed, then the rows
//! themselves, a slice a step. So after a crash at any moment a sample is in a row or in a chunk.
//! The newest row always stays, so that no row's number is given twice.
//!
//! A round begins when [`EACH`] samples a probe lie in the heap, when the oldest is over a day old,
//! or when much history that came late (over [`LATE_MS`]) has fallen quiet; a little of it is sealed
//! alone (`late.rs`). What comes late into a
//! sealed time is put into the chunk it belongs in, and the judgement of what lies within
//! six hours before and after is made anew (`merge.rs`); so a chunk's judgement is always that of the whole.

use std::collections::{HashMap, HashSet};
use std::time::{Duration, Instant};

use rusqlite::{Connection, Transaction, TransactionBehavior};

use super::chunk::Row;
use super::chunks::{self, ChunkError};
use super::late::{self, Late};
use super::merge;
use super::rows::{self, SampleRow};
use super::zones::Filling;
use super::{Timing, stretches};
use crate::climate::stamp::{DAY_MS, HOUR_MS};
use crate::watch::clock::{Stretch, Trust};

/// Samples of a chunk, about: a day at one every 10 s. Chunks a quarter as long cost a tenth more.
pub(super) const EACH: usize = 8640;

/// Rows in the heap at most, however many probes: 50 MB, and 2 MB of the duplicate index.
const ROWS_MAX: usize = 1 << 20;

/// Rows packed in one step: 2 MB. Each step passes over the whole heap.
const STEP_ROWS: usize = 1 << 15;

/// Rows taken away in one step.
const CLEAR_ROWS: i64 = 100_000;

/// Older than the newest by this is late: history.
const LATE_MS: i64 = 6 * HOUR_MS;

/// A heap whose oldest sample is older than the newest by this is sealed however few it holds.
const OLD_MS: i64 = 26 * HOUR_MS;

/// A clock that nobody confirmed throws nothing away before it has gone on evenly for so long: were it years
/// ahead, all would be gone before anybody saw.
const BELIEVED_MS: i64 = 7 * DAY_MS;

/// After a failure; the next commit tells whether the disk is well.
const PAUSE: Duration = Duration::from_secs(60);

/// Samples of one probe that are in chunks now, and no longer in the heap.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Sealed {
    pub probe: i64,
    /// In time order.
    pub stamps: Vec<i64>,
}

#[derive(Debug)]
struct Round {
    /// The last row of it.
    through: i64,
    /// Probes to be packed, with their rows, at most.
    probes: Vec<(i64, usize)>,
}

/// What lies in the heap, and the round that is under way.
#[derive(Debug, Default)]
pub(super) struct Sealer {
    unsealed: HashMap<i64, usize>,
    total: usize,
    newest_at: Option<i64>,
    oldest_at: Option<i64>,
    last: Option<(i64, i64, i64, u16, Timing)>,
    late: Late,
    round: Option<Round>,
    leftovers: bool,
    /// Stretches of the clock that were wrong: what is dated by them tells nothing of what is old.
    wrong: HashSet<u32>,
    /// When the others began that are not forgotten.
    begun: HashMap<u32, i64>,
    failed: Option<Instant>,
    /// Raw samples older than the newest by this are thrown away, their summaries stay.
    keep_ms: Option<i64>,
    /// The newest for that.
    keep_newest: Option<i64>,
}

impl Sealer {
    /// Of the heap as it is, read once.
    pub fn load(connection: &Connection, keep_ms: Option<i64>) -> rusqlite::Result<Sealer> {
        let mut sealer = Sealer { keep_ms, ..Sealer::default() };
        stretches::all(connection)?.iter().for_each(|stretch| sealer.know(stretch));
        let sealed = rows::sealing(connection)?;
        sealer.leftovers = !sealed.is_empty();
        let mut read = connection.prepare("SELECT rowid, probe, at, quality FROM sample ORDER BY rowid")?;
        let mut read = read.query([])?;
        while let Some(row) = read.next()? {
            let (number, probe): (i64, i64) = (row.get(0)?, row.get(1)?);
            if sealed.get(&probe).is_none_or(|through| number > *through) {
                let quality: i64 = row.get(3)?;
                sealer.note(number, probe, row.get(2)?, quality as u16, Timing::of_bits(quality));
            }
        }
        Ok(sealer)
    }

    /// A sample was committed, as this row.
    pub fn note(&mut self, row: i64, probe: i64, at: i64, quality: u16, timing: Timing) {
        *self.unsealed.entry(probe).or_default() += 1;
        self.total += 1;
        self.last = Some((row, probe, at, quality, timing));
        self.late.wake(Instant::now());
        // One that is not dated, or from the future, tells nothing of what is late.
        if !stretches::is_dated(quality) || self.wrong.contains(&timing.stretch()) {
            return;
        }
        if timing == Timing::SETTLED || self.begun.get(&timing.stretch()).is_some_and(|begun| at - begun >= BELIEVED_MS)
        {
            self.keep_newest = self.keep_newest.max(Some(at));
        }
        let newest = self.newest_at.map_or(at, |newest| newest.max(at));
        self.newest_at = Some(newest);
        if at < newest - LATE_MS {
            self.late.note(row, Instant::now());
        } else {
            self.oldest_at = Some(self.oldest_at.map_or(at, |oldest| oldest.min(at)));
        }
    }

    /// What is known of a stretch of the clock.
    pub fn know(&mut self, stretch: &Stretch) {
        if stretch.trust == Trust::Wrong {
            self.wrong.insert(stretch.id);
            self.begun.remove(&stretch.id);
        } else {
            self.wrong.remove(&stretch.id);
            self.begun.insert(stretch.id, stretch.since.0);
        }
    }

    /// The same, for a round over everything whatever is due.
    pub fn whole(mut self) -> Sealer {
        self.late.clear();
        self
    }

    /// How long until there is something to do; `None` when nothing is foreseen.
    pub fn due_in(&self, now: Instant) -> Option<Duration> {
        let wait = self.wait(now)?;
        let pause = self.failed.map_or(Duration::ZERO, |at| PAUSE.saturating_sub(now.saturating_duration_since(at)));
        Some(wait.max(pause))
    }

    /// Does nothing for a while.
    pub fn pause(&mut self) {
        self.failed = Some(Instant::now());
    }

    fn wait(&self, now: Instant) -> Option<Duration> {
        if self.round_is_due() { Some(Duration::ZERO) } else { self.late.due_in(now) }
    }

    /// A round goes on, or one is to begin whatever came late.
    fn round_is_due(&self) -> bool {
        let full = (EACH * self.unsealed.len()).min(ROWS_MAX);
        let old = self.newest_at.zip(self.oldest_at).is_some_and(|(newest, oldest)| newest - oldest > OLD_MS);
        self.round.is_some() || self.leftovers || (self.total >= 2 && (self.total >= full || old))
    }

    /// Does one step of the round, or begins one. True while there is more to do.
    pub fn step(
        &mut self,
        connection: &mut Connection,
        newest_row: i64,
        out: &mut Vec<Sealed>,
    ) -> Result<bool, ChunkError> {
        let done = self.try_step(connection, newest_row, out);
        self.failed = done.is_err().then(Instant::now);
        done
    }

    fn try_step(
        &mut self,
        connection: &mut Connection,
        newest_row: i64,
        out: &mut Vec<Sealed>,
    ) -> Result<bool, ChunkError> {
        if !self.round_is_due() && self.late.is_little() {
            let keep_from = self.keep_from();
            let (sealed, touched) = late::seal(connection, &self.late.take(newest_row), keep_from)?;
            self.late.spend(touched, Instant::now());
            for (probe, stamps) in sealed {
                let count = self.unsealed.entry(probe).or_default();
                *count = count.saturating_sub(stamps.len());
                self.total = self.total.saturating_sub(stamps.len());
                out.push(Sealed { probe, stamps });
            }
            self.unsealed.retain(|_, count| *count > 0);
            return Ok(false);
        }
        if self.round.is_none() {
            self.begin(newest_row);
        }
        let keep_from = self.keep_from();
        let Some(round) = &mut self.round else { return Ok(false) };
        if round.probes.is_empty() {
            let more = clear(connection, round.through, keep_from)?;
            if !more {
                self.round = None;
            }
            return Ok(more);
        }
        let group = group(&round.probes);
        let done = pack(connection, &group, round.through, keep_from, out)?;
        let taken: HashMap<i64, usize> = out.iter().map(|sealed| (sealed.probe, sealed.stamps.len())).collect();
        for (probe, count) in &mut round.probes {
            *count -= taken.get(probe).copied().unwrap_or(0).min(*count);
        }
        if done {
            round.probes.retain(|(probe, _)| group.iter().all(|(packed, _)| packed != probe));
        }
        Ok(true)
    }

    /// What is older is thrown away.
    fn keep_from(&self) -> Option<i64> {
        self.keep_ms.zip(self.keep_newest).map(|(keep_ms, newest)| newest.saturating_sub(keep_ms))
    }

    /// Begins a round over all rows but the newest; what comes from now on is for the next.
    fn begin(&mut self, newest_row: i64) {
        let probes = std::mem::take(&mut self.unsealed).into_iter().collect();
        self.round = Some(Round { through: newest_row - 1, probes });
        (self.total, self.oldest_at, self.leftovers) = (0, None, false);
        self.late.clear();
        if let Some((row, probe, at, quality, timing)) = self.last {
            self.note(row, probe, at, quality, timing);
            // One row is not worth a round.
            self.late.clear();
        }
    }

    /// Forgets the round, after a fault: the file is asked anew.
    pub fn reload(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        let (failed, budget) = (self.failed, self.late.budget());
        *self = Sealer { failed, ..Sealer::load(connection, self.keep_ms)? };
        self.late.set_budget(budget);
        Ok(())
    }
}

/// The next probes that are packed together; one with very many rows is packed in parts.
fn group(probes: &[(i64, usize)]) -> Vec<(i64, usize)> {
    let (mut group, mut total) = (Vec::new(), 0);
    for (probe, count) in probes {
        if !group.is_empty() && total + count > STEP_ROWS {
            break;
        }
        total += count;
        group.push((*probe, *count));
    }
    group
}

/// Packs the rows of `group` up to `through`, or a part of them where there are too many; true when
/// all of them are packed.
fn pack(
    connection: &mut Connection,
    group: &[(i64, usize)],
    through: i64,
    keep_from: Option<i64>,
    out: &mut Vec<Sealed>,
) -> Result<bool, ChunkError> {
    let sealed = rows::sealing(connection)?;
    let after = |probe: i64| sealed.get(&probe).copied().unwrap_or(i64::MIN);
    let room = |count: usize| Vec::with_capacity(count.min(2 * STEP_ROWS));
    let mut taken: HashMap<i64, Vec<Row>> = group.iter().map(|(probe, count)| (*probe, room(*count))).collect();
    let (mut count, mut reached) = (0, through);
    {
        let start = group.iter().map(|(probe, _)| after(*probe)).min().unwrap_or(i64::MIN);
        let mut read = connection.prepare_cached(rows::HEAP_IN_ORDER)?;
        let mut read = read.query([start, through])?;
        while let Some(row) = read.next()? {
            let number: i64 = row.get(7)?;
            let Some(of_probe) = taken.get_mut(&row.get(0)?) else { continue };
            let sample = SampleRow::new(&rows::sample(row)?, false);
            if number <= after(sample.probe) {
                continue;
            }
            if count >= 2 * STEP_ROWS {
                reached = number - 1;
                break;
            }
            count += 1;
            let SampleRow { at, values, quality, timing, .. } = sample;
            of_probe.push(Row { at, values, arrival: quality, judged: quality.into(), timing });
        }
    }
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let mut now_sealed = Vec::new();
    for (probe, mut rows) in taken {
        rows.sort_by_key(|row| row.at);
        rows.dedup_by_key(|row| row.at);
        let stamps = rows.iter().map(|row| row.at).collect();
        rows.retain(|row| keep_from.is_none_or(|from| row.at >= from));
        for cluster in merge::clusters(&rows) {
            merge::into_chunks(&transaction, probe, cluster)?;
        }
        transaction
            .prepare_cached("INSERT OR REPLACE INTO sealing (probe, row) VALUES (?1, ?2)")?
            .execute((probe, reached))?;
        now_sealed.push(Sealed { probe, stamps });
    }
    transaction.commit()?;
    out.append(&mut now_sealed);
    Ok(reached == through)
}

/// Takes away a slice of the rows up to `through`, which are all in chunks; with the last slice
/// what is older than `keep_from`. True while there is more.
fn clear(connection: &mut Connection, through: i64, keep_from: Option<i64>) -> rusqlite::Result<bool> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let first: Option<i64> = transaction.query_row("SELECT min(rowid) FROM sample", [], |row| row.get(0))?;
    let slice = first.map_or(through, |first| through.min(first.saturating_add(CLEAR_ROWS)));
    transaction.execute("DELETE FROM sample WHERE rowid <= ?1", [slice])?;
    Filling::cut(&transaction, slice)?;
    let more = slice < through;
    if !more {
        transaction.execute("DELETE FROM sealing", [])?;
        if let Some(from) = keep_from {
            discard(&transaction, from)?;
        }
    }
    transaction.commit()?;
    Ok(more)
}

/// Throws away the chunks that end before `from`; their summaries stay.
fn discard(transaction: &Transaction<'_>, from: i64) -> rusqlite::Result<()> {
    for (probe, ..) in chunks::totals(transaction)? {
        let sql = "DELETE FROM chunk WHERE id IN (SELECT id FROM chunk WHERE probe = ?1 AND last < ?2)";
        transaction.prepare_cached(sql)?.execute((probe, from))?;
    }
    Ok(())
}
