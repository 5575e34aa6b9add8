//! Telling the grower: a durable outbox in front of the messengers, each served by itself, in
//! order, with backoff, until it has accepted.
//!
//! In: [`OutboxItem`]s, from the store at start and from the engine as alerts change. Out: an
//! [`Outcome`] for each try, which the engine writes to the store. One messenger that is slow or
//! dead holds up no other. Nothing here needs the disk: an item waits a moment for its commit, then
//! goes. Left out: which alerts there are, and the store.

pub mod forward;
mod lane;
mod outbox;
mod webhook;

use std::collections::BTreeMap;
use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

use crate::climate::Stamp;
use crate::config::plan::MessengerPlan;
use crate::store::OutboxItem;

pub use outbox::{idempotency_key, items};

use lane::Lane;
use webhook::Webhook;

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
}

impl Deliverer {
    /// Starts a task for each messenger with what the store still holds for it, in the order of
    /// their numbers. Items of a messenger that is no longer configured stay in the store, and the
    /// log says so. One outcome is sent for each try, never more often than a messenger answers.
    pub fn start(
        messengers: &[MessengerPlan],
        waiting: Vec<OutboxItem>,
        kept: Arc<dyn Kept + Send + Sync>,
        outcomes: mpsc::UnboundedSender<Outcome>,
    ) -> Deliverer {
        Deliverer::start_with(Timing::default(), messengers, waiting, kept, outcomes)
    }

    /// [`Deliverer::start`] with other patience.
    pub fn start_with(
        timing: Timing,
        messengers: &[MessengerPlan],
        mut waiting: Vec<OutboxItem>,
        kept: Arc<dyn Kept + Send + Sync>,
        outcomes: mpsc::UnboundedSender<Outcome>,
    ) -> Deliverer {
        let (stopping, stopped) = watch::channel(false);
        let mut deliverer =
            Deliverer { lanes: BTreeMap::new(), tasks: JoinSet::new(), stopping, patience: timing.stop };
        for messenger in messengers {
            let lane = Arc::new(Lane::new(messenger.name.clone(), timing));
            let courier = lane::Courier {
                lane: Arc::clone(&lane),
                webhook: Webhook::new(messenger),
                kept: Arc::clone(&kept),
                outcomes: outcomes.clone(),
                stopped: stopped.clone(),
            };
            deliverer.tasks.spawn(courier.run());
            deliverer.lanes.insert(messenger.name.clone(), lane);
        }
        waiting.sort_by_key(|item| item.id);
        for item in waiting {
            deliverer.hand_over(item, std::future::ready(()));
        }
        deliverer
    }

    /// Hands over one item, never waiting. It goes once `committed` is ready or 50 ms have passed,
    /// whichever is first, after all that was handed over before it. `committed` should end when
    /// the item is on stable storage, and never end if it is not: what is not committed is not
    /// dropped from memory in favour of the store.
    pub fn hand_over(&self, item: OutboxItem, committed: impl Future<Output = ()> + Send + 'static) {
        match self.lanes.get(&item.messenger) {
            Some(lane) => lane.push(item, Box::pin(committed)),
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
    }
}

/// Sends "Trial: nothing is wrong." to `messenger` once, in the shape of an alert with the event
/// `trial`. Ends within 15 s.
///
/// # Errors
/// Why it was not accepted, in one plain sentence.
pub async fn try_now(messenger: &MessengerPlan, site: &str, at: Stamp) -> Result<(), String> {
    let webhook = Webhook::new(messenger)?;
    let (body, key) = (outbox::trial_body(at), outbox::trial_key(site, at));
    webhook.post(&body, &key, Timing::default().one_try).await.map_err(|refused| refused.why)
}
