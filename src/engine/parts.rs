//! What the engine hears of the parts around it: sources, backups, the config.
//!
//! In: how each stands. Out: that in the live state, in the log, and to the watches, which alone say whether it is an
//! alert. Left out: the store and the messengers, whose word comes with their reports.

use tokio::sync::watch;
use tracing::{info, warn};

use super::{Engine, SourceLive, backups};
use crate::climate::Stamp;
use crate::ingest::SourceState;
use crate::store::Change;
use crate::watch::alert::Watch;

impl Engine {
    /// A source says how it is.
    pub(super) fn source(&mut self, source: usize, state: SourceState, at: Stamp, why: &str) {
        let at = at.max(self.clock.now());
        let live = &mut self.sources[source];
        if live.state != state {
            let name = &self.plan.setup.sources[source].name;
            match state {
                SourceState::Connected => info!("{name}: connected"),
                SourceState::Connecting if why.is_empty() => info!("{name}: connecting"),
                SourceState::Connecting | SourceState::Away => warn!("{name}: {}: {why}", state.word()),
            }
            *live = SourceLive { state, since: at, bound: None };
        }
        self.keeper.source(source, state == SourceState::Connected, at, why, &mut self.events);
        self.changed = true;
    }

    /// How the backups stand was looked at.
    pub(super) fn backup(&mut self, standing: &backups::Standing) {
        let now = self.clock.now();
        if self.backup_newest.replace(standing.newest) != Some(standing.newest) {
            let value = standing.newest.0.to_string();
            self.round.changes.push(Change::Fact { key: backups::NEWEST.to_owned(), value });
        }
        self.keeper.machine_state(Watch::BackupOld, "", standing.is_ok, &standing.why, now, &mut self.events);
    }

    /// The config was read: it is in force, or was refused.
    pub(super) fn config(&mut self, refused: &mut watch::Receiver<Option<String>>) {
        let (now, why) = (self.clock.now(), refused.borrow_and_update().clone());
        let is_ok = why.is_none();
        self.keeper.machine_state(Watch::Config, "", is_ok, &why.unwrap_or_default(), now, &mut self.events);
    }
}
