//! The pages, measured on the built program: `cargo bench --bench page`.
//!
//! Prints the time to answer `/` with 60 tubs, `/tub/NAME` over a year of a probe that reports once a
//! minute, `/metrics` with 200 probes, and requests a second beside a flood of samples. Figures depend
//! on the machine; quote them with it.
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

fn beside_a_flood() {
    const RATE: u64 = 5_000;
    const FLOOD: Duration = Duration::from_secs(8);
    let broker = Mosquitto::start();
    let config = head("flood")
        + &format!("[[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:{}\"\n", broker.port())
        + &probe("core", "60s", CORE)
        + "[[space]]\nname = \"shelf\"\n";
    for readers in [0_usize, 8] {
        let site = scene::site(&config);
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
        let began = Instant::now();
        let first = now();
        let mut sent = 0_u64;
        let mut slowest = Duration::ZERO;
        while began.elapsed() < FLOOD {
            let block: Vec<_> = (0..RATE / 10)
                .map(|n| {
                    let at = first + i64::try_from(sent + n).unwrap();
                    ("core".to_owned(), json!({ "ts": at, "t": 24.0 }).to_string().into_bytes())
                })
                .collect();
            let turn = Instant::now();
            broker.publish_many(block, 1, false);
            sent += RATE / 10;
            // From the last of a block at the broker to the status that shows it.
            let handed = Instant::now();
            let wanted = first + i64::try_from(sent).unwrap() - 1;
            while named(&daemon.status(), "probes", "core")["last_at"].as_str().is_none_or(|at| {
                chrono::DateTime::parse_from_rfc3339(at).unwrap().timestamp_millis() / 1000 < wanted / 1000
            }) && handed.elapsed() < Duration::from_secs(5)
            {
                std::thread::sleep(Duration::from_millis(5));
            }
            slowest = slowest.max(handed.elapsed());
            std::thread::sleep(Duration::from_millis(100).saturating_sub(turn.elapsed()));
        }
        stop.store(true, Ordering::Relaxed);
        for reader in crowd {
            reader.join().unwrap();
        }
        let seconds = began.elapsed().as_secs_f64();
        println!(
            "{readers} readers: {:.0} pages/s beside {:.0} samples/s; a sample was shown after {:.0} ms at the latest",
            asked.load(Ordering::Relaxed) as f64 / seconds,
            sent as f64 / seconds,
            slowest.as_secs_f64() * 1e3
        );
    }
}

fn main() {
    sixty_tubs();
    two_hundred_probes();
    a_year();
    beside_a_flood();
}
