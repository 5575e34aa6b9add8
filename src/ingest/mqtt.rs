//! Messages from an MQTT broker: connected, subscribed, reconnected, for as long as the daemon runs.
//!
//! One task a broker. In: its messages. Out: messages of the probes whose topic and recipe take them,
//! refusals, the broker's state. The session is persistent and a message is acknowledged only once
//! the receipts of all its readers were given, so the broker keeps what is not yet on disk; a message
//! that nobody can read is acknowledged at once, or it would block the broker's window for good.
//! Left out: publishing.

mod link;

mod words;

use std::sync::Arc;
use std::time::Duration;

use rumqttc::mqttbytes::Error as Codec;
use rumqttc::{ConnectionError, Event, Incoming, MqttOptions, Publish, QoS, StateError, TlsConfiguration, Transport};
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::watch;
use tokio::time::{Instant, sleep, sleep_until};

use self::link::{Link, Standing};
use super::backoff::Backoff;
use super::intake::{Intake, Phase};
use super::readers::Readers;
use super::receipt::{Ack, Acks};
use super::routes::Routes;
use super::{Carriage, Delivery, Message, SourceState};
use crate::config::Plan;
use crate::config::plan::BrokerPlan;
use crate::config::tls;
use crate::wire::Refusal;

/// How often the broker hears from us, and how soon a dead one is noticed (twice this).
const KEEP_ALIVE: Duration = Duration::from_secs(30);
/// The first wait before connecting again, the second, and the longest.
const RECONNECT: (Duration, Duration, Duration) =
    (Duration::from_millis(250), Duration::from_secs(1), Duration::from_secs(60));
/// A connection that lasted so long was a good one: the waits begin anew.
const SETTLED: Duration = Duration::from_secs(10);
/// So many connections in a row that did not last are told as such.
const THROWN_OUT: u32 = 3;
/// The longest payload decoded, in bytes. A reading is a hundredth of it.
const PAYLOAD_BYTES_MAX: usize = 64 * 1024;
/// The longest packet taken in, so that a long message can be acknowledged and dropped.
const PACKET_BYTES: usize = 1 << 20;
/// Room made, for one connection, for a message that did not fit [`PACKET_BYTES`]: without it the
/// broker would send it first, and break the connection, for ever.
const PACKET_BYTES_ONCE: usize = 32 << 20;

/// A broker and all that reading it needs.
pub(super) struct Broker {
    plan: BrokerPlan,
    /// `None` once nothing more is taken in.
    intake: Option<Intake>,
    routes: Routes,
    readers: Readers,
    acks: Arc<Acks>,
    phase: watch::Receiver<Phase>,
    connection: u64,
    packet_bytes: usize,
    tls: Option<Transport>,
}

/// Why a connection ended.
enum Ended {
    /// The daemon stops, or the engine is gone.
    Stopped,
    /// It could not be opened; in words.
    Unopened(String),
    /// It broke.
    Broken { error: ConnectionError, lasted: Duration },
}

/// Why the inner loop stops; the connection's fault is told from ours.
enum Halt {
    Stopped,
    Link(ConnectionError),
}

impl From<ConnectionError> for Halt {
    fn from(error: ConnectionError) -> Halt {
        Halt::Link(error)
    }
}

impl Broker {
    /// The broker of the source at position `source`, asked for the topics `also` beside its probes'.
    pub(super) fn new(
        plan: &Plan,
        source: usize,
        also: &[&str],
        intake: Intake,
        phase: watch::Receiver<Phase>,
    ) -> Broker {
        Broker {
            plan: plan.brokers[source].clone(),
            intake: Some(intake),
            routes: Routes::new(plan, source).with(also),
            readers: Readers::new(plan, source),
            acks: Arc::new(Acks::default()),
            phase,
            connection: 0,
            packet_bytes: PACKET_BYTES,
            tls: None,
        }
    }

    /// Reads until the daemon stops.
    pub(super) async fn run(mut self) {
        let mut backoff = Backoff::new(Some(RECONNECT.0), RECONNECT.1, RECONNECT.2);
        let mut brief = 0;
        if self.tell(None, SourceState::Connecting, String::new()).await.is_err() {
            return;
        }
        while self.phase() == Phase::Run {
            let why = match self.one_connection().await {
                Ended::Stopped => return,
                Ended::Unopened(why) => why,
                Ended::Broken { error, lasted } => {
                    brief = if lasted < SETTLED { brief + 1 } else { 0 };
                    if brief == 0 {
                        backoff.reset();
                    }
                    let closed = matches!(error, ConnectionError::MqttState(StateError::ConnectionAborted));
                    if brief >= THROWN_OUT && closed {
                        words::thrown_out(&self.plan)
                    } else {
                        words::why(&self.plan, &error)
                    }
                }
            };
            if self.tell(None, SourceState::Away, why).await.is_err() {
                return;
            }
            tokio::select! {
                () = sleep(backoff.wait(rand::random())) => {}
                _ = self.phase.changed() => return,
            }
        }
    }

    /// Connects and reads until the connection ends.
    async fn one_connection(&mut self) -> Ended {
        let options = match self.options() {
            Ok(options) => options,
            Err(why) => return Ended::Unopened(why),
        };
        self.packet_bytes = PACKET_BYTES;
        self.connection += 1;
        self.acks.begin(self.connection);
        let opened = tokio::select! {
            _ = self.phase.changed() => return Ended::Stopped,
            opened = Link::open(options) => opened,
        };
        let mut link = match opened {
            Ok(link) => link,
            Err(error) => return Ended::Unopened(words::why(&self.plan, &error)),
        };
        let error = match self.converse(&mut link).await {
            Halt::Stopped => return Ended::Stopped,
            Halt::Link(error) => error,
        };
        let too_long = match &error {
            ConnectionError::MqttState(StateError::Deserialization(Codec::PayloadSizeLimitExceeded(bytes))) => *bytes,
            _ => 0,
        };
        if too_long > 0 && too_long <= PACKET_BYTES_ONCE {
            self.packet_bytes = PACKET_BYTES_ONCE;
        }
        self.rescue(&mut link).await;
        Ended::Broken { error, lasted: link.opened.elapsed() }
    }

    /// Reads an open connection until it breaks or the daemon stops.
    async fn converse(&mut self, link: &mut Link) -> Halt {
        match self.begin(link).await {
            Ok(()) => {}
            Err(halt) => return halt,
        }
        loop {
            match self.phase() {
                Phase::Run => {}
                Phase::Drain => self.intake = None,
                Phase::Finish => {
                    let acks = self.acks.take();
                    // The connection is given up anyway; what was not told comes again, and is known.
                    let _ = link.acknowledge(&acks).await;
                    let _ = link.leave().await;
                    return Halt::Stopped;
                }
            }
            if let Err(halt) = self.step(link).await {
                return halt;
            }
        }
    }

    /// Subscribes, and tells that the broker answered.
    async fn begin(&mut self, link: &mut Link) -> Result<(), Halt> {
        link.subscribe(self.routes.filters()).await?;
        self.tell_standing(link).await
    }

    /// Waits for one thing to happen and does what it asks for.
    async fn step(&mut self, link: &mut Link) -> Result<(), Halt> {
        let refusals = self.intake.as_ref().and_then(|intake| intake.refusals.next_due()).map(Instant::from_std);
        let timer = [refusals, link.timer()].into_iter().flatten().min();
        let event = tokio::select! {
            biased;
            _ = self.phase.changed() => return Ok(()),
            () = self.acks.given() => return Ok(link.acknowledge(&self.acks.take()).await?),
            () = sleep_until(timer.unwrap_or_else(Instant::now)), if timer.is_some() => {
                link.overdue().await?;
                return self.tell_refusals(link).await;
            }
            event = link.next() => event?,
        };
        self.take(link, event).await?;
        while let Some(event) = link.ready() {
            self.take(link, event).await?;
        }
        Ok(())
    }

    async fn take(&mut self, link: &mut Link, event: Event) -> Result<(), Halt> {
        match event {
            Event::Incoming(Incoming::Publish(publish)) => self.publish(Some(link), &publish).await,
            Event::Incoming(Incoming::SubAck(answer)) => {
                if link.answered(&answer) {
                    tracing::warn!(
                        broker = self.plan.name,
                        "the broker grants less than QoS 1; messages sent while tubwatch is away are lost"
                    );
                }
                self.tell_standing(link).await
            }
            _ => Ok(()),
        }
    }

    /// What was read before the connection broke: messages with QoS 0 do not come again.
    async fn rescue(&mut self, link: &mut Link) {
        while let Some(event) = link.ready() {
            if let Event::Incoming(Incoming::Publish(publish)) = event
                && publish.qos == QoS::AtMostOnce
                && self.publish(None, &publish).await.is_err()
            {
                return;
            }
        }
    }

    /// Decodes one message and hands it on, or counts it as refused.
    async fn publish(&mut self, mut link: Option<&mut Link>, publish: &Publish) -> Result<(), Halt> {
        // Not acknowledged, so it comes again when the daemon does.
        let Some(intake) = &mut self.intake else { return Ok(()) };
        let readers = &mut self.readers;
        let refused = if publish.payload.len() > PAYLOAD_BYTES_MAX {
            readers.found.clear();
            Some((None, Refusal::TooLong))
        } else {
            readers.read(self.routes.of(&publish.topic), &publish.payload)
        };
        intake.seen(&publish.topic, &publish.payload, &readers.found, refused);
        if let Some((probe, reason)) = refused {
            intake.refuse(probe, reason, &publish.topic, &publish.payload);
        }
        let waits = publish.qos != QoS::AtMostOnce;
        let exactly_once = publish.qos == QoS::ExactlyOnce;
        let ack = Ack { connection: self.connection, message: publish.pkid, exactly_once };
        if readers.found.is_empty() {
            if waits {
                self.acks.push(ack);
            }
            return Ok(());
        }
        let received = (intake.clock)();
        let carriage = Carriage {
            retained: publish.retain,
            repeat: publish.dup,
            connection: self.connection,
            resumed: link.as_ref().is_some_and(|link| link.resumed),
        };
        let mut found = std::mem::take(&mut self.readers.found);
        let mut receipts = waits.then(|| self.acks.receipts(ack, found.len() as u32)).into_iter().flatten();
        for (probe, decoded) in found.drain(..) {
            let message = Message { probe, decoded, received, carriage, receipt: receipts.next() };
            self.deliver(link.as_deref_mut(), Delivery::Message(message)).await?;
        }
        self.readers.found = found;
        Ok(())
    }

    /// Puts `delivery` into the engine's queue. While it is full, acknowledgements still go out and the
    /// broker still hears from us. Once the daemon stops, what finds no room is dropped; a message
    /// whose receipt is dropped comes again.
    async fn deliver(&mut self, link: Option<&mut Link>, delivery: Delivery) -> Result<(), Halt> {
        let Some(intake) = &self.intake else { return Ok(()) };
        let delivery = match intake.queue.try_send(delivery) {
            Ok(()) => return Ok(()),
            Err(TrySendError::Closed(_)) => return Err(Halt::Stopped),
            Err(TrySendError::Full(delivery)) => delivery,
        };
        let mut link = link;
        let mut phase = self.phase.clone();
        loop {
            tokio::select! {
                biased;
                place = intake.queue.reserve() => {
                    place.map_err(|_| Halt::Stopped)?.send(delivery);
                    return Ok(());
                }
                () = stopping(&mut phase) => return Ok(()),
                () = self.acks.given(), if link.is_some() => {
                    if let Some(link) = link.as_deref_mut() {
                        link.acknowledge(&self.acks.take()).await?;
                    }
                }
                () = sleep(KEEP_ALIVE / 2) => {
                    if let Some(link) = link.as_deref_mut() {
                        link.ping().await?;
                    }
                }
            }
        }
    }

    /// Tells how the subscriptions stand.
    async fn tell_standing(&mut self, link: &mut Link) -> Result<(), Halt> {
        let (state, why) = match link.standing() {
            Standing::Waiting => (SourceState::Connecting, String::new()),
            Standing::Granted => (SourceState::Connected, String::new()),
            Standing::Refused(filters) => (SourceState::Connecting, words::not_granted(&self.plan, filters)),
        };
        self.tell(Some(link), state, why).await
    }

    /// Tells a state, unless it was told last.
    async fn tell(&mut self, link: Option<&mut Link>, state: SourceState, why: String) -> Result<(), Halt> {
        match self.intake.as_mut().and_then(|intake| intake.state(state, why)) {
            Some(news) => self.deliver(link, news).await,
            None => Ok(()),
        }
    }

    /// Tells the refusals that are due.
    async fn tell_refusals(&mut self, link: &mut Link) -> Result<(), Halt> {
        let Some(intake) = &mut self.intake else { return Ok(()) };
        for refused in intake.refusals.due(std::time::Instant::now()) {
            self.deliver(Some(link), refused).await?;
        }
        Ok(())
    }

    /// How far stopping has come.
    fn phase(&self) -> Phase {
        if self.phase.has_changed().is_err() { Phase::Finish } else { *self.phase.borrow() }
    }

    /// How to connect.
    fn options(&mut self) -> Result<MqttOptions, String> {
        let plan = &self.plan;
        // A bare IPv6 address would run into its port.
        let bare_v6 = plan.host.contains(':') && !plan.host.starts_with('[') && plan.tls.is_none();
        let host = if bare_v6 { format!("[{}]", plan.host) } else { plan.host.clone() };
        let mut options = MqttOptions::new(plan.client.clone(), host, plan.port);
        // Without an identifier there is nothing to keep a session by, and the library would panic.
        options.set_clean_session(plan.client.is_empty());
        options.set_manual_acks(true);
        options.set_keep_alive(KEEP_ALIVE);
        options.set_max_packet_size(self.packet_bytes, PACKET_BYTES);
        options.set_inflight(1);
        if let Some(user) = &plan.username {
            let password = plan.password.as_ref().map(|password| password.0.as_str()).unwrap_or_default();
            options.set_credentials(user.clone(), password);
        }
        if let Some(tls) = &plan.tls {
            if self.tls.is_none() {
                self.tls = Some(Transport::tls_with_config(TlsConfiguration::Rustls(tls::client(tls)?)));
            }
            options.set_transport(self.tls.clone().unwrap_or_default());
        }
        Ok(options)
    }
}

/// Waits until the daemon stops.
async fn stopping(phase: &mut watch::Receiver<Phase>) {
    // An error means that whoever could stop us is gone, which is a stop too.
    let _ = phase.wait_for(|phase| *phase != Phase::Run).await;
}
