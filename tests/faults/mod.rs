//! Faults that need a machine of their own, made for one program under test: a disk that loses what was
//! not synced, a clock that jumps (`shim.c`), a disk of a few megabytes.
#![allow(dead_code, clippy::unwrap_used, clippy::panic)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use rand::Rng;
use rand::rngs::StdRng;

/// The shim, compiled once for a run of the tests.
pub fn shim() -> &'static Path {
    static SHIM: OnceLock<(tempfile::TempDir, PathBuf)> = OnceLock::new();
    let (_, library) = SHIM.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let library = folder.path().join("shim.so");
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/faults/shim.c");
        let built =
            Command::new("cc").args(["-shared", "-fPIC", "-O1", "-o"]).arg(&library).arg(source).arg("-ldl").status();
        assert!(built.expect("the tests of faults need a C compiler, as the store's own build does").success());
        (folder, library)
    });
    library
}

/// The clocks of a machine, in the test's hands (`shim.c`).
pub struct Clocks(PathBuf);

impl Clocks {
    /// Clocks that are right and held for synchronised; they are kept in `folder`.
    pub fn right(folder: &Path) -> Clocks {
        let clocks = Clocks(folder.join("clock"));
        clocks.set(0, 0, true);
        clocks
    }

    /// How far the wall clock is from the truth; how long the machine has slept, which moves all its
    /// clocks; whether the kernel holds the wall clock for synchronised.
    pub fn set(&self, wrong_by_ms: i64, slept_ms: i64, is_synchronised: bool) {
        // At once: half a file would be another time.
        let new = self.0.with_extension("new");
        std::fs::write(&new, format!("{wrong_by_ms} {slept_ms} {}\n", u8::from(is_synchronised))).unwrap();
        std::fs::rename(new, &self.0).unwrap();
    }

    /// The program under test, to be run with these clocks.
    pub fn program(&self) -> Command {
        let mut program = Command::new(env!("CARGO_BIN_EXE_tubwatch"));
        program.env("LD_PRELOAD", shim()).env("SHIM_CLOCK", &self.0);
        program
    }
}

/// The files of a folder, as the program saw them and as the disk has them.
#[derive(Default)]
pub struct Disk {
    files: BTreeMap<PathBuf, Image>,
}

#[derive(Clone, Default)]
struct Image {
    synced: Vec<u8>,
    unsynced: Vec<Change>,
}

#[derive(Clone)]
enum Change {
    Write(u64, Vec<u8>),
    Truncate(u64),
}

impl Change {
    fn apply(&self, bytes: &mut Vec<u8>) {
        match self {
            Change::Write(offset, data) => {
                let (start, end) = (*offset as usize, *offset as usize + data.len());
                if bytes.len() < end {
                    bytes.resize(end, 0);
                }
                bytes[start..end].copy_from_slice(data);
            }
            Change::Truncate(length) => bytes.resize(*length as usize, 0),
        }
    }
}

/// So much of a write reaches the disk whole or not at all, bytes.
const SECTOR: usize = 512;

impl Disk {
    /// What is in `folder` now is taken to be on the disk.
    pub fn of(folder: &Path) -> Disk {
        let mut disk = Disk::default();
        for entry in std::fs::read_dir(folder).into_iter().flatten() {
            let path = entry.unwrap().path();
            if !path.to_string_lossy().ends_with("-shm") {
                let synced = std::fs::read(&path).unwrap();
                disk.files.insert(path, Image { synced, unsynced: Vec::new() });
            }
        }
        disk
    }

    /// Takes in what the shim wrote down; returns how many syncs there were.
    pub fn replay(&mut self, log: &Path) -> usize {
        let log = std::fs::read(log).unwrap();
        let (mut at, mut syncs) = (0, 0);
        while at + 17 <= log.len() {
            let number = |from: usize, to: usize| {
                let mut bytes = [0; 8];
                bytes[..to - from].copy_from_slice(&log[at + from..at + to]);
                u64::from_le_bytes(bytes)
            };
            let (op, offset) = (log[at], number(5, 13));
            let (name, length) = (number(1, 5) as usize, number(13, 17) as usize);
            if at + 17 + name + length > log.len() {
                break; // killed in the middle of a record: what it tells of has not been acknowledged
            }
            let text = |bytes: &[u8]| PathBuf::from(String::from_utf8(bytes.to_vec()).unwrap());
            let path = text(&log[at + 17..at + 17 + name]);
            let data = &log[at + 17 + name..at + 17 + name + length];
            at += 17 + name + length;
            match op {
                b'w' => self.file(path).unsynced.push(Change::Write(offset, data.to_vec())),
                b't' => self.file(path).unsynced.push(Change::Truncate(offset)),
                b's' => {
                    syncs += 1;
                    if let Some(file) = self.files.get_mut(&path) {
                        let changes = std::mem::take(&mut file.unsynced);
                        changes.iter().for_each(|change| change.apply(&mut file.synced));
                    }
                }
                // Names are taken to last at once: what is under test is what is in the files.
                b'u' => drop(self.files.remove(&path)),
                b'r' => {
                    let file = self.files.remove(&path).unwrap_or_default();
                    self.files.insert(text(data), file);
                }
                b'l' => {
                    let file = self.files.get(&path).cloned().unwrap_or_default();
                    self.files.insert(text(data), file);
                }
                other => panic!("the shim wrote {other}"),
            }
        }
        syncs
    }

    fn file(&mut self, path: PathBuf) -> &mut Image {
        self.files.entry(path).or_default()
    }

    /// How many bytes would be lost if nothing unsynced survived.
    pub fn unsynced(&self) -> usize {
        let of = |change: &Change| if let Change::Write(_, data) = change { data.len() } else { 0 };
        self.files.values().flat_map(|file| &file.unsynced).map(of).sum()
    }

    /// The power goes: of what was not synced some sectors are on the disk and some are not.
    pub fn cut(self, folder: &Path, random: &mut StdRng) {
        for entry in std::fs::read_dir(folder).unwrap() {
            std::fs::remove_file(entry.unwrap().path()).unwrap();
        }
        let luck = [0.0, 0.5, 0.9][random.random_range(0..3)];
        for (path, file) in self.files {
            let mut bytes = file.synced;
            for change in &file.unsynced {
                match change {
                    Change::Write(offset, data) => {
                        for (place, sector) in data.chunks(SECTOR).enumerate() {
                            if random.random_bool(luck) {
                                Change::Write(offset + (place * SECTOR) as u64, sector.to_vec()).apply(&mut bytes);
                            }
                        }
                    }
                    Change::Truncate(_) if random.random_bool(luck) => change.apply(&mut bytes),
                    Change::Truncate(_) => {}
                }
            }
            std::fs::write(path, bytes).unwrap();
        }
    }
}

/// A file system of its own in memory, of a few megabytes.
pub struct SmallDisk {
    folder: PathBuf,
}

impl SmallDisk {
    /// Mounts it over `folder`; `None` where this user may not mount.
    pub fn over(folder: &Path, kib: u32) -> Option<SmallDisk> {
        std::fs::create_dir_all(folder).unwrap();
        let size = format!("size={kib}k");
        let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", &size, "tmpfs"]).arg(folder).output().ok()?;
        mounted.status.success().then(|| SmallDisk { folder: folder.to_owned() })
    }

    pub fn remount(&self, options: &str) {
        let options = format!("remount,{options}");
        assert!(Command::new("mount").args(["-o", &options]).arg(&self.folder).status().unwrap().success());
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.folder).status();
    }
}
