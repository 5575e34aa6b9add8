//! Sites to look at: a store filled with made-up days, tubs, a broker, a daemon.

use std::f64::consts::TAU;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde_json::json;
use tubwatch::climate::{Quality, Stamp};
use tubwatch::store::{Change, Sample, Store, Urgency, Writer};

use crate::harness::Mosquitto;
use crate::harness::daemon::{Daemon, Site};

pub const TOKEN: &str = "a-token-for-tests-only";
pub const MINUTE: i64 = 60_000;
pub const HOUR: i64 = 60 * MINUTE;
pub const DAY: i64 = 24 * HOUR;

pub fn now() -> i64 {
    i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_millis()).unwrap()
}

pub fn rfc3339(ms: i64) -> String {
    chrono::DateTime::from_timestamp_millis(ms).unwrap().to_rfc3339()
}

/// The head of a config whose status is written to with [`TOKEN`].
pub fn head(site: &str) -> String {
    format!(
        "[site]\nname = \"{site}\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\ncommit_every = \"1s\"\n\
         [status]\nlisten = \"127.0.0.1:0\"\ntoken_file = \"status.token\"\n"
    )
}

fn broker(port: u16) -> String {
    format!("[[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:{port}\"\n")
}

pub fn probe(name: &str, every: &str, reads: &str) -> String {
    format!(
        "[[probe]]\nname = \"{name}\"\nfrom = \"house\"\ntopic = \"{name}\"\nformat = \"json\"\nevery = \"{every}\"\n\
         reads = {reads}\ntime = {{ at = \"/ts\", unit = \"ms\" }}\n"
    )
}

pub const AIR: &str = "{ temperature = \"/t\", humidity = \"/h\" }";
pub const AIR_CO2: &str = "{ temperature = \"/t\", humidity = \"/h\", co2 = \"/c\" }";
pub const CORE: &str = "{ temperature = \"/t\" }";

/// A site with its token in place.
pub fn site(config: &str) -> Site {
    let site = Site::new(config);
    std::fs::write(site.folder.path().join("status.token"), TOKEN).unwrap();
    site
}

/// One probe's made-up past: name, readings by time.
pub struct Past<'a> {
    pub probe: &'a str,
    pub step_ms: i64,
    pub read: &'a dyn Fn(i64) -> Option<[Option<f64>; 4]>,
}

/// Writes made-up days into the site's store, from `from` to `to`.
pub fn fill(site: &Site, from: i64, to: i64, pasts: &[Past<'_>]) {
    let mut store = Store::open(&site.folder.path().join("state")).unwrap();
    let names: Vec<&str> = pasts.iter().map(|past| past.probe).collect();
    let ids = store.probe_ids(&names).unwrap();
    let writer = Writer::start(store, Duration::from_secs(60), |_| {}).unwrap();
    let mut rows: Vec<(i64, Change)> = Vec::new();
    for (past, probe) in pasts.iter().zip(ids) {
        for at in (from..to).step_by(usize::try_from(past.step_ms).unwrap()) {
            if let Some(values) = (past.read)(at) {
                let quality = values.map(|value| if value == Some(-127.0) { Quality::Sentinel } else { Quality::Good });
                rows.push((
                    at,
                    Change::Sample(Sample { probe, at: Stamp(at), values, quality, timing: Default::default() }),
                ));
            }
        }
    }
    rows.sort_by_key(|(at, _)| *at);
    for block in rows.chunks(20_000) {
        writer.write(block.iter().map(|(_, change)| change.clone()).collect(), Urgency::AtOnce, 0);
    }
    writer.flush_and_stop(Duration::from_secs(60)).unwrap();
}

pub fn daily(at: i64, mean: f64, swing: f64) -> f64 {
    let wave = (at % DAY) as f64 / DAY as f64 * TAU;
    ((mean + swing * wave.sin() + 0.03 * ((at / MINUTE % 7) as f64 - 3.0)) * 100.0).round() / 100.0
}

/// A cellar: a warm shelf, a fruiting tent whose probe has fallen silent, an overheating tub.
pub struct Cellar {
    pub broker: Mosquitto,
    pub site: Site,
    pub daemon: Daemon,
    /// The number of the alert on tub A1.
    pub alert: i64,
}

/// Starts the cellar and waits until its tub A1 is too hot.
pub fn cellar(more: &str) -> Cellar {
    let broker = Mosquitto::start();
    let config = head("cellar")
        + &broker_and_probes(broker.port())
        + "[[space]]\nname = \"shelf\"\nair = [\"shelf-air\"]\nheated = true\n\
           [[space]]\nname = \"tent\"\nair = [\"tent-air\"]\n"
        + more;
    let site = site(&config);
    let end = now() - 2 * MINUTE;
    let shelf = |at: i64| {
        // Nine hours in which nothing was read, and a probe's error code now and then.
        let gone = (end - 30 * HOUR..end - 21 * HOUR).contains(&at);
        let sick = at / MINUTE % 700 == 3;
        let temperature = if sick { -127.0 } else { daily(at, 23.4, 1.1) };
        (!gone).then(|| [Some(temperature), Some(daily(at, 86.0, 3.0)), None, None])
    };
    let core = |at: i64| Some([Some(daily(at, 25.6, 0.6)), None, None, None]);
    // A barrel an hour into its heat run, and one of two days ago.
    let barrel = |over: f64| {
        move |at: i64| {
            let minutes = (at - (end - HOUR)) as f64 / MINUTE as f64;
            let old = (at - (end - 2 * DAY)) as f64 / MINUTE as f64;
            let course = |minutes: f64| match minutes {
                0.0..40.0 => Some(22.0 + 1.1 * minutes),
                40.0..110.0 => Some(66.0),
                110.0..150.0 => Some(66.0 - 1.1 * (minutes - 110.0)),
                _ => None,
            };
            let t_c = course(minutes).or_else(|| course(old))? + over;
            Some([Some((t_c * 10.0).round() / 10.0), None, None, None])
        }
    };
    let (middle, corner) = (barrel(0.0), barrel(2.2));
    let tent = |at: i64| {
        (at < end - 4 * HOUR)
            .then(|| [Some(daily(at, 14.4, 1.0)), Some(daily(at, 91.0, 2.0)), Some(daily(at, 800.0, 150.0)), None])
    };
    fill(
        &site,
        end - 3 * DAY,
        end,
        &[
            Past { probe: "shelf-air", step_ms: MINUTE, read: &shelf },
            Past { probe: "core-a1", step_ms: MINUTE, read: &core },
            Past { probe: "tent-air", step_ms: MINUTE, read: &tent },
            Past { probe: "barrel-middle", step_ms: MINUTE, read: &middle },
            Past { probe: "barrel-corner", step_ms: MINUTE, read: &corner },
        ],
    );
    for (run, began, ended) in
        [("coir-7", end - 2 * DAY, Some(end - 2 * DAY + 150 * MINUTE)), ("coir-8", end - HOUR, None)]
    {
        let at = rfc3339(began);
        let words =
            ["pasteurise", run, "--probe", "barrel-middle", "barrel-corner", "--hold-at", "65C", "--hold-for", "1h"];
        site.ok(&[&words[..], &["--at", &at]].concat());
        if let Some(ended) = ended {
            site.ok(&["pasteurise", run, "--end", "--at", &rfc3339(ended)]);
        }
    }
    let spawned = rfc3339(end - 3 * DAY);
    let early = rfc3339(end - 20 * DAY);
    site.spawn_a1(&spawned);
    site.ok(&["spawn", "B2", "--culture", "winter-oyster", "--space", "shelf", "--at", &early]);
    site.ok(&["spawn", "C3", "--culture", "winter-oyster", "--space", "tent", "--dry-bulk", "650g", "--at", &early]);
    site.ok(&["colonised", "C3", "--at", &rfc3339(end - 6 * DAY)]);
    site.ok(&["open", "C3", "--at", &rfc3339(end - 2 * DAY)]);
    site.ok(&["pins", "C3", "--at", &rfc3339(end - DAY)]);
    let daemon = site.run();
    daemon.connected();
    for (ago, t_c) in [(MINUTE, 31.6), (0, 31.8)] {
        broker.publish("core-a1", json!({ "ts": now() - ago, "t": t_c }).to_string(), 1, false);
        broker.publish("shelf-air", json!({ "ts": now() - ago, "t": 24.1, "h": 88.0 }).to_string(), 1, false);
        broker.publish("barrel-middle", json!({ "ts": now() - ago, "t": 66.1 }).to_string(), 1, false);
        broker.publish("barrel-corner", json!({ "ts": now() - ago, "t": 68.2 }).to_string(), 1, false);
    }
    let status = daemon.status_when("too hot", |status| {
        status["alerts"].as_array().unwrap().iter().any(|alert| alert["subject"] == "tub A1")
    });
    let alerts = status["alerts"].as_array().unwrap();
    let alert = alerts.iter().find(|alert| alert["subject"] == "tub A1").unwrap()["id"].as_i64().unwrap();
    Cellar { broker, site, daemon, alert }
}

fn broker_and_probes(port: u16) -> String {
    let barrel = probe("barrel-middle", "60s", CORE) + &probe("barrel-corner", "60s", CORE);
    broker(port)
        + &probe("shelf-air", "60s", AIR)
        + &probe("core-a1", "60s", CORE)
        + &probe("tent-air", "60s", AIR_CO2)
        + &barrel
}

/// A site with nothing in it.
pub fn bare() -> (Site, Daemon) {
    let site = site(&head("bare"));
    let daemon = site.run();
    (site, daemon)
}

/// Sixty tubs on one shelf, each with a core of its own and two days behind it.
pub fn many(tubs: usize) -> (Site, Daemon) {
    let port = crate::harness::free_port();
    let names: Vec<String> = (1..=tubs).map(|number| format!("core-{number}")).collect();
    let mut config = head("many") + &broker(port) + &probe("shelf-air", "10min", AIR);
    for name in &names {
        config += &probe(name, "10min", CORE);
    }
    config += "[[space]]\nname = \"shelf\"\nair = [\"shelf-air\"]\nheated = true\n";
    let site = site(&config);
    let end = now() - MINUTE;
    let air = |at: i64| Some([Some(daily(at, 23.0, 1.0)), Some(daily(at, 88.0, 2.0)), None, None]);
    let core = |at: i64| Some([Some(daily(at, 25.0, 2.0)), None, None, None]);
    let mut pasts = vec![Past { probe: "shelf-air", step_ms: 10 * MINUTE, read: &air }];
    pasts.extend(names.iter().map(|probe| Past { probe, step_ms: 10 * MINUTE, read: &core }));
    fill(&site, end - 2 * DAY, end, &pasts);
    let at = rfc3339(end - 2 * DAY);
    let mut sql = rusqlite::Connection::open(site.store()).unwrap();
    let transaction = sql.transaction().unwrap();
    for (number, name) in names.iter().enumerate() {
        let body = json!({ "deed": "spawned", "name": format!("T{}", number + 1), "culture": "winter-oyster", "space": "shelf", "kind": "tub", "core": name });
        let day = &at[..10];
        transaction
            .execute(
                "INSERT INTO entry (written_at, at, tub, body) VALUES (?1, ?1, ?2, ?3)",
                (end - 2 * DAY, format!("T{}-{day}", number + 1), body.to_string()),
            )
            .unwrap();
    }
    transaction.commit().unwrap();
    drop(sql);
    let daemon = site.run();
    daemon.status_when("all tubs", |status| status["tubs"].as_array().unwrap().len() == tubs);
    (site, daemon)
}
