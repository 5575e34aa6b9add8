//! From text to the spanned TOML table, and how much of it is believed when it is not TOML.
//!
//! A slip within one value or line (no quotes, a key twice, a comma missing) leaves the rest as it was
//! meant, so the rest is checked. A slip that runs on (a bracket or a quote never closed) does not: what
//! follows it is another text than the one meant, and only what stands before it is checked.

use std::ops::Range;

use toml::de::{DeTable, DeValue};

use super::fault::Cause;
use super::walk::{Desk, Section};

/// The most slips looked into: each is searched for in the whole tree, and a text with more is no
/// config.
const SLIPS_MAX: usize = 100;

/// What the parser says of slips that end with their line.
const WITHIN_A_LINE: [&str; 4] =
    ["duplicate key", "key with no value", "unexpected key or value", "string values must be quoted"];

/// One place where the text is not TOML.
struct Slip {
    at: usize,
    key: &'static str,
    sentence: String,
    /// What follows is still what was meant.
    within: bool,
    /// A key or table may be lost by it, or a value cut.
    loses: bool,
}

/// Parses `text` and hands its top table to `check`; what is no TOML is noted on `desk`.
pub(super) fn with_root<T>(desk: &mut Desk<'_>, text: &str, check: impl FnOnce(&mut Desk<'_>, &Section<'_>) -> T) -> T {
    let (root, errors) = DeTable::parse_recoverable(text);
    let root = root.get_ref();
    let checked = check(desk, &Section { table: root, at: 0, path: String::new() });
    let never_closed = errors.iter().any(|error| is_unclosed(error.message()));
    let mut errors: Vec<_> = errors.iter().map(|error| (error.span().map_or(0, |span| span.start), error)).collect();
    errors.sort_by_key(|(at, _)| *at);
    let mut slips: Vec<Slip> = errors
        .into_iter()
        .take(SLIPS_MAX)
        .map(|(at, error)| slip(error.message(), at, enclosing(root, text, at), text, never_closed))
        .collect();
    slips.sort_by_key(|slip| slip.at);
    // What follows the first slip that runs on is mostly its echo.
    let end = slips.iter().position(|slip| !slip.within);
    let end_line = end.map_or(usize::MAX, |end| desk.place(slips[end].at).0);
    slips.truncate(end.map_or(slips.len(), |end| end + 1));
    let lines: Vec<usize> = slips.iter().map(|slip| desk.place(slip.at).0).collect();
    let loses = slips.iter().any(|slip| slip.loses);
    let file = desk.file.clone();
    desk.faults.retain(|fault| {
        let whole = matches!(fault.cause, Cause::Missing | Cause::Dangling | Cause::Clash);
        fault.file != file || (fault.line < end_line && !lines.contains(&fault.line) && !(loses && whole))
    });
    let mut last = 0;
    for (slip, line) in slips.into_iter().zip(lines) {
        if line != last {
            desk.fault(slip.at, slip.key, Cause::Syntax, slip.sentence);
        }
        last = line;
    }
    checked
}

fn is_unclosed(message: &str) -> bool {
    message.starts_with("unclosed") || message.starts_with("invalid multi-line")
}

/// The parser's message at `at` as the place and the sentence of a fault; `around` is the list, the
/// table or the text in which it stands.
fn slip(message: &str, at: usize, around: Option<Range<usize>>, text: &str, never_closed: bool) -> Slip {
    let here = |key, sentence: &str, within, loses| Slip { at, key, sentence: sentence.to_owned(), within, loses };
    let around = around.map(|span| (span.start, text.get(span).unwrap_or("")));
    if let Some((at, value)) = around.filter(|(_, value)| never_closed && value.contains('\n')) {
        let what = match value.as_bytes().first() {
            Some(b'[') => "a list begins here and is never closed, expected ] at its end",
            Some(b'{') => "a table begins here and is never closed, expected } at its end",
            _ => "a text begins here and is never closed, expected its closing quotes",
        };
        return Slip { at, key: "(not TOML)", sentence: what.to_owned(), within: false, loses: true };
    }
    if message.starts_with("duplicate key") {
        return here("(twice)", "this key or table stands in the file already, expected it once", true, false);
    }
    if let Some(comma) = decimal_comma(text, at) {
        let sentence = "a decimal comma, expected a point, as in 20.5";
        return Slip { at: comma, key: "(not TOML)", sentence: sentence.to_owned(), within: true, loses: true };
    }
    if message.starts_with("string values must be quoted") {
        let sentence = "a text without quotes, expected it in double quotes, as in every = \"10s\"";
        return here("(not TOML)", sentence, true, true);
    }
    if message.starts_with("invalid unquoted key") && text.get(at..).is_some_and(|rest| rest.starts_with(':')) {
        return here("(not TOML)", "found : after the key, expected =", false, true);
    }
    if is_no_value(message) {
        let sentence = format!("no value is written like this ({message}); a text belongs in double quotes");
        return here("(not TOML)", &sentence, true, true);
    }
    let within = around.is_some() || WITHIN_A_LINE.iter().any(|start| message.starts_with(start));
    here("(not TOML)", message, within, true)
}

/// Where a number on the line of `at` has a comma in it, as in `offset = -2,1`; in a list commas part values.
fn decimal_comma(text: &str, at: usize) -> Option<usize> {
    let start = text.get(..at)?.rfind('\n').map_or(0, |end| end + 1);
    let line = text.get(start..)?.lines().next()?;
    if line.contains(['[', '"', '\'', '#']) {
        return None;
    }
    let is_digit = |byte: Option<&u8>| byte.is_some_and(u8::is_ascii_digit);
    let (equals, bytes) = (line.find('=')?, line.as_bytes());
    let is_in_number = |place: usize| is_digit(bytes.get(place - 1)) && is_digit(bytes.get(place + 1));
    let comma = (equals + 1..bytes.len()).find(|place| bytes[*place] == b',' && is_in_number(*place))?;
    Some(start + comma)
}

/// The parser took a text without quotes for a number, a date or the like; or a quote is missing.
fn is_no_value(message: &str) -> bool {
    message.starts_with("invalid ") && !message.starts_with("invalid unquoted key") && !is_unclosed(message)
}

/// The outermost written list, inline table or text that `at` stands in.
fn enclosing(table: &DeTable<'_>, text: &str, at: usize) -> Option<Range<usize>> {
    table.values().find_map(|value| {
        let span = value.span();
        // A value stands after an equals sign; a head does not.
        let written = text.get(..span.start).is_some_and(|before| before.trim_end().ends_with('='));
        if written {
            let holds = !matches!(value.get_ref(), DeValue::String(_)) || text.get(span.clone())?.contains('\n');
            return (holds && span.start < at && at <= span.end).then_some(span);
        }
        match value.get_ref() {
            DeValue::Table(table) => enclosing(table, text, at),
            DeValue::Array(list) => {
                list.iter().find_map(|item| item.get_ref().as_table().and_then(|table| enclosing(table, text, at)))
            }
            _ => None,
        }
    })
}
