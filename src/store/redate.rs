//! Dates samples anew after the machine's clock was set: what was dated by a clock that nobody had
//! confirmed is moved by the step, in rows and in chunks alike, in one transaction.
//!
//! In: the moves of `watch::clock`, the stretch that holds now, facts that must not be ahead of it.
//! Out: how many samples were moved. A probe's own time is never moved; one that was ahead of the
//! wrong clock is asked anew whether it is of the future. A place that is taken already is passed by a
//! millisecond, as on arrival. Memory holds some rows, or a chunk, at a time.

use std::collections::{HashMap, HashSet};

use rusqlite::{Connection, Transaction, TransactionBehavior};

use super::chunk::Row;
use super::chunks::{self, ChunkError, Columns, Span};
use super::error::StoreError;
use super::open::Store;
use super::rows::{self, SampleRow};
use super::{Change, Known, Timing, merge, stretches, told_anew, zones};
use crate::climate::{Quality, Quantity, Stamp};
use crate::watch::clock::{Begun, Move, Trust};
use crate::watch::dating::FUTURE_MS;
use crate::watch::judge;

/// Rows moved at a time: 0.1 MB.
const ROWS_AT_ONCE: usize = 1 << 10;

impl Store {
    /// Does what `begun` comes to at `now`, by the clock that holds from here on: moves samples, open
    /// alerts and waiting messages, notes the stretch, writes `facts`. Returns how many samples were
    /// moved.
    ///
    /// # Errors
    /// When the store cannot be read or written; it is then as it was.
    pub fn redate(&mut self, begun: &Begun, now: Stamp, facts: &[Change]) -> Result<u64, StoreError> {
        let path = self.file();
        let known = if begun.moves.is_empty() { Known::new() } else { self.reader()?.known()? };
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate);
        let done = || -> Result<u64, ChunkError> {
            let transaction = transaction?;
            let mut anew = Anew { begun, now, known, moved: 0 };
            if !begun.moves.is_empty() {
                anew.heap(&transaction)?;
                anew.chunks(&transaction)?;
            }
            told_anew::told(&transaction, begun, now)?;
            for gone in &begun.moves {
                transaction.execute("DELETE FROM clock WHERE id = ?1", [gone.stretch])?;
            }
            stretches::write(&transaction, &begun.stretch)?;
            stretches::forget(&transaction, &begun.stretch)?;
            for fact in facts {
                rows::write(&transaction, fact)?;
            }
            transaction.commit()?;
            Ok(anew.moved)
        };
        let done = done();
        done.map_err(|error| error.told("write", &path, &self.connection))
    }
}

struct Anew<'a> {
    begun: &'a Begun,
    now: Stamp,
    /// Where samples are, so that none is put on another.
    known: Known,
    moved: u64,
}

impl Anew<'_> {
    fn step_of(&self, timing: Timing) -> Option<&Move> {
        self.begun.moves.iter().find(|one| one.stretch == timing.stretch())
    }

    /// What a sample names from now on.
    fn timing(&self, is_own: bool) -> Timing {
        if self.begun.stretch.trust == Trust::Right {
            Timing::SETTLED
        } else {
            Timing::new(self.begun.stretch.id, is_own)
        }
    }

    /// The sample as it stands from now on. Its old place must have been forgotten.
    fn anew(&mut self, probe: i64, mut row: SampleRow) -> SampleRow {
        let Some(step) = self.step_of(row.timing).copied() else { return row };
        if !row.timing.is_own() {
            let at = self.known.next_free(probe, Stamp(row.at).plus(step.by_ms));
            row.at = at.0;
            row.timing = self.timing(false);
            self.moved += 1;
        } else {
            let is_ahead = Stamp(row.at).since(self.now) > FUTURE_MS;
            row.quality = asked_anew(&row, is_ahead);
            row.timing = if is_ahead { self.timing(true) } else { Timing::SETTLED };
        }
        self.known.insert(probe, Stamp(row.at));
        row
    }

    /// The rows that are not sealed, some at a time: all of their old places are forgotten before the
    /// first is given its new one.
    fn heap(&mut self, transaction: &Transaction<'_>) -> Result<(), ChunkError> {
        let sealed = rows::sealing(transaction)?;
        let mut ends: Option<(i64, i64)> = None;
        let mut after = 0;
        while let Some(some) = self.moving(transaction, &sealed, after)? {
            for (number, row) in some {
                self.known.remove(row.probe, Stamp(row.at));
                ends = Some((ends.map_or(number, |(first, _)| first), number));
                after = number;
            }
        }
        let Some((first, last)) = ends else { return Ok(()) };
        let mut write = transaction.prepare("UPDATE sample SET at = ?2, quality = ?3 WHERE rowid = ?1")?;
        after = 0;
        while let Some(some) = self.moving(transaction, &sealed, after)? {
            for (number, row) in some {
                let row = self.anew(row.probe, row);
                write.execute((number, row.at, i64::from(row.quality) | row.timing.bits()))?;
                after = number;
            }
        }
        zones::anew(transaction, first, last)?;
        Ok(())
    }

    /// The next rows after number `after` that a step moves, with their numbers; `None` when there are no more.
    fn moving(
        &self,
        transaction: &Transaction<'_>,
        sealed: &HashMap<i64, i64>,
        after: i64,
    ) -> rusqlite::Result<Option<Vec<(i64, SampleRow)>>> {
        let sql = format!(
            "SELECT {}, rowid FROM sample WHERE rowid > ?1 AND quality >= ?2 ORDER BY rowid",
            rows::SAMPLE_COLUMNS
        );
        let mut read = transaction.prepare_cached(&sql)?;
        let mut read = read.query([after, Timing::new(1, false).bits()])?;
        let mut some = Vec::new();
        while some.len() < ROWS_AT_ONCE
            && let Some(row) = read.next()?
        {
            let (number, sample): (i64, SampleRow) = (row.get(7)?, SampleRow::new(&rows::sample(row)?, false));
            let counts = sealed.get(&sample.probe).is_none_or(|through| number > *through);
            if counts && self.step_of(sample.timing).is_some() {
                some.push((number, sample));
            }
        }
        Ok(Some(some).filter(|some| !some.is_empty()))
    }

    /// The sealed ones: each chunk that holds some is taken apart, and its samples put back where they
    /// belong. Taken in the order that keeps moved ones clear of those that wait.
    fn chunks(&mut self, transaction: &Transaction<'_>) -> Result<(), ChunkError> {
        let first = self.begun.moves.iter().map(|one| one.stretch).min().unwrap_or(1);
        let probes: Vec<i64> = {
            let sql = "SELECT DISTINCT probe FROM chunk WHERE clock IS NOT NULL AND clock >= ?1";
            transaction.prepare(sql)?.query_map([first], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?
        };
        for probe in probes {
            // By all that it says: a number is given again once its chunk is gone.
            let mut left: HashSet<Span> = HashSet::new();
            let mut columns = Columns::default();
            while let Some(span) = self.next_chunk(transaction, probe, first, &left)? {
                left.insert(span);
                match columns.load(transaction, span, [true; 4]) {
                    Ok(true) => self.chunk(transaction, span, &columns)?,
                    // Damaged: left as it is, to be salvaged.
                    Ok(false) | Err(ChunkError::Blob(..)) => {}
                    Err(error) => return Err(error),
                }
            }
        }
        Ok(())
    }

    fn next_chunk(
        &self,
        connection: &Connection,
        probe: i64,
        from_stretch: u32,
        left: &HashSet<Span>,
    ) -> rusqlite::Result<Option<Span>> {
        let forward = self.begun.moves.first().is_some_and(|one| one.by_ms > 0);
        let order = if forward { "DESC" } else { "ASC" };
        let sql = format!(
            "SELECT id, first, last, count FROM chunk WHERE probe = ?1 AND clock IS NOT NULL AND clock >= ?2
             ORDER BY first {order}"
        );
        let mut read = connection.prepare_cached(&sql)?;
        let mut read = read.query((probe, from_stretch))?;
        while let Some(row) = read.next()? {
            let span = Span::of(probe, row)?;
            if !left.contains(&span) {
                return Ok(Some(span));
            }
        }
        Ok(None)
    }

    fn chunk(&mut self, transaction: &Transaction<'_>, span: Span, columns: &Columns) -> Result<(), ChunkError> {
        let (mut stays, mut goes): (Vec<Row>, Vec<Row>) = (Vec::new(), Vec::new());
        for row in columns.rows(i64::MIN, i64::MAX) {
            if self.step_of(row.timing).is_some() { goes.push(row) } else { stays.push(row) }
        }
        if goes.is_empty() {
            return Ok(());
        }
        chunks::remove(transaction, span.id)?;
        let mut moved: Vec<Row> = Vec::with_capacity(goes.len());
        for row in goes {
            let Row { at, values, arrival, timing, .. } = row;
            let old = SampleRow { probe: span.probe, at, values, quality: arrival, timing, awaited: false };
            let SampleRow { at, quality, timing, .. } = self.anew(span.probe, old);
            moved.push(Row { at, values, arrival: quality, judged: quality.into(), timing });
        }
        moved.sort_by_key(|row| row.at);
        for rows in [stays, moved] {
            for cluster in merge::clusters(&rows) {
                merge::into_chunks(transaction, span.probe, cluster)?;
            }
        }
        Ok(())
    }
}

/// The quality of a sample with a time of its own, now that the clock is another.
fn asked_anew(row: &SampleRow, is_ahead: bool) -> u16 {
    let mut packed = 0;
    for quantity in Quantity::ALL {
        let bits = 4 * quantity.index();
        let was = ((row.quality >> bits) & 0xF) as u8;
        let value = row.values[quantity.index()];
        if value.is_nan() && was == 0 {
            continue;
        }
        let quality = match Quality::from_code(was) {
            _ if is_ahead => Quality::Future,
            Some(Quality::Future) => judge::on_arrival(quantity, value),
            known => known.unwrap_or(Quality::Sentinel),
        };
        packed |= (quality as u16) << bits;
    }
    packed
}
