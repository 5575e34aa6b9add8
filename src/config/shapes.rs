//! What a probe's lines carry besides readings: a checksum, and the names of a CSV row's columns.
//!
//! In: the probe's table. Out: how its lines are checked; names by which `reads` may call columns.

use super::fault::Cause;
use super::walk::{Desk, Section};
use super::word::{one_of, quoted};
use crate::wire::Format;
use crate::wire::checksum::{Checksum, Kind};

/// The longest mark, bytes.
const MARK_BYTES_MAX: usize = 8;
/// The most columns that may be named.
const COLUMNS_MAX: usize = 100;

/// `Some(None)`: its lines carry no checksum.
pub(super) fn checksum(desk: &mut Desk<'_>, section: &Section<'_>) -> Option<Option<Checksum>> {
    let Some(found) = section.found("checksum") else { return Some(None) };
    let table = found.section(desk, "a table such as { kind = \"crc16\", at = \"*\" }")?;
    table.only(desk, &["kind", "at", "from"]);
    let kinds = Kind::ALL.map(Kind::word);
    let kind = table.word(desk, "kind", &kinds).map(|position| Kind::ALL[position]);
    if !table.has("kind") {
        table.missing(desk, "kind", &one_of(&kinds));
    }
    let expected = "the mark before the checksum such as \"*\", in quotes";
    let at = table.needed_text(desk, "at", expected);
    let from = table.text(desk, "from", "what each line begins with such as \"$\", in quotes");
    for mark in [&at, &from].into_iter().flatten() {
        let odd = mark.text.chars().any(|c| c.is_control() || c.is_ascii_hexdigit());
        if mark.text.is_empty() || mark.text.len() > MARK_BYTES_MAX || odd {
            let sentence = format!(
                "found {}, expected 1 to {MARK_BYTES_MAX} characters that are no hexadecimal digits",
                quoted(mark.text)
            );
            desk.fault(mark.at, &mark.path, Cause::Value, sentence);
        }
    }
    let from = from.map_or(String::new(), |from| from.text.to_owned());
    Some(Some(Checksum { kind: kind?, at: at?.text.to_owned(), from }))
}

/// The names of the columns, in order; empty where none are given.
pub(super) fn columns(desk: &mut Desk<'_>, section: &Section<'_>, format: Option<Format>) -> Vec<String> {
    let Some(found) = section.found("columns") else { return Vec::new() };
    if format.is_some_and(|format| format != Format::Csv) {
        let sentence = "only a CSV row has columns, expected no columns here";
        desk.fault(found.key_at, &found.path, Cause::Clash, sentence);
        return Vec::new();
    }
    let texts = found.texts(desk, "a list of names such as [\"id\", \"t\", \"h\"]").unwrap_or_default();
    let mut names: Vec<String> = Vec::new();
    for text in &texts {
        let number = text.text.trim().parse::<f64>().is_ok();
        if text.text.trim().is_empty() || number {
            let sentence = format!("found {}, expected a name, which is no number", quoted(text.text));
            desk.fault(text.at, &text.path, Cause::Value, sentence);
        } else if names.iter().any(|name| name == text.text) {
            desk.fault(
                text.at,
                &text.path,
                Cause::Clash,
                format!("found {} twice, expected it once", quoted(text.text)),
            );
        }
        names.push(text.text.to_owned());
    }
    if texts.is_empty() || texts.len() > COLUMNS_MAX {
        desk.fault(found.at, &found.path, Cause::Value, format!("expected 1 to {COLUMNS_MAX} names"));
    }
    names
}
