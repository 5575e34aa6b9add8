//! From text to the spanned TOML table, and how much of it is believed when it is not TOML.
//!
//! A slip within one line (no quotes, a key twice) leaves the rest as it was meant, so the rest is
//! checked. A slip that runs on (a bracket or a quote left open) does not: what follows it is another
//! text than the one meant, and only what stands before it is checked.

use toml::de::DeTable;

use super::fault::Cause;
use super::walk::{Desk, Section};

/// What the parser says of slips that end with their line.
const WITHIN_A_LINE: [&str; 5] = [
    "string values must be quoted",
    "duplicate key",
    "invalid basic string",
    "invalid literal string",
    "key with no value",
];

/// Parses `text` and hands its top table to `check`; what is no TOML is noted on `desk`.
pub(super) fn with_root<T>(desk: &mut Desk<'_>, text: &str, check: impl FnOnce(&mut Desk<'_>, &Section<'_>) -> T) -> T {
    let (root, errors) = DeTable::parse_recoverable(text);
    let mut slips: Vec<(usize, String)> =
        errors.iter().map(|error| (error.span().map_or(0, |span| span.start), error.message().to_owned())).collect();
    slips.sort();
    let checked = check(desk, &Section { table: root.get_ref(), at: 0, path: String::new(), kind: "" });
    let within = |slip: &str| WITHIN_A_LINE.iter().any(|start| slip.starts_with(start));
    // What follows the first slip that runs on is mostly its echo.
    let end = slips.iter().position(|(_, slip)| !within(slip));
    let end_line = end.map_or(usize::MAX, |end| desk.place(slips[end].0).0);
    slips.truncate(end.map_or(slips.len(), |end| end + 1));
    let lines: Vec<usize> = slips.iter().map(|(at, _)| desk.place(*at).0).collect();
    let unsure = slips.iter().any(|(_, slip)| !slip.starts_with("duplicate key"));
    let file = desk.file.clone();
    desk.faults.retain(|fault| {
        let whole = matches!(fault.cause, Cause::Missing | Cause::Dangling | Cause::Clash);
        fault.file != file || (fault.line < end_line && !lines.contains(&fault.line) && !(unsure && whole))
    });
    let mut last = 0;
    for ((at, slip), line) in slips.iter().zip(lines) {
        if line != last {
            let (key, sentence) = told(slip);
            desk.fault(*at, key, Cause::Syntax, sentence);
        }
        last = line;
    }
    checked
}

/// The parser's message as the place and the sentence of a fault.
fn told(slip: &str) -> (&'static str, String) {
    if slip.starts_with("duplicate key") {
        return ("(twice)", "this key or table stands in the file already, expected it once".to_owned());
    }
    if slip.starts_with("string values must be quoted") {
        return ("(not TOML)", "a text without quotes, expected it in double quotes, as in every = \"10s\"".to_owned());
    }
    ("(not TOML)", slip.to_owned())
}
