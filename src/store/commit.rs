//! One commit, and finding out after a fault whether it was one.
//!
//! In: a group of changes. Out: that they are on stable storage, or why not in one sentence; the
//! group is then untouched, and may grow and be tried again. A commit whose last step failed may
//! have reached the disk all the same: before the next try the heap's newest row tells.

use std::os::unix::fs::MetadataExt;
use std::time::{Duration, Instant};

use rusqlite::{ErrorCode, TransactionBehavior};

use super::error::{StoreError, why};
use super::group::Group;
use super::open::Store;
use super::seal::{Sealed, Sealer};
use super::{Change, rows};

use super::zones::Filling;

/// Statements kept ready; there are fewer kinds of change.
const STATEMENTS: usize = 16;

/// The writing connection and what it knows of the file.
pub(super) struct Committer {
    store: Store,
    file: Option<(u64, u64)>,
    newest_row: i64,
    filling: Filling,
    sealer: Sealer,
    /// After a fault: so many samples at the group's front may be stored already.
    in_doubt: Option<usize>,
}

impl Committer {
    pub fn new(store: Store) -> Result<Committer, StoreError> {
        let mut committer = Committer {
            store,
            file: None,
            newest_row: 0,
            filling: Filling::default(),
            sealer: Sealer::default(),
            in_doubt: None,
        };
        committer.file = committer.file_now();
        committer.store.connection.set_prepared_statement_cache_capacity(STATEMENTS);
        let learned = committer.learn();
        let learned = learned.and_then(|()| Sealer::load(&committer.store.connection, committer.store.keep_ms));
        let learned = learned.map(|sealer| committer.sealer = sealer);
        learned.map_err(|error| StoreError::from_sqlite("read", &committer.store.file(), &error))?;
        Ok(committer)
    }

    /// Learns where the heap ends, and its last zone.
    fn learn(&mut self) -> rusqlite::Result<()> {
        self.newest_row = newest_row(&self.store.connection)?;
        self.filling = Filling::load(&self.store.connection)?;
        Ok(())
    }

    /// How many samples at the group's front may be stored already.
    pub fn in_doubt(&self) -> usize {
        self.in_doubt.unwrap_or(0)
    }

    /// `gone` of those in doubt have been given up.
    pub fn forget_in_doubt(&mut self, gone: usize) {
        if let Some(front) = &mut self.in_doubt {
            *front = front.saturating_sub(gone);
        }
    }

    /// Writes the group in one transaction; returns how many samples it held.
    ///
    /// # Errors
    /// One plain sentence; nothing of the group is lost.
    pub fn commit(&mut self, group: &mut Group) -> Result<usize, String> {
        let stored_before = self.heal(group)?;
        let samples = group.samples.len();
        match self.write(group) {
            Ok(()) => Ok(stored_before + samples),
            Err(error) => {
                let busy =
                    matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked));
                if !busy {
                    self.in_doubt = Some(samples);
                }
                Err(format!("cannot write {}: {}", self.store.file().display(), why(&error)))
            }
        }
    }

    /// Makes sure the file is the one that was opened, and after a fault opens it anew and settles
    /// what was in doubt; returns how many samples proved to be stored.
    fn heal(&mut self, group: &mut Group) -> Result<usize, String> {
        if self.file_now() != self.file {
            // SQLite would go on writing to a file that no longer has a name.
            let file = self.store.file();
            return Err(format!(
                "{} was taken away or replaced while tubwatch runs; put it back, or restart tubwatch to use what is there",
                file.display()
            ));
        }
        let Some(front) = self.in_doubt else { return Ok(0) };
        self.store.reopen().map_err(|error| error.to_string())?;
        self.store.connection.set_prepared_statement_cache_capacity(STATEMENTS);
        let before = self.newest_row;
        self.learn().map_err(|error| why(&error))?;
        self.sealer.reload(&self.store.connection).map_err(|error| why(&error))?;
        let stored = if self.newest_row > before { front.min(group.samples.len()) } else { 0 };
        group.samples.drain(..stored);
        self.in_doubt = None;
        Ok(stored)
    }

    fn write(&mut self, group: &Group) -> rusqlite::Result<()> {
        let transaction = self.store.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let (mut newest, mut filling) = (self.newest_row, self.filling);
        {
            let mut insert = transaction.prepare_cached(rows::INSERT_SAMPLE)?;
            for row in &group.samples {
                row.insert(&mut insert)?;
                newest = transaction.last_insert_rowid();
                filling.add(&transaction, newest, row.at)?;
            }
        }
        for change in &group.others {
            rows::write(&transaction, change)?;
        }
        transaction.commit()?;
        (self.newest_row, self.filling) = (newest, filling);
        for change in &group.others {
            if let Change::Clock(stretch) = change {
                self.sealer.know(stretch);
            }
        }
        let first = newest - group.samples.len() as i64;
        for (number, row) in (first + 1..).zip(&group.samples) {
            self.sealer.note(number, row.probe, row.at, row.quality, row.timing);
        }
        Ok(())
    }

    /// How long until samples are to be sealed; `None` when nothing is foreseen.
    pub fn seal_in(&self, now: Instant) -> Option<Duration> {
        if self.in_doubt.is_some() { None } else { self.sealer.due_in(now) }
    }

    /// Seals some samples, and appends which. True while there is more to do.
    ///
    /// # Errors
    /// One plain sentence; what was not sealed stays in its rows, and is tried again.
    pub fn seal(&mut self, out: &mut Vec<Sealed>) -> Result<bool, String> {
        if self.file_now() != self.file {
            // The next commit says so.
            self.sealer.pause();
            return Ok(false);
        }
        let done = self.sealer.step(&mut self.store.connection, self.newest_row, out);
        if matches!(done, Ok(false)) {
            let filling = Filling::load(&self.store.connection);
            self.filling = filling.map_err(|error| why(&error))?;
        }
        done.map_err(|error| {
            // Whether it reached the disk all the same is asked of the file, before the next commit.
            self.in_doubt = Some(0);
            error.told("write", &self.store.file(), &self.store.connection).to_string()
        })
    }

    fn file_now(&self) -> Option<(u64, u64)> {
        std::fs::metadata(self.store.file()).ok().map(|file| (file.dev(), file.ino()))
    }
}

fn newest_row(connection: &rusqlite::Connection) -> rusqlite::Result<i64> {
    connection.query_row("SELECT ifnull(max(rowid), 0) FROM sample", [], |row| row.get(0))
}

#[cfg(test)]
impl Committer {
    /// As if the last commit of `front` samples, begun at `newest_row`, had ended in an error.
    pub fn pretend_failed(&mut self, newest_row: i64, front: usize) {
        self.newest_row = newest_row;
        self.in_doubt = Some(front);
    }
}
