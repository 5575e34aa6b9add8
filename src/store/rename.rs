//! A probe or a space called otherwise: its history follows it.
//!
//! In: a renaming and its check. Out: the probe's row under its new name, its alerts under their new
//! subject, and the line in the logbook, in one transaction beside a running daemon. Samples, chunks,
//! summaries, corrections and refusals stand under the probe's number and need nothing. Left out: what is not
//! in the store (the config, what a forwarder sent elsewhere).

use rusqlite::{Connection, TransactionBehavior};

use super::entries::AppendError;
use super::error::StoreError;
use super::open::{Access, Store};
use super::reader::entries_after;
use crate::climate::Stamp;
use crate::grow::logbook::{Deed, Entry};
use crate::grow::rename::{Named, Renaming};

/// Renames, if `validate` has nothing against it; the entry's number. It is given the logbook and the names
/// of all probes ever heard of.
///
/// # Errors
/// What `validate` says, or why the store cannot be written; nothing is written then.
pub fn rename<E>(
    access: &mut Access,
    now: Stamp,
    renaming: &Renaming,
    validate: impl FnOnce(&[Entry], &[String]) -> Result<(), E>,
) -> Result<i64, AppendError<E>> {
    let path = access.file();
    let fail = |error: rusqlite::Error| StoreError::from_sqlite("write", &path, &error);
    let transaction = access.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(fail)?;
    let entries = entries_after(&transaction, &path, 0)?;
    let heard = heard(&transaction).map_err(fail)?;
    validate(&entries, &heard).map_err(AppendError::Refused)?;
    if renaming.what == Named::Probe {
        let sql = "UPDATE probe SET name = ?2 WHERE name = ?1";
        transaction.execute(sql, (&renaming.old, &renaming.new)).map_err(fail)?;
    }
    subjects(&transaction, renaming).map_err(fail)?;
    let body = serde_json::to_string(&Deed::Renamed(Box::new(renaming.clone()))).map_err(|error| {
        let why = error.to_string();
        StoreError::Failed { doing: "write", path: path.clone(), why }
    })?;
    let sql = "INSERT INTO entry (written_at, at, tub, body) VALUES (?1, ?1, '', ?2)";
    transaction.execute(sql, (now.0, body)).map_err(fail)?;
    let id = transaction.last_insert_rowid();
    transaction.commit().map_err(fail)?;
    Ok(id)
}

fn heard(connection: &Connection) -> rusqlite::Result<Vec<String>> {
    connection.prepare("SELECT name FROM probe")?.query_map([], |row| row.get(0))?.collect()
}

fn subjects(connection: &Connection, renaming: &Renaming) -> rusqlite::Result<usize> {
    let subject = |name: &str| format!("{} {name}", renaming.what.word());
    let sql = "UPDATE alert SET subject = ?2 WHERE subject = ?1";
    connection.execute(sql, (subject(&renaming.old), subject(&renaming.new)))
}

impl Store {
    /// Alerts that a daemon wrote under an old name, before it knew the new one, follow as well.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn follow_names(&mut self, renamings: &[Renaming]) -> Result<(), StoreError> {
        let path = self.file();
        for renaming in renamings {
            let done = subjects(&self.connection, renaming);
            done.map_err(|error| StoreError::from_sqlite("write", &path, &error))?;
        }
        Ok(())
    }
}
