//! Whether a heat run may begin or end as typed.
//!
//! In: the logbook, the wish, what the config knows. Out: the entry resolved, or one sentence.
//! Left out: what the fold itself refuses (a name used twice, a probe in two runs, an impossible plan).

use super::check::{Known, Resolved, can_be_core, name_is_sound, settle};
use super::fold::Book;
use super::heat_book::HeatStart;
use super::logbook::{Deed, Entry};
use super::moment::{Moment, local_day, local_text};
use super::wrong::{Wrong, unknown};

/// A heat run begins.
///
/// # Errors
/// A name, probe or figure that cannot be, or a probe that heat would ruin.
pub(super) fn began(
    entries: &[Entry],
    book: &Book,
    start: &HeatStart,
    at: Moment,
    known: &Known,
) -> Result<Resolved, Wrong> {
    name_is_sound("heat run", &start.run)?;
    start.plan().map_err(|why| Wrong::Word(why.to_string()))?;
    for probe in &start.probes {
        can_be_core(probe, known)?;
        let wet = known.probes.iter().any(|known| known.name == *probe && known.reads_humidity);
        if wet && !known.anyway {
            return Err(Wrong::Forbidden(format!(
                "probe {probe} reads humidity, and heat and steam ruin such an element; use a thermometer, or say --anyway"
            )));
        }
    }
    settle(entries, book, String::new(), at.at, Deed::HeatBegan(Box::new(start.clone())), known)
}

/// A heat run ends.
///
/// # Errors
/// There is no such run, or the end lies before its beginning.
pub(super) fn ended(entries: &[Entry], book: &Book, run: &str, at: Moment, known: &Known) -> Result<Resolved, Wrong> {
    let Some(begun) = book.heat_runs.iter().find(|begun| begun.name == run) else {
        return Err(Wrong::Word(unknown("heat run", run, book.heat_runs.iter().map(|run| run.name.as_str()))));
    };
    // A day without a time, the day it began: then it lasts no time at all; the hour is needed.
    if at.whole_day && local_day(at.at, known.timezone) == local_day(begun.started_at, known.timezone) {
        return Err(Wrong::Word("say the time of day too: a heat run lasts hours, not days".to_owned()));
    }
    if at.at < begun.started_at {
        let began = local_text(begun.started_at, known.timezone);
        return Err(Wrong::Forbidden(format!("the heat run {run} began on {began}; it cannot end before that")));
    }
    settle(entries, book, String::new(), at.at, Deed::HeatEnded { run: run.to_owned() }, known)
}

/// A tub is spawned from the substrate of a heat run.
///
/// # Errors
/// There is no such run in the logbook.
pub(super) fn known_run(book: &Book, run: &str) -> Result<(), Wrong> {
    let names = || book.heat_runs.iter().map(|run| run.name.as_str());
    if names().any(|name| name == run) {
        return Ok(());
    }
    let why = unknown("heat run", run, names());
    Err(Wrong::Word(format!("{why}; if its substrate was heated without tubwatch, say --anyway")))
}
