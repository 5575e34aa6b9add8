//! Probes that publish straight to tubwatch, no broker between: an MQTT 3.1.1 server that takes in and
//! routes nothing.
//!
//! One task an intake, one a client. In: clients with a name and password, or of this machine. Out:
//! messages of the probes whose topic and recipe take them, refusals, the intake's state. A message is
//! acknowledged once it is on disk. Left out: subscriptions (refused), sessions (none is kept).

mod desk;
mod guest;

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, mpsc, watch};
use tokio::task::JoinSet;
use tokio::time::{Instant, sleep, timeout_at};
use tokio_rustls::TlsAcceptor;

use self::desk::Desk;
use self::guest::{CONNECT_WITHIN, Guest, other_than};
use super::backoff::Backoff;
use super::intake::{Intake, Phase};
use super::readers::Readers;
use super::routes::Routes;
use super::{Clock, Delivery, SourceState, Tap};
use crate::config::plan::IntakePlan;
use crate::config::{Plan, tls};
use crate::wire::Refusal;

/// Clients at a time: three times the probes of a large grow.
const CLIENTS_MAX: usize = 64;
/// The first wait before the address is tried again, and the longest.
const RELISTEN: (Duration, Duration) = (Duration::from_millis(500), Duration::from_secs(10));
/// The wait after the machine had no more room for a connection.
const NO_ROOM_WAIT: Duration = Duration::from_millis(200);
/// How often refusals are looked at.
const LOOK: Duration = Duration::from_millis(200);

/// An intake and all that serving it needs.
pub(super) struct Door {
    desk: Arc<Desk>,
    phase: watch::Receiver<Phase>,
}

impl Door {
    /// The intake of the source at position `source`.
    pub(super) fn new(
        plan: &Plan,
        source: usize,
        door: IntakePlan,
        intake: Intake,
        phase: watch::Receiver<Phase>,
    ) -> Door {
        let (routes, readers) = (Routes::new(plan, source), Readers::new(plan, source));
        Door { desk: Arc::new(Desk::new(door, intake, routes, readers)), phase }
    }

    /// Serves until the daemon stops.
    pub(super) async fn run(mut self) {
        let mut backoff = Backoff::new(None, RELISTEN.0, RELISTEN.1);
        let tls = match self.desk.plan.tls.as_ref().map(tls::server).transpose() {
            Ok(tls) => tls.map(|tls| TlsAcceptor::from(Arc::new(tls))),
            Err(why) => {
                self.tell(SourceState::Away, why).await;
                return self.stopped().await;
            }
        };
        loop {
            match TcpListener::bind(self.desk.plan.address).await {
                Ok(listener) => {
                    let address = listener.local_addr().unwrap_or(self.desk.plan.address);
                    tracing::info!("{}: takes in probes at {address}", self.desk.plan.name);
                    self.desk.with_intake(|intake| intake.bound = Some(address));
                    self.tell(SourceState::Connected, String::new()).await;
                    return self.serve(&listener, tls.as_ref()).await;
                }
                Err(error) => {
                    let address = self.desk.plan.address;
                    let why = format!("{address} cannot be listened on ({error}); choose another address or port");
                    self.tell(SourceState::Away, why).await;
                }
            }
            tokio::select! {
                () = sleep(backoff.wait(rand::random())) => {}
                () = self.stopped() => return,
            }
        }
    }

    async fn serve(&mut self, listener: &TcpListener, tls: Option<&TlsAcceptor>) {
        let rooms = Arc::new(Semaphore::new(CLIENTS_MAX));
        let mut guests = JoinSet::new();
        let mut connection = 0;
        let mut look = tokio::time::interval(LOOK);
        let mut phase = self.phase.clone();
        loop {
            tokio::select! {
                biased;
                () = other_than(&mut phase, Phase::Run) => break,
                _ = look.tick() => self.tell_refusals().await,
                Some(_) = guests.join_next(), if !guests.is_empty() => {}
                accepted = listener.accept() => {
                    let Ok((stream, peer)) = accepted else {
                        sleep(NO_ROOM_WAIT).await;
                        continue;
                    };
                    let Ok(room) = Arc::clone(&rooms).try_acquire_owned() else {
                        let what = format!("{CLIENTS_MAX} clients are there already");
                        self.desk.refuse(Refusal::NotLetIn, &peer.to_string(), &what);
                        continue;
                    };
                    connection += 1;
                    let (desk, phase) = (Arc::clone(&self.desk), self.phase.clone());
                    let tls = tls.cloned();
                    guests.spawn(async move {
                        greet(desk, stream, peer, connection, phase, tls).await;
                        drop(room);
                    });
                }
            }
        }
        self.desk.close();
        // Clients stay so that receipts still reach them; they go when all ends.
        while guests.join_next().await.is_some() {}
    }

    async fn tell(&self, state: SourceState, why: String) {
        let news = self.desk.with_intake(|intake| intake.state(state, why)).flatten();
        if let (Some(news), Some(queue)) = (news, self.desk.queue()) {
            let mut phase = self.phase.clone();
            tokio::select! {
                // An engine that is gone ends the daemon.
                _ = queue.send(news) => {}
                () = other_than(&mut phase, Phase::Run) => {}
            }
        }
    }

    async fn tell_refusals(&self) {
        let due = self.desk.with_intake(|intake| intake.refusals.due(std::time::Instant::now())).unwrap_or_default();
        let Some(queue) = self.desk.queue() else { return };
        let mut phase = self.phase.clone();
        for refused in due {
            tokio::select! {
                _ = queue.send(refused) => {}
                () = other_than(&mut phase, Phase::Run) => return,
            }
        }
    }

    /// Waits until the daemon stops.
    async fn stopped(&mut self) {
        other_than(&mut self.phase, Phase::Run).await;
        self.desk.close();
    }
}

/// Serves one client of `plan`'s first intake over a stream that is there already, as one of this machine, until it
/// goes: the intake without its listener. What it publishes goes to `queue`. Does nothing where there is no intake.
pub async fn serve_one(
    plan: &Plan,
    stream: impl AsyncRead + AsyncWrite + Unpin + Send,
    queue: mpsc::Sender<Delivery>,
    clock: Clock,
) {
    let Some(door) = plan.intakes.first() else { return };
    let source = plan.brokers.len() + plan.ports.len();
    let (_run, phase) = watch::channel(Phase::Run);
    let (alive, _) = mpsc::channel(1);
    let intake = Intake::new(source, queue, clock, Tap::default(), alive);
    let door = Door::new(plan, source, door.clone(), intake, phase.clone());
    Guest::new(door.desk, stream, "a stream".to_owned(), 1, phase).serve(Instant::now() + CONNECT_WITHIN, true).await;
}

/// Serves one connection.
async fn greet(
    desk: Arc<Desk>,
    stream: TcpStream,
    peer: SocketAddr,
    connection: u64,
    phase: watch::Receiver<Phase>,
    tls: Option<TlsAcceptor>,
) {
    let by = Instant::now() + CONNECT_WITHIN;
    // Acknowledgements are small and waited for; where this cannot be set they come a little later.
    let _ = stream.set_nodelay(true);
    let open = is_this_machine(peer.ip());
    let who = peer.to_string();
    match tls {
        None => Guest::new(desk, stream, who, connection, phase).serve(by, open).await,
        Some(tls) => match timeout_at(by, tls.accept(stream)).await {
            Ok(Ok(stream)) => Guest::new(desk, stream, who, connection, phase).serve(by, open).await,
            Ok(Err(error)) => desk.refuse(Refusal::NotLetIn, &who, &format!("TLS did not come about ({error})")),
            Err(_) => desk.refuse(Refusal::NotLetIn, &who, "TLS did not come about in time"),
        },
    }
}

/// Whether an address is loopback, also one of version 4 written as version 6.
fn is_this_machine(address: IpAddr) -> bool {
    address.to_canonical().is_loopback()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn this_machine_by_any_of_its_loopback_addresses() {
        for (address, here) in [
            ("127.0.0.1", true),
            ("127.9.9.9", true),
            ("::1", true),
            ("::ffff:127.0.0.1", true),
            ("192.0.2.1", false),
            ("::ffff:192.0.2.1", false),
            ("0.0.0.0", false),
        ] {
            assert_eq!(is_this_machine(address.parse().unwrap()), here, "{address}");
        }
    }
}
