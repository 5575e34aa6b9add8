//! The one loop that owns the live state.
//!
//! In: deliveries of the sources, entries of the logbook, reports of the store's writer, outcomes
//! of the messengers, the clock. Out: changes for the store, receipts for the brokers, messages for
//! the messengers, a snapshot for the status. The judgement itself is the pure `watch::Keeper`'s.
//!
//! A sample goes to the watches and to the store side by side: a failing store silences no alert.
//! Left out: connecting, disk and HTTP, which have rooms of their own.

pub mod backups;
pub mod brought;
pub mod clock;
mod entries;
pub mod forwarder;
pub mod forwarding;
mod messages;
pub mod notify;
mod parts;
mod rebuild;
pub mod replay;
pub mod restore;
pub mod shelf;
mod standing;
mod tally;
mod telling;
pub mod timekeeping;
mod view;
pub mod wear;
pub mod wishes;

use std::collections::VecDeque;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{broadcast, mpsc, oneshot, watch};
use tracing::{error, info, warn};

use crate::climate::Stamp;
use crate::climate::stamp::MINUTE_MS;
use crate::config::Plan;
use crate::deliver::{Deliverer, Outcome};
use crate::grow::logbook::Entry;
use crate::ingest::{Delivery, Receipt, SourceState};
use crate::status::snapshot::Snapshot;
use crate::store::{Change, Known, Reader, Report, Urgency, Writer};
use crate::watch::alert::{Alert, AlertEvent};
use crate::watch::dating::{Dated, Dating};
use crate::watch::keeper::Keeper;

use clock::Clock;
use messages::Riding;
use rebuild::Rebuilds;
use tally::{Refused, Tally};
use telling::Telling;

/// Deliveries taken in one round before their changes go to the writer: large rounds under load, one
/// message when idle.
const ROUND_MAX: usize = 512;

/// How long the writer gets for its last commits; within it the brokers must still be told.
const FLUSH_WITHIN: Duration = Duration::from_secs(2);

/// How often silence, new entries and the snapshot are looked at.
const TICK: Duration = Duration::from_millis(250);

/// On the samples' clock the watches are ticked as often as this.
const SAMPLES_TICK_MS: i64 = MINUTE_MS;

/// Everything the loop listens to.
pub struct Inlets {
    /// From the sources; closed when they have stopped.
    pub deliveries: mpsc::Receiver<Delivery>,
    /// From the store's writer.
    pub reports: mpsc::UnboundedReceiver<Report>,
    /// From the messengers.
    pub outcomes: mpsc::UnboundedReceiver<Outcome>,
    /// How the backups stand.
    pub backups: mpsc::UnboundedReceiver<backups::Standing>,
    /// From the forwarders.
    pub forwards: mpsc::Receiver<forwarding::Ask>,
    /// Why the config that was read last was not taken over; `None`: it is the one in force.
    pub refused_config: watch::Receiver<Option<String>>,
    /// From the page.
    pub asked: mpsc::Receiver<shelf::Asked>,
}

/// What the loop speaks to.
pub struct Outlets {
    /// The store's writer; `None` while the store could not be opened.
    pub writer: Option<Writer>,
    /// The messengers.
    pub deliverer: Deliverer,
    /// For the status.
    pub snapshots: watch::Sender<Arc<Snapshot>>,
    /// Alert events as they happen, for whoever listens.
    pub events: broadcast::Sender<AlertEvent>,
    /// For the sources: whether the store fails, so that nothing is acknowledged.
    pub store_fails: watch::Sender<bool>,
    /// For the daemon: the machine's clock was set, so everything is to start again with it.
    pub stepped: watch::Sender<bool>,
}

/// A source as it stands.
struct SourceLive {
    state: SourceState,
    since: Stamp,
    bound: Option<SocketAddr>,
}

/// What one ticket of the writer stands for.
struct Pending {
    ticket: u64,
    receipts: Vec<Receipt>,
    stored: Vec<usize>,
    told: Vec<oneshot::Sender<()>>,
}

/// What one round of deliveries adds up to.
#[derive(Default)]
struct Round {
    changes: Vec<Change>,
    receipts: Vec<Receipt>,
    stored: Vec<usize>,
    told: Vec<oneshot::Sender<()>>,
    at_once: bool,
}

/// The live state.
pub struct Engine {
    plan: Arc<Plan>,
    clock: Clock,
    /// The machine's clock, for what must not run at the samples' speed.
    wall: Clock,
    keeper: Keeper,
    dating: Vec<Dating<Riding>>,
    /// Scratch, empty between calls.
    dated: Vec<Dated<Riding>>,
    probe_ids: Vec<i64>,
    seen: Known,
    entries: Vec<Entry>,
    reader: Option<Reader>,
    data_version: i64,
    /// Something was renamed since the start.
    renamed: bool,
    telling: Telling,
    outlets: Outlets,
    round: Round,
    pending: VecDeque<Pending>,
    events: Vec<AlertEvent>,
    sources: Vec<SourceLive>,
    tally: Tally,
    rebuilds: Rebuilds,
    forwarding: forwarding::Forwarding,
    standing: standing::Keeping,
    timekeeping: Option<timekeeping::Timekeeping>,
    /// When the newest backup was made, as the store knows it.
    backup_newest: Option<Stamp>,
    /// Alerts that ended while no store could be opened.
    unstored: Vec<Alert>,
    /// Alerts of a run without a store are on their way into it.
    is_bringing: bool,
    store_fault: Option<String>,
    shown_at: Option<Stamp>,
    ticked_at: Stamp,
    changed: bool,
}

impl Engine {
    /// An engine that carries on from what was restored.
    pub fn new(plan: Arc<Plan>, clock: Clock, restored: restore::Restored, outlets: Outlets) -> Engine {
        let now = clock.now();
        let not_yet = |_| SourceLive { state: SourceState::Connecting, since: now, bound: None };
        let sources = plan.setup.sources.iter().map(not_yet).collect();
        let folder: PathBuf = plan.store.folder.clone();
        let mut engine = Engine {
            dating: plan.setup.probes.iter().map(|probe| Dating::new(probe.every_ms)).collect(),
            dated: Vec::new(),
            tally: Tally::new(restored.stored_by_probe, restored.refused_by_probe),
            rebuilds: Rebuilds::new(folder.clone()),
            standing: standing::Keeping::new(folder),
            forwarding: restored.forwarding,
            telling: Telling::new(&plan, restored.told, restored.keeper.alerts(), restored.next_outbox_id),
            keeper: restored.keeper,
            probe_ids: restored.probe_ids,
            seen: restored.seen,
            entries: restored.entries,
            data_version: 0,
            renamed: false,
            reader: restored.reader,
            store_fault: restored.fault,
            timekeeping: restored.timekeeping,
            backup_newest: restored.backup_newest,
            unstored: restored.unstored,
            is_bringing: restored.is_bringing,
            plan,
            wall: clock.machine(),
            clock,
            outlets,
            round: Round { changes: restored.changes, ..Round::default() },
            pending: VecDeque::new(),
            events: Vec::new(),
            sources,
            shown_at: None,
            ticked_at: now,
            changed: true,
        };
        let missed: Vec<Entry> = restore::not_applied(&engine.entries, restored.applied_up_to).cloned().collect();
        for entry in &missed {
            engine.apply(entry, now);
        }
        let messengers: Vec<&str> = engine.plan.messengers.iter().map(|messenger| messenger.name.as_str()).collect();
        engine.keeper.parts_are(&messengers, engine.plan.backup.is_some(), now, &mut engine.events);
        if let Some(why) = engine.store_fault.clone() {
            engine.keeper.store_state(false, &why, now, &mut engine.events);
        }
        // Nobody sees an empty state, neither at a start nor when everything starts again.
        engine.show(true);
        engine
    }

    /// Runs until the sources have stopped and all they delivered is handed to the writer; gives the
    /// outlets back for an orderly end.
    pub async fn run(mut self, mut inlets: Inlets) -> Outlets {
        let mut deliveries = Vec::with_capacity(ROUND_MAX);
        let mut tick = tokio::time::interval(TICK);
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let mut rebuilt = self.rebuilds.take_results();
        if self.reader.is_some() {
            // The logbook may have been written to while nobody ran.
            self.keep_standing();
        }
        self.config(&mut inlets.refused_config);
        self.end_round();
        loop {
            tokio::select! {
                count = inlets.deliveries.recv_many(&mut deliveries, ROUND_MAX) => {
                    if count == 0 {
                        break;
                    }
                    for delivery in deliveries.drain(..) {
                        self.deliver(delivery);
                    }
                }
                Some(report) = inlets.reports.recv() => self.report(report),
                Some(outcome) = inlets.outcomes.recv() => self.outcome(&outcome),
                Some(standing) = inlets.backups.recv() => self.backup(&standing),
                Ok(()) = inlets.refused_config.changed() => self.config(&mut inlets.refused_config),
                Some(ask) = inlets.forwards.recv() => self.forward(ask),
                Some(result) = rebuilt.recv() => self.rebuilt(result),
                Some(asked) = inlets.asked.recv() => self.asked(asked),
                _ = tick.tick() => self.tick(),
            }
            self.end_round();
        }
        self.drain(&mut inlets).await
    }

    /// The sources have stopped: what they left is written, told and shown, within the writer's own bound.
    async fn drain(mut self, inlets: &mut Inlets) -> Outlets {
        let now = self.clock.now();
        for probe in 0..self.dating.len() {
            self.release_held(probe, now, true);
        }
        self.round.changes.extend(self.tally.refused_changes(&self.probe_ids, Stamp(i64::MAX)));
        self.end_round();
        if self.outlets.writer.is_none() {
            // Its folder may be there only now.
            self.keep_standing();
        }
        if let Some(writer) = self.outlets.writer.take() {
            let ended = tokio::task::spawn_blocking(move || writer.flush_and_stop(FLUSH_WITHIN)).await;
            match ended {
                Ok(Ok(())) => {}
                Ok(Err(why)) => error!("the store did not take everything before the end: {why}"),
                Err(why) => error!("the store's writer ended badly: {why}"),
            }
        }
        while let Ok(report) = inlets.reports.try_recv() {
            self.report(report);
        }
        self.show(true);
        let Engine { standing, outlets, .. } = self;
        // It writes a few kilobytes; a card that hangs is left to the stop's own bound.
        let _ = tokio::task::spawn_blocking(move || standing.finish()).await;
        outlets
    }

    fn deliver(&mut self, delivery: Delivery) {
        match delivery {
            Delivery::Message(message) => self.message(message),
            Delivery::Refused { source, probe, reason, count, excerpt } => {
                let refused = Refused { source, probe, reason, count, excerpt: &excerpt };
                self.tally.refuse(&self.plan, &refused, self.clock.now());
                self.changed = true;
            }
            Delivery::Source { source, state, at, why, bound } => {
                self.source(source, state, at, &why);
                self.sources[source].bound = bound;
            }
        }
    }

    fn tick(&mut self) {
        let now = self.clock.now();
        for probe in 0..self.dating.len() {
            self.release_held(probe, now, false);
        }
        self.poll_entries(now);
        self.look_at_the_clock(now);
        self.keeper.tick(now, &mut self.events);
        for probe in self.keeper.take_fahrenheit() {
            let name = &self.plan.probes[probe].name;
            warn!("probe {name}: its temperatures look like Fahrenheit; let it send Celsius, or the figures are wrong");
        }
        self.tell_what_is_due();
        self.want_rebuilds();
        self.start_rebuild();
        self.round.changes.extend(self.tally.refused_changes(&self.probe_ids, self.wall.now()));
    }

    fn report(&mut self, report: Report) {
        let now = self.clock.now();
        match report {
            Report::Committed { ticket, seconds, .. } => {
                self.tally.commit(seconds);
                self.committed(ticket);
                if std::mem::take(&mut self.is_bringing) {
                    self.keep_standing();
                }
                if self.store_fault.take().is_some() {
                    self.outlets.store_fails.send_replace(false);
                    info!("the store takes samples again");
                }
                self.keeper.store_state(true, "", now, &mut self.events);
            }
            Report::Failing { why, waiting } => {
                if self.store_fault.as_deref() != Some(why.as_str()) {
                    error!(waiting, "{why}");
                }
                self.keeper.store_state(false, &why, now, &mut self.events);
                self.store_fault = Some(why);
                self.outlets.store_fails.send_replace(true);
            }
            Report::Sealed { probe, stamps } => self.seen.sealed(probe, &stamps),
            Report::Unsealed { why } => error!("samples could not be packed, and stay as they are: {why}"),
            Report::Dropped { samples, more } => {
                for (probe_id, at) in samples {
                    self.seen.remove(probe_id, at);
                    let probe = self.probe_ids.iter().position(|id| *id == probe_id);
                    // Its commit must not count it as stored.
                    let stored = |pending: &mut Pending| {
                        let place = pending.stored.iter().position(|stored| Some(*stored) == probe);
                        place.map(|place| pending.stored.swap_remove(place))
                    };
                    let _ = self.pending.iter_mut().find_map(stored);
                    let source = probe.map_or(0, |probe| self.plan.probes[probe].source);
                    let reason = crate::wire::Refusal::Overflow;
                    let refused =
                        Refused { source, probe, reason, count: 1, excerpt: "the store has failed for too long" };
                    self.tally.refuse(&self.plan, &refused, now);
                }
                if more > 0 {
                    error!("{more} further samples were given up, because the store has failed for too long");
                }
            }
        }
        self.changed = true;
    }

    /// Everything up to `ticket` is on stable storage: brokers are told, counts go up.
    fn committed(&mut self, ticket: u64) {
        while self.pending.front().is_some_and(|pending| pending.ticket <= ticket) {
            let Some(pending) = self.pending.pop_front() else { break };
            for receipt in pending.receipts {
                receipt.give();
            }
            for probe in pending.stored {
                self.tally.stored_by_probe[probe] += 1;
            }
            for told in pending.told {
                // The messenger may have gone ahead after its 50 ms.
                let _ = told.send(());
            }
        }
        self.rebuilds.committed(ticket);
    }

    /// On the samples' clock an hour may pass between two ticks of the machine's.
    fn tick_with_the_samples(&mut self) {
        let now = self.clock.now();
        if matches!(self.clock, Clock::Samples(_)) && now.since(self.ticked_at) >= SAMPLES_TICK_MS {
            self.ticked_at = now;
            self.keeper.tick(now, &mut self.events);
        }
    }

    /// Hands what the round added up to to the writer and the messengers, and shows it.
    fn end_round(&mut self) {
        self.tick_with_the_samples();
        self.pass_on_events();
        self.forwarding.changes(&mut self.round.changes);
        let round = std::mem::take(&mut self.round);
        if !round.changes.is_empty() || !round.receipts.is_empty() {
            self.changed = true;
            if let Some(writer) = &self.outlets.writer {
                let within = round.receipts.iter().filter_map(Receipt::within).min();
                let urgency = match within {
                    _ if round.at_once => Urgency::AtOnce,
                    Some(within) => Urgency::Within(within),
                    None => Urgency::WhenDue,
                };
                let ticket = writer.write(round.changes, urgency, round.receipts.len());
                self.rebuilds.wrote(ticket);
                self.pending.push_back(Pending {
                    ticket,
                    receipts: round.receipts,
                    stored: round.stored,
                    told: round.told,
                });
            }
            // Without a writer nothing is acknowledged: the receipts are dropped ungiven, and the broker sends again.
        }
        self.show(false);
    }

    /// Alert events of the round: into the store, the outbox, the log.
    fn pass_on_events(&mut self) {
        self.keep_silent_changes();
        if self.events.is_empty() {
            return;
        }
        for event in std::mem::take(&mut self.events) {
            info!(
                severity = event.alert.severity.word(),
                subject = event.alert.subject,
                watch = event.alert.watch.word(),
                "alert {}: {}",
                event.kind.word(),
                event.alert.text
            );
            self.round.changes.push(Change::Alert(event.alert.clone()));
            self.keep_unstored(&event.alert);
            self.forwarding.alert();
            self.tell_event(&event);
            // Nobody may be listening.
            let _ = self.outlets.events.send(event);
        }
        self.round.at_once = true;
        self.tell();
        self.keep_standing();
    }
}
