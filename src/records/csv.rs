//! CSV as RFC 4180 has it, safe to open in a spreadsheet.
//!
//! In: cells, row by row. Out: UTF-8 without a byte-order mark, comma-separated, CRLF line ends,
//! quoted where needed. A text that a spreadsheet would take for a formula gets an apostrophe in
//! front. Numbers have a decimal point and no exponent; no value is an empty cell.

use std::io::{self, Write};

use chrono::SecondsFormat;
use chrono_tz::Tz;

use crate::climate::Stamp;
use crate::climate::stamp::SECOND_MS;

/// Figures are rounded to this many decimals: far finer than any probe.
const DECIMALS: i32 = 4;

/// Writes rows to `out`.
pub struct Csv<W: Write> {
    out: W,
    timezone: Tz,
    row: String,
    cells: usize,
    columns: usize,
    rows: u64,
}

impl<W: Write> Csv<W> {
    /// Begins with the header row. Times are given with `timezone`'s offset.
    ///
    /// # Errors
    /// When `out` cannot be written; so for every method that ends a row.
    pub fn new(out: W, timezone: Tz, header: &[&str]) -> io::Result<Csv<W>> {
        let mut csv = Csv { out, timezone, row: String::new(), cells: 0, columns: header.len(), rows: 0 };
        for name in header {
            csv.text(name);
        }
        csv.end_row()?;
        csv.rows = 0;
        Ok(csv)
    }

    /// The zone times are given in.
    pub fn timezone(&self) -> Tz {
        self.timezone
    }

    /// A text cell.
    pub fn text(&mut self, text: &str) -> &mut Self {
        self.separate();
        let formula = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
        let quoted = text.contains([',', '"', '\r', '\n']) || text.starts_with(' ') || text.ends_with(' ');
        if quoted {
            self.row.push('"');
        }
        if formula {
            self.row.push('\'');
        }
        if quoted {
            self.row.push_str(&text.replace('"', "\"\""));
            self.row.push('"');
        } else {
            self.row.push_str(text);
        }
        self
    }

    /// A text cell, empty where there is none.
    pub fn text_if(&mut self, text: Option<&str>) -> &mut Self {
        self.text(text.unwrap_or_default())
    }

    /// A number exactly as it is: the shortest text that reads back as the same one. Empty where
    /// there is none or it is no finite number.
    pub fn exact(&mut self, value: Option<f64>) -> &mut Self {
        self.separate();
        if let Some(value) = value.filter(|value| value.is_finite()) {
            use std::fmt::Write;
            // Adding 0 takes the sign off a negative zero.
            let _ = write!(self.row, "{}", value + 0.0);
        }
        self
    }

    /// A figure, rounded to four decimals.
    pub fn figure(&mut self, value: Option<f64>) -> &mut Self {
        let scale = 10_f64.powi(DECIMALS);
        // Beyond 2^53 a number has no decimals left to round, and scaling would only harm it.
        let round = |value: f64| if value.abs() * scale < 9e15 { (value * scale).round() / scale } else { value };
        self.exact(value.map(round))
    }

    /// A whole number.
    pub fn count(&mut self, value: i64) -> &mut Self {
        self.separate();
        self.row.push_str(&value.to_string());
        self
    }

    /// A moment: RFC 3339 with the site's offset, milliseconds only where there are any.
    pub fn time(&mut self, at: Stamp) -> &mut Self {
        let format = if at.0.rem_euclid(SECOND_MS) == 0 { SecondsFormat::Secs } else { SecondsFormat::Millis };
        let text = at.utc().with_timezone(&self.timezone).to_rfc3339_opts(format, false);
        self.separate();
        self.row.push_str(&text);
        self
    }

    /// A moment, empty where there is none.
    pub fn time_if(&mut self, at: Option<Stamp>) -> &mut Self {
        match at {
            Some(at) => self.time(at),
            None => self.text(""),
        }
    }

    /// Ends the row.
    pub fn end_row(&mut self) -> io::Result<()> {
        debug_assert_eq!(self.cells, self.columns, "every row has a cell for each column");
        self.row.push_str("\r\n");
        self.out.write_all(self.row.as_bytes())?;
        self.row.clear();
        self.cells = 0;
        self.rows += 1;
        Ok(())
    }

    /// Gives back what was written to, and how many rows it has under the header.
    pub fn finish(self) -> (W, u64) {
        (self.out, self.rows)
    }

    fn separate(&mut self) {
        if self.cells > 0 {
            self.row.push(',');
        }
        self.cells += 1;
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn cell(write: impl for<'a> FnOnce(&'a mut Csv<Vec<u8>>) -> &'a mut Csv<Vec<u8>>) -> String {
        let mut csv = Csv::new(Vec::new(), chrono_tz::Europe::Lisbon, &["x"]).unwrap();
        write(&mut csv);
        csv.end_row().unwrap();
        String::from_utf8(csv.finish().0)
            .unwrap()
            .strip_prefix("x\r\n")
            .unwrap()
            .strip_suffix("\r\n")
            .unwrap()
            .to_owned()
    }

    /// Quoting as RFC 4180, section 2, rules 5 to 7 has it; the apostrophe is common practice, no
    /// source.
    #[test]
    fn text_is_quoted_where_needed_and_never_a_formula() {
        for (text, expected) in [
            ("A1", "A1"),
            ("", ""),
            ("a, b", "\"a, b\""),
            ("6\" tub", "\"6\"\" tub\""),
            ("two\r\nlines", "\"two\r\nlines\""),
            (" kept ", "\" kept \""),
            ("=1+1", "'=1+1"),
            ("+41", "'+41"),
            ("-green", "'-green"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("\tx", "'\tx"),
            ("\rx", "\"'\rx\""),
            ("=HYPERLINK(\"x\",\"y\")", "\"'=HYPERLINK(\"\"x\"\",\"\"y\"\")\""),
            ("Pilzüberzug", "Pilzüberzug"),
        ] {
            assert_eq!(cell(|csv| csv.text(text)), expected, "{text:?}");
        }
    }

    #[test]
    fn numbers_are_plain_and_no_number_is_empty() {
        for (value, exact, figure) in [
            (Some(-0.5), "-0.5", "-0.5"),
            (Some(-0.0), "0", "0"),
            (Some(0.1 + 0.2), "0.30000000000000004", "0.3"),
            (Some(1e21), "1000000000000000000000", "1000000000000000000000"),
            (Some(f64::NAN), "", ""),
            (Some(f64::INFINITY), "", ""),
            (None, "", ""),
        ] {
            assert_eq!(cell(|csv| csv.exact(value)), exact);
            assert_eq!(cell(|csv| csv.figure(value)), figure);
        }
    }

    #[test]
    fn times_carry_the_offset_of_their_day() {
        let winter = Stamp(1_764_000_000_000); // 2025-11-24T16:00:00Z
        assert_eq!(cell(|csv| csv.time(winter)), "2025-11-24T16:00:00+00:00");
        let summer = Stamp(1_750_000_000_500); // 2025-06-15T15:06:40.500Z
        assert_eq!(cell(|csv| csv.time(summer)), "2025-06-15T16:06:40.500+01:00");
        assert_eq!(cell(|csv| csv.time_if(None)), "");
    }
}
