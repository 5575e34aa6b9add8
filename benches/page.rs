//! The pages, measured on the built program: `cargo bench --bench page`.
//!
//! Prints the time to answer `/` with 60 tubs, `/tub/NAME` over a year of a probe that reports once a
//! minute, `/metrics` with 200 probes, and requests a second beside a flood of samples. Words after `--`
//! (`tubs`, `metrics`, `year`, `flood`) choose parts. Figures depend on the machine; quote them with it.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout, missing_docs)]

#[path = "../tests/page/ask.rs"]
mod ask;
#[path = "../tests/harness/mod.rs"]
mod harness;
#[path = "../tests/page/scene.rs"]
#[allow(dead_code)]
mod scene;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use harness::Mosquitto;
use harness::daemon::named;
use rumqttc::{Client, Connection, Event, Incoming, MqttOptions, QoS};
use scene::{AIR, CORE, DAY, MINUTE, Past, daily, fill, head, now, probe, rfc3339};
use serde_json::json;

const ASKED: usize = 60;

/// The median and the slowest of some answers, ms, and the bytes of the last.
fn times(address: &str, path: &str) -> (f64, f64, usize) {
    let mut all = Vec::new();
    let mut bytes = 0;
    for _ in 0..ASKED {
        let began = Instant::now();
        let answer = ask::ask(address, "GET", path, &[], "");
        all.push(began.elapsed().as_secs_f64() * 1e3);
        assert_eq!(answer.status, 200, "{path}: {}", answer.text());
        bytes = answer.body.len();
    }
    all.sort_by(f64::total_cmp);
    (all[ASKED / 2], all[ASKED - 1], bytes)
}

fn tell(what: &str, (median, slowest, bytes): (f64, f64, usize)) {
    println!("{what}: {median:.1} ms (median of {ASKED}), slowest {slowest:.1} ms, {bytes} bytes");
}

fn sixty_tubs() {
    let (_site, daemon) = scene::many(60);
    tell("/ with 60 tubs", times(&daemon.address, "/"));
}

fn two_hundred_probes() {
    let (_site, daemon) = scene::many(199);
    tell("/metrics with 200 probes", times(&daemon.address, "/metrics"));
}

fn a_year() {
    let config = head("year")
        + &format!("[[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:{}\"\n", harness::free_port())
        + &probe("shelf-air", "60s", AIR)
        + &probe("core-a1", "60s", CORE)
        + "[[space]]\nname = \"shelf\"\nair = [\"shelf-air\"]\n";
    let site = scene::site(&config);
    let end = now() - MINUTE;
    let air = |at: i64| Some([Some(daily(at, 23.4, 1.1)), Some(daily(at, 88.0, 2.0)), None, None]);
    let core = |at: i64| Some([Some(daily(at, 25.0, 1.5)), None, None, None]);
    let pasts = [
        Past { probe: "shelf-air", step_ms: MINUTE, read: &air },
        Past { probe: "core-a1", step_ms: MINUTE, read: &core },
    ];
    fill(&site, end - 365 * DAY, end, &pasts);
    let at = rfc3339(end - 364 * DAY);
    site.ok(&["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf", "--core", "core-a1", "--at", &at]);
    let daemon = site.run();
    let began = Instant::now();
    for path in ["/tub/A1?range=366d", "/tub/A1?range=14d", "/tub/A1?range=2d", "/space/shelf?range=366d"] {
        tell(path, times(&daemon.address, path));
    }
    // The store seals what is old by itself; then the same once more.
    let sealed = || site.query("SELECT count(*) FROM summary")[0][0].parse::<u64>().unwrap_or(0);
    let deadline = Instant::now() + Duration::from_secs(90);
    let mut count = sealed();
    while Instant::now() < deadline {
        std::thread::sleep(Duration::from_secs(5));
        let more = sealed();
        if more == count && more > 0 {
            break;
        }
        count = more;
    }
    println!("{count} summaries after {:.0} s", began.elapsed().as_secs_f64());
    for path in ["/tub/A1?range=366d", "/space/shelf?range=366d"] {
        tell(&format!("{path}, sealed"), times(&daemon.address, path));
    }
}

/// Samples a second of the flood, over so many probes.
const RATE: u64 = 5_000;
const PROBES: u64 = 10;
const FLOOD: Duration = Duration::from_secs(10);

fn client(port: u16) -> (Client, Connection) {
    let mut options = MqttOptions::new(harness::unique("bench"), "127.0.0.1", port);
    options.set_inflight(1_000);
    let (client, mut connection) = Client::new(options, 2_000);
    let mut network = connection.eventloop.network_options();
    network.set_tcp_nodelay(true);
    connection.eventloop.set_network_options(network);
    (client, connection)
}

/// Publishes at an even pace over one connection until the flood is over; how many the broker has taken.
fn flood(port: u16) -> u64 {
    let (client, mut connection) = client(port);
    let total = Arc::new(AtomicU64::new(u64::MAX));
    let told = Arc::clone(&total);
    let sender = std::thread::spawn(move || {
        let began = Instant::now();
        let first = now();
        let mut sent = 0_u64;
        while began.elapsed() < FLOOD {
            let due = (began.elapsed().as_secs_f64() * RATE as f64) as u64;
            while sent < due {
                // Each probe's samples lie apart as they would: no time twice.
                let at = first + i64::try_from(sent * 1_000 / RATE).unwrap();
                let at = at + i64::try_from(sent / PROBES % 2).unwrap();
                let payload = json!({ "ts": at, "t": 24.0 }).to_string();
                client.publish(format!("core-{}", sent % PROBES), QoS::AtLeastOnce, false, payload).unwrap();
                sent += 1;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        // Said before the last, so that its acknowledgement ends the counting.
        told.store(sent + 1, Ordering::SeqCst);
        client.publish("core-0", QoS::AtLeastOnce, false, json!({ "ts": now(), "t": 24.0 }).to_string()).unwrap();
    });
    let mut acked = 0;
    while acked < total.load(Ordering::SeqCst) {
        if let Ok(Event::Incoming(Incoming::PubAck(_))) = connection.recv().unwrap() {
            acked += 1;
        }
    }
    sender.join().unwrap();
    acked
}

/// From a board's publish at the intake to the word that its sample is on disk, ms, again and again.
fn marks(port: u16, stop: &AtomicBool) -> Vec<f64> {
    let (client, mut connection) = client(port);
    let mut all = Vec::new();
    while !stop.load(Ordering::Relaxed) {
        let began = Instant::now();
        client.publish("mark", QoS::AtLeastOnce, false, json!({ "ts": now(), "t": 24.0 }).to_string()).unwrap();
        while !matches!(connection.recv().unwrap(), Ok(Event::Incoming(Incoming::PubAck(_)))) {}
        all.push(began.elapsed().as_secs_f64() * 1e3);
        std::thread::sleep(Duration::from_millis(20));
    }
    all.sort_by(f64::total_cmp);
    all
}

/// The flood comes by a broker; beside it a board publishes to the intake, which answers once its sample is on
/// disk: that is how long ingest takes. With and without a crowd that asks for the page without a pause.
fn beside_a_flood() {
    for readers in [0_usize, 8] {
        let broker = Mosquitto::start();
        let intake = harness::free_port();
        let mut config = head("flood")
            + &format!("[[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:{}\"\n", broker.port())
            + &format!("[[intake]]\nname = \"door\"\naddress = \"127.0.0.1:{intake}\"\n")
            + &probe("mark", "60s", CORE).replace("from = \"house\"", "from = \"door\"");
        for number in 0..PROBES {
            config += &probe(&format!("core-{number}"), "60s", CORE);
        }
        let site = scene::site(&(config + "[[space]]\nname = \"shelf\"\n"));
        let daemon = site.run();
        daemon.status_when("connected", |status| named(status, "sources", "house")["state"] == "connected");
        let stop = Arc::new(AtomicBool::new(false));
        let asked = Arc::new(AtomicU64::new(0));
        let crowd: Vec<_> = (0..readers)
            .map(|_| {
                let (stop, asked, address) = (Arc::clone(&stop), Arc::clone(&asked), daemon.address.clone());
                std::thread::spawn(move || {
                    while !stop.load(Ordering::Relaxed) {
                        ask::ask(&address, "GET", "/", &[], "");
                        asked.fetch_add(1, Ordering::Relaxed);
                    }
                })
            })
            .collect();
        let marking = Arc::clone(&stop);
        let marker = std::thread::spawn(move || marks(intake, &marking));
        let began = Instant::now();
        let acked = flood(broker.port());
        let taken = began.elapsed().as_secs_f64();
        let pages = asked.load(Ordering::Relaxed) as f64 / taken;
        let stored = |status: &serde_json::Value| -> u64 {
            let all = status["probes"].as_array().unwrap().iter().filter(|probe| probe["name"] != "mark");
            all.map(|probe| probe["samples"].as_u64().unwrap()).sum()
        };
        // The last one may have the time of another, which is stored once.
        daemon.status_when("all is stored", |status| stored(status) + 1 >= acked);
        let behind = began.elapsed().as_secs_f64() - taken;
        stop.store(true, Ordering::Relaxed);
        let marks = marker.join().unwrap();
        for reader in crowd {
            reader.join().unwrap();
        }
        println!(
            "{readers} readers: {pages:.0} pages/s beside {:.0} samples/s, all stored {behind:.1} s after the last; \
             a sample was on disk after {:.1} ms (median of {}), 99 of 100 within {:.1} ms, slowest {:.1} ms",
            acked as f64 / taken,
            marks[marks.len() / 2],
            marks.len(),
            marks[marks.len() * 99 / 100],
            marks[marks.len() - 1]
        );
    }
}

fn main() {
    let parts: [(&str, fn()); 4] =
        [("tubs", sixty_tubs), ("metrics", two_hundred_probes), ("year", a_year), ("flood", beside_a_flood)];
    let wanted: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    for (word, part) in parts {
        if wanted.is_empty() || wanted.iter().any(|one| one == word) {
            part();
        }
    }
}
