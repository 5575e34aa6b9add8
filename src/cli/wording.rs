//! Entries, measures and lengths of time in the grower's words, on one line.
//!
//! In: lengths of time, counts. Out: text. Deeds and masses are worded in `grow::words`. Left out:
//! advice and cautions (`logbook`).

pub use crate::grow::words::{deed, mass, span};

/// A number of things: `1 row`, `2 rows`.
pub fn count(number: u64, what: &str) -> String {
    if number == 1 { format!("1 {what}") } else { format!("{number} {what}s") }
}
