//! Telling the grower: a durable outbox in front of the messengers, each served by itself, in
//! order, with backoff, until it has accepted.
//!
//! ```text
//! teller (whom, when) -> outbox (item, key, letterhead) -> lane (order, pauses, late) -> carrier
//! morning (the day's list) -^                               webhook | mail | publish | program
//! ```
//!
//! In: [`OutboxItem`]s, from the store at start and from the engine as alerts change. Out: an
//! [`Outcome`] for each try, which the engine writes to the store. One messenger that is slow or
//! dead holds up no other. Nothing here needs the disk: an item waits a moment for its commit, then
//! goes. Left out: which alerts there are, and the store.

mod carrier;
pub mod forward;
mod http;
mod lane;
mod mail;
mod message;
pub mod morning;
mod outbox;
mod program;
mod publish;
mod refused;
pub mod sign_of_life;
pub mod teller;
mod webhook;

use std::collections::BTreeMap;
use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

use crate::climate::Stamp;
use crate::config::Plan;
use crate::config::plan::{BrokerPlan, MessengerPlan, Way};
use crate::store::OutboxItem;
use crate::watch::alert::{Alert, AlertState, Severity};

pub use outbox::{Letterhead, idempotency_key};
pub use teller::Teller;

use carrier::Carrier;
use lane::Lane;
use publish::{Board, Line, Publisher};

/// What came of one try.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outcome {
    /// The outbox item.
    pub id: i64,
    /// The messenger's name.
    pub messenger: String,
    /// How often it has been tried by now.
    pub tries: u32,
    /// Accepted, or why not in one plain sentence; then it will be tried again.
    pub result: Result<(), String>,
}

/// How patient the deliverer is.
#[derive(Clone, Copy, Debug)]
pub struct Timing {
    /// The longest a try may take, answer included.
    pub one_try: Duration,
    /// The pause after a first failure; doubled with each one after it.
    pub first_pause: Duration,
    /// The longest pause. Each pause is shortened by up to half at random, so that messengers that
    /// failed together do not come back together.
    pub longest_pause: Duration,
    /// A new message cuts a pause short, but not sooner after the last try than this: it may be the
    /// one that matters, and the messenger may be back.
    pub urge_after: Duration,
    /// An item that has waited so long is told as what became of it: several tries at the longest pause
    /// have failed, and a raise and a return in a row would only puzzle.
    pub late: Duration,
    /// How long an item waits for its commit before it goes without.
    pub commit: Duration,
    /// How long a try under way may go on after `stop`.
    pub stop: Duration,
}

impl Default for Timing {
    fn default() -> Self {
        Timing {
            one_try: Duration::from_secs(15),
            first_pause: Duration::from_secs(1),
            longest_pause: Duration::from_secs(5 * 60),
            urge_after: Duration::from_secs(10),
            late: Duration::from_secs(15 * 60),
            commit: Duration::from_millis(50),
            stop: Duration::from_secs(2),
        }
    }
}

/// The store's side of the outbox: what is committed need not stay in memory.
pub trait Kept {
    /// The item numbered `id`, if it is still waiting. Blocks: called on a thread that may.
    ///
    /// # Errors
    /// Why the store cannot be read; it is asked again later.
    fn item(&self, id: i64) -> Result<Option<OutboxItem>, String>;
}

/// The messengers at work, a task for each.
pub struct Deliverer {
    lanes: BTreeMap<String, Arc<Lane>>,
    tasks: JoinSet<()>,
    stopping: watch::Sender<bool>,
    patience: Duration,
    head: Arc<Letterhead>,
    /// What stands, for those that publish; with what is told from on.
    boards: Vec<(Severity, watch::Sender<Board>)>,
    /// The connections that publish.
    publishers: JoinSet<()>,
    leaving: watch::Sender<bool>,
}

/// What was there before a start.
#[derive(Default)]
pub struct Before {
    /// What the store still holds for the messengers.
    pub waiting: Vec<OutboxItem>,
    /// Subjects that alerts stood for lately.
    pub subjects: Vec<String>,
}

impl Deliverer {
    /// Starts a task for each messenger with what the store still holds for it, in the order of
    /// their numbers, at the engine's time `now`. Items of a messenger that is no longer configured
    /// stay in the store, and the log says so. One outcome is sent for each try, never more often
    /// than a messenger answers.
    pub fn start(
        plan: &Plan,
        before: Before,
        now: Stamp,
        kept: Arc<dyn Kept + Send + Sync>,
        outcomes: mpsc::UnboundedSender<Outcome>,
    ) -> Deliverer {
        Deliverer::start_with(Timing::default(), plan, before, now, kept, outcomes)
    }

    /// [`Deliverer::start`] with other patience.
    pub fn start_with(
        timing: Timing,
        plan: &Plan,
        mut before: Before,
        now: Stamp,
        kept: Arc<dyn Kept + Send + Sync>,
        outcomes: mpsc::UnboundedSender<Outcome>,
    ) -> Deliverer {
        let (stopping, stopped) = watch::channel(false);
        let mut deliverer = Deliverer {
            lanes: BTreeMap::new(),
            tasks: JoinSet::new(),
            stopping,
            patience: timing.stop,
            head: Arc::new(Letterhead::of(plan)),
            boards: Vec::new(),
            publishers: JoinSet::new(),
            leaving: watch::channel(false).0,
        };
        let stale: Vec<String> = before.subjects.iter().map(|subject| publish::standing_topic(subject)).collect();
        let mut lines: BTreeMap<usize, Line> = BTreeMap::new();
        let mut couriers = Vec::new();
        for messenger in &plan.messengers {
            let line = match &messenger.way {
                Way::Publish { broker, .. } => plan.brokers.get(*broker).map(|plan| {
                    lines.entry(*broker).or_insert_with(|| deliverer.connect(plan, *broker, messenger, &stale)).clone()
                }),
                _ => None,
            };
            let lane = Arc::new(Lane::new(messenger.name.clone(), timing));
            let courier = lane::Courier {
                lane: Arc::clone(&lane),
                head: Arc::clone(&deliverer.head),
                carrier: Carrier::new(messenger, &plan.site, line),
                kept: Arc::clone(&kept),
                outcomes: outcomes.clone(),
                stopped: stopped.clone(),
            };
            couriers.push(courier);
            deliverer.lanes.insert(messenger.name.clone(), lane);
        }
        before.waiting.sort_by_key(|item| item.id);
        for item in before.waiting {
            let age = Duration::from_millis(now.since(item.created_at).max(0).unsigned_abs());
            deliverer.take(item, age, std::future::ready(()));
        }
        // Only now: what is late is told by all that waits of its alert.
        for courier in couriers {
            deliverer.tasks.spawn(courier.run());
        }
        deliverer
    }

    /// A connection to the broker of `plan`, shared by all that publish there.
    fn connect(&mut self, plan: &BrokerPlan, broker: usize, first: &MessengerPlan, stale: &[String]) -> Line {
        let (sender, board) = watch::channel(Board::default());
        self.boards.push((first.at_least, sender));
        tracing::debug!(broker, "telling over MQTT through {}", plan.name);
        let (publisher, line) = Publisher::new(plan, board, stale.to_vec(), self.leaving.subscribe());
        self.publishers.spawn(publisher.run());
        line
    }

    /// Shows those that publish what stands now: of each subject its worst alert, the oldest of equals.
    pub fn stands<'a>(&self, alerts: impl Iterator<Item = &'a Alert> + Clone) {
        for (at_least, board) in &self.boards {
            let mut worst: BTreeMap<String, &Alert> = BTreeMap::new();
            let over = [AlertState::Returned, AlertState::Suppressed, AlertState::Ended];
            for alert in alerts.clone().filter(|alert| alert.severity >= *at_least && !over.contains(&alert.state)) {
                let place = worst.entry(publish::standing_topic(&alert.subject)).or_insert(alert);
                if (alert.severity, std::cmp::Reverse(alert.id)) > (place.severity, std::cmp::Reverse(place.id)) {
                    *place = alert;
                }
            }
            let now: BTreeMap<String, String> =
                worst.into_iter().map(|(topic, alert)| (topic, self.head.standing(alert))).collect();
            board.send_if_modified(|shown| {
                let changed = **shown != now;
                if changed {
                    *shown = Arc::new(now);
                }
                changed
            });
        }
    }

    /// Whether anybody publishes what stands.
    pub fn publishes(&self) -> bool {
        !self.boards.is_empty()
    }

    /// Hands over one item, never waiting. It goes once `committed` is ready or 50 ms have passed,
    /// whichever is first, after all that was handed over before it. `committed` should end when
    /// the item is on stable storage, and never end if it is not: what is not committed is not
    /// dropped from memory in favour of the store.
    pub fn hand_over(&self, item: OutboxItem, committed: impl Future<Output = ()> + Send + 'static) {
        self.take(item, Duration::ZERO, committed);
    }

    fn take(&self, item: OutboxItem, age: Duration, committed: impl Future<Output = ()> + Send + 'static) {
        match self.lanes.get(&item.messenger) {
            Some(lane) => lane.push(item, age, Box::pin(committed)),
            None => tracing::warn!(
                messenger = %item.messenger,
                "a message waits for a messenger that is no longer in the config; it stays in the store"
            ),
        }
    }

    /// How many messages wait, by messenger's name, those in the store alone included.
    pub fn waiting(&self) -> Vec<(String, u64)> {
        self.lanes.iter().map(|(name, lane)| (name.clone(), lane.waiting())).collect()
    }

    /// Starts no further try, lets those under way go on for two seconds, then breaks them off; what
    /// was not accepted is in the store for the next start.
    pub async fn stop(mut self) {
        let _ = self.stopping.send(true);
        let ended = async { while self.tasks.join_next().await.is_some() {} };
        if tokio::time::timeout(self.patience, ended).await.is_err() {
            self.tasks.shutdown().await;
        }
        // Only now: a message under way needed the connection.
        let _ = self.leaving.send(true);
        let left = async { while self.publishers.join_next().await.is_some() {} };
        if tokio::time::timeout(self.patience, left).await.is_err() {
            self.publishers.shutdown().await;
        }
    }
}

/// Sends "Trial: nothing is wrong." to `messenger` of `plan` once, in the shape of an alert with the
/// event `trial`. Ends within 15 s, and two more where it takes leave of a broker.
///
/// # Errors
/// Why it was not accepted, in one plain sentence.
pub async fn try_now(plan: &Plan, messenger: &MessengerPlan, at: Stamp) -> Result<(), String> {
    let (body, key) = (outbox::trial_body(at), outbox::trial_key(&plan.site, at));
    let limit = Timing::default().one_try;
    if let Way::Publish { broker, topic } = &messenger.way {
        let broker = plan.brokers.get(*broker).ok_or_else(|| "its broker is not in the config".to_owned())?;
        return publish::trial(broker, topic, &body, limit).await;
    }
    let carrier = Carrier::new(messenger, &plan.site, None)?;
    carrier.send(&body, &key, limit).await.map_err(|refused| refused.why)
}
