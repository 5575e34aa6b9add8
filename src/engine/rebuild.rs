//! A tub's figures computed anew from the store: after a late sample, a backdated entry, a new tub.
//!
//! The reading runs beside the loop. It starts only when everything written before it was asked for
//! is on the disk; what arrives meanwhile the keeper holds back and adds.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use tokio::sync::mpsc;
use tracing::warn;

use crate::climate::Stamp;
use crate::climate::statistics::BandHours;
use crate::config::Plan;
use crate::engine::Engine;
use crate::grow::culture::Culture;
use crate::grow::self_heating::SelfHeating;
use crate::grow::thermal::Exposure;
use crate::grow::tub::Tub;
use crate::store::{Reader, StoreError, figures};

/// Which tubs wait, and how far the store is.
pub(super) struct Rebuilds {
    folder: PathBuf,
    /// Tub id, and the ticket that must be committed first.
    wanted: BTreeMap<String, u64>,
    running: bool,
    written: u64,
    committed: u64,
    results: mpsc::Sender<Rebuilt>,
    receiver: Option<mpsc::Receiver<Rebuilt>>,
}

/// One tub's figures, computed anew.
pub(super) struct Rebuilt {
    pub(super) tub_id: String,
    pub(super) figures: Result<Past, String>,
}

/// What the store tells of one tub.
pub(super) struct Past {
    exposure: Exposure,
    stress: BandHours,
    warmth: SelfHeating,
}

impl Rebuilds {
    pub(super) fn new(folder: PathBuf) -> Rebuilds {
        // One is computed at a time.
        let (results, receiver) = mpsc::channel(1);
        Rebuilds {
            folder,
            wanted: BTreeMap::new(),
            running: false,
            written: 0,
            committed: 0,
            results,
            receiver: Some(receiver),
        }
    }

    pub(super) fn take_results(&mut self) -> mpsc::Receiver<Rebuilt> {
        self.receiver.take().unwrap_or_else(|| mpsc::channel(1).1)
    }

    pub(super) fn wrote(&mut self, ticket: u64) {
        self.written = ticket;
    }

    pub(super) fn committed(&mut self, ticket: u64) {
        self.committed = self.committed.max(ticket);
    }
}

impl Engine {
    /// Takes a tub's figures, unless they were asked for once more meanwhile.
    pub(super) fn rebuilt(&mut self, result: Rebuilt) {
        self.rebuilds.running = false;
        if self.rebuilds.wanted.contains_key(&result.tub_id) {
            return;
        }
        match result.figures {
            Ok(Past { exposure, stress, warmth }) => {
                self.keeper.know_past(&result.tub_id, stress, warmth);
                self.keeper.finish_rebuild(&result.tub_id, exposure);
            }
            Err(why) => {
                warn!("the figures of tub {} could not be computed anew: {why}", result.tub_id);
                self.keeper.abandon_rebuild(&result.tub_id);
            }
        }
        self.changed = true;
    }

    /// Asks for the figures of the tubs that a late sample or the logbook has made stale. A reading
    /// that arrives from now on is held back by the keeper; older ones are committed first.
    pub(super) fn want_rebuilds(&mut self) {
        if self.reader.is_none() || self.store_fault.is_some() {
            return;
        }
        let stale: Vec<String> = self.keeper.stale_tubs().map(str::to_owned).collect();
        for tub_id in stale {
            let known = self.keeper.tubs().find(|tub| tub.id == tub_id);
            let culture = known.is_some_and(|tub| self.plan.setup.cultures.iter().any(|it| it.name == tub.culture));
            if culture && self.keeper.begin_rebuild(&tub_id) {
                let this_round = u64::from(!self.round.changes.is_empty() || !self.round.receipts.is_empty());
                self.rebuilds.wanted.insert(tub_id, self.rebuilds.written + this_round);
            }
        }
    }

    /// Starts the next computation whose samples are all on the disk.
    pub(super) fn start_rebuild(&mut self) {
        let rebuilds = &mut self.rebuilds;
        if rebuilds.running {
            return;
        }
        let ready = rebuilds.wanted.iter().find(|(_, ticket)| **ticket <= rebuilds.committed);
        let Some(tub_id) = ready.map(|(tub_id, _)| tub_id.clone()) else { return };
        rebuilds.wanted.remove(&tub_id);
        rebuilds.running = true;
        let (plan, tubs) = (Arc::clone(&self.plan), self.keeper.tubs().cloned().collect::<Vec<_>>());
        let (results, folder, until) = (rebuilds.results.clone(), rebuilds.folder.clone(), self.clock.now().plus(1));
        tokio::task::spawn_blocking(move || {
            let figures = compute(&folder, &plan, &tubs, &tub_id, until);
            // Nobody listens once the engine has ended.
            let _ = results.blocking_send(Rebuilt { tub_id, figures });
        });
    }
}

fn compute(folder: &Path, plan: &Plan, tubs: &[Tub], tub_id: &str, until: Stamp) -> Result<Past, String> {
    let tub = tubs.iter().find(|tub| tub.id == tub_id).ok_or("it has gone")?;
    let culture = plan
        .setup
        .cultures
        .iter()
        .find(|culture| culture.name == tub.culture)
        .ok_or_else(|| format!("its culture {} is not in the config", tub.culture))?;
    let reader = Reader::open(folder).map_err(|why| why.to_string())?;
    past(&reader, plan, tubs, tub, culture, until).map_err(|why| why.to_string())
}

fn past(
    reader: &Reader,
    plan: &Plan,
    tubs: &[Tub],
    tub: &Tub,
    culture: &Culture,
    until: Stamp,
) -> Result<Past, StoreError> {
    let figures = figures::exposure(reader, tub, tubs, &plan.setup, culture, until, true)?;
    let stress = figures::stage_stress(reader, tub, tubs, &plan.setup, culture, until, &figures)?;
    Ok(Past { exposure: figures.exposure, stress, warmth: figures.warmth })
}
