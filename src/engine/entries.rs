//! The logbook as it grows: entries that commands wrote are read and take effect.

use tracing::warn;

use crate::climate::Stamp;
use crate::engine::Engine;
use crate::engine::shelf::Asked;
use crate::grow::logbook::{self, Deed, Entry};
use crate::store::Change;

impl Engine {
    /// Looks for new entries; cheap when nothing was written.
    pub(super) fn poll_entries(&mut self, now: Stamp) {
        let Some(reader) = self.reader.as_ref().filter(|_| !self.renamed) else { return };
        let new = reader.data_version().and_then(|version| {
            if version == self.data_version {
                return Ok(Vec::new());
            }
            let last = self.entries.last().map_or(0, |entry| entry.id);
            let new = reader.entries_after(last)?;
            self.data_version = version;
            // Names of today mean nothing to the settings in force: all is taken up anew.
            if new.iter().any(|entry| matches!(entry.deed, Deed::Renamed(_))) {
                self.renamed = true;
                return Ok(Vec::new());
            }
            Ok(new)
        });
        match new {
            Ok(new) if new.is_empty() => {}
            Ok(new) => self.take_entries(new, now),
            Err(why) => warn!("the logbook could not be read: {why}"),
        }
    }

    /// Does what the page asks, shows it, and tells the page.
    pub(super) fn asked(&mut self, asked: Asked) {
        let now = self.clock.now();
        let done = match asked {
            Asked::Look(done) => {
                self.poll_entries(now);
                done
            }
            Asked::Do(deed, done) => {
                let entry = Entry { id: 0, written_at: now, at: now, tub: String::new(), deed };
                self.apply(&entry, now);
                done
            }
        };
        self.pass_on_events();
        self.show(true);
        // The page may have been closed meanwhile.
        let _ = done.send(());
    }

    fn take_entries(&mut self, new: Vec<Entry>, now: Stamp) {
        let last = new.last().map_or(0, |entry| entry.id);
        let tubs_touched = new.iter().any(|entry| !entry.deed.is_wish());
        let teaches = new.iter().any(|entry| {
            use Deed::{Amended, Colonised, Core, Harvested, Moved, Opened, Spawned};
            let deed = &entry.deed;
            matches!(deed, Spawned(_) | Colonised | Core { .. } | Moved { .. } | Opened { .. } | Harvested { .. })
                || matches!(deed, Amended { .. } | Deed::Discarded { .. } | Deed::Suspected { .. })
        });
        for entry in &new {
            self.apply(entry, now);
        }
        self.entries.extend(new);
        if tubs_touched {
            let book = logbook::fold(&self.entries, self.plan.timezone);
            self.keeper.tubs_changed(book.tubs, now, &mut self.events);
            self.keeper.heat_runs_changed(&book.heat_runs, now, &mut self.events);
            self.rebuilds.lessons_stale |= teaches;
            self.keep_standing();
        }
        self.round.changes.push(Change::AppliedUpTo(last));
        self.round.at_once = true;
    }
}
