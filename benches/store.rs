//! The store, measured beside a plain SQLite table of the same samples: `cargo bench --bench store`.
//!
//! Groups (name one to run it alone): `year` (encode, size, queries, degree-hours, decode), `commit`,
//! `wear` (a day of 20 probes), `start` (five years of 42 series), `memory` (a week of 200 probes once a second;
//! `TUBWATCH_BENCH_DAYS` for less). Figures depend on the machine; quote them with it.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout, missing_docs)]

use std::path::Path;
use std::sync::mpsc;
use std::time::{Duration, Instant};

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rusqlite::Connection;
use tubwatch::climate::run::Run;
use tubwatch::climate::stamp::{DAY_MS, HOUR_MS};
use tubwatch::climate::{Quality, Quantity, Stamp};
use tubwatch::grow::culture::{Requirement, Thermal};
use tubwatch::grow::thermal::{Exposure, Gaps};
use tubwatch::store::runs::Asked;
use tubwatch::store::*;

const BEGIN: i64 = 1_700_006_400_000;
const EVERY_MS: i64 = 10_000;
const YEAR: i64 = 365 * DAY_MS / EVERY_MS;

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
        }
    }
}

fn ms(begun: Instant) -> f64 {
    begun.elapsed().as_secs_f64() * 1e3
}

/// The best of several, ms.
fn best(mut work: impl FnMut()) -> f64 {
    (0..7)
        .map(|_| {
            let begun = Instant::now();
            work();
            ms(begun)
        })
        .fold(f64::INFINITY, f64::min)
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

fn thermal() -> Thermal {
    let requirement = Requirement { low: 4560.0, usual: 5472.0, high: 6384.0 };
    Thermal { base_c: 5.0, cap_c: 25.0, damage_c: 33.0, usual_c: 24.0, requirement }
}

fn year() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path(), &["a"]);
    let (writer, committed) = writer(store);
    let mut climate = Climate::of(1, EVERY_MS);
    let plain = Connection::open(folder.path().join("plain.sqlite")).unwrap();
    plain
        .execute_batch("PRAGMA synchronous = OFF; PRAGMA journal_mode = WAL; CREATE TABLE sample (probe INTEGER, at INTEGER, temperature REAL, humidity REAL, co2 REAL, PRIMARY KEY (probe, at)) WITHOUT ROWID")
        .unwrap();
    let mut plain_ms = 0.0;
    for _ in 0..YEAR / 17_280 {
        let samples: Vec<Sample> = (0..17_280).map(|_| climate.next()).collect();
        let begun = Instant::now();
        plain.execute_batch("BEGIN").unwrap();
        {
            let mut insert = plain.prepare_cached("INSERT INTO sample VALUES (?1, ?2, ?3, ?4, ?5)").unwrap();
            for sample in &samples {
                insert
                    .execute((sample.probe, sample.at.0, sample.values[0], sample.values[1], sample.values[2]))
                    .unwrap();
            }
        }
        plain.execute_batch("COMMIT").unwrap();
        plain_ms += ms(begun);
        let ticket = writer.write(samples.into_iter().map(Change::Sample).collect(), Urgency::AtOnce, 0);
        wait(&committed, ticket);
    }
    writer.flush_and_stop(Duration::from_secs(60)).unwrap();
    let mut store = Store::open(folder.path()).unwrap();
    let left = Connection::open(folder.path().join(tubwatch::store::open::FILE)).unwrap();
    let rows: i64 = left.query_row("SELECT count(*) FROM sample", [], |row| row.get(0)).unwrap();
    let begun = Instant::now();
    store.seal().unwrap();
    println!(
        "seal of the last {rows} rows: {:.1} ms, {:.2} million values/s",
        ms(begun),
        rows as f64 * 3.0 / ms(begun) / 1e3
    );
    let copy = folder.path().join("copy.sqlite");
    tubwatch::store::backup::copy(folder.path(), &copy).unwrap();
    drop(plain);
    let count = (YEAR / 17_280 * 17_280) as f64;
    let values = count * 3.0;
    let sum = |sql: &str| left.query_row(sql, [], |row| row.get::<_, f64>(0)).unwrap();
    let summaries = sum("SELECT sum(length(quarters)) FROM summary");
    for (name, column) in
        [("times", "stamps"), ("temperature", "temperature"), ("humidity", "humidity"), ("co2", "co2")]
    {
        println!("packed {name}: {:.3} bytes each", sum(&format!("SELECT sum(length({column})) FROM chunk")) / count);
    }
    let plain_bytes = bytes(&folder.path().join("plain.sqlite"));
    println!(
        "year of 3 series, compact copy: {:.3} bytes a value with summaries ({:.3} of them summaries), {:.1} MB; plain table {:.2} bytes a value, {:.1} MB: {:.0} times as much",
        bytes(&copy) / values,
        summaries / values,
        bytes(&copy) / 1e6,
        plain_bytes / values,
        plain_bytes / 1e6,
        plain_bytes / bytes(&copy)
    );
    println!("plain table: written in {plain_ms:.0} ms without syncs");
    queries(folder.path(), count);
}

fn queries(folder: &Path, count: f64) {
    let (from, to) = (Stamp(BEGIN - 1), Stamp(BEGIN + YEAR * EVERY_MS));
    let reader = Reader::open(folder).unwrap();
    let plain = Connection::open(folder.join("plain.sqlite")).unwrap();
    let sql = |sql: &str| {
        best(|| {
            let mut statement = plain.prepare_cached(sql).unwrap();
            let mut rows = statement.query([]).unwrap();
            while rows.next().unwrap().is_some() {}
        })
    };
    let t = Quantity::Temperature;
    let chart = best(|| assert!(reader.points("a", t, from, to, 1000).unwrap().len() > 900));
    let plain_chart =
        sql("SELECT at / 31536000, avg(temperature), min(temperature), max(temperature) FROM sample GROUP BY 1");
    println!("chart of a year, 1000 points: {chart:.1} ms; plain table {plain_chart:.0} ms");
    let hourly = best(|| {
        let mut hours = 0;
        let mut hour = None;
        reader
            .quarters("a", t, from, to, &mut |quarter| {
                let this = quarter.start.0 / HOUR_MS;
                hours += i64::from(hour.replace(this) != Some(this));
            })
            .unwrap();
        assert!(hours > 8_700);
    });
    let plain_hourly =
        sql("SELECT at / 3600000, avg(temperature), min(temperature), max(temperature) FROM sample GROUP BY 1");
    println!("hourly mean, min, max of a year: {hourly:.1} ms; plain table {plain_hourly:.0} ms");
    let mut read = 0_u64;
    let decode = best(|| {
        read = 0;
        reader.series("a", t, from, to, &mut |_| read += 1).unwrap();
    });
    println!("a year of one series read: {decode:.1} ms, {:.0} million values/s", read as f64 / decode / 1e3);
    assert_eq!(read as f64, count);
    let gaps = Gaps::for_core(EVERY_MS);
    let mut readings = Vec::new();
    reader.series("a", t, from, to, &mut |reading| readings.push((reading.at, reading.value))).unwrap();
    let (stamps, values): (Vec<i64>, Vec<f64>) = readings.iter().map(|(at, value)| (at.0, *value)).unzip();
    for (name, cap_c) in [("under the cap", 26.0), ("over and under the cap", 24.0)] {
        let thermal = Thermal { cap_c, ..thermal() };
        let one_by_one = best(|| {
            let mut exposure = Exposure::new(thermal, Some(28.0), from);
            readings.iter().for_each(|(at, value)| exposure.push(0, *at, *value, gaps));
            assert!(exposure.figures(to).degree_hours > 1e5);
        });
        let file = best(|| {
            let mut exposure = Exposure::new(thermal, Some(28.0), from);
            let asked = Asked { probes: &["a"], quantity: t, settled_only: false };
            reader.good_runs(asked, (from, to), &mut |runs| exposure.push_run(0, runs[0], gaps)).unwrap();
            assert!(exposure.figures(to).degree_hours > 1e5);
        });
        let memory = best(|| {
            let mut exposure = Exposure::new(thermal, Some(28.0), from);
            exposure.push_run(0, Run::new(&stamps, &values), gaps);
            assert!(exposure.figures(to).degree_hours > 1e5);
        });
        println!(
            "degree-hours of a year {name}: {file:.1} ms from the file, {memory:.1} ms in memory ({one_by_one:.1} ms reading by reading)"
        );
    }
    let plain_file = sql("SELECT at, temperature FROM sample WHERE probe = 1 ORDER BY at");
    println!("plain table: {plain_file:.0} ms only to read the year's temperatures");
    let day = best(|| {
        let mut count = 0;
        let from = Stamp(BEGIN + 180 * DAY_MS);
        reader.series("a", t, from, from.plus(DAY_MS), &mut |_| count += 1).unwrap();
        assert!(count > 8_000);
    });
    println!("one day raw: {day:.2} ms");
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

/// Five years of 14 probes with 3 quantities: one year packed, its rows copied for the others.
fn start() {
    let folder = tempfile::tempdir().unwrap();
    let names: Vec<String> = (0..14).map(|n| format!("p{n}")).collect();
    let (writer, committed) = writer(open(folder.path(), &names.iter().map(String::as_str).collect::<Vec<_>>()));
    let mut climate = Climate::of(1, EVERY_MS);
    for _ in 0..20 {
        let changes = (0..8_640).map(|_| Change::Sample(climate.next())).collect();
        wait(&committed, writer.write(changes, Urgency::AtOnce, 0));
    }
    writer.flush_and_stop(Duration::from_secs(60)).unwrap();
    Store::open(folder.path()).unwrap().seal().unwrap();
    let connection = Connection::open(folder.path().join(tubwatch::store::open::FILE)).unwrap();
    connection.execute_batch(&format!(
        "WITH RECURSIVE probe(p) AS (SELECT 1 UNION ALL SELECT p + 1 FROM probe WHERE p < 14),
           back(b) AS (SELECT 1 UNION ALL SELECT b + 1 FROM back WHERE b < 92)
         INSERT INTO chunk (probe, first, last, count, quality, stamps, temperature, humidity, co2)
         SELECT p, first - b * {0}, last - b * {0}, count, quality, stamps, temperature, humidity, co2 FROM chunk, probe, back;
         WITH RECURSIVE probe(p) AS (SELECT 2 UNION ALL SELECT p + 1 FROM probe WHERE p < 14)
         INSERT INTO chunk (probe, first, last, count, quality, stamps, temperature, humidity, co2)
         SELECT p, first, last, count, quality, stamps, temperature, humidity, co2 FROM chunk, probe WHERE probe = 1 AND first >= {BEGIN} - 1000",
        20 * DAY_MS
    )).unwrap();
    // And a day that is not sealed yet.
    let (writer, committed) = self::writer(Store::open(folder.path()).unwrap());
    let mut climates: Vec<Climate> = (1..=14).map(|probe| Climate::of(probe, EVERY_MS)).collect();
    for climate in &mut climates {
        climate.n = 20 * 8_640;
        wait(
            &committed,
            writer.write((0..8_000).map(|_| Change::Sample(climate.next())).collect(), Urgency::AtOnce, 0),
        );
    }
    drop(writer);
    let (chunks, samples): (i64, i64) = connection
        .query_row("SELECT count(*), sum(count) FROM chunk", [], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap();
    drop(connection);
    let took = best(|| {
        let store = loop {
            if let Ok(store) = Store::open(folder.path()) {
                break store;
            }
        };
        let reader = store.reader().unwrap();
        let known = reader.known().unwrap();
        assert!(known.count(1) > 10_000_000);
        for name in &names {
            assert!(reader.newest(name).unwrap().is_some());
        }
    });
    println!(
        "opening {samples} sealed messages in {chunks} chunks and a day of 14 probes in rows: {took:.0} ms; file {:.0} MB",
        bytes(&folder.path().join(tubwatch::store::open::FILE)) / 1e6
    );
}

fn resident_kib(row: &str) -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    status.lines().find(|line| line.starts_with(row)).unwrap().split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// 200 probes with two quantities once a second, through duplicate index, writer and sealing.
fn memory() {
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
                changes.push(Change::Sample(Sample { probe, at, values, quality: [Quality::Good; 4] }));
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

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with('-')).collect();
    let groups: [(&str, fn()); 5] =
        [("year", year), ("commit", commit), ("wear", wear), ("start", start), ("memory", memory)];
    for (name, group) in groups {
        if wanted.is_empty() || wanted.iter().any(|word| word == name) {
            println!("-- {name}");
            group();
        }
    }
}
