//! Entries on their way into the logbook: checked, each against those before it, and written in one
//! transaction or not at all.
//!
//! In: wishes. Out: the entries' numbers and what they became, or one sentence and nothing written.
//! Left out: reading the command's words (`logbook`, `pasteurise`) and what is said afterwards.

use super::speak::{Failure, Outcome};
use super::{Site, paper};
use crate::climate::Stamp;
use crate::grow::logbook::{Deed, Entry, Known, Resolved, check};
use crate::grow::moment::Moment;
use crate::grow::wrong::Wrong;

/// One entry the grower wants written.
pub(super) struct Wish {
    /// The word typed for the tub.
    pub tub: String,
    /// What happened.
    pub deed: Deed,
    /// When.
    pub at: Moment,
}

/// Checks and writes the wishes in one transaction: their ids, and what they became.
pub(super) fn enter_all(site: &Site, known: &Known, wishes: &[Wish]) -> Result<(Vec<i64>, Vec<Resolved>), Failure> {
    let mut resolved = Vec::new();
    let ids = paper::append(site, |so_far| {
        resolved = decide(so_far, known, wishes)?;
        Ok(resolved.iter().map(|one| (one.tub.clone(), one.at, one.deed.clone())).collect())
    })?;
    Ok((ids, resolved))
}

/// Writes one entry that somebody other than a command wishes.
pub(super) fn enter(site: &Site, tub: &str, deed: Deed, at: Stamp) -> Outcome {
    enter_at(site, tub, deed, Moment::exact(at), false).map(|_| ())
}

/// Writes one entry, and gives its number; `anyway`: the grower insists.
pub(super) fn enter_at(site: &Site, tub: &str, deed: Deed, at: Moment, anyway: bool) -> Result<i64, Failure> {
    let known = Known { anyway, ..site.known() };
    let wish = Wish { tub: tub.to_owned(), deed, at };
    let (ids, _) = enter_all(site, &known, &[wish])?;
    Ok(ids.first().copied().unwrap_or_default())
}

/// Checks the wishes one after the other, each against the logbook with those before it.
fn decide(so_far: &[Entry], known: &Known, wishes: &[Wish]) -> Result<Vec<Resolved>, Wrong> {
    let mut entries = so_far.to_vec();
    let mut all = Vec::with_capacity(wishes.len());
    for wish in wishes {
        let resolved = check(&entries, &wish.tub, &wish.deed, wish.at, known)?;
        let id = entries.iter().map(|entry| entry.id).max().unwrap_or(0) + 1;
        let (tub, deed) = (resolved.tub.clone(), resolved.deed.clone());
        entries.push(Entry { id, written_at: known.now, at: resolved.at, tub, deed });
        all.push(resolved);
    }
    Ok(all)
}
