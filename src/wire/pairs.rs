//! Named values in a line: `T=23.41 H=88.2`, `T:23.41;H:88.2`, `temp = 23.4, hum = 88`.
//!
//! A key and its value are joined by `=` or `:`, blanks round it allowed; pairs are parted by blanks,
//! tabs, `;` or `,`. Keys are case-sensitive; one that stands twice counts by the last. A value may be
//! put in double quotes. Words that are no pair are passed over, except a bare number right after a
//! comma: that may be a decimal comma (`T=23,41`), and half a number is worse than none.

use super::fields::{Fields, Raw};
use super::recipe::Refusal;

/// A message: its pairs in order.
pub(super) struct Pairs<'a>(Vec<(&'a str, &'a str)>);

impl<'a> Pairs<'a> {
    /// Finds the pairs of `text`; there must be one at least.
    pub(super) fn parse(text: &'a str) -> Result<Pairs<'a>, Refusal> {
        let mut pairs = Vec::new();
        let mut rest = text;
        let mut after_comma = false;
        loop {
            let start = rest.trim_start_matches(is_gap);
            after_comma |= rest[..rest.len() - start.len()].contains(',');
            if start.is_empty() {
                break;
            }
            let (key, after) = word(start);
            match after.trim_start().strip_prefix(['=', ':']) {
                Some(after) => {
                    let (text, after) = value(after).ok_or(Refusal::Malformed)?;
                    pairs.push((key, text));
                    rest = after;
                }
                None if after_comma && !pairs.is_empty() && key.parse::<f64>().is_ok() => {
                    return Err(Refusal::Malformed);
                }
                None => rest = after,
            }
            after_comma = false;
        }
        if pairs.is_empty() { Err(Refusal::Malformed) } else { Ok(Pairs(pairs)) }
    }
}

impl Fields for Pairs<'_> {
    fn field(&self, at: &str) -> Option<Raw<'_>> {
        self.0.iter().rev().find(|(key, _)| *key == at).map(|(_, text)| Raw::Text(text))
    }
}

/// What parts pairs.
fn is_gap(c: char) -> bool {
    c.is_whitespace() || matches!(c, ';' | ',')
}

/// The word at the start of `text` (which may be empty), and what follows it.
fn word(text: &str) -> (&str, &str) {
    let end = text.find(|c| is_gap(c) || matches!(c, '=' | ':')).unwrap_or(text.len());
    text.split_at(end)
}

/// The value after a sign, and what follows it; `None` for a quote that never closes.
fn value(text: &str) -> Option<(&str, &str)> {
    let start = text.trim_start();
    if let Some(quoted) = start.strip_prefix('"') {
        return quoted.split_once('"');
    }
    let end = start.find(is_gap).unwrap_or(start.len());
    let (found, after) = start.split_at(end);
    // `T= H=88`: T is blank and what stands there is the next pair. A time has its signs after a digit.
    let next_pair = start.len() < text.len()
        && found.starts_with(|c: char| c.is_alphabetic() || c == '_')
        && (found.contains(['=', ':']) || after.trim_start().starts_with(['=', ':']));
    Some(if next_pair { ("", start) } else { (found, after) })
}
