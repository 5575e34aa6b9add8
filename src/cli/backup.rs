//! `tubwatch backup` and `tubwatch restore`: a copy of the store beside a running daemon, what can be
//! read of a damaged one, and back again.

use std::path::Path;

use super::Site;
use super::speak::{Failure, Outcome, Voice};
use crate::store::{backup, salvage};

/// Writes the copy to the new file `target`; with `salvage` what can still be read.
pub(super) fn backup(site: &Site, target: &Path, salvage: bool) -> Outcome {
    let folder = &site.plan.store.folder;
    let failed = |why: crate::store::StoreError| Failure::Failed(why.to_string());
    if !salvage {
        let bytes = backup::copy(folder, target).map_err(failed)?;
        return Voice::new().say(format!("{}: {:.1} MB, everything", target.display(), bytes as f64 / 1e6));
    }
    let saved = salvage::salvage(folder, target).map_err(failed)?;
    let mut voice = Voice::new();
    voice.say(format!("{}: {} samples, {} other rows", target.display(), saved.samples, saved.others))?;
    for lost in &saved.lost {
        voice.say(format!("lost: {lost}"))?;
    }
    voice.say(format!(
        "to go on with it: stop tubwatch, then `tubwatch restore {} --set-aside`, which renames the damaged store",
        target.display()
    ))
}

/// Makes the store of the backup `from`.
pub(super) fn restore(site: &Site, from: &Path, set_aside: bool) -> Outcome {
    let folder = &site.plan.store.folder;
    let aside = backup::restore(folder, from, set_aside).map_err(|why| Failure::Failed(why.to_string()))?;
    let mut voice = Voice::new();
    if let Some(aside) = aside {
        voice.say(format!("the old store is {} now", aside.display()))?;
    }
    voice.say(format!("{} is the store again", from.display()))
}
