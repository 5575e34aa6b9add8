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
use crate::grow::culture::Requirement;
use crate::grow::heat_run::{self, HeatRun};
use crate::grow::logbook::{self, Run};
use crate::grow::tub::{Stage, Tub};
use crate::store::figures::{self, Past};
use crate::store::{Reader, heat, past as learning};

/// Which tubs wait, and how far the store is.
pub(super) struct Rebuilds {
    folder: PathBuf,
    /// What, and the ticket that must be committed first.
    wanted: BTreeMap<Subject, u64>,
    /// The logbook changed, or the daemon has just started: what past tubs teach may be something else.
    pub(super) lessons_stale: bool,
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
    /// What past tubs teach of those that are colonising.
    Lessons,
}

/// One subject, computed anew.
pub(super) struct Rebuilt {
    subject: Subject,
    figures: Result<Figures, String>,
}

enum Figures {
    Heat(Box<(HeatRun, Vec<heat_run::Event>)>),
    Tub(Box<Past>),
    Lessons(Vec<(String, Requirement, usize)>),
}

impl Rebuilds {
    pub(super) fn new(folder: PathBuf) -> Rebuilds {
        // One is computed at a time.
        let (results, receiver) = mpsc::channel(1);
        Rebuilds {
            folder,
            wanted: BTreeMap::new(),
            lessons_stale: true,
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
            (Subject::Tub(id), Ok(Figures::Tub(past))) => {
                let Past { figures, stage } = *past;
                self.keeper.know_past(&id, stage, figures.warmth);
                self.keeper.finish_rebuild(&id, figures.exposure);
            }
            (Subject::Heat(name), Ok(Figures::Heat(folded))) => {
                self.keeper.finish_heat_rebuild(&name, Some(*folded), now, &mut self.events);
            }
            (Subject::Lessons, Ok(Figures::Lessons(lessons))) => {
                let ids: Vec<String> = self.keeper.tubs().map(|tub| tub.id.clone()).collect();
                for id in ids {
                    let lesson = lessons.iter().find(|(of, ..)| *of == id);
                    self.keeper.set_requirement(&id, lesson.map(|(_, requirement, tubs)| (*requirement, *tubs)));
                }
            }
            (Subject::Lessons, figures) => {
                warn!("past tubs could not be learnt from: {}", figures.err().unwrap_or_default());
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
        if std::mem::take(&mut self.rebuilds.lessons_stale) {
            self.rebuilds.wanted.insert(Subject::Lessons, ticket);
        }
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
            Subject::Tub(_) | Subject::Lessons => None,
        };
        let own: Vec<_> = tubs.iter().map(|tub| (tub.id.clone(), self.keeper.requirement_of(&tub.id))).collect();
        let (entries, timezone) = match subject {
            Subject::Lessons => (self.entries.clone(), self.plan.timezone),
            _ => (Vec::new(), self.plan.timezone),
        };
        let (results, folder, until) = (rebuilds.results.clone(), rebuilds.folder.clone(), self.clock.now().plus(1));
        tokio::task::spawn_blocking(move || {
            let figures = match (&subject, run) {
                (Subject::Lessons, _) => lessons(&folder, &plan, &logbook::fold(&entries, timezone).tubs),
                (Subject::Tub(id), _) => {
                    let own = own.iter().find(|(of, _)| of == id).and_then(|(_, own)| *own);
                    compute(&folder, &plan, &tubs, id, own, until).map(|past| Figures::Tub(Box::new(past)))
                }
                (Subject::Heat(_), Some(run)) => follow(&folder, &run, until),
                (Subject::Heat(_), None) => Err("it has ended".to_owned()),
            };
            // Nobody listens once the engine has ended.
            let _ = results.blocking_send(Rebuilt { subject, figures });
        });
    }
}

/// What past tubs teach of each that is colonising.
fn lessons(folder: &Path, plan: &Plan, tubs: &[Tub]) -> Result<Figures, String> {
    let reader = Reader::open(folder).map_err(|why| why.to_string())?;
    let mut lessons = Vec::new();
    for culture in &plan.setup.cultures {
        let asking: Vec<&Tub> =
            tubs.iter().filter(|tub| tub.culture == culture.name && tub.stage == Stage::Colonising).collect();
        if asking.is_empty() {
            continue;
        }
        let past = learning::past_tubs(&reader, tubs, &plan.setup, culture).map_err(|why| why.to_string())?;
        let taught = |tub: &&Tub| Some((tub.id.clone(), learning::lesson(&past, tub, tubs, culture)?.learned));
        lessons.extend(asking.iter().filter_map(taught).map(|(id, it)| (id, it.requirement, it.tubs)));
    }
    Ok(Figures::Lessons(lessons))
}

fn follow(folder: &Path, run: &Run, until: Stamp) -> Result<Figures, String> {
    let reader = Reader::open(folder).map_err(|why| why.to_string())?;
    let folded = heat::follow(&reader, run, until, true).map_err(|why| why.to_string())?;
    Ok(Figures::Heat(Box::new(folded)))
}

fn compute(
    folder: &Path,
    plan: &Plan,
    tubs: &[Tub],
    tub_id: &str,
    own: Option<Requirement>,
    until: Stamp,
) -> Result<Past, String> {
    let tub = tubs.iter().find(|tub| tub.id == tub_id).ok_or("it has gone")?;
    let culture = plan
        .setup
        .cultures
        .iter()
        .find(|culture| culture.name == tub.culture)
        .ok_or_else(|| format!("its culture {} is not in the config", tub.culture))?;
    let culture = &culture.requiring(own);
    let reader = Reader::open(folder).map_err(|why| why.to_string())?;
    let past = figures::pasts(&reader, &[(tub, culture)], tubs, &plan.setup, until).map_err(|why| why.to_string())?;
    past.into_iter().next().ok_or_else(|| "nothing is known of it".to_owned())
}
