//! Recorded samples read back: the raw `climate.csv` of an export, or line protocol as it is exported.
//!
//! In: a file's lines. Out: probe, time, values and the quality they were recorded with, in the file's
//! order. Corrected already. Left out: what is made of them.

use std::io::{self, BufRead, Read};

use influxdb_line_protocol::{FieldValue, parse_lines};

use crate::climate::quantity::{Values, without_mark};
use crate::climate::{Quality, Quantity, Stamp};

/// A longer line is no sample: tags and fields of one come to a few hundred bytes.
const LINE_MAX: u64 = 64 << 10;
/// Nanoseconds in a millisecond.
const NANOS: i64 = 1_000_000;
/// The power-on value of a one-wire thermometer, which only its neighbours can judge, °C.
const POWER_ON_C: f64 = 85.0;

/// One probe message as it was recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct Recorded {
    /// The probe's name.
    pub probe: String,
    /// When it was measured.
    pub at: Stamp,
    /// Corrected, by [`Quantity::index`].
    pub values: Values,
    /// What is known of each without its neighbours.
    pub quality: [Quality; 4],
}

/// What a file holds.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Form {
    LineProtocol,
    /// Columns of a climate file: time, probe, the quantities', quality where there is one.
    Csv {
        time: usize,
        probe: usize,
        values: [Option<usize>; 4],
        quality: Option<usize>,
    },
}

/// Why a file cannot be replayed at all, as the second half of a sentence.
#[derive(Debug, thiserror::Error)]
pub enum Unreadable {
    /// It cannot be read.
    #[error("cannot be read: {0}")]
    Io(#[from] io::Error),
    /// It has hourly rows.
    #[error("holds hourly rows, which hide what minutes would have raised; export with --every raw, or say --coarse")]
    Hourly,
    /// It is another kind of file.
    #[error("is neither a climate.csv of an export nor line protocol")]
    Other,
}

/// One file, read line by line.
pub struct Recording<R> {
    input: R,
    form: Form,
    /// The first line, where it is no header.
    first: Option<Vec<u8>>,
    line: u64,
    unread: u64,
    first_unread: Option<u64>,
}

impl<R: BufRead> Recording<R> {
    /// Looks at the first line to see what it is. `coarse`: hourly rows are taken too.
    ///
    /// # Errors
    /// When it cannot be read or is something else.
    pub fn open(mut input: R, coarse: bool) -> Result<Recording<R>, Unreadable> {
        let mut first = line_of(&mut input)?.unwrap_or_default();
        let mut comments = 0;
        // They may stand before line protocol.
        while first.starts_with(b"#") {
            comments += 1;
            first = line_of(&mut input)?.unwrap_or_default();
        }
        let text = std::str::from_utf8(&first).map_err(|_| Unreadable::Other)?;
        let text = text.strip_prefix('\u{feff}').unwrap_or(text).trim_end();
        if let Some(form) = header(text) {
            if matches!(form, Form::Csv { quality: None, .. }) && !coarse {
                return Err(Unreadable::Hourly);
            }
            return Ok(Recording { input, form, first: None, line: comments + 1, unread: 0, first_unread: None });
        }
        if !text.is_empty() && from_line_protocol(text).is_none() {
            return Err(Unreadable::Other);
        }
        let form = Form::LineProtocol;
        Ok(Recording { input, form, first: Some(first), line: comments, unread: 0, first_unread: None })
    }

    /// The next sample; `None` at the end. Lines that hold none are counted and passed over.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn next_sample(&mut self) -> io::Result<Option<Recorded>> {
        loop {
            let line = match self.first.take() {
                Some(first) => Some(first),
                None => line_of(&mut self.input)?,
            };
            let Some(line) = line else { return Ok(None) };
            self.line += 1;
            let text = std::str::from_utf8(&line).map(str::trim_end).unwrap_or("\0");
            if text.is_empty() || text.starts_with('#') {
                continue;
            }
            let sample = match &self.form {
                Form::LineProtocol => from_line_protocol(text),
                Form::Csv { time, probe, values, quality } => from_row(text, *time, *probe, values, *quality),
            };
            match sample {
                Some(sample) => return Ok(Some(sample)),
                None => {
                    self.unread += 1;
                    self.first_unread.get_or_insert(self.line);
                }
            }
        }
    }

    /// Lines that held no sample, and the number of the first of them.
    pub fn unread(&self) -> (u64, Option<u64>) {
        (self.unread, self.first_unread)
    }
}

/// The next line, at most so much of it as a sample can be long; the rest of a longer one is skipped.
fn line_of(input: &mut impl BufRead) -> io::Result<Option<Vec<u8>>> {
    let mut line = Vec::new();
    if input.by_ref().take(LINE_MAX).read_until(b'\n', &mut line)? == 0 {
        return Ok(None);
    }
    if line.len() as u64 == LINE_MAX && !line.ends_with(b"\n") {
        input.skip_until(b'\n')?;
        line.clear();
        line.push(0);
    }
    Ok(Some(line))
}

fn header(text: &str) -> Option<Form> {
    let columns = cells(text)?;
    let place = |name: &str| columns.iter().position(|column| column == name);
    let values = Quantity::ALL.map(|quantity| place(quantity.column()));
    let (time, probe) = (place("time")?, place("probe")?);
    values.iter().any(Option::is_some).then(|| Form::Csv { time, probe, values, quality: place("quality") })
}

/// The cells of one row (RFC 4180); none where its quotes do not fit.
fn cells(text: &str) -> Option<Vec<String>> {
    let mut cells = Vec::new();
    let mut rest = text;
    loop {
        let (cell, after) = match rest.strip_prefix('"') {
            None => {
                let end = rest.find(',').unwrap_or(rest.len());
                (rest[..end].to_owned(), &rest[end..])
            }
            Some(quoted) => {
                let mut from = 0;
                loop {
                    let at = from + quoted[from..].find('"')?;
                    if !quoted[at + 1..].starts_with('"') {
                        break (quoted[..at].replace("\"\"", "\""), &quoted[at + 1..]);
                    }
                    from = at + 2;
                }
            }
        };
        cells.push(cell);
        match after.strip_prefix(',') {
            Some(next) => rest = next,
            None => return after.is_empty().then_some(cells),
        }
    }
}

fn from_row(
    text: &str,
    time: usize,
    probe: usize,
    columns: &[Option<usize>; 4],
    quality: Option<usize>,
) -> Option<Recorded> {
    let cells = cells(text)?;
    let at = chrono::DateTime::parse_from_rfc3339(cells.get(time)?).ok()?;
    let mut values: Values = [None; 4];
    for (value, column) in values.iter_mut().zip(columns) {
        if let Some(cell) = column.and_then(|column| cells.get(column)).filter(|cell| !cell.is_empty()) {
            *value = Some(cell.parse().ok()?);
        }
    }
    let name = cells.get(probe)?;
    // An apostrophe keeps a spreadsheet from taking a name for a formula.
    let name = name.strip_prefix('\'').filter(|rest| rest.starts_with(['=', '+', '-', '@'])).unwrap_or(name);
    let recorded = match quality.and_then(|column| cells.get(column)) {
        Some(text) => without_mark(text)?.0,
        None => Quality::Good,
    };
    (!name.is_empty()).then(|| Recorded {
        probe: name.to_owned(),
        at: Stamp::from_time(&at),
        quality: known(&values, recorded),
        values,
    })
}

fn from_line_protocol(text: &str) -> Option<Recorded> {
    let line = parse_lines(text).next()?.ok()?;
    let at = Stamp(line.timestamp?.div_euclid(NANOS));
    let probe = line.tag_value("probe")?.as_str().to_owned();
    let mut values: Values = [None; 4];
    for quantity in Quantity::ALL {
        let field = line.field_set.iter().rev().find(|(key, _)| key.as_str() == quantity.word());
        values[quantity.index()] = field.and_then(|(_, value)| match value {
            FieldValue::F64(number) => Some(*number),
            FieldValue::I64(number) => Some(*number as f64),
            FieldValue::U64(number) => Some(*number as f64),
            _ => None,
        });
    }
    let recorded = match line.tag_value("quality") {
        Some(text) => without_mark(text.as_str())?.0,
        None => Quality::Good,
    };
    values.iter().any(Option::is_some).then(|| Recorded { probe, at, quality: known(&values, recorded), values })
}

/// What is known of each value before it is judged with its neighbours once more. A record names the
/// worst quality of a message, not whose it was.
fn known(values: &Values, recorded: Quality) -> [Quality; 4] {
    let own = |quantity: Quantity, value: f64| crate::watch::judge::on_arrival(quantity, value);
    let mut quality = [Quality::Good; 4];
    for quantity in Quantity::ALL {
        if let Some(value) = values[quantity.index()] {
            quality[quantity.index()] = own(quantity, value);
        }
    }
    let count = values.iter().flatten().count();
    let is_power_on = values[Quantity::Temperature.index()] == Some(POWER_ON_C);
    match recorded {
        // Time itself is in doubt: of all of them.
        Quality::Undated | Quality::Future => [recorded; 4],
        // By the value alone, which a correction may have moved: of whatever is left to be meant.
        Quality::Sentinel | Quality::OutOfRange
            if !is_power_on && quality.iter().all(|quality| *quality == Quality::Good) =>
        {
            [recorded; 4]
        }
        Quality::Spike if count == 1 => [recorded; 4],
        // By its neighbours, who are here.
        _ => quality,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn all(text: &str) -> Vec<Recorded> {
        let mut recording = Recording::open(text.as_bytes(), false).unwrap();
        let mut out = Vec::new();
        while let Some(sample) = recording.next_sample().unwrap() {
            out.push(sample);
        }
        out
    }

    #[test]
    fn both_forms_say_the_same() {
        let csv = all(
            "time,space,probe,temperature_c,humidity_pct,co2_ppm,dew_point_c,vpd_kpa,absolute_humidity_g_m3,coverage,quality\r\n\
                       2026-11-25T07:00:00.500+01:00,shelf,\"shelf, air\",24.1,88,,,,,,good\r\n",
        );
        let lines = all(
            "climate,probe=shelf\\,\\ air,site=cellar,quality=good temperature=24.1,humidity=88 1795586400500000000\n",
        );
        assert_eq!(csv, lines);
        assert_eq!((csv[0].probe.as_str(), csv[0].at), ("shelf, air", Stamp(1_795_586_400_500)));
    }

    #[test]
    fn what_is_no_recording_is_refused() {
        let open = |text: &str| Recording::open(text.as_bytes(), false).err().map(|why| why.to_string());
        assert!(open("tub,id,kind\r\n").unwrap().contains("neither"));
        assert!(open("time,space,probe,temperature_c\r\n").unwrap().contains("hourly"));
        assert!(open("\u{1}\u{2}\0").unwrap().contains("neither"));
        assert_eq!(open(""), None);
    }

    #[test]
    fn torn_lines_are_counted() {
        let text = "climate,probe=a temperature=1 1000000000\nclimate,probe=a temper\n\nclimate,probe=a temperature=2 2000000000";
        let mut recording = Recording::open(text.as_bytes(), false).unwrap();
        assert_eq!(recording.next_sample().unwrap().unwrap().at, Stamp(1_000));
        assert_eq!(recording.next_sample().unwrap().unwrap().at, Stamp(2_000));
        assert_eq!(recording.next_sample().unwrap(), None);
        assert_eq!(recording.unread(), (1, Some(2)));
    }

    #[test]
    fn a_bad_quality_keeps_to_the_value_it_is_of() {
        let both = [Some(-127.0), Some(88.0), None, None];
        assert_eq!(known(&both, Quality::Sentinel)[..2], [Quality::Sentinel, Quality::Good]);
        assert_eq!(known(&[Some(45.0), None, None, None], Quality::Spike)[0], Quality::Spike);
        assert_eq!(known(&both, Quality::Future), [Quality::Future; 4]);
        // Corrected by +0.3: the value alone no longer tells.
        assert_eq!(known(&[Some(-126.7), Some(88.0), None, None], Quality::Sentinel)[0], Quality::OutOfRange);
    }
}
