//! Start order, signals, stop order: the only file that sees every task.
//!
//! Up: lock and store, figures from the store, messengers, status, sources. Down, along the sample's
//! way: sources stop taking, the engine drains, the store commits, brokers are told, messengers end
//! their try, the status ends, the store closes. A second signal aborts.

use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{broadcast, mpsc, oneshot, watch};
use tokio::task::JoinHandle;
use tracing::{error, info, warn};

use crate::climate::Stamp;
use crate::climate::stamp::MINUTE_MS;
use crate::config::{self, Plan};
use crate::deliver::{self, Before, Deliverer};
use crate::engine::backups;
use crate::engine::clock::Clock;
use crate::engine::forwarder::Forwarder;
use crate::engine::forwarding;
use crate::engine::notify::Manager;
use crate::engine::restore::{self, RestoreError};
use crate::engine::shelf::{ASKED_MAX, Shelf};
use crate::engine::{Engine, Inlets, Outlets};
use crate::grow::rename::Renaming;
use crate::ingest::{Delivery, Sources};
use crate::status::{self, Access, snapshot::Snapshot};
use crate::store::Writer;
use crate::store::open::FILE;
use crate::watch::alert::AlertEvent;

/// Deliveries between the sources and the engine, each a small batch: about a second of the fastest
/// flood. When it is full the sources wait, and what they read from waits in the kernel or the broker.
const DELIVERIES_MAX: usize = 256;
/// Alert events kept for a listener that lags behind.
const EVENTS_MAX: usize = 1024;
/// The whole stop takes no longer; what is left then is said.
const STOP_WITHIN: Duration = Duration::from_secs(5);
/// How often it is looked whether every part still runs.
const PARTS_LOOK: Duration = Duration::from_secs(1);
/// How often a daemon that started without its store looks whether it can be opened by now.
const STORE_LOOK: Duration = Duration::from_secs(10);

/// Said once, when a site begins.
const FIRST_WORDS: &str = "a first word: tubwatch watches, it is no safety device. Every heater needs a thermostat of its own and a thermal \
     cut-out, every circuit in a wet tent a residual-current device (RCD/GFCI), fixed wiring a licensed electrician. \
     Local codes come first";

/// An engine that has shown nothing for so long stands still.
const ENGINE_SILENT_MS: i64 = MINUTE_MS;

/// Why the daemon could not start or go on.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    /// The store is in use or damaged.
    #[error(transparent)]
    Store(#[from] RestoreError),
    /// The status address cannot be taken.
    #[error(
        "status.listen: {address} cannot be listened on: {source}; choose another address, or port 0 for any free one"
    )]
    Listen {
        /// As the config has it.
        address: SocketAddr,
        /// Why.
        source: std::io::Error,
    },
    /// Its certificate cannot be used.
    #[error("status: {0}")]
    Tls(String),
    /// The machine refuses signal handlers.
    #[error("signals cannot be received on this machine: {0}")]
    Signals(std::io::Error),
    /// A part that runs as long as the daemon ended by itself: half a daemon must not look healthy.
    #[error("{0} ended by itself; this is a fault of tubwatch, please report it with the log")]
    Ended(String),
}

/// The status endpoint's listening socket. It outlives a short restart, so that a reader waits instead
/// of being refused, and a port chosen by the system stays the same.
#[derive(Default)]
pub struct Door(Option<(SocketAddr, std::net::TcpListener)>);

impl Door {
    /// The listener for `wanted`: the one that is open already, or a new one.
    fn open(&mut self, wanted: Option<SocketAddr>) -> Result<Option<TcpListener>, DaemonError> {
        let Some(address) = wanted else {
            self.0 = None;
            return Ok(None);
        };
        let fail = |source| DaemonError::Listen { address, source };
        if self.0.as_ref().is_none_or(|(open, _)| *open != address) {
            // The old one goes first: it may be the same port.
            self.0 = None;
            let listener = std::net::TcpListener::bind(address).map_err(fail)?;
            listener.set_nonblocking(true).map_err(fail)?;
            self.0 = Some((address, listener));
        }
        let Some((_, listener)) = &self.0 else { return Ok(None) };
        listener.try_clone().and_then(TcpListener::from_std).map(Some).map_err(fail)
    }
}

/// A daemon that is up.
pub struct Running {
    /// Where the status is, if it is anywhere.
    pub address: Option<SocketAddr>,
    /// Alert events as they happen.
    pub events: broadcast::Receiver<AlertEvent>,
    /// The latest snapshot.
    pub snapshots: watch::Receiver<Arc<Snapshot>>,
    /// The store could not be opened; the daemon watches, but keeps nothing.
    pub storeless: bool,
    /// True once the machine's clock was set, and everything is to start again with it.
    stepped: watch::Receiver<bool>,
    sources: Sources,
    /// Held until the stop: without any source the engine would take its queue for closed, and end.
    deliveries: mpsc::Sender<Delivery>,
    forwarder: Option<Forwarder>,
    engine: JoinHandle<Outlets>,
    status: Option<(oneshot::Sender<()>, JoinHandle<()>)>,
    backups: Option<JoinHandle<()>>,
    sign_of_life: Option<JoinHandle<()>>,
}

/// Whether samples, watches, store and outbox all work, by the last snapshot.
fn is_well(snapshot: &Snapshot, now: Stamp) -> Result<(), String> {
    if let Some(fault) = snapshot.inner.faults.first() {
        return Err(fault.clone());
    }
    // The engine makes one every second.
    if now.since(snapshot.time).abs() > ENGINE_SILENT_MS {
        return Err("watches: the engine has stood still for a minute".to_owned());
    }
    if !snapshot.probes.is_empty() && snapshot.probes.iter().all(|probe| probe.health == "silent") {
        return Err("samples: no probe reports".to_owned());
    }
    Ok(())
}

/// Starts everything, in order; what fails to start ends what had started. `refused_config` is why the config that was
/// read last is not the one in force; `is_again` says that this process ran on the same store before.
///
/// # Errors
/// The store is locked or damaged, or the status address is taken.
pub async fn start(
    plan: Arc<Plan>,
    clock: Clock,
    door: &mut Door,
    refused_config: watch::Receiver<Option<String>>,
    is_again: bool,
) -> Result<Running, DaemonError> {
    // Refused by rustls when another part of the process was first, which is as good.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let tls = plan.status.tls.as_ref().map(config::tls::server).transpose().map_err(DaemonError::Tls)?;
    let access = Access { token: plan.status.token.clone(), tls: tls.map(Arc::new) };
    let listener = door.open(plan.status.listen)?;
    let is_first = !plan.store.folder.join(FILE).exists();
    let plan = in_todays_names(plan).await;
    let mut restored = {
        let (plan, clock) = (Arc::clone(&plan), clock.clone());
        tokio::task::spawn_blocking(move || restore::restore(&plan, &clock, is_again))
            .await
            .map_err(|why| DaemonError::Ended(why.to_string()))??
    };
    let (reports_in, reports) = mpsc::unbounded_channel();
    let (outcomes_in, outcomes) = mpsc::unbounded_channel();
    let (backups_in, backup_standings) = mpsc::unbounded_channel();
    let (snapshots_in, snapshots) = watch::channel(Arc::new(Snapshot::default()));
    let (events_in, events) = broadcast::channel(EVENTS_MAX);
    let (asks, forwards) = forwarding::channel();
    let (deliveries_in, deliveries) = mpsc::channel(DELIVERIES_MAX);

    let report = move |report| {
        // Nobody listens once the engine has ended.
        let _ = reports_in.send(report);
    };
    let writer = match restored.store.take() {
        Some(mut store) => {
            store.keep_raw(plan.store.keep_raw);
            Some(Writer::start(store, plan.store.commit_every, report).map_err(RestoreError::from)?)
        }
        None => None,
    };
    let storeless = writer.is_none();
    if is_first && !storeless {
        info!("{FIRST_WORDS}");
    }
    let waiting = std::mem::take(&mut restored.outbox_waiting);
    let (asked_in, asked) = mpsc::channel(ASKED_MAX);
    let shelf = Arc::new(Shelf::new(Arc::clone(&plan), asked_in));
    let subjects = restored.told.iter().flat_map(|told| told.alerts.iter().map(|alert| alert.subject.clone()));
    let before = Before { waiting, subjects: subjects.collect() };
    let deliverer = Deliverer::start(&plan, before, clock.now(), shelf.clone(), outcomes_in);
    let alerts_in = events_in.clone();
    let (store_fails_in, store_fails) = watch::channel(storeless);
    let (stepped_in, stepped) = watch::channel(false);
    let outlets = Outlets {
        writer,
        deliverer,
        snapshots: snapshots_in,
        events: events_in,
        store_fails: store_fails_in,
        stepped: stepped_in,
    };
    let backup_newest = restored.backup_newest;
    let engine = Engine::new(Arc::clone(&plan), clock.clone(), restored, outlets);
    let engine = tokio::spawn(engine.run(Inlets {
        deliveries,
        reports,
        outcomes,
        forwards,
        asked,
        refused_config,
        backups: backup_standings,
    }));

    let forwarder = (!storeless).then(|| Forwarder::start(&plan, &asks));
    let mut address = None;
    let status = listener.map(|listener| {
        address = listener.local_addr().ok();
        let (stop, stopped) = oneshot::channel::<()>();
        let stopping = async {
            // A dropped sender means stop as well.
            let _ = stopped.await;
        };
        let inlets = status::Inlets { snapshots: snapshots.clone(), alerts: alerts_in.clone(), archive: shelf };
        (stop, tokio::spawn(status::serve(listener, inlets, access, stopping)))
    });
    if let Some(address) = address {
        info!("the status page is at {}://{address}/", plan.status.scheme());
    }
    let now = {
        let clock = clock.clone();
        Arc::new(move || clock.now())
    };
    let sources = Sources::start_with_window(&plan, deliveries_in.clone(), now, &store_fails);
    let backups = (plan.backup.is_some() && !storeless)
        .then(|| tokio::spawn(backups::keep(Arc::clone(&plan), backup_newest, backups_in)));
    let sign_of_life = plan.sign_of_life.clone().map(|sign| {
        let (snapshots, machine) = (snapshots.clone(), clock.machine());
        tokio::spawn(deliver::sign_of_life::run(sign, move || is_well(&snapshots.borrow(), machine.now())))
    });
    Ok(Running {
        address,
        events,
        snapshots,
        storeless,
        stepped,
        sources,
        deliveries: deliveries_in,
        forwarder,
        engine,
        status,
        sign_of_life,
        backups,
    })
}

/// The plan with what was renamed since the config was written under its new name.
async fn in_todays_names(plan: Arc<Plan>) -> Arc<Plan> {
    let renamed = tokio::task::spawn_blocking(move || {
        let renamings = restore::renamings(&plan);
        if renamings.is_empty() {
            return plan;
        }
        let mut new = Plan::clone(&plan);
        for Renaming { what, old, new } in new.in_todays_names(&renamings) {
            let word = what.word();
            warn!("{word} {old} is called {new} since it was renamed; write {new} in {} too", plan.file.display());
        }
        Arc::new(new)
    });
    // It cannot panic; were it so, the task's end would be the process's.
    renamed.await.unwrap_or_else(|why| std::panic::resume_unwind(why.into_panic()))
}

impl Running {
    /// Waits until a part ends that nobody stopped, and gives its name.
    pub async fn ended(&mut self) -> String {
        loop {
            tokio::select! {
                name = self.sources.ended() => return name,
                () = tokio::time::sleep(PARTS_LOOK) => {
                    if self.engine.is_finished() {
                        return "the engine".to_owned();
                    }
                    if self.status.as_ref().is_some_and(|(_, task)| task.is_finished()) {
                        return "the status endpoint".to_owned();
                    }
                }
            }
        }
    }

    /// Stops everything along the sample's way, within 5 s in all.
    pub async fn stop(self) {
        if tokio::time::timeout(STOP_WITHIN, self.stop_in_order()).await.is_err() {
            warn!(
                "not everything had ended after {} s; what was not committed is not acknowledged",
                STOP_WITHIN.as_secs()
            );
        }
    }

    async fn stop_in_order(mut self) {
        if let Some(backups) = self.backups.take() {
            // A copy under way is not waited for; its remains are taken away at the next start.
            backups.abort();
        }
        if let Some(forwarder) = self.forwarder.take() {
            forwarder.stop().await;
        }
        if let Some(sign) = self.sign_of_life.take() {
            // Who stops gives no sign.
            sign.abort();
        }
        self.sources.stop_intake().await;
        drop(self.deliveries);
        let outlets = self.engine.await;
        self.sources.finish().await;
        match outlets {
            Ok(outlets) => outlets.deliverer.stop().await,
            Err(why) => error!("the engine ended badly: {why}"),
        }
        if let Some((stop, task)) = self.status.take() {
            // The server may have ended already.
            let _ = stop.send(());
            let _ = task.await;
        }
    }
}

enum Ask {
    Stop,
    Reload,
}

/// The daemon: runs until SIGTERM or SIGINT, rereads its config on SIGHUP.
///
/// # Errors
/// It could not start, or its engine ended by itself.
pub async fn run(plan: Plan) -> Result<(), DaemonError> {
    let mut terminate = signal(SignalKind::terminate()).map_err(DaemonError::Signals)?;
    let mut interrupt = signal(SignalKind::interrupt()).map_err(DaemonError::Signals)?;
    let mut hangup = signal(SignalKind::hangup()).map_err(DaemonError::Signals)?;
    let mut plan = Arc::new(plan);
    let mut door = Door::default();
    let refused = watch::Sender::new(None);
    let mut manager = Manager::new();
    let mut look = tokio::time::interval(STORE_LOOK);
    look.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let mut is_again = false;
    let mut opening = None;
    loop {
        let mut running = tokio::select! {
            started = start(Arc::clone(&plan), Clock::steady(), &mut door, refused.subscribe(), is_again) => started?,
            // A disk may hang, or a long history be read: who is told to stop does not wait for that.
            _ = terminate.recv() => return Ok(()),
            _ = interrupt.recv() => return Ok(()),
        };
        is_again = true;
        let probes = plan.probes.len();
        let doing = format!("watching {probes} {} for {}", if probes == 1 { "probe" } else { "probes" }, plan.site);
        info!("{doing}");
        manager.ready(&doing);
        let (mut turning, mut stepped) = (running.snapshots.clone(), running.stepped.clone());
        let mut renames = running.snapshots.clone();
        let ask = loop {
            tokio::select! {
                _ = terminate.recv() => break Ask::Stop,
                _ = interrupt.recv() => break Ask::Stop,
                _ = hangup.recv() => {
                    manager.reloading();
                    match reread(&plan.file) {
                        Ok(new) => {
                            plan = Arc::new(new);
                            refused.send_replace(None);
                            break Ask::Reload;
                        }
                        Err(why) => drop(refused.send_replace(Some(why))),
                    }
                    manager.ready(&doing);
                }
                // Its sender lives as long as the engine, whose end is noticed below.
                Ok(_) = stepped.wait_for(|stepped| *stepped) => break Ask::Reload,
                () = manager.feed(&mut turning) => {}
                Ok(_) = renames.wait_for(|snapshot| snapshot.inner.renamed) => {
                    info!("something was renamed: taking the new names up");
                    break Ask::Reload;
                }
                name = running.ended() => return Err(DaemonError::Ended(name)),
                // Opening may hang with the disk: on a thread that is waited for only here.
                _ = look.tick(), if running.storeless && opening.is_none() => {
                    let plan = Arc::clone(&plan);
                    opening = Some(tokio::task::spawn_blocking(move || restore::can_open(&plan)));
                }
                can_open = done(&mut opening) => {
                    opening = None;
                    if can_open && running.storeless {
                        info!("the store can be opened now");
                        break Ask::Reload;
                    }
                }
            }
        };
        match ask {
            Ask::Reload => running.stop().await,
            Ask::Stop => {
                info!("stopping");
                manager.stopping();
                tokio::select! {
                    () = running.stop() => {}
                    _ = terminate.recv() => warn!("told twice to stop: ending at once"),
                    _ = interrupt.recv() => warn!("told twice to stop: ending at once"),
                }
                return Ok(());
            }
        }
    }
}

/// Waits for what was begun on a thread of its own: for ever where nothing was.
async fn done(begun: &mut Option<JoinHandle<bool>>) -> bool {
    match begun {
        Some(task) => task.await.unwrap_or(false),
        None => std::future::pending().await,
    }
}

/// The config as it is now; of a wrong one the old goes on, and the error is the first fault, for an alert.
fn reread(file: &Path) -> Result<Plan, String> {
    match config::load(file) {
        Ok(plan) => {
            info!("{}: read again", file.display());
            Ok(plan)
        }
        Err(faults) => {
            error!("{}: not taken over, the settings in force go on:\n{faults}", file.display());
            Err(faults.in_short())
        }
    }
}
