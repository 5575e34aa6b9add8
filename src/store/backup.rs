//! Copies of the store: a backup beside a running daemon, and putting one back.
//!
//! In: the store's folder and a file. Out: a consistent, compact copy in one file, whole or not there
//! at all; or the store made of one. Nothing is ever overwritten: what is to make room is renamed, and
//! only where that was asked for. Left out: damaged stores (`salvage.rs`).

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use rusqlite::Connection;

use super::error::{StoreError, why};
use super::open::{FILE, connect_to_read, inspect, lock, make_folder, own_like_folder, publish, read_flags};

/// Copies the store in `folder` to the new file `target`; returns its size in bytes. Beside a running
/// daemon too: the copy holds everything committed when it began.
///
/// # Errors
/// The store cannot be read, `target` is there already or cannot be written; nothing is left then.
pub fn copy(folder: &Path, target: &Path) -> Result<u64, StoreError> {
    let source = folder.join(FILE);
    let connection = connect_to_read(&source)?;
    let new = unfinished(target)?;
    let text = new.to_str().ok_or_else(|| fail("write", target, "its path is no plain text"))?;
    let copied = connection.execute("VACUUM INTO ?1", [text]);
    let finished =
        copied.map_err(|error| StoreError::from_sqlite("copy", &source, &error)).and_then(|_| finish(&new, target));
    if finished.is_err() {
        let _ = fs::remove_file(&new);
    }
    finished
}

/// Makes the store in `folder` of the backup `from`. Where there is a store already it is refused,
/// or, with `set_aside`, renamed; its new name is returned.
///
/// # Errors
/// `from` is no whole store of this program, a daemon runs on the folder, or it cannot be written.
pub fn restore(folder: &Path, from: &Path, set_aside: bool) -> Result<Option<PathBuf>, StoreError> {
    inspect(from)?;
    make_folder(folder)?;
    let _alone = lock(folder)?;
    let target = folder.join(FILE);
    let new = folder.join(format!("{FILE}.new-{}", std::process::id()));
    if target.exists() && !set_aside {
        let why = "there is a store already; --set-aside renames it first";
        return Err(fail("restore", &target, why));
    }
    let copied = whole_copy(from, &new);
    let done = copied.map_err(|why| fail("restore", &target, &why)).and_then(|()| {
        own_like_folder(folder, &new);
        let aside = if target.exists() { Some(put_aside(&target)?) } else { None };
        put_orphans_aside(&target)?;
        let placed = publish(&new, &target).and_then(|()| File::open(folder)?.sync_all());
        placed.map_err(|error| fail("restore", &target, &error.to_string()))?;
        Ok(aside)
    });
    let _ = fs::remove_file(&new);
    done
}

/// Copies a store's file as it is; where a daemon that was cut short left its log beside it, both together.
fn whole_copy(from: &Path, new: &Path) -> Result<(), String> {
    let copied = if with_ending(from, LOG).exists() {
        let text = new.to_str().ok_or("its path is no plain text")?;
        let connection = Connection::open_with_flags(from, read_flags()).map_err(|error| why(&error))?;
        connection.execute("VACUUM INTO ?1", [text]).map(drop).map_err(|error| why(&error))
    } else {
        fs::copy(from, new).map(drop).map_err(|error| error.to_string())
    };
    copied.and_then(|()| File::open(new).and_then(|file| file.sync_all()).map_err(|error| error.to_string()))
}

/// The log that SQLite writes beside a file.
const LOG: &str = "-wal";

fn with_ending(file: &Path, ending: &str) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

/// A log whose file was moved away alone would be played into the next one made there.
pub(super) fn put_orphans_aside(file: &Path) -> Result<(), StoreError> {
    // In this order: a log is made only where its file is.
    let is_left = ["-shm", LOG].iter().any(|ending| with_ending(file, ending).exists());
    if is_left && !file.exists() { put_aside(file).map(drop) } else { Ok(()) }
}

/// Renames a store's file and its log, out of the way; returns the new name.
fn put_aside(file: &Path) -> Result<PathBuf, StoreError> {
    const ENDINGS: [&str; 3] = [LOG, "-shm", ""];
    let name = |number: u32, ending: &str| with_ending(file, &format!(".aside-{number}{ending}"));
    let is_free = |number: &u32| ENDINGS.iter().all(|ending| !name(*number, ending).exists());
    let free = (1..).find(is_free).unwrap_or(u32::MAX);
    for ending in ENDINGS {
        match fs::rename(with_ending(file, ending), name(free, ending)) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                return Err(fail("set aside", file, &error.to_string()));
            }
            _ => {}
        }
    }
    Ok(name(free, ""))
}

/// The name a copy has until it is whole; an error where `target` is there already.
pub(super) fn unfinished(target: &Path) -> Result<PathBuf, StoreError> {
    if fs::symlink_metadata(target).is_ok() {
        return Err(fail("write", target, "it is there already; name a new file"));
    }
    let mut new = target.as_os_str().to_owned();
    new.push(format!(".new-{}", std::process::id()));
    let new = PathBuf::from(new);
    let _ = fs::remove_file(&new);
    Ok(new)
}

/// Gives a whole copy its name; returns its size.
pub(super) fn finish(new: &Path, target: &Path) -> Result<u64, StoreError> {
    let finish = || -> std::io::Result<u64> {
        let file = File::open(new)?;
        file.sync_all()?;
        let bytes = file.metadata()?.len();
        if fs::symlink_metadata(target).is_ok() {
            return Err(std::io::ErrorKind::AlreadyExists.into());
        }
        fs::rename(new, target)?;
        Ok(bytes)
    };
    finish().map_err(|error| fail("write", target, &error.to_string()))
}

pub(super) fn fail(doing: &'static str, path: &Path, why: &str) -> StoreError {
    StoreError::Failed { doing, path: path.to_owned(), why: why.to_owned() }
}
