//! Sealed samples: whatever is sealed when, a reader gets what it would get from plain rows.

#![allow(clippy::unwrap_used, clippy::panic)]

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::path::Path;
use std::time::Duration;

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use tubwatch::climate::stamp::{DAY_MS, HOUR_MS};
use tubwatch::climate::{Quality, Quantity, Reading, Stamp};
use tubwatch::store::history::Form;
use tubwatch::store::summary::{QUARTER_MS, Quarter};
use tubwatch::store::*;
use tubwatch::watch::clock::{Stretch, Trust};
use tubwatch::watch::setup::Correction;

const DEADLINE: Duration = Duration::from_secs(30);
const GOOD: [Quality; 4] = [Quality::Good; 4];
const ALL: (Stamp, Stamp) = (Stamp(i64::MIN), Stamp(i64::MAX));

fn write(folder: &Path, changes: Vec<Change>) {
    let writer = Writer::start(Store::open(folder).unwrap(), Duration::from_secs(3600), |_| {}).unwrap();
    writer.write(changes, Urgency::WhenDue, 0);
    writer.flush_and_stop(DEADLINE).unwrap();
}

fn seal(folder: &Path) {
    Store::open(folder).unwrap().seal().unwrap();
}

fn count(folder: &Path, sql: &str) -> i64 {
    let connection = rusqlite::Connection::open(folder.join("tubwatch.sqlite")).unwrap();
    connection.query_row(sql, [], |row| row.get(0)).unwrap()
}

type Told = (usize, i64, [Option<u64>; 4], [Quality; 4], bool);

fn history(reader: &Reader, from: Stamp, to: Stamp, form: Form) -> Vec<Told> {
    let mut found = Vec::new();
    let mut visit = |position: usize, message: &JudgedMessage| {
        let bits = message.values.map(|value| value.map(|value| if value.is_nan() { 1 } else { value.to_bits() }));
        let settled = message.settled || form == Form::Unjudged;
        found.push((position, message.at.0, bits, message.quality, settled));
        ControlFlow::Continue(())
    };
    reader.history(&["a", "b"], from, to, form, &mut visit).unwrap();
    found
}

fn series(reader: &Reader, probe: &str, quantity: Quantity, from: Stamp, to: Stamp) -> Vec<(i64, u64, Quality, bool)> {
    let mut found = Vec::new();
    let mut visit = |_: usize, reading: Reading, settled: bool| {
        found.push((
            reading.at.0,
            if reading.value.is_nan() { 1 } else { reading.value.to_bits() },
            reading.quality,
            settled,
        ));
    };
    reader.series_of(&[probe], quantity, from, to, &mut visit).unwrap();
    found
}

/// What is not believed, by itself; whether it is settled is taken from `like`.
fn disbelieved(
    reader: &Reader,
    probe: &str,
    quantity: Quantity,
    from: Stamp,
    to: Stamp,
    like: &[(i64, u64, Quality, bool)],
) -> Vec<(i64, u64, Quality, bool)> {
    let mut found = Vec::new();
    let mut visit = |reading: Reading| {
        let bits = if reading.value.is_nan() { 1 } else { reading.value.to_bits() };
        let settled = like.get(found.len()).is_none_or(|(.., settled)| *settled);
        found.push((reading.at.0, bits, reading.quality, settled));
    };
    reader.disbelieved(probe, quantity, from, to, &mut visit).unwrap();
    found
}

/// Climate with all that happens to it: noise, steps, spikes, error codes, power-on values, gaps, nothing.
fn invented(random: &mut StdRng, probe: i64, count: usize, silence_ms: i64) -> Vec<Sample> {
    let mut at = 1_793_491_200_000 + probe * 3_333;
    let mut t = 24.0_f64;
    let mut samples = Vec::new();
    for _ in 0..count {
        at += match random.random_range(0..400) {
            0 => random.random_range(0..3 * HOUR_MS),
            1 => random.random_range(0..silence_ms),
            _ => 60_000 + random.random_range(-25..26),
        };
        t += f64::from(random.random_range(-3..4)) / 100.0;
        let mut values = [Some((t * 100.0).round() / 100.0), Some(85.0), Some(800.0), None];
        let mut quality = GOOD;
        match random.random_range(0..60) {
            0 => values[0] = Some(85.0),
            1 => values[0] = Some(t + 30.0),
            2 => values[0] = Some(-127.0),
            3 => (values[0], quality[0]) = (Some(f64::NAN), Quality::Sentinel),
            4 => values[2] = Some(9_000.0),
            5 => values[2] = None,
            6 => values[1] = Some(t * 3.0),
            7 => quality = [Quality::Undated, Quality::Undated, Quality::Undated, Quality::Good],
            8 => t += 9.0,
            9 => t -= 9.0,
            10 => values = [None, None, None, Some(3.01)],
            _ => {}
        }
        samples.push(Sample { probe, at: Stamp(at), values, quality, timing: Default::default() });
    }
    samples
}

#[test]
fn whatever_is_sealed_when_a_reader_gets_what_plain_rows_would_give() {
    for seed in 0..8 {
        let mut random = StdRng::seed_from_u64(seed);
        let (plain, sealed) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        for folder in [plain.path(), sealed.path()] {
            Store::open(folder).unwrap().probe_ids(&["a", "b"]).unwrap();
        }
        // A reader of a part looks some hours past it for what settles a doubt; sealing looks on.
        let silence_ms = if seed % 3 == 0 { 2 * DAY_MS } else { 5 * HOUR_MS };
        let mut all = invented(&mut random, 1, 3_000, silence_ms);
        all.extend(invented(&mut random, 2, 1_500, silence_ms));
        all.sort_by_key(|sample| sample.at);
        // Some come late, one by one and in blocks.
        let mut late: Vec<Sample> = Vec::new();
        let mut arrived: Vec<Sample> = Vec::new();
        for (place, sample) in all.iter().enumerate() {
            let is_late = random.random_bool(0.01) || (place / 300) % 5 == 3;
            if is_late {
                late.push(*sample)
            } else {
                arrived.push(*sample)
            }
            if random.random_bool(0.001) {
                arrived.append(&mut late);
            }
        }
        late.reverse();
        arrived.append(&mut late);
        let correction = Change::Correction(DatedCorrection {
            probe: 1,
            quantity: Quantity::Temperature,
            since: all[700].at.plus(1),
            correction: Correction { gain: 1.25, offset: -0.5 },
            made: Stamp(0),
        });
        write(plain.path(), arrived.iter().map(|sample| Change::Sample(*sample)).chain([correction.clone()]).collect());
        write(sealed.path(), vec![correction]);
        let mut rest = arrived.as_slice();
        while !rest.is_empty() {
            let (some, later) = rest.split_at(random.random_range(1..2_500).min(rest.len()));
            write(sealed.path(), some.iter().map(|sample| Change::Sample(*sample)).collect());
            if random.random_bool(0.8) {
                seal(sealed.path());
            }
            rest = later;
        }
        if seed % 2 == 0 {
            seal(sealed.path());
            assert_eq!(count(sealed.path(), "SELECT count(*) FROM sample"), 1, "all but the newest row is packed");
        }
        let rows = count(sealed.path(), "SELECT (SELECT count(*) FROM sample) + (SELECT sum(count) FROM chunk)");
        assert_eq!(rows as usize, all.len(), "each once");

        let (plain, sealed) = (Reader::open(plain.path()).unwrap(), Reader::open(sealed.path()).unwrap());
        let mut ranges = vec![ALL];
        for _ in 0..if seed % 3 == 0 { 0 } else { 10 } {
            let at = all[random.random_range(0..all.len())].at;
            ranges.push((at, at.plus(random.random_range(1..3 * DAY_MS))));
        }
        for (from, to) in ranges {
            for form in [Form::Corrected, Form::Raw, Form::Unjudged] {
                same(&history(&plain, from, to, form), &history(&sealed, from, to, form), seed);
            }
            for (probe, quantity) in [("a", Quantity::Temperature), ("b", Quantity::Co2), ("a", Quantity::Battery)] {
                same(&series(&plain, probe, quantity, from, to), &series(&sealed, probe, quantity, from, to), seed);
                quarters_agree(&sealed, probe, quantity, from, to);
                let series = series(&sealed, probe, quantity, from, to);
                let doubted: Vec<_> =
                    series.into_iter().filter(|(_, _, quality, _)| *quality != Quality::Good).collect();
                same(&doubted, &disbelieved(&sealed, probe, quantity, from, to, &doubted), seed);
            }
            together_as_alone(&sealed, from, to);
        }
        assert_eq!(plain.newest("a").unwrap(), sealed.newest("a").unwrap());
        let (mut known, of_plain) = (sealed.known().unwrap(), plain.known().unwrap());
        for probe in [1, 2] {
            assert_eq!(known.count(probe), of_plain.count(probe));
        }
        for sample in all.iter().step_by(7) {
            assert!(!known.insert(sample.probe, sample.at), "a duplicate is known though it is sealed");
            assert_eq!(known.next_free(sample.probe, sample.at), sample.at.plus(1));
        }
    }
}

#[test]
fn what_a_sealed_range_depends_on_is_told_without_reading_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path();
    Store::open(path).unwrap().probe_ids(&["a", "b"]).unwrap();
    let at = |minute: i64| Stamp(1_793_491_200_000 + minute * 60_000);
    let samples = |minutes: std::ops::Range<i64>, step: usize| -> Vec<Change> {
        let one = |minute| Sample {
            probe: 1,
            at: at(minute),
            values: [Some(24.0), None, None, None],
            quality: GOOD,
            timing: Default::default(),
        };
        minutes.step_by(step).map(|minute| Change::Sample(one(minute))).collect()
    };
    let print = || {
        let reader = Reader::open(path).unwrap();
        reader.fingerprint("a", Quantity::Temperature, at(100), at(2_000)).unwrap().unwrap()
    };
    write(path, samples(0..6_000, 2));
    assert!(print().is_live, "nothing is sealed yet");
    seal(path);
    let sealed = print();
    assert!(!sealed.is_live);
    // What comes later does not concern it, a late one does, and so does a correction.
    write(path, samples(6_000..7_000, 2));
    assert_eq!(print(), sealed);
    write(path, samples(1_001..1_002, 1));
    assert!(print().is_live);
    // The newest row is never sealed: another one comes after it.
    write(path, samples(7_000..7_001, 1));
    seal(path);
    let with_late = print();
    assert!(!with_late.is_live && with_late != sealed);
    let correction = Correction { gain: 1.0, offset: -0.5 };
    let quantity = Quantity::Temperature;
    write(
        path,
        vec![Change::Correction(DatedCorrection { probe: 1, quantity, since: at(0), correction, made: at(0) })],
    );
    assert_ne!(print(), with_late);
    assert!(Reader::open(path).unwrap().fingerprint("c", quantity, at(0), at(1)).unwrap().is_none());
}

fn same<T: PartialEq + std::fmt::Debug>(plain: &[T], sealed: &[T], seed: u64) {
    for (place, (plain, sealed)) in plain.iter().zip(sealed).enumerate() {
        assert_eq!(plain, sealed, "seed {seed}, place {place}");
    }
    assert_eq!(plain.len(), sealed.len(), "seed {seed}");
}

/// The summaries against the readings.
fn quarters_agree(reader: &Reader, probe: &str, quantity: Quantity, from: Stamp, to: Stamp) {
    let (mut wanted, mut found) = (BTreeMap::new(), Vec::new());
    reader.quarters(probe, quantity, from, to, &mut |quarter| found.push(*quarter)).unwrap();
    let edge = |at: i64| at.div_euclid(QUARTER_MS).saturating_mul(QUARTER_MS);
    let to = Stamp(edge(to.0.saturating_add(QUARTER_MS - 1)));
    let take = &mut |reading: Reading| {
        if reading.quality == Quality::Good && reading.value.is_finite() {
            let start = Stamp(edge(reading.at.0));
            let one = Quarter::of(start, reading.value);
            wanted.entry(start).and_modify(|quarter: &mut Quarter| quarter.add(&one)).or_insert(one);
        }
    };
    reader.series(probe, quantity, Stamp(edge(from.0)), to, take).unwrap();
    assert_eq!(found.len(), wanted.len());
    for (found, wanted) in found.iter().zip(wanted.values()) {
        assert_eq!((found.start, found.count), (wanted.start, wanted.count));
        for (one, other) in [(found.min, wanted.min), (found.max, wanted.max), (found.sum, wanted.sum)] {
            assert!((one - other).abs() <= 1e-9 * other.abs(), "{found:?} {wanted:?}");
        }
    }
}

/// Several probes' summaries, asked for at once.
fn together_as_alone(reader: &Reader, from: Stamp, to: Stamp) {
    let probes = ["b", "never heard of", "a"];
    let mut together: [Vec<Quarter>; 3] = Default::default();
    let mut visit = |position: usize, quarter: &Quarter| together[position].push(*quarter);
    reader.quarters_of(&probes, Quantity::Temperature, (from, to), &mut visit).unwrap();
    for (probe, together) in probes.iter().zip(together) {
        let mut alone = Vec::new();
        reader.quarters(probe, Quantity::Temperature, from, to, &mut |quarter| alone.push(*quarter)).unwrap();
        assert_eq!(together.len(), alone.len());
        for (one, other) in together.iter().zip(&alone) {
            assert_eq!((one.start, one.count, one.min, one.max), (other.start, other.count, other.min, other.max));
            assert!((one.sum - other.sum).abs() <= 1e-9 * other.sum.abs(), "{one:?} {other:?}");
        }
    }
}

#[test]
fn the_golden_files_of_earlier_schemas_are_taken_over_whole() {
    for version in 1..tubwatch::store::schema::VERSION {
        golden(version);
    }
}

/// The file of `version` holds the same in each.
fn golden(version: i64) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("tubwatch.sqlite");
    std::fs::copy(format!("fixtures/store/version_{version}.sqlite"), &file).unwrap();
    assert_eq!(count(folder.path(), "SELECT user_version FROM pragma_user_version"), version);
    drop(Store::open(folder.path()).unwrap());
    assert_eq!(count(folder.path(), "SELECT user_version FROM pragma_user_version"), 3);
    let check = || {
        let reader = Reader::open(folder.path()).unwrap();
        for probe in 1..=3_i64 {
            let name = ["shelf-air", "core-a1", "tent-air"][probe as usize - 1];
            let mut n = 0_i64;
            let mut visit = |_: usize, message: &JudgedMessage| {
                // As the version of then was told to write it.
                let at = 1_793_491_200_000 + n * 10_000 + (n * 37 + probe * 11) % 50 - 25;
                assert_eq!(message.at.0, at);
                let t = (2_400 + 10 * probe + (n * 7) % 23) as f64 / 100.0;
                let t = match (n, probe) {
                    (700, 1) => 85.0,
                    (800, 2) => f64::NAN,
                    (900, 3) => 0.1 + 0.2,
                    _ => t,
                };
                let read = message.values[0].unwrap();
                assert!(read.to_bits() == t.to_bits() || (read.is_nan() && t.is_nan()), "{name} {n}: {read} {t}");
                assert_eq!(message.values[1].is_some(), probe != 2);
                assert_eq!(message.values[2], (probe == 3).then(|| (800 + (n * 3) % 57) as f64));
                let doubtful = [(700, 1, 0), (800, 2, 0), (901, 3, 1)];
                let bad = [Quality::Sentinel, Quality::Sentinel, Quality::Spike];
                for (known, bad) in doubtful.iter().zip(bad) {
                    if (known.0, known.1) == (n, probe) {
                        assert_eq!(message.quality[known.2], bad, "{name} {n}");
                    }
                }
                if (n, probe) == (900, 3) {
                    assert_eq!(message.quality[0], Quality::Undated);
                }
                n += 1;
                ControlFlow::Continue(())
            };
            reader.history(&[name], ALL.0, ALL.1, Form::Raw, &mut visit).unwrap();
            assert_eq!(n, 1_500);
        }
        assert_eq!(reader.refused().unwrap(), [(2, 7)]);
        assert_eq!(reader.corrections().unwrap().len(), 1);
        assert_eq!(reader.entries().unwrap().len(), 1);
        assert_eq!(reader.alerts(true).unwrap()[0].id, 5);
        assert_eq!(reader.outbox_waiting().unwrap()[0].tries, 2);
        assert_eq!(reader.applied_up_to().unwrap(), 1);
    };
    check();
    seal(folder.path());
    check();
}

#[test]
fn only_summaries_are_kept_of_what_is_older_than_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    Store::open(folder.path()).unwrap().probe_ids(&["a", "b"]).unwrap();
    let sample = |n: i64| {
        let values = [Some(20.0 + (n % 5) as f64), None, None, None];
        Change::Sample(Sample { probe: 1, at: Stamp(n * 60_000), values, quality: GOOD, timing: Default::default() })
    };
    write(folder.path(), (0..30_000).map(sample).collect());
    seal(folder.path());
    write(folder.path(), (30_000..30_010).map(sample).collect());
    let mut store = Store::open(folder.path()).unwrap();
    store.keep_raw(Some(Duration::from_secs(5 * 86_400)));
    store.seal().unwrap();
    drop(store);
    let reader = Reader::open(folder.path()).unwrap();
    let kept = series(&reader, "a", Quantity::Temperature, ALL.0, ALL.1);
    let oldest = 30_009 * 60_000 - kept[0].0;
    assert!((5 * DAY_MS..12 * DAY_MS).contains(&oldest), "{oldest}");
    let mut total = 0;
    reader.quarters("a", Quantity::Temperature, ALL.0, ALL.1, &mut |quarter| total += quarter.count).unwrap();
    assert_eq!(total, 30_010);
}

#[test]
fn a_clock_that_nobody_confirmed_throws_nothing_away_for_a_week() {
    let folder = tempfile::tempdir().unwrap();
    Store::open(folder.path()).unwrap().probe_ids(&["a"]).unwrap();
    let kept = || {
        let mut store = Store::open(folder.path()).unwrap();
        store.keep_raw(Some(Duration::from_secs(90 * 86_400)));
        store.seal().unwrap();
        drop(store);
        let reader = Reader::open(folder.path()).unwrap();
        series(&reader, "a", Quantity::Temperature, ALL.0, ALL.1).len()
    };
    let sample = |at: i64, timing: Timing| {
        let values = [Some(20.0 + (at / 60_000 % 5) as f64), None, None, None];
        Change::Sample(Sample { probe: 1, at: Stamp(at), values, quality: GOOD, timing })
    };
    write(folder.path(), (0..10_000).map(|n| sample(n * 60_000, Timing::SETTLED)).collect());
    seal(folder.path());
    // It comes up ten years ahead, and an hour goes by.
    let ahead = 3_650 * DAY_MS;
    let (boot, why) = ("one".to_owned(), String::new());
    let stretch = Stretch { id: 1, boot, since: Stamp(ahead), offset_ms: ahead, trust: Trust::Plausible, why };
    let mut changes = vec![Change::Clock(stretch)];
    changes.extend((0..60).map(|n| sample(ahead + n * 60_000, Timing::new(1, false))));
    write(folder.path(), changes);
    assert_eq!(kept(), 10_060);
    // A week later it is believed; a chunk goes when all of it is old.
    write(folder.path(), (0..60).map(|n| sample(ahead + 7 * DAY_MS + n * 60_000, Timing::new(1, false))).collect());
    assert!(kept() < 5_000);
}

#[test]
fn a_short_peak_stays_in_its_quarter_hour() {
    let folder = tempfile::tempdir().unwrap();
    Store::open(folder.path()).unwrap().probe_ids(&["a"]).unwrap();
    let value = |n: i64| if (7_000..7_003).contains(&n) { 31.5 } else { 24.0 + (n % 7) as f64 / 100.0 };
    let sample = |n: i64| {
        let values = [Some(value(n)), None, None, None];
        Change::Sample(Sample { probe: 1, at: Stamp(n * 10_000), values, quality: GOOD, timing: Default::default() })
    };
    write(folder.path(), (0..60_000).map(sample).collect());
    seal(folder.path());
    let reader = Reader::open(folder.path()).unwrap();
    let mut found = Vec::new();
    let (from, to) = (Stamp(0), Stamp(600_000_000));
    reader.quarters("a", Quantity::Temperature, from, to, &mut |quarter| found.push(*quarter)).unwrap();
    assert_eq!(found.iter().map(|quarter| quarter.count).sum::<u64>(), 60_000);
    let peaks: Vec<&Quarter> = found.iter().filter(|quarter| quarter.max > 30.0).collect();
    assert_eq!((peaks.len(), peaks[0].max, peaks[0].min), (1, 31.5, 24.0));
    assert_eq!(peaks[0].start, Stamp(70_000_000 / QUARTER_MS * QUARTER_MS));
}
