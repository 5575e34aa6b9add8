//! Reads what is stored, on a connection of its own that cannot write, in short transactions.
//!
//! In: the store's folder. Out: logbook, alerts, outbox and corrections as they stand; samples by
//! way of `history.rs`. Left out: figures (`figures.rs`).
//!
//! Cost of reading samples: fresh ones lie in a heap in order of arrival, where `zones.rs` tells
//! which runs of rows hold which times: the rows of all probes in a range, about a million a second.
//! Sealed ones are unpacked, a hundred million a second. Memory for a window, never the range.

use std::cell::RefCell;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OptionalExtension};

use super::chunks::{self, ChunkError, Columns};
use super::error::StoreError;
use super::known::Known;
use super::open::{FILE, connect_to_read};
use super::rows;
use super::seen::Seen;
use super::zones::Zones;
use super::{DatedCorrection, OutboxItem, Sample};
use crate::climate::{Quality, Stamp};
use crate::grow::logbook::{Deed, Entry};
use crate::watch::alert::Alert;

/// A reading connection. Not for sharing between threads: each opens its own.
#[derive(Debug)]
pub struct Reader {
    path: PathBuf,
    pub(super) connection: Connection,
    pub(super) zones: RefCell<Zones>,
}

/// The highest numbers given so far; 0 where none was.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Newest {
    /// Logbook entry.
    pub entry: i64,
    /// Alert.
    pub alert: i64,
    /// Outbox item.
    pub outbox: i64,
    /// Probe.
    pub probe: i64,
}

impl Reader {
    /// Opens the store in `folder` for reading.
    ///
    /// # Errors
    /// When there is none, or it cannot be read.
    pub fn open(folder: &Path) -> Result<Reader, StoreError> {
        let path = folder.join(FILE);
        let connection = connect_to_read(&path)?;
        Ok(Reader { path, connection, zones: RefCell::default() })
    }

    pub(super) fn fail(&self, error: rusqlite::Error) -> StoreError {
        StoreError::from_sqlite("read", &self.path, &error)
    }

    pub(super) fn all<T>(
        &self,
        sql: &str,
        params: impl rusqlite::Params,
        read: impl FnMut(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let read_all = || self.connection.prepare_cached(sql)?.query_map(params, read)?.collect();
        let rows: rusqlite::Result<Vec<T>> = read_all();
        rows.map_err(|error| self.fail(error))
    }

    fn number(&self, sql: &str) -> Result<Option<i64>, StoreError> {
        let number = self.connection.query_row(sql, [], |row| row.get(0)).optional();
        number.map(Option::flatten).map_err(|error| self.fail(error))
    }

    /// Changes whenever another connection has written: a cheap question to poll with.
    ///
    /// # Errors
    /// When the store cannot be read; so for every method here.
    pub fn data_version(&self) -> Result<i64, StoreError> {
        self.number("PRAGMA data_version").map(Option::unwrap_or_default)
    }

    /// Every probe ever heard of: number and name, by number.
    pub fn probes(&self) -> Result<Vec<(i64, String)>, StoreError> {
        self.all("SELECT id, name FROM probe ORDER BY id", [], |row| Ok((row.get(0)?, row.get(1)?)))
    }

    /// The number of the probe called `name`, if it has one.
    pub fn probe_id(&self, name: &str) -> Result<Option<i64>, StoreError> {
        let id = self.connection.query_row("SELECT id FROM probe WHERE name = ?1", [name], |row| row.get(0));
        id.optional().map_err(|error| self.fail(error))
    }

    /// The whole logbook, by id.
    pub fn entries(&self) -> Result<Vec<Entry>, StoreError> {
        self.entries_after(0)
    }

    /// The logbook's entries with an id over `id`, by id.
    pub fn entries_after(&self, id: i64) -> Result<Vec<Entry>, StoreError> {
        entries_after(&self.connection, &self.path, id)
    }

    /// Alerts by id; with `open_only` those that have not ended.
    pub fn alerts(&self, open_only: bool) -> Result<Vec<Alert>, StoreError> {
        let open = if open_only { "WHERE state <> 'ended'" } else { "" };
        self.all(&format!("SELECT {} FROM alert {open} ORDER BY id", rows::ALERT_COLUMNS), [], rows::alert)
    }

    /// What waits for its messenger, by id.
    pub fn outbox_waiting(&self) -> Result<Vec<OutboxItem>, StoreError> {
        let sql = format!("SELECT {} FROM outbox WHERE delivered_at IS NULL ORDER BY id", rows::OUTBOX_COLUMNS);
        self.all(&sql, [], rows::outbox_item)
    }

    /// The outbox item numbered `id`, where it still waits.
    pub fn outbox_item(&self, id: i64) -> Result<Option<OutboxItem>, StoreError> {
        let sql = format!("SELECT {} FROM outbox WHERE id = ?1 AND delivered_at IS NULL", rows::OUTBOX_COLUMNS);
        Ok(self.all(&sql, [id], rows::outbox_item)?.pop())
    }

    /// All corrections, by probe, quantity and the time they hold from.
    pub fn corrections(&self) -> Result<Vec<DatedCorrection>, StoreError> {
        let sql = format!("SELECT {} FROM correction ORDER BY probe, quantity, since", rows::CORRECTION_COLUMNS);
        self.all(&sql, [], rows::correction)
    }

    /// How many messages of each probe were not taken, by the probe's number.
    pub fn refused(&self) -> Result<Vec<(i64, u64)>, StoreError> {
        let read = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get::<_, i64>(1)?.unsigned_abs()));
        self.all("SELECT probe, count FROM refused ORDER BY probe", [], read)
    }

    /// The last entry the daemon has applied; 0 when none.
    pub fn applied_up_to(&self) -> Result<i64, StoreError> {
        let sql = format!("SELECT value FROM meta WHERE key = '{}'", rows::APPLIED_UP_TO);
        self.number(&sql).map(Option::unwrap_or_default)
    }

    /// The highest numbers given so far.
    pub fn newest_ids(&self) -> Result<Newest, StoreError> {
        let newest = |table: &str| self.number(&format!("SELECT max(id) FROM {table}")).map(Option::unwrap_or_default);
        Ok(Newest {
            entry: newest("entry")?,
            alert: newest("alert")?,
            outbox: newest("outbox")?,
            probe: newest("probe")?,
        })
    }

    /// Which samples are stored: those in rows are read, about two million a second; of the sealed
    /// ones only what the chunks' index says.
    pub fn known(&self) -> Result<Known, StoreError> {
        let mut seen = Seen::new();
        let mut read = || -> rusqlite::Result<HashMap<i64, (u64, i64)>> {
            let _one_moment = self.connection.unchecked_transaction()?;
            let sealing = rows::sealing(&self.connection)?;
            let mut rows = self.connection.prepare("SELECT probe, at, rowid FROM sample")?;
            let mut rows = rows.query([])?;
            while let Some(row) = rows.next()? {
                let probe: i64 = row.get(0)?;
                if sealing.get(&probe).is_none_or(|through| row.get(2).is_ok_and(|row: i64| row > *through)) {
                    seen.insert(probe, Stamp(row.get(1)?));
                }
            }
            let sealed = chunks::totals(&self.connection)?;
            Ok(sealed.into_iter().map(|(probe, count, latest)| (probe, (count, latest))).collect())
        };
        let sealed = read().map_err(|error| self.fail(error))?;
        let beside =
            Reader { path: self.path.clone(), connection: connect_to_read(&self.path)?, zones: RefCell::default() };
        Ok(Known::of(seen, sealed, beside))
    }

    /// The newest sample of a probe by the time it was measured, uncorrected, passing over those
    /// that are undated or from the future.
    pub fn newest(&self, probe: &str) -> Result<Option<Sample>, StoreError> {
        let Some(id) = self.probe_id(probe)? else { return Ok(None) };
        let find = || -> Result<Option<Sample>, ChunkError> {
            let _one_moment = self.connection.unchecked_transaction()?;
            self.zones.borrow_mut().refresh(&self.connection)?;
            let mut newest: Option<Sample> = None;
            for (first, last, latest) in self.zones.borrow().newest_first() {
                if newest.is_some_and(|newest| newest.at >= latest) {
                    break;
                }
                let found = self.newest_in(id, first, last)?;
                newest = newest.into_iter().chain(found).max_by_key(|sample| sample.at);
            }
            let mut before = i64::MAX;
            let mut columns = Columns::default();
            while let Some(span) = chunks::last_before(&self.connection, id, before)?
                && newest.is_none_or(|newest| newest.at.0 < span.last)
            {
                before = span.last;
                if !columns.load(&self.connection, span, [true; 4])? {
                    continue;
                }
                let dated = columns.rows(i64::MIN, i64::MAX).map(|row| row.sample(id)).filter(is_dated).last();
                newest = newest.into_iter().chain(dated).max_by_key(|sample| sample.at);
            }
            Ok(newest)
        };
        find().map_err(|error| self.told(error))
    }

    fn newest_in(&self, probe: i64, first: i64, last: i64) -> rusqlite::Result<Option<Sample>> {
        let sql = format!(
            "SELECT {} FROM sample WHERE rowid BETWEEN ?1 AND ?2 AND probe = ?3 ORDER BY at DESC",
            rows::SAMPLE_COLUMNS
        );
        let mut rows = self.connection.prepare_cached(&sql)?;
        let mut rows = rows.query((first, last, probe))?;
        while let Some(row) = rows.next()? {
            let sample = rows::sample(row)?;
            if is_dated(&sample) {
                return Ok(Some(sample));
            }
        }
        Ok(None)
    }

    pub(super) fn told(&self, error: ChunkError) -> StoreError {
        error.told("read", &self.path, &self.connection)
    }
}

fn is_dated(sample: &Sample) -> bool {
    let dated = |index: usize| !matches!(sample.quality[index], Quality::Undated | Quality::Future);
    (0..4).any(|index| sample.values[index].is_some() && dated(index))
}

/// The logbook's entries with an id over `id`, by id.
pub(super) fn entries_after(connection: &Connection, path: &Path, id: i64) -> Result<Vec<Entry>, StoreError> {
    let fail = |error| StoreError::from_sqlite("read", path, &error);
    let sql = "SELECT id, written_at, at, tub, body FROM entry WHERE id > ?1 ORDER BY id";
    let mut statement = connection.prepare_cached(sql).map_err(fail)?;
    let mut rows = statement.query([id]).map_err(fail)?;
    let mut entries = Vec::new();
    while let Some(row) = rows.next().map_err(fail)? {
        let read = || -> rusqlite::Result<(Entry, String)> {
            let (written_at, at) = (Stamp(row.get(1)?), Stamp(row.get(2)?));
            let entry = Entry { id: row.get(0)?, written_at, at, tub: row.get(3)?, deed: Deed::Looked };
            Ok((entry, row.get(4)?))
        };
        let (mut entry, body) = read().map_err(fail)?;
        entry.deed =
            serde_json::from_str(&body).map_err(|error| StoreError::Entry { id: entry.id, why: error.to_string() })?;
        entries.push(entry);
    }
    Ok(entries)
}
