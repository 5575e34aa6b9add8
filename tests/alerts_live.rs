//! Alerts through the built program: a pseudo-terminal with timed samples, a receiver of webhooks, the
//! commands beside it, and the same samples replayed.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use harness::daemon::{Daemon, Site, named};
use harness::sink::Sink;
use harness::{PATIENCE, Wire, now_ms, wait_until};
use serde_json::{Value, json};

fn rfc3339(ms: i64) -> String {
    chrono::DateTime::from_timestamp_millis(ms).unwrap().to_rfc3339_opts(chrono::SecondsFormat::Secs, true)
}

fn config(port: &Wire, sink: &Sink) -> String {
    let probe = |name: &str, reads: &str| {
        format!(
            "[[probe]]\nname = \"{name}\"\nfrom = \"usb\"\nformat = \"json\"\nselect = {{ \"/id\" = \"{name}\" }}\n\
             reads = {{ {reads} }}\ntime = {{ at = \"/ts\", unit = \"ms\" }}\nevery = \"2min\"\n"
        )
    };
    format!(
        "[site]\nname = \"test shelf\"\ntimezone = \"Europe/Lisbon\"\n\
         [store]\npath = \"state\"\ncommit_every = \"1s\"\n\
         [status]\nlisten = \"127.0.0.1:0\"\n\
         [[port]]\nname = \"usb\"\ndevice = \"{}\"\nbaud = 115200\nprotocol = \"lines\"\n\
         {}{}{}\
         [[space]]\nname = \"shelf\"\nair = [\"shelf-air\"]\nheated = true\n\
         [[messenger]]\nname = \"phone\"\nwebhook = {{ url = \"{}\" }}\nat_least = \"advice\"\n",
        port.path().display(),
        probe("shelf-air", "temperature = \"/t\", co2 = \"/c\""),
        probe("core-a1", "temperature = \"/t\", battery = \"/b\""),
        probe("core-a2", "temperature = \"/t\""),
        sink.url(),
    )
}

fn spawn(site: &Site, tub: &str, core: &str, at_ms: i64) {
    let at = rfc3339(at_ms);
    site.ok(&["spawn", tub, "--culture", "winter-oyster", "--space", "shelf", "--core", core, "--at", &at]);
}

fn alert<'a>(status: &'a Value, watch: &str) -> &'a Value {
    status["alerts"].as_array().unwrap().iter().find(|alert| alert["watch"] == watch).unwrap_or(&Value::Null)
}

fn samples(status: &Value, probe: &str) -> u64 {
    named(status, "probes", probe)["samples"].as_u64().unwrap_or(0)
}

struct Shelf {
    wire: Wire,
    sink: Sink,
    site: Site,
    daemon: Daemon,
}

fn shelf() -> Shelf {
    let (wire, sink) = (Wire::plugged(), Sink::start());
    let site = Site::new(&config(&wire, &sink));
    spawn(&site, "A1", "core-a1", now_ms() - 3 * 3_600_000);
    spawn(&site, "A2", "core-a2", now_ms() - 3 * 3_600_000);
    let daemon = site.run();
    daemon.status_when("open", |status| named(status, "sources", "usb")["state"] == "connected");
    Shelf { wire, sink, site, daemon }
}

impl Shelf {
    fn send(&mut self, line: &Value) {
        self.wire.send(format!("{line}\n").as_bytes());
    }

    fn sent(&self, event: &str, watch: &str) -> usize {
        self.sink.posts().iter().filter(|post| post.body["event"] == event && post.body["watch"] == watch).count()
    }

    fn wait_sent(&self, event: &str, watch: &str, count: usize) {
        wait_until(PATIENCE, &format!("{event} {watch}"), || self.sent(event, watch) >= count);
    }
}

#[test]
fn a_replay_tells_what_the_daemon_told() {
    let mut shelf = shelf();
    let start = now_ms() - 9 * 60_000;
    let mut fed = 0;
    // CO2 over 5,000 for five minutes; A1 hot twice, A2 once with nothing after it; a battery at its end.
    for n in 0..16 {
        let ts = start + n * 30_000;
        let co2 = if n > 1 { 6_000.0 } else { 900.0 };
        shelf.send(&json!({"id": "shelf-air", "ts": ts, "t": 23.0 + f64::from(n as i32 % 3) / 10.0, "c": co2}));
        let hot = if n == 4 || n == 5 { 31.4 } else { 29.0 };
        shelf.send(&json!({"id": "core-a1", "ts": ts + 1_000, "t": hot, "b": if n < 8 { 60.0 } else { 9.0 }}));
        fed += 1;
        if n < 7 {
            let hot = if n == 6 { 31.2 } else { 29.0 };
            shelf.send(&json!({"id": "core-a2", "ts": ts + 2_000, "t": hot}));
        }
    }
    shelf.send(&json!({"id": "core-a2", "ts": start + 450_000, "t": 30.9}));
    shelf.daemon.status_when("all read", |status| samples(status, "core-a1") == fed && samples(status, "core-a2") == 8);
    shelf.wait_sent("raised", "core-temperature", 2);
    shelf.wait_sent("raised", "co2-for-people", 1);
    shelf.wait_sent("raised", "battery", 1);
    // The grower knows of the one; then everything reports once more.
    let status = shelf.daemon.status_when("shown", |status| !alert(status, "co2-for-people").is_null());
    shelf.site.ok(&["acknowledge", &alert(&status, "co2-for-people")["id"].to_string()]);
    shelf.wait_sent("acknowledged", "co2-for-people", 1);
    let last = now_ms();
    // A lone reading far from those before it might be a spike: two agree.
    for ts in [last, last + 1_000] {
        shelf.send(&json!({"id": "shelf-air", "ts": ts, "t": 23.0, "c": 900.0}));
    }
    shelf.wait_sent("returned", "co2-for-people", 1);
    shelf.daemon.status_when("stored", |status| samples(status, "shelf-air") == fed + 2);
    let told: Vec<String> = shelf.sink.posts().iter().map(|post| brief(&post.body)).collect();
    let folder = shelf.site.folder.path().join("out");
    shelf.site.ok(&["export", "--out", folder.to_str().unwrap(), "--every", "raw"]);
    let lines = shelf.site.folder.path().join("all.lp");
    shelf.site.ok(&["export", "--line-protocol", lines.to_str().unwrap(), "--every", "raw"]);
    let climate = folder.join("climate.csv");
    let from_csv = shelf.site.ok(&["replay", climate.to_str().unwrap()]);
    let from_lines = shelf.site.ok(&["replay", lines.to_str().unwrap()]);
    let again = shelf.site.ok(&["replay", lines.to_str().unwrap()]);
    let quick = shelf.site.ok(&["replay", lines.to_str().unwrap(), "--at-speed", "1000000"]);
    assert_eq!(from_lines, again);
    assert_eq!(sorted(&from_lines), sorted(&quick));
    let replayed = sorted(&from_lines);
    let mut expected: Vec<String> = told.clone();
    expected.sort();
    assert_eq!(replayed, expected, "{from_lines}");
    // The CSV has no battery.
    let without: Vec<String> = expected.iter().filter(|line| !line.contains(" battery:")).cloned().collect();
    assert_eq!(sorted(&from_csv), without, "{from_csv}");
    // Each raise stands at the moment the daemon says.
    for post in shelf.sink.posts().iter().filter(|post| post.body["event"] == "raised") {
        let since = post.body["since"].as_str().unwrap();
        let line = format!("{since} {}", brief(&post.body));
        assert!(from_lines.lines().any(|told| told == line), "{line}\n{from_lines}");
    }
    assert!(
        from_lines.lines().last().unwrap().starts_with("4 alerts raised, 6 events in all, from 42 samples"),
        "{from_lines}"
    );
    // It wrote nothing.
    assert_eq!(shelf.site.query("SELECT count(*) FROM sample"), [["42"]]);
}

/// `SEVERITY EVENT SUBJECT WATCH: TEXT`
fn brief(body: &Value) -> String {
    let text = |key: &str| body[key].as_str().unwrap().to_owned();
    format!("{} {} {} {}: {}", text("severity"), text("event"), text("subject"), text("watch"), text("text"))
}

/// The events of a replay without their times.
fn sorted(output: &str) -> Vec<String> {
    let mut lines: Vec<&str> = output.lines().collect();
    lines.pop();
    let mut lines: Vec<String> = lines.iter().map(|line| line.split_once(' ').unwrap().1.to_owned()).collect();
    lines.sort();
    lines
}

#[test]
fn shelved_alerts_and_hands_in_the_tent() {
    let mut shelf = shelf();
    let start = now_ms() - 9 * 60_000;
    // Over 26 °C for more than an hour, but somebody works there.
    shelf.site.ok(&["working", "--for", "1h", "--space", "shelf"]);
    let refused = |words: &[&str]| {
        let output = shelf.site.command(words);
        (output.status.code(), String::from_utf8(output.stderr).unwrap())
    };
    assert_eq!(refused(&["working", "--for", "5h"]).0, Some(2));
    let (code, why) = refused(&["working", "--for", "1h", "--space", "shelv"]);
    assert!(code == Some(2) && why.contains("shelf"), "{why}");
    assert_eq!(refused(&["shelve", "99", "--for", "1h"]).0, Some(2));
    for n in 0..16 {
        let ts = start + n * 30_000;
        shelf.send(&json!({"id": "core-a1", "ts": ts, "t": if n > 10 { 31.5 } else { 27.0 }}));
        shelf.send(&json!({"id": "core-a2", "ts": ts + 1, "t": 26.0}));
        shelf.send(&json!({"id": "shelf-air", "ts": ts + 2, "t": 27.0, "c": 900.0}));
    }
    // Cores never wait.
    shelf.wait_sent("raised", "core-temperature", 1);
    let status = shelf.daemon.status_when("shown", |status| !alert(status, "core-temperature").is_null());
    let id = alert(&status, "core-temperature")["id"].to_string();
    let output = shelf.site.command(&["shelve", &id, "--for", "2h"]);
    let (code, why) = (output.status.code(), String::from_utf8(output.stderr).unwrap());
    assert!(code == Some(2) && why.contains("critical: it can be put aside for 1 h at most"), "{why}");
    shelf.site.ok(&["shelve", &id, "--for", "1h"]);
    shelf.daemon.status_when("shelved", |status| alert(status, "core-temperature")["state"] == "shelved");
    // It stands so over a power cut, in the store too.
    wait_until(PATIENCE, "stored", || {
        shelf.site.query("SELECT state FROM alert WHERE watch = 'core-temperature'") == [["shelved"]]
    });
    let Shelf { sink, site, daemon, mut wire } = shelf;
    daemon.kill_nine();
    let daemon = site.run();
    daemon.status_when("open", |status| named(status, "sources", "usb")["state"] == "connected");
    wire.send(format!("{}\n", json!({"id": "core-a1", "ts": now_ms(), "t": 31.5})).as_bytes());
    let status = daemon.status_when("read", |status| samples(status, "core-a1") == 17);
    assert_eq!(alert(&status, "core-temperature")["state"], "shelved");
    assert_eq!(alert(&status, "core-temperature")["id"].to_string(), id);
    assert_eq!(sink.posts().iter().filter(|post| post.body["watch"] == "core-temperature").count(), 1);
    // Acknowledged from the shelf; an end of the shelf long gone brings an alert back.
    site.ok(&["acknowledge", &id]);
    daemon.status_when("acknowledged", |status| alert(status, "core-temperature")["state"] == "acknowledged");
    site.ok(&["shelve", &id, "--for", "1s"]);
    wait_until(PATIENCE, "it is told again", || sink.posts().iter().any(|post| post.body["event"] == "raised-again"));
    let shown = site.ok(&["alerts"]);
    assert!(shown.contains("critical, unacknowledged"), "{shown}");
}

#[test]
fn what_went_by_in_a_backlog_is_kept_as_history() {
    let mut shelf = shelf();
    // Hot from 150 to 100 minutes ago, found out only now.
    let start = now_ms() - 170 * 60_000;
    for n in 0..=170 {
        let hot = (20..70).contains(&n);
        shelf.send(&json!({"id": "core-a1", "ts": start + n * 60_000, "t": if hot { 28.9 } else { 26.0 }}));
    }
    shelf.daemon.status_when("all read", |status| samples(status, "core-a1") == 171);
    wait_until(PATIENCE, "in the history", || {
        shelf.site.query("SELECT severity, state FROM alert WHERE watch = 'core-temperature'") == [["warning", "ended"]]
    });
    assert_eq!(shelf.sent("raised", "core-temperature"), 0);
    let Shelf { site, daemon, .. } = shelf;
    daemon.kill_nine();
    let daemon = site.run();
    daemon.status_when("up", |status| samples(status, "core-a1") == 171);
    // Judged once more at the start, but told once.
    assert_eq!(site.query("SELECT count(*) FROM alert WHERE watch = 'core-temperature'"), [["1"]]);
}

#[test]
fn replay_says_what_it_cannot_read_and_needs_no_store() {
    let (wire, sink) = (Wire::plugged(), Sink::start());
    let site = Site::new(&config(&wire, &sink));
    let write = |name: &str, text: &str| {
        let path = site.folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_owned()
    };
    let lines = write(
        "a.lp",
        "# a comment\nclimate,probe=shelf-air temperature=21,co2=6000 1795586400000000000\nclimate,probe=shelf-air temp\n\
         climate,probe=elsewhere temperature=1 1795586460000000000\n",
    );
    let more: String = (1..8)
        .map(|n| {
            format!(
                "climate,probe=shelf-air temperature=21,co2=6000 {}\n",
                1_795_586_400_000_000_000_i64 + n * 60_000_000_000
            )
        })
        .collect();
    let more = write("b.lp", &more);
    let said = site.ok(&["replay", &lines, &more]);
    let expected = format!(
        "2026-11-25T06:05:00Z warning raised space shelf co2-for-people: Space shelf: CO2 6000 ppm, over 5000 for 5 min. \
         Air the room before you enter. This is not a gas alarm.\n\
         1 alert raised, 1 event in all, from 8 samples; 1 sample of probes not in the config; \
         1 line not read, the first is line 3 of {lines}\n"
    );
    assert_eq!(said, expected);
    assert!(!site.folder.path().join("state").exists(), "it wrote something");
    let hourly = "time,space,probe,temperature_c,humidity_pct,co2_ppm,coverage\r\n2026-11-25T06:00:00Z,shelf,shelf-air,31,,,1\r\n\
                  2026-11-25T07:00:00Z,shelf,shelf-air,31,,,1\r\n";
    let hourly = write("hourly.csv", hourly);
    assert!(site.ok(&["replay", &hourly, "--coarse"]).contains("from 2 samples"));
    let other = write("other.txt", "tub,id\r\n");
    for (words, code, why) in [
        (vec!["replay", &hourly], 1, "hourly rows"),
        (vec!["replay", &other], 1, "neither"),
        (vec!["replay", "nothing-here.csv"], 1, "cannot be read"),
        (vec!["replay", &lines, "--at-speed", "fast"], 2, "no speed"),
        (vec!["replay"], 2, "FILE"),
    ] {
        let output = site.command(&words);
        let text = String::from_utf8(output.stderr).unwrap();
        assert!(output.status.code() == Some(code) && text.contains(why), "{words:?}: {text}");
    }
}
