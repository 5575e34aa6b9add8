//! One client of an intake, from its first byte to its last.
//!
//! In: a connection. Out: its messages, each acknowledged once it is on disk; what it may not do is
//! refused by the standard's means, or ends the connection. Its rate, its packets, its unanswered
//! messages and its silence are bounded; nothing that it does holds up another client for longer.

use std::collections::HashMap;
use std::io;
use std::sync::Arc;
use std::time::Duration;

use bytes::BytesMut;
use rumqttc::mqttbytes::v4::{
    Connect, ConnectReturnCode, Packet, PubAck, PubComp, PubRec, SubAck, SubscribeReasonCode, UnsubAck,
};
use rumqttc::{Publish, QoS};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::watch;
use tokio::time::{Instant, sleep, sleep_until, timeout, timeout_at};

use super::super::Delivery;
use super::super::intake::Phase;
use super::super::receipt::{Ack, Acks};
use super::desk::Desk;
use crate::wire::mqtt::{Next, bytes_of, connack, next};
use crate::wire::{Refusal, printable};

/// A connection's first packet must be there within this (3.1.4: "a reasonable amount of time").
pub(super) const CONNECT_WITHIN: Duration = Duration::from_secs(5);
/// A packet that has begun must be whole within this, however slowly it is sent.
const PACKET_WITHIN: Duration = Duration::from_secs(30);
/// A client that asked for no keep-alive and is silent for so long is gone.
const SILENT_MAX: Duration = Duration::from_secs(3_600);
/// A client that does not read its acknowledgements for so long is given up.
const WRITE_WITHIN: Duration = Duration::from_secs(10);
/// An answer to a wrong password waits so long: guessing is slow.
const WRONG_WAIT: Duration = Duration::from_secs(1);
/// The longest first packet: names, a password and a will.
const CONNECT_BYTES_MAX: usize = 4 * 1024;
/// The longest packet after it: the longest payload with its topic.
const PACKET_BYTES_MAX: usize = 96 * 1024;
/// Messages of one client that wait for their commit; with more it is not read from.
const UNANSWERED_MAX: usize = 256;
/// QoS 2 messages that a client may leave half done.
const HALF_DONE_MAX: usize = 1024;
/// Messages that a client may send at once, and how many more a second: a board that was away and
/// sends a day of its minutes is let through in half a minute.
const RATE: (f64, f64) = (200.0, 50.0);

/// A stream of either kind.
pub(super) trait Stream: AsyncRead + AsyncWrite + Unpin + Send {}
impl<S: AsyncRead + AsyncWrite + Unpin + Send> Stream for S {}

/// Why a connection ends, where the client is to blame or gone; in words.
type Gone = String;

/// How far a QoS 2 message is.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Half {
    /// It waits for its commit.
    Waiting,
    /// It is on disk and the client was told.
    Received,
}

/// One client.
pub(super) struct Guest<S> {
    desk: Arc<Desk>,
    stream: S,
    /// Its address, and once it is known its name.
    who: String,
    connection: u64,
    bytes: BytesMut,
    acks: Arc<Acks>,
    unanswered: usize,
    half: HashMap<u16, Half>,
    allowance: (f64, Instant),
    phase: watch::Receiver<Phase>,
}

impl<S: Stream> Guest<S> {
    pub(super) fn new(
        desk: Arc<Desk>,
        stream: S,
        who: String,
        connection: u64,
        phase: watch::Receiver<Phase>,
    ) -> Guest<S> {
        let acks = Arc::new(Acks::wanted_within(desk.plan.acknowledge_within));
        acks.begin(connection);
        Guest {
            desk,
            stream,
            who,
            connection,
            bytes: BytesMut::new(),
            acks,
            unanswered: 0,
            half: HashMap::new(),
            allowance: (RATE.0, Instant::now()),
            phase,
        }
    }

    /// Serves the client until it goes. `by` is when its first packet must be there; `open` lets in whoever comes.
    pub(super) async fn serve(mut self, by: Instant, open: bool) {
        let connect = match self.welcome(by, open).await {
            Ok(connect) => connect,
            Err(why) => return self.desk.refuse(Refusal::NotLetIn, &self.who, &why),
        };
        let client = connect.client_id.clone();
        self.who = format!("{} ({})", printable(client.as_bytes(), 64), self.who);
        tracing::debug!(intake = self.desk.plan.name, "{}: connected", self.who);
        // A client without a name shares it with nobody.
        let name = if client.is_empty() { format!("\0{}", self.connection) } else { client };
        let told = self.desk.enter(&name, self.connection);
        let ended = tokio::select! {
            // A closed channel means the same.
            _ = told => Err("another client came by the same name".to_owned()),
            ended = self.converse(connect.keep_alive) => ended,
        };
        self.desk.leave(&name, self.connection);
        if let Err(why) = ended {
            let will = connect.last_will.map_or(String::new(), |will| {
                format!(
                    "; its last will on {}: {}",
                    printable(will.topic.as_bytes(), 120),
                    printable(&will.message, 120)
                )
            });
            tracing::info!(intake = self.desk.plan.name, "{} went without a goodbye: {why}{will}", self.who);
        }
    }

    /// Reads the first packet and answers it.
    async fn welcome(&mut self, by: Instant, open: bool) -> Result<Connect, Gone> {
        let late = |_| "nothing that a client begins with came in time".to_owned();
        let first = timeout_at(by, self.packet(CONNECT_BYTES_MAX)).await.map_err(late)??;
        let (code, why) = match first {
            Next::Packet(Packet::Connect(connect)) => match self.judge(&connect, open).await {
                None => {
                    self.send(&connack(ConnectReturnCode::Success)).await?;
                    return Ok(connect);
                }
                Some(refused) => refused,
            },
            Next::OtherVersion => {
                (ConnectReturnCode::RefusedProtocolVersion, "it speaks another version than MQTT 3.1.1".to_owned())
            }
            // 3.1.0-1
            _ => return Err("its first packet was no CONNECT".to_owned()),
        };
        self.send(&connack(code)).await?;
        let _ = self.stream.shutdown().await;
        Err(why)
    }

    /// Why a client is not let in; `None`: it is.
    async fn judge(&self, connect: &Connect, open: bool) -> Option<(ConnectReturnCode, String)> {
        // 3.1.3-8
        if connect.client_id.is_empty() && !connect.clean_session {
            return Some((
                ConnectReturnCode::BadClientId,
                "it has no client identifier but wants a session".to_owned(),
            ));
        }
        let Some(people) = self.desk.plan.people.clone() else {
            let why = "it is not on this machine, and the intake has no people_file";
            return (!open).then(|| (ConnectReturnCode::NotAuthorized, why.to_owned()));
        };
        let Some(login) = connect.login.clone() else {
            return Some((ConnectReturnCode::NotAuthorized, "it gave no name and password".to_owned()));
        };
        let name = printable(login.username.as_bytes(), 64);
        let known = {
            let Ok(_turn) = self.desk.examined.acquire().await else {
                return Some((ConnectReturnCode::ServiceUnavailable, "the intake closes".to_owned()));
            };
            let know = move || people.know(&login.username, login.password.as_bytes());
            tokio::task::spawn_blocking(know).await.unwrap_or(false)
        };
        if known {
            return None;
        }
        sleep(WRONG_WAIT).await;
        Some((ConnectReturnCode::BadUserNamePassword, format!("a wrong name or password, name {name}")))
    }

    /// Serves a client that was let in. `Ok`: it said goodbye, or the daemon ends.
    async fn converse(&mut self, keep_alive_s: u16) -> Result<(), Gone> {
        // 3.1.2-24: one and a half times the keep-alive.
        let patience = match keep_alive_s {
            0 => SILENT_MAX,
            seconds => Duration::from_secs(u64::from(seconds)) * 3 / 2,
        };
        let mut heard = Instant::now();
        loop {
            let phase = self.phase();
            if phase == Phase::Finish {
                let acks = self.acks.take();
                return self.answer(&acks).await;
            }
            let reading = phase == Phase::Run && self.unanswered < UNANSWERED_MAX;
            let acks = Arc::clone(&self.acks);
            let mut changed = self.phase.clone();
            tokio::select! {
                biased;
                () = other_than(&mut changed, phase) => {}
                () = acks.given() => {
                    if self.unanswered >= UNANSWERED_MAX {
                        // Nobody listened to it meanwhile.
                        heard = Instant::now();
                    }
                    self.answer(&acks.take()).await?;
                }
                // It may wait for its acknowledgements in silence: that is the commit's slowness, not its own.
                () = sleep_until(heard + patience), if reading => {
                    return Err(format!("silent for {} s", patience.as_secs()));
                }
                read = self.packet(PACKET_BYTES_MAX), if reading => {
                    heard = Instant::now();
                    match read? {
                        Next::Packet(Packet::Disconnect) => return Ok(()),
                        Next::Packet(packet) => self.take(packet).await?,
                        // 3.1.0-2
                        _ => return Err("it sent a second CONNECT".to_owned()),
                    }
                }
            }
        }
    }

    /// The next packet. Dropped midway it has lost nothing.
    async fn packet(&mut self, most: usize) -> Result<Next, Gone> {
        let mut begun = None;
        loop {
            match next(&mut self.bytes, most)? {
                Next::Part => {}
                packet => return Ok(packet),
            }
            if !self.bytes.is_empty() {
                begun.get_or_insert_with(Instant::now);
            }
            let read = self.stream.read_buf(&mut self.bytes);
            let read = match begun {
                None => read.await,
                Some(begun) => timeout_at(begun + PACKET_WITHIN, read)
                    .await
                    .map_err(|_| "half a packet that was never finished".to_owned())?,
            };
            if read.map_err(gone)? == 0 {
                return Err("it closed the connection".to_owned());
            }
        }
    }

    async fn take(&mut self, packet: Packet) -> Result<(), Gone> {
        match packet {
            Packet::Publish(publish) => self.publish(&publish).await,
            Packet::PubRel(release) => {
                self.half.remove(&release.pkid);
                self.send(&bytes_of(&Packet::PubComp(PubComp::new(release.pkid)))).await
            }
            // Nothing is sent to clients, and they are told so by the standard's means (3.9.3).
            Packet::Subscribe(subscribe) => {
                let refused = vec![SubscribeReasonCode::Failure; subscribe.filters.len()];
                self.send(&bytes_of(&Packet::SubAck(SubAck::new(subscribe.pkid, refused)))).await
            }
            // 3.10.4-5
            Packet::Unsubscribe(unsubscribe) => {
                self.send(&bytes_of(&Packet::UnsubAck(UnsubAck::new(unsubscribe.pkid)))).await
            }
            Packet::PingReq => self.send(&bytes_of(&Packet::PingResp)).await,
            Packet::Connect(_) => Err("it sent a second CONNECT".to_owned()),
            // Answers to what is never sent.
            _ => Ok(()),
        }
    }

    /// Hands one message on. Its acknowledgement follows its commit, or at once where nobody reads it.
    async fn publish(&mut self, publish: &Publish) -> Result<(), Gone> {
        self.pace().await;
        let ack =
            Ack { connection: self.connection, message: publish.pkid, exactly_once: publish.qos == QoS::ExactlyOnce };
        if ack.exactly_once {
            match self.half.get(&publish.pkid) {
                // 4.3.3: it is not passed on again.
                Some(Half::Waiting) => return Ok(()),
                Some(Half::Received) => return self.answer_one(ack).await,
                None if self.half.len() >= HALF_DONE_MAX => {
                    return Err(format!("it left {HALF_DONE_MAX} messages half done"));
                }
                None => self.half.insert(publish.pkid, Half::Waiting),
            };
        }
        // Not acknowledged, so it comes again when the daemon does.
        let (Some(messages), Some(queue)) = (self.desk.read(publish, self.connection), self.desk.queue()) else {
            return Ok(());
        };
        if publish.qos == QoS::AtMostOnce {
            for message in messages {
                self.deliver(&queue, Delivery::Message(message)).await;
            }
            return Ok(());
        }
        if messages.is_empty() {
            return self.answer_one(ack).await;
        }
        self.unanswered += 1;
        let receipts = self.acks.receipts(ack, messages.len() as u32);
        for (mut message, receipt) in messages.into_iter().zip(receipts) {
            message.receipt = Some(receipt);
            self.deliver(&queue, Delivery::Message(message)).await;
        }
        Ok(())
    }

    /// Waits for room in the engine's queue; the client waits in turn. Once the daemon stops, what
    /// finds no room is dropped with its receipt, and comes again.
    async fn deliver(&self, queue: &tokio::sync::mpsc::Sender<Delivery>, delivery: Delivery) {
        let mut phase = self.phase.clone();
        tokio::select! {
            biased;
            // An engine that is gone ends the daemon.
            _ = queue.send(delivery) => {}
            () = other_than(&mut phase, Phase::Run) => {}
        }
    }

    /// Waits where the client sends faster than it may.
    async fn pace(&mut self) {
        let now = Instant::now();
        let earned = (now - self.allowance.1).as_secs_f64() * RATE.1;
        self.allowance = ((self.allowance.0 + earned).min(RATE.0) - 1.0, now);
        if self.allowance.0 < 0.0 {
            sleep(Duration::from_secs_f64(-self.allowance.0 / RATE.1)).await;
        }
    }

    /// Acknowledges what is on disk.
    async fn answer(&mut self, acks: &[Ack]) -> Result<(), Gone> {
        let mut bytes = Vec::with_capacity(acks.len() * 4);
        for ack in acks {
            self.unanswered = self.unanswered.saturating_sub(1);
            bytes.extend(self.answer_bytes(*ack));
        }
        self.send(&bytes).await
    }

    async fn answer_one(&mut self, ack: Ack) -> Result<(), Gone> {
        let bytes = self.answer_bytes(ack);
        self.send(&bytes).await
    }

    fn answer_bytes(&mut self, ack: Ack) -> Vec<u8> {
        if ack.exactly_once {
            self.half.insert(ack.message, Half::Received);
            return bytes_of(&Packet::PubRec(PubRec::new(ack.message)));
        }
        bytes_of(&Packet::PubAck(PubAck::new(ack.message)))
    }

    async fn send(&mut self, bytes: &[u8]) -> Result<(), Gone> {
        let write = async {
            self.stream.write_all(bytes).await?;
            self.stream.flush().await
        };
        match timeout(WRITE_WITHIN, write).await {
            Ok(written) => written.map_err(gone),
            Err(_) => Err("it does not read what it is sent".to_owned()),
        }
    }

    fn phase(&self) -> Phase {
        if self.phase.has_changed().is_err() { Phase::Finish } else { *self.phase.borrow() }
    }
}

fn gone(error: io::Error) -> Gone {
    format!("the connection broke ({error})")
}

/// Waits until the stopping has come to another phase than `phase`, or whoever could stop us is gone.
pub(super) async fn other_than(phases: &mut watch::Receiver<Phase>, phase: Phase) {
    let _ = phases.wait_for(|now| *now != phase).await;
}
