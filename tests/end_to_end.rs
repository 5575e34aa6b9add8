//! The main job as it is lived: the built program, a real broker, real pseudo-terminals, a real
//! receiver of webhooks, real signals.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use std::time::Duration;

use harness::daemon::{Site, named};
use harness::sink::Sink;
use harness::{Mosquitto, PATIENCE, Wire, configs, now_ms, rfc3339, wait_until};
use serde_json::{Value, json};

/// A shelf with an air probe and a core probe on a broker; both send their own time.
fn shelf(port: u16, more: &str) -> String {
    configs::shelf("test shelf", "1s", port, "60s", more)
}

fn core(ms: i64, t_c: f64) -> String {
    json!({"ts": ms, "t": t_c}).to_string()
}

fn air(ms: i64, t_c: f64, h_pct: f64) -> String {
    json!({"ts": ms, "t": t_c, "h": h_pct}).to_string()
}

fn samples(status: &Value, probe: &str) -> u64 {
    named(status, "probes", probe)["samples"].as_u64().unwrap_or(0)
}

#[test]
fn every_qos_1_message_is_stored_once_over_kill_nine() {
    const TOTAL: i64 = 3_000;
    let broker = Mosquitto::start();
    let site = Site::new(&shelf(broker.port(), ""));
    let first = now_ms() - TOTAL * 1_000;
    let mut daemon = site.run();
    daemon.connected();
    for (part, from) in (0..TOTAL).step_by(1_000).enumerate() {
        let payload = |n: i64| core(first + n * 1_000, 20.0 + f64::from(n as i32 % 50) / 10.0);
        let messages: Vec<_> =
            (from..from + 1_000).map(|n| ("shelf/core/a1".to_owned(), payload(n).into_bytes())).collect();
        let publishing = broker.publish_beside(messages, 1, false);
        let wanted = u64::try_from(part).unwrap() * 1_000 + 100;
        daemon.status_when("some of this part stored", |status| samples(status, "core-a1") >= wanted);
        daemon.kill_nine();
        publishing.join().unwrap();
        daemon = site.run();
    }
    daemon.status_when("all stored", |status| samples(status, "core-a1") == u64::try_from(TOTAL).unwrap());
    let (status, _) = daemon.terminate();
    assert!(status.success());
    let rows = site.query("SELECT count(*), count(DISTINCT at), min(at), max(at) FROM sample");
    let expected = [TOTAL.to_string(), TOTAL.to_string(), first.to_string(), (first + (TOTAL - 1) * 1_000).to_string()];
    assert_eq!(rows, [expected]);
    assert_eq!(site.query("PRAGMA integrity_check"), [["ok"]]);
}

#[test]
fn a_broker_that_comes_back_is_heard_again() {
    let mut broker = Mosquitto::start();
    let site = Site::new(&shelf(broker.port(), ""));
    let daemon = site.run();
    daemon.connected();
    let start = now_ms() - 100_000;
    broker.publish("shelf/air", air(start, 22.0, 80.0), 1, false);
    daemon.status_when("first", |status| samples(status, "shelf-air") == 1);
    broker.stop();
    daemon.status_when("away", |status| named(status, "sources", "house")["state"] == "away");
    broker.restart();
    for n in 1..=20 {
        broker.publish("shelf/air", air(start + n * 1_000, 22.0, 80.0), 1, false);
    }
    let status = daemon.status_when("all twenty", |status| samples(status, "shelf-air") == 21);
    assert_eq!(named(&status, "sources", "house")["state"], "connected");
}

#[test]
fn a_serial_port_is_read_unplugged_and_replugged() {
    let mut port = Wire::plugged();
    let config = format!(
        r#"
[site]
name = "bench"
timezone = "Etc/UTC"
[store]
path = "state"
commit_every = "1s"
[status]
listen = "127.0.0.1:0"
[[port]]
name = "usb"
device = "{}"
baud = 115200
protocol = "lines"
[[probe]]
name = "scale-shelf"
from = "usb"
format = "pairs"
reads = {{ temperature = "T", humidity = "H" }}
every = "10s"
[[space]]
name = "shelf"
air = ["scale-shelf"]
"#,
        port.path().display()
    );
    let site = Site::new(&config);
    let daemon = site.run();
    daemon.status_when("open", |status| named(status, "sources", "usb")["state"] == "connected");
    port.send(b"88.2\r\nboot v1.2 ok\r\n\xff\xfe\x00\x01\nT=23.41 H=88.2\r\n");
    let status = daemon.status_when("read", |status| samples(status, "scale-shelf") == 1);
    let space = named(&status, "spaces", "shelf");
    assert_eq!(space["temperature_c"], 23.41);
    assert_eq!(space["humidity_pct"], 88.2);
    port.unplug();
    daemon.status_when("away", |status| named(status, "sources", "usb")["state"] == "away");
    port.plug();
    daemon.status_when("back", |status| named(status, "sources", "usb")["state"] == "connected");
    port.send(b"\nT:23.50;H:88.0\n");
    daemon.status_when("read again", |status| samples(status, "scale-shelf") == 2);
    let (_, _, metrics) = daemon.get("/metrics");
    assert!(metrics.contains("tubwatch_samples_refused_total{source=\"usb\""), "{metrics}");
}

#[test]
fn an_overheating_tub_is_told_until_the_receiver_accepts_and_over_a_restart() {
    let broker = Mosquitto::start();
    let sink = Sink::start();
    sink.answer(500);
    let messenger =
        format!("[[messenger]]\nname = \"phone\"\nwebhook = {{ url = \"{}\" }}\nat_least = \"warning\"\n", sink.url());
    let site = Site::new(&shelf(broker.port(), &messenger));
    let daemon = site.run();
    daemon.connected();
    let now = now_ms();
    site.spawn_a1(&rfc3339(now - 7_200_000));
    daemon.status_when("the tub within two seconds", |status| named(status, "tubs", "A1")["stage"] == "colonising");
    for n in 0..30 {
        broker.publish("shelf/core/a1", core(now - (30 - n) * 60_000, 28.0), 1, false);
    }
    broker.publish("shelf/core/a1", core(now - 1_000, 31.4), 1, false);
    broker.publish("shelf/core/a1", core(now, 31.5), 1, false);
    let status = daemon.status_when("raised", |status| {
        status["alerts"].as_array().unwrap().iter().any(|alert| alert["watch"] == "core-temperature")
    });
    let alert = &status["alerts"][0];
    assert_eq!(alert["subject"], "tub A1");
    assert_eq!(alert["severity"], "critical");
    assert_eq!(alert["state"], "unacknowledged");
    assert_eq!(alert["limit"], 31.0);
    wait_until(PATIENCE, "a webhook is sent", || !sink.posts().is_empty());
    daemon.kill_nine();
    sink.answer(204);
    let refused = sink.posts();
    let daemon = site.run();
    wait_until(PATIENCE, "it is sent again after the restart", || sink.posts().len() > refused.len());
    let accepted = sink.posts().last().unwrap().clone();
    assert_eq!(accepted.body["event"], "raised");
    assert_eq!(accepted.body["id"], alert["id"]);
    assert_eq!(accepted.header("Idempotency-Key"), refused[0].header("Idempotency-Key"));
    assert!(accepted.header("Idempotency-Key").is_some());
    assert!(accepted.body["text"].as_str().unwrap().contains("Tub A1"), "{}", accepted.body);
    let status = daemon.status();
    assert_eq!(status["alerts"][0]["id"], alert["id"], "an open alert keeps its id over a restart");

    let id = alert["id"].to_string();
    site.ok(&["acknowledge", &id]);
    daemon.status_when("acknowledged", |status| status["alerts"][0]["state"] == "acknowledged");
    wait_until(PATIENCE, "the acknowledgement is told", || {
        sink.posts().iter().any(|post| post.body["event"] == "acknowledged")
    });
    let alerts: Value = serde_json::from_str(&site.ok(&["alerts", "--json"])).unwrap();
    assert!(alerts.to_string().contains("core-temperature"), "{alerts}");
}

#[test]
fn figures_are_as_if_nothing_had_happened_after_kill_nine_and_late_samples() {
    let broker = Mosquitto::start();
    let site = Site::new(&shelf(broker.port(), ""));
    let mut daemon = site.run();
    daemon.connected();
    // Two whole hours at 25.0 °C end now: (25 - 5) * 2 h = 40 °C·h, whatever happens on the way.
    let end = now_ms();
    let start = end - 7_200_000;
    site.spawn_a1(&rfc3339(start));
    site.ok(&["spawn", "A2", "--culture", "winter-oyster", "--space", "shelf", "--like", "A1"]);
    let late = [17, 18, 60];
    for n in (0..=120).filter(|n| !late.contains(n)) {
        broker.publish("shelf/core/a1", core(start + n * 60_000, 25.0), 1, false);
        if n == 70 {
            daemon.status_when("seventy", |status| samples(status, "core-a1") >= 60);
            daemon.kill_nine();
            daemon = site.run();
        }
    }
    for n in late {
        broker.publish("shelf/core/a1", core(start + n * 60_000, 25.0), 1, false);
    }
    let status = daemon.status_when("all", |status| samples(status, "core-a1") == 121);
    drop(status);
    let status = daemon.status_when("40 degree-hours", |status| {
        (named(status, "tubs", "A1")["degree_hours"].as_f64().unwrap() - 40.0).abs() < 0.06
    });
    let tub = named(&status, "tubs", "A1");
    assert_eq!(tub["temperature_from"], "core-a1");
    assert!(tub["coverage"].as_f64().unwrap() > 0.99, "{tub}");
    assert!(tub["degree_hours_low"].as_f64().unwrap() <= tub["degree_hours"].as_f64().unwrap());
    assert!(tub["degree_hours_high"].as_f64().unwrap() >= tub["degree_hours"].as_f64().unwrap());
    daemon.kill_nine();
    let shown: Value = serde_json::from_str(&site.ok(&["tubs", "--json"])).unwrap();
    let listed = |name: &str| shown.as_array().unwrap().iter().find(|tub| tub["name"] == name).unwrap();
    assert!((listed("A1")["degree_hours"].as_f64().unwrap() - 40.0).abs() < 0.06, "{shown:#}");
    // A tub that A1's core stands in for has its warmth too.
    for name in ["A1", "A2"] {
        assert_eq!(listed(name)["core_c"], 25.0, "{shown:#}");
    }
}

#[test]
fn a_clean_stop_loses_nothing_and_is_quick() {
    let broker = Mosquitto::start();
    let config = shelf(broker.port(), "").replace("commit_every = \"1s\"", "commit_every = \"10min\"");
    let site = Site::new(&config);
    let daemon = site.run();
    daemon.connected();
    let now = now_ms();
    for n in 0..5 {
        broker.publish("shelf/air", air(now - n * 1_000, 22.0, 80.0), 0, false);
    }
    daemon.status_when("heard", |status| named(status, "spaces", "shelf")["temperature_c"] == 22.0);
    let (status, took) = daemon.terminate();
    assert_eq!(status.code(), Some(0));
    assert!(took < Duration::from_secs(5), "{took:?}");
    let stored = site.query("SELECT count(*) FROM sample");
    assert_eq!(stored, [["5"]]);
}

#[test]
fn bad_messages_are_counted_by_reason_and_never_obeyed() {
    let broker = Mosquitto::start();
    let site = Site::new(&shelf(broker.port(), ""));
    let daemon = site.run();
    daemon.connected();
    let now = now_ms();
    for payload in ["", "{", "not json", "{\"x\":1}", "\u{0}\u{1}", "[[[[", "{\"t\":1e999,\"ts\":\"soon\"}"] {
        broker.publish("shelf/core/a1", payload, 1, false);
    }
    broker.publish("shelf/core/a1", core(now - 2_000, -127.0), 1, false);
    broker.publish("shelf/core/a1", core(now + 86_400_000, 24.0), 1, false);
    broker.publish("shelf/core/a1", core(now - 1_000, 24.0), 1, false);
    broker.publish("shelf/core/a1", core(now - 1_000, 24.0), 1, false);
    let status = daemon.status_when("the good ones", |status| samples(status, "core-a1") == 3);
    assert!(named(&status, "probes", "core-a1")["refused"].as_u64().unwrap() >= 6, "{status:#}");
    assert_eq!(named(&status, "probes", "core-a1")["readings"]["temperature_c"], 24.0);
    let (code, _, csv) = daemon.get("/series.csv?probe=core-a1&quantity=temperature&from=2020-01-01&to=2100-01-01");
    assert_eq!(code, 200);
    assert!(csv.starts_with("time,value,quality"), "{csv}");
    assert!(
        csv.contains("-127") && csv.contains("sentinel") && csv.contains("future") && csv.contains("good"),
        "{csv}"
    );
}

#[test]
fn what_the_broker_had_kept_is_not_taken_for_now() {
    let broker = Mosquitto::start();
    let config = shelf(broker.port(), "").replace("time = { at = \"/ts\", unit = \"ms\" }\n", "");
    let site = Site::new(&config);
    broker.publish("shelf/core/a1", "{\"t\": 35.0}", 1, true);
    let daemon = site.run();
    daemon.status_when("stored", |status| samples(status, "core-a1") == 1);
    let status = daemon.status();
    assert!(named(&status, "probes", "core-a1")["readings"]["temperature_c"].is_null(), "{status:#}");
    assert_eq!(
        status["alerts"].as_array().unwrap().iter().filter(|alert| alert["watch"] == "core-temperature").count(),
        0
    );
    broker.publish("shelf/core/a1", "{\"t\": 24.5}", 1, false);
    daemon.status_when("live", |status| named(status, "probes", "core-a1")["readings"]["temperature_c"] == 24.5);
}

#[test]
fn the_status_has_the_shape_that_outsiders_depend_on() {
    let broker = Mosquitto::start();
    let site = Site::new(&shelf(broker.port(), ""));
    site.ok(&["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf", "--core", "core-a1"]);
    let daemon = site.run();
    daemon.connected();
    broker.publish("shelf/air", air(now_ms(), 24.1, 88.0), 1, false);
    broker.publish("shelf/core/a1", core(now_ms(), 28.4), 1, false);
    let status = daemon.status_when("a reading", |status| {
        !named(status, "spaces", "shelf")["temperature_c"].is_null() && !named(status, "tubs", "A1")["core_c"].is_null()
    });
    let example: Value = serde_json::from_str(include_str!("../fixtures/status/status.json")).unwrap();
    for part in ["spaces", "tubs", "probes", "sources"] {
        let wanted: Vec<_> = example[part][0].as_object().unwrap().keys().collect();
        let found: Vec<_> = status[part][0].as_object().unwrap().keys().collect();
        assert_eq!(found, wanted, "{part}");
    }
    let space = named(&status, "spaces", "shelf");
    // Checked against psychrolib 2.5.0 (ASHRAE Handbook of Fundamentals 2017): 24.1 °C, 88 %RH.
    assert!((space["dew_point_c"].as_f64().unwrap() - 21.99).abs() < 0.03, "{space}");
    assert!((space["vpd_kpa"].as_f64().unwrap() - 0.360).abs() < 0.002, "{space}");
    let (code, _, body) = daemon.get("/health");
    assert_eq!((code, body.trim()), (200, "ok"));
    let (code, _, page) = daemon.get("/");
    assert_eq!(code, 200);
    for heading in ["Wrong now", "Air", "Tubs", "Doubtful probes", "This machine"] {
        assert!(page.contains(heading), "{heading} is missing");
    }
}

#[test]
fn wrong_settings_and_a_second_daemon_are_refused_in_words() {
    let broker = Mosquitto::start();
    let site = Site::new(&shelf(broker.port(), "[[space]]\nname = \"tent\"\nair = [\"shelf-aire\"]\nheeted = true\n"));
    for command in ["check", "run"] {
        let output = site.command(&[command]);
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(78), "{said}");
        assert!(said.contains("shelf-air") && said.contains("heated"), "{said}");
        assert!(said.contains("tubwatch.toml:"), "{said}");
    }
    site.write_config(&shelf(broker.port(), ""));
    let daemon = site.run();
    let second = site.command(&["run"]);
    assert_eq!(second.status.code(), Some(1));
    assert_eq!(
        String::from_utf8(second.stderr).unwrap().trim().lines().filter(|line| line.contains("another")).count(),
        1
    );
    assert!(daemon.terminate().0.success());
}

#[test]
fn a_hangup_rereads_the_settings_and_a_wrong_one_changes_nothing() {
    let broker = Mosquitto::start();
    let site = Site::new(&shelf(broker.port(), ""));
    let daemon = site.run();
    site.write_config("[site]\nname = 3\n");
    daemon.signal("HUP");
    wait_until(PATIENCE, "the wrong settings are refused", || {
        daemon.log_lines().iter().any(|line| line.contains("not taken over"))
    });
    daemon.status_when("still there", |status| status["site"] == "test shelf");
    let (status, _) = daemon.terminate();
    assert_eq!(status.code(), Some(0));
}

#[test]
fn an_export_lies_beside_the_yields() {
    let broker = Mosquitto::start();
    let site = Site::new(&shelf(broker.port(), ""));
    let daemon = site.run();
    daemon.connected();
    let now = now_ms();
    for n in 0..=60 {
        broker.publish("shelf/air", air(now - n * 60_000, 24.0, 88.0), 1, false);
        broker.publish("shelf/core/a1", core(now - n * 60_000, 26.0), 1, false);
    }
    daemon.status_when("all", |status| samples(status, "core-a1") == 61 && samples(status, "shelf-air") == 61);
    let spawned = rfc3339(now - 3_600_000);
    site.ok(&[
        "spawn",
        "A1",
        "--culture",
        "winter-oyster",
        "--space",
        "shelf",
        "--core",
        "core-a1",
        "--dry-bulk",
        "650g",
        "--dry-grain",
        "1kg",
        "--at",
        &spawned,
    ]);
    site.ok(&["harvest", "A1", "--fresh", "240g"]);
    let out = site.folder.path().join("export");
    site.ok(&["export", "--out", out.to_str().unwrap()]);
    let read = |name: &str| std::fs::read_to_string(out.join(name)).unwrap();
    let tubs = read("tubs.csv");
    let header: Vec<_> = tubs.lines().next().unwrap().split(',').collect();
    let row: Vec<_> = tubs.lines().nth(1).unwrap().split(',').collect();
    let cell = |name: &str| row[header.iter().position(|column| *column == name).unwrap()];
    assert_eq!(cell("fresh_total_g"), "240");
    // 240 g fresh on 650 + 1000 g dry: 14.5 % (definition: fresh mass over dry substrate, Chang and Miles).
    assert!((cell("biological_efficiency_pct").parse::<f64>().unwrap() - 240.0 / 1650.0 * 100.0).abs() < 0.06);
    assert_eq!(cell("biological_efficiency_basis"), "bulk+grain");
    for name in ["climate.csv", "flushes.csv", "log.csv", "alerts.csv"] {
        assert!(read(name).lines().count() >= 1, "{name}");
    }
    let lines = site.ok(&["export", "--line-protocol"]);
    let parsed: Vec<_> = influxdb_line_protocol::parse_lines(&lines).collect::<Result<_, _>>().unwrap();
    assert_eq!(parsed.len(), 122);
    drop(daemon);
}

#[test]
fn a_damaged_store_silences_no_alert_and_loses_nothing_that_a_broker_keeps() {
    let broker = Mosquitto::start();
    let sink = Sink::start();
    let messenger = format!("[[messenger]]\nname = \"phone\"\nwebhook = {{ url = \"{}\" }}\n", sink.url());
    let site = Site::new(&shelf(broker.port(), &messenger));
    let now = now_ms();
    let daemon = site.run();
    let spawned = rfc3339(now - 3_600_000);
    site.spawn_a1(&spawned);
    daemon.status_when("the tub", |status| named(status, "tubs", "A1")["stage"] == "colonising");
    assert!(daemon.terminate().0.success());
    let good = std::fs::read(site.store()).unwrap();
    std::fs::write(site.store(), vec![0x55; good.len()]).unwrap();

    let daemon = site.run();
    daemon.connected();
    let (code, _, body) = daemon.get("/health");
    assert_eq!(code, 503, "{body}");
    assert!(body.contains("store"), "{body}");
    broker.publish("shelf/core/a1", core(now - 1_000, 31.4), 1, false);
    broker.publish("shelf/core/a1", core(now, 31.5), 1, false);
    wait_until(PATIENCE, "the hot tub is told without a store", || {
        sink.posts().iter().any(|post| post.body["subject"] == "tub A1" && post.body["severity"] == "critical")
    });
    assert_eq!(std::fs::read(site.store()).unwrap()[..16], [0x55; 16], "the damaged file is left as it is");

    std::fs::write(site.store(), good).unwrap();
    daemon.status_when("both samples stored", |status| samples(status, "core-a1") == 2);
    assert_eq!(daemon.get("/health").0, 200);
}
