//! Catching up with a database after an outage, on the built program, beside what the database itself takes:
//! `cargo bench --bench forward`.
//!
//! A site of twenty probes of three quantities, every 10 s, has `TUBWATCH_BENCH_SAMPLES` (500,000) in its store when
//! the database comes up. Prints lines a second, the bytes of a line and of the batch, and for the database's own
//! limit the same lines posted by a bare client: one after the other over one connection, and over four at once.
//! Figures depend on the machine; quote them with it.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout, missing_docs)]

#[allow(dead_code)] // the tests also ask what is in it
#[path = "../tests/forward/databases.rs"]
mod databases;
#[path = "../tests/harness/mod.rs"]
mod harness;

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use databases::{Database, Kind};
use harness::daemon::{Daemon, Site};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use tubwatch::climate::{Quality, Stamp};
use tubwatch::store::{Change, Report, Sample, Store, Urgency, Writer};

const PROBES: i64 = 20;
const EVERY_MS: i64 = 10_000;
/// Lines of one request, as the program sends them.
const BATCH_LINES: usize = 5_000;
/// The longest that one catching up may take.
const PATIENCE: Duration = Duration::from_secs(900);

fn samples_wanted() -> i64 {
    std::env::var("TUBWATCH_BENCH_SAMPLES").ok().and_then(|text| text.parse().ok()).unwrap_or(500_000)
}

fn config(database: Option<(&str, &Database)>) -> String {
    let mut text = "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\n[status]\nlisten = \"127.0.0.1:0\"\n\
                    [[intake]]\nname = \"door\"\naddress = \"127.0.0.1:0\"\n"
        .to_owned();
    for probe in 0..PROBES {
        text += &format!(
            "[[probe]]\nname = \"tent-{probe}\"\nfrom = \"door\"\ntopic = \"tent/{probe}\"\nformat = \"json\"\nevery = \"10s\"\n\
             reads = {{ temperature = \"/t\", humidity = \"/h\", co2 = \"/co2\" }}\n\
             [[space]]\nname = \"space-{probe}\"\nair = [\"tent-{probe}\"]\n"
        );
    }
    if let Some((name, database)) = database {
        text += &format!("[[forward]]\nname = \"{name}\"\nurl = \"{}\"\n", database.url());
    }
    text
}

/// Fills the store as an outage leaves it: old samples packed.
fn fill(site: &Site, count: i64) {
    let folder = site.store().parent().unwrap().to_owned();
    let mut store = Store::open(&folder).unwrap();
    let names: Vec<String> = (0..PROBES).map(|probe| format!("tent-{probe}")).collect();
    let ids = store.probe_ids(&names.iter().map(String::as_str).collect::<Vec<_>>()).unwrap();
    let (told, committed) = std::sync::mpsc::channel();
    let report = move |report| {
        if let Report::Committed { ticket, .. } = report {
            let _ = told.send(ticket);
        }
    };
    let writer = Writer::start(store, Duration::from_secs(3600), report).unwrap();
    let mut random = StdRng::seed_from_u64(1);
    let now = i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_millis()).unwrap();
    let rounds = count / PROBES;
    for round in 0..rounds {
        let at = now - (rounds - round) * EVERY_MS;
        let wave = (at as f64 / 14e6).sin();
        let changes = ids.iter().map(|id| {
            let mut noisy = |value: f64, by: f64, digits: f64| {
                ((value + by * (random.random::<f64>() - 0.5)) * digits).round() / digits
            };
            let values = [
                Some(noisy(23.5 + wave, 0.08, 100.0)),
                Some(noisy(88.0 - 3.0 * wave, 0.2, 100.0)),
                Some(noisy(900.0, 12.0, 1.0)),
                None,
            ];
            Change::Sample(Sample {
                probe: *id,
                at: Stamp(at + id),
                values,
                quality: [Quality::Good; 4],
                timing: Default::default(),
            })
        });
        // Waited for now and then: the writer's queue is bounded, and what is over is dropped.
        let urgency = if round % 500 == 0 { Urgency::AtOnce } else { Urgency::WhenDue };
        let ticket = writer.write(changes.collect(), urgency, 0);
        while urgency == Urgency::AtOnce && committed.recv().unwrap() < ticket {}
    }
    writer.flush_and_stop(Duration::from_secs(600)).unwrap();
    Store::open(&folder).unwrap().seal().unwrap();
}

fn points(daemon: &Daemon, name: &str) -> f64 {
    let start = format!("tubwatch_forward_points_total{{target=\"{name}\"}}");
    let (_, _, text) = daemon.get("/metrics");
    let line = text.lines().find(|line| line.starts_with(&start));
    line.and_then(|line| line.rsplit(' ').next()?.parse().ok()).unwrap_or(0.0)
}

/// The program catches up with a target of this name (how far one was sent is kept by its name); lines a second, and the seconds of CPU that it took.
fn catch_up(name: &str, kind: Kind, site: &Site, lines: usize) -> (f64, f64) {
    let database = Database::start(kind);
    site.write_config(&config(Some((name, &database))));
    let begun = Instant::now();
    let daemon = site.run();
    harness::wait_until(PATIENCE, "it has caught up", || points(&daemon, name) >= lines as f64);
    let seconds = begun.elapsed().as_secs_f64();
    let stat = std::fs::read_to_string(format!("/proc/{}/stat", daemon.pid())).unwrap();
    // The 14th and 15th fields of proc(5), of which the first two hold the name; ticks of 10 ms.
    let fields: Vec<f64> = stat
        .rsplit(')')
        .next()
        .unwrap()
        .split_whitespace()
        .skip(11)
        .take(2)
        .map(|text| text.parse().unwrap())
        .collect();
    assert!(daemon.terminate().0.success());
    site.write_config(&config(None));
    (lines as f64 / seconds, (fields[0] + fields[1]) / 100.0)
}

/// Posts one batch over an open connection.
fn post(stream: &mut TcpStream, url: &str, body: &[u8]) {
    let path = url.splitn(4, '/').nth(3).unwrap();
    write!(
        stream,
        "POST /{path} HTTP/1.1\r\nHost: database\r\nContent-Encoding: gzip\r\nContent-Length: {}\r\n\r\n",
        body.len()
    )
    .unwrap();
    stream.write_all(body).unwrap();
    let mut answer = Vec::new();
    let mut byte = [0];
    while !answer.ends_with(b"\r\n\r\n") {
        stream.read_exact(&mut byte).unwrap();
        answer.push(byte[0]);
    }
    assert!(answer.starts_with(b"HTTP/1.1 204"), "{}", String::from_utf8_lossy(&answer));
}

/// The same batches by a bare client over so many connections; lines a second.
fn bare(kind: Kind, batches: &Arc<Vec<Vec<u8>>>, lines: usize, connections: usize) -> f64 {
    let database = Database::start(kind);
    let url = database.url().replace("precision=ms", "precision=ns");
    let next = Arc::new(AtomicUsize::new(0));
    let begun = Instant::now();
    let clients: Vec<_> = (0..connections)
        .map(|_| {
            let (batches, next, url) = (Arc::clone(batches), Arc::clone(&next), url.clone());
            std::thread::spawn(move || {
                let address = url.split('/').nth(2).unwrap().to_owned();
                let mut stream = TcpStream::connect(address).unwrap();
                stream.set_nodelay(true).unwrap();
                while let Some(body) = batches.get(next.fetch_add(1, Ordering::Relaxed)) {
                    post(&mut stream, &url, body);
                }
            })
        })
        .collect();
    clients.into_iter().for_each(|client| client.join().unwrap());
    lines as f64 / begun.elapsed().as_secs_f64()
}

fn main() {
    let site = Site::new(&config(None));
    fill(&site, samples_wanted());
    let text = site.ok(&["export", "--line-protocol"]);
    let all: Vec<&str> = text.lines().collect();
    let packed = |lines: &[&str]| {
        let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
        gzip.write_all(format!("{}\n", lines.join("\n")).as_bytes()).unwrap();
        gzip.finish().unwrap()
    };
    let batches: Arc<Vec<Vec<u8>>> = Arc::new(all.chunks(BATCH_LINES).map(packed).collect());
    let sent: usize = batches.iter().map(Vec::len).sum();
    println!(
        "{} lines in {} requests: {:.1} bytes a line, {:.1} gzipped (1 : {:.1}); for example\n{}",
        all.len(),
        batches.len(),
        text.len() as f64 / all.len() as f64,
        sent as f64 / all.len() as f64,
        text.len() as f64 / sent as f64,
        all[all.len() / 2]
    );
    for (name, kind) in [("influxdb", Kind::Influx), ("victoriametrics", Kind::Victoria)] {
        let (rate, cpu_s) = catch_up(name, kind, &site, all.len());
        let (one, four) = (bare(kind, &batches, all.len(), 1), bare(kind, &batches, all.len(), 4));
        println!(
            "{name}: tubwatch catches up at {rate:.0} lines/s ({:.1} us CPU a line); the database takes {one:.0} over one \
             connection ({:.0} %), {four:.0} over four",
            cpu_s * 1e6 / all.len() as f64,
            100.0 * rate / one
        );
    }
}
