//! All sources together: started from the plan, stopped in two steps, watched for a task that dies.
//!
//! In: the plan, the engine's queue, the clock. Out: a task for each broker and a thread for each
//! port, all owned here. Left out: what the deliveries mean.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinSet;
use tokio::time::timeout;

use super::door::Door;
use super::intake::{Intake, Phase};
use super::modbus::Bus;
use super::mqtt::Broker;
use super::serial::Port;
use super::window::Window;
use super::{Delivery, SourceState, Tap};
use crate::climate::Stamp;
use crate::config::Plan;
use crate::config::plan::PortPlan;

/// The machine's clock, passed in so that tests and rehearsals may bring their own.
pub type Clock = Arc<dyn Fn() -> Stamp + Send + Sync>;

/// How long each step of stopping may take. A port notices within 200 ms; a broker needs one write.
const STOP_PATIENCE: Duration = Duration::from_secs(1);

/// Stack of a port's thread: it decodes lines of 4 KiB and nests nothing deep but JSON (128 levels).
const STACK_BYTES: usize = 512 * 1024;

/// The running sources. Dropped, they end by themselves, but nobody waits for them.
#[must_use = "sources end when this is dropped"]
pub struct Sources {
    phase: watch::Sender<Phase>,
    tasks: JoinSet<String>,
    intakes: mpsc::Receiver<()>,
}

impl Sources {
    /// Starts every broker and port of `plan`. Call it inside a tokio runtime. `queue` is the engine's
    /// bounded queue: while it is full, sources wait. Positions of sources are as in
    /// `plan.setup.sources`: the brokers, the ports, the intakes.
    pub fn start(plan: &Plan, queue: mpsc::Sender<Delivery>, clock: Clock) -> Sources {
        Sources::start_shown(plan, queue, clock, &Tap::default(), &[])
    }

    /// As [`Sources::start`] for a daemon that holds the store's lock: what arrives can be looked on at
    /// through a window in the store's folder.
    pub fn start_with_window(plan: &Plan, queue: mpsc::Sender<Delivery>, clock: Clock) -> Sources {
        let tap = Tap::default();
        let mut sources = Sources::start_shown(plan, queue, clock, &tap, &[]);
        if let Some(window) = Window::open(plan, tap) {
            let stop = sources.phase.subscribe();
            sources.tasks.spawn(async move {
                window.run(stop).await;
                "the window on arrivals".to_owned()
            });
        }
        sources
    }

    /// As [`Sources::start`], and shows by `tap` what arrives; brokers are asked for `also` beside what
    /// their probes need.
    pub fn start_shown(plan: &Plan, queue: mpsc::Sender<Delivery>, clock: Clock, tap: &Tap, also: &[&str]) -> Sources {
        let (phase, stop) = watch::channel(Phase::Run);
        let (alive, intakes) = mpsc::channel(1);
        let mut tasks = JoinSet::new();
        let intake = |source| Intake::new(source, queue.clone(), Arc::clone(&clock), tap.clone(), alive.clone());
        for (source, broker) in plan.brokers.iter().enumerate() {
            let name = format!("broker {:?}", broker.name);
            let task = Broker::new(plan, source, also, intake(source), stop.clone());
            tasks.spawn(async move {
                task.run().await;
                name
            });
        }
        for (at, port) in plan.ports.iter().enumerate() {
            let source = plan.brokers.len() + at;
            let name = format!("port {:?}", port.name);
            let (done, ended) = oneshot::channel::<()>();
            let mut intake = intake(source);
            let unstarted = intake.state(SourceState::Away, "the machine gave no thread to read it".to_owned());
            let task = port_task(plan, source, port.clone(), intake, stop.clone());
            let started = std::thread::Builder::new()
                .name(format!("port {}", port.name))
                .stack_size(STACK_BYTES)
                .spawn(move || {
                    task();
                    drop(done);
                });
            if let (Err(_), Some(news)) = (started, unstarted) {
                // The queue is new: there is room, or nobody listens.
                let _ = queue.try_send(news);
            }
            tasks.spawn(async move {
                let _ = ended.await;
                name
            });
        }
        for (at, door) in plan.intakes.iter().enumerate() {
            let source = plan.brokers.len() + plan.ports.len() + at;
            let name = format!("intake {:?}", door.name);
            let task = Door::new(plan, source, door.clone(), intake(source), stop.clone());
            tasks.spawn(async move {
                task.run().await;
                name
            });
        }
        Sources { phase, tasks, intakes }
    }

    /// Waits until a source's task ends though nobody stopped it (which only a fault in the program
    /// brings about) and gives its name. Waits for ever where there are no sources.
    pub async fn ended(&mut self) -> String {
        match self.tasks.join_next().await {
            Some(Ok(name)) => name,
            Some(Err(error)) => format!("a source: {error}"),
            None => std::future::pending().await,
        }
    }

    /// First step: nothing more is taken in, ports are closed, brokers stay connected so that receipts
    /// still reach them. When it returns, every sender of the queue that the sources held is dropped.
    /// The engine must go on emptying its queue meanwhile. Takes a second at most.
    pub async fn stop_intake(&mut self) {
        self.phase.send_replace(Phase::Drain);
        let _ = timeout(STOP_PATIENCE, self.intakes.recv()).await;
    }

    /// Second step: sends the acknowledgements of all receipts given so far, takes leave of the
    /// brokers (their sessions stay) and waits for every task. Takes a second at most; what has not
    /// ended by then is aborted.
    pub async fn finish(mut self) {
        self.phase.send_replace(Phase::Finish);
        let _ = timeout(STOP_PATIENCE, async { while self.tasks.join_next().await.is_some() {} }).await;
        self.tasks.abort_all();
    }

    /// Both steps.
    pub async fn stop(mut self) {
        self.stop_intake().await;
        self.finish().await;
    }
}

/// What a port's thread does.
fn port_task(
    plan: &Plan,
    source: usize,
    port: PortPlan,
    intake: Intake,
    stop: watch::Receiver<Phase>,
) -> Box<dyn FnOnce() + Send> {
    if port.modbus {
        let bus = Bus::new(plan, source, port, intake, stop);
        Box::new(move || bus.run())
    } else {
        let lines = Port::new(plan, source, port, intake, stop);
        Box::new(move || lines.run())
    }
}
