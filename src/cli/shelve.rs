//! `shelve`: an alert put aside for a while.
//!
//! In: its number and how long. Out: an entry that a running daemon takes up by itself. Limits: a day,
//! a critical one an hour, counted from now; when the time is over and it still stands, it is raised
//! again.

use super::Site;
use super::alerts::{named, numbered};
use super::paper;
use super::speak::{Failure, Outcome, Voice};
use crate::config::{duration_ms, show_duration};
use crate::grow::logbook::Deed;
use crate::grow::moment::local_text;
use crate::watch::alert::AlertState;
use crate::watch::keeper::shelve_max_ms;

/// Puts an alert aside.
pub fn shelve(site: &Site, id: &str, how_long: &str) -> Outcome {
    let for_ms = span("--for", how_long)?;
    let alert = numbered(site, id)?;
    let max_ms = shelve_max_ms(alert.severity);
    if for_ms > max_ms {
        return Err(Failure::Usage(format!(
            "alert {id} is {}: it can be put aside for {} at most",
            alert.severity.word(),
            show_duration(max_ms)
        )));
    }
    match alert.state {
        AlertState::Returned => {
            return Err(Failure::Failed(format!("alert {id} is over; acknowledge it and it leaves the list")));
        }
        AlertState::Suppressed => {
            return Err(Failure::Failed(format!("alert {id} is put aside already, because another alert explains it")));
        }
        _ => {}
    }
    paper::append(site, |_| Ok(vec![(String::new(), site.now, Deed::Shelved { alert: alert.id, for_ms })]))?;
    let until = local_text(site.now.plus(for_ms), site.plan.timezone);
    Voice::new().say(format!(
        "{} put aside until {until}; it is told again if it gets worse, or still stands then",
        named(&alert)
    ))
}

/// A span of time over nothing.
pub fn span(what: &str, text: &str) -> Result<i64, Failure> {
    match duration_ms(text) {
        Some(ms) if ms > 0 => Ok(ms),
        _ => Err(Failure::Usage(format!("{what}: \"{text}\" is no span of time; write it like 30min or 2h"))),
    }
}
