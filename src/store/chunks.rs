//! The table of sealed samples: which chunk holds which times, and their rows, in and out.
//!
//! In: a connection, one probe, times. Out: spans (what a chunk covers) from the index alone, and
//! unpacked samples. A chunk that is damaged is told with its probe and its times. Left out: what
//! is sealed when (`seal.rs`), judging.
//!
//! Chunks of one probe do not overlap in time, unless one of them is damaged: what comes late into
//! its time then gets a chunk of its own.

use std::path::Path;

use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, params};

use super::chunk::{self, Fault, Packed, QualityRun, Row};
use super::error::StoreError;
use crate::climate::{Quality, Quantity, Stamp};

/// Samples that a chunk may say to hold: more is damage. The sealer makes none over a fortieth of it.
pub(super) const SAMPLES_MAX: usize = 1 << 20;

/// Chunks that are looked at past the range: one that holds others in its time comes after them.
const LOOK_ON: usize = 64;

/// What a chunk covers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) struct Span {
    pub id: i64,
    pub probe: i64,
    pub first: i64,
    pub last: i64,
    pub count: usize,
}

impl Span {
    /// Of a row that begins with id, first, last, count.
    pub fn of(probe: i64, row: &rusqlite::Row<'_>) -> rusqlite::Result<Span> {
        let count = counted(row.get(3)?);
        Ok(Span { id: row.get(0)?, probe, first: row.get(1)?, last: row.get(2)?, count })
    }
}

/// A count below 0 is damage, and more than any chunk may hold.
fn counted(count: i64) -> usize {
    usize::try_from(count).unwrap_or(usize::MAX)
}

/// What went wrong: SQLite's fault, or a blob's with the chunk it stands in.
#[derive(Debug)]
pub(super) enum ChunkError {
    Sql(rusqlite::Error),
    Blob(Span, Fault),
}

impl From<rusqlite::Error> for ChunkError {
    fn from(error: rusqlite::Error) -> ChunkError {
        ChunkError::Sql(error)
    }
}

impl ChunkError {
    /// In words, with the probe's name where it has one; `doing` is "read" or "write".
    pub fn told(self, doing: &'static str, path: &Path, connection: &Connection) -> StoreError {
        match self {
            ChunkError::Sql(error) => StoreError::from_sqlite(doing, path, &error),
            ChunkError::Blob(span, fault) => {
                let sql = "SELECT name FROM probe WHERE id = ?1";
                let name = connection.query_row(sql, [span.probe], |row| row.get(0)).optional();
                StoreError::Samples {
                    path: path.to_owned(),
                    probe: name.ok().flatten().unwrap_or_else(|| format!("number {}", span.probe)),
                    from: Stamp(span.first).rfc3339(),
                    to: Stamp(span.last).rfc3339(),
                    why: fault.to_string(),
                }
            }
        }
    }
}

/// The chunks of `probe` with times from `from` on and before `to`, earliest first; no more than
/// are needed to hold `enough` samples, and one more.
pub(super) fn spans(
    connection: &Connection,
    probe: i64,
    from: i64,
    to: i64,
    enough: usize,
) -> rusqlite::Result<Vec<Span>> {
    let sql = "SELECT id, first, last, count FROM chunk WHERE probe = ?1 AND last >= ?2 ORDER BY last";
    let mut statement = connection.prepare_cached(sql)?;
    let mut rows = statement.query([probe, from])?;
    let (mut spans, mut held, mut beyond) = (Vec::new(), 0_usize, 0);
    while let Some(row) = rows.next()? {
        let span = Span::of(probe, row)?;
        if span.first >= to {
            beyond += 1;
            if beyond > LOOK_ON {
                break;
            }
            continue;
        }
        if held > enough {
            break;
        }
        held = held.saturating_add(span.count);
        spans.push(span);
    }
    spans.sort_unstable_by_key(|span| span.first);
    Ok(spans)
}

/// The chunks of `probe` with times from `from` on and before `to` that hold a value of `quantity` which
/// is not good, earliest first.
pub(super) fn doubtful_spans(
    connection: &Connection,
    probe: i64,
    from: i64,
    to: i64,
    quantity: Quantity,
) -> Result<Vec<Span>, ChunkError> {
    let sql = "SELECT id, first, last, count, quality FROM chunk
        WHERE probe = ?1 AND last >= ?2 AND first < ?3 AND quality IS NOT NULL ORDER BY first";
    let mut statement = connection.prepare_cached(sql)?;
    let mut rows = statement.query([probe, from, to])?;
    let mut spans = Vec::new();
    while let Some(row) = rows.next()? {
        let span = Span::of(probe, row)?;
        let fault = |fault| ChunkError::Blob(span, fault);
        let quality = blob(row.get_ref(4)?).map_err(fault)?;
        let runs = chunk::unpack_quality(quality, span.count).map_err(fault)?;
        if runs.iter().any(|run| (run.judged >> (4 * quantity.index())) & 0xF != Quality::Good as u32) {
            spans.push(span);
        }
    }
    Ok(spans)
}

/// How many samples of each probe are sealed, and the latest of them: (probe, count, latest).
pub(super) fn totals(connection: &Connection) -> rusqlite::Result<Vec<(i64, u64, i64)>> {
    let mut statement = connection.prepare_cached("SELECT probe, sum(count), max(last) FROM chunk GROUP BY probe")?;
    let read = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get::<_, i64>(1)?.unsigned_abs(), row.get(2)?));
    statement.query_map([], read)?.collect()
}

/// The chunk of a probe that ends last before `before`, and the earliest time in it that was not
/// final when it was sealed.
pub(super) fn last_before_open(
    connection: &Connection,
    probe: i64,
    before: i64,
) -> rusqlite::Result<Option<(Span, Option<i64>)>> {
    let sql = "SELECT id, first, last, count, open_from FROM chunk WHERE probe = ?1 AND last < ?2
        ORDER BY last DESC LIMIT 1";
    let read = |row: &rusqlite::Row<'_>| Ok((Span::of(probe, row)?, row.get(4)?));
    connection.prepare_cached(sql)?.query_row((probe, before), read).optional()
}

/// The chunk of a probe that ends last before `before`.
pub(super) fn last_before(connection: &Connection, probe: i64, before: i64) -> rusqlite::Result<Option<Span>> {
    Ok(last_before_open(connection, probe, before)?.map(|(span, _)| span))
}

/// The blobs of one chunk: of the values those that are wanted.
#[derive(Clone, Copy, Debug)]
pub(super) struct Borrowed<'a> {
    pub stamps: &'a [u8],
    pub quality: Option<&'a [u8]>,
    pub values: [Option<&'a [u8]>; 4],
}

/// The same, taken out of the file to be unpacked elsewhere.
#[derive(Debug)]
pub(super) struct Blobs {
    stamps: Vec<u8>,
    quality: Option<Vec<u8>>,
    values: [Option<Vec<u8>>; 4],
}

impl Blobs {
    /// Those of the chunk of `span`; none where it is no longer there.
    pub fn read(connection: &Connection, span: Span, wanted: [bool; 4]) -> Result<Option<Blobs>, ChunkError> {
        with_blobs(connection, span, wanted, |Borrowed { stamps, quality, values }| Blobs {
            stamps: stamps.to_vec(),
            quality: quality.map(<[u8]>::to_vec),
            values: values.map(|blob| blob.map(<[u8]>::to_vec)),
        })
    }

    /// To unpack them.
    pub fn borrowed(&self) -> Borrowed<'_> {
        let values = self.values.each_ref().map(Option::as_deref);
        Borrowed { stamps: &self.stamps, quality: self.quality.as_deref(), values }
    }
}

/// Whether the index has a chunk just so. Where it does and the table does not, the file is damaged: who looked
/// for it anew would find it there for ever.
fn is_indexed(connection: &Connection, span: Span) -> rusqlite::Result<bool> {
    let sql = "SELECT count FROM chunk INDEXED BY chunk_of_probe
        WHERE probe = ?1 AND last = ?2 AND first = ?3 AND rowid = ?4";
    let count = connection.query_row(sql, [span.probe, span.last, span.first, span.id], |row| row.get(0));
    Ok(count.optional()?.map(counted) == Some(span.count))
}

/// What `take` makes of the blobs of the chunk of `span`; none where it is no longer there.
fn with_blobs<T>(
    connection: &Connection,
    span: Span,
    wanted: [bool; 4],
    take: impl FnOnce(&Borrowed<'_>) -> T,
) -> Result<Option<T>, ChunkError> {
    // Only the columns that are wanted are touched: the others' pages are not even read.
    // A number is given again once its chunk is gone: one that holds something else is another.
    let sql = "SELECT stamps, quality, temperature, humidity, co2, battery, count FROM chunk
        WHERE id = ?1 AND probe = ?2 AND first = ?3 AND last = ?4";
    let mut statement = connection.prepare_cached(sql)?;
    let mut rows = statement.query([span.id, span.probe, span.first, span.last])?;
    let row = match rows.next()? {
        Some(row) if counted(row.get(6)?) == span.count => row,
        _ if is_indexed(connection, span)? => return Err(ChunkError::Blob(span, Fault::Content)),
        _ => return Ok(None),
    };
    let column = |index: usize| -> Result<Option<&[u8]>, ChunkError> {
        blob(row.get_ref(index)?).map_err(|fault| ChunkError::Blob(span, fault))
    };
    let mut values = [None; 4];
    for (index, value) in values.iter_mut().enumerate().filter(|(index, _)| wanted[*index]) {
        *value = column(2 + index)?;
    }
    let stamps = column(0)?.ok_or(ChunkError::Blob(span, Fault::Content))?;
    Ok(Some(take(&Borrowed { stamps, quality: column(1)?, values })))
}

/// One chunk unpacked, in columns. Kept between chunks, so that its memory is used again.
#[derive(Debug, Default)]
pub(super) struct Columns {
    pub stamps: Vec<i64>,
    /// Those asked for; empty where none was read.
    pub values: [Vec<f64>; 4],
    pub quality: Vec<QualityRun>,
    /// By quantity: every sample has a value, as far as that was asked for.
    pub is_full: [bool; 4],
    whole: Vec<i64>,
}

impl Columns {
    /// Reads the chunk of `span`: its times and qualities, and the values of the quantities asked
    /// for by index. False where it is no longer there (it was sealed anew).
    pub fn load(&mut self, connection: &Connection, span: Span, wanted: [bool; 4]) -> Result<bool, ChunkError> {
        let done = with_blobs(connection, span, wanted, |blobs| self.unpack(span, blobs))?;
        done.map_or(Ok(false), |done| done.map(|()| true)).map_err(|fault| ChunkError::Blob(span, fault))
    }

    /// Unpacks the blobs of the chunk of `span`.
    pub fn unpack(&mut self, span: Span, blobs: &Borrowed<'_>) -> Result<(), Fault> {
        if span.count == 0 || span.count > SAMPLES_MAX {
            return Err(Fault::Content);
        }
        chunk::unpack_stamps(blobs.stamps, span.count, &mut self.stamps)?;
        if self.stamps.first() != Some(&span.first) || self.stamps.last() != Some(&span.last) {
            return Err(Fault::Content);
        }
        self.quality = chunk::unpack_quality(blobs.quality, span.count)?;
        for (index, (values, packed)) in self.values.iter_mut().zip(blobs.values).enumerate() {
            values.clear();
            self.is_full[index] = false;
            if let Some(packed) = packed {
                self.is_full[index] = chunk::unpack_values(packed, span.count, values, &mut self.whole)?;
            }
        }
        Ok(())
    }

    /// The samples from `from` on and before `to`.
    pub fn rows(&self, from: i64, to: i64) -> impl Iterator<Item = Row> + '_ {
        let runs = self.quality.iter().flat_map(|run| std::iter::repeat_n(*run, run.length));
        let value = |column: &Vec<f64>, at: usize| column.get(at).copied().unwrap_or(f64::NAN);
        self.stamps.iter().zip(runs).enumerate().filter(move |(_, (at, _))| **at >= from && **at < to).map(
            move |(place, (at, run))| Row {
                at: *at,
                values: [0, 1, 2, 3].map(|index| value(&self.values[index], place)),
                arrival: run.arrival,
                judged: run.judged,
                timing: run.timing,
            },
        )
    }
}

fn blob(value: ValueRef<'_>) -> Result<Option<&[u8]>, Fault> {
    match value {
        ValueRef::Null => Ok(None),
        ValueRef::Blob(bytes) => Ok(Some(bytes)),
        _ => Err(Fault::Content),
    }
}

/// Writes a chunk of `rows`, which are in time order, and at least one; returns its number.
pub(super) fn insert(
    connection: &Connection,
    probe: i64,
    rows: &[Row],
    open_from: Option<i64>,
) -> Result<i64, ChunkError> {
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return Ok(0) };
    let span = Span { id: 0, probe, first: first.at, last: last.at, count: rows.len() };
    let Packed { stamps, quality, values } = chunk::pack(rows).map_err(|fault| ChunkError::Blob(span, fault))?;
    let [temperature, humidity, co2, battery] = values;
    let sql = "INSERT INTO chunk (probe, first, last, count, open_from, quality, stamps, temperature, humidity, co2,
        battery, clock) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)";
    let count = rows.len() as i64;
    let clock = rows.iter().map(|row| row.timing.stretch()).max().filter(|newest| *newest > 0);
    connection.prepare_cached(sql)?.execute(params![
        probe,
        first.at,
        last.at,
        count,
        open_from,
        quality,
        stamps,
        temperature,
        humidity,
        co2,
        battery,
        clock
    ])?;
    Ok(connection.last_insert_rowid())
}

/// Takes a chunk and its summaries away.
pub(super) fn remove(connection: &Connection, id: i64) -> rusqlite::Result<()> {
    connection.prepare_cached("DELETE FROM chunk WHERE id = ?1")?.execute([id])?;
    connection.prepare_cached("DELETE FROM summary WHERE chunk = ?1")?.execute([id])?;
    Ok(())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::open::Store;
    use super::super::stretches::Timing;
    use super::*;

    fn rows(count: i64) -> Vec<Row> {
        let values = [20.0, f64::NAN, f64::NAN, f64::NAN];
        let row = |n: i64| Row { at: n * 10_000, values, arrival: 0, judged: 0, timing: Timing::SETTLED };
        (0..count).map(row).collect()
    }

    #[test]
    fn a_number_that_was_given_again_is_another_chunk() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path()).unwrap();
        insert(&store.connection, 1, &rows(10), None).unwrap();
        let span = last_before(&store.connection, 1, i64::MAX).unwrap().unwrap();
        let mut columns = Columns::default();
        assert!(columns.load(&store.connection, span, [true; 4]).unwrap());
        remove(&store.connection, span.id).unwrap();
        insert(&store.connection, 1, &rows(11), None).unwrap();
        let other = last_before(&store.connection, 1, i64::MAX).unwrap().unwrap();
        assert_eq!((other.id, other.count), (span.id, 11));
        assert!(!columns.load(&store.connection, span, [true; 4]).unwrap(), "it is looked for anew");
        assert!(columns.load(&store.connection, other, [true; 4]).unwrap());
    }
    #[test]
    fn what_only_the_index_knows_is_damage_and_not_looked_for_for_ever() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path()).unwrap();
        insert(&store.connection, 1, &rows(10), None).unwrap();
        let file = store.file();
        drop(store);
        // The row is changed while SQLite does not know of its index: as a flipped bit would leave them.
        let unknown = "CREATE TABLE kept AS SELECT * FROM sqlite_schema WHERE name = 'chunk_of_probe';
            DELETE FROM sqlite_schema WHERE name = 'chunk_of_probe'";
        let known = "INSERT INTO sqlite_schema SELECT * FROM kept";
        for sql in [unknown, "UPDATE chunk SET count = 11", known] {
            let connection = Connection::open(&file).unwrap();
            connection.execute_batch(&format!("PRAGMA writable_schema = ON; {sql}")).unwrap();
        }
        let connection = Connection::open(&file).unwrap();
        let span = last_before(&connection, 1, i64::MAX).unwrap().unwrap();
        assert!(
            spans(&connection, 1, 0, i64::MAX, 1).unwrap().iter().all(|span| span.count == 10),
            "by the index alone"
        );
        let span = Span { count: 10, ..span };
        let found = Columns::default().load(&connection, span, [true; 4]);
        assert!(matches!(found, Err(ChunkError::Blob(..))), "{found:?}");
    }
}
