//! The store, measured beside a plain SQLite table of the same samples: `cargo bench --bench store`.
//!
//! Groups (name some to run them alone): `encode`, `decode`, `query`, `degree-hours` (a year of 3 series), `real`
//! (the fixtures' own series), `commit`, `wear` (a day of 20 probes), `late` (a trickle of history), `start` (five
//! years of 42 series and 6 living tubs), `memory` (a week of 200 probes once a second; `TUBWATCH_BENCH_DAYS` for
//! less). Times are the best of several, beside them the processor's time of the same, which another
//! program on the machine does not lengthen. Figures depend on the machine; quote them with it.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout, missing_docs)]

mod real;
mod start;
mod year;

use std::path::Path;
use std::sync::mpsc;
use std::time::{Duration, Instant};

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rusqlite::Connection;
use tubwatch::climate::stamp::DAY_MS;
use tubwatch::climate::{Quality, Stamp};
use tubwatch::store::*;

const BEGIN: i64 = 1_700_006_400_000;
const EVERY_MS: i64 = 10_000;

/// Realistic climate: 0.01 °C and 0.01 %RH steps, 1 ppm, a day's wave, a heater that cycles, the sensor's own
/// noise, stamps with 25 ms of jitter.
struct Climate {
    random: StdRng,
    probe: i64,
    n: i64,
    every_ms: i64,
}

impl Climate {
    fn of(probe: i64, every_ms: i64) -> Climate {
        Climate { random: StdRng::seed_from_u64(probe as u64), probe, n: 0, every_ms }
    }

    /// Normally distributed, about (Irwin and Hall's sum of twelve).
    fn noise(&mut self, sigma: f64) -> f64 {
        ((0..12).map(|_| self.random.random::<f64>()).sum::<f64>() - 6.0) * sigma
    }

    fn next(&mut self) -> Sample {
        let at = BEGIN + self.n * self.every_ms;
        let day = (at % DAY_MS) as f64 / DAY_MS as f64 * std::f64::consts::TAU;
        let heater = (at % 1_500_000) as f64 / 1_500_000.0;
        let swing = if heater < 0.4 { heater / 0.4 } else { (1.0 - heater) / 0.6 };
        let t = 23.5 + 0.8 * day.sin() + 0.6 * swing + self.noise(0.02);
        let h = 88.0 - 3.0 * day.sin() - 2.0 * swing + self.noise(0.05);
        let co2 = 900.0 + 150.0 * day.cos() + 40.0 * swing + self.noise(3.0);
        let jitter = self.noise(25.0).round() as i64;
        self.n += 1;
        Sample {
            probe: self.probe,
            at: Stamp(at + jitter),
            values: [Some((t * 100.0).round() / 100.0), Some((h * 100.0).round() / 100.0), Some(co2.round()), None],
            quality: [Quality::Good; 4],
            timing: Default::default(),
        }
    }
}

fn ms(begun: Instant) -> f64 {
    begun.elapsed().as_secs_f64() * 1e3
}

/// How long something took, ms: by the clock, and of this thread on a processor.
#[derive(Clone, Copy)]
struct Took {
    wall: f64,
    cpu: f64,
}

impl std::fmt::Display for Took {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:.1} ms ({:.1} of the processor)", self.wall, self.cpu)
    }
}

fn cpu_ms() -> f64 {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap();
    told.split_whitespace().next().unwrap().parse::<f64>().unwrap() / 1e6
}

/// The best of several.
fn best(mut work: impl FnMut()) -> Took {
    let mut best = Took { wall: f64::INFINITY, cpu: f64::INFINITY };
    for _ in 0..7 {
        let (begun, cpu) = (Instant::now(), cpu_ms());
        work();
        best = Took { wall: best.wall.min(ms(begun)), cpu: best.cpu.min(cpu_ms() - cpu) };
    }
    best
}

fn open(folder: &Path, probes: &[&str]) -> Store {
    let mut store = Store::open(folder).unwrap();
    store.probe_ids(probes).unwrap();
    store
}

fn writer(store: Store) -> (Writer, mpsc::Receiver<u64>) {
    let (told, committed) = mpsc::channel();
    let report = move |report| {
        if let Report::Committed { ticket, .. } = report {
            let _ = told.send(ticket);
        }
    };
    (Writer::start(store, Duration::from_secs(3600), report).unwrap(), committed)
}

fn wait(committed: &mpsc::Receiver<u64>, ticket: u64) {
    while committed.recv().unwrap() < ticket {}
}

fn bytes(path: &Path) -> f64 {
    std::fs::metadata(path).unwrap().len() as f64
}

fn commit() {
    for (name, probes) in
        [("2 messages of 3 values", 2), ("16 messages of 3 values", 16), ("1000 messages of 3 values", 1000)]
    {
        let folder = tempfile::tempdir().unwrap();
        let (writer, committed) = writer(open(folder.path(), &["a"]));
        let mut climate = Climate::of(1, 1_000);
        let begun = Instant::now();
        let commits = if probes > 100 { 100 } else { 1_000 };
        for _ in 0..commits {
            let changes = (0..probes).map(|_| Change::Sample(climate.next())).collect();
            wait(&committed, writer.write(changes, Urgency::AtOnce, 0));
        }
        let seconds = begun.elapsed().as_secs_f64();
        println!(
            "commits of {name}: {:.0} a second, {:.0} messages a second",
            f64::from(commits) / seconds,
            f64::from(commits * probes) / seconds
        );
        writer.flush_and_stop(Duration::from_secs(60)).unwrap();
    }
}

fn written() -> f64 {
    let io = std::fs::read_to_string("/proc/self/io").unwrap();
    let line = io.lines().find_map(|line| line.strip_prefix("write_bytes: ")).unwrap();
    line.parse().unwrap()
}

/// A day of 20 probes every 10 s, committed every 10 s, sealed as it becomes due.
fn wear() {
    let here = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let names: Vec<String> = (0..20).map(|n| format!("p{n}")).collect();
    let (writer, committed) = writer(open(here.path(), &names.iter().map(String::as_str).collect::<Vec<_>>()));
    let mut climates: Vec<Climate> = (1..=20).map(|probe| Climate::of(probe, EVERY_MS)).collect();
    // A day, and a little more so that its round of sealing is in it.
    let begun = written();
    for _ in 0..8_650 {
        let changes = climates.iter_mut().map(|climate| Change::Sample(climate.next())).collect();
        wait(&committed, writer.write(changes, Urgency::AtOnce, 0));
    }
    writer.flush_and_stop(Duration::from_secs(60)).unwrap();
    let ours = written() - begun;
    let store = Connection::open(here.path().join(tubwatch::store::open::FILE)).unwrap();
    let sealed: i64 = store.query_row("SELECT ifnull(sum(count), 0) FROM chunk", [], |row| row.get(0)).unwrap();
    let plain = Connection::open(here.path().join("plain.sqlite")).unwrap();
    plain.execute_batch("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; CREATE TABLE sample (probe INTEGER, at INTEGER, temperature REAL, humidity REAL, co2 REAL, PRIMARY KEY (probe, at)) WITHOUT ROWID").unwrap();
    let mut climates: Vec<Climate> = (1..=20).map(|probe| Climate::of(probe, EVERY_MS)).collect();
    let begun = written();
    for _ in 0..8_650 {
        plain.execute_batch("BEGIN").unwrap();
        for climate in &mut climates {
            let sample = climate.next();
            let mut insert = plain.prepare_cached("INSERT INTO sample VALUES (?1, ?2, ?3, ?4, ?5)").unwrap();
            insert.execute((sample.probe, sample.at.0, sample.values[0], sample.values[1], sample.values[2])).unwrap();
        }
        plain.execute_batch("COMMIT").unwrap();
    }
    drop(plain);
    println!(
        "wear of a day of 20 probes every 10 s, committed every 10 s: {:.0} MB with {sealed} samples sealed; plain table {:.0} MB",
        ours / 1e6,
        (written() - begun) / 1e6
    );
}

fn resident_kib(row: &str) -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    status.lines().find(|line| line.starts_with(row)).unwrap().split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// 200 probes with two quantities once a second, through duplicate index, writer and sealing.
fn memory() {
    tubwatch::cli::memory::keep_little();
    let days: f64 = std::env::var("TUBWATCH_BENCH_DAYS").ok().and_then(|days| days.parse().ok()).unwrap_or(7.0);
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let names: Vec<String> = (0..200).map(|n| format!("p{n}")).collect();
    let store = open(folder.path(), &names.iter().map(String::as_str).collect::<Vec<_>>());
    let mut known = store.reader().unwrap().known().unwrap();
    let (told, reports) = mpsc::sync_channel(64);
    let writer = Writer::start(store, Duration::from_secs(3600), move |report| {
        let _ = told.send(report);
    })
    .unwrap();
    let begun = Instant::now();
    let (mut most, mut sealed) = (0, 0);
    for second in 0..(days * 8_640.0) as i64 {
        let mut changes = Vec::with_capacity(2_000);
        for tick in 0..10 {
            for probe in 1..=200 {
                let at = Stamp(BEGIN + (second * 10 + tick) * 1_000 + (second * 7 + probe * 13) % 50);
                assert!(known.insert(probe, at));
                let noise = ((second * 10 + tick) * 7_919 + probe * 104_729) % 11;
                let values =
                    [Some((2_400 + noise) as f64 / 100.0), Some((8_800 + noise * 3) as f64 / 100.0), None, None];
                changes.push(Change::Sample(Sample {
                    probe,
                    at,
                    values,
                    quality: [Quality::Good; 4],
                    timing: Default::default(),
                }));
            }
        }
        let ticket = writer.write(changes, Urgency::AtOnce, 0);
        loop {
            match reports.recv().unwrap() {
                Report::Committed { ticket: done, .. } if done >= ticket => break,
                Report::Sealed { probe, stamps } => {
                    sealed += stamps.len();
                    known.sealed(probe, &stamps)
                }
                _ => {}
            }
        }
        most = most.max(resident_kib("VmRSS"));
    }
    println!(
        "{days} days of 200 probes x 2 quantities once a second: {most} KiB resident at most ({} KiB by the kernel's mark), {sealed} of {} messages sealed, {:.0} s",
        resident_kib("VmHWM"),
        (days * 86_400.0) as i64 * 200,
        begun.elapsed().as_secs_f64()
    );
}

/// History that comes by single samples into a month that is sealed: bytes reaching the block device each.
fn late() {
    let here = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let mut store = open(here.path(), &["a"]);
    let mut climate = Climate::of(1, EVERY_MS);
    let kept: Vec<Sample> = (0..30 * 8_640).map(|_| climate.next()).collect();
    let (late, early): (Vec<_>, Vec<_>) = kept.iter().enumerate().partition(|(n, _)| n % 10_000 == 5_000);
    for part in early.chunks(50_000) {
        let (writer, committed) = writer(store);
        wait(&committed, writer.write(part.iter().map(|(_, one)| Change::Sample(**one)).collect(), Urgency::AtOnce, 0));
        writer.flush_and_stop(Duration::from_secs(60)).unwrap();
        store = Store::open(here.path()).unwrap();
        store.seal().unwrap();
    }
    let begun = written();
    for (_, one) in &late {
        let (writer, committed) = writer(store);
        wait(&committed, writer.write(vec![Change::Sample(**one), Change::Sample(climate.next())], Urgency::AtOnce, 0));
        writer.flush_and_stop(Duration::from_secs(60)).unwrap();
        store = Store::open(here.path()).unwrap();
        store.seal().unwrap();
    }
    println!(
        "a late sample into a sealed day: {:.0} kB written each, commit, sealing and checkpoint (of {})",
        (written() - begun) / 1e3 / late.len() as f64,
        late.len()
    );
}

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with('-')).collect();
    type Group = (&'static str, fn(&Path));
    let year: [Group; 4] = [
        ("encode", year::encode),
        ("decode", year::decode),
        ("query", year::query),
        ("degree-hours", year::degree_hours),
    ];
    let others: [(&str, fn()); 6] = [
        ("real", real::real),
        ("commit", commit),
        ("wear", wear),
        ("late", late),
        ("start", start::start),
        ("memory", memory),
    ];
    let is_wanted = |name: &str| wanted.is_empty() || wanted.iter().any(|word| word == name);
    if year.iter().any(|(name, _)| is_wanted(name)) {
        let folder = year::make();
        for (name, group) in year.iter().filter(|(name, _)| is_wanted(name)) {
            println!("-- {name}");
            group(folder.path());
        }
    }
    for (name, group) in others.iter().filter(|(name, _)| is_wanted(name)) {
        println!("-- {name}");
        group();
    }
}
