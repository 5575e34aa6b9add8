//! A probe and a space are called otherwise, and their history follows: the built program, before, while and after
//! the config says so.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use harness::daemon::{Daemon, Site, named};
use harness::{Mosquitto, PATIENCE, now_ms, wait_until};
use serde_json::{Value, json};

const MINUTE: i64 = 60_000;

fn rfc3339(ms: i64) -> String {
    chrono::DateTime::from_timestamp_millis(ms).unwrap().to_rfc3339_opts(chrono::SecondsFormat::Secs, true)
}

fn config(port: u16) -> String {
    let probe = |name: &str, topic: &str| {
        format!(
            "[[probe]]\nname = \"{name}\"\nfrom = \"house\"\ntopic = \"{topic}\"\nformat = \"json\"\nevery = \"60s\"\n\
             reads = {{ temperature = \"/t\" }}\ntime = {{ at = \"/ts\", unit = \"ms\" }}\n"
        )
    };
    format!(
        "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\ncommit_every = \"1s\"\n\
         [status]\nlisten = \"127.0.0.1:0\"\n[[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:{port}\"\n{}{}{}\
         [correction.core-1]\ntemperature = {{ offset = 0.5, made = \"2026-01-01\" }}\n\
         [[space]]\nname = \"shelf\"\nair = [\"shelf-air\"]\n[[space]]\nname = \"tent\"\n",
        // Its topic has the probe's name, and is not to be changed.
        probe("core-1", "core-1"),
        probe("core-2", "core-2"),
        probe("shelf-air", "air"),
    )
}

fn publish(broker: &Mosquitto, from_ms: i64, minutes: std::ops::Range<i64>) {
    let message = |topic: &str, minute: i64, t: f64| {
        (topic.to_owned(), json!({ "ts": from_ms + minute * MINUTE, "t": t }).to_string().into_bytes())
    };
    let both = |minute| [message("core-1", minute, 24.0), message("air", minute, 21.0)];
    broker.publish_many(minutes.flat_map(both), 1, false);
}

fn count(daemon: &Daemon, probe: &str) -> usize {
    let path = format!("/series.csv?probe={probe}&quantity=temperature&from=2026-01-01&to=now");
    let (code, _, body) = daemon.get(&path);
    if code == 200 { body.lines().count() - 1 } else { 0 }
}

fn figures(status: &Value) -> (Value, Value, Value) {
    let tub = named(status, "tubs", "A1");
    (tub["degree_hours"].clone(), tub["temperature_from"].clone(), tub["space"].clone())
}

#[test]
fn history_follows_a_renamed_probe_and_space() {
    let broker = Mosquitto::start();
    let site = Site::new(&config(broker.port()));
    let began = now_ms() - 60 * MINUTE;
    let at = rfc3339(began);
    site.ok(&["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf", "--core", "core-1", "--at", &at]);
    let daemon = site.run();
    let connected = |status: &Value| named(status, "sources", "house")["state"] == "connected";
    daemon.status_when("connected", connected);
    publish(&broker, began, 0..30);
    wait_until(PATIENCE, "all is stored", || count(&daemon, "core-1") == 30 && count(&daemon, "shelf-air") == 30);
    // 29 minutes at 24.5 °C corrected, 19.5 over the culture's base.
    let all = |status: &Value| figures(status).0.as_f64().is_some_and(|sum| (sum - 19.5 * 29.0 / 60.0).abs() < 0.06);
    let before = figures(&daemon.status_when("figures", all));

    // Beside the running daemon, whose config says the old names.
    let said = site.ok(&["rename", "probe", "core-1", "core-middle"]);
    let text = std::fs::read_to_string(site.config()).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    let told = said.split("lines ").nth(1).unwrap().split(';').next().unwrap();
    let told: Vec<usize> = told.split(", ").map(|line| line.parse().unwrap()).collect();
    assert_eq!(
        told.iter().map(|line| lines[line - 1]).collect::<Vec<_>>(),
        ["name = \"core-1\"", "[correction.core-1]"]
    );
    let said = site.ok(&["rename", "space", "shelf", "rack"]);
    assert!(said.contains("space shelf is called rack from now on"), "{said}");
    let status = daemon.status_when("the new names", |status| {
        named(status, "tubs", "A1")["temperature_from"] == "core-middle"
            && named(status, "spaces", "rack")["name"] == "rack"
    });
    assert_eq!(figures(&status), (before.0.clone(), "core-middle".into(), "rack".into()), "no figure changes");
    assert!(daemon.log_lines().iter().any(|line| line.contains("core-1 is called core-middle since it was renamed")));
    daemon.status_when("connected again", connected);
    publish(&broker, began, 30..40);
    wait_until(PATIENCE, "before and after under one name", || count(&daemon, "core-middle") == 40);
    assert_eq!(count(&daemon, "core-1"), 0);

    assert!(site.ok(&["check"]).contains("probe core-1 is called core-middle since it was renamed"));
    // The config follows; nothing else happens.
    let text = text
        .replace("name = \"core-1\"", "name = \"core-middle\"")
        .replace("[correction.core-1]", "[correction.core-middle]");
    site.write_config(&text.replace("name = \"shelf\"", "name = \"rack\""));
    assert!(!site.ok(&["check"]).contains("renamed"));
    let now = daemon.status()["time"].clone();
    daemon.signal("HUP");
    wait_until(PATIENCE, "read again", || daemon.log_lines().iter().any(|line| line.contains("read again")));
    daemon.status_when("up again", |status| status["time"].as_str() > now.as_str() && connected(status));
    publish(&broker, began, 40..50);
    wait_until(PATIENCE, "and after that", || count(&daemon, "core-middle") == 50);
    let status = daemon.status_when("figures", |status| figures(status).0.as_f64() > before.0.as_f64());
    assert_eq!(figures(&status).1, "core-middle");
    let shown = site.ok(&["show", "A1"]);
    assert!(shown.contains("core-middle") && shown.contains("rack") && !shown.contains("core-1"), "{shown}");
    site.ok(&["export", "--out", "out", "--every", "raw"]);
    let climate = std::fs::read_to_string(site.folder.path().join("out/climate.csv")).unwrap();
    assert_eq!(climate.lines().filter(|line| line.contains(",core-middle,") && line.contains(",24.5,")).count(), 50);
    assert!(!climate.contains("core-1,") && climate.contains(",rack,"), "{}", &climate[..500]);
    // What was recorded under the old name is replayed under the new one.
    std::fs::write(site.folder.path().join("old.csv"), climate.replace(",core-middle,", ",core-1,")).unwrap();
    assert!(site.ok(&["replay", "old.csv"]).contains("from 100 samples"));
    let log = std::fs::read_to_string(site.folder.path().join("out/log.csv")).unwrap();
    assert!(log.contains(",renamed,"), "{log}");
    assert!(daemon.terminate().0.success());
}

#[test]
fn what_may_not_be_renamed() {
    let site = Site::new(&config(1));
    let refused = |words: &[&str], code: i32, part: &str| {
        let output = site.command(&[&["rename"], words].concat());
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(code), "{words:?}: {said}");
        assert!(said.contains(part) && said.trim().lines().count() == 1, "{words:?}: {said}");
    };
    refused(&["probe", "core-1", "core-3"], 1, "no store yet");
    site.ok(&["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf", "--core", "core-1"]);
    refused(&["probe", "core-9", "core-3"], 2, "no probe is called \"core-9\"");
    refused(&["probe", "core-1", "core-2"], 1, "is there already");
    refused(&["space", "shelf", "tent"], 1, "is there already");
    refused(&["probe", "core-1", "a/b"], 2, "cannot be a probe's name");
    refused(&["probe", "core-1", "none"], 2, "a word of the commands");
    refused(&["probe", "core-1", "core-1"], 2, "called so already");
    let said = site.ok(&["rename", "probe", "core-1", "core-3"]);
    let entry = said.split("(entry ").nth(1).unwrap().split(')').next().unwrap();
    let output = site.command(&["amend", entry, "--void"]);
    assert!(String::from_utf8_lossy(&output.stderr).contains("cannot be amended"), "{output:?}");
    // The old name is unknown now, and back it goes.
    refused(&["probe", "core-1", "core-4"], 2, "no probe is called \"core-1\"");
    let said = site.ok(&["rename", "probe", "core-3", "core-1"]);
    assert!(said.contains("core-1 from now on"), "{said}");
    let shown: Value = serde_json::from_str(&site.ok(&["show", "A1", "--json"])).unwrap();
    assert_eq!(shown["cores"][0]["probe"], "core-1", "{shown}");
}
