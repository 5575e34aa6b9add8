//! A year of one probe's three series, one every 10 s: packed, unpacked, asked, beside a plain table.

use std::cell::RefCell;
use std::path::Path;
use std::time::{Duration, Instant};

use rusqlite::Connection;
use tubwatch::climate::run::Run;
use tubwatch::climate::stamp::{DAY_MS, HOUR_MS};
use tubwatch::climate::{Quantity, Stamp};
use tubwatch::grow::culture::{Requirement, Thermal};
use tubwatch::grow::thermal::{Exposure, Gaps};
use tubwatch::grow::tub::Tub;
use tubwatch::store::runs::Asked;
use tubwatch::store::*;

use super::start::{setup, spawned};
use super::{BEGIN, Climate, EVERY_MS, Took, best, bytes, ms, open, wait, writer};

const YEAR: i64 = 365 * DAY_MS / EVERY_MS;
const AT_ONCE: i64 = 17_280;
const T: Quantity = Quantity::Temperature;

thread_local! {
    /// How long the plain table took to write, ms.
    static PLAIN_MS: RefCell<f64> = const { RefCell::new(0.0) };
}

fn range() -> (Stamp, Stamp) {
    (Stamp(BEGIN - 1), Stamp(BEGIN + YEAR * EVERY_MS))
}

fn count() -> f64 {
    (YEAR / AT_ONCE * AT_ONCE) as f64
}

/// The store of the year, sealed, and the plain table beside it.
pub fn make() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let (writer, committed) = writer(open(folder.path(), &["a"]));
    let mut climate = Climate::of(1, EVERY_MS);
    let plain = Connection::open(folder.path().join("plain.sqlite")).unwrap();
    plain
        .execute_batch("PRAGMA synchronous = OFF; PRAGMA journal_mode = WAL; CREATE TABLE sample (probe INTEGER, at INTEGER, temperature REAL, humidity REAL, co2 REAL, PRIMARY KEY (probe, at)) WITHOUT ROWID")
        .unwrap();
    for _ in 0..YEAR / AT_ONCE {
        let samples: Vec<Sample> = (0..AT_ONCE).map(|_| climate.next()).collect();
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
        PLAIN_MS.with_borrow_mut(|total| *total += ms(begun));
        let ticket = writer.write(samples.into_iter().map(Change::Sample).collect(), Urgency::AtOnce, 0);
        wait(&committed, ticket);
    }
    writer.flush_and_stop(Duration::from_secs(60)).unwrap();
    folder
}

/// What the last day costs to pack, and what all of it comes to.
pub fn encode(folder: &Path) {
    let mut store = Store::open(folder).unwrap();
    let left = Connection::open(folder.join(open::FILE)).unwrap();
    let rows: i64 = left.query_row("SELECT count(*) FROM sample", [], |row| row.get(0)).unwrap();
    let (begun, cpu) = (Instant::now(), super::cpu_ms());
    store.seal().unwrap();
    let took = Took { wall: ms(begun), cpu: super::cpu_ms() - cpu };
    let rate = rows as f64 * 3.0 / took.cpu / 1e3;
    println!(
        "seal of {rows} rows, judged, packed, written and their rows taken away: {took}, {rate:.2} million values/s"
    );
    let copy = folder.join("copy.sqlite");
    tubwatch::store::backup::copy(folder, &copy).unwrap();
    let values = count() * 3.0;
    let sum = |sql: &str| left.query_row(sql, [], |row| row.get::<_, f64>(0)).unwrap();
    let summaries = sum("SELECT sum(length(quarters)) FROM summary") / values;
    for (name, column) in
        [("times", "stamps"), ("temperature", "temperature"), ("humidity", "humidity"), ("co2", "co2")]
    {
        println!("packed {name}: {:.3} bytes each", sum(&format!("SELECT sum(length({column})) FROM chunk")) / count());
    }
    let (ours, plain) = (bytes(&copy), bytes(&folder.join("plain.sqlite")));
    println!(
        "compact copy: {:.3} bytes a value with summaries, {:.3} without, {:.1} MB; plain table {:.2} bytes a value, {:.1} MB, {:.0} times as much, written in {:.0} ms without syncs",
        ours / values,
        ours / values - summaries,
        ours / 1e6,
        plain / values,
        plain / 1e6,
        plain / ours,
        PLAIN_MS.with_borrow(|total| *total)
    );
}

/// The best of several of a statement on the plain table.
fn plain(folder: &Path, sql: &str) -> Took {
    let plain = Connection::open(folder.join("plain.sqlite")).unwrap();
    best(|| {
        let mut statement = plain.prepare_cached(sql).unwrap();
        let mut rows = statement.query([]).unwrap();
        while rows.next().unwrap().is_some() {}
    })
}

fn asked() -> Asked<'static> {
    Asked { probes: &["a"], quantity: T, settled_only: false }
}

pub fn decode(folder: &Path) {
    let reader = Reader::open(folder).unwrap();
    let mut read = 0;
    let runs = best(|| {
        read = 0;
        reader.good_runs(asked(), range(), &mut |runs| read += runs[0].len()).unwrap();
    });
    assert_eq!(read as f64, count());
    let singly = best(|| {
        read = 0;
        reader.series("a", T, range().0, range().1, &mut |_| read += 1).unwrap();
    });
    let plain = plain(folder, "SELECT at, temperature FROM sample WHERE probe = 1 ORDER BY at");
    println!(
        "a year of one series: {runs} in columns, {:.0} million readings/s; {singly} one by one; plain table {plain}, {:.0} times as long",
        read as f64 / runs.cpu / 1e3,
        plain.cpu / runs.cpu
    );
}

pub fn query(folder: &Path) {
    let (from, to) = range();
    let reader = Reader::open(folder).unwrap();
    let ratio = |what: &str, ours: Took, plain: Took| {
        println!("{what}: {ours}; plain table {plain}, {:.0} times as long", plain.cpu / ours.cpu);
    };
    let grouped = |ms: i64| {
        let sql = "SELECT at / {}, avg(temperature), min(temperature), max(temperature) FROM sample GROUP BY 1";
        plain(folder, &sql.replace("{}", &ms.to_string()))
    };
    let mut columns = [None; 1000];
    let chart = best(|| {
        columns = [None; 1000];
        let each = to.since(from) / 1000 + 1;
        reader
            .quarters("a", T, from, to, &mut |quarter| {
                let place = quarter.start.since(from).max(0) / each;
                let column: &mut Option<(f64, f64)> = &mut columns[place as usize];
                let (min, max) = column.unwrap_or((quarter.min, quarter.max));
                *column = Some((min.min(quarter.min), max.max(quarter.max)));
            })
            .unwrap();
    });
    assert!(columns.iter().flatten().count() > 990);
    ratio("chart of a year in 1000 columns, lowest and highest kept", chart, grouped(31_536_000));
    let hourly = best(|| {
        let (mut hours, mut hour) = (0, None);
        reader
            .quarters("a", T, from, to, &mut |quarter| {
                let this = quarter.start.0 / HOUR_MS;
                hours += i64::from(hour.replace(this) != Some(this));
            })
            .unwrap();
        assert!(hours > 8_700);
    });
    ratio("hourly mean, min, max of a year", hourly, grouped(HOUR_MS));
    let begin = BEGIN + 180 * DAY_MS;
    let day = best(|| {
        let mut count = 0;
        reader.series("a", T, Stamp(begin), Stamp(begin + DAY_MS), &mut |_| count += 1).unwrap();
        assert!(count > 8_000);
    });
    let sql =
        format!("SELECT at, temperature FROM sample WHERE probe = 1 AND at >= {begin} AND at < {}", begin + DAY_MS);
    ratio("one day raw", day, plain(folder, &sql));
}

fn thermal(cap_c: f64) -> Thermal {
    let requirement = Requirement { low: 4560.0, usual: 5472.0, high: 6384.0 };
    Thermal { base_c: 5.0, cap_c, damage_c: 33.0, usual_c: 24.0, requirement }
}

pub fn degree_hours(folder: &Path) {
    let (from, to) = range();
    let reader = Reader::open(folder).unwrap();
    let gaps = Gaps::for_core(EVERY_MS);
    let (mut stamps, mut values): (Vec<i64>, Vec<f64>) = Default::default();
    reader
        .series("a", T, from, to, &mut |reading| {
            stamps.push(reading.at.0);
            values.push(reading.value);
        })
        .unwrap();
    let plain = plain(folder, "SELECT at, temperature FROM sample WHERE probe = 1 ORDER BY at");
    for (name, cap_c) in [("under the cap", 26.0), ("crossing the cap twice each 25 min", 24.0)] {
        let with = |take: &mut dyn FnMut(&mut Exposure)| {
            best(|| {
                let mut exposure = Exposure::new(thermal(cap_c), Some(28.0), from);
                take(&mut exposure);
                assert!(exposure.figures(to).degree_hours > 1e5);
            })
        };
        let file = with(&mut |exposure| {
            reader.good_runs(asked(), (from, to), &mut |runs| exposure.push_run(0, runs[0], gaps)).unwrap();
        });
        let memory = with(&mut |exposure| exposure.push_run(0, Run::new(&stamps, &values), gaps));
        let singly = with(&mut |exposure| {
            Run::new(&stamps, &values).iter().for_each(|(at, value)| exposure.push(0, at, value, gaps));
        });
        println!(
            "degree-hours of a year {name}: {file} from the file, {memory} in memory, {singly} reading by reading; only reading the plain table {plain}, {:.0} times as long",
            plain.cpu / file.cpu
        );
    }
    let (setup, culture) = (setup(&["a"]), super::start::culture());
    let tubs: Vec<Tub> = spawned(&[("A1", Some("a"), from.plus(1))]);
    let all = best(|| {
        let told = figures::over(&reader, &tubs[0], &tubs, &setup, &culture, from.plus(1), to).unwrap();
        assert!(told.exposure.figures(to).degree_hours > 1e5);
    });
    println!("all figures of a tub that lives a year (mean, extremes, hours in band, course, self-heating): {all}");
}
