//! Copies of the store: a backup beside a running daemon, and putting one back.
//!
//! In: the store's folder and a file. Out: a consistent, compact copy in one file, whole or not there
//! at all; or the store made of one. Nothing is ever overwritten: what is to make room is renamed, and
//! only where that was asked for. Left out: damaged stores (`salvage.rs`).

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use super::error::StoreError;
use super::open::{FILE, connect_to_read, inspect, lock, make_folder, own_like_folder, publish};

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
    let copied = fs::copy(from, &new).and_then(|_| File::open(&new)?.sync_all());
    let done = copied.map_err(|error| fail("restore", &target, &error.to_string())).and_then(|()| {
        own_like_folder(folder, &new);
        let aside = if target.exists() { Some(put_aside(&target)?) } else { None };
        let placed = publish(&new, &target).and_then(|()| File::open(folder)?.sync_all());
        placed.map_err(|error| fail("restore", &target, &error.to_string()))?;
        Ok(aside)
    });
    let _ = fs::remove_file(&new);
    done
}

/// Renames a store's file and its log, out of the way; returns the new name.
fn put_aside(file: &Path) -> Result<PathBuf, StoreError> {
    let name = |number: u32, ending: &str| {
        let mut name = file.as_os_str().to_owned();
        name.push(format!(".aside-{number}{ending}"));
        PathBuf::from(name)
    };
    let free = (1..).find(|number| !name(*number, "").exists()).unwrap_or(u32::MAX);
    for ending in ["-wal", "-shm", ""] {
        let mut old = file.as_os_str().to_owned();
        old.push(ending);
        match fs::rename(&old, name(free, ending)) {
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
