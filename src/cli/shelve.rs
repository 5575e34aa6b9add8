//! `shelve`: an alert put aside for a while.
//!
//! In: its number and how long. Out: an entry that a running daemon takes up by itself. Limits are
//! `watch::limits`', counted from now; when the time is over and it still stands, it is raised again.

use super::Site;
use super::alerts::{named, numbered};
use super::paper;
use super::speak::{Failure, Outcome, Voice};
use crate::config::duration_ms;
use crate::grow::logbook::Deed;
use crate::grow::moment::local_text;
use crate::watch::limits::{Unwished, may_shelve};

/// Puts an alert aside.
pub fn shelve(site: &Site, id: &str, how_long: &str) -> Outcome {
    let for_ms = span("--for", how_long)?;
    let alert = numbered(site, id)?;
    may_shelve(&format!("alert {id}"), alert.severity, alert.state, for_ms).map_err(|why| match why {
        Unwished::Asked(_) => Failure::Usage(why.to_string()),
        Unwished::Stands(_) => Failure::Failed(why.to_string()),
    })?;
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
