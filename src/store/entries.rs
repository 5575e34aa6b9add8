//! Appends to the logbook, beside a running daemon or without one.
//!
//! In: what the grower says, and a check against the logbook as it stands. Out: the new entries'
//! ids. Reading, checking and writing happen in one transaction, so that two commands at once
//! cannot both take the last free name.

use rusqlite::TransactionBehavior;

use super::error::StoreError;
use super::open::Access;
use super::reader::entries_after;
use crate::climate::Stamp;
use crate::grow::logbook::{Deed, Entry};

/// An entry that has no id yet.
#[derive(Clone, Debug, PartialEq)]
pub struct NewEntry {
    /// When it happened.
    pub at: Stamp,
    /// The tub's id, or empty.
    pub tub: String,
    /// What happened.
    pub deed: Deed,
}

/// Why nothing was appended.
#[derive(Debug, thiserror::Error)]
pub enum AppendError<E> {
    /// The check's own answer.
    #[error(transparent)]
    Refused(E),
    /// The store could not be read or written.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Appends one entry if `validate` has nothing against it; returns its id. Waits at most 5 s for
/// others that write.
///
/// # Errors
/// What `validate` says, or why the store cannot be written; nothing is written then.
pub fn append<E>(
    access: &mut Access,
    at: Stamp,
    written_at: Stamp,
    tub: &str,
    deed: Deed,
    validate: impl FnOnce(&[Entry]) -> Result<(), E>,
) -> Result<i64, AppendError<E>> {
    let entry = NewEntry { at, tub: tub.to_owned(), deed };
    let ids = append_resolved(access, written_at, |entries| validate(entries).map(|()| vec![entry]))?;
    Ok(ids.first().copied().unwrap_or_default())
}

/// Appends what `resolve` makes of the logbook as it stands, all or nothing; returns the ids.
///
/// # Errors
/// What `resolve` says, or why the store cannot be written; nothing is written then.
pub fn append_resolved<E>(
    access: &mut Access,
    written_at: Stamp,
    resolve: impl FnOnce(&[Entry]) -> Result<Vec<NewEntry>, E>,
) -> Result<Vec<i64>, AppendError<E>> {
    let path = access.file();
    let fail = |error: rusqlite::Error| StoreError::from_sqlite("write", &path, &error);
    let transaction = access.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(fail)?;
    let entries = entries_after(&transaction, &path, 0)?;
    let new = resolve(&entries).map_err(AppendError::Refused)?;
    let mut ids = Vec::with_capacity(new.len());
    for entry in new {
        let body = serde_json::to_string(&entry.deed).map_err(|error| StoreError::Failed {
            doing: "write",
            path: path.clone(),
            why: error.to_string(),
        })?;
        let sql = "INSERT INTO entry (written_at, at, tub, body) VALUES (?1, ?2, ?3, ?4)";
        transaction.execute(sql, (written_at.0, entry.at.0, &entry.tub, body)).map_err(fail)?;
        ids.push(transaction.last_insert_rowid());
    }
    transaction.commit().map_err(fail)?;
    Ok(ids)
}
