//! The main job, measured on the built program: `cargo bench --bench main_job`.
//!
//! Prints QoS 1 messages a second from a broker's queue to the disk, the time from a sample to its
//! webhook, and the resident memory. Figures depend on the machine; quote them with it.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout, missing_docs)]

#[path = "../tests/harness/mod.rs"]
mod harness;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use harness::Mosquitto;
use harness::daemon::{Daemon, Site, named};
use harness::sink::Sink;
use rumqttc::{Client, MqttOptions, QoS};

const MESSAGES: i64 = 200_000;
const ALERTS: usize = 30;
/// Samples a second of the flood, and the probes they come from.
const FLOOD_RATE: u32 = 5_000;
const FLOOD_PROBES: u64 = 10;

fn now_ms() -> i64 {
    i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_millis()).unwrap()
}

fn config(port: u16, more: &str) -> String {
    format!(
        r#"
[site]
name = "bench"
timezone = "Etc/UTC"
[store]
path = "state"
[status]
listen = "127.0.0.1:0"
[[broker]]
name = "house"
url = "mqtt://127.0.0.1:{port}"
[[probe]]
name = "core"
from = "house"
topic = "core"
format = "json"
every = "60s"
reads = {{ temperature = "/t" }}
time = {{ at = "/ts", unit = "ms" }}
[[space]]
name = "shelf"
{more}
"#
    )
}

fn samples(daemon: &Daemon) -> i64 {
    named(&daemon.status(), "probes", "core")["samples"].as_i64().unwrap()
}

fn memory_kib(daemon: &Daemon, row: &str) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{}/status", daemon.pid())).unwrap();
    let line = status.lines().find(|line| line.starts_with(row)).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

fn wait_for(what: &str, mut reached: impl FnMut() -> bool) {
    harness::wait_until(Duration::from_secs(120), what, &mut reached);
}

/// A broker that held a queue hands it over as fast as it is acknowledged.
fn queue_to_disk() {
    let broker = Mosquitto::start();
    let site = Site::new(&config(broker.port(), ""));
    let daemon = site.run();
    daemon.status_when("connected", |status| named(status, "sources", "house")["state"] == "connected");
    println!("resident memory idle, connected: {} KiB", memory_kib(&daemon, "VmRSS"));
    assert!(daemon.terminate().0.success());
    let first = now_ms() - MESSAGES * 100;
    let payloads =
        (0..MESSAGES).map(|n| format!("{{\"ts\":{},\"t\":{:.2}}}", first + n * 100, 24.0 + (n % 100) as f64 / 100.0));
    broker.publish_many(payloads.map(|payload| ("core".to_owned(), payload.into_bytes())), 1, false);
    let daemon = site.run();
    let mut began = None;
    wait_for("the whole queue", || {
        let count = samples(&daemon);
        if count > 0 && began.is_none() {
            began = Some((Instant::now(), count));
        }
        count == MESSAGES
    });
    let (began, before) = began.unwrap();
    let seconds = began.elapsed().as_secs_f64();
    println!(
        "QoS 1 messages committed before acknowledged: {:.0} a second ({} in {seconds:.2} s)",
        (MESSAGES - before) as f64 / seconds,
        MESSAGES - before
    );
    println!("resident memory at the peak of the flood: {} KiB", memory_kib(&daemon, "VmHWM"));
}

/// Readings of cool substrate at [`FLOOD_RATE`] a second by QoS 1, until dropped.
struct Flood {
    is_over: Arc<AtomicBool>,
    thread: Option<std::thread::JoinHandle<u64>>,
    began: Instant,
}

impl Flood {
    fn start(port: u16) -> Flood {
        let is_over = Arc::new(AtomicBool::new(false));
        let ends = Arc::clone(&is_over);
        let mut options = MqttOptions::new(harness::unique("flood"), "127.0.0.1", port);
        options.set_inflight(1_000);
        let (client, mut connection) = Client::new(options, 10_000);
        std::thread::spawn(move || while connection.recv().is_ok_and(|event| event.is_ok()) {});
        let thread = std::thread::spawn(move || {
            let began = Instant::now();
            let mut sent = 0;
            while !ends.load(Ordering::Relaxed) {
                let due = (began.elapsed().as_secs_f64() * f64::from(FLOOD_RATE)) as u64;
                while sent < due {
                    // Each probe its own millisecond, so that none is a duplicate.
                    let (probe, n) = (sent % FLOOD_PROBES, sent / FLOOD_PROBES);
                    let ts = now_ms() / 1_000 * 1_000 - 600_000 + i64::try_from(n % 1_000_000).unwrap();
                    let payload = format!("{{\"ts\":{ts},\"t\":22.{}}}", n % 10);
                    client.publish(format!("flood/{probe}"), QoS::AtLeastOnce, false, payload).unwrap();
                    sent += 1;
                }
                std::thread::sleep(Duration::from_millis(2));
            }
            sent
        });
        Flood { is_over, thread: Some(thread), began: Instant::now() }
    }

    /// Ends it; messages a second that were handed to the client.
    fn end(mut self) -> f64 {
        let seconds = self.began.elapsed().as_secs_f64();
        self.is_over.store(true, Ordering::Relaxed);
        self.thread.take().unwrap().join().unwrap() as f64 / seconds
    }
}

/// From handing the second hot reading to the broker until the webhook has arrived; with nothing else
/// going on, or beside a flood.
fn sample_to_webhook(is_flooded: bool) {
    let broker = Mosquitto::start();
    let sink = Sink::start();
    let mut more = format!("[[messenger]]\nname = \"phone\"\nwebhook = {{ url = \"{}\" }}\n", sink.url());
    for n in 0..ALERTS {
        more.push_str(&format!(
            "[[probe]]\nname = \"core-{n}\"\nfrom = \"house\"\ntopic = \"cores/{n}\"\nformat = \"json\"\nevery = \"60s\"\n\
             reads = {{ temperature = \"/t\" }}\ntime = {{ at = \"/ts\", unit = \"ms\" }}\n"
        ));
    }
    for n in 0..FLOOD_PROBES {
        more.push_str(&format!(
            "[[probe]]\nname = \"flood-{n}\"\nfrom = \"house\"\ntopic = \"flood/{n}\"\nformat = \"json\"\nevery = \"60s\"\n\
             reads = {{ temperature = \"/t\" }}\ntime = {{ at = \"/ts\", unit = \"ms\" }}\n"
        ));
    }
    let site = Site::new(&config(broker.port(), &more));
    for n in 0..ALERTS {
        let (tub, core) = (format!("T{n}"), format!("core-{n}"));
        site.ok(&[
            "spawn",
            &tub,
            "--culture",
            "winter-oyster",
            "--space",
            "shelf",
            "--core",
            &core,
            "--at",
            "2026-01-01",
        ]);
    }
    let daemon = site.run();
    daemon.status_when("connected", |status| named(status, "sources", "house")["state"] == "connected");
    let flooded = |daemon: &Daemon| {
        let status = daemon.status();
        (0..FLOOD_PROBES)
            .map(|n| named(&status, "probes", &format!("flood-{n}"))["samples"].as_i64().unwrap())
            .sum::<i64>()
    };
    let flood = is_flooded.then(|| Flood::start(broker.port()));
    if is_flooded {
        wait_for("the flood runs", || flooded(&daemon) > 5_000);
    }
    let (stored, began_all) = (flooded(&daemon), Instant::now());
    let mut took = Vec::new();
    for n in 0..ALERTS {
        let topic = format!("cores/{n}");
        let now = now_ms();
        broker.publish(&topic, format!("{{\"ts\":{},\"t\":31.4}}", now - 1_000), 1, false);
        let reading = format!("{{\"ts\":{now},\"t\":31.5}}");
        let began = Instant::now();
        broker.publish(&topic, reading, 1, false);
        let subject = format!("tub T{n}");
        wait_for("the webhook", || sink.posts().iter().any(|post| post.body["subject"] == subject.as_str()));
        took.push(began.elapsed());
    }
    took.sort();
    let beside = match flood {
        None => "idle".to_owned(),
        Some(flood) => {
            let kept = (flooded(&daemon) - stored) as f64 / began_all.elapsed().as_secs_f64();
            format!("beside {:.0} samples a second sent and {kept:.0} stored", flood.end())
        }
    };
    println!(
        "sample to webhook, {beside}, publisher and broker included: median {:.1} ms, worst of {ALERTS} {:.1} ms",
        took[ALERTS / 2].as_secs_f64() * 1e3,
        took[ALERTS - 1].as_secs_f64() * 1e3
    );
}

fn main() {
    queue_to_disk();
    sample_to_webhook(false);
    sample_to_webhook(true);
}
