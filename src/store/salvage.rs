//! What can still be read of a damaged store, as a new one.
//!
//! In: a store's folder. Out: a new file with every row and every packed sample that is whole, and a
//! tale of what is not. The damaged file is only read, through a copy of it. A damaged header is
//! replaced by a fresh one; a damaged page costs the rows on it; a damaged blob its quantity, or its
//! chunk. Left out: guessing: what has no right checksum is not taken.

use std::fs::{self, File, OpenOptions};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;

use rusqlite::types::Value;
use rusqlite::{Connection, OpenFlags, params_from_iter};

use super::backup::{fail, finish, unfinished};
use super::chunk::{self, QualityRun, Row};
use super::chunks::{ChunkError, SAMPLES_MAX};
use super::error::{StoreError, why};
use super::merge;
use super::open::FILE;
use super::rows::{self, SampleRow};
use super::schema::{self, STEPS};
use super::zones::Filling;
use crate::climate::Stamp;

/// SQLite's header, bytes; the schema's table begins after it.
const HEADER_BYTES: usize = 100;

/// What was saved, and what not.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Salvaged {
    /// Samples.
    pub samples: u64,
    /// Logbook entries, alerts, outbox items, corrections and the like.
    pub others: u64,
    /// What was lost, in words, each once.
    pub lost: Vec<String>,
}

/// The tables that are copied row by row, with their columns.
const PLAIN: [(&str, &str); 8] = [
    ("probe", "id, name"),
    ("entry", "id, written_at, at, tub, body"),
    (
        "alert",
        "id, subject, watch, severity, state, since, first_at, value, limit_value, text, returned_at,
         acknowledged_at, ended_at, repeat",
    ),
    ("outbox", "id, messenger, alert, event, body, idempotency_key, created_at, tries, error, delivered_at"),
    ("correction", "probe, quantity, since, gain, offset, made"),
    ("refused", "probe, count"),
    ("clock", "id, boot, since, offset, trust, why"),
    ("meta", "key, value"),
];

/// Writes all that can be read of the store in `folder` to the new store file `target`.
///
/// # Errors
/// When nothing of it can be read, or `target` is there already or cannot be written.
pub fn salvage(folder: &Path, target: &Path) -> Result<Salvaged, StoreError> {
    let source = folder.join(FILE);
    let new = unfinished(target)?;
    let ending = |ending: &str| {
        let mut name = new.clone().into_os_string();
        name.push(ending);
        std::path::PathBuf::from(name)
    };
    let copy = ending(".damaged");
    let copy_log = ending(".damaged-wal");
    let save = || -> Result<Salvaged, StoreError> {
        fs::copy(&source, &copy).map_err(|error| fail("read", &source, &error.to_string()))?;
        let log = folder.join(format!("{FILE}-wal"));
        if log.exists() {
            fs::copy(&log, &copy_log).map_err(|error| fail("read", &log, &error.to_string()))?;
        }
        let mut saved = Salvaged::default();
        let mut into = Connection::open(&new).map_err(|error| StoreError::from_sqlite("write", target, &error))?;
        schema::migrate(&mut into, &STEPS).map_err(|error| StoreError::from_sqlite("write", target, &error))?;
        mend_header(&copy, &new, &mut saved).map_err(|error| fail("read", &source, &error.to_string()))?;
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let from =
            Connection::open_with_flags(&copy, flags).map_err(|e| StoreError::from_sqlite("read", &source, &e))?;
        take_over(&from, &mut into, &mut saved).map_err(|error| error.told("write", target, &into))?;
        if saved.samples + saved.others == 0 {
            return Err(fail("salvage", &source, "nothing in it can be read"));
        }
        into.close().map_err(|(_, error)| StoreError::from_sqlite("write", target, &error))?;
        finish(&new, target)?;
        Ok(saved)
    };
    let saved = save();
    for leftover in [&copy, &copy_log, &ending(".damaged-shm"), &ending("-journal"), &new] {
        let _ = fs::remove_file(leftover);
    }
    saved
}

/// Gives the copy a fresh header where its own is not one: the sizes are taken from the file itself.
fn mend_header(copy: &Path, fresh: &Path, saved: &mut Salvaged) -> std::io::Result<()> {
    let mut good = [0; HEADER_BYTES];
    File::open(fresh)?.read_exact(&mut good)?;
    let mut file = OpenOptions::new().read(true).write(true).open(copy)?;
    let mut found = [0; HEADER_BYTES];
    let is_read = file.read_exact(&mut found).is_ok();
    // Magic, page size, the fixed fractions, the schema's format and the text's encoding.
    let same = [0..18, 20..24, 44..48, 56..60].into_iter().all(|part| found[part.clone()] == good[part]);
    if is_read && same {
        return Ok(());
    }
    saved.lost.push("the file's header, which was made anew".to_owned());
    // With this out of step SQLite asks the file system for the file's size; no free pages are known.
    good[24..28].copy_from_slice(&[0, 0, 0, 1]);
    good[92..96].copy_from_slice(&[0; 4]);
    good[32..40].copy_from_slice(&[0; 8]);
    file.seek(SeekFrom::Start(0))?;
    file.write_all(&good)?;
    file.sync_all()
}

fn take_over(from: &Connection, into: &mut Connection, saved: &mut Salvaged) -> Result<(), ChunkError> {
    let _ = from.pragma_update(None, "cell_size_check", true);
    let transaction = into.transaction()?;
    for (table, columns) in PLAIN {
        let marks = vec!["?"; columns.split(',').count()].join(", ");
        let insert = format!("INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})");
        let order = if matches!(table, "correction" | "meta") { None } else { Some("rowid") };
        let mut failed = None;
        read_around(from, table, columns, order, saved, &mut |row| {
            let values: rusqlite::Result<Vec<Value>> = (0..columns.split(',').count()).map(|at| row.get(at)).collect();
            let Ok(values) = values else { return false };
            match transaction.prepare_cached(&insert).and_then(|mut insert| insert.execute(params_from_iter(values))) {
                Ok(_) => true,
                Err(error) => {
                    // A row that breaks its own table's rules is damage; a full disk is not.
                    let is_ours = error.sqlite_error_code() == Some(rusqlite::ErrorCode::ConstraintViolation);
                    failed = failed.take().or((!is_ours).then_some(error));
                    false
                }
            }
        })
        .into_iter()
        .for_each(|count| saved.others += count);
        if let Some(error) = failed {
            return Err(error.into());
        }
    }
    packed(from, &transaction, saved)?;
    fresh(from, &transaction, saved)?;
    let unnamed = "INSERT OR IGNORE INTO probe (id, name) SELECT DISTINCT probe, 'probe-' || probe FROM ";
    transaction.execute(&format!("{unnamed} sample"), [])?;
    transaction.execute(&format!("{unnamed} chunk"), [])?;
    transaction.commit()?;
    Ok(())
}

/// The rows of `sample`, each with its place among the others.
fn fresh(from: &Connection, into: &rusqlite::Transaction<'_>, saved: &mut Salvaged) -> Result<(), ChunkError> {
    let sealed = rows::sealing(from).unwrap_or_default();
    let mut filling = Filling::default();
    let mut failed = None;
    let columns = format!("{}, rowid", rows::SAMPLE_COLUMNS);
    let mut samples = 0;
    read_around(from, "sample", &columns, Some("rowid"), saved, &mut |row| {
        let (Ok(sample), Ok(number)) = (rows::sample(row), row.get::<_, i64>(7)) else { return false };
        if sealed.get(&sample.probe).is_some_and(|through| number <= *through) {
            return true;
        }
        let kept = SampleRow::new(&sample, false);
        let mut insert = || -> rusqlite::Result<()> {
            let mut insert = into.prepare_cached(rows::INSERT_SAMPLE)?;
            kept.insert(&mut insert)?;
            filling.add(into, into.last_insert_rowid(), kept.at)
        };
        let done = insert();
        samples += u64::from(done.is_ok());
        done.map_err(|error| failed.get_or_insert(error).to_string()).is_ok()
    });
    saved.samples += samples;
    failed.map_or(Ok(()), |error| Err(error.into()))
}

/// The packed samples, packed anew.
fn packed(from: &Connection, into: &rusqlite::Transaction<'_>, saved: &mut Salvaged) -> Result<(), ChunkError> {
    let mut ids: Vec<i64> = Vec::new();
    read_around(from, "chunk", "id", Some("rowid"), saved, &mut |row| {
        let id = row.get(0);
        ids.extend(id.iter());
        id.is_ok()
    });
    for id in ids {
        let Some((probe, rows)) = unpack(from, id, &mut saved.lost) else { continue };
        saved.samples += rows.len() as u64;
        for cluster in merge::clusters(&rows) {
            merge::into_chunks(into, probe, cluster)?;
        }
    }
    Ok(())
}

/// One chunk's samples; quantities whose blob is damaged are left out, and said. Each column is asked
/// for by itself: a damaged page costs those that lie on it or after it.
fn unpack(from: &Connection, id: i64, lost: &mut Vec<String>) -> Option<(i64, Vec<Row>)> {
    let number = |column: &str| -> Option<i64> {
        from.query_row(&format!("SELECT {column} FROM chunk WHERE id = ?1"), [id], |row| row.get(0)).ok()
    };
    let blob = |column: &str| -> Result<Option<Vec<u8>>, ()> {
        let found = from.query_row(&format!("SELECT {column} FROM chunk WHERE id = ?1"), [id], |row| row.get(0));
        found.map_err(|_| ())
    };
    let probe = number("probe");
    let time = |column: &str| number(column).map_or_else(|| "?".to_owned(), |at| Stamp(at).rfc3339());
    let whose = format!(
        "of probe number {} from {} to {}",
        probe.map_or_else(|| "?".to_owned(), |probe| probe.to_string()),
        time("first"),
        time("last")
    );
    let count = number("count").and_then(|count| usize::try_from(count).ok()).filter(|count| *count <= SAMPLES_MAX);
    let (mut stamps, mut whole) = (Vec::new(), Vec::new());
    let stamped = count.zip(blob("stamps").ok().flatten()).and_then(|(count, blob)| {
        chunk::unpack_stamps(&blob, count, &mut stamps).ok()?;
        Some(count)
    });
    let Some((count, probe)) = stamped.zip(probe) else {
        lost.push(format!("all samples {whose}"));
        return None;
    };
    let quality = blob("quality").ok().and_then(|blob| chunk::unpack_quality(blob.as_deref(), count).ok());
    let runs = quality.unwrap_or_else(|| {
        lost.push(format!("what was known on arrival {whose}"));
        vec![QualityRun::good(count)]
    });
    let mut rows: Vec<Row> = stamps
        .iter()
        .zip(runs.iter().flat_map(|run| std::iter::repeat_n(*run, run.length)))
        .map(|(at, run)| {
            let QualityRun { arrival, judged, timing, .. } = run;
            Row { at: *at, values: [f64::NAN; 4], arrival, judged, timing }
        })
        .collect();
    let mut values = Vec::new();
    for (index, name) in ["temperature", "humidity", "co2", "battery"].into_iter().enumerate() {
        let unpacked = match blob(name) {
            Ok(None) => continue,
            Ok(Some(blob)) => chunk::unpack_values(&blob, count, &mut values, &mut whole).is_ok(),
            Err(()) => false,
        };
        if unpacked {
            rows.iter_mut().zip(&values).for_each(|(row, value)| row.values[index] = *value);
        } else {
            lost.push(format!("{name} {whose}"));
        }
    }
    Some((probe, rows))
}

/// Reads a table in the order of its row numbers; at a page that cannot be read it goes on after it.
/// `take` tells whether it could use a row. Gives how many it used, `None` without the table.
fn read_around(
    from: &Connection,
    table: &str,
    columns: &str,
    order: Option<&str>,
    saved: &mut Salvaged,
    take: &mut dyn FnMut(&rusqlite::Row<'_>) -> bool,
) -> Option<u64> {
    let count = columns.split(',').count();
    let sql = match order {
        Some(order) => format!("SELECT {columns}, rowid FROM {table} WHERE {order} > ?1 ORDER BY {order}"),
        None => format!("SELECT {columns}, ?1 FROM {table}"),
    };
    let mut statement = match from.prepare(&sql) {
        Ok(statement) => statement,
        Err(error) => {
            saved.lost.push(format!("the table {table}: {}", why(&error)));
            return None;
        }
    };
    let (mut used, mut after, mut step, mut unusable, mut holes) = (0, -1_i64, 1_i64, 0_u64, 0_u64);
    loop {
        let mut rows = statement.query([after]).ok()?;
        let error = loop {
            match rows.next() {
                Ok(Some(row)) => {
                    after = row.get(count).unwrap_or(after);
                    step = 1;
                    if take(row) { used += 1 } else { unusable += 1 }
                }
                Ok(None) => break None,
                Err(error) => break Some(error),
            }
        };
        if error.is_none() {
            break;
        }
        holes += u64::from(step == 1);
        if let Some(order) = order {
            // Perhaps only what the row holds cannot be read, and the rows beside it can.
            let next = format!("SELECT rowid FROM {table} WHERE {order} > ?1 ORDER BY {order} LIMIT 1");
            if let Ok(next) = from.query_row(&next, [after], |row| row.get(0)) {
                after = next;
                continue;
            }
        }
        // Over the damaged page: a little at first, then by leaps.
        after = after.saturating_add(step);
        step = step.saturating_mul(2);
        if order.is_none() || step > 1 << 40 {
            break;
        }
    }
    if holes > 0 {
        saved.lost.push(format!("rows of the table {table} in {holes} places"));
    }
    if unusable > 0 {
        saved.lost.push(format!("{unusable} rows of the table {table} that make no sense"));
    }
    Some(used)
}
