//! Mail, programs and MQTT against real peers, well behaved and not. Whatever they do, a try ends, is
//! said in a sentence, and is made again until it is accepted.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use harness::ear::Ear;
use harness::post_office::{Manner, PostOffice, certificates};
use harness::{Mosquitto, PATIENCE, wait_until};
use serde_json::Value;
use tokio::sync::mpsc;
use tubwatch::climate::Stamp;
use tubwatch::config::plan::{MailPlan, MessengerPlan, Plan, Privacy, Secret, Way};
use tubwatch::config::template::Template;
use tubwatch::deliver::{Before, Deliverer, Kept, Outcome, Teller, Timing, try_now};
use tubwatch::store::{OutboxItem, ToldLately};
use tubwatch::watch::alert::{Alert, AlertEvent, AlertState, EventKind, Severity, Watch};

const NOW: Stamp = Stamp(1_795_585_280_250);

/// A name that would end a header, a line of SMTP, a string of JSON, a topic, a command.
const HOSTILE: &str = "A1\"}\r\n.\r\nRCPT TO:<evil@example.invalid>\r\nBcc: evil@example.invalid\n$(touch HURT);`touch HURT`'\u{0}\u{1b}[2J/+/#";

struct NoStore;

impl Kept for NoStore {
    fn item(&self, _: i64) -> Result<Option<OutboxItem>, String> {
        Err("there is no store here".to_owned())
    }
}

/// One messenger at work.
struct Work {
    deliverer: Deliverer,
    outcomes: mpsc::UnboundedReceiver<Outcome>,
    teller: Teller,
    next_id: i64,
}

fn plan(way: Way) -> Plan {
    let mut plan = harness::plan(Vec::new(), Vec::new(), Vec::new());
    plan.site = "cellar".to_owned();
    plan.status.address = Some("http://192.0.2.7:8750".to_owned());
    plan.messengers = vec![MessengerPlan::plain("it", Severity::Warning, way)];
    plan
}

impl Work {
    fn start(plan: &Plan, one_try: Duration) -> Work {
        let (tell, outcomes) = mpsc::unbounded_channel();
        let pause = Duration::from_millis(10);
        let timing = Timing { one_try, first_pause: pause, longest_pause: 4 * pause, ..Timing::default() };
        let deliverer = Deliverer::start_with(timing, plan, Before::default(), NOW, Arc::new(NoStore), tell);
        Work { deliverer, outcomes, teller: Teller::new(plan, &ToldLately::default()), next_id: 1 }
    }

    fn tell(&mut self, alert: Alert) {
        let event = AlertEvent { kind: EventKind::Raised, at: NOW, worst: alert.severity, alert };
        for item in self.teller.event(&event, NOW, &mut self.next_id) {
            self.deliverer.hand_over(item, std::future::ready(()));
        }
    }

    async fn outcome(&mut self) -> Outcome {
        tokio::time::timeout(PATIENCE, self.outcomes.recv()).await.expect("an outcome in time").unwrap()
    }

    /// The first outcome that is an acceptance, and what was said before it.
    async fn accepted(&mut self) -> Vec<String> {
        let mut said = Vec::new();
        loop {
            match self.outcome().await.result {
                Ok(()) => return said,
                Err(why) => said.push(why),
            }
        }
    }
}

fn alert(id: i64, name: &str) -> Alert {
    Alert {
        id,
        subject: format!("tub {name}"),
        watch: Watch::CoreTemperature,
        severity: Severity::Critical,
        state: AlertState::Unacknowledged,
        since: NOW,
        first_at: NOW,
        value: Some(31.5),
        limit: Some(31.0),
        text: format!("Tub {name}: substrate 31.5 °C."),
        returned_at: None,
        acknowledged_at: None,
        ended_at: None,
        repeat: 0,
    }
}

fn mail(port: u16) -> MailPlan {
    MailPlan {
        host: "127.0.0.1".to_owned(),
        port,
        privacy: Privacy::Plain,
        ca_pem: None,
        login: None,
        from: "tent@example.invalid".to_owned(),
        to: vec!["grower@example.invalid".to_owned(), "Neighbour <next@example.invalid>".to_owned()],
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_mail_says_it_all_and_a_name_adds_nothing_to_it() {
    let office = PostOffice::open();
    let mut work = Work::start(&plan(Way::Mail(mail(office.port))), PATIENCE);
    work.tell(alert(17, "A1"));
    work.tell(alert(18, HOSTILE));
    for _ in 0..2 {
        assert_eq!(work.outcome().await.result, Ok(()));
    }
    let [plain, hostile] = office.mails().try_into().unwrap();
    assert_eq!(plain.header("Subject"), Some("cellar: critical: tub A1, core-temperature"));
    assert_eq!(plain.header("From"), Some("tent@example.invalid"));
    assert_eq!(plain.header("Auto-Submitted"), Some("auto-generated"));
    assert_eq!(plain.hello, "[127.0.0.1]");
    assert!(plain.data.contains("http://192.0.2.7:8750/alert/17"), "{}", plain.data);
    let to = ["<grower@example.invalid>", "<next@example.invalid>"];
    for mail in [&plain, &hostile] {
        assert_eq!(mail.to, to);
        let names: Vec<&str> = mail
            .headers()
            .iter()
            .filter(|line| !line.starts_with(' '))
            .map(|line| line.split(':').next().unwrap())
            .collect();
        let mut sorted = names.clone();
        sorted.sort_unstable();
        sorted.dedup();
        assert_eq!(names.len(), sorted.len(), "each header once: {names:?}");
        assert!(!names.contains(&"Bcc") && !names.contains(&"RCPT TO"), "{names:?}");
    }
    assert_eq!(office.visits(), 2);
    work.deliverer.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whatever_a_mail_server_does_the_mail_is_told_in_the_end() {
    let office = PostOffice::open();
    let mut work = Work::start(&plan(Way::Mail(mail(office.port))), Duration::from_millis(700));
    for (n, (manner, part)) in [
        (Manner::Silent, "did not take the mail within 0.7 s"),
        (Manner::SilentAfterEhlo, "did not take the mail within 0.7 s"),
        (Manner::SilentAfterData, "did not take the mail within 0.7 s"),
        (Manner::Closed, "421"),
        (Manner::KnowsNobody, "answered 550: nobody"),
        (Manner::NotNow, "answered 451: later"),
        (Manner::Never, "answered 554: no such mail"),
        (Manner::Drops, "the mail server 127.0.0.1"),
        (Manner::Babbles, "the mail server 127.0.0.1"),
    ]
    .into_iter()
    .enumerate()
    {
        office.behave(manner);
        let before = office.mails().len();
        work.tell(alert(i64::try_from(n).unwrap() + 1, "A1"));
        let why = work.outcome().await.result.unwrap_err();
        assert!(why.contains(part) && !why.chars().any(char::is_control), "{manner:?}: {why}");
        office.behave(Manner::Takes);
        work.accepted().await;
        assert_eq!(office.mails().len(), before + 1, "{manner:?}");
    }
    // Slow is not wrong.
    let mut patient = Work::start(&plan(Way::Mail(mail(office.port))), PATIENCE);
    office.behave(Manner::Slow);
    patient.tell(alert(99, "A1"));
    assert_eq!(patient.outcome().await.result, Ok(()));
    // A retry can be seen to be one.
    let mails = office.mails();
    let id = |mail: &harness::post_office::Mail| mail.header("Message-ID").unwrap().to_owned();
    assert_eq!(id(&mails[0]), id(&mails[1]), "the same site, tub, watch and first sample");
    assert!(id(&mails[0]).ends_with("@example.invalid>"));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_refused_address_keeps_the_mail_from_nobody_else() {
    let office = PostOffice::open();
    let plan = plan(Way::Mail(mail(office.port)));
    let mut work = Work::start(&plan, PATIENCE);
    let (grower, next) = ("<grower@example.invalid>", "<next@example.invalid>");
    let taken = || -> Vec<String> { office.mails().iter().flat_map(|mail| mail.to.clone()).collect() };
    // For good: the other one has it, and it is not tried again.
    office.behave(Manner::KnowsNot("next@"));
    work.tell(alert(1, "A1"));
    assert_eq!(work.outcome().await.result, Ok(()));
    assert_eq!(taken(), [grower]);
    // But who tries it is told.
    let why = try_now(&plan, &plan.messengers[0], NOW).await.unwrap_err();
    assert!(why.contains("550: nobody of that name, for next@example.invalid") && !why.contains("grower@"), "{why}");
    // For now: only who has not got it is tried again, and gets it once.
    office.behave(Manner::NotYet("grower@"));
    work.tell(alert(2, "A2"));
    let why = work.outcome().await.result.unwrap_err();
    assert!(why.contains("450: later, for grower@example.invalid"), "{why}");
    office.behave(Manner::Takes);
    work.accepted().await;
    assert_eq!(taken(), [grower, grower, next, grower], "the trial, then each of the second mail once");
    // Nobody at all is a refusal, as it was.
    office.behave(Manner::KnowsNobody);
    work.tell(alert(3, "A3"));
    let why = work.outcome().await.result.unwrap_err();
    assert!(why.contains("550") && why.contains("grower@example.invalid, next@example.invalid"), "{why}");
    office.behave(Manner::Takes);
    work.accepted().await;
    assert_eq!(taken().len(), 6);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_password_goes_only_where_the_server_is_known() {
    let folder = tempfile::tempdir().unwrap();
    certificates(folder.path());
    let office = PostOffice::open_with(Some(folder.path()));
    let known = std::fs::read(folder.path().join("ca.pem")).unwrap();
    let with = |ca_pem: Option<Vec<u8>>| MailPlan {
        privacy: Privacy::StartTls,
        ca_pem,
        login: Some(("tent".to_owned(), Secret("s3cret".to_owned()))),
        ..mail(office.port)
    };
    let right = plan(Way::Mail(with(Some(known))));
    assert_eq!(try_now(&right, &right.messengers[0], NOW).await, Ok(()));
    let taken = office.mails().pop().unwrap();
    assert!(taken.over_tls);
    // "\0tent\0s3cret" in base64 (RFC 4616).
    assert_eq!(taken.login.as_deref(), Some("AHRlbnQAczNjcmV0"));
    assert!(taken.data.contains("Trial: nothing is wrong."), "{}", taken.data);

    let unknown = plan(Way::Mail(with(None)));
    let why = try_now(&unknown, &unknown.messengers[0], NOW).await.unwrap_err();
    assert!(why.contains("does not trust") && !why.contains("s3cret"), "{why}");
    // A server that offers no TLS gets neither password nor mail.
    let plain = PostOffice::open();
    let stripped = plan(Way::Mail(MailPlan { port: plain.port, ..with(None) }));
    let why = try_now(&stripped, &stripped.messengers[0], NOW).await.unwrap_err();
    assert!(!why.contains("s3cret"), "{why}");
    assert!(plain.mails().is_empty());
}

fn program(folder: &Path, name: &str, text: &str) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, format!("#!/bin/sh\ncd '{}'\n{text}\n", folder.display())).unwrap();
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o755)).unwrap();
    path
}

fn run(program: &Path, args: &[&str]) -> Way {
    Way::Run { program: program.to_owned(), args: args.iter().map(|&arg| arg.to_owned()).collect() }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_program_gets_the_alert_on_its_standard_input_and_its_own_arguments() {
    let folder = tempfile::tempdir().unwrap();
    let path = program(folder.path(), "bell", "printf '%s\\n' \"$#\" \"$@\" > args; cat > heard; echo rung");
    let args = ["on", "$(touch HURT)", "a b", "; touch HURT"];
    let mut work = Work::start(&plan(run(&path, &args)), PATIENCE);
    work.tell(alert(17, HOSTILE));
    assert_eq!(work.outcome().await.result, Ok(()));
    let heard: Value = serde_json::from_str(&std::fs::read_to_string(folder.path().join("heard")).unwrap()).unwrap();
    assert_eq!(heard["subject"], format!("tub {HOSTILE}"));
    assert_eq!((&heard["event"], &heard["link"]), (&"raised".into(), &"http://192.0.2.7:8750/alert/17".into()));
    let told = std::fs::read_to_string(folder.path().join("args")).unwrap();
    assert_eq!(told, format!("4\n{}\n", args.join("\n")));
    assert!(!folder.path().join("HURT").exists());
    work.deliverer.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_program_that_hangs_floods_or_fails_is_ended_and_tried_again() {
    let folder = tempfile::tempdir().unwrap();
    let hangs = "cat > /dev/null; sleep 600 & echo $! > child; wait";
    for (name, text, part) in [
        ("hangs", hangs, "had not ended after 1 s and was stopped"),
        ("deaf", "exec sleep 600", "had not ended after 1 s"),
        ("floods", "exec yes", "printed more than 1048576 bytes"),
        ("fails", "echo 'no \u{1b}[2Jlamp' >&2; exit 3", "exit status: 3"),
        ("dies", "kill -9 $$", "signal: 9"),
    ] {
        // It behaves at the second time.
        let text = format!("if [ -e {name}.was ]; then cat > {name}.heard; exit 0; fi; touch {name}.was\n{text}");
        let mut work = Work::start(&plan(run(&program(folder.path(), name, &text), &[])), Duration::from_secs(1));
        work.tell(alert(1, "A1"));
        let why = work.outcome().await.result.unwrap_err();
        assert!(why.contains(part), "{name}: {why}");
        work.accepted().await;
        assert!(folder.path().join(format!("{name}.heard")).exists());
        work.deliverer.stop().await;
    }
    let child = std::fs::read_to_string(folder.path().join("child")).unwrap();
    wait_until(PATIENCE, "what a hanging program started is ended too", || {
        // Gone, or dead and not yet waited for.
        std::fs::read_to_string(format!("/proc/{}/stat", child.trim()))
            .map_or(true, |stat| stat.rsplit(") ").next().is_some_and(|rest| rest.starts_with('Z')))
    });
    let missing = plan(run(&folder.path().join("none"), &[]));
    assert!(try_now(&missing, &missing.messengers[0], NOW).await.unwrap_err().contains("there is no such program"));
    let quits = plan(run(&program(folder.path(), "quits", "exec true"), &[]));
    assert_eq!(try_now(&quits, &quits.messengers[0], NOW).await, Ok(()), "not reading the alert is no fault");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn messages_and_what_stands_outlive_a_broker_that_was_away() {
    let mut mosquitto = Mosquitto::start();
    let mut plan = plan(Way::Publish { broker: 0, topic: "tubwatch/alerts".to_owned() });
    plan.brokers = vec![harness::broker(mosquitto.port())];
    // Left behind by a run before.
    mosquitto.publish("tubwatch/standing/tub A0", "{}", 1, true);
    let (tell, outcomes) = mpsc::unbounded_channel();
    let pause = Duration::from_millis(50);
    let timing = Timing { first_pause: pause, longest_pause: 4 * pause, ..Timing::default() };
    let before = Before { waiting: Vec::new(), subjects: vec!["tub A0".to_owned(), "tub A1".to_owned()] };
    let deliverer = Deliverer::start_with(timing, &plan, before, NOW, Arc::new(NoStore), tell);
    let mut work = Work { deliverer, outcomes, teller: Teller::new(&plan, &ToldLately::default()), next_id: 1 };
    let stands = alert(17, HOSTILE);
    let worse = Alert { severity: Severity::Critical, ..alert(19, "A1") };
    let milder = Alert { severity: Severity::Warning, ..alert(18, "A1") };
    work.deliverer.stands([&stands, &milder, &worse].into_iter());
    work.tell(stands.clone());
    assert_eq!(work.accepted().await, [] as [String; 0]);
    mosquitto.stop();
    work.tell(worse.clone());
    let why = work.outcome().await.result.unwrap_err();
    assert!(why.contains("the broker house at 127.0.0.1"), "{why}");
    mosquitto.restart();
    work.accepted().await;
    let ear = Ear::on(mosquitto.port(), "tubwatch/#");
    let topics =
        |ear: &Ear| ear.heard().into_iter().filter(|heard| heard.retained).map(|heard| heard.topic).collect::<Vec<_>>();
    wait_until(PATIENCE, "what stands is retained", || topics(&ear).len() >= 3);
    let mut seen = topics(&ear);
    seen.sort();
    assert_eq!(seen.len(), 3, "{seen:?}");
    assert!(seen[1].starts_with("tubwatch/standing/tub A1\"}%0D%0A") && seen[1].ends_with("%2F%2B%2F%23"), "{seen:?}");
    assert_eq!((seen[0].as_str(), seen[2].as_str()), ("tubwatch/standing/tub A1", "tubwatch/watching"));
    let standing: Value = serde_json::from_str(&ear.on_topic("tubwatch/standing/tub A1")[0]).unwrap();
    assert_eq!((&standing["id"], &standing["link"]), (&19.into(), &"http://192.0.2.7:8750/alert/19".into()));
    // The one is over, so the other is what stands; then it is over too.
    work.deliverer.stands([&milder].into_iter());
    wait_until(PATIENCE, "the milder one stands", || ear.on_topic("tubwatch/standing/tub A1").len() == 2);
    work.deliverer.stands([].into_iter());
    wait_until(PATIENCE, "nothing stands", || {
        ear.on_topic("tubwatch/standing/tub A1").last().is_some_and(String::is_empty)
    });
    work.deliverer.stop().await;
    wait_until(PATIENCE, "nobody watches", || {
        ear.on_topic("tubwatch/watching").last().is_some_and(|payload| payload == r#"{"watching": false}"#)
    });
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_is_none_hangs_nothing() {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let mut plan = plan(Way::Publish { broker: 0, topic: "tubwatch/alerts".to_owned() });
    plan.brokers = vec![harness::broker(listener.local_addr().unwrap().port())];
    let began = Instant::now();
    let mut work = Work::start(&plan, Duration::from_millis(300));
    work.tell(alert(1, "A1"));
    assert!(work.outcome().await.result.unwrap_err().contains("did not take the message within 0.3 s"));
    work.deliverer.stop().await;
    assert!(began.elapsed() < PATIENCE);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_webhook_may_have_a_body_of_its_own() {
    let sink = harness::sink::Sink::start();
    let json = r#"{"title": "{site}: {subject}", "message": "{text}", "click": "{link}"}"#;
    for (body, content_type) in [(json, "application/json"), ("{severity}: {text}", "text/plain; charset=utf-8")] {
        let url = Secret(sink.url());
        let way = Way::Webhook { url, headers: Vec::new(), body: Some(Template::parse(body).unwrap()) };
        let mut work = Work::start(&plan(way), PATIENCE);
        work.tell(alert(17, HOSTILE));
        assert_eq!(work.outcome().await.result, Ok(()));
        let post = sink.posts().pop().unwrap();
        assert_eq!(post.header("content-type"), Some(content_type));
        if content_type == "application/json" {
            assert_eq!(post.body["title"], format!("cellar: tub {HOSTILE}"));
            assert_eq!(post.body["click"], "http://192.0.2.7:8750/alert/17");
        }
        work.deliverer.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_waited_too_long_is_told_once_as_what_became_of_it() {
    let sink = harness::sink::Sink::start();
    let way = Way::Webhook { url: Secret(sink.url()), headers: Vec::new(), body: None };
    let mut plan = plan(way);
    plan.timezone = chrono_tz::Europe::Lisbon;
    let mut teller = Teller::new(&plan, &ToldLately::default());
    let mut next_id = 1;
    let mut waiting = Vec::new();
    let mut event = |kind, minutes: i64, alert: Alert| {
        let at = NOW.plus(minutes * 60_000);
        let event = AlertEvent { kind, at, worst: alert.severity, alert };
        waiting.extend(teller.event(&event, at, &mut next_id));
    };
    let over = Alert { state: AlertState::Returned, text: "Cool again.".to_owned(), ..alert(1, "A1") };
    event(EventKind::Raised, 0, alert(1, "A1"));
    event(EventKind::Raised, 1, alert(2, "A2"));
    event(EventKind::Returned, 20, over);
    event(EventKind::Raised, 59, alert(3, "A3"));
    let (tell, mut outcomes) = mpsc::unbounded_channel();
    let before = Before { waiting, subjects: Vec::new() };
    // The messenger was away for an hour.
    let now = NOW.plus(60 * 60_000);
    let deliverer = Deliverer::start(&plan, before, now, Arc::new(NoStore), tell);
    let mut done = Vec::new();
    for _ in 0..4 {
        let outcome = tokio::time::timeout(PATIENCE, outcomes.recv()).await.unwrap().unwrap();
        assert_eq!(outcome.result, Ok(()));
        done.push(outcome.id);
    }
    assert_eq!(done, [1, 3, 2, 4]);
    let told: Vec<(Value, Value)> =
        sink.posts().into_iter().map(|post| (post.body["event"].clone(), post.body["text"].clone())).collect();
    let text = |text: &str| Value::from(text);
    assert_eq!(
        told,
        [
            (text("returned"), text("Was raised at 2026-11-25 05:41, over since 2026-11-25 06:01. Cool again.")),
            (text("raised"), text("Was raised at 2026-11-25 05:41, not told until now. Tub A2: substrate 31.5 °C.")),
            (text("raised"), text("Tub A3: substrate 31.5 °C.")),
        ]
    );
    deliverer.stop().await;
}
