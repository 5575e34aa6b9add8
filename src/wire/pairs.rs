//! Named values in a line: `T=23.41 H=88.2`, `T:23.41;H:88.2`, `temp = 23.4, hum = 88`.
//!
//! A key and its value are joined by `=` or `:`, blanks round it allowed; pairs are parted by blanks,
//! tabs, `;` or `,`. Keys are case-sensitive; one that stands twice counts by the last. A value may be
//! put in double quotes. A comma between digits is the decimal comma (`T=23,41`); a unit may stand apart
//! (`T=74.1 F`). Other words that are no pair are passed over, except a bare number right after a comma:
//! it may belong to the one before, and half a number is worse than none.

use super::fields::{Fields, Raw};
use super::recipe::Refusal;
use super::value::is_unit;

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
                None => {
                    if let Some((_, value)) = pairs.last_mut()
                        && value_ends_before(text, value, start)
                        && is_unit(key)
                    {
                        let from = text.len() - start.len() - (start.as_ptr().addr() - value.as_ptr().addr());
                        *value = &text[from..text.len() - after.len()];
                    }
                    rest = after;
                }
            }
            after_comma = false;
        }
        if pairs.is_empty() { Err(Refusal::Malformed) } else { Ok(Pairs(pairs)) }
    }
}

impl<'a> Pairs<'a> {
    /// The pairs in order.
    pub(super) fn all(&self) -> impl Iterator<Item = (&'a str, &'a str)> {
        self.0.iter().copied()
    }
}

/// Whether `value`, a part of `text`, is a number and nothing but blanks stand between it and `start`.
fn value_ends_before(text: &str, value: &str, start: &str) -> bool {
    let end = value.as_ptr().addr() + value.len() - text.as_ptr().addr();
    let between = text.get(end..text.len() - start.len());
    value.ends_with(|c: char| c.is_ascii_digit()) && between.is_some_and(|gap| !gap.is_empty() && gap.trim().is_empty())
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

/// Splits `text` at `end`, or after the decimals of the number that ends there: `23,41` of `23,41 H=88`.
fn with_decimals(text: &str, end: usize) -> (&str, &str) {
    let (found, after) = text.split_at(end);
    let whole = found.strip_prefix(['+', '-']).unwrap_or(found);
    if !whole.is_empty()
        && whole.bytes().all(|byte| byte.is_ascii_digit())
        && let Some(decimals) = after.strip_prefix(',')
        && decimals.starts_with(|c: char| c.is_ascii_digit())
    {
        let (word, rest) = word(decimals);
        // `1=5,2=6`: what follows the comma is the next key.
        if !rest.trim_start().starts_with(['=', ':']) {
            return text.split_at(end + 1 + word.len());
        }
    }
    (found, after)
}

/// The value after a sign, and what follows it; `None` for a quote that never closes.
fn value(text: &str) -> Option<(&str, &str)> {
    let start = text.trim_start();
    if let Some(quoted) = start.strip_prefix('"') {
        return quoted.split_once('"');
    }
    let end = start.find(is_gap).unwrap_or(start.len());
    let (found, after) = with_decimals(start, end);
    // `T= H=88`: T is blank and what stands there is the next pair. A time has its signs after a digit.
    let next_pair = start.len() < text.len()
        && found.starts_with(|c: char| c.is_alphabetic() || c == '_')
        && (found.contains(['=', ':']) || after.trim_start().starts_with(['=', ':']));
    Some(if next_pair { ("", start) } else { (found, after) })
}
