//! `export --out DIR`: a folder of CSV files, climate beside yields.
//!
//! In: the store, the installation, the tubs and entries of the logbook. Out: climate.csv, tubs.csv,
//! flushes.csv, heat_runs.csv, log.csv, alerts.csv, and their descriptor. Each is written whole in a
//! folder beside them and then given its name, so that a full disk leaves no half file.

use std::fs::{self, File};
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};

use chrono_tz::Tz;

use super::csv::Csv;
use super::{books, climate_file, flushes_file, heat_file, package, paper, tubs_file};
use crate::climate::Stamp;
use crate::grow::logbook::{Entry, Run, fold};
use crate::grow::tub::Tub;
use crate::store::{Reader, StoreError};
use crate::watch::alert::Alert;
use crate::watch::setup::Setup;

/// How fine `climate.csv` and the lines are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Every {
    /// A row an hour; good values only.
    #[default]
    Hourly,
    /// Every sample, with its quality.
    Raw,
}

/// What is to be written.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Nothing before this.
    pub from: Option<Stamp>,
    /// Nothing at or after this.
    pub to: Option<Stamp>,
    /// Only what concerns this filling: a tub's id.
    pub tub: Option<String>,
    /// How fine.
    pub every: Every,
    /// The present moment: figures of a tub that is not colonised yet go up to it.
    pub now: Stamp,
    /// The site's name, for the descriptor.
    pub site: String,
}

impl Options {
    /// From when and until before when.
    pub(super) fn range(&self) -> (Stamp, Stamp) {
        (self.from.unwrap_or(Stamp(i64::MIN)), self.to.unwrap_or(Stamp(i64::MAX)))
    }

    /// The tub asked for, if one was.
    pub(super) fn tub_in<'a>(&self, tubs: &'a [Tub]) -> Result<Option<&'a Tub>, ExportError> {
        let Some(id) = &self.tub else { return Ok(None) };
        let found = tubs.iter().find(|tub| tub.id == *id);
        found.map(Some).ok_or_else(|| ExportError::UnknownTub { id: id.clone() })
    }

    /// Whether a filling is asked for, by name and by the time it lived.
    fn takes(&self, tub: &Tub) -> bool {
        let (from, to) = self.range();
        let asked = self.tub.as_ref().is_none_or(|id| *id == tub.id);
        asked && tub.spawned_at < to && tub.ended_at.is_none_or(|ended| ended >= from)
    }

    fn takes_moment(&self, at: Stamp) -> bool {
        let (from, to) = self.range();
        from <= at && at < to
    }
}

/// What was written.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Summary {
    /// Each file and its rows without the header, in the order written.
    pub files: Vec<(PathBuf, u64)>,
}

/// Why nothing, or not everything, was written. `Display` is one plain sentence.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The store could not be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A file could not be written.
    #[error("cannot write {path}: {why}; free space there or name another folder", path = path.display())]
    Write {
        /// Which.
        path: PathBuf,
        /// The system's word.
        why: String,
    },
    /// The lines could not be written.
    #[error("cannot write the line protocol: {why}")]
    Lines {
        /// The system's word.
        why: String,
    },
    /// No such filling.
    #[error("no tub has the id {id:?}; `tubwatch tubs` lists them")]
    UnknownTub {
        /// What was asked for.
        id: String,
    },
}

impl ExportError {
    pub(super) fn line_protocol(error: &io::Error) -> ExportError {
        ExportError::Lines { why: error.to_string() }
    }
}

/// What every file is made from.
pub(super) struct Material<'a> {
    pub reader: &'a Reader,
    pub setup: &'a Setup,
    pub tubs: &'a [Tub],
    pub options: &'a Options,
}

/// A file being written.
pub(super) type Sheet = Csv<BufWriter<File>>;

/// Why a sheet stopped.
pub(super) enum Stopped {
    Store(StoreError),
    Disk(io::Error),
}

impl Stopped {
    /// The store's error, where nothing was written to a disk.
    pub(super) fn into_store(self) -> StoreError {
        match self {
            Stopped::Store(error) => error,
            Stopped::Disk(error) => StoreError::Failed { doing: "read", path: PathBuf::new(), why: error.to_string() },
        }
    }
}

impl From<StoreError> for Stopped {
    fn from(error: StoreError) -> Self {
        Stopped::Store(error)
    }
}

impl From<io::Error> for Stopped {
    fn from(error: io::Error) -> Self {
        Stopped::Disk(error)
    }
}

/// Writes the export into `dir`, which is made where it is not there; files of an earlier export in
/// it are replaced, others left alone. `tubs` are the logbook folded, `entries` the logbook itself.
///
/// # Errors
/// When the store cannot be read, the folder cannot be written, or no such tub is known.
pub fn export(
    reader: &Reader,
    setup: &Setup,
    tubs: &[Tub],
    entries: &[Entry],
    timezone: Tz,
    options: &Options,
    dir: &Path,
) -> Result<Summary, ExportError> {
    options.tub_in(tubs)?;
    let material = Material { reader, setup, tubs, options };
    let mut folder = Folder::begin(dir, timezone)?;
    let climate: &[&str] = match options.every {
        Every::Hourly => &climate_file::COLUMNS[..climate_file::COLUMNS.len() - 1],
        Every::Raw => &climate_file::COLUMNS,
    };
    folder.write("climate.csv", climate, |csv| climate_file::write(csv, &material))?;
    folder.write("tubs.csv", &tubs_file::COLUMNS, |csv| {
        for tub in tubs.iter().filter(|tub| options.takes(tub)) {
            tubs_file::row(csv, &material, tub)?;
        }
        Ok(())
    })?;
    folder.write("flushes.csv", &flushes_file::COLUMNS, |csv| {
        for tub in tubs.iter().filter(|tub| options.takes(tub)) {
            flushes_file::rows(csv, &material, tub)?;
        }
        Ok(())
    })?;
    folder.write("log.csv", &books::LOG, |csv| {
        let asked =
            |entry: &&Entry| options.takes_moment(entry.at) && options.tub.as_ref().is_none_or(|id| *id == entry.tub);
        for entry in entries.iter().filter(asked) {
            books::log_row(csv, entry, tubs)?;
        }
        Ok(())
    })?;
    let runs = fold(entries, timezone).heat_runs;
    folder.write("heat_runs.csv", &heat_file::COLUMNS, |csv| {
        let of_tub = |run: &&Run| match options.tub_in(tubs) {
            Ok(Some(tub)) => tub.heat_run.as_ref() == Some(&run.name),
            _ => options.takes_moment(run.started_at),
        };
        for run in runs.iter().filter(of_tub) {
            heat_file::row(csv, &material, run)?;
        }
        Ok(())
    })?;
    let alerts = reader.alerts(false)?;
    folder.write("alerts.csv", &books::ALERTS, |csv| {
        let of_tub = |alert: &&Alert| match options.tub_in(tubs) {
            Ok(Some(tub)) => paper::concerns(alert, tub, tubs, tub.ended_at.unwrap_or(options.now)),
            _ => true,
        };
        for alert in alerts.iter().filter(|alert| options.takes_moment(alert.since)).filter(of_tub) {
            books::alert_row(csv, alert)?;
        }
        Ok(())
    })?;
    folder.describe(&package::descriptor(&options.site, options.now, options.every))?;
    folder.publish()
}

/// The folder beside the result, taken away again when this is dropped.
struct Folder {
    dir: PathBuf,
    beside: PathBuf,
    timezone: Tz,
    written: Vec<(&'static str, u64)>,
}

impl Folder {
    fn begin(dir: &Path, timezone: Tz) -> Result<Folder, ExportError> {
        let beside = dir.join(format!(".tubwatch-export-{}", std::process::id()));
        fs::create_dir_all(&beside)
            .map_err(|error| ExportError::Write { path: dir.to_owned(), why: error.to_string() })?;
        Ok(Folder { dir: dir.to_owned(), beside, timezone, written: Vec::new() })
    }

    fn write(
        &mut self,
        name: &'static str,
        header: &[&str],
        fill: impl FnOnce(&mut Sheet) -> Result<(), Stopped>,
    ) -> Result<(), ExportError> {
        let path = self.beside.join(name);
        let whole = || -> Result<u64, Stopped> {
            let mut csv = Csv::new(BufWriter::new(File::create(&path)?), self.timezone, header)?;
            fill(&mut csv)?;
            let (out, rows) = csv.finish();
            let file = out.into_inner().map_err(io::IntoInnerError::into_error)?;
            file.sync_all()?;
            Ok(rows)
        };
        let rows = whole().map_err(|stopped| match stopped {
            Stopped::Store(error) => ExportError::Store(error),
            Stopped::Disk(error) => ExportError::Write { path: self.dir.join(name), why: error.to_string() },
        })?;
        self.written.push((name, rows));
        Ok(())
    }

    /// The descriptor, beside the sheets.
    fn describe(&self, descriptor: &serde_json::Value) -> Result<(), ExportError> {
        let path = self.beside.join(package::FILE);
        let fail = |why: String| ExportError::Write { path: self.dir.join(package::FILE), why };
        let text = serde_json::to_string_pretty(descriptor).map_err(|error| fail(error.to_string()))?;
        fs::write(&path, text + "\n").map_err(|error| fail(error.to_string()))
    }

    fn publish(self) -> Result<Summary, ExportError> {
        let mut summary = Summary::default();
        for (name, rows) in &self.written {
            let path = self.dir.join(name);
            fs::rename(self.beside.join(name), &path)
                .map_err(|error| ExportError::Write { path: path.clone(), why: error.to_string() })?;
            summary.files.push((path, *rows));
        }
        let path = self.dir.join(package::FILE);
        fs::rename(self.beside.join(package::FILE), &path)
            .map_err(|error| ExportError::Write { path: path.clone(), why: error.to_string() })?;
        Ok(summary)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.beside);
    }
}
