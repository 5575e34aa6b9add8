//! One row of columns, counted from 1: `23.41,88.2`, `a1;23.41;88.2`.
//!
//! The columns are parted by tabs where there are any, else by semicolons, else by commas; blanks
//! round them are trimmed, double quotes as in RFC 4180. One row a message, or a header and one row:
//! a first line in which nothing is a number.

use std::borrow::Cow;

use super::fields::{Fields, Raw};
use super::recipe::Refusal;

/// A message: its columns in order.
pub(super) struct Row<'a>(Vec<Cow<'a, str>>);

impl<'a> Row<'a> {
    /// Splits `text` into columns.
    pub(super) fn parse(text: &'a str) -> Result<Row<'a>, Refusal> {
        let text = match text.split_once(['\n', '\r']) {
            None => text,
            Some((header, row)) if !has_number(header) => row.trim_start_matches(['\n', '\r']),
            Some(_) => return Err(Refusal::Malformed),
        };
        if text.contains(['\n', '\r']) {
            return Err(Refusal::Malformed);
        }
        let parting = ['\t', ';', ','].into_iter().find(|&c| outside_quotes(text, c)).unwrap_or(',');
        let mut columns = Vec::new();
        let mut rest = Some(text);
        while let Some(text) = rest {
            let (column, after) = column(text, parting)?;
            columns.push(column);
            rest = after;
        }
        Ok(Row(columns))
    }

    /// The columns in order.
    pub(super) fn all(&self) -> impl Iterator<Item = &str> {
        self.0.iter().map(|column| column.as_ref())
    }

    /// Whether the row holds just these names.
    pub(super) fn is_header(&self, names: &[String]) -> bool {
        let same = |(column, name): (&str, &String)| column.eq_ignore_ascii_case(name);
        !names.is_empty() && self.0.len() == names.len() && self.all().zip(names).all(same)
    }
}

/// Whether any column of `line`, however it is parted, is a number.
fn has_number(line: &str) -> bool {
    line.split(['\t', ';', ',']).any(|column| column.trim().trim_matches('"').parse::<f64>().is_ok())
}

impl Fields for Row<'_> {
    fn field(&self, at: &str) -> Option<Raw<'_>> {
        let number: usize = at.trim().parse().ok()?;
        self.0.get(number.checked_sub(1)?).map(|text| Raw::Text(text))
    }
}

/// Whether `c` stands in `text` outside double quotes.
fn outside_quotes(text: &str, c: char) -> bool {
    text.split('"').step_by(2).any(|part| part.contains(c))
}

/// The first column of `text`, and the text after the mark that ends it.
fn column(text: &str, parting: char) -> Result<(Cow<'_, str>, Option<&str>), Refusal> {
    let blank = |c: char| c.is_whitespace() && c != parting;
    let start = text.trim_start_matches(blank);
    let Some(quoted) = start.strip_prefix('"') else {
        return Ok(match start.split_once(parting) {
            Some((column, after)) => (Cow::Borrowed(column.trim()), Some(after)),
            None => (Cow::Borrowed(start.trim()), None),
        });
    };
    let (inside, after) = closing_quote(quoted).ok_or(Refusal::Malformed)?;
    let column = if inside.contains('"') { Cow::Owned(inside.replace("\"\"", "\"")) } else { Cow::Borrowed(inside) };
    let after = after.trim_start_matches(blank);
    match after.strip_prefix(parting) {
        Some(after) => Ok((column, Some(after))),
        None if after.is_empty() => Ok((column, None)),
        None => Err(Refusal::Malformed),
    }
}

/// Splits at the quote that closes; two quotes in a row are one that does not.
fn closing_quote(text: &str) -> Option<(&str, &str)> {
    let mut from = 0;
    loop {
        let at = from + text[from..].find('"')?;
        let after = &text[at + 1..];
        if !after.starts_with('"') {
            return Some((&text[..at], after));
        }
        from = at + 2;
    }
}
