//! What can go wrong with the store, in words for the grower.
//!
//! In: SQLite's and the system's errors. Out: one plain sentence each: what, where, what to do.

use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;

/// Why the store cannot do what was asked. `Display` is one plain sentence.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The folder or a file in it cannot be made or opened.
    #[error("cannot {doing} {path}: {why}; the folder must belong to the user tubwatch runs as", path = path.display())]
    Folder {
        /// `make the folder`, `open`.
        doing: &'static str,
        /// Which.
        path: PathBuf,
        /// The system's word.
        why: String,
    },
    /// A second `run`.
    #[error("another tubwatch already runs on the store in {folder}; stop it first, or name another folder as [store] path", folder = folder.display())]
    AlreadyRunning {
        /// The store's folder.
        folder: PathBuf,
    },
    /// What wrote to it before a restart within this process has not ended yet.
    #[error("the store in {folder} is still held by what ran before the restart, since its disk is slow or does not answer; it is opened once that has ended", folder = folder.display())]
    StillHeld {
        /// The store's folder.
        folder: PathBuf,
    },
    /// Not SQLite, or SQLite of another program.
    #[error("{path} is not a tubwatch store; it was left as it is: move it away, or name another folder as [store] path", path = path.display())]
    NotOurs {
        /// The file.
        path: PathBuf,
    },
    /// The file is there but cannot be read as it should.
    #[error("{path} is damaged ({why}); it was left as it is: put a backup in its place, or move it away to begin a new store", path = path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// SQLite's word.
        why: String,
    },
    /// Written by a later version.
    #[error("{path} was written by a newer tubwatch (schema {found}, this one knows up to {known}); it was left as it is: install the newer program", path = path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its schema.
        found: i64,
        /// The newest schema this program knows.
        known: i64,
    },
    /// Written by an earlier version, and another process uses it.
    #[error("{path} has the older schema {found} and an older tubwatch is running on it; restart that with this version first", path = path.display())]
    Older {
        /// The file.
        path: PathBuf,
        /// Its schema.
        found: i64,
    },
    /// Somebody else writes, and did not finish in time.
    #[error("another program has been writing to {path} for over {seconds} s; try again, and close any database tool that has it open", path = path.display())]
    Busy {
        /// The file.
        path: PathBuf,
        /// How long it was waited for.
        seconds: u64,
    },
    /// Anything else.
    #[error("cannot {doing} {path}: {why}", path = path.display())]
    Failed {
        /// `read`, `write`.
        doing: &'static str,
        /// The file.
        path: PathBuf,
        /// In words.
        why: String,
    },
    /// Sealed samples that cannot be unpacked.
    #[error("the samples of probe {probe} from {from} to {to} in {path} are damaged ({why}); `tubwatch backup --salvage FILE` makes a copy of all that can still be read", path = path.display())]
    Samples {
        /// The file.
        path: PathBuf,
        /// The probe's name.
        probe: String,
        /// The earliest of them.
        from: String,
        /// The latest.
        to: String,
        /// What is wrong with them.
        why: String,
    },
    /// A logbook entry that cannot be understood.
    #[error("logbook entry {id} in the store cannot be read ({why}); install the tubwatch that wrote it")]
    Entry {
        /// Its id.
        id: i64,
        /// In words.
        why: String,
    },
}

impl StoreError {
    /// From an error of SQLite while `doing` something with `path`.
    pub(crate) fn from_sqlite(doing: &'static str, path: &Path, error: &rusqlite::Error) -> StoreError {
        let path = path.to_owned();
        match error.sqlite_error_code() {
            Some(ErrorCode::DatabaseCorrupt) => StoreError::Damaged { path, why: why(error) },
            Some(ErrorCode::NotADatabase) => StoreError::NotOurs { path },
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
                StoreError::Busy { path, seconds: super::open::WRITER_PATIENCE.as_secs() }
            }
            _ => StoreError::Failed { doing, path, why: why(error) },
        }
    }
}

/// SQLite's error in plain words.
pub(crate) fn why(error: &rusqlite::Error) -> String {
    let word = match error.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => "the disk is full",
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => "another program is writing to it",
        Some(ErrorCode::ReadOnly) => "the file or its folder is read-only",
        Some(ErrorCode::SystemIoFailure) => "the disk gave an input/output error",
        Some(ErrorCode::DatabaseCorrupt) => "the file is damaged",
        Some(ErrorCode::NotADatabase) => "the file is no SQLite file",
        Some(ErrorCode::CannotOpen) => "the file or its folder cannot be opened",
        Some(ErrorCode::PermissionDenied) => "permission denied",
        Some(ErrorCode::OutOfMemory) => "out of memory",
        _ => return error.to_string(),
    };
    word.to_owned()
}
