//! Opening the store's file: for the daemon ([`Store`], one at a time), for commands ([`Access`]),
//! for reading.
//!
//! In: the store's folder. Out: a connection to a file of the present schema. A file that is
//! damaged, of another program or of a newer schema is told of and left exactly as it is. Left
//! out: reading and writing of rows.

use std::fs::{self, File, TryLockError};
use std::io::Read;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags};

use super::backup::put_orphans_aside;
use super::error::{StoreError, why};
use super::reader::Reader;
use super::schema::{self, APPLICATION_ID, PROBES, STEPS, VERSION};
use super::seal::Sealer;

/// The store's file in its folder.
pub const FILE: &str = "tubwatch.sqlite";

/// Held by the one `run` of a store.
pub const LOCK: &str = "tubwatch.lock";

/// The mode bit of a folder in which its group may make files.
const GROUP_WRITES: u32 = 0o020;

/// How long a command waits for its turn to write.
pub const PATIENCE: Duration = Duration::from_secs(5);

/// How long the daemon's writer waits before it reports: its queue goes on meanwhile.
pub(super) const WRITER_PATIENCE: Duration = Duration::from_secs(2);

/// The log is cut back to this size after a flood, bytes.
const LOG_BYTES: i64 = 4 << 20;

/// Page cache of one connection, KiB: rows are written once and read in long runs, so a cache gains
/// little, and the daemon is promised to be small.
const CACHE_KIB: i64 = 1024;

/// The store as `run` holds it: the lock and the connection that writes.
#[derive(Debug)]
pub struct Store {
    folder: PathBuf,
    pub(super) connection: Connection,
    /// Raw samples older than the newest by this are thrown away when others are sealed.
    pub(super) keep_ms: Option<i64>,
    _lock: File,
}

impl Store {
    /// Opens the store in `folder`, making both where they are not there, and keeps every other
    /// `run` out until it is dropped.
    ///
    /// # Errors
    /// One plain sentence: the folder cannot be written, another `run` holds it, the file is
    /// damaged, another program's or of a newer schema.
    pub fn open(folder: &Path) -> Result<Store, StoreError> {
        make_folder(folder)?;
        let lock = lock(folder)?;
        let path = folder.join(FILE);
        let found = find_or_create(folder)?;
        let mut connection = connect(&path, WRITER_PATIENCE)?;
        if found < VERSION {
            schema::migrate(&mut connection, &STEPS).map_err(|e| StoreError::from_sqlite("update", &path, &e))?;
        }
        Ok(Store { folder: folder.to_owned(), connection, keep_ms: None, _lock: lock })
    }

    /// The store's folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The store's file.
    pub fn file(&self) -> PathBuf {
        self.folder.join(FILE)
    }

    /// The number of the probe called `name`, given now where it has none yet.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub fn probe_id(&mut self, name: &str) -> Result<i64, StoreError> {
        self.probe_ids(&[name]).map(|ids| ids.first().copied().unwrap_or_default())
    }

    /// The numbers of the probes called `names`, in their order, given now where they have none
    /// yet; one transaction.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub fn probe_ids(&mut self, names: &[&str]) -> Result<Vec<i64>, StoreError> {
        let path = self.file();
        let give = |connection: &mut Connection| -> rusqlite::Result<Vec<i64>> {
            let transaction = connection.transaction()?;
            let mut ids = Vec::with_capacity(names.len());
            for name in names {
                transaction.execute("INSERT OR IGNORE INTO probe (name) VALUES (?1)", [name])?;
                ids.push(transaction.query_row("SELECT id FROM probe WHERE name = ?1", [name], |row| row.get(0))?);
            }
            transaction.commit()?;
            Ok(ids)
        };
        give(&mut self.connection).map_err(|e| StoreError::from_sqlite("write", &path, &e))
    }

    /// A reader of the same store.
    ///
    /// # Errors
    /// When the file cannot be opened for reading.
    pub fn reader(&self) -> Result<Reader, StoreError> {
        Reader::open(&self.folder)
    }

    /// From here on raw samples older than the newest one by `keep` are thrown away when others are
    /// sealed; their summaries stay. Without it everything is kept.
    pub fn keep_raw(&mut self, keep: Option<Duration>) {
        self.keep_ms = keep.map(|keep| i64::try_from(keep.as_millis()).unwrap_or(i64::MAX));
    }

    /// Seals all samples but the newest now, instead of when it is due.
    ///
    /// # Errors
    /// When the store cannot be read or written; what was not sealed stays in its rows.
    pub fn seal(&mut self) -> Result<(), StoreError> {
        let path = self.file();
        let fail = |error| StoreError::from_sqlite("write", &path, &error);
        let newest = "SELECT ifnull(max(rowid), 0) FROM sample";
        let newest: i64 = self.connection.query_row(newest, [], |row| row.get(0)).map_err(fail)?;
        let mut sealer = Sealer::load(&self.connection, self.keep_ms).map_err(fail)?.whole();
        let mut sealed = Vec::new();
        let mut more = true;
        while more {
            let step = sealer.step(&mut self.connection, newest, &mut sealed);
            more = step.map_err(|error| error.told("write", &path, &self.connection))?;
            sealed.clear();
        }
        Ok(())
    }

    /// Opens the file anew after a fault, keeping the lock.
    ///
    /// # Errors
    /// As [`Store::open`], and when the file is gone: it is never made anew behind a running daemon.
    pub(super) fn reopen(&mut self) -> Result<(), StoreError> {
        let path = self.file();
        inspect(&path)?;
        self.connection = connect(&path, WRITER_PATIENCE)?;
        Ok(())
    }
}

/// The store as commands use it: beside a running daemon or without one.
#[derive(Debug)]
pub struct Access {
    folder: PathBuf,
    pub(super) connection: Connection,
}

impl Access {
    /// Opens the store in `folder`, making both where they are not there. Takes no lock, and leaves
    /// owner and mode of what is there as they are.
    ///
    /// # Errors
    /// As [`Store::open`], except that a running daemon is no hindrance.
    pub fn open(folder: &Path) -> Result<Access, StoreError> {
        make_folder(folder)?;
        let path = folder.join(FILE);
        let found = find_or_create(folder)?;
        let mut connection = connect(&path, PATIENCE)?;
        if found < VERSION {
            // An older daemon must not have the tables changed under it.
            let _lock = lock(folder).map_err(|_| StoreError::Older { path: path.clone(), found })?;
            schema::migrate(&mut connection, &STEPS).map_err(|e| StoreError::from_sqlite("update", &path, &e))?;
        }
        Ok(Access { folder: folder.to_owned(), connection })
    }

    /// The store's folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The store's file.
    pub fn file(&self) -> PathBuf {
        self.folder.join(FILE)
    }

    /// A reader of the same store.
    ///
    /// # Errors
    /// When the file cannot be opened for reading.
    pub fn reader(&self) -> Result<Reader, StoreError> {
        Reader::open(&self.folder)
    }
}

/// A connection that cannot write, to a file that is there and of this schema.
pub(super) fn connect_to_read(path: &Path) -> Result<Connection, StoreError> {
    let found = inspect(path)?;
    if found < VERSION {
        return Err(StoreError::Older { path: path.to_owned(), found });
    }
    let fail = |e: rusqlite::Error| StoreError::from_sqlite("read", path, &e);
    let connection = Connection::open_with_flags(path, read_flags()).map_err(fail)?;
    connection.busy_timeout(PATIENCE).map_err(fail)?;
    connection.pragma_update(None, "cache_size", -CACHE_KIB).map_err(fail)?;
    Ok(connection)
}

pub(super) fn read_flags() -> OpenFlags {
    OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX
}

pub(super) fn make_folder(folder: &Path) -> Result<(), StoreError> {
    fs::create_dir_all(folder).map_err(|error| StoreError::Folder {
        doing: "make the folder",
        path: folder.to_owned(),
        why: error.to_string(),
    })
}

pub(super) fn lock(folder: &Path) -> Result<File, StoreError> {
    let path = folder.join(LOCK);
    let file = File::options().create(true).append(true).open(&path).map_err(|error| StoreError::Folder {
        doing: "open",
        path: path.clone(),
        why: error.to_string(),
    })?;
    // Whoever opened it first: the daemon must be able to.
    own_like_folder(folder, &path);
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(StoreError::AlreadyRunning { folder: folder.to_owned() }),
        Err(TryLockError::Error(error)) => Err(StoreError::Folder { doing: "lock", path, why: error.to_string() }),
    }
}

/// The schema of the store's file, which is made where there is none.
fn find_or_create(folder: &Path) -> Result<i64, StoreError> {
    let path = folder.join(FILE);
    match fs::symlink_metadata(&path) {
        Ok(_) => {}
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => create(folder)?,
        Err(error) => return Err(StoreError::Folder { doing: "open", path, why: error.to_string() }),
    }
    inspect(&path)
}

/// Makes a new file under another name and gives it its own only when it is whole, so that what
/// stands under that name is never half made: an empty file there is damage, not a beginning.
fn create(folder: &Path) -> Result<(), StoreError> {
    let path = folder.join(FILE);
    let new = folder.join(format!("{FILE}.new-{}", std::process::id()));
    let made = (|| -> Result<(), String> {
        let mut connection = Connection::open(&new).map_err(|e| why(&e))?;
        connection.pragma_update(None, "journal_mode", "wal").map_err(|e| why(&e))?;
        schema::migrate(&mut connection, &STEPS).map_err(|e| why(&e))?;
        connection.close().map_err(|(_, e)| why(&e))?;
        own_like_folder(folder, &new);
        File::open(&new).and_then(|file| file.sync_all()).map_err(|e| e.to_string())?;
        put_orphans_aside(&path).map_err(|e| e.to_string())?;
        publish(&new, &path).map_err(|e| e.to_string())?;
        File::open(folder).and_then(|file| file.sync_all()).map_err(|e| e.to_string())
    })();
    for ending in ["", "-wal", "-shm", "-journal"] {
        let mut leftover = new.clone().into_os_string();
        leftover.push(ending);
        let _ = fs::remove_file(leftover);
    }
    made.map_err(|why| StoreError::Folder { doing: "make", path, why })
}

/// Gives `new` the name `path` unless that is taken, which is no fault: another process was quicker.
pub(super) fn publish(new: &Path, path: &Path) -> std::io::Result<()> {
    match fs::hard_link(new, path) {
        Ok(()) => Ok(()),
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => Ok(()),
        // A card's FAT knows no hard links.
        Err(_) if !path.exists() => fs::rename(new, path),
        Err(error) => Err(error),
    }
}

/// What root makes in another user's folder is given to that user, so that the daemon can write it.
/// In a folder whose group may write, the group may write the file too, whatever the umask: the
/// grower's own account shares the service's store that way.
pub(super) fn own_like_folder(folder: &Path, file: &Path) {
    let (Ok(theirs), Ok(ours)) = (fs::metadata(folder), fs::metadata(file)) else { return };
    if theirs.uid() != ours.uid() {
        let _ = std::os::unix::fs::chown(file, Some(theirs.uid()), Some(theirs.gid()));
    }
    if theirs.mode() & GROUP_WRITES != 0 {
        let _ = fs::set_permissions(file, fs::Permissions::from_mode(0o660));
    }
}

/// The schema of the file at `path`, read without changing anything.
pub(super) fn inspect(path: &Path) -> Result<i64, StoreError> {
    let damaged = |why: &str| StoreError::Damaged { path: path.to_owned(), why: why.to_owned() };
    let mut header = Vec::with_capacity(100);
    File::open(path).and_then(|file| file.take(100).read_to_end(&mut header)).map_err(|error| StoreError::Folder {
        doing: "open",
        path: path.to_owned(),
        why: error.to_string(),
    })?;
    if header.is_empty() {
        return Err(damaged("it is empty"));
    }
    if !header.starts_with(b"SQLite format 3\0") {
        return Err(StoreError::NotOurs { path: path.to_owned() });
    }
    if header.len() < 100 {
        return Err(damaged("it is cut short"));
    }
    let fail = |e: rusqlite::Error| StoreError::from_sqlite("read", path, &e);
    let connection = Connection::open_with_flags(path, read_flags()).map_err(fail)?;
    connection.busy_timeout(PATIENCE).map_err(fail)?;
    let id: i64 = connection.query_row("PRAGMA application_id", [], |row| row.get(0)).map_err(fail)?;
    let found = schema::version(&connection).map_err(fail)?;
    if id != APPLICATION_ID || found < 1 {
        return Err(StoreError::NotOurs { path: path.to_owned() });
    }
    if found > VERSION {
        return Err(StoreError::Newer { path: path.to_owned(), found, known: VERSION });
    }
    if found == VERSION {
        for probe in PROBES {
            let asked = connection.prepare(probe).and_then(|mut ask| ask.query([])?.next().map(|_| ()));
            asked.map_err(|e| match e.sqlite_error_code() {
                Some(rusqlite::ErrorCode::Unknown) => damaged(&e.to_string()), // no such table or column
                _ => fail(e),
            })?;
        }
    }
    Ok(found)
}

/// A connection that writes, to a file that has been inspected.
fn connect(path: &Path, patience: Duration) -> Result<Connection, StoreError> {
    let fail = |e: rusqlite::Error| StoreError::from_sqlite("open", path, &e);
    // Without CREATE: a file that vanished meanwhile is not made anew.
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(fail)?;
    connection.busy_timeout(patience).map_err(fail)?;
    let mode: String = connection.query_row("PRAGMA journal_mode = wal", [], |row| row.get(0)).map_err(fail)?;
    if mode != "wal" {
        let why = "its file system does not support a write-ahead log; keep the store on a local disk".to_owned();
        return Err(StoreError::Failed { doing: "open", path: path.to_owned(), why });
    }
    for (pragma, value) in [("cache_size", -CACHE_KIB), ("journal_size_limit", LOG_BYTES)] {
        connection.pragma_update(None, pragma, value).map_err(fail)?;
    }
    connection.pragma_update(None, "synchronous", "FULL").map_err(fail)?;
    connection.pragma_update(None, "cell_size_check", true).map_err(fail)?;
    Ok(connection)
}
