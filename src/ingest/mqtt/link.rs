//! One connection to a broker. The only file that drives the MQTT client library.
//!
//! In: options, filters, acknowledgements to send. Out: events. A new event loop is made for every
//! connection, and what we send goes straight to its network rather than through its request queue:
//! so nothing of a broken connection (a stashed packet, an acknowledgement, a collision) can reach or
//! block the next one, nothing waits for room in a queue that only this task empties, and a thousand
//! acknowledgements go out with one write. We publish nothing here, so there is nothing to keep.
//!
//! Dropping [`Link::next`] half-way is sound: the library's reading keeps its state in the loop.

use std::collections::HashMap;
use std::time::Duration;

use rumqttc::{
    ConnectionError, Event, EventLoop, Incoming, MqttOptions, Packet, PubAck, PubRec, QoS, SubAck, Subscribe,
    SubscribeFilter, SubscribeReasonCode,
};
use tokio::time::{Instant, timeout};

use crate::ingest::receipt::Ack;

/// How long a broker may take to connect, to take in what is written, and to answer a subscription.
pub(super) const ANSWER_WAIT: Duration = Duration::from_secs(10);
/// How long a broker may take to close the connection after we took leave.
const LEAVE_WAIT: Duration = Duration::from_millis(700);
/// Filters in one SUBSCRIBE packet; some hosted brokers refuse more.
const FILTERS_AT_ONCE: usize = 8;
/// How long after a refusal a subscription is asked for again.
const ASK_AGAIN: Duration = Duration::from_secs(60);

/// How the subscriptions stand.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Standing<'a> {
    /// Not answered yet.
    Waiting,
    /// All granted.
    Granted,
    /// These were refused.
    Refused(&'a [String]),
}

/// An open connection.
pub(super) struct Link {
    eventloop: EventLoop,
    /// Since when.
    pub(super) opened: Instant,
    /// The broker still had our session, so a backlog may come first.
    pub(super) resumed: bool,
    /// SUBSCRIBE packets not answered yet.
    asked: HashMap<u16, Vec<String>>,
    last_asked: u16,
    qos: QoS,
    refused: Vec<String>,
    /// When the broker must have answered, or when what it refused is asked for again.
    timer: Option<Instant>,
}

impl Link {
    /// Connects and waits for the broker's word. Subscriptions will ask for `qos`.
    pub(super) async fn open(options: MqttOptions, qos: QoS) -> Result<Link, ConnectionError> {
        // The request queue stays empty; it must have a size.
        let mut eventloop = EventLoop::new(options, 1);
        let mut network = eventloop.network_options();
        network.set_connection_timeout(ANSWER_WAIT.as_secs());
        network.set_tcp_nodelay(true);
        eventloop.set_network_options(network);
        let resumed = matches!(eventloop.poll().await?, Event::Incoming(Incoming::ConnAck(ack)) if ack.session_present);
        Ok(Link {
            eventloop,
            opened: Instant::now(),
            resumed,
            asked: HashMap::new(),
            last_asked: 0,
            qos,
            refused: Vec::new(),
            timer: None,
        })
    }

    /// The next event.
    pub(super) async fn next(&mut self) -> Result<Event, ConnectionError> {
        self.eventloop.poll().await
    }

    /// An event that was read already; also after the connection broke.
    pub(super) fn ready(&mut self) -> Option<Event> {
        self.eventloop.state.events.pop_front()
    }

    /// Asks for `filters`.
    pub(super) async fn subscribe(&mut self, filters: &[String]) -> Result<(), ConnectionError> {
        for filters in filters.chunks(FILTERS_AT_ONCE) {
            self.last_asked = self.last_asked.checked_add(1).unwrap_or(1);
            let wanted = filters.iter().map(|filter| SubscribeFilter::new(filter.clone(), self.qos));
            let mut packet = Subscribe::new_many(wanted);
            packet.pkid = self.last_asked;
            self.asked.insert(packet.pkid, filters.to_vec());
            self.write(Packet::Subscribe(packet)).await?;
        }
        self.timer = (!self.asked.is_empty()).then(|| Instant::now() + ANSWER_WAIT);
        self.flush().await
    }

    /// Notes the broker's answer to a subscription. True where it granted less than QoS 1, so that
    /// messages may get lost on the way.
    pub(super) fn answered(&mut self, answer: &SubAck) -> bool {
        let filters = self.asked.remove(&answer.pkid).unwrap_or_default();
        let mut weak = false;
        for (at, filter) in filters.into_iter().enumerate() {
            match answer.return_codes.get(at) {
                Some(SubscribeReasonCode::Success(qos)) => weak |= *qos == QoS::AtMostOnce,
                Some(SubscribeReasonCode::Failure) | None => self.refused.push(filter),
            }
        }
        if self.asked.is_empty() {
            self.timer = (!self.refused.is_empty()).then(|| Instant::now() + ASK_AGAIN);
        }
        weak
    }

    /// How the subscriptions stand.
    pub(super) fn standing(&self) -> Standing<'_> {
        match (self.asked.is_empty(), self.refused.as_slice()) {
            (false, _) => Standing::Waiting,
            (true, []) => Standing::Granted,
            (true, refused) => Standing::Refused(refused),
        }
    }

    /// When [`Link::overdue`] has something to do.
    pub(super) fn timer(&self) -> Option<Instant> {
        self.timer
    }

    /// Asks again for what was refused a while ago. An error where the broker never answered.
    pub(super) async fn overdue(&mut self) -> Result<(), ConnectionError> {
        if self.timer.is_none_or(|timer| timer > Instant::now()) {
            return Ok(());
        }
        if !self.asked.is_empty() {
            return Err(ConnectionError::FlushTimeout);
        }
        let again = std::mem::take(&mut self.refused);
        self.subscribe(&again).await
    }

    /// Sends acknowledgements, all with one write where they fit.
    pub(super) async fn acknowledge(&mut self, acks: &[Ack]) -> Result<(), ConnectionError> {
        for ack in acks {
            let packet = if ack.exactly_once {
                Packet::PubRec(PubRec::new(ack.message))
            } else {
                Packet::PubAck(PubAck::new(ack.message))
            };
            self.write(packet).await?;
        }
        self.flush().await
    }

    /// Shows the broker that we live while nothing is read.
    pub(super) async fn ping(&mut self) -> Result<(), ConnectionError> {
        self.write(Packet::PingReq).await?;
        self.flush().await
    }

    /// Takes leave properly: the session stays, and the broker has read everything sent before. To
    /// close with messages unread would make the system throw away what the broker has not read yet,
    /// our last acknowledgements with it; so what still comes is read, and dropped, until it closes.
    pub(super) async fn leave(&mut self) -> Result<(), ConnectionError> {
        self.write(Packet::Disconnect).await?;
        self.flush().await?;
        let _ = timeout(LEAVE_WAIT, async { while self.eventloop.poll().await.is_ok() {} }).await;
        Ok(())
    }

    async fn write(&mut self, packet: Packet) -> Result<(), ConnectionError> {
        let Some(network) = self.eventloop.network.as_mut() else { return Err(ConnectionError::RequestsDone) };
        match timeout(ANSWER_WAIT, network.write(packet)).await {
            Ok(written) => Ok(written?),
            Err(_) => Err(ConnectionError::FlushTimeout),
        }
    }

    async fn flush(&mut self) -> Result<(), ConnectionError> {
        let Some(network) = self.eventloop.network.as_mut() else { return Err(ConnectionError::RequestsDone) };
        match timeout(ANSWER_WAIT, network.flush()).await {
            Ok(flushed) => Ok(flushed?),
            Err(_) => Err(ConnectionError::FlushTimeout),
        }
    }
}
