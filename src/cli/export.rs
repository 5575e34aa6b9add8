//! `export`: climate beside yields as CSV, or the samples as line protocol.
//!
//! In: the store, read only. Out: a folder of files, or lines in a file or on standard output. Left
//! out: the files themselves (`records`).

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

use super::args::ExportArgs;
use super::paper;
use super::speak::{Failure, Outcome, Voice};
use super::{Site, wording};
use crate::grow::check::find;
use crate::grow::logbook::{Book, fold};
use crate::grow::moment;
use crate::grow::wrong::unknown;
use crate::records::{self, Every, ExportError, Options};
use crate::store::Reader;

/// What stands for standard output.
const STDOUT: &str = "-";

/// Writes what was asked for and says where it lies.
pub fn export(site: &Site, args: &ExportArgs) -> Outcome {
    let reader = paper::reader(site)?;
    let entries = reader.entries().map_err(Failure::failed)?;
    let book = fold(&entries, site.plan.timezone);
    let options = options(site, args, &book)?;
    let (setup, timezone) = (&site.plan.setup, site.plan.timezone);
    let mut voice = Voice::new();
    if let Some(dir) = &args.out {
        let summary =
            records::export(&reader, setup, &book.tubs, &entries, timezone, &options, dir).map_err(Failure::failed)?;
        for (path, rows) in &summary.files {
            voice.say(format!("{}: {}", path.display(), wording::count(*rows, "row")))?;
        }
    }
    match args.line_protocol.as_deref() {
        None => Ok(()),
        Some(path) if path == Path::new(STDOUT) => lines_to_stdout(&mut voice, site, &reader, &book, &options),
        Some(path) => {
            let written = lines_to_file(path, site, &reader, &book, &options)?;
            voice.say(format!("{}: {}", path.display(), wording::count(written, "line")))
        }
    }
}

fn options(site: &Site, args: &ExportArgs, book: &Book) -> Result<Options, Failure> {
    let time = |text: &Option<String>| {
        text.as_deref()
            .map(|text| moment::parse(text, site.plan.timezone, site.now).map(|moment| moment.at))
            .transpose()
    };
    let (from, to) = (time(&args.from)?, time(&args.to)?);
    if let (Some(from), Some(to)) = (from, to)
        && from >= to
    {
        return Err(Failure::Usage("--from must be before --to; nothing lies between them".to_owned()));
    }
    let every = match args.every.as_str() {
        "1h" => Every::Hourly,
        "raw" => Every::Raw,
        other => return Err(Failure::Usage(unknown("step", other, ["1h", "raw"]))),
    };
    let tub = args.tub.as_deref().map(|tub| find(book, tub).map(|tub| tub.id.clone())).transpose()?;
    Ok(Options { from, to, tub, every, now: site.now, site: site.plan.site.clone() })
}

fn lines_to_stdout(voice: &mut Voice, site: &Site, reader: &Reader, book: &Book, options: &Options) -> Outcome {
    let mut failed = None;
    let wrote = voice.write(|out| {
        let mut noticing = Noticing { out: BufWriter::new(out), error: None };
        if let Err(error) = lines(site, reader, book, options, &mut noticing) {
            match noticing.error.take() {
                Some(error) => return Err(error),
                None => failed = Some(Failure::failed(error)),
            }
        }
        Ok(())
    });
    failed.map_or(wrote, Err)
}

/// Writes a whole new file beside and then gives it its name, so that a full disk leaves no half one.
fn lines_to_file(path: &Path, site: &Site, reader: &Reader, book: &Book, options: &Options) -> Result<u64, Failure> {
    let fail = |error: std::io::Error| Failure::Failed(format!("cannot write {}: {error}", path.display()));
    // A device or a named pipe is written to as it is.
    let in_place = path.metadata().is_ok_and(|meta| !meta.is_file());
    let mut beside = path.as_os_str().to_owned();
    beside.push(format!(".{}.new", std::process::id()));
    let beside = if in_place { path.as_os_str().to_owned() } else { beside };
    let file = File::create(&beside).map_err(fail)?;
    let mut out = BufWriter::new(&file);
    let written = lines(site, reader, book, options, &mut out).map_err(Failure::failed);
    drop(out);
    if in_place {
        return written;
    }
    let named = written
        .and_then(|count| file.sync_all().and_then(|()| std::fs::rename(&beside, path)).map_err(fail).map(|()| count));
    if named.is_err() {
        let _ = std::fs::remove_file(&beside);
    }
    named
}

fn lines(
    site: &Site,
    reader: &Reader,
    book: &Book,
    options: &Options,
    out: &mut dyn Write,
) -> Result<u64, ExportError> {
    let count = records::line_protocol(reader, &site.plan.setup, &book.tubs, &site.plan.site, options, out)?;
    out.flush().map_err(|error| ExportError::Lines { why: error.to_string() })?;
    Ok(count)
}

/// Keeps the error of a write, of which only the text would come back: a reader that went away is
/// a normal end.
struct Noticing<W> {
    out: W,
    error: Option<std::io::Error>,
}

impl<W: Write> Noticing<W> {
    fn notice<T>(&mut self, result: std::io::Result<T>) -> std::io::Result<T> {
        result.map_err(|error| {
            let text = std::io::Error::new(error.kind(), error.to_string());
            self.error = Some(error);
            text
        })
    }
}

impl<W: Write> Write for Noticing<W> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let result = self.out.write(bytes);
        self.notice(result)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        let result = self.out.flush();
        self.notice(result)
    }
}
