//! Entries, measures and lengths of time in the grower's words, on one line.
//!
//! In: lengths of time, counts. Out: text. Deeds and masses are worded in `grow::words`. Left out:
//! advice and cautions (`logbook`).

use crate::climate::stamp::{DAY_MS, HOUR_MS, MINUTE_MS};
pub use crate::grow::words::{deed, mass};

/// A length of time in its two largest units: `3 d 4 h`, `2 h 10 min`.
pub fn span(ms: i64) -> String {
    let (days, hours, minutes) = (ms / DAY_MS, ms % DAY_MS / HOUR_MS, ms % HOUR_MS / MINUTE_MS);
    match (days, hours, minutes) {
        (0, 0, minutes) => format!("{minutes} min"),
        (0, hours, minutes) => format!("{hours} h {minutes} min"),
        (days, hours, _) => format!("{days} d {hours} h"),
    }
}

/// A number of things: `1 row`, `2 rows`.
pub fn count(number: u64, what: &str) -> String {
    if number == 1 { format!("1 {what}") } else { format!("{number} {what}s") }
}
