//! The stretches of the machine's clock, as the store keeps them, and how a sample names one.
//!
//! In and out: `watch::clock::Stretch`. Only what may still matter is kept: a stretch whose samples
//! were all dated anew goes. A sample of a clock that was confirmed names none.

use std::collections::HashSet;

use rusqlite::{Connection, params};

use super::chunks::{self, ChunkError, Columns};
use super::error::StoreError;
use super::reader::Reader;
use super::rows::word;
use crate::climate::{Quality, Stamp};
use crate::watch::clock::{Stretch, Trust};

/// Bits of a sample's quality below its timing.
const BELOW: u32 = 16;

/// How a sample came by its time, as far as that may still matter: under which stretch of a clock
/// that nobody had confirmed, and whether the time is the probe's own all the same.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Timing(pub(super) u32);

impl Timing {
    /// Of a confirmed clock, or the probe's own and not ahead of the machine's.
    pub const SETTLED: Timing = Timing(0);

    /// Dated by arrival in the stretch numbered `stretch`, or (`is_own`) by the probe itself, ahead of
    /// the machine's clock in that stretch.
    pub fn new(stretch: u32, is_own: bool) -> Timing {
        Timing(stretch.saturating_mul(2) | u32::from(is_own))
    }

    /// The stretch's number; 0 where none matters.
    pub fn stretch(self) -> u32 {
        self.0 >> 1
    }

    /// The time is the probe's own.
    pub fn is_own(self) -> bool {
        self.0 & 1 == 1
    }

    pub(super) fn bits(self) -> i64 {
        i64::from(self.0) << BELOW
    }

    pub(super) fn of_bits(packed: i64) -> Timing {
        Timing((packed >> BELOW) as u32)
    }

    /// Whether a sample so timed bears the mark `clock-unsure`.
    pub(super) fn is_unsure(self, wrong: &HashSet<u32>) -> bool {
        self != Timing::SETTLED && !self.is_own() && wrong.contains(&self.stretch())
    }
}

/// Whether none of a sample's values is undated or from the future.
pub(super) fn is_dated(quality: u16) -> bool {
    (0..4).all(|index| (quality >> (4 * index)) & 0xF < Quality::Undated as u16)
}

/// Notes a stretch as it is known now.
pub(super) fn write(connection: &Connection, stretch: &Stretch) -> rusqlite::Result<()> {
    let sql = "INSERT OR REPLACE INTO clock (id, boot, since, offset, trust, why) VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
    let Stretch { id, boot, since, offset_ms, trust, why } = stretch;
    connection.prepare_cached(sql)?.execute(params![id, boot, since.0, offset_ms, trust.word(), why])?;
    Ok(())
}

/// Takes away what matters no more beside `newest`: other boots' that were not wrong. The highest
/// number always stays, so that none is given twice.
pub(super) fn forget(connection: &Connection, newest: &Stretch) -> rusqlite::Result<()> {
    let sql = "DELETE FROM clock WHERE boot <> ?1 AND trust <> 'wrong' AND id < ?2";
    connection.execute(sql, params![newest.boot, newest.id])?;
    Ok(())
}

impl Reader {
    /// All stretches of the clock that may still matter, by their numbers.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn stretches(&self) -> Result<Vec<Stretch>, StoreError> {
        all(&self.connection).map_err(|error| self.fail(error))
    }

    /// The newest dated sample of all probes that names none of the stretches `left_out`. One pass over
    /// the rows, and of each probe the last chunks.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn newest_but(&self, left_out: &HashSet<u32>) -> Result<Option<Stamp>, StoreError> {
        let counts = |quality: u16, timing: Timing| is_dated(quality) && !left_out.contains(&timing.stretch());
        let find = || -> Result<Option<i64>, ChunkError> {
            let _one_moment = self.connection.unchecked_transaction()?;
            let mut newest: Option<i64> = None;
            let mut read = self.connection.prepare("SELECT at, quality FROM sample")?;
            let mut read = read.query([])?;
            while let Some(row) = read.next()? {
                let (at, quality): (i64, i64) = (row.get(0)?, row.get(1)?);
                if counts(quality as u16, Timing::of_bits(quality)) {
                    newest = newest.max(Some(at));
                }
            }
            let mut columns = Columns::default();
            for (probe, ..) in chunks::totals(&self.connection)? {
                let mut before = i64::MAX;
                while let Some(span) = chunks::last_before(&self.connection, probe, before)?
                    && newest.is_none_or(|newest| newest < span.last)
                {
                    before = span.last;
                    if columns.load(&self.connection, span, [false; 4])? {
                        let rows = columns.rows(i64::MIN, i64::MAX);
                        newest =
                            newest.max(rows.filter(|row| counts(row.arrival, row.timing)).map(|row| row.at).last());
                    }
                }
            }
            Ok(newest)
        };
        find().map(|newest| newest.map(Stamp)).map_err(|error| self.told(error))
    }

    /// The numbers of those that were wrong.
    pub(super) fn wrong_stretches(&self) -> Result<HashSet<u32>, StoreError> {
        wrong(&self.connection).map_err(|error| self.fail(error))
    }
}

/// All of them, by their numbers.
pub(super) fn all(connection: &Connection) -> rusqlite::Result<Vec<Stretch>> {
    let mut read = connection.prepare("SELECT id, boot, since, offset, trust, why FROM clock ORDER BY id")?;
    let stretches = read.query_map([], |row| {
        Ok(Stretch {
            id: row.get(0)?,
            boot: row.get(1)?,
            since: Stamp(row.get(2)?),
            offset_ms: row.get(3)?,
            trust: word(row, 4, Trust::from_word)?,
            why: row.get(5)?,
        })
    })?;
    stretches.collect()
}

/// The numbers of those that were wrong.
fn wrong(connection: &Connection) -> rusqlite::Result<HashSet<u32>> {
    let mut read = connection.prepare_cached("SELECT id FROM clock WHERE trust = 'wrong'")?;
    read.query_map([], |row| row.get(0))?.collect()
}
