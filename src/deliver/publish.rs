//! Telling over MQTT: a connection of our own to a broker, beside the one that reads it.
//!
//! In: messages for a topic, each with a word back once the broker has it; and what stands now, by
//! topic. Out: the messages with QoS 1, one on its way at a time; what stands, retained, made empty
//! when it is over; `tubwatch/watching`, retained, `true` while we are here and `false` by the last
//! will or at an orderly end. Each connection begins with a new client of the library, so nothing of
//! a broken one reaches the next; all that stands is then published anew, since a broker may forget.
//! Bounded: as many messages wait as messengers publish here, each waiting for its answer.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::Duration;

use rumqttc::{
    AsyncClient, ConnectionError, Event, EventLoop, Incoming, LastWill, MqttOptions, QoS, TlsConfiguration, Transport,
};
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::{Instant, sleep_until, timeout};

use super::refused::{Refused, root_of};
use crate::config::plan::BrokerPlan;
use crate::config::tls;

/// Where it is said whether anybody watches.
const WATCHING: &str = "tubwatch/watching";
/// What is said there, retained.
const WATCHES: &str = r#"{"watching": true}"#;
const WATCHES_NOT: &str = r#"{"watching": false}"#;
/// Under this topic stands what stands, by subject.
const STANDING: &str = "tubwatch/standing/";
/// How long a broker may take to connect, and to acknowledge a message.
const ANSWER_WAIT: Duration = Duration::from_secs(10);
/// The first and the longest pause before connecting again.
const RECONNECT: (Duration, Duration) = (Duration::from_millis(500), Duration::from_secs(30));
/// How long the broker gets for our last word.
const LEAVE_WAIT: Duration = Duration::from_secs(1);
const KEEP_ALIVE: Duration = Duration::from_secs(15);
/// The largest packet either way: an alert is a hundredth of it.
const PACKET_BYTES_MAX: usize = 1 << 20;
/// Messages between the messengers and the connection; each messenger has one on its way.
const JOBS_MAX: usize = 16;
/// The longest subject in a topic, bytes: names are far shorter.
const SUBJECT_BYTES_MAX: usize = 256;

/// What stands, by topic.
pub(super) type Board = Arc<BTreeMap<String, String>>;

/// The topic that says what stands of `subject`. A letter that a topic cannot hold or that would be a
/// level or a wildcard of its own is written by percent, so that no name reaches beyond its place.
pub(super) fn standing_topic(subject: &str) -> String {
    let mut topic = STANDING.to_owned();
    for letter in subject.chars() {
        if topic.len() > SUBJECT_BYTES_MAX {
            break;
        }
        if letter.is_control() || matches!(letter, '/' | '+' | '#' | '%' | '$') {
            let mut bytes = [0; 4];
            for byte in letter.encode_utf8(&mut bytes).bytes() {
                topic.push_str(&format!("%{byte:02X}"));
            }
        } else {
            topic.push(letter);
        }
    }
    topic
}

/// One message on its way.
struct Job {
    topic: String,
    payload: String,
    told: oneshot::Sender<Result<(), String>>,
}

/// The way to a broker's connection.
#[derive(Clone)]
pub(super) struct Line {
    jobs: mpsc::Sender<Job>,
    place: String,
}

impl Line {
    /// Publishes once; ends within `limit`.
    pub(super) async fn publish(&self, topic: &str, payload: &str, limit: Duration) -> Result<(), Refused> {
        let (told, answer) = oneshot::channel();
        let job = Job { topic: topic.to_owned(), payload: payload.to_owned(), told };
        let exchange = async {
            self.jobs.send(job).await.map_err(|_| "tubwatch is stopping".to_owned())?;
            answer.await.map_err(|_| "tubwatch is stopping".to_owned())?
        };
        let late = || format!("{} did not take the message within {} s", self.place, limit.as_secs_f64());
        timeout(limit, exchange).await.unwrap_or_else(|_| Err(late())).map_err(Refused::passing)
    }
}

/// A broker's connection, still to be run.
pub(super) struct Publisher {
    plan: BrokerPlan,
    client: String,
    place: String,
    jobs: mpsc::Receiver<Job>,
    board: watch::Receiver<Board>,
    stopped: watch::Receiver<bool>,
    /// Whether it says that it watches, and what stands; a trial does neither.
    is_standing: bool,
    standing: Standing,
    waiting: VecDeque<Job>,
    last_fault: Option<String>,
}

/// What went out last and is not yet acknowledged.
enum OnTheWay {
    Job(Job),
    /// The topic, and what now stands there.
    Stands(String, String),
    Watching,
}

impl Publisher {
    /// For the broker of `plan`, which reads under another client identifier.
    pub(super) fn new(
        plan: &BrokerPlan,
        board: watch::Receiver<Board>,
        stale: Vec<String>,
        stopped: watch::Receiver<bool>,
    ) -> (Publisher, Line) {
        Publisher::called(plan, format!("{}-alerts", plan.client), true, board, stale, stopped)
    }

    /// One that only carries messages: for a trial beside a daemon that runs.
    pub(super) fn trial(plan: &BrokerPlan, stopped: watch::Receiver<bool>) -> (Publisher, Line) {
        let (_, board) = watch::channel(Board::default());
        let client = format!("{}-trial-{}", plan.client, std::process::id());
        Publisher::called(plan, client, false, board, Vec::new(), stopped)
    }

    fn called(
        plan: &BrokerPlan,
        client: String,
        is_standing: bool,
        board: watch::Receiver<Board>,
        stale: Vec<String>,
        stopped: watch::Receiver<bool>,
    ) -> (Publisher, Line) {
        let (sender, jobs) = mpsc::channel(JOBS_MAX);
        let place = format!("the broker {} at {}:{}", plan.name, plan.host, plan.port);
        let line = Line { jobs: sender, place: place.clone() };
        let publisher = Publisher {
            plan: plan.clone(),
            client,
            place,
            jobs,
            board,
            stopped,
            is_standing,
            // What stood lately is made empty unless it stands.
            standing: Standing { said: stale.into_iter().map(|topic| (topic, None)).collect() },
            waiting: VecDeque::new(),
            last_fault: None,
        };
        (publisher, line)
    }

    /// Holds the connection until told to stop.
    pub(super) async fn run(mut self) {
        let mut pause = RECONNECT.0;
        while !*self.stopped.borrow() {
            let began = Instant::now();
            let why = match self.one_connection().await {
                Ok(()) => return,
                Err(why) => why,
            };
            if began.elapsed() > 2 * ANSWER_WAIT {
                pause = RECONNECT.0;
            }
            if self.last_fault.as_deref() != Some(why.as_str()) {
                tracing::warn!("telling over MQTT: {why}");
            }
            self.last_fault = Some(why.clone());
            let until = Instant::now() + pause.mul_f64(0.5 + rand::random::<f64>() / 2.0);
            pause = (pause * 2).min(RECONNECT.1);
            if self.wait_refusing(until, &why).await {
                return;
            }
        }
    }

    /// Answers what comes meanwhile with why it cannot go. True where it is to stop.
    async fn wait_refusing(&mut self, until: Instant, why: &str) -> bool {
        for job in self.waiting.drain(..) {
            // Who asked may have given up.
            let _ = job.told.send(Err(why.to_owned()));
        }
        let mut stopped = self.stopped.clone();
        let refuse = async {
            while let Some(job) = self.jobs.recv().await {
                let _ = job.told.send(Err(why.to_owned()));
            }
            // Nobody can ask any more; what stands is still to be said.
            std::future::pending::<()>().await;
        };
        tokio::select! {
            () = sleep_until(until) => false,
            _ = stopped.wait_for(|stopped| *stopped) => true,
            () = refuse => false,
        }
    }

    /// Connects and publishes until told to stop, or says why the connection ended.
    async fn one_connection(&mut self) -> Result<(), String> {
        let options = self.options()?;
        let (client, mut eventloop) = AsyncClient::new(options, JOBS_MAX);
        let mut network = eventloop.network_options();
        network.set_connection_timeout(ANSWER_WAIT.as_secs());
        network.set_tcp_nodelay(true);
        eventloop.set_network_options(network);
        let mut stopped = self.stopped.clone();
        let connected = tokio::select! {
            connected = connected(&mut eventloop) => connected,
            _ = stopped.wait_for(|stopped| *stopped) => return Ok(()),
        };
        connected.map_err(|error| words(&self.place, &error))?;
        if self.last_fault.take().is_some() {
            tracing::info!("telling over MQTT: {} is back", self.place);
        }
        let mut on_the_way = None;
        let mut standing = std::mem::take(&mut self.standing);
        // The broker may have forgotten.
        standing.doubt();
        let ended = self.converse(&client, &mut eventloop, &mut standing, &mut on_the_way).await;
        self.standing = standing;
        if let Some(OnTheWay::Job(job)) = on_the_way {
            let why = ended.as_ref().err().cloned().unwrap_or_else(|| "tubwatch is stopping".to_owned());
            let _ = job.told.send(Err(why));
        }
        ended?;
        if self.is_standing {
            // An orderly end keeps the broker from publishing the will, so we say it ourselves.
            let _ = client.try_publish(WATCHING, QoS::AtLeastOnce, true, WATCHES_NOT);
        }
        let _ = client.try_disconnect();
        let _ = timeout(LEAVE_WAIT, async { while eventloop.poll().await.is_ok() {} }).await;
        Ok(())
    }

    async fn converse(
        &mut self,
        client: &AsyncClient,
        eventloop: &mut EventLoop,
        standing: &mut Standing,
        on_the_way: &mut Option<OnTheWay>,
    ) -> Result<(), String> {
        let mut is_said = !self.is_standing;
        let mut answer_by = None;
        let (mut stopped, mut board) = (self.stopped.clone(), self.board.clone());
        loop {
            if on_the_way.is_none() {
                let next = if is_said { self.next(standing) } else { Some(OnTheWay::Watching) };
                if let Some(next) = next {
                    let (topic, payload, retain) = match &next {
                        OnTheWay::Job(job) => (job.topic.clone(), job.payload.clone(), false),
                        OnTheWay::Stands(topic, payload) => (topic.clone(), payload.clone(), true),
                        OnTheWay::Watching => (WATCHING.to_owned(), WATCHES.to_owned(), true),
                    };
                    *on_the_way = Some(next);
                    // The queue is empty: one message is on its way at a time.
                    let sent = client.try_publish(topic, QoS::AtLeastOnce, retain, payload);
                    sent.map_err(|error| format!("{} cannot be told: {error}", self.place))?;
                    answer_by = Some(Instant::now() + ANSWER_WAIT);
                }
            }
            let overdue = async {
                match answer_by {
                    Some(answer_by) => sleep_until(answer_by).await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                event = eventloop.poll() => match event {
                    Ok(Event::Incoming(Incoming::PubAck(_))) => {
                        answer_by = None;
                        match on_the_way.take() {
                            Some(OnTheWay::Job(job)) => { let _ = job.told.send(Ok(())); }
                            Some(OnTheWay::Stands(topic, payload)) => standing.said(topic, payload),
                            Some(OnTheWay::Watching) => is_said = true,
                            None => {}
                        }
                    }
                    Ok(_) => {}
                    Err(error) => return Err(words(&self.place, &error)),
                },
                () = overdue => return Err(format!("{} took a message but did not acknowledge it", self.place)),
                Some(job) = self.jobs.recv() => self.waiting.push_back(job),
                changed = board.changed(), if self.is_standing => {
                    if changed.is_err() {
                        // The deliverer is gone.
                        return Ok(());
                    }
                }
                _ = stopped.wait_for(|stopped| *stopped) => return Ok(()),
            }
        }
    }

    /// What goes next: messages before what stands.
    fn next(&mut self, standing: &Standing) -> Option<OnTheWay> {
        if let Some(job) = self.waiting.pop_front() {
            return Some(OnTheWay::Job(job));
        }
        let board = Arc::clone(&self.board.borrow());
        standing.next(&board).filter(|_| self.is_standing)
    }

    fn options(&self) -> Result<MqttOptions, String> {
        let plan = &self.plan;
        // A bare IPv6 address would run into its port.
        let bare_v6 = plan.host.contains(':') && !plan.host.starts_with('[') && plan.tls.is_none();
        let host = if bare_v6 { format!("[{}]", plan.host) } else { plan.host.clone() };
        let mut options = MqttOptions::new(self.client.clone(), host, plan.port);
        options.set_clean_session(true);
        options.set_keep_alive(KEEP_ALIVE);
        options.set_max_packet_size(PACKET_BYTES_MAX, PACKET_BYTES_MAX);
        options.set_inflight(1);
        if self.is_standing {
            options.set_last_will(LastWill::new(WATCHING, WATCHES_NOT, QoS::AtLeastOnce, true));
        }
        if let Some(user) = &plan.username {
            let password = plan.password.as_ref().map(|password| password.0.as_str()).unwrap_or_default();
            options.set_credentials(user.clone(), password);
        }
        if let Some(tls) = &plan.tls {
            options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(tls::client(tls)?)));
        }
        Ok(options)
    }
}

/// Why a broker cannot be told, in one sentence.
fn words(place: &str, error: &ConnectionError) -> String {
    format!("{place} cannot be told: {}", root_of(error))
}

/// Polls until the broker has let us in.
async fn connected(eventloop: &mut EventLoop) -> Result<(), ConnectionError> {
    loop {
        if let Event::Incoming(Incoming::ConnAck(_)) = eventloop.poll().await? {
            return Ok(());
        }
    }
}

/// What the broker was told to stand.
#[derive(Default)]
struct Standing {
    /// By topic. `None`: in an earlier connection, or perhaps.
    said: BTreeMap<String, Option<String>>,
}

impl Standing {
    /// Nothing said before is sure any more.
    fn doubt(&mut self) {
        self.said.values_mut().for_each(|said| *said = None);
    }

    /// The next difference between what is said and what is so.
    fn next(&self, board: &BTreeMap<String, String>) -> Option<OnTheWay> {
        let over = self
            .said
            .iter()
            .find(|(topic, said)| !board.contains_key(*topic) && said.as_ref().is_none_or(|said| !said.is_empty()));
        if let Some((topic, _)) = over {
            return Some(OnTheWay::Stands(topic.clone(), String::new()));
        }
        let news = board.iter().find(|(topic, now)| self.said.get(*topic).and_then(Option::as_ref) != Some(now));
        news.map(|(topic, now)| OnTheWay::Stands(topic.clone(), now.clone()))
    }

    fn said(&mut self, topic: String, payload: String) {
        // What is over and said so needs no memory.
        if payload.is_empty() {
            self.said.remove(&topic);
        } else {
            self.said.insert(topic, Some(payload));
        }
    }
}

/// Publishes one trial and ends.
pub(super) async fn trial(plan: &BrokerPlan, topic: &str, body: &str, limit: Duration) -> Result<(), String> {
    let (stop, stopped) = watch::channel(false);
    let (publisher, line) = Publisher::trial(plan, stopped);
    let task = tokio::spawn(publisher.run());
    let told = line.publish(topic, body, limit).await.map_err(|refused| refused.why);
    let _ = stop.send(true);
    // It takes leave, so that the broker has read all.
    let _ = timeout(2 * LEAVE_WAIT, task).await;
    told
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_name_reaches_beyond_its_topic() {
        assert_eq!(standing_topic("tub A1"), "tubwatch/standing/tub A1");
        assert_eq!(standing_topic("tub ../#/+\n\0$SYS%"), "tubwatch/standing/tub ..%2F%23%2F%2B%0A%00%24SYS%25");
        assert!(standing_topic(&"é".repeat(70_000)).len() < 300);
    }

    #[test]
    fn what_stands_is_said_once_and_emptied_once() {
        let mut standing = Standing { said: BTreeMap::from([("old".to_owned(), None)]) };
        let mut board = BTreeMap::from([("a".to_owned(), "1".to_owned())]);
        let mut said = Vec::new();
        while let Some(OnTheWay::Stands(topic, payload)) = standing.next(&board) {
            said.push((topic.clone(), payload.clone()));
            standing.said(topic, payload);
        }
        assert_eq!(said, [("old".to_owned(), String::new()), ("a".to_owned(), "1".to_owned())]);
        board.clear();
        assert!(
            matches!(standing.next(&board), Some(OnTheWay::Stands(topic, payload)) if topic == "a" && payload.is_empty())
        );
    }
}
