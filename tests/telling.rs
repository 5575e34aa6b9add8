//! Telling as it is lived: the built program, a mail server, a broker, a program and a webhook at once;
//! the morning list over restarts; the sign of life.
#![allow(clippy::unwrap_used, clippy::panic)]

mod faults;
mod harness;

use std::io::{BufRead, BufReader, Write};
use std::net::TcpListener;
use std::os::unix::fs::PermissionsExt;
use std::sync::{Arc, Mutex};

use faults::Clocks;
use harness::daemon::{Site, named};
use harness::ear::Ear;
use harness::post_office::PostOffice;
use harness::sink::Sink;
use harness::{Mosquitto, PATIENCE, now_ms, wait_until};
use serde_json::{Value, json};

/// The time of day in UTC, `minutes` from now.
fn clock(minutes: i64) -> String {
    let at = chrono::DateTime::from_timestamp_millis(now_ms() + minutes * 60_000).unwrap();
    at.format("%H:%M").to_string()
}

fn config(port: u16, every: &str, more: &str) -> String {
    format!(
        r#"
[site]
name = "cellar"
timezone = "Etc/UTC"
[store]
path = "state"
commit_every = "1s"
[status]
listen = "127.0.0.1:0"
address = "http://192.0.2.7:8750/"
[[broker]]
name = "house"
url = "mqtt://127.0.0.1:{port}"
[[probe]]
name = "core-a1"
from = "house"
topic = "core/a1"
format = "json"
every = "{every}"
reads = {{ temperature = "/t" }}
time = {{ at = "/ts", unit = "ms" }}
[[space]]
name = "shelf"
{more}
"#
    )
}

fn reading(broker: &Mosquitto, ms: i64, t_c: f64) {
    broker.publish("core/a1", json!({"ts": ms, "t": t_c}).to_string(), 1, false);
}

#[test]
fn one_alert_by_four_ways_and_a_will_when_the_program_is_killed() {
    let (broker, office, sink) = (Mosquitto::start(), PostOffice::open(), Sink::start());
    let more = format!(
        r#"
[[messenger]]
name = "phone"
webhook = {{ url = "{}" }}
[[messenger]]
name = "post"
mail = {{ server = "smtp://127.0.0.1:{}", from = "tent@example.invalid", to = ["grower@example.invalid"] }}
[[messenger]]
name = "bell"
publish = {{ broker = "house", topic = "tubwatch/alerts" }}
[[messenger]]
name = "lamp"
run = {{ program = "lamp", args = ["on"] }}
"#,
        sink.url(),
        office.port
    );
    let site = Site::new(&config(broker.port(), "60s", &more));
    let lamp = site.folder.path().join("lamp");
    let heard = site.folder.path().join("heard");
    std::fs::write(&lamp, format!("#!/bin/sh\ncat >> '{}'\n", heard.display())).unwrap();
    std::fs::set_permissions(&lamp, std::fs::Permissions::from_mode(0o755)).unwrap();
    site.spawn_a1("2026-01-01");

    let said = site.ok(&["try", "all"]);
    assert_eq!(said, "phone: accepted\npost: accepted\nbell: accepted\nlamp: accepted\n");
    assert_eq!(sink.posts()[0].body["event"], "trial");
    assert_eq!(office.mails()[0].header("Subject"), Some("cellar: trial, nothing is wrong"));

    let ear = Ear::on(broker.port(), "tubwatch/#");
    let daemon = site.run();
    daemon.connected();
    wait_until(PATIENCE, "somebody watches", || ear.on_topic("tubwatch/watching").last().is_some());
    assert_eq!(ear.on_topic("tubwatch/watching"), [r#"{"watching": true}"#]);
    // A trial beside the running daemon throws nobody out.
    assert_eq!(site.ok(&["try", "bell"]), "bell: accepted\n");
    let now = now_ms();
    reading(&broker, now - 1_000, 31.4);
    reading(&broker, now, 31.5);
    let stands = "tubwatch/standing/tub A1";
    wait_until(PATIENCE, "all four are told", || {
        sink.posts().len() == 2
            && office.mails().len() == 2
            && !ear.on_topic(stands).is_empty()
            && std::fs::read_to_string(&heard).unwrap_or_default().lines().count() == 2
            && ear.on_topic("tubwatch/alerts").len() == 2
    });
    let posted = sink.posts()[1].body.clone();
    let link = posted["link"].as_str().unwrap();
    assert_eq!(link, format!("http://192.0.2.7:8750/alert/{}", posted["id"]));
    let parse = |text: &str| serde_json::from_str::<Value>(text).unwrap();
    assert_eq!(parse(std::fs::read_to_string(&heard).unwrap().lines().last().unwrap()), posted);
    assert_eq!(parse(ear.on_topic("tubwatch/alerts").last().unwrap()), posted);
    assert!(office.mails()[1].data.contains(link));
    assert_eq!(parse(&ear.on_topic(stands)[0])["id"], posted["id"]);

    wait_until(PATIENCE, "the store knows that all were told", || {
        site.query("SELECT count(*) FROM outbox WHERE delivered_at IS NOT NULL") == [["4"]]
    });
    daemon.kill_nine();
    wait_until(PATIENCE, "the will is told", || ear.on_topic("tubwatch/watching").last().unwrap().contains("false"));
    let daemon = site.run();
    daemon.connected();
    wait_until(PATIENCE, "it watches again", || ear.on_topic("tubwatch/watching").last().unwrap().contains("true"));
    site.ok(&["acknowledge", &posted["id"].to_string()]);
    wait_until(PATIENCE, "all are told of the acknowledgement", || {
        let told = ear.on_topic("tubwatch/alerts");
        told.last().is_some_and(|last| parse(last)["event"] == "acknowledged")
            && sink.posts().last().unwrap().body["event"] == "acknowledged"
            && office.mails().last().unwrap().header("Subject").unwrap().contains("acknowledged")
    });
    let late = Ear::on(broker.port(), "tubwatch/standing/#");
    wait_until(PATIENCE, "what stands is retained", || late.heard().iter().any(|heard| heard.retained));
    assert_eq!(parse(&late.on_topic(stands)[0])["state"], "acknowledged");
    assert!(daemon.terminate().0.success());
    wait_until(PATIENCE, "an orderly end says so", || {
        ear.on_topic("tubwatch/watching").last().unwrap().contains("false")
    });
    let events: Vec<Value> = sink.posts().iter().map(|post| post.body["event"].clone()).collect();
    assert_eq!(events, ["trial", "raised", "acknowledged"], "nothing twice over two restarts");
}

#[test]
fn quiet_hours_hold_a_warning_and_a_reload_ends_them() {
    let (broker, sink) = (Mosquitto::start(), Sink::start());
    let hush = |from: &str, to: &str| {
        let more = format!(
            "[[messenger]]\nname = \"phone\"\nat_least = \"advice\"\nwebhook = {{ url = \"{}\" }}\n\
             hush = {{ from = \"{from}\", to = \"{to}\", unless = \"critical\" }}\n\
             [[messenger]]\nname = \"desk\"\nat_least = \"advice\"\nwebhook = {{ url = \"{}\" }}\n",
            sink.url(),
            sink.url().replace("hook", "desk")
        );
        config(broker.port(), "1s", &more)
    };
    let site = Site::new(&hush(&clock(-60), &clock(60)));
    site.spawn_a1("2026-01-01");
    let daemon = site.run();
    daemon.connected();
    reading(&broker, now_ms(), 22.0);
    // Then it falls silent, which is an advice.
    wait_until(PATIENCE, "the desk is told", || !sink.posts().is_empty());
    let raised = sink.posts()[0].body.clone();
    assert_eq!((&raised["watch"], &raised["severity"]), (&"probe-silent".into(), &"advice".into()));
    daemon.status_when("a while later", |status| status["alerts"].as_array().is_some_and(|alerts| alerts.len() == 1));
    assert_eq!(sink.posts().len(), 1, "the phone is quiet");
    site.write_config(&hush(&clock(-120), &clock(-60)));
    daemon.signal("HUP");
    wait_until(PATIENCE, "the phone is told once the hours are over", || sink.posts().len() == 2);
    assert_eq!(sink.posts()[1].body["id"], raised["id"]);
    assert_eq!(sink.posts()[0].header("idempotency-key"), sink.posts()[1].header("idempotency-key"));
}

#[test]
fn a_messenger_that_fails_is_told_through_the_other() {
    let (broker, dead, well) = (Mosquitto::start(), Sink::start(), Sink::start());
    dead.answer(500);
    let more = format!(
        "[[messenger]]\nname = \"phone\"\nwebhook = {{ url = \"{}\" }}\n\
         [[messenger]]\nname = \"desk\"\nwebhook = {{ url = \"{}\" }}\n",
        dead.url(),
        well.url()
    );
    let site = Site::new(&config(broker.port(), "60s", &more));
    site.spawn_a1("2026-01-01");
    let clocks = Clocks::right(site.folder.path());
    let daemon = site.run_as(clocks.program());
    daemon.connected();
    reading(&broker, now_ms() - 1_000, 31.4);
    reading(&broker, now_ms(), 31.5);
    let told = |sink: &Sink, event: &str| {
        let posts = sink.posts().into_iter().map(|post| post.body);
        posts.filter(|body| body["watch"] == "messenger-failing" && body["event"] == event).collect::<Vec<_>>()
    };
    wait_until(PATIENCE, "the phone was tried", || !dead.posts().is_empty());
    // So long a messenger may fail before it is told.
    clocks.set(0, 61_000, true);
    wait_until(PATIENCE, "the desk is told of the phone", || !told(&well, "raised").is_empty());
    let raised = told(&well, "raised").remove(0);
    assert_eq!((&raised["subject"], &raised["severity"]), (&"messenger phone".into(), &"warning".into()));
    assert!(raised["text"].as_str().unwrap().contains("500"), "{raised}");
    dead.answer(200);
    wait_until(12 * PATIENCE, "the desk is told that it works again", || !told(&well, "returned").is_empty());
    assert!(told(&dead, "raised").is_empty() && told(&dead, "returned").is_empty());
}

#[test]
fn the_morning_list_comes_once_a_day_also_after_a_restart() {
    let (broker, sink, office) = (Mosquitto::start(), Sink::start(), PostOffice::open());
    let more = format!(
        "[[messenger]]\nname = \"phone\"\nwebhook = {{ url = \"{}\" }}\n\
         [[messenger]]\nname = \"post\"\nmail = {{ server = \"smtp://127.0.0.1:{}\", from = \"a@example.invalid\", \
         to = [\"b@example.invalid\"] }}\n",
        sink.url(),
        office.port
    );
    let config = |morning: &str| config(broker.port(), "60s", &format!("{more}{morning}"));
    let site = Site::new(&config(""));
    site.spawn_a1("2026-01-01");
    let daemon = site.run();
    daemon.connected();
    // Something comes and goes in the night, something stands.
    let now = now_ms();
    for (ago, t_c) in [(7_200_000, 31.4), (7_199_000, 31.5), (60_000, 24.0)] {
        reading(&broker, now - ago, t_c);
    }
    reading(&broker, now - 2_000, 31.4);
    reading(&broker, now - 1_000, 31.5);
    wait_until(PATIENCE, "it stands", || sink.posts().iter().any(|post| post.body["event"] == "raised"));
    // The daemon was down at the hour.
    daemon.kill_nine();
    site.write_config(&config(&format!("[morning]\nat = \"{}\"\nto = [\"phone\", \"post\"]\n", clock(-3))));
    let daemon = site.run();
    let lists = || sink.posts().into_iter().filter(|post| post.body["event"] == "morning").collect::<Vec<_>>();
    let by_mail =
        || office.mails().into_iter().find(|mail| mail.header("Subject").unwrap().contains("morning list of"));
    wait_until(PATIENCE, "the list", || lists().len() == 1 && by_mail().is_some());
    let list = lists().remove(0);
    let day = chrono::DateTime::from_timestamp_millis(now_ms() - 180_000).unwrap().date_naive();
    assert_eq!(list.header("idempotency-key"), Some(format!("cellar/morning/{day}").as_str()));
    assert_eq!(list.body["standing"][0]["subject"], "tub A1");
    assert_eq!(list.body["link"], "http://192.0.2.7:8750/");
    let names: Vec<&str> =
        list.body["messengers"].as_array().unwrap().iter().map(|one| one["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["phone", "post"]);
    assert!(list.body["messengers"][0]["last_accepted_at"].is_string(), "{}", list.body);
    let text = list.body["text"].as_str().unwrap();
    for part in ["Wrong now:\n- critical, since", "Messengers:\n- phone: last worked 20"] {
        assert!(text.contains(part), "{part}\n{text}");
    }
    let mail = by_mail().unwrap();
    assert!(mail.header("Subject").unwrap().starts_with("cellar: morning list of"), "{}", mail.data);
    assert!(mail.data.contains("Wrong now:"), "{}", mail.data);
    daemon.kill_nine();
    let daemon = site.run();
    daemon.connected();
    reading(&broker, now_ms(), 31.6);
    daemon.status_when("it runs on", |status| named(status, "probes", "core-a1")["samples"] == 6);
    assert_eq!(lists().len(), 1);
    let rows = site.query("SELECT messenger, event, alert FROM outbox WHERE event = 'morning' ORDER BY id");
    assert_eq!(rows, [["phone", "morning", "0"], ["post", "morning", "0"]]);
}

#[test]
fn a_refused_config_is_told_until_a_right_one_is_read() {
    let (broker, sink) = (Mosquitto::start(), Sink::start());
    let phone = format!("[[messenger]]\nname = \"phone\"\nwebhook = {{ url = \"{}\" }}\n", sink.url());
    let right = |more: &str| config(broker.port(), "60s", &format!("{phone}{more}"));
    let site = Site::new(&right(""));
    let daemon = site.run();
    daemon.connected();
    let reads = |config: &str, wanted: &dyn Fn(&Value) -> bool| {
        site.write_config(config);
        daemon.signal("HUP");
        daemon.status_when("the config was read", |status| wanted(&status["alerts"]))
    };
    let wrong = right("").replace("every = \"60s\"", "every = \"60 sek\"");
    let line = 1 + wrong.lines().position(|line| line.contains("60 sek")).unwrap();
    let said = format!("tubwatch.toml, line {line}, probe[core-a1].every: found \"60 sek\"");
    let says = |alerts: &Value, what: &str| alerts[0]["text"].as_str().is_some_and(|text| text.contains(what));
    let alert = reads(&wrong, &|alerts| says(alerts, &said))["alerts"][0].clone();
    for (key, value) in [("watch", "config"), ("subject", "config"), ("severity", "advice")] {
        assert_eq!(alert[key], value, "{alert:#}");
    }
    assert!(alert["text"].as_str().unwrap().contains("expected "), "{alert:#}");
    let (_, _, page) = daemon.get("/");
    assert!(page.contains("Config: not taken over"), "{page}");
    // The list is for the morning, so nothing was sent before.
    assert!(sink.posts().is_empty(), "{:#?}", sink.posts());
    let morning = format!("[morning]\nat = \"{}\"\nto = [\"phone\"]\n", clock(-3));
    reads(&right(&morning), &|alerts| alerts[0]["state"] == "returned" && alerts[0]["id"] == alert["id"]);
    let list = || sink.posts().into_iter().find(|post| post.body["event"] == "morning");
    wait_until(PATIENCE, "the list", || list().is_some());
    let list = list().unwrap().body["text"].as_str().unwrap().to_owned();
    assert!(list.contains("advice: config, config"), "{list}");
}

/// Something that counts how often it is asked for.
fn asked_for() -> (String, Arc<Mutex<Vec<String>>>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}/alive?key=s3cret", listener.local_addr().unwrap());
    let asked: Arc<Mutex<Vec<String>>> = Arc::default();
    let keeps = Arc::clone(&asked);
    std::thread::spawn(move || {
        for stream in listener.incoming().map_while(Result::ok) {
            let mut reader = BufReader::new(stream);
            let mut first = String::new();
            let _ = reader.read_line(&mut first);
            loop {
                let mut line = String::new();
                if reader.read_line(&mut line).unwrap_or(0) <= 2 {
                    break;
                }
            }
            keeps.lock().unwrap().push(first.trim_end().to_owned());
            let _ = reader.get_mut().write_all(b"HTTP/1.1 204 No Content\r\n\r\n");
        }
    });
    (url, asked)
}

#[test]
fn the_sign_of_life_is_given_only_while_all_works() {
    let broker = Mosquitto::start();
    let (url, asked) = asked_for();
    let site = Site::new(&config(broker.port(), "1s", &format!("[sign_of_life]\nurl = \"{url}\"\nevery = \"1s\"\n")));
    let daemon = site.run();
    daemon.connected();
    let says = |part: &str| daemon.log_lines().iter().filter(|line| line.contains(part)).count();
    wait_until(PATIENCE, "it is withheld while no probe reports", || says("withheld: samples: no probe reports") == 1);
    assert!(asked.lock().unwrap().is_empty());
    wait_until(PATIENCE, "it is given while samples come", || {
        reading(&broker, now_ms(), 22.0);
        asked.lock().unwrap().len() >= 3
    });
    assert_eq!(asked.lock().unwrap()[0], "GET /alive?key=s3cret HTTP/1.1");
    wait_until(PATIENCE, "it is withheld when they stop", || says("withheld: samples: no probe reports") == 2);
    assert_eq!(says("s3cret"), 0);
}
