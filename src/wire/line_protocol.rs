//! Line protocol, fields by field key; several lines a payload. A line's own time is in nanoseconds,
//! unless the recipe names a field for it. `select` looks at tags, then fields, and takes
//! `measurement` for the measurement's name where no tag or field is called so.

use std::borrow::Cow;

use influxdb_line_protocol::{FieldValue, ParsedLine, parse_lines};

use super::fields::{self, Fields, Raw};
use super::moment;
use super::recipe::{Decoded, Recipe, Refusal};

/// Nanoseconds in a millisecond.
const MS_NS: i64 = 1_000_000;

/// Reads every line of `text` that is this probe's; the first that cannot be read is the error.
pub(super) fn read(recipe: &Recipe, text: &str, out: &mut Vec<Decoded>) -> Result<(), Refusal> {
    let before = out.len();
    let mut unread = None;
    let mut others = false;
    // The parser takes a carriage return for part of the line.
    let text = if text.contains('\r') { Cow::Owned(text.replace('\r', "")) } else { Cow::Borrowed(text) };
    for line in parse_lines(&text) {
        match line.map_err(|_| Refusal::Malformed).and_then(|line| one(recipe, &line)) {
            Ok(decoded) => out.push(decoded),
            Err(Refusal::NobodyReads) => others = true,
            Err(reason) => unread = unread.or(Some(reason)),
        }
    }
    match unread {
        Some(reason) => Err(reason),
        None if out.len() > before => Ok(()),
        None if others => Err(Refusal::NobodyReads),
        None => Err(Refusal::Empty), // comments
    }
}

/// One line.
fn one(recipe: &Recipe, line: &ParsedLine<'_>) -> Result<Decoded, Refusal> {
    let mut decoded = fields::read(recipe, &Line(line))?;
    if let (None, Some(ns)) = (decoded.time, line.timestamp) {
        decoded.time = Some(moment::at(ns.div_euclid(MS_NS)).ok_or(Refusal::BadTime)?);
    }
    Ok(decoded)
}

/// A parsed line as a message. The last of fields with one name counts, as in every format.
struct Line<'a, 'text>(&'a ParsedLine<'text>);

impl<'text> Line<'_, 'text> {
    /// The field called `at`.
    fn value(&self, at: &str) -> Option<&FieldValue<'text>> {
        self.0.field_set.iter().rev().find(|(key, _)| key.as_str() == at).map(|(_, value)| value)
    }
}

impl Fields for Line<'_, '_> {
    fn field(&self, at: &str) -> Option<Raw<'_>> {
        Some(match self.value(at)? {
            FieldValue::F64(number) => Raw::Number(*number),
            FieldValue::I64(number) => Raw::Number(*number as f64),
            FieldValue::U64(number) => Raw::Number(*number as f64),
            FieldValue::String(text) => Raw::Text(text.as_str()),
            FieldValue::Boolean(_) => Raw::Other,
        })
    }

    fn says(&self, at: &str, text: &str) -> bool {
        if let Some(tag) = self.0.tag_value(at) {
            return tag.as_str() == text;
        }
        match self.value(at) {
            Some(FieldValue::F64(number)) => text.parse::<f64>().ok() == Some(*number),
            Some(value @ (FieldValue::I64(_) | FieldValue::U64(_))) => {
                value.to_string().trim_end_matches(['i', 'u']) == text
            }
            Some(FieldValue::String(found)) => found.as_str() == text,
            Some(FieldValue::Boolean(found)) => text == if *found { "true" } else { "false" },
            None => at == "measurement" && self.0.series.measurement.as_str() == text,
        }
    }
}
