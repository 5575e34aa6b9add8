//! Counts in the grower's words, and what `grow::words` has for deeds, masses and lengths of time.
//!
//! In: counts. Out: text. Left out: advice and cautions (`logbook`).

pub use crate::grow::words::{deed, mass, span};

/// A number of things: `1 row`, `2 rows`.
pub fn count(number: u64, what: &str) -> String {
    if number == 1 { format!("1 {what}") } else { format!("{number} {what}s") }
}
