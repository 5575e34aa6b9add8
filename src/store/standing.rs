//! `standing.json`: what the watches must know when the store cannot be opened.
//!
//! In: the living tubs' logbook entries and the open alerts, at each change. Out: the same, at a
//! start without a store. Written whole to another name, synced and renamed, so that a crash leaves
//! the old or the new file. Left out: samples.

use std::fs::{self, File};
use std::io::Write;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::error::StoreError;
use crate::climate::Stamp;
use crate::grow::logbook::{Deed, Entry};
use crate::watch::alert::{Alert, AlertState, Severity, Watch};

/// The file in the store's folder.
pub const FILE: &str = "standing.json";

/// Counted up when the file's meaning changes.
const FORMAT: u32 = 1;

/// Larger files are not ours: thousands of entries take less, bytes.
const BYTES_MAX: u64 = 16 << 20;

/// What stands.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Standing {
    /// Entries of tubs that have not ended, by id.
    pub entries: Vec<Entry>,
    /// Alerts that have not ended; of a run without a store also those that ended in it.
    pub alerts: Vec<Alert>,
    /// The highest number an alert was given.
    pub newest_alert: i64,
    /// Of a run without a store: the store does not know of it.
    pub is_unstored: bool,
}

#[derive(Serialize, Deserialize)]
struct Stored {
    format: u32,
    entries: Vec<StoredEntry>,
    alerts: Vec<StoredAlert>,
    #[serde(default)]
    newest_alert: i64,
    #[serde(default)]
    unstored: bool,
}

/// Read first, so that another format is told as that.
#[derive(Deserialize)]
struct Format {
    format: u32,
}

#[derive(Serialize, Deserialize)]
struct StoredEntry {
    id: i64,
    written_at: i64,
    at: i64,
    tub: String,
    body: Deed,
}

#[derive(Serialize, Deserialize)]
struct StoredAlert {
    id: i64,
    subject: String,
    watch: String,
    severity: String,
    state: String,
    since: i64,
    first_at: i64,
    value: Option<f64>,
    limit: Option<f64>,
    text: String,
    returned_at: Option<i64>,
    acknowledged_at: Option<i64>,
    ended_at: Option<i64>,
    repeat: u32,
}

/// Writes what stands into the store's folder.
///
/// # Errors
/// When the folder cannot be written; the old file then still stands.
pub fn write(folder: &Path, standing: &Standing) -> Result<(), StoreError> {
    let path = folder.join(FILE);
    let stored = Stored {
        format: FORMAT,
        entries: standing.entries.iter().map(store_entry).collect(),
        alerts: standing.alerts.iter().map(store_alert).collect(),
        newest_alert: standing.newest_alert,
        unstored: standing.is_unstored,
    };
    let new = folder.join(format!("{FILE}.new"));
    let write_all = || -> std::io::Result<()> {
        let text = serde_json::to_vec_pretty(&stored).map_err(std::io::Error::other)?;
        let mut file = File::create(&new)?;
        file.write_all(&text)?;
        file.sync_all()?;
        fs::rename(&new, &path)?;
        File::open(folder)?.sync_all()
    };
    write_all().map_err(|error| {
        let _ = fs::remove_file(&new);
        StoreError::Failed { doing: "write", path, why: error.to_string() }
    })
}

/// Reads what stood; `None` where nothing was ever written.
///
/// # Errors
/// One plain sentence: the file cannot be read, is damaged, or of another format. The caller starts
/// without it.
pub fn read(folder: &Path) -> Result<Option<Standing>, StoreError> {
    let path = folder.join(FILE);
    let fail = |why: String| StoreError::Failed { doing: "read", path: path.clone(), why };
    let size = match fs::metadata(&path) {
        Ok(found) => found.len(),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(fail(error.to_string())),
    };
    if size > BYTES_MAX {
        return Err(fail(format!("it is larger than {BYTES_MAX} bytes, so it is not what tubwatch wrote")));
    }
    let text = fs::read(&path).map_err(|error| fail(error.to_string()))?;
    let damaged = |why: String| fail(format!("it is damaged ({why}), so it is left out"));
    let Format { format } = serde_json::from_slice(&text).map_err(|error| damaged(error.to_string()))?;
    if format != FORMAT {
        return Err(fail(format!("it has format {format}, this version knows {FORMAT}, so it is left out")));
    }
    let stored: Stored = serde_json::from_slice(&text).map_err(|error| damaged(error.to_string()))?;
    let alerts: Option<Vec<Alert>> = stored.alerts.into_iter().map(alert).collect();
    let alerts = alerts.ok_or_else(|| damaged("an alert has an unknown word".to_owned()))?;
    Ok(Some(Standing {
        entries: stored.entries.into_iter().map(entry).collect(),
        alerts,
        newest_alert: stored.newest_alert,
        is_unstored: stored.unstored,
    }))
}

fn store_entry(entry: &Entry) -> StoredEntry {
    let Entry { id, written_at, at, tub, deed } = entry.clone();
    StoredEntry { id, written_at: written_at.0, at: at.0, tub, body: deed }
}

fn entry(stored: StoredEntry) -> Entry {
    let StoredEntry { id, written_at, at, tub, body } = stored;
    Entry { id, written_at: Stamp(written_at), at: Stamp(at), tub, deed: body }
}

fn store_alert(alert: &Alert) -> StoredAlert {
    let ms = |at: Option<Stamp>| at.map(|at| at.0);
    StoredAlert {
        id: alert.id,
        subject: alert.subject.clone(),
        watch: alert.watch.word().to_owned(),
        severity: alert.severity.word().to_owned(),
        state: alert.state.word().to_owned(),
        since: alert.since.0,
        first_at: alert.first_at.0,
        value: alert.value,
        limit: alert.limit,
        text: alert.text.clone(),
        returned_at: ms(alert.returned_at),
        acknowledged_at: ms(alert.acknowledged_at),
        ended_at: ms(alert.ended_at),
        repeat: alert.repeat,
    }
}

fn alert(stored: StoredAlert) -> Option<Alert> {
    Some(Alert {
        id: stored.id,
        subject: stored.subject,
        watch: Watch::from_word(&stored.watch)?,
        severity: Severity::from_word(&stored.severity)?,
        state: AlertState::from_word(&stored.state)?,
        since: Stamp(stored.since),
        first_at: Stamp(stored.first_at),
        value: stored.value,
        limit: stored.limit,
        text: stored.text,
        returned_at: stored.returned_at.map(Stamp),
        acknowledged_at: stored.acknowledged_at.map(Stamp),
        ended_at: stored.ended_at.map(Stamp),
        repeat: stored.repeat,
    })
}
