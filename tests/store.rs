//! The store from outside: what is written is read back exactly, judged and corrected in time order;
//! a file that is damaged, foreign or newer is told of and left alone.

#![allow(clippy::unwrap_used, clippy::panic)]

use std::fs;
use std::path::Path;
use std::sync::mpsc;
use std::time::Duration;

use tubwatch::climate::{Quality, Quantity, Reading, Stamp};
use tubwatch::grow::logbook::{Deed, Entry, Spawning};
use tubwatch::store::entries::{AppendError, NewEntry, append, append_resolved};
use tubwatch::store::history::Form;
use tubwatch::store::standing::{self, Standing};
use tubwatch::store::*;
use tubwatch::watch::alert::{Alert, AlertState, EventKind, Severity, Watch};
use tubwatch::watch::setup::Correction;

const DEADLINE: Duration = Duration::from_secs(30);
const SECOND: i64 = 1_000;
const GOOD: [Quality; 4] = [Quality::Good; 4];

/// Writes `changes` as the daemon does and waits for the disk.
fn write(folder: &Path, changes: Vec<Change>) {
    let writer = Writer::start(Store::open(folder).unwrap(), Duration::from_secs(3600), |_| {}).unwrap();
    writer.write(changes, Urgency::WhenDue, 0);
    writer.flush_and_stop(DEADLINE).unwrap();
}

fn sample(probe: i64, at: i64, temperature: f64) -> Change {
    Change::Sample(Sample {
        probe,
        at: Stamp(at),
        values: [Some(temperature), None, None, None],
        quality: GOOD,
        timing: Default::default(),
    })
}

fn named(folder: &Path, names: &[&str]) -> Vec<i64> {
    Store::open(folder).unwrap().probe_ids(names).unwrap()
}

fn series(reader: &Reader, probe: &str, from: i64, to: i64) -> Vec<Reading> {
    let mut readings = Vec::new();
    reader.series(probe, Quantity::Temperature, Stamp(from), Stamp(to), &mut |reading| readings.push(reading)).unwrap();
    readings
}

#[test]
fn every_value_comes_back_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    assert_eq!(named(folder.path(), &["a", "b", "a"]), [1, 2, 1]);
    let values = [
        0.1 + 0.2,
        -127.0,
        85.0,
        0.0,
        f64::MIN_POSITIVE,
        5e-324,
        f64::MAX,
        -f64::MAX,
        f64::INFINITY,
        f64::NEG_INFINITY,
        23.4,
        9_007_199_254_740_993.0,
        1e15 + 0.5,
    ];
    let mut changes: Vec<Change> = Vec::new();
    for (step, value) in values.into_iter().enumerate() {
        let quality = [Quality::Undated, Quality::Good, Quality::Good, Quality::Future];
        let values = [Some(value), None, Some(f64::NAN), Some(-value)];
        changes.push(Change::Sample(Sample {
            probe: 1,
            at: Stamp(step as i64 - 5),
            values,
            quality,
            timing: Default::default(),
        }));
    }
    write(folder.path(), changes);
    let reader = Reader::open(folder.path()).unwrap();
    let mut read = Vec::new();
    let mut visit = |_: usize, message: &JudgedMessage| {
        read.push(*message);
        std::ops::ControlFlow::Continue(())
    };
    reader.history(&["a"], Stamp(i64::MIN), Stamp(i64::MAX), Form::Raw, &mut visit).unwrap();
    assert_eq!(read.len(), values.len());
    for (step, (message, value)) in read.iter().zip(values).enumerate() {
        assert_eq!(message.at, Stamp(step as i64 - 5));
        assert_eq!(message.values[0].unwrap().to_bits(), value.to_bits(), "{value}");
        assert_eq!(message.values[1], None, "not read");
        assert!(message.values[2].unwrap().is_nan(), "read, and no number");
        // SQLite keeps no sign on a zero; it is the same number.
        assert_eq!(message.values[3].unwrap(), -value);
        assert_eq!(message.quality, [Quality::Undated, Quality::Good, Quality::Sentinel, Quality::Future]);
    }
}

#[test]
fn late_samples_find_their_place_and_a_spike_is_found_whatever_the_order() {
    let in_order: Vec<(i64, f64)> = (0..60).map(|step| (step * 10, if step == 30 { 60.0 } else { 24.0 })).collect();
    let mut shuffled = in_order.clone();
    shuffled.rotate_left(17);
    shuffled.swap(3, 40);
    let read = |order: &[(i64, f64)]| {
        let folder = tempfile::tempdir().unwrap();
        named(folder.path(), &["a"]);
        write(folder.path(), order.iter().map(|(at, value)| sample(1, at * SECOND, *value)).collect());
        series(&Reader::open(folder.path()).unwrap(), "a", 0, 600 * SECOND)
    };
    let readings = read(&in_order);
    assert_eq!(readings, read(&shuffled));
    assert_eq!(readings.len(), 60);
    for (reading, (at, value)) in readings.iter().zip(&in_order) {
        assert_eq!((reading.at, reading.value), (Stamp(at * SECOND), *value));
        assert_eq!(reading.quality, if *value > 50.0 { Quality::Spike } else { Quality::Good });
    }
}

#[test]
fn a_range_is_judged_as_the_whole_is() {
    let folder = tempfile::tempdir().unwrap();
    named(folder.path(), &["a", "b"]);
    let value = |step: i64| if step % 50 == 0 { 70.0 } else { 24.0 };
    let mut changes = Vec::new();
    for step in 1..=20_000 {
        changes.push(sample(1, step * 10 * SECOND, value(step)));
        changes.push(sample(2, step * 10 * SECOND, 10.0));
    }
    write(folder.path(), changes);
    let reader = Reader::open(folder.path()).unwrap();
    let whole = series(&reader, "a", i64::MIN, i64::MAX);
    assert_eq!(whole.len(), 20_000);
    assert_eq!(whole.iter().filter(|reading| reading.quality == Quality::Spike).count(), 400);
    // Ends right on a spike: the reading after the range decides.
    for (from, to) in [(1, 51), (50, 51), (49, 51), (10_000, 10_101), (19_000, 20_001), (0, 2)] {
        let part = series(&reader, "a", from * 10 * SECOND, to * 10 * SECOND);
        let expected: Vec<Reading> =
            whole.iter().filter(|r| r.at.0 >= from * 10 * SECOND && r.at.0 < to * 10 * SECOND).copied().collect();
        assert_eq!(part, expected, "{from}..{to}");
    }
    assert!(series(&reader, "nobody", i64::MIN, i64::MAX).is_empty());
}

#[test]
fn several_probes_come_in_one_order_of_time() {
    let folder = tempfile::tempdir().unwrap();
    named(folder.path(), &["a", "b"]);
    let mut changes = Vec::new();
    for step in 0..500 {
        changes.push(sample(1, step * 10 * SECOND, if step == 250 { 70.0 } else { 24.0 }));
        changes.push(sample(2, step * 10 * SECOND, 20.0));
    }
    // The last of `a` is doubtful and nothing follows: it must not hold up the rest.
    changes.push(sample(1, 5_000 * SECOND, 70.0));
    changes.extend((500..700).map(|step| sample(2, step * 10 * SECOND, 20.0)));
    write(folder.path(), changes);
    let mut order = Vec::new();
    let mut visit = |position: usize, message: &JudgedMessage| {
        order.push((message.at, position, message.settled));
        std::ops::ControlFlow::Continue(())
    };
    let reader = Reader::open(folder.path()).unwrap();
    reader.history(&["b", "nobody", "a"], Stamp(0), Stamp(i64::MAX), Form::Corrected, &mut visit).unwrap();
    assert_eq!(order.len(), 1_201);
    assert!(order.is_sorted_by_key(|(at, position, _)| (*at, *position)));
    let doubtful: Vec<_> = order.iter().filter(|(.., settled)| !settled).collect();
    assert_eq!(doubtful, [&(Stamp(5_000 * SECOND), 2, false)]);

    let mut spikes = 0;
    let mut visit = |_: usize, message: &JudgedMessage| {
        assert_eq!((message.quality, message.settled), (GOOD, false), "as on arrival");
        spikes += usize::from(message.values[0] == Some(70.0));
        std::ops::ControlFlow::Continue(())
    };
    reader.history(&["a"], Stamp(0), Stamp(i64::MAX), Form::Unjudged, &mut visit).unwrap();
    assert_eq!(spikes, 2);
}

#[test]
fn the_correction_in_force_at_the_time_is_applied_after_judging() {
    let folder = tempfile::tempdir().unwrap();
    named(folder.path(), &["a"]);
    let correction = |since: i64, gain: f64, offset: f64| {
        let correction = Correction { gain, offset };
        let (since, made) = (Stamp(since), Stamp(0));
        Change::Correction(DatedCorrection { probe: 1, quantity: Quantity::Temperature, since, correction, made })
    };
    let mut changes = vec![correction(200 * SECOND, 2.0, 1.0), correction(i64::MIN, 1.0, -0.5)];
    changes.extend((0..40).map(|step| sample(1, step * 10 * SECOND, 24.0)));
    let quality = [Quality::Sentinel, Quality::Good, Quality::Good, Quality::Good];
    let error_code = Sample {
        probe: 1,
        at: Stamp(400 * SECOND),
        values: [Some(-127.0), None, None, None],
        quality,
        timing: Default::default(),
    };
    changes.push(Change::Sample(error_code));
    write(folder.path(), changes);
    let reader = Reader::open(folder.path()).unwrap();
    let readings = series(&reader, "a", 0, i64::MAX);
    assert!(readings[..20].iter().all(|reading| reading.value == 23.5));
    assert!(readings[20..40].iter().all(|reading| reading.value == 49.0 && reading.quality == Quality::Good));
    assert_eq!((readings[40].value, readings[40].quality), (-127.0, Quality::Sentinel), "an error code stays one");
    assert_eq!(reader.corrections().unwrap().len(), 2);
}

#[test]
fn duplicates_are_known_after_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    named(folder.path(), &["a", "b"]);
    let mut seen = Seen::new();
    let mut changes = Vec::new();
    for at in [10, 20, 20, 5, 10, 30] {
        if seen.insert(1, Stamp(at)) {
            changes.push(sample(1, at, 24.0));
        }
    }
    assert_eq!(changes.len(), 4);
    write(folder.path(), changes);
    let mut again = Reader::open(folder.path()).unwrap().known().unwrap();
    for at in [5, 10, 20, 30] {
        assert!(!again.insert(1, Stamp(at)));
    }
    assert_eq!((again.count(1), again.count(2)), (4, 0));
    assert_eq!(again.next_free(1, Stamp(10)), Stamp(11));
}

#[test]
fn newest_and_last_good_pass_over_what_is_not_believed() {
    let folder = tempfile::tempdir().unwrap();
    named(folder.path(), &["a"]);
    let with = |at: i64, values, quality| {
        Change::Sample(Sample { probe: 1, at: Stamp(at), values, quality, timing: Default::default() })
    };
    let future = [Quality::Future; 4];
    let sentinel = [Quality::Sentinel, Quality::Good, Quality::Good, Quality::Good];
    let day = 24 * 3600 * SECOND;
    write(
        folder.path(),
        vec![
            with(day, [Some(21.0), Some(80.0), None, None], GOOD),
            with(9 * day, [Some(-127.0), None, None, Some(50.0)], sentinel),
            with(99 * day, [Some(24.0), None, None, None], future),
            with(2 * day, [Some(22.0), None, None, None], GOOD), // late
        ],
    );
    let reader = Reader::open(folder.path()).unwrap();
    assert_eq!(reader.newest("a").unwrap().unwrap().at, Stamp(9 * day));
    assert_eq!(reader.newest("nobody").unwrap(), None);
    let last = reader.last_good("a").unwrap().map(|reading| reading.map(|reading| (reading.at.0 / day, reading.value)));
    assert_eq!(last, [Some((2, 22.0)), Some((1, 80.0)), None, Some((9, 50.0))]);
}

fn alert(id: i64, state: AlertState) -> Alert {
    Alert {
        id,
        subject: "tub A1".to_owned(),
        watch: Watch::CoreTemperature,
        severity: Severity::Critical,
        state,
        since: Stamp(1_000),
        first_at: Stamp(900),
        value: Some(31.25),
        limit: None,
        text: "Tub A1: substrate 31.3 °C.".to_owned(),
        returned_at: None,
        acknowledged_at: Some(Stamp(2_000)),
        ended_at: None,
        repeat: 2,
    }
}

fn outbox(id: i64) -> OutboxItem {
    OutboxItem {
        id,
        messenger: "phone".to_owned(),
        alert_id: 7,
        event: EventKind::RaisedAgain.into(),
        body: "{\"id\":7}".to_owned(),
        idempotency_key: "cellar/tub A1/core-temperature/900/raised-again/2".to_owned(),
        created_at: Stamp(5),
        tries: 0,
    }
}

#[test]
fn alerts_outbox_and_counters_come_back() {
    let folder = tempfile::tempdir().unwrap();
    let (open, ended) = (alert(7, AlertState::Acknowledged), alert(8, AlertState::Ended));
    write(
        folder.path(),
        vec![
            Change::Alert(alert(7, AlertState::Unacknowledged)),
            Change::Alert(ended.clone()),
            Change::Alert(open.clone()),
            Change::Outbox(outbox(1)),
            Change::Outbox(outbox(2)),
            Change::Tried { id: 2, tries: 3, error: "refused".to_owned() },
            Change::Delivered { id: 1, at: Stamp(9) },
            Change::AppliedUpTo(41),
            Change::Refused { probe: 1, count: 3 },
            Change::Refused { probe: 1, count: 5 },
            Change::Probe { id: 4, name: "new".to_owned() },
        ],
    );
    let reader = Reader::open(folder.path()).unwrap();
    assert_eq!(reader.alerts(true).unwrap(), std::slice::from_ref(&open));
    assert_eq!(reader.alerts(false).unwrap(), [open, ended]);
    assert_eq!(reader.outbox_waiting().unwrap(), [OutboxItem { tries: 3, ..outbox(2) }]);
    assert_eq!(reader.applied_up_to().unwrap(), 41);
    assert_eq!(reader.refused().unwrap(), [(1, 5)]);
    assert_eq!(reader.probes().unwrap(), [(4, "new".to_owned())]);
    let newest = reader.newest_ids().unwrap();
    assert_eq!((newest.entry, newest.alert, newest.outbox, newest.probe), (0, 8, 2, 4));
}

fn spawned(name: &str) -> Deed {
    Deed::Spawned(Box::new(Spawning { name: name.to_owned(), grain_l: Some(2.1), ..Spawning::default() }))
}

#[test]
fn entries_are_checked_against_the_logbook_and_polled_beside_the_daemon() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap(); // the daemon holds its lock meanwhile
    let reader = store.reader().unwrap();
    let before = reader.data_version().unwrap();
    let mut access = Access::open(folder.path()).unwrap();
    let id = append(&mut access, Stamp(5), Stamp(6), "A1-1970-01-01", spawned("A1"), |entries| {
        assert!(entries.is_empty());
        Ok::<(), String>(())
    })
    .unwrap();
    assert_ne!(reader.data_version().unwrap(), before);
    let refused = append(&mut access, Stamp(7), Stamp(8), "", Deed::Looked, |entries| {
        assert_eq!(entries.len(), 1);
        Err("no tub is called B9; alive: A1")
    });
    match refused {
        Err(AppendError::Refused(why)) => assert_eq!(why, "no tub is called B9; alive: A1"),
        other => panic!("{other:?}"),
    }
    let two = |_: &[Entry]| {
        let entry = |name: &str| NewEntry { at: Stamp(9), tub: format!("{name}-x"), deed: spawned(name) };
        Ok::<_, String>(vec![entry("A2"), entry("A3")])
    };
    let ids = append_resolved(&mut access, Stamp(10), two).unwrap();
    assert_eq!(ids, [id + 1, id + 2]);
    let expected =
        Entry { id, written_at: Stamp(6), at: Stamp(5), tub: "A1-1970-01-01".to_owned(), deed: spawned("A1") };
    assert_eq!(reader.entries().unwrap()[0], expected);
    assert_eq!(reader.entries_after(id).unwrap().len(), 2);
}

#[test]
fn a_second_run_is_told_and_a_command_is_not_hindered() {
    let folder = tempfile::tempdir().unwrap();
    let first = Store::open(folder.path()).unwrap();
    let told = Store::open(folder.path()).unwrap_err().to_string();
    assert!(told.contains("another tubwatch already runs on the store in"), "{told}");
    assert!(Access::open(folder.path()).is_ok());
    drop(first);
    assert!(Store::open(folder.path()).is_ok(), "the lock ends with its holder");
}

#[test]
fn somebody_elses_transaction_delays_commits_but_loses_nothing() {
    let folder = tempfile::tempdir().unwrap();
    named(folder.path(), &["a"]);
    let (tell, told) = mpsc::channel();
    let store = Store::open(folder.path()).unwrap();
    let report = move |report| tell.send(report).unwrap_or_default();
    let writer = Writer::start(store, Duration::from_secs(3600), report).unwrap();
    let other = rusqlite::Connection::open(folder.path().join("tubwatch.sqlite")).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let ticket = writer.write(vec![sample(1, 1, 24.0)], Urgency::AtOnce, 1);
    match told.recv_timeout(DEADLINE).unwrap() {
        Report::Failing { why, waiting } => {
            assert!(why.contains("another program is writing to it"), "{why}");
            assert_eq!(waiting, 1);
        }
        other => panic!("{other:?}"),
    }
    other.execute_batch("ROLLBACK").unwrap();
    match told.recv_timeout(DEADLINE).unwrap() {
        Report::Committed { ticket: stored, samples, .. } => assert_eq!((stored, samples), (ticket, 1)),
        other => panic!("{other:?}"),
    }
    writer.flush_and_stop(DEADLINE).unwrap();
    assert_eq!(Reader::open(folder.path()).unwrap().known().unwrap().count(1), 1);
}

/// Every way of opening must tell the same and leave the file's bytes as they are.
fn refused(folder: &Path, part: &str) {
    let file = folder.join("tubwatch.sqlite");
    let before = fs::read(&file).unwrap();
    for told in [
        Store::open(folder).map(|_| ()).unwrap_err().to_string(),
        Access::open(folder).map(|_| ()).unwrap_err().to_string(),
        Reader::open(folder).map(|_| ()).unwrap_err().to_string(),
    ] {
        assert!(told.contains(part), "{told}");
        assert!(told.contains("tubwatch.sqlite") && !told.contains('\n'), "{told}");
    }
    assert_eq!(fs::read(&file).unwrap(), before, "left as it was");
}

#[test]
fn a_file_that_is_no_store_or_damaged_or_newer_is_told_of_and_left_alone() {
    let new = || {
        let folder = tempfile::tempdir().unwrap();
        named(folder.path(), &["a"]);
        write(folder.path(), (0..5_000).map(|at| sample(1, at, 24.125)).collect());
        folder
    };
    let file = |folder: &tempfile::TempDir| folder.path().join("tubwatch.sqlite");

    let folder = new();
    fs::write(file(&folder), b"").unwrap();
    refused(folder.path(), "is damaged (it is empty)");

    let folder = new();
    fs::write(file(&folder), b"a shopping list").unwrap();
    refused(folder.path(), "is not a tubwatch store");

    let folder = new();
    let mut bytes = fs::read(file(&folder)).unwrap();
    bytes[100..4096].fill(0xA5); // behind the header: the schema's page
    fs::write(file(&folder), &bytes).unwrap();
    refused(folder.path(), "is damaged");

    let folder = new();
    let bytes = fs::read(file(&folder)).unwrap();
    fs::write(file(&folder), &bytes[..bytes.len() / 2]).unwrap();
    refused(folder.path(), "is damaged");

    let folder = new();
    rusqlite::Connection::open(file(&folder)).unwrap().execute_batch("PRAGMA user_version = 99").unwrap();
    refused(folder.path(), "was written by a newer tubwatch (schema 99");

    let folder = new();
    rusqlite::Connection::open(file(&folder)).unwrap().execute_batch("PRAGMA application_id = 5").unwrap();
    refused(folder.path(), "is not a tubwatch store");

    let folder = new();
    rusqlite::Connection::open(file(&folder)).unwrap().execute_batch("DROP TABLE alert").unwrap();
    refused(folder.path(), "is damaged (no such table: alert");
}

#[test]
fn a_folder_that_cannot_be_written_is_named() {
    // The kernel's own folder refuses even root.
    let told = Store::open(Path::new("/proc/self")).unwrap_err().to_string();
    assert!(told.starts_with("cannot open /proc/self/tubwatch.lock:"), "{told}");
    let told = Access::open(Path::new("/proc/self")).unwrap_err().to_string();
    assert!(told.starts_with("cannot make /proc/self/tubwatch.sqlite:"), "{told}");
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("file"), b"x").unwrap();
    let told = Store::open(&folder.path().join("file")).unwrap_err().to_string();
    assert!(told.starts_with("cannot make the folder"), "{told}");
    assert!(Reader::open(folder.path()).is_err(), "a reader makes nothing");
}

#[test]
fn a_command_makes_the_store_whole_and_leaves_nothing_beside() {
    let folder = tempfile::tempdir().unwrap();
    let deep = folder.path().join("made/here");
    drop(Access::open(&deep).unwrap());
    let names: Vec<_> = fs::read_dir(&deep).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(names, ["tubwatch.sqlite"], "no lock, no leftovers");
    let connection = rusqlite::Connection::open(deep.join("tubwatch.sqlite")).unwrap();
    let pragma = |name: &str| -> i64 { connection.query_row(name, [], |row| row.get(0)).unwrap() };
    assert_eq!(pragma("PRAGMA application_id"), 0x5455_4257);
    assert_eq!(pragma("PRAGMA user_version"), tubwatch::store::schema::VERSION);
    let mode: String = connection.query_row("PRAGMA journal_mode", [], |row| row.get(0)).unwrap();
    assert_eq!(mode, "wal");
}

#[test]
fn what_stands_is_read_back_and_anything_else_is_said() {
    let folder = tempfile::tempdir().unwrap();
    assert_eq!(standing::read(folder.path()).unwrap(), None);
    let entry = Entry { id: 3, written_at: Stamp(2), at: Stamp(1), tub: "A1-x".to_owned(), deed: spawned("A1") };
    let alerts = vec![alert(7, AlertState::Returned)];
    let stands = Standing { entries: vec![entry], alerts, newest_alert: 9, is_unstored: true };
    standing::write(folder.path(), &Standing::default()).unwrap();
    standing::write(folder.path(), &stands).unwrap();
    assert_eq!(standing::read(folder.path()).unwrap(), Some(stands));
    let file = folder.path().join("standing.json");
    let text = fs::read_to_string(&file).unwrap();
    fs::write(&file, text.replace("\"format\": 1", "\"format\": 0")).unwrap();
    let told = standing::read(folder.path()).unwrap_err().to_string();
    assert!(told.contains("it has format 0, this version knows 1"), "{told}");
    fs::write(&file, &text[..text.len() / 2]).unwrap();
    let told = standing::read(folder.path()).unwrap_err().to_string();
    assert!(told.contains("it is damaged"), "{told}");
}
