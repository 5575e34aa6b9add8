//! Series that were really measured, from the fixtures: how many bytes a value they come to.
//!
//! The recordings are short (two days of an office, four months of hourly weather), so that a file's fixed
//! parts would outweigh them: each is told one after the other a hundred times, in time order. The codec
//! looks no further back than one reading, so that a repetition makes nothing smaller.

use std::path::Path;

use rusqlite::Connection;
use tubwatch::climate::stamp::MINUTE_MS;
use tubwatch::climate::{Quality, Stamp};
use tubwatch::store::*;

use super::{BEGIN, bytes, open, wait, writer};

const TIMES: i64 = 100;

struct Recording {
    name: &'static str,
    /// Milliseconds from the first, and the values.
    rows: Vec<(i64, [Option<f64>; 4])>,
}

fn rows(file: &str, columns: [&str; 3]) -> Vec<(i64, [Option<f64>; 4])> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/physics").join(file);
    let text = std::fs::read_to_string(path).unwrap();
    let mut lines = text.lines();
    let head: Vec<&str> = lines.next().unwrap().split(',').collect();
    let place = |name: &str| head.iter().position(|column| *column == name);
    let moment = |text: &str| {
        let text = text.trim_end_matches('Z').replace('T', " ");
        chrono::NaiveDateTime::parse_from_str(&text, "%Y-%m-%d %H:%M:%S").unwrap().and_utc().timestamp_millis()
    };
    let mut found: Vec<(i64, [Option<f64>; 4])> = Vec::new();
    for line in lines {
        let cells: Vec<&str> = line.split(',').collect();
        let at = moment(cells[0]);
        let mut values = [None; 4];
        for (value, column) in values.iter_mut().zip(columns) {
            *value = place(column).and_then(|place| cells[place].parse().ok());
        }
        if found.last().is_none_or(|(before, _)| *before < at) {
            found.push((at, values));
        }
    }
    let first = found[0].0;
    found.iter_mut().for_each(|(at, _)| *at -= first);
    found
}

fn rounded(rows: &[(i64, [Option<f64>; 4])]) -> Vec<(i64, [Option<f64>; 4])> {
    let to = |value: Option<f64>, scale: f64| value.map(|value| (value * scale).round() / scale);
    rows.iter().map(|(at, [t, h, c, _])| (*at, [to(*t, 100.0), to(*h, 100.0), to(*c, 1.0), None])).collect()
}

pub fn real() {
    let office = rows("indoor_minute_temp_rh_co2.csv", ["temp_c", "rh_pct", "co2_ppm"]);
    let weather = rows("weather_hourly_gaps.csv", ["temp_c", "rh_pct", ""]);
    for recording in [
        Recording { name: "office each minute, rounded as a probe sends it (0.01, 0.01, 1)", rows: rounded(&office) },
        Recording { name: "office each minute, as published (means of some readings)", rows: office },
        Recording { name: "weather each hour", rows: weather },
    ] {
        let folder = tempfile::tempdir().unwrap();
        let (writer, committed) = writer(open(folder.path(), &["a"]));
        let span = recording.rows.last().unwrap().0 + MINUTE_MS;
        let (mut messages, mut values) = (0, 0);
        let plain = Connection::open(folder.path().join("plain.sqlite")).unwrap();
        plain.execute_batch("PRAGMA synchronous = OFF; CREATE TABLE sample (probe INTEGER, at INTEGER, temperature REAL, humidity REAL, co2 REAL, PRIMARY KEY (probe, at)) WITHOUT ROWID").unwrap();
        for turn in 0..TIMES {
            let mut changes = Vec::new();
            plain.execute_batch("BEGIN").unwrap();
            for (at, row) in &recording.rows {
                let at = Stamp(BEGIN + turn * span + at);
                changes.push(Change::Sample(Sample {
                    probe: 1,
                    at,
                    values: *row,
                    quality: [Quality::Good; 4],
                    timing: Default::default(),
                }));
                values += row.iter().flatten().count();
                let mut insert = plain.prepare_cached("INSERT INTO sample VALUES (1, ?1, ?2, ?3, ?4)").unwrap();
                insert.execute((at.0, row[0], row[1], row[2])).unwrap();
            }
            plain.execute_batch("COMMIT").unwrap();
            messages += changes.len();
            wait(&committed, writer.write(changes, Urgency::AtOnce, 0));
        }
        writer.flush_and_stop(std::time::Duration::from_secs(60)).unwrap();
        Store::open(folder.path()).unwrap().seal().unwrap();
        let copy = folder.path().join("copy.sqlite");
        backup::copy(folder.path(), &copy).unwrap();
        let connection = Connection::open(&copy).unwrap();
        let sum = |sql: &str| connection.query_row(sql, [], |row| row.get::<_, Option<f64>>(0)).unwrap().unwrap_or(0.0);
        let each = ["stamps", "temperature", "humidity", "co2"]
            .map(|column| sum(&format!("SELECT sum(length({column})) FROM chunk")) / messages as f64);
        let summaries = sum("SELECT sum(length(quarters)) FROM summary") / values as f64;
        let (ours, beside) = (bytes(&copy) / values as f64, bytes(&folder.path().join("plain.sqlite")) / values as f64);
        println!(
            "{}: {ours:.2} bytes a value with summaries, {:.2} without (times {:.2}, temperature {:.2}, humidity {:.2}, co2 {:.2} a message); plain table {beside:.1}, {:.0} times as much",
            recording.name,
            ours - summaries,
            each[0],
            each[1],
            each[2],
            each[3],
            beside / ours
        );
    }
}
