//! `[backup]`: where copies of the store go, how often, how many are kept.

use std::path::PathBuf;

use super::fault::Cause;
use super::files::Shelf;
use super::walk::{Desk, Section};
use super::word::quoted;
use crate::climate::stamp::{DAY_MS, HOUR_MS};

/// `[backup]`
#[derive(Clone, Debug)]
pub struct BackupPlan {
    /// The folder the copies lie in; it must be there: a stick that is not plugged in must not be
    /// mistaken for an empty folder.
    pub folder: PathBuf,
    /// How often, ms.
    pub every_ms: i64,
    /// So many are kept; older ones are taken away.
    pub keep: usize,
}

/// Kept where nothing is said: a fortnight of days.
const KEEP: usize = 14;

pub(super) fn backup(desk: &mut Desk<'_>, root: &Section<'_>, shelf: &Shelf) -> Option<BackupPlan> {
    let section = root.section(desk, "backup")?;
    section.only(desk, &["folder", "every", "keep"]);
    let mut plan = BackupPlan { folder: PathBuf::new(), every_ms: DAY_MS, keep: KEEP };
    if let Some(folder) = section.needed_text(desk, "folder", "a folder on another disk, in quotes") {
        if folder.text.is_empty() || folder.text.contains('\0') {
            let sentence = format!("found {}, expected the path of a folder", quoted(folder.text));
            desk.fault(folder.at, &folder.path, Cause::Value, sentence);
        }
        plan.folder = shelf.absolute(folder.text);
    }
    if let Some(found) = section.found("every") {
        plan.every_ms = found.duration(desk, HOUR_MS..=31 * DAY_MS).unwrap_or(DAY_MS);
    }
    if let Some(found) = section.found("keep") {
        match found.number(desk, 1.0..=1000.0, "") {
            Some(number) if number.fract() == 0.0 => plan.keep = number as usize,
            Some(number) => {
                let sentence = format!("found {number}, expected a whole number");
                desk.fault(found.at, &found.path, Cause::Value, sentence);
            }
            None => {}
        }
    }
    Some(plan)
}
