//! Messages from a real broker: acknowledged only once stored, sent again if not, none missed over a
//! restart, and what goes wrong said in words.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use harness::{Mosquitto, PATIENCE, broker, clock, plan, probe, reads_temperature};
use tokio::sync::mpsc;
use tokio::time::timeout;
use tubwatch::config::Plan;
use tubwatch::config::plan::{BrokerPlan, BrokerTls, ProbePlan, Secret};
use tubwatch::ingest::{Delivery, Message, SourceState, Sources};
use tubwatch::wire::{Format, Refusal};

/// The sources at work, and what they delivered.
struct Watched {
    sources: Sources,
    queue: mpsc::Receiver<Delivery>,
    messages: Vec<Message>,
    refused: Vec<(Option<usize>, Refusal, u64, String)>,
    states: Vec<(SourceState, String)>,
}

impl Watched {
    fn start(plan: &Plan, room: usize) -> Watched {
        let (sender, queue) = mpsc::channel(room);
        let sources = Sources::start(plan, sender, clock());
        Watched { sources, queue, messages: Vec::new(), refused: Vec::new(), states: Vec::new() }
    }

    async fn until(&mut self, what: &str, done: impl Fn(&Watched) -> bool) {
        let wait = async {
            while !done(self) {
                match self.queue.recv().await.expect("the sources run") {
                    Delivery::Message(message) => self.messages.push(message),
                    Delivery::Refused { probe, reason, count, excerpt, .. } => {
                        self.refused.push((probe, reason, count, excerpt));
                    }
                    Delivery::Source { state, why, .. } => self.states.push((state, why)),
                }
            }
        };
        if timeout(PATIENCE, wait).await.is_err() {
            panic!("{what}: read {:?}, refused {:?}, states {:?}", self.values(), self.refused, self.states);
        }
    }

    async fn connected(&mut self) {
        self.until("connected", |w| w.state() == Some(SourceState::Connected)).await;
    }

    fn state(&self) -> Option<SourceState> {
        self.states.last().map(|(state, _)| *state)
    }

    /// Temperatures, in the order they came.
    fn values(&self) -> Vec<f64> {
        self.messages.iter().map(|message| message.decoded.values[0].unwrap()).collect()
    }

    /// Gives every receipt held so far, as the engine does after a commit.
    fn give(&mut self) {
        self.messages.iter_mut().filter_map(|message| message.receipt.take()).for_each(|receipt| receipt.give());
    }

    fn count(&self, reason: Refusal) -> u64 {
        self.refused.iter().filter(|refused| refused.1 == reason).map(|refused| refused.2).sum()
    }
}

fn json(name: &str, topic: &str) -> ProbePlan {
    probe(name, 0, Some(topic), reads_temperature(Format::Json, "/t"))
}

/// A broker with one probe on `tent/air`.
fn one_probe(broker: BrokerPlan) -> Plan {
    plan(vec![broker], Vec::new(), vec![json("air", "tent/air")])
}

fn readings(range: std::ops::Range<u32>) -> impl Iterator<Item = (String, Vec<u8>)> {
    range.map(|at| ("tent/air".to_owned(), format!("{{\"t\":{at}}}").into_bytes()))
}

fn numbers(range: std::ops::Range<u32>) -> Vec<f64> {
    range.map(f64::from).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn messages_reach_their_probes_and_what_nobody_reads_is_counted() {
    let mosquitto = Mosquitto::start();
    let mut narrow = json("narrow", "tent/+/air");
    narrow.recipe.select.push(("/id".to_owned(), "a1".to_owned()));
    let probes = vec![json("air", "tent/air"), narrow, json("all", "cellar/#"), json("again", "tent/air")];
    mosquitto.publish("cellar/old", "{\"t\":7}", 1, true);
    let mut watched = Watched::start(&plan(vec![broker(mosquitto.port())], Vec::new(), probes), 64);
    watched.connected().await;
    watched.until("what was kept", |w| w.messages.len() == 1).await;
    assert!(watched.messages[0].carriage.retained && watched.messages[0].probe == 2);
    mosquitto.publish("tent/air", "{\"t\":1}", 1, false);
    mosquitto.publish("tent/shelf/air", "{\"t\":2,\"id\":\"a1\"}", 1, false);
    mosquitto.publish("tent/shelf/air", "{\"t\":3,\"id\":\"a2\"}", 1, false);
    mosquitto.publish("tent/air", "{\"humidity\":3}", 1, false);
    mosquitto.publish("cellar/x", "\u{1b}[2Jhello", 1, false);
    mosquitto.publish("cellar", "{\"t\":4}", 0, false);
    watched.until("all", |w| w.messages.len() == 5 && w.refused.len() == 3).await;
    let of = |message: &Message| (message.probe, message.decoded.values[0].unwrap(), message.receipt.is_some());
    let got: Vec<_> = watched.messages[1..].iter().map(of).collect();
    assert_eq!(got, [(0, 1.0, true), (3, 1.0, true), (1, 2.0, true), (2, 4.0, false)]);
    let carriage = watched.messages[1].carriage;
    assert_eq!((carriage.retained, carriage.repeat, carriage.connection, carriage.resumed), (false, false, 1, false));
    let refused = |reason| watched.refused.iter().find(|refused| refused.1 == reason).unwrap();
    assert_eq!(refused(Refusal::NobodyReads).3, "tent/shelf/air: {\"t\":3,\"id\":\"a2\"}");
    assert_eq!(refused(Refusal::FieldMissing).0, Some(0));
    assert_eq!(refused(Refusal::Malformed).3, "cellar/x: \\u{1b}[2Jhello");
    assert_eq!(refused(Refusal::Malformed).0, Some(2));
    watched.sources.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_not_acknowledged_is_sent_again_and_nothing_else() {
    let mosquitto = Mosquitto::start();
    let plan = one_probe(broker(mosquitto.port()));
    let mut watched = Watched::start(&plan, 64);
    watched.connected().await;
    mosquitto.publish_many(readings(0..100), 1, false);
    watched.until("all", |w| w.messages.len() == 100).await;
    for message in &mut watched.messages {
        let receipt = message.receipt.take().unwrap();
        // Every third is stored; the others are dropped, as by an engine that dies.
        if message.decoded.values[0].unwrap() % 3.0 == 0.0 {
            receipt.give();
        }
    }
    watched.sources.stop().await;

    mosquitto.publish_many(readings(100..110), 1, false);
    let mut watched = Watched::start(&plan, 64);
    let mut want: Vec<f64> = numbers(0..110);
    want.retain(|value| *value >= 100.0 || value % 3.0 != 0.0);
    let due = want.len();
    watched.until("again", |w| w.messages.len() >= due).await;
    assert!(watched.messages.iter().all(|message| message.carriage.resumed && message.carriage.connection == 1));
    let repeats = watched.messages.iter().filter(|message| message.carriage.repeat).count();
    assert_eq!(repeats, due - 10);
    watched.give();
    watched.sources.stop().await;
    let mut got = watched.messages.iter().map(|m| m.decoded.values[0].unwrap()).collect::<Vec<_>>();
    got.sort_by(f64::total_cmp);
    assert_eq!(got, want);

    // Everything has its receipt now: only what is new comes.
    mosquitto.publish_many(readings(110..111), 1, false);
    let mut watched = Watched::start(&plan, 64);
    watched.until("the last", |w| !w.messages.is_empty()).await;
    assert_eq!(watched.values(), [110.0]);
    watched.sources.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn receipts_given_between_the_two_steps_of_stopping_still_count() {
    let mosquitto = Mosquitto::start();
    let plan = one_probe(broker(mosquitto.port()));
    let mut watched = Watched::start(&plan, 64);
    watched.connected().await;
    mosquitto.publish_many(readings(0..50), 1, false);
    watched.until("all", |w| w.messages.len() == 50).await;
    let Watched { mut sources, mut queue, messages, .. } = watched;
    sources.stop_intake().await;
    assert!(timeout(PATIENCE, queue.recv()).await.expect("no sender is left").is_none());
    // Comes while nothing is taken in: must not be acknowledged.
    mosquitto.publish_many(readings(50..60), 1, false);
    messages.into_iter().filter_map(|message| message.receipt).for_each(|receipt| receipt.give());
    sources.finish().await;

    let mut watched = Watched::start(&plan, 64);
    watched.until("the rest", |w| w.messages.len() >= 10).await;
    assert_eq!(watched.values(), numbers(50..60));
    watched.sources.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_restarts_loses_nothing_and_old_receipts_mean_nothing() {
    let mut mosquitto = Mosquitto::start();
    let mut watched = Watched::start(&one_probe(broker(mosquitto.port())), 64);
    watched.connected().await;
    for round in 0..3 {
        let first = round * 100;
        mosquitto.publish_many(readings(first..first + 50), 1, false);
        watched.until("before", |w| w.values().contains(&f64::from(first + 49))).await;
        mosquitto.stop();
        watched.until("away", |w| w.state() == Some(SourceState::Away)).await;
        // Too late: these belong to the connection that broke, so all fifty come again.
        watched.give();
        let before = watched.messages.len();
        mosquitto.restart();
        mosquitto.publish_many(readings(first + 50..first + 100), 1, false);
        // What was received in an earlier round may come again, if the broker stopped before it read so.
        let of_now = |w: &Watched| {
            let all = w.values().into_iter().zip(&w.messages).skip(before);
            all.filter(|(value, _)| *value >= f64::from(first))
                .map(|(value, message)| (value, message.carriage.repeat))
                .collect::<Vec<_>>()
        };
        watched.until("after", |w| of_now(w).len() >= 100).await;
        watched.connected().await;
        let now = of_now(&watched);
        let mut got: Vec<f64> = now.iter().map(|(value, _)| *value).collect();
        got.sort_by(f64::total_cmp);
        assert_eq!(got, numbers(first..first + 100), "round {round}");
        let again = now.iter().filter(|(_, repeat)| *repeat).count();
        assert_eq!(again, 50);
        watched.give();
    }
    watched.sources.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn long_messages_do_not_stop_the_rest() {
    let mosquitto = Mosquitto::start();
    let plan = one_probe(broker(mosquitto.port()));
    let mut watched = Watched::start(&plan, 64);
    watched.connected().await;
    mosquitto.publish_many(readings(0..10), 1, false);
    mosquitto.publish("tent/air", vec![b'x'; 200_000], 1, false);
    mosquitto.publish_many(readings(10..20), 1, false);
    watched.until("round the long one", |w| w.messages.len() == 20).await;
    watched.give();
    // Longer than a packet may be: the connection breaks, then room is made for it, once.
    mosquitto.publish("tent/air", vec![b'x'; 3_000_000], 1, false);
    mosquitto.publish_many(readings(20..30), 1, false);
    watched.until("round the very long one", |w| w.values().contains(&29.0)).await;
    watched.give();
    // Refusals are told in batches, so a little later.
    watched.until("both told", |w| w.count(Refusal::TooLong) == 2).await;
    assert!(watched.states.iter().any(|(_, why)| why.contains("a message of 30000")), "{:?}", watched.states);
    watched.sources.stop().await;

    // Both were acknowledged: they do not come again.
    mosquitto.publish_many(readings(30..31), 1, false);
    let mut watched = Watched::start(&plan, 64);
    watched.until("the last", |w| w.values().contains(&30.0)).await;
    assert_eq!(watched.count(Refusal::TooLong), 0);
    watched.sources.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_small_queue_holds_the_broker_back_and_loses_nothing() {
    let mosquitto = Mosquitto::start();
    let mut watched = Watched::start(&one_probe(broker(mosquitto.port())), 1);
    watched.connected().await;
    mosquitto.publish_many(readings(0..3_000), 1, false);
    for part in 1..=30_u32 {
        watched.until("a part", |w| w.messages.len() >= 100 * part as usize).await;
        watched.give();
    }
    assert_eq!(watched.values(), numbers(0..3_000));
    watched.sources.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_wrong_password_and_no_broker_are_told_in_words() {
    let mosquitto = Mosquitto::start_with("allow_anonymous false\npassword_file {folder}/people\n", |folder| {
        let made = Command::new("mosquitto_passwd")
            .args(["-b", "-c"])
            .arg(folder.join("people"))
            .args(["grower", "right"])
            .status()
            .expect("mosquitto_passwd comes with mosquitto");
        assert!(made.success());
    });
    let with = |password: &str| {
        let mut broker = broker(mosquitto.port());
        broker.username = Some("grower".to_owned());
        broker.password = Some(Secret(password.to_owned()));
        one_probe(broker)
    };
    let mut watched = Watched::start(&with("wrong"), 8);
    watched.until("told", |w| w.state() == Some(SourceState::Away)).await;
    let why = &watched.states.last().unwrap().1;
    assert!(why.contains("does not let \"grower\" in: wrong user name or password"), "{why}");
    assert!(!why.contains("wrong\""), "no secret: {why}");
    watched.sources.stop().await;
    let mut watched = Watched::start(&with("right"), 8);
    watched.connected().await;
    watched.sources.stop().await;

    let mut watched = Watched::start(&one_probe(broker(harness::free_port())), 8);
    watched.until("told", |w| w.state() == Some(SourceState::Away)).await;
    assert!(watched.states.last().unwrap().1.contains("no broker answers at 127.0.0.1:"));
    watched.sources.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_refused_subscription_is_no_connection() {
    // The broker's access plugin: who is not known may subscribe to tent/# only.
    let access = r#"{"defaultACLAccess":{"publishClientSend":true,"publishClientReceive":true,"subscribe":false,
        "unsubscribe":true},"clients":[],"groups":[{"groupname":"guests","roles":[{"rolename":"guest"}]}],
        "anonymousGroup":"guests","roles":[{"rolename":"guest","acls":[{"acltype":"subscribePattern",
        "topic":"tent/#","allow":true}]}]}"#;
    let plugin = harness::broker_plugin("mosquitto_dynamic_security.so").display().to_string();
    let settings = format!("allow_anonymous true\nplugin {plugin}\nplugin_opt_config_file {{folder}}/access.json\n");
    let mosquitto = Mosquitto::start_with(&settings, |folder| {
        std::fs::write(folder.join("access.json"), access).unwrap();
    });
    let probes = vec![json("air", "tent/air"), json("closed", "secret/air")];
    let mut watched = Watched::start(&plan(vec![broker(mosquitto.port())], Vec::new(), probes), 8);
    watched.until("told", |w| w.states.last().is_some_and(|(_, why)| !why.is_empty())).await;
    let (state, why) = watched.states.last().unwrap();
    assert_eq!(*state, SourceState::Connecting);
    assert!(why.contains("does not let tubwatch (without a user name) read \"secret/air\""), "{why}");
    mosquitto.publish("tent/air", "{\"t\":1}", 1, false);
    watched.until("what is granted is read", |w| w.messages.len() == 1).await;
    assert!(watched.states.iter().all(|(state, _)| *state == SourceState::Connecting));
    watched.sources.stop().await;
}

/// Makes an authority and a certificate for 127.0.0.1 in `folder`.
fn certificates(folder: &Path) {
    let script = "set -e
        openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj '/CN=test authority' \
            -keyout ca.key -out ca.pem
        openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj '/CN=broker' -keyout broker.key -out broker.csr
        printf 'subjectAltName=IP:127.0.0.1\\nbasicConstraints=CA:FALSE\\n' > broker.ext
        openssl x509 -req -in broker.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 -extfile broker.ext \
            -out broker.pem
        openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj '/CN=grower' -keyout grower.key -out grower.csr
        openssl x509 -req -in grower.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 -extfile broker.ext \
            -out grower.pem";
    let made = Command::new("sh").args(["-c", script]).current_dir(folder).output().expect("sh and openssl are there");
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn tls_with_the_right_authority_and_with_another() {
    let tls_port = harness::free_port();
    let settings = format!(
        "allow_anonymous true\nlistener {tls_port} 127.0.0.1\ncertfile {{folder}}/broker.pem\n\
         keyfile {{folder}}/broker.key\n"
    );
    let mosquitto = Mosquitto::start_with(&settings, certificates);
    let with = |port, pem: Vec<u8>| {
        let mut broker = broker(port);
        broker.tls = Some(BrokerTls { ca_pem: Some(pem), client_pem: None });
        one_probe(broker)
    };
    let right = std::fs::read(mosquitto.folder().join("ca.pem")).unwrap();
    let mut watched = Watched::start(&with(tls_port, right.clone()), 8);
    watched.connected().await;
    mosquitto.publish("tent/air", "{\"t\":1}", 1, false);
    watched.until("over TLS", |w| w.messages.len() == 1).await;
    watched.give();
    watched.sources.stop().await;

    let other = tempfile::TempDir::new().unwrap();
    certificates(other.path());
    let other = std::fs::read(other.path().join("ca.pem")).unwrap();
    for (port, pem, words) in [
        (tls_port, other, "is not accepted"),
        (mosquitto.port(), right, "closed the connection"),
        (tls_port, b"no PEM".to_vec(), "ca_file holds no certificate in PEM"),
    ] {
        let mut watched = Watched::start(&with(port, pem), 8);
        watched.until("told", |w| w.state() == Some(SourceState::Away)).await;
        let why = &watched.states.last().unwrap().1;
        assert!(why.contains(words), "{why}");
        watched.sources.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_asks_for_a_certificate() {
    let tls_port = harness::free_port();
    let settings = format!(
        "allow_anonymous true\nlistener {tls_port} 127.0.0.1\ncertfile {{folder}}/broker.pem\n\
         keyfile {{folder}}/broker.key\ncafile {{folder}}/ca.pem\nrequire_certificate true\n"
    );
    let mosquitto = Mosquitto::start_with(&settings, certificates);
    let read = |name| std::fs::read(mosquitto.folder().join(name)).unwrap();
    let with = |client_pem| {
        let mut broker = broker(tls_port);
        broker.tls = Some(BrokerTls { ca_pem: Some(read("ca.pem")), client_pem });
        one_probe(broker)
    };
    let key = Secret(String::from_utf8(read("grower.key")).unwrap());
    let mut watched = Watched::start(&with(Some((read("grower.pem"), key))), 8);
    watched.connected().await;
    watched.sources.stop().await;
    for (client_pem, words) in [
        (None, "does it want cert_file and key_file?"),
        (Some((read("grower.pem"), Secret("no key".to_owned()))), "key_file holds no private key in PEM"),
    ] {
        let mut watched = Watched::start(&with(client_pem), 8);
        watched.until("told", |w| w.state() == Some(SourceState::Away)).await;
        let why = &watched.states.last().unwrap().1;
        assert!(why.contains(words), "{why}");
        watched.sources.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_programs_with_one_identifier_are_told_so() {
    let mosquitto = Mosquitto::start();
    let plan = one_probe(broker(mosquitto.port()));
    let mut watched = Watched::start(&plan, 64);
    let other = Watched::start(&plan, 4096);
    watched.until("told", |w| w.states.iter().any(|(_, why)| why.contains("does another program use"))).await;
    timeout(Duration::from_secs(10), other.sources.stop()).await.expect("stops in bounds");
    watched.connected().await;
    watched.sources.stop().await;
}
