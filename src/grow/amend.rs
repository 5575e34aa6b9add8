//! Amendments: what every line of the logbook says once the later lines that supersede it are heeded.
//!
//! In: the entries as written. Out: one [`Line`] for each, as it stands, with the ids of what
//! changed it. Nothing is erased. The latest word wins; an amendment may itself be amended (its
//! named fields change) or voided (as if it had never been made). What is void stays void until
//! the voiding entry is voided. Left out: whether the outcome makes sense for the tub (`fold`).

use std::collections::HashMap;

use super::changes::Changes;
use super::logbook::{Deed, Entry};
use super::rename::in_todays_names;
use crate::climate::Stamp;

/// One line of the logbook as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// The entry with its amendments applied.
    pub entry: Entry,
    /// The entries that changed it, latest first.
    pub amended_by: Vec<i64>,
    /// The entry that made it void.
    pub void_by: Option<i64>,
    /// Why it does not fit and was passed over, in one sentence.
    pub oddity: Option<String>,
}

/// What later entries say of one entry.
#[derive(Default)]
struct Patch {
    at_ms: Option<i64>,
    fresh_g: Option<f64>,
    dry_g: Option<f64>,
    text: Option<String>,
    more: Changes,
    void_by: Option<i64>,
    by: Vec<i64>,
}

/// Every entry as it stands, in the order of their ids, in the names of today.
pub fn lines(entries: &[Entry]) -> Vec<Line> {
    let entries = in_todays_names(entries);
    let mut sorted: Vec<&Entry> = entries.iter().collect();
    sorted.sort_by_key(|entry| entry.id);
    let known: HashMap<i64, &Deed> = sorted.iter().map(|entry| (entry.id, &entry.deed)).collect();
    let mut patches: HashMap<i64, Patch> = HashMap::new();
    let mut lines: Vec<Line> = Vec::with_capacity(sorted.len());
    // Latest first: by the time an entry is reached, all that can change it has had its say.
    for entry in sorted.into_iter().rev() {
        let mut line = settle(entry, patches.remove(&entry.id).unwrap_or_default());
        if line.void_by.is_none() {
            line.oddity = hand_on(&line.entry, &known, &mut patches);
        }
        lines.push(line);
    }
    lines.reverse();
    lines
}

/// Why an amendment with these fields cannot be made to `target`, if it cannot. For an amendment
/// of an amendment `target` is the deed that is amended in the end.
pub fn misfit(target: &Deed, fresh: bool, dry: bool, text: bool) -> Option<&'static str> {
    let harvest = matches!(target, Deed::Harvested { .. });
    let note = matches!(target, Deed::Noted { .. });
    match () {
        () if fresh && !harvest => Some("only a harvest has a fresh mass"),
        () if dry && !harvest => Some("only a harvest has a dry mass"),
        () if text && !note => Some("only a note has a text"),
        () => None,
    }
}

/// The deed that an amendment of `id` changes in the end: through amendments to what they amend.
pub fn root(entries: &[Entry], mut id: i64) -> Option<&Entry> {
    loop {
        let entry = entries.iter().find(|entry| entry.id == id)?;
        match entry.deed {
            // Ids fall along the way, so the walk ends.
            Deed::Amended { entry: target, .. } if target < id => id = target,
            Deed::Amended { .. } => return None,
            _ => return Some(entry),
        }
    }
}

/// The entry with what later ones say of it.
fn settle(entry: &Entry, patch: Patch) -> Line {
    let mut entry = entry.clone();
    match &mut entry.deed {
        Deed::Amended { at_ms, fresh_g, dry_g, text, more, .. } => {
            *at_ms = patch.at_ms.or(*at_ms);
            *fresh_g = patch.fresh_g.or(*fresh_g);
            *dry_g = patch.dry_g.or(*dry_g);
            *text = patch.text.or(text.take());
            **more = patch.more.over(std::mem::take(&mut **more));
        }
        deed => {
            entry.at = patch.at_ms.map_or(entry.at, Stamp);
            match deed {
                Deed::Harvested { fresh_g, dry_g, .. } => {
                    *fresh_g = patch.fresh_g.unwrap_or(*fresh_g);
                    *dry_g = patch.dry_g.or(*dry_g);
                }
                Deed::Noted { text } => *text = patch.text.unwrap_or(std::mem::take(text)),
                _ => {}
            }
            patch.more.apply(deed);
        }
    }
    Line { entry, amended_by: patch.by, void_by: patch.void_by, oddity: None }
}

/// Passes what an amendment says on to its target; gives why not, if it cannot.
fn hand_on(entry: &Entry, known: &HashMap<i64, &Deed>, patches: &mut HashMap<i64, Patch>) -> Option<String> {
    let Deed::Amended { entry: target, void, at_ms, fresh_g, dry_g, text, more } = &entry.deed else { return None };
    let Some(deed) = known.get(target).filter(|_| *target < entry.id) else {
        return Some(format!("it amends entry {target}, which is not in the logbook before it"));
    };
    if !matches!(deed, Deed::Amended { .. })
        && let Some(why) =
            misfit(deed, fresh_g.is_some(), dry_g.is_some(), text.is_some()).or_else(|| more.misfit(deed))
    {
        return Some(format!("it does not fit entry {target}: {why}"));
    }
    let patch = patches.entry(*target).or_default();
    patch.at_ms = patch.at_ms.or(*at_ms);
    patch.fresh_g = patch.fresh_g.or(*fresh_g);
    patch.dry_g = patch.dry_g.or(*dry_g);
    if patch.text.is_none() {
        patch.text.clone_from(text);
    }
    patch.more = std::mem::take(&mut patch.more).over((**more).clone());
    if *void && patch.void_by.is_none() {
        patch.void_by = Some(entry.id);
    }
    patch.by.push(entry.id);
    None
}
