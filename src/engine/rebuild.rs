//! A tub's figures computed anew from the store: after a late sample, a backdated entry, a new tub;
//! a heat run likewise.
//!
//! The reading runs beside the loop. It starts only when everything written before it was asked for
//! is on the disk; what arrives meanwhile the keeper holds back and adds.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use tokio::sync::mpsc;
use tracing::warn;

use crate::climate::Stamp;
use crate::config::Plan;
use crate::engine::Engine;
use crate::grow::heat_run::{self, HeatRun};
use crate::grow::logbook::Run;
use crate::grow::thermal::Exposure;
use crate::grow::tub::Tub;
use crate::store::{Reader, figures, heat};

/// Which tubs wait, and how far the store is.
pub(super) struct Rebuilds {
    folder: PathBuf,
    /// What, and the ticket that must be committed first.
    wanted: BTreeMap<Subject, u64>,
    running: bool,
    written: u64,
    committed: u64,
    results: mpsc::Sender<Rebuilt>,
    receiver: Option<mpsc::Receiver<Rebuilt>>,
}

/// What is computed anew.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Subject {
    /// A heat run, by name: somebody stands beside it, so it comes first.
    Heat(String),
    /// A tub's figures, by its id.
    Tub(String),
}

/// One subject, computed anew.
pub(super) struct Rebuilt {
    subject: Subject,
    figures: Result<Figures, String>,
}

enum Figures {
    Heat(Box<(HeatRun, Vec<heat_run::Event>)>),
    Tub(Box<Exposure>),
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
        if self.rebuilds.wanted.contains_key(&result.subject) {
            return;
        }
        let now = self.clock.now();
        match (result.subject, result.figures) {
            (Subject::Tub(id), Ok(Figures::Tub(exposure))) => self.keeper.finish_rebuild(&id, *exposure),
            (Subject::Heat(name), Ok(Figures::Heat(folded))) => {
                self.keeper.finish_heat_rebuild(&name, Some(*folded), now, &mut self.events);
            }
            (Subject::Tub(id), figures) => {
                warn!("the figures of tub {id} could not be computed anew: {}", figures.err().unwrap_or_default());
                self.keeper.abandon_rebuild(&id);
            }
            (Subject::Heat(name), figures) => {
                warn!("the heat run {name} could not be followed anew: {}", figures.err().unwrap_or_default());
                self.keeper.finish_heat_rebuild(&name, None, now, &mut self.events);
            }
        }
        self.changed = true;
    }

    /// Asks for the figures of the tubs that a late sample or the logbook has made stale. A reading
    /// that arrives from now on is held back by the keeper; older ones are committed first.
    pub(super) fn want_rebuilds(&mut self) {
        if self.reader.is_none() || self.store_fault.is_some() {
            self.keeper.trust_heat_runs();
            return;
        }
        let this_round = u64::from(!self.round.changes.is_empty() || !self.round.receipts.is_empty());
        let ticket = self.rebuilds.written + this_round;
        let runs: Vec<String> = self.keeper.stale_heat_runs().map(|run| run.name.clone()).collect();
        for name in runs {
            if self.keeper.begin_heat_rebuild(&name) {
                self.rebuilds.wanted.insert(Subject::Heat(name), ticket);
            }
        }
        let stale: Vec<String> = self.keeper.stale_tubs().map(str::to_owned).collect();
        for tub_id in stale {
            let known = self.keeper.tubs().find(|tub| tub.id == tub_id);
            let culture = known.is_some_and(|tub| self.plan.setup.cultures.iter().any(|it| it.name == tub.culture));
            if culture && self.keeper.begin_rebuild(&tub_id) {
                self.rebuilds.wanted.insert(Subject::Tub(tub_id), ticket);
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
        let Some(subject) = ready.map(|(subject, _)| subject.clone()) else { return };
        rebuilds.wanted.remove(&subject);
        rebuilds.running = true;
        let (plan, tubs) = (Arc::clone(&self.plan), self.keeper.tubs().cloned().collect::<Vec<_>>());
        let run = match &subject {
            Subject::Heat(name) => self.keeper.heat_run(name).cloned(),
            Subject::Tub(_) => None,
        };
        let (results, folder, until) = (rebuilds.results.clone(), rebuilds.folder.clone(), self.clock.now().plus(1));
        tokio::task::spawn_blocking(move || {
            let figures = match (&subject, run) {
                (Subject::Tub(id), _) => {
                    compute(&folder, &plan, &tubs, id, until).map(|exposure| Figures::Tub(Box::new(exposure)))
                }
                (Subject::Heat(_), Some(run)) => follow(&folder, &run, until),
                (Subject::Heat(_), None) => Err("it has ended".to_owned()),
            };
            // Nobody listens once the engine has ended.
            let _ = results.blocking_send(Rebuilt { subject, figures });
        });
    }
}

fn follow(folder: &Path, run: &Run, until: Stamp) -> Result<Figures, String> {
    let reader = Reader::open(folder).map_err(|why| why.to_string())?;
    let folded = heat::follow(&reader, run, until, true).map_err(|why| why.to_string())?;
    Ok(Figures::Heat(Box::new(folded)))
}

fn compute(folder: &Path, plan: &Plan, tubs: &[Tub], tub_id: &str, until: Stamp) -> Result<Exposure, String> {
    let tub = tubs.iter().find(|tub| tub.id == tub_id).ok_or("it has gone")?;
    let culture = plan
        .setup
        .cultures
        .iter()
        .find(|culture| culture.name == tub.culture)
        .ok_or_else(|| format!("its culture {} is not in the config", tub.culture))?;
    let reader = Reader::open(folder).map_err(|why| why.to_string())?;
    figures::exposure(&reader, tub, tubs, &plan.setup, culture, until, true)
        .map(|figures| figures.exposure)
        .map_err(|why| why.to_string())
}
