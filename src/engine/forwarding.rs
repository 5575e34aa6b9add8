//! Forwarding, the engine's side: it owns how far each target has been sent, so that a position is
//! never ahead of what is committed and no late sample slips past one.
//!
//! In: what the forwarders ask ([`Ask`]), each sample's time as it is taken. Out: facts for the
//! store in the commit they belong to. The sending itself is `forwarder.rs`.

use std::sync::Arc;

use tokio::sync::{mpsc, oneshot};
use tracing::{info, warn};

use crate::climate::Stamp;
use crate::deliver::forward::position::{Piece, Position, Tags};
use crate::engine::Engine;
use crate::grow::logbook;
use crate::grow::rename::Renaming;
use crate::records::forwarded;
use crate::store::{Change, Reader, StoreError};

/// What a forwarder asks of the engine; `target` is its position in the plan.
pub enum Ask {
    /// Fix tags up to now. Whatever was taken before is in the store once `committed` ends.
    Fix {
        /// Which target.
        target: usize,
        /// A batch waits for it: commit at once.
        at_once: bool,
        /// For the answer.
        reply: oneshot::Sender<Fixed>,
    },
    /// A batch was answered for good.
    Sent {
        /// Which target.
        target: usize,
        /// What it changes.
        step: Step,
        /// Points taken, points refused.
        counts: (u64, u64),
    },
    /// The target cannot be sent to, or can again.
    State {
        /// Which target.
        target: usize,
        /// Why not.
        fault: Option<String>,
    },
}

/// Where a batch took its target.
pub enum Step {
    /// Samples before this moment; those at the moments given were sent in doubt.
    Samples(Stamp, Vec<Stamp>),
    /// All stretches that were to be sent again.
    Again,
    /// A part of such a stretch.
    Part,
    /// Logbook entries up to this one, and every alert before that one.
    Books(i64, i64),
}

/// The answer to [`Ask::Fix`].
pub struct Fixed {
    /// How far it has been sent, and what is to be sent now.
    pub position: Position,
    /// The tags up to `position.fixed`.
    pub tags: Arc<Tags>,
    /// Changes when an alert has.
    pub alerts: u64,
    /// Ends well once all that was taken before is in the store.
    pub committed: oneshot::Receiver<()>,
}

/// One target as it stands.
struct Live {
    name: String,
    position: Position,
    tags: Arc<Tags>,
    fault: Option<String>,
    /// The position is to be written with the round.
    changed: bool,
}

/// Every target.
#[derive(Default)]
pub struct Forwarding {
    targets: Vec<Live>,
    alerts: u64,
}

/// A target as the metrics show it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Seen {
    /// Its name.
    pub name: String,
    /// Everything measured before this was sent.
    pub sent: Stamp,
    /// Points taken since it began.
    pub points: u64,
    /// Points refused for good since it began.
    pub refused: u64,
}

impl Forwarding {
    /// As the store has them. A position that cannot be read begins anew: the same points once more.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn restore(reader: &Reader, names: &[&str], renamings: &[Renaming]) -> Result<Forwarding, StoreError> {
        let mut targets = Vec::new();
        for name in names {
            let position = reader.fact(&Position::key(name))?.and_then(|text| serde_json::from_str(&text).ok());
            let tags: Option<Tags> = reader.fact(&Tags::key(name))?.and_then(|text| serde_json::from_str(&text).ok());
            let mut position: Position = position.unwrap_or_default();
            let mut tags = tags.unwrap_or_default();
            tags.follow(renamings);
            // A batch may have been under way.
            let again = std::mem::take(&mut position.again);
            position.late.extend(again);
            targets.push(Live {
                name: (*name).to_owned(),
                position,
                tags: Arc::new(tags),
                fault: None,
                changed: false,
            });
        }
        Ok(Forwarding { targets, alerts: 0 })
    }

    /// A sample of `at` goes into the round: where that is behind a target, it is to be sent again.
    pub fn saw(&mut self, at: Stamp) {
        for live in &mut self.targets {
            live.changed |= live.position.saw(at);
        }
    }

    /// The clock was set: what now stands between `from` and `now` is to be sent once more, and nothing
    /// has been sent beyond now. Gives the positions to be written with that.
    pub fn clock_set(&mut self, from: Option<Stamp>, now: Stamp) -> Vec<Change> {
        for live in &mut self.targets {
            live.position.clock_set(from, now);
            live.changed = true;
        }
        let mut changes = Vec::new();
        self.changes(&mut changes);
        changes
    }

    /// An alert has changed.
    pub fn alert(&mut self) {
        self.alerts += 1;
    }

    /// The positions that the round changed.
    pub fn changes(&mut self, changes: &mut Vec<Change>) {
        for live in &mut self.targets {
            if std::mem::take(&mut live.changed)
                && let Ok(value) = serde_json::to_string(&live.position)
            {
                changes.push(Change::Fact { key: Position::key(&live.name), value });
            }
        }
    }

    /// For the metrics.
    pub fn seen(&self) -> Vec<Seen> {
        let seen = |live: &Live| Seen {
            name: live.name.clone(),
            sent: Stamp(live.position.sent),
            points: live.position.points,
            refused: live.position.refused,
        };
        self.targets.iter().map(seen).collect()
    }
}

impl Live {
    fn step(&mut self, step: Step, (points, refused): (u64, u64)) {
        let position = &mut self.position;
        position.points += points;
        position.refused += refused;
        match step {
            Step::Samples(upto, doubtful) => {
                position.sent = position.sent.max(upto.0);
                doubtful.into_iter().for_each(|at| position.doubt(at));
            }
            Step::Again => position.again.clear(),
            Step::Part => {}
            Step::Books(entry, alert) => (position.entry, position.alert) = (entry, alert),
        }
        self.changed = true;
    }

    fn state(&mut self, fault: Option<String>) {
        match (&self.fault, &fault) {
            (None, Some(why)) => warn!("forward {}: {why}; it is tried again until it takes what waits", self.name),
            (Some(_), None) => info!("forward {}: takes what is sent again", self.name),
            _ => {}
        }
        self.fault = fault;
    }
}

impl Engine {
    /// Does what a forwarder asks.
    pub(super) fn forward(&mut self, ask: Ask) {
        match ask {
            Ask::Fix { target, at_once, reply } => self.fix(target, at_once, reply),
            Ask::Sent { target, step, counts } => self.forwarding.targets[target].step(step, counts),
            Ask::State { target, fault } => self.forwarding.targets[target].state(fault),
        }
        self.changed = true;
    }

    fn fix(&mut self, target: usize, at_once: bool, reply: oneshot::Sender<Fixed>) {
        let known: Vec<String> = self.forwarding.targets[target].tags.0.keys().cloned().collect();
        let tubs = logbook::tubs(&self.entries, self.plan.timezone);
        let places = forwarded::places(&self.plan.setup, &tubs, &known);
        let live = &mut self.forwarding.targets[target];
        let mut tags = Tags::clone(&live.tags);
        let fixed = Stamp(live.position.fixed);
        let mut changed = false;
        for (probe, turns) in places {
            let piece = |(from, space, tub): (Stamp, String, String)| Piece { from: from.0, space, tub };
            let pieces: Vec<Piece> = turns.into_iter().map(piece).collect();
            changed |= tags.fix(&probe, fixed, &pieces);
        }
        live.position.fix(self.clock.now());
        live.changed = true;
        if changed {
            live.tags = Arc::new(tags);
            if let Ok(value) = serde_json::to_string(&*live.tags) {
                self.round.changes.push(Change::Fact { key: Tags::key(&live.name), value });
            }
        }
        let (told, committed) = oneshot::channel();
        self.round.told.push(told);
        self.round.at_once |= at_once;
        let fixed = Fixed {
            position: live.position.clone(),
            tags: Arc::clone(&live.tags),
            alerts: self.forwarding.alerts,
            committed,
        };
        // The forwarder may have been stopped.
        let _ = reply.send(fixed);
    }
}

/// How many asks wait for the engine: one for each of a few targets is all there ever are.
const ASKS_MAX: usize = 16;

/// The way from the forwarders to the engine.
pub fn channel() -> (mpsc::Sender<Ask>, mpsc::Receiver<Ask>) {
    mpsc::channel(ASKS_MAX)
}
