//! A heat run through the built program: begun by a command, followed by the daemon over a power cut, told
//! by webhook, ended, and kept with the tub spawned from it.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use harness::daemon::{Site, named};
use harness::sink::Sink;
use harness::{Mosquitto, PATIENCE, now_ms, rfc3339, wait_until};
use serde_json::{Value, json};

const MINUTE: i64 = 60_000;

fn config(port: u16, hook: &str) -> String {
    let probe = |name: &str, reads: &str| {
        format!(
            "[[probe]]\nname = \"{name}\"\nfrom = \"house\"\ntopic = \"{name}\"\nformat = \"json\"\nevery = \"60s\"\n\
             reads = {reads}\ntime = {{ at = \"/ts\", unit = \"ms\" }}\n"
        )
    };
    let probes = [
        probe("shelf-air", "{ temperature = \"/t\", humidity = \"/h\" }"),
        probe("core-a1", "{ temperature = \"/t\" }"),
        probe("core-b", "{ temperature = \"/t\" }"),
        probe("wet", "{ temperature = \"/t\", humidity = \"/h\" }"),
    ];
    format!(
        "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\ncommit_every = \"1s\"\n\
         [status]\nlisten = \"127.0.0.1:0\"\n[[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:{port}\"\n{}\
         [[space]]\nname = \"shelf\"\nair = [\"shelf-air\"]\n\
         [[messenger]]\nname = \"phone\"\nwebhook = {{ url = \"{hook}\" }}\nat_least = \"warning\"\n",
        probes.concat()
    )
}

/// °C of the run's coldest place, by minutes since it began: up to 66 by minute 40, held, down from minute 110.
fn course(minute: i64) -> f64 {
    match minute {
        ..=40 => 22.0 + 1.1 * minute as f64,
        41..=110 => 66.0,
        _ => 66.0 - 1.2 * (minute - 110) as f64,
    }
}

fn publish(broker: &Mosquitto, began: i64, minutes: std::ops::Range<i64>) {
    let messages = minutes.flat_map(|minute| {
        let at = began + minute * MINUTE;
        [("core-a1", 0.0), ("core-b", 3.0)].map(|(probe, over)| {
            (probe.to_owned(), json!({ "ts": at, "t": course(minute) + over }).to_string().into_bytes())
        })
    });
    broker.publish_many(messages, 1, false);
}

fn run_of(status: &Value) -> &Value {
    // Left out of the status where there is none.
    if status["heat_runs"].is_null() { &Value::Null } else { named(status, "heat_runs", "coir-1") }
}

#[test]
fn a_heat_run_is_followed_over_a_power_cut_told_and_kept_with_its_tub() {
    let broker = Mosquitto::start();
    let sink = Sink::start();
    let site = Site::new(&config(broker.port(), &sink.url()));
    let daemon = site.run();
    daemon.connected();
    let began = now_ms() - 150 * MINUTE;
    let spawn = ["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf", "--core", "core-a1", "--at"];
    site.ok(&[&spawn[..], &[&rfc3339(began - 600 * MINUTE)]].concat());
    let start =
        ["pasteurise", "coir-1", "--probe", "core-a1", "core-b", "--hold-at", "65C", "--hold-for", "1h", "--at"];
    let said = site.ok(&[&start[..], &[&rfc3339(began)]].concat());
    assert!(said.contains("hold 65 °C for 60 min"), "{said}");
    assert!(said.contains("scald"), "{said}");
    // The core probe is in the bucket now, not in the tub.
    let shown: Value = serde_json::from_str(&site.ok(&["show", "A1", "--json"])).unwrap();
    assert_eq!(shown["cores"][1]["probe"], Value::Null, "{shown}");
    let refused = site.command(&["core", "A1", "core-b"]);
    assert!(String::from_utf8_lossy(&refused.stderr).contains("heat run coir-1"), "{refused:?}");

    publish(&broker, began, 0..30);
    let status = daemon.status_when("heating", |status| run_of(status)["probes"][0]["temperature_c"] == 53.9);
    assert_eq!(run_of(&status)["phase"], "heating");
    daemon.kill_nine();
    publish(&broker, began, 30..80);
    let daemon = site.run();
    let status = daemon.status_when("holding", |status| run_of(status)["earned_min"].as_f64().unwrap_or(0.0) > 39.0);
    assert_eq!(run_of(&status)["phase"], "hold");
    assert!(sink.posts().is_empty(), "nothing was to be told yet: {:?}", sink.posts().len());
    publish(&broker, began, 80..105);
    wait_until(PATIENCE, "the hold is told", || sink.posts().iter().any(|post| post.body["watch"] == "hold-reached"));
    daemon.kill_nine();
    publish(&broker, began, 105..150);
    let daemon = site.run();
    wait_until(PATIENCE, "cool is told", || sink.posts().iter().any(|post| post.body["watch"] == "cool-enough"));
    let told = |watch: &str| sink.posts().iter().filter(|post| post.body["watch"] == watch).count();
    assert_eq!(told("hold-reached"), 1, "told once, over a restart too");
    assert_eq!(told("hold-lost"), 0);
    let text = sink.posts().iter().find(|post| post.body["watch"] == "hold-reached").unwrap().body["text"].to_string();
    assert!(text.contains("of 60 min at or over 65 °C at the coldest probe"), "{text}");
    assert!(!text.contains("unproven"), "{text}");
    assert!(text.contains("reference 60 °C, z 6.95 °C"), "{text}");
    daemon.status_when("ready", |status| run_of(status)["phase"] == "ready");
    assert!(daemon.get("/").2.contains("coir-1</a>: cool enough to spawn"));

    let ended = site.ok(&["pasteurise", "coir-1", "--end"]);
    assert!(ended.contains("held"), "{ended}");
    daemon.status_when("over", |status| status["heat_runs"] == Value::Null);
    let page = daemon.get("/").2;
    assert!(!page.contains("<h2>Heat runs") && page.contains("href=\"/heat-runs\""), "{page}");
    let list = daemon.get("/heat-runs").2;
    assert!(
        list.contains("coir-1</a>: held<") && list.contains("of 60 min at or over 65 °C at the coldest probe"),
        "{list}"
    );
    let (code, _, page) = daemon.get("/heat-run/coir-1");
    assert_eq!(code, 200, "{page}");
    assert!(page.contains("<h1>coir-1: held</h1>") && page.contains("<svg class=\"chart\""), "{page}");
    assert!(page.contains("the target to hold, and the temperature to spawn below"), "{page}");
    assert!(page.contains("Lines: core-a1 solid, core-b dashed."), "{page}");
    let csv = daemon.get("/heat-run/coir-1/chart.csv?of=temperature").2;
    assert!(csv.starts_with("time,core-a1_mean,core-a1_min,core-a1_max,core-b_mean"), "{csv}");
    assert!(csv.lines().count() > 100, "{csv}");
    assert_eq!(daemon.get("/heat-run/coir-9").0, 404);
    let shown: Value = serde_json::from_str(&site.ok(&["show", "A1", "--json"])).unwrap();
    assert_eq!(shown["cores"][2]["probe"], "core-a1", "given back: {shown}");
    let runs: Value = serde_json::from_str(&site.ok(&["heat-runs", "--json"])).unwrap();
    assert_eq!(runs[0]["verdict"], "held");
    // 66 °C from minute 40 to 110, and the slopes on either side: at least 70 min at 1.393^6 units.
    assert!(runs[0]["pasteurisation_units"].as_f64().unwrap() > 70.0 * 1.393_f64.powi(6), "{runs}");
    site.ok(&["spawn", "B1", "--culture", "winter-oyster", "--space", "shelf", "--run", "coir-1"]);
    let shown: Value = serde_json::from_str(&site.ok(&["show", "B1", "--json"])).unwrap();
    assert_eq!(shown["heat_run"], "coir-1");
    wait_until(PATIENCE, "the tub stands by its run", || {
        daemon.get("/heat-run/coir-1").2.contains(">B1</a>, colonising")
    });
    // The same samples through the watches once more, by the logbook, tell the same.
    site.ok(&["export", "--line-protocol", "lines"]);
    let replayed = site.ok(&["replay", "lines"]);
    let count = |part: &str| replayed.lines().filter(|line| line.contains(part)).count();
    assert_eq!(count(" warning raised heat run coir-1 hold-reached: "), 1, "{replayed}");
    assert_eq!(count(" warning raised heat run coir-1 cool-enough: "), 1, "{replayed}");
    assert_eq!(count(" hold-lost: "), 0, "{replayed}");
    assert_eq!(replayed, site.ok(&["replay", "lines"]), "the same bytes for the same input");
    let unknown = site.command(&["spawn", "B2", "--culture", "winter-oyster", "--space", "shelf", "--run", "coir-2"]);
    assert_eq!(unknown.status.code(), Some(2), "{unknown:?}");
}

#[test]
fn a_run_that_goes_on_stands_on_the_page() {
    let broker = Mosquitto::start();
    let sink = Sink::start();
    let site = Site::new(&config(broker.port(), &sink.url()));
    let daemon = site.run();
    daemon.connected();
    // The last reading is of now: the probes are lost five minutes later.
    let began = now_ms() - 29 * MINUTE;
    let start =
        ["pasteurise", "coir-1", "--probe", "core-a1", "core-b", "--hold-at", "65C", "--hold-for", "1h", "--at"];
    site.ok(&[&start[..], &[&rfc3339(began)]].concat());
    publish(&broker, began, 0..30);
    let wanted = |status: &Value| {
        let probes = &run_of(status)["probes"];
        probes[0]["temperature_c"] == 53.9 && probes[1]["temperature_c"] == 56.9
    };
    daemon.status_when("heating", wanted);
    let page = daemon.get("/").2;
    for part in [
        "coir-1</a>: heating up",
        "Coldest core-a1 53.9 °C, hottest core-b 56.9 °C.",
        "Held 0 of 60 min at or over 65 °C",
        "About 10 min to 65 °C at this pace",
        "reference 60 °C, z 6.95 °C",
        "scald",
    ] {
        assert!(page.contains(part), "{part}: {page}");
    }
}

#[test]
fn a_hold_that_is_lost_is_told_and_so_is_its_return() {
    let broker = Mosquitto::start();
    let sink = Sink::start();
    let site = Site::new(&config(broker.port(), &sink.url()));
    let daemon = site.run();
    daemon.connected();
    let began = now_ms() - 100 * MINUTE;
    let start = ["pasteurise", "coir-1", "--probe", "core-b", "--hold-at", "65C", "--hold-for", "1h", "--at"];
    site.ok(&[&start[..], &[&rfc3339(began)]].concat());
    daemon.status_when("followed", |status| run_of(status)["phase"] == "heating");
    // The fire goes out at minute 50, and is lit again at minute 60.
    let course = |minute: i64| match minute {
        50..60 => 61.0,
        minute => course(minute),
    };
    let publish = |minutes: std::ops::Range<i64>| {
        let message =
            |minute: i64| json!({ "ts": began + minute * MINUTE, "t": course(minute) }).to_string().into_bytes();
        broker.publish_many(minutes.map(|minute| ("core-b".to_owned(), message(minute))), 1, false);
    };
    let lost = |event: &str| {
        let posts = sink.posts();
        posts.into_iter().find(|post| post.body["watch"] == "hold-lost" && post.body["event"] == event)
    };
    publish(0..56);
    wait_until(PATIENCE, "the loss is told", || lost("raised").is_some());
    let told = lost("raised").unwrap();
    assert_eq!((&told.body["subject"], &told.body["severity"]), (&json!("heat run coir-1"), &json!("warning")));
    let text = told.body["text"].as_str().unwrap().to_owned();
    assert!(text.contains("probe core-b reads 61.0 °C, under 65") && text.contains("scald"), "{text}");
    daemon.status_when("what was earned stays", |status| run_of(status)["earned_min"].as_f64().unwrap_or(0.0) > 9.0);
    publish(56..70);
    wait_until(PATIENCE, "its return is told", || lost("returned").is_some());
    let text = lost("returned").unwrap().body["text"].as_str().unwrap().to_owned();
    assert!(text.contains("back at the target"), "{text}");
    site.ok(&["export", "--out", "out", "--every", "raw"]);
    let replayed = site.ok(&["replay", "out/climate.csv"]);
    let told: Vec<&str> = replayed.lines().filter(|line| line.contains("hold-lost")).collect();
    assert_eq!(told.len(), 2, "{replayed}");
    assert!(told[0].contains("warning raised heat run coir-1") && told[1].contains("warning returned"), "{told:?}");
}

#[test]
fn what_a_heat_run_may_not_be() {
    let site = Site::new(&config(1, "http://127.0.0.1:9/"));
    let refused = |words: &[&str], code: i32, part: &str| {
        let output = site.command(words);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(code), "{words:?}: {said}");
        assert!(said.contains(part), "{words:?}: {said}");
        assert_eq!(said.trim().lines().count(), 1, "{said}");
    };
    let begin = |more: &[&'static str]| [&["pasteurise", "coir-1"], more].concat();
    refused(&begin(&["--probe", "core-a1"]), 2, "--hold-at");
    refused(&begin(&["--probe", "core-a1", "--hold-at", "65C"]), 2, "--hold-for");
    refused(&begin(&["--probe", "core-a1", "--hold-at", "coir-61"]), 2, "the nearest is coir-60");
    refused(&begin(&["--probe", "core-a1", "--hold-at", "149F", "--hold-for", "1h"]), 2, "Celsius");
    refused(&begin(&["--probe", "core-x", "--hold-at", "65C", "--hold-for", "1h"]), 2, "no probe is called");
    refused(&begin(&["--probe", "shelf-air", "--hold-at", "65C", "--hold-for", "1h"]), 2, "air of shelf");
    refused(&begin(&["--probe", "wet", "--hold-at", "65C", "--hold-for", "1h"]), 1, "--anyway");
    refused(&begin(&["--probe", "core-a1", "--hold-at", "165C", "--hold-for", "1h"]), 2, "temperature");
    refused(&begin(&["--probe", "core-a1", "--hold-at", "65C", "--hold-for", "90d"]), 2, "48 h");
    refused(&begin(&["--end"]), 2, "no heat run is called");
    let said = site.ok(&begin(&["--probe", "core-a1", "--hold-at", "aerated-steam-65"]));
    assert!(said.contains("Penn State"), "{said}");
    refused(&begin(&["--probe", "core-b", "--hold-at", "65C", "--hold-for", "1h"]), 1, "began on");
    refused(
        &["pasteurise", "coir-2", "--probe", "core-a1", "--hold-at", "65C", "--hold-for", "1h"],
        1,
        "is in the heat run",
    );
    let ended = site.ok(&begin(&["--end"]));
    assert!(ended.contains("short") || ended.contains("unproven"), "{ended}");
    refused(&begin(&["--end"]), 1, "was ended");
    assert!(site.ok(&["heat-runs", "--windows"]).contains("Royse"));
}
