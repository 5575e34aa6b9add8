//! The store as commands use it: one transaction to append, one reader to look.
//!
//! In: the site. Out: entries' ids, or a reader, or one plain sentence. Works beside a running
//! daemon and without one.

use super::Site;
use super::speak::Failure;
use crate::climate::Stamp;
use crate::grow::logbook::{Deed, Entry};
use crate::grow::wrong::Wrong;
use crate::store::entries::{AppendError, NewEntry, append_resolved};
use crate::store::open::FILE;
use crate::store::{Access, Reader};

/// What is to be appended: the tub's id, when it happened, what.
pub type Draft = (String, Stamp, Deed);

/// Appends what `decide` makes of the logbook as it stands, all or nothing; gives the ids.
///
/// # Errors
/// What `decide` says, or why the store cannot be written; nothing is written then.
pub fn append(site: &Site, mut decide: impl FnMut(&[Entry]) -> Result<Vec<Draft>, Wrong>) -> Result<Vec<i64>, Failure> {
    if !is_there(site) {
        // A mistyped first command must not leave an empty store behind.
        decide(&[])?;
    }
    let mut access = Access::open(&site.plan.store.folder).map_err(Failure::failed)?;
    let resolve = |entries: &[Entry]| -> Result<Vec<NewEntry>, Wrong> {
        let drafts = decide(entries)?;
        Ok(drafts.into_iter().map(|(tub, at, deed)| NewEntry { at, tub, deed }).collect())
    };
    append_resolved(&mut access, site.now, resolve).map_err(|error| match error {
        AppendError::Refused(wrong) => Failure::from(wrong),
        AppendError::Store(error) => Failure::failed(error),
    })
}

/// Opens the store for reading.
///
/// # Errors
/// [`Failure::Failed`] when there is none yet, or it cannot be read.
pub fn reader(site: &Site) -> Result<Reader, Failure> {
    let folder = &site.plan.store.folder;
    if !is_there(site) {
        return Err(Failure::Failed(format!(
            "there is no store in {} yet; tubwatch run makes it, and so does the first tubwatch spawn",
            folder.display()
        )));
    }
    Reader::open(folder).map_err(Failure::failed)
}

/// Whether there is a store. A folder that this account may not look into is no sign that there is none.
pub fn is_there(site: &Site) -> bool {
    site.plan.store.folder.join(FILE).try_exists().unwrap_or(true)
}
