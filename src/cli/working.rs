//! `working`: hands in the tent.
//!
//! In: how long, and where. Out: an entry that a running daemon takes up by itself. Air warnings wait
//! meanwhile; air at or over its critical limit, cores, and CO2 that is bad for people never do.

use super::Site;
use super::paper;
use super::shelve::span;
use super::speak::{Failure, Outcome, Voice, printable};
use crate::grow::logbook::Deed;
use crate::grow::moment::local_text;
use crate::grow::wrong::unknown;
use crate::watch::limits::may_work;

/// Says that somebody works there.
pub fn working(site: &Site, how_long: &str, space: Option<&str>) -> Outcome {
    let for_ms = span("--for", how_long)?;
    may_work(for_ms).map_err(|why| Failure::Usage(format!("--for: {why}")))?;
    let spaces = &site.plan.setup.spaces;
    if let Some(space) = space.filter(|space| spaces.iter().all(|known| known.name != **space)) {
        return Err(Failure::Usage(unknown("space", space, spaces.iter().map(|known| known.name.as_str()))));
    }
    let deed = Deed::Working { space: space.map(str::to_owned), for_ms };
    paper::append(site, |_| Ok(vec![(String::new(), site.now, deed.clone())]))?;
    let until = local_text(site.now.plus(for_ms), site.plan.timezone);
    let place = space.map_or("every space".to_owned(), printable);
    Voice::new().say(format!(
        "working in {place} until {until}: warnings of its air wait; air at or over its critical limit, and cores, do not"
    ))
}
