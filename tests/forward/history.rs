//! The whole history in a real database: before it was named, over its outage and ours, late samples,
//! and a logbook that tells of the past.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use serde_json::json;

use crate::databases::{Database, Kind, Points};
use crate::harness::configs::shelf;
use crate::harness::daemon::{Daemon, Site, named};
use crate::harness::{Mosquitto, PATIENCE, now_ms};

fn config(port: u16, database: Option<&Database>) -> String {
    let correction = "[correction.shelf-air]\nhumidity = { offset = -2.1, gain = 1.0, made = \"2026-11-20\" }\n";
    let forward =
        database.map_or(String::new(), |one| format!("[[forward]]\nname = \"farm\"\nurl = \"{}\"\n", one.url()));
    shelf("cellar, north=2", "200ms", port, "10s", &format!("{correction}{forward}"))
}

/// Messages of both probes from `first` on, every 10 s; each probe's every 50th is a spike.
fn messages(first: i64, count: i64) -> Vec<(String, Vec<u8>)> {
    let mut all = Vec::new();
    for n in 0..count {
        let at = first + n * 10_000;
        let wave = ((n % 360) as f64 / 57.3).sin();
        let spike = if n % 50 == 49 { 45.0 } else { 0.0 };
        all.push((
            "shelf/air".to_owned(),
            json!({"ts": at, "t": 22.0 + wave + spike, "h": 88.0 + wave}).to_string().into(),
        ));
        all.push(("shelf/core/a1".to_owned(), json!({"ts": at, "t": 25.0 + wave / 3.0 + spike}).to_string().into()));
    }
    all
}

fn stored(daemon: &Daemon, wanted: u64) {
    daemon.status_when("all stored", |status| {
        ["shelf-air", "core-a1"].iter().all(|probe| named(status, "probes", probe)["samples"] == wanted)
    });
}

/// What the store has, by the export: probe, field, ms; value.
fn exported(site: &Site) -> BTreeMap<(String, String, i64), f64> {
    let mut points = BTreeMap::new();
    for line in site.ok(&["export", "--line-protocol"]).lines() {
        // The site's name is the only escaped text in these lines.
        let line = line.replace("\\ ", "_").replace("\\,", "_").replace("\\=", "_");
        let mut parts = line.split(' ');
        let (tags, fields, at) = (parts.next().unwrap(), parts.next().unwrap(), parts.next().unwrap());
        let probe = tags.split(',').find_map(|tag| tag.strip_prefix("probe=")).unwrap();
        for field in fields.split(',') {
            let (name, value) = field.split_once('=').unwrap();
            let at = at.parse::<i64>().unwrap() / 1_000_000;
            points.insert((probe.to_owned(), name.to_owned(), at), value.parse().unwrap());
        }
    }
    points
}

/// What differs between store and database: missing, other value, more than one point.
fn differences(store: &BTreeMap<(String, String, i64), f64>, database: &Points) -> Vec<String> {
    let mut found = Vec::new();
    for (key, value) in store {
        match database.get(key).map(Vec::as_slice) {
            Some([(_, stored)]) if (stored - value).abs() < 1e-9 => {}
            other => found.push(format!("{key:?} is {value}, there {other:?}")),
        }
    }
    found.extend(
        database.keys().filter(|key| !store.contains_key(*key)).map(|key| format!("{key:?} is not in the store")),
    );
    found
}

/// Waits until the database has the store's good samples, each once, and nothing else.
fn agrees(site: &Site, database: &Database, what: &str) -> Points {
    let deadline = Instant::now() + PATIENCE;
    loop {
        let (store, there) = (exported(site), database.climate());
        let found = differences(&store, &there);
        if found.is_empty() && !store.is_empty() {
            return there;
        }
        let shown = found.iter().take(5).collect::<Vec<_>>();
        assert!(Instant::now() < deadline, "{what}: {} of {} differ: {shown:#?}", found.len(), store.len());
        std::thread::sleep(Duration::from_millis(200));
    }
}

fn a_whole_history(kind: Kind) {
    let broker = Mosquitto::start();
    let mut database = Database::start(kind);
    let site = Site::new(&config(broker.port(), None));
    let first = now_ms() - 40 * 3_600_000;

    // Two days ago, when nobody thought of a database yet.
    let daemon = site.run();
    daemon.connected();
    broker.publish_many(messages(first, 3_000), 1, false);
    stored(&daemon, 3_000);
    site.ok(&["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf", "--at", "2026-11-01"]);

    // Named while it runs: everything goes there, over a kill in the midst.
    site.write_config(&config(broker.port(), Some(&database)));
    daemon.signal("HUP");
    let metric = |daemon: &Daemon, name: &str| -> f64 {
        let (_, _, text) = daemon.get("/metrics");
        let line = text.lines().find(|line| line.starts_with(&format!("{name}{{target=\"farm\"}}")));
        line.and_then(|line| line.split(' ').next_back()?.parse().ok()).unwrap_or(f64::NAN)
    };
    daemon.status_when("the first batch is there", |_| metric(&daemon, "tubwatch_forward_points_total") > 0.0);
    daemon.kill_nine();
    let daemon = site.run();
    agrees(&site, &database, "the history from before");

    // The database is away; samples come, also late ones, into what was sent long ago.
    database.stop();
    daemon.connected();
    broker.publish_many(messages(first + 3_000 * 10_000, 1_000), 1, false);
    broker.publish_many(messages(first + 5_000 + 1_000 * 10_000, 100), 1, false);
    stored(&daemon, 4_100);
    // And the logbook tells of the past: the core was in the tub all the while.
    site.ok(&["core", "A1", "core-a1", "--at", "2026-11-02"]);
    site.ok(&["note", "A1", "smells \"fresh\", = and, so on \\"]);
    database.launch();
    let there = agrees(&site, &database, "after the outage, late samples in it");
    let core = |at: i64| there[&("core-a1".to_owned(), "temperature".to_owned(), at)][0].0.clone();
    assert!(!core(first).contains("\"tub\""), "sent before the entry: {}", core(first));
    assert!(!core(first + 5_000 + 1_000 * 10_000).contains("\"tub\""), "among those sent before the entry");

    // From now on the core is the tub's.
    let fresh = now_ms();
    broker.publish_many(messages(fresh, 1), 1, false);
    stored(&daemon, 4_101);
    let there = agrees(&site, &database, "a fresh sample");
    let tags = &there[&("core-a1".to_owned(), "temperature".to_owned(), fresh)][0].0;
    assert!(tags.contains("\"tub\": \"A1\"") && tags.contains("\"space\": \"shelf\""), "{tags}");
    assert!(tags.contains("\"site\": \"cellar, north=2\""), "{tags}");

    // The logbook's entries, and what happened to alerts.
    let deeds = |points: &[(BTreeMap<String, String>, String, i64, f64)]| {
        let mut deeds: Vec<_> = points.iter().map(|(tags, ..)| tags["entry"].clone() + &tags["deed"]).collect();
        deeds.sort();
        deeds.dedup();
        deeds
    };
    daemon
        .status_when("every entry is there", |_| deeds(&database.points("logbook")) == ["1spawned", "2core", "3noted"]);
    let hot = |at: i64| ("shelf/core/a1".to_owned(), json!({"ts": at, "t": 33.5}).to_string().into_bytes());
    broker.publish_many([hot(fresh + 1), hot(fresh + 2)], 1, false);
    let raised = || site.query("SELECT count(*) FROM alert WHERE watch = 'core-temperature'") != [["0"]];
    daemon.status_when("the core is too hot", |_| raised());
    let alerts = site.query("SELECT since, acknowledged_at, returned_at, ended_at FROM alert");
    let events = alerts.iter().flatten().filter(|at| !at.is_empty()).count();
    assert!(events > 0);
    daemon.status_when("every alert's events are there", |_| {
        let points = database.points("alert");
        points.iter().filter(|(_, field, ..)| field == "id").count() >= events
    });
    assert_eq!(metric(&daemon, "tubwatch_forward_points_refused_total"), 0.0);
    assert!(metric(&daemon, "tubwatch_forward_behind_seconds") < PATIENCE.as_secs_f64());
    let (status, _) = daemon.terminate();
    assert!(status.success());
}

#[test]
fn influxdb_has_every_point_once() {
    a_whole_history(Kind::Influx);
}

#[test]
fn victoriametrics_has_every_point_once() {
    a_whole_history(Kind::Victoria);
}
