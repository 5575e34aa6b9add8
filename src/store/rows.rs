//! How samples, alerts and outbox items stand in their rows.
//!
//! In and out: the shared types on one side, SQLite's values on the other. Left out: transactions.

use std::collections::HashMap;

use rusqlite::{Connection, Row, Statement, Transaction, named_params, params};

use super::{Change, DatedCorrection, OutboxItem, Sample, Tells, Timing, stretches};
use crate::climate::{Quality, Quantity, Stamp, quantity::Values};
use crate::watch::alert::{Alert, AlertState, Severity, Watch};
use crate::watch::setup::Correction;

/// Bits of one quantity's quality.
const BITS: usize = 4;

/// The columns of `sample`, in the order [`sample`] reads them.
pub(super) const SAMPLE_COLUMNS: &str = "probe, at, temperature, humidity, co2, battery, quality";

/// The heap after a row and up to another, as [`sample`] reads it, then the row's number.
pub(super) const HEAP_IN_ORDER: &str = "SELECT probe, at, temperature, humidity, co2, battery, quality, rowid
    FROM sample WHERE rowid > ?1 AND rowid <= ?2 ORDER BY rowid";

/// Up to which row each probe's samples are sealed, though the rows are still there.
pub(super) fn sealing(connection: &Connection) -> rusqlite::Result<HashMap<i64, i64>> {
    let mut statement = connection.prepare_cached("SELECT probe, row FROM sealing")?;
    statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
}

/// Key in `meta`: the last entry the daemon has applied.
pub(super) const APPLIED_UP_TO: &str = "applied_up_to";

/// A sample as it waits for its commit: as small as it can be, since many may wait on a failing disk.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct SampleRow {
    /// The probe's number.
    pub probe: i64,
    /// When it was measured.
    pub at: i64,
    /// NaN where the column is NULL.
    pub values: [f64; 4],
    /// Four bits a quantity, as stored.
    pub quality: u16,
    /// As stored above those.
    pub timing: Timing,
    /// Somebody waits to be told that it is stored.
    pub awaited: bool,
}

impl SampleRow {
    /// The row of `sample`. A value that is no number is kept as NULL beside a quality other than
    /// good; one that was not read as NULL beside 0.
    pub fn new(sample: &Sample, awaited: bool) -> SampleRow {
        let mut values = [f64::NAN; 4];
        let mut quality = 0;
        for (index, value) in sample.values.iter().enumerate() {
            let Some(value) = value else { continue };
            values[index] = *value;
            let code = match sample.quality[index] {
                Quality::Good if value.is_nan() => Quality::Sentinel,
                known => known,
            };
            quality |= (code as u16) << (BITS * index);
        }
        SampleRow { probe: sample.probe, at: sample.at.0, values, quality, timing: sample.timing, awaited }
    }

    /// Writes it.
    pub fn insert(&self, insert: &mut Statement<'_>) -> rusqlite::Result<()> {
        let value = |index: usize| Some(self.values[index]).filter(|value| !value.is_nan());
        let quality = i64::from(self.quality) | self.timing.bits();
        insert.execute((self.probe, self.at, value(0), value(1), value(2), value(3), quality))?;
        Ok(())
    }
}

/// Reads a row of [`SAMPLE_COLUMNS`].
pub(super) fn sample(row: &Row<'_>) -> rusqlite::Result<Sample> {
    let packed: i64 = row.get(6)?;
    let mut values: Values = [None; 4];
    let mut quality = [Quality::Good; 4];
    for index in 0..4 {
        let code = (packed >> (BITS * index)) & 0xF;
        // A code this version does not know is not believed.
        quality[index] = Quality::from_code(code as u8).unwrap_or(Quality::Sentinel);
        values[index] = row.get::<_, Option<f64>>(2 + index)?.or((code != 0).then_some(f64::NAN));
    }
    Ok(Sample { probe: row.get(0)?, at: Stamp(row.get(1)?), values, quality, timing: Timing::of_bits(packed) })
}

/// Writes any change but a sample.
pub(super) fn write(transaction: &Transaction<'_>, change: &Change) -> rusqlite::Result<()> {
    match change {
        // Samples are queued as `SampleRow`s; one that came this way all the same is not lost.
        Change::Sample(sample) => {
            let mut insert = transaction.prepare_cached(INSERT_SAMPLE)?;
            SampleRow::new(sample, false).insert(&mut insert)
        }
        Change::Alert(alert) => write_alert(transaction, alert),
        Change::Outbox(item) => write_outbox(transaction, item),
        Change::Delivered { id, at } => {
            run(transaction, "UPDATE outbox SET delivered_at = ?2 WHERE id = ?1", params![id, at.0])
        }
        Change::Tried { id, tries, error } => {
            run(transaction, "UPDATE outbox SET tries = ?2, error = ?3 WHERE id = ?1", params![id, tries, error])
        }
        Change::AppliedUpTo(id) => {
            run(transaction, "INSERT OR REPLACE INTO meta (key, value) VALUES (?1, ?2)", params![APPLIED_UP_TO, id])
        }
        Change::Correction(dated) => write_correction(transaction, dated),
        Change::Probe { id, name } => {
            run(transaction, "INSERT OR IGNORE INTO probe (id, name) VALUES (?1, ?2)", params![id, name])
        }
        Change::Fact { key, value } => {
            run(transaction, "INSERT OR REPLACE INTO meta (key, value) VALUES (?1, ?2)", params![key, value])
        }
        Change::Clock(stretch) => stretches::write(transaction, stretch),
        Change::Refused { probe, count } => {
            let count = i64::try_from(*count).unwrap_or(i64::MAX);
            run(transaction, "INSERT OR REPLACE INTO refused (probe, count) VALUES (?1, ?2)", params![probe, count])
        }
    }
}

/// Inserts one sample.
pub(super) const INSERT_SAMPLE: &str =
    "INSERT INTO sample (probe, at, temperature, humidity, co2, battery, quality) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";

fn run(transaction: &Transaction<'_>, sql: &str, params: impl rusqlite::Params) -> rusqlite::Result<()> {
    transaction.prepare_cached(sql)?.execute(params).map(|_| ())
}

fn write_alert(transaction: &Transaction<'_>, alert: &Alert) -> rusqlite::Result<()> {
    let sql = "INSERT OR REPLACE INTO alert (id, subject, watch, severity, state, since, first_at, value,
        limit_value, text, returned_at, acknowledged_at, ended_at, repeat)
        VALUES (:id, :subject, :watch, :severity, :state, :since, :first_at, :value,
        :limit_value, :text, :returned_at, :acknowledged_at, :ended_at, :repeat)";
    let ms = |at: Option<Stamp>| at.map(|at| at.0);
    run(
        transaction,
        sql,
        named_params! {
            ":id": alert.id,
            ":subject": alert.subject,
            ":watch": alert.watch.word(),
            ":severity": alert.severity.word(),
            ":state": alert.state.word(),
            ":since": alert.since.0,
            ":first_at": alert.first_at.0,
            ":value": alert.value,
            ":limit_value": alert.limit,
            ":text": alert.text,
            ":returned_at": ms(alert.returned_at),
            ":acknowledged_at": ms(alert.acknowledged_at),
            ":ended_at": ms(alert.ended_at),
            ":repeat": alert.repeat,
        },
    )
}

/// The columns of `alert`, in the order [`alert`] reads them.
pub(super) const ALERT_COLUMNS: &str = "id, subject, watch, severity, state, since, first_at, value, limit_value, text,
    returned_at, acknowledged_at, ended_at, repeat";

/// Reads a row of [`ALERT_COLUMNS`]; a word this version does not know is an error.
pub(super) fn alert(row: &Row<'_>) -> rusqlite::Result<Alert> {
    let stamp = |index: usize| -> rusqlite::Result<Option<Stamp>> { Ok(row.get::<_, Option<i64>>(index)?.map(Stamp)) };
    Ok(Alert {
        id: row.get(0)?,
        subject: row.get(1)?,
        watch: word(row, 2, Watch::from_word)?,
        severity: word(row, 3, Severity::from_word)?,
        state: word(row, 4, AlertState::from_word)?,
        since: Stamp(row.get(5)?),
        first_at: Stamp(row.get(6)?),
        value: row.get(7)?,
        limit: row.get(8)?,
        text: row.get(9)?,
        returned_at: stamp(10)?,
        acknowledged_at: stamp(11)?,
        ended_at: stamp(12)?,
        repeat: row.get(13)?,
    })
}

fn write_outbox(transaction: &Transaction<'_>, item: &OutboxItem) -> rusqlite::Result<()> {
    let sql = "INSERT OR REPLACE INTO outbox
        (id, messenger, alert, event, body, idempotency_key, created_at, tries) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)";
    run(
        transaction,
        sql,
        params![
            item.id,
            item.messenger,
            item.alert_id,
            item.event.word(),
            item.body,
            item.idempotency_key,
            item.created_at.0,
            item.tries
        ],
    )
}

/// The columns of `outbox`, in the order [`outbox_item`] reads them.
pub(super) const OUTBOX_COLUMNS: &str = "id, messenger, alert, event, body, idempotency_key, created_at, tries";

/// Reads a row of [`OUTBOX_COLUMNS`]; a word this version does not know is an error.
pub(super) fn outbox_item(row: &Row<'_>) -> rusqlite::Result<OutboxItem> {
    Ok(OutboxItem {
        id: row.get(0)?,
        messenger: row.get(1)?,
        alert_id: row.get(2)?,
        event: word(row, 3, Tells::from_word)?,
        body: row.get(4)?,
        idempotency_key: row.get(5)?,
        created_at: Stamp(row.get(6)?),
        tries: row.get(7)?,
    })
}

fn write_correction(transaction: &Transaction<'_>, dated: &DatedCorrection) -> rusqlite::Result<()> {
    let sql = "INSERT OR REPLACE INTO correction (probe, quantity, since, gain, offset, made)
        VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
    let Correction { gain, offset } = dated.correction;
    run(transaction, sql, params![dated.probe, dated.quantity.word(), dated.since.0, gain, offset, dated.made.0])
}

/// The columns of `correction`, in the order [`correction`] reads them.
pub(super) const CORRECTION_COLUMNS: &str = "probe, quantity, since, gain, offset, made";

/// Reads a row of [`CORRECTION_COLUMNS`]; a word this version does not know is an error.
pub(super) fn correction(row: &Row<'_>) -> rusqlite::Result<DatedCorrection> {
    Ok(DatedCorrection {
        probe: row.get(0)?,
        quantity: word(row, 1, Quantity::from_word)?,
        since: Stamp(row.get(2)?),
        correction: Correction { gain: row.get(3)?, offset: row.get(4)? },
        made: Stamp(row.get(5)?),
    })
}

pub(super) fn word<T>(row: &Row<'_>, index: usize, read: impl Fn(&str) -> Option<T>) -> rusqlite::Result<T> {
    let word: String = row.get(index)?;
    read(&word).ok_or_else(|| {
        let why = format!("this version does not know the word {word:?}");
        rusqlite::Error::FromSqlConversionFailure(index, rusqlite::types::Type::Text, why.into())
    })
}
