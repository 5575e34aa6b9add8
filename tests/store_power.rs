//! The store when the power goes or the program is killed: what a broker was told is received is there,
//! once. Counts for the long form: TUBWATCH_KILLS (kill -9), TUBWATCH_POWER_CUTS; TUBWATCH_SEED.
#![allow(clippy::unwrap_used, clippy::panic)]

mod faults;
mod harness;

use std::process::Command;
use std::time::{Duration, Instant};

use faults::Disk;
use harness::Mosquitto;
use harness::configs::one_core;
use harness::daemon::{Daemon, Site, named};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use tubwatch::climate::stamp::MINUTE_MS;
use tubwatch::climate::{Quantity, Stamp};
use tubwatch::store::Reader;

fn from_environment(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

/// The first sample's time; they come every ten minutes, so that a day is full, and sealed, after 156.
const BEGIN: i64 = 1_700_000_000_000;

fn message(n: i64) -> (String, Vec<u8>) {
    let payload = format!("{{\"ts\":{},\"t\":{:.2}}}", BEGIN + n * 10 * MINUTE_MS, 20.0 + (n % 700) as f64 / 100.0);
    ("core".to_owned(), payload.into_bytes())
}

/// Every message is stored once, with its value; returns how many chunks there are.
fn check(site: &Site, count: i64) -> i64 {
    let integrity = site.query("PRAGMA integrity_check");
    assert_eq!(integrity, [["ok"]]);
    let reader = Reader::open(site.store().parent().unwrap()).unwrap();
    let mut n = 0;
    let mut visit = |reading: tubwatch::climate::Reading| {
        assert_eq!(reading.at, Stamp(BEGIN + n * 10 * MINUTE_MS), "place {n}");
        assert_eq!(format!("{:.2}", reading.value), format!("{:.2}", 20.0 + (n % 700) as f64 / 100.0));
        n += 1;
    };
    reader.series("core", Quantity::Temperature, Stamp(i64::MIN), Stamp(i64::MAX), &mut visit).unwrap();
    assert_eq!(n, count);
    let held = site.query("SELECT (SELECT count(*) FROM sample WHERE rowid > ifnull((SELECT row FROM sealing), -1)) + ifnull((SELECT sum(count) FROM chunk), 0)");
    assert_eq!(held, [[count.to_string()]], "in a row or in a chunk, never in both");
    site.query("SELECT count(*) FROM chunk")[0][0].parse().unwrap()
}

/// Publishes messages in portions while the daemon is killed and started again.
fn under_load(rounds: u64, seed: u64, site: &Site, broker: &Mosquitto, mut daemon: Daemon) {
    let mut random = StdRng::seed_from_u64(seed);
    let mut sent = 0;
    for round in 0..rounds {
        let portion = random.random_range(50..400);
        let publishing = broker.publish_beside((sent..sent + portion).map(message), 1, false);
        sent += portion;
        wait(random.random_range(0..150));
        daemon.kill_nine();
        daemon = site.run();
        publishing.join().unwrap();
        if round % 10 == 9 {
            daemon.status_when("all of it", |status| named(status, "probes", "core")["samples"] == sent);
        }
    }
    daemon.status_when("all of it", |status| named(status, "probes", "core")["samples"] == sent);
    let (ended, _) = daemon.terminate();
    assert!(ended.success());
    let chunks = check(site, sent);
    assert!(chunks > 0, "something was sealed meanwhile");
}

#[test]
fn nothing_acknowledged_is_lost_by_kill_nine_at_any_moment() {
    let rounds = from_environment("TUBWATCH_KILLS", 10);
    let broker = Mosquitto::start();
    let site = Site::new(&one_core(broker.port(), "600s", ""));
    let daemon = site.run();
    daemon.connected();
    under_load(rounds, from_environment("TUBWATCH_SEED", 1), &site, &broker, daemon);
}

/// Lets a random time pass: it is the moment of the cut that is drawn, nothing is waited for.
fn wait(ms: u64) {
    let until = Instant::now() + Duration::from_millis(ms);
    while Instant::now() < until {
        std::thread::yield_now();
    }
}

/// Runs the daemon on a disk whose syncs are written down (or not, where it lies).
fn on_a_noted_disk(site: &Site, lies: bool) -> Daemon {
    let mut program = Command::new(env!("CARGO_BIN_EXE_tubwatch"));
    program.env("LD_PRELOAD", faults::shim());
    program.env("SHIM_FOLDER", site.store().parent().unwrap());
    program.env("SHIM_LOG", site.folder.path().join("disk.log"));
    if lies {
        program.env("SHIM_LIE", "1");
    }
    site.run_as(program)
}

fn cut(site: &Site, disk: Disk, daemon: Daemon, random: &mut StdRng) -> (usize, usize) {
    daemon.kill_nine();
    let mut disk = disk;
    let log = site.folder.path().join("disk.log");
    let syncs = disk.replay(&log);
    let unsynced = disk.unsynced();
    disk.cut(site.store().parent().unwrap(), random);
    std::fs::remove_file(&log).unwrap();
    (syncs, unsynced)
}

#[test]
fn nothing_acknowledged_is_lost_when_the_power_goes_and_unsynced_writes_with_it() {
    let rounds = from_environment("TUBWATCH_POWER_CUTS", 8);
    let broker = Mosquitto::start();
    let site = Site::new(&one_core(broker.port(), "600s", ""));
    let state = site.store().parent().unwrap().to_owned();
    let mut random = StdRng::seed_from_u64(from_environment("TUBWATCH_SEED", 2));
    // The broker must know the daemon's session before it keeps anything for it.
    let first = site.run();
    first.connected();
    assert!(first.terminate().0.success());
    let (mut sent, mut total_syncs, mut total_unsynced) = (0, 0, 0);
    // Until a cut came between a write and its sync as well: when it does is a matter of luck.
    for round in 0..10 * rounds {
        if round >= rounds && total_unsynced > 0 {
            break;
        }
        let disk = Disk::of(&state);
        let daemon = on_a_noted_disk(&site, false);
        let portion = random.random_range(50..400);
        let publishing = broker.publish_beside((sent..sent + portion).map(message), 1, false);
        sent += portion;
        wait(random.random_range(20..250));
        let (syncs, unsynced) = cut(&site, disk, daemon, &mut random);
        (total_syncs, total_unsynced) = (total_syncs + syncs, total_unsynced + unsynced);
        publishing.join().unwrap();
    }
    assert!(total_syncs > 0 && total_unsynced > 0, "{total_syncs} syncs, {total_unsynced} bytes not synced");
    let daemon = site.run();
    daemon.status_when("all of it", |status| named(status, "probes", "core")["samples"] == sent);
    assert!(daemon.terminate().0.success());
    check(&site, sent);
}

/// The test above must be able to fail: on a disk that syncs nothing it would.
#[test]
fn a_disk_that_lies_about_syncs_does_lose_what_was_acknowledged() {
    let broker = Mosquitto::start();
    let site = Site::new(&one_core(broker.port(), "600s", ""));
    let state = site.store().parent().unwrap().to_owned();
    let first = site.run();
    first.connected();
    assert!(first.terminate().0.success());
    let disk = Disk::of(&state);
    let daemon = on_a_noted_disk(&site, true);
    broker.publish_many((0..300).map(message), 1, false);
    daemon.status_when("acknowledged", |status| named(status, "probes", "core")["samples"] == 300);
    let mut random = StdRng::seed_from_u64(0);
    let (syncs, unsynced) = cut(&site, disk, daemon, &mut random);
    assert_eq!(syncs, 0);
    assert!(unsynced > 300 * 20);
    let stored = site.query("SELECT count(*) FROM sample")[0][0].parse::<i64>().unwrap_or(0);
    assert!(stored < 300, "{stored}");
}
