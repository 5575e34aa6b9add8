//! What `tubwatch check` says of `[backup]`.
//!
//! In: a checked plan, the disk as it is now. Out: lines and what is worth knowing. Left out: making one
//! (the daemon's) and putting one back (`restore`).

use std::os::unix::fs::MetadataExt;
use std::path::Path;

use crate::config::plan::Plan;
use crate::config::show_duration;
use crate::engine::backups;

/// What the daemon will do: where, how often, how many are kept, what is left out.
pub(super) fn lines(plan: &Plan) -> Vec<String> {
    let Some(backup) = &plan.backup else { return Vec::new() };
    let mut lines = vec![
        format!("every {} a copy of everything into {}", show_duration(backup.every_ms), backup.folder.display()),
        format!("the newest {} are kept; the config, and cultures of your own, go in too", backup.keep),
    ];
    let secrets = backups::left_out(&plan.file);
    lines.push(if secrets.is_empty() {
        "files with secrets would be left out; the config names none".to_owned()
    } else {
        format!("left out, because they are secret, and listed: {}", secrets.join(", "))
    });
    lines
}

/// What is worth knowing of it.
pub(super) fn notes(plan: &Plan, notes: &mut Vec<String>) {
    let Some(backup) = &plan.backup else {
        notes.push("No [backup]: a card that dies takes the whole history with it.".to_owned());
        return;
    };
    if !backup.folder.is_dir() {
        notes.push(format!(
            "{} is not there now: is the disk plugged in? No backup is made until it is.",
            backup.folder.display()
        ));
    } else if disk_of(&backup.folder).is_some_and(|disk| Some(disk) == disk_of(&plan.store.folder)) {
        notes.push(
            "The backups lie on the same disk as the store: a disk that dies takes both. A folder on another one is wiser."
                .to_owned(),
        );
    }
}

/// The disk that `path` lies on, or would: that of the nearest folder above it that is there.
fn disk_of(path: &Path) -> Option<u64> {
    path.ancestors().find_map(|path| path.metadata().ok()).map(|found| found.dev())
}
