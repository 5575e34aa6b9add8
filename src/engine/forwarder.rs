//! Forwarding, the sending side: one task for each target, which reads the store beside the engine
//! and posts what is new, in order.
//!
//! In: the store, by a reader of its own; how far a target has been sent, from the engine. Out:
//! batches to the target, and their outcome to the engine. Nothing is held beyond two batches,
//! however long a target is away: the store is the queue.

use std::ops::ControlFlow;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinSet;
use tracing::warn;

use super::forwarding::{Ask, Fixed, Step};
use crate::climate::Stamp;
use crate::climate::stamp::MINUTE_MS;
use crate::config::Plan;
use crate::config::plan::{ForwardPlan, Precision};
use crate::deliver::forward::position::{Stretch, Tags};
use crate::deliver::forward::{Batch, Taken, Target};
use crate::grow::logbook;
use crate::records::forwarded::{self, PerMs};
use crate::store::history::Form;
use crate::store::{JudgedMessage, Reader};
use crate::watch::alert::AlertState;

/// Lines in one request, and its bytes: what a database on a small machine takes in one go.
const BATCH_LINES: u64 = 5_000;
const BATCH_BYTES: usize = 1 << 20;

/// A sample whose judgement is open, and younger than this, is waited for.
const OPEN_MS: i64 = 10 * MINUTE_MS;

/// The pause where nothing is new, and after a fault of our own.
const PAUSE_LEAST: Duration = Duration::from_secs(1);

/// The forwarders at work.
pub struct Forwarder(JoinSet<()>);

impl Forwarder {
    /// Starts one for each target of the plan. One that cannot be used at all is said once.
    pub fn start(plan: &Arc<Plan>, asks: &mpsc::Sender<Ask>) -> Forwarder {
        let mut tasks = JoinSet::new();
        for (index, forward) in plan.forwards.iter().enumerate() {
            match Target::new(forward) {
                Ok(target) => {
                    let line = Line { plan: Arc::clone(plan), index, target, asks: asks.clone() };
                    tasks.spawn(line.run());
                }
                Err(why) => warn!("forward {}: {why}", forward.name),
            }
        }
        Forwarder(tasks)
    }

    /// Ends them, in the midst of a request if need be: what was not answered is sent again.
    pub async fn stop(mut self) {
        self.0.shutdown().await;
    }
}

/// One target's way.
struct Line {
    plan: Arc<Plan>,
    index: usize,
    target: Target,
    asks: mpsc::Sender<Ask>,
}

/// A part of a stretch, ready to go.
struct Part {
    batch: Batch,
    upto: Stamp,
    doubtful: Vec<Stamp>,
}

impl Line {
    async fn run(self) {
        let every = self.plan.store.commit_every.max(PAUSE_LEAST);
        let (mut alerts_seen, mut behind) = (None, true);
        loop {
            let Some(fixed) = self.fix(behind).await else { return };
            match self.round(fixed, &mut alerts_seen).await {
                Ok(()) => behind = false,
                Err(why) => {
                    warn!("forward {}: {why}", self.forward().name);
                    behind = true;
                }
            }
            tokio::time::sleep(every).await;
        }
    }

    fn forward(&self) -> &ForwardPlan {
        &self.plan.forwards[self.index]
    }

    /// Fixes tags up to now; `None` once the engine has ended.
    async fn fix(&self, at_once: bool) -> Option<Fixed> {
        let (reply, answer) = oneshot::channel();
        self.asks.send(Ask::Fix { target: self.index, at_once, reply }).await.ok()?;
        answer.await.ok()
    }

    /// Sends all that is new up to what was fixed.
    async fn round(&self, fixed: Fixed, alerts_seen: &mut Option<u64>) -> Result<(), String> {
        let Fixed { position, tags, alerts, committed } = fixed;
        committed.await.map_err(|_| "the store takes nothing at the moment; it goes on when it does".to_owned())?;
        for stretch in &position.again {
            self.stretch(*stretch, &tags, &|_, _| Step::Part).await?;
        }
        if !position.again.is_empty() {
            self.sent(Step::Again, &Taken::default()).await;
        }
        self.stretch(Stretch(position.sent, position.fixed), &tags, &Step::Samples).await?;
        self.books(position.entry, position.alert, *alerts_seen != Some(alerts)).await?;
        *alerts_seen = Some(alerts);
        Ok(())
    }

    /// Sends one stretch of samples, part by part.
    async fn stretch(
        &self,
        stretch: Stretch,
        tags: &Arc<Tags>,
        step: &(dyn Fn(Stamp, Vec<Stamp>) -> Step + Sync),
    ) -> Result<(), String> {
        if stretch.0 >= stretch.1 {
            return Ok(());
        }
        let (parts_in, mut parts) = mpsc::channel(1);
        let (plan, tags, index) = (Arc::clone(&self.plan), Arc::clone(tags), self.index);
        let reading = tokio::task::spawn_blocking(move || read(&plan, index, stretch, &tags, &parts_in));
        while let Some(Part { batch, upto, doubtful }) = parts.recv().await {
            let taken = self.send(batch).await;
            self.sent(step(upto, doubtful), &taken).await;
        }
        reading.await.map_err(|why| why.to_string())?
    }

    /// Sends new logbook entries, and alerts that may have changed.
    async fn books(&self, entry: i64, alert: i64, alerts_changed: bool) -> Result<(), String> {
        let plan = Arc::clone(&self.plan);
        let index = self.index;
        let read = move || books(&plan, index, entry, alert, alerts_changed);
        let (batches, entry, alert) = tokio::task::spawn_blocking(read).await.map_err(|why| why.to_string())??;
        let mut taken = Taken::default();
        let none = batches.is_empty();
        for batch in batches {
            let one = self.send(batch).await;
            taken.points += one.points;
            taken.refused += one.refused;
        }
        if !none {
            self.sent(Step::Books(entry, alert), &taken).await;
        }
        Ok(())
    }

    /// Sends one batch until it is answered for good.
    async fn send(&self, batch: Batch) -> Taken {
        if batch.count == 0 {
            return Taken::default();
        }
        let mut troubled = false;
        let taken = self
            .target
            .send(batch, |why| {
                // A full queue means that the engine has more to do than to hear it again.
                let told = Ask::State { target: self.index, fault: Some(why.to_owned()) };
                let _ = self.asks.try_send(told);
                troubled = true;
            })
            .await;
        if troubled {
            // The engine ends only after its forwarders.
            let _ = self.asks.send(Ask::State { target: self.index, fault: None }).await;
        }
        if taken.refused > 0 {
            let (name, why) = (&self.forward().name, taken.words.join("; "));
            warn!("forward {name}: {} points were refused for good: {why}", taken.refused);
        }
        taken
    }

    async fn sent(&self, step: Step, taken: &Taken) {
        let counts = (taken.points, taken.refused);
        // The engine ends only after its forwarders.
        let _ = self.asks.send(Ask::Sent { target: self.index, step, counts }).await;
    }
}

fn per_ms(precision: Precision) -> PerMs {
    match precision {
        Precision::Nanoseconds => PerMs::Times(1_000_000),
        Precision::Microseconds => PerMs::Times(1_000),
        Precision::Milliseconds => PerMs::Times(1),
        Precision::Seconds => PerMs::Over(1_000),
    }
}

/// Reads one stretch and hands it over part by part, waiting for each to be taken. Blocks.
fn read(plan: &Plan, index: usize, stretch: Stretch, tags: &Tags, parts: &mpsc::Sender<Part>) -> Result<(), String> {
    let reader = Reader::open(&plan.store.folder).map_err(|why| why.to_string())?;
    let names: Vec<&str> = tags.0.keys().map(String::as_str).collect();
    let per_ms = per_ms(plan.forwards[index].precision);
    let (from, to) = (Stamp(stretch.0), Stamp(stretch.1));
    let mut part = Part { batch: Batch::default(), upto: from, doubtful: Vec::new() };
    let (mut held_back, mut gone) = (None, false);
    let mut visit = |probe: usize, message: &JudgedMessage| {
        if !message.settled && to.since(message.at) < OPEN_MS {
            held_back = Some(message.at);
            return ControlFlow::Break(());
        }
        let full = part.batch.count >= BATCH_LINES || part.batch.lines.len() >= BATCH_BYTES;
        // Only between two moments: those of one moment go together.
        if full && message.at > part.upto {
            let next = Part { batch: Batch::default(), upto: message.at, doubtful: Vec::new() };
            let mut whole = std::mem::replace(&mut part, next);
            whole.upto = message.at;
            if parts.blocking_send(whole).is_err() {
                gone = true;
                return ControlFlow::Break(());
            }
        }
        part.upto = message.at;
        if !message.settled {
            part.doubtful.push(message.at);
        }
        let place = tags.at(names[probe], message.at);
        let place = place.map_or(("", ""), |piece| (piece.space.as_str(), piece.tub.as_str()));
        let lines = &mut part.batch.lines;
        part.batch.count += u64::from(forwarded::message(lines, &plan.site, names[probe], place, message, per_ms));
        ControlFlow::Continue(())
    };
    reader.history(&names, from, to, Form::Corrected, &mut visit).map_err(|why| why.to_string())?;
    if !gone {
        part.upto = held_back.unwrap_or(to);
        // Refused only where this is being stopped.
        let _ = parts.blocking_send(part);
    }
    Ok(())
}

type Books = (Vec<Batch>, i64, i64);

/// Reads entries after `entry` and, where asked to, alerts from `alert` on. Blocks.
fn books(plan: &Plan, index: usize, entry: i64, alert: i64, alerts_changed: bool) -> Result<Books, String> {
    let reader = Reader::open(&plan.store.folder).map_err(|why| why.to_string())?;
    let per_ms = per_ms(plan.forwards[index].precision);
    let mut batches = vec![Batch::default()];
    let room = |batches: &mut Vec<Batch>| {
        if batches.last().is_none_or(|last| last.count >= BATCH_LINES) {
            batches.push(Batch::default());
        }
    };
    let new = reader.entries_after(entry).map_err(|why| why.to_string())?;
    let mut newest = entry;
    if !new.is_empty() {
        let all = reader.entries().map_err(|why| why.to_string())?;
        let tubs = logbook::tubs(&all, plan.timezone);
        for entry in &new {
            room(&mut batches);
            if let Some(batch) = batches.last_mut() {
                batch.count += u64::from(forwarded::entry(&mut batch.lines, &plan.site, entry, &tubs, per_ms));
            }
            newest = newest.max(entry.id);
        }
    }
    let mut first_open = alert;
    if alerts_changed {
        let alerts = reader.alerts_from(alert).map_err(|why| why.to_string())?;
        for alert in &alerts {
            room(&mut batches);
            if let Some(batch) = batches.last_mut() {
                batch.count += forwarded::alert(&mut batch.lines, &plan.site, alert, per_ms);
            }
        }
        let open = alerts.iter().find(|alert| alert.state != AlertState::Ended).map(|alert| alert.id);
        first_open = open.or(alerts.last().map(|alert| alert.id + 1)).unwrap_or(first_open);
    }
    batches.retain(|batch| batch.count > 0);
    Ok((batches, newest, first_open))
}
