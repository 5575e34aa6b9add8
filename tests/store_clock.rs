//! Samples dated anew after a step of the clock, in rows and in chunks: held against a plain model.
#![allow(clippy::unwrap_used, clippy::panic)]

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::path::Path;
use std::time::Duration;

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use tubwatch::climate::stamp::{DAY_MS, HOUR_MS, MINUTE_MS};
use tubwatch::climate::{Quality, Quantity, Stamp};
use tubwatch::store::history::Form;
use tubwatch::store::{Change, OutboxItem, Reader, Sample, Store, Tells, Timing, Urgency, Writer};
use tubwatch::watch::alert::{Alert, AlertState, EventKind, Severity, Watch};
use tubwatch::watch::clock::{self, Sight, Stretch, Trust};

/// 2026-11-25T06:00:00Z, and the machine started a day before.
const NOW: i64 = 1_795_586_400_000;
const SINCE_BOOT: i64 = DAY_MS;

/// Time, values' first, quality's first, the mark.
type Told = (i64, f64, Quality, bool);

fn write(folder: &Path, changes: Vec<Change>) {
    let writer = Writer::start(Store::open(folder).unwrap(), Duration::from_secs(60), |_| ()).unwrap();
    writer.write(changes, Urgency::AtOnce, 0);
    writer.flush_and_stop(Duration::from_secs(30)).unwrap();
}

fn told(folder: &Path, probe: &str) -> Vec<Told> {
    let reader = Reader::open(folder).unwrap();
    let mut told = Vec::new();
    let mut visit = |_: usize, message: &tubwatch::store::JudgedMessage| {
        told.push((message.at.0, message.values[0].unwrap(), message.quality[0], message.clock_unsure));
        ControlFlow::Continue(())
    };
    reader.history(&[probe], Stamp(i64::MIN), Stamp(i64::MAX), Form::Raw, &mut visit).unwrap();
    // The column by itself says the same.
    let mut column = Vec::new();
    let mut take = |reading: tubwatch::climate::Reading, unsure: bool| {
        column.push((reading.at.0, reading.value, reading.quality, unsure));
        ControlFlow::Continue(())
    };
    reader.readings(probe, Quantity::Temperature, Stamp(i64::MIN), Stamp(i64::MAX), &mut take).unwrap();
    assert_eq!(column, told);
    told
}

/// The quarter-hours say what the readings do.
fn check_quarters(folder: &Path, probe: &str) {
    let mut wanted: BTreeMap<i64, u64> = BTreeMap::new();
    for (at, _, quality, _) in told(folder, probe) {
        if quality == Quality::Good {
            *wanted.entry(at.div_euclid(15 * MINUTE_MS)).or_default() += 1;
        }
    }
    let mut found = BTreeMap::new();
    let reader = Reader::open(folder).unwrap();
    let mut visit = |quarter: &tubwatch::store::summary::Quarter| {
        *found.entry(quarter.start.0.div_euclid(15 * MINUTE_MS)).or_default() += quarter.count;
    };
    reader.quarters(probe, Quantity::Temperature, Stamp(i64::MIN / 2), Stamp(i64::MAX / 2), &mut visit).unwrap();
    assert_eq!(found, wanted);
}

fn connection(folder: &Path) -> rusqlite::Connection {
    rusqlite::Connection::open(folder.join("tubwatch.sqlite")).unwrap()
}

fn sample(probe: i64, at: i64, value: f64, quality: Quality, timing: Timing) -> Sample {
    Sample { probe, at: Stamp(at), values: [Some(value), None, None, None], quality: [quality; 4], timing }
}

fn stretch(id: u32, boot: &str, offset_ms: i64, trust: Trust) -> Stretch {
    let since = Stamp(offset_ms + 1_000);
    Stretch { id, boot: boot.to_owned(), since, offset_ms, trust, why: String::new() }
}

fn sight(is_synchronised: bool) -> Sight {
    let boot = "this".to_owned();
    Sight { wall: Stamp(NOW), since_boot_ms: SINCE_BOOT, boot, is_synchronised: Some(is_synchronised) }
}

/// A store in which clocks were wrong: stretch 1 of another boot, 2 (years behind) and 3 (`off_ms`
/// from right) of this one. Some samples are sealed. Gives, by probe, what it should say in the end.
fn wrong_clocks(folder: &Path, off_ms: i64) -> Vec<Vec<Told>> {
    let right = NOW - SINCE_BOOT;
    let mut random = StdRng::seed_from_u64(off_ms.unsigned_abs());
    Store::open(folder).unwrap().probe_ids(&["a", "b"]).unwrap();
    let stretches = [
        stretch(1, "that", right - 900 * DAY_MS, Trust::Wrong),
        stretch(2, "this", right - 2_500 * DAY_MS, Trust::Wrong),
        stretch(3, "this", right + off_ms, Trust::Plausible),
    ];
    write(folder, stretches.map(Change::Clock).to_vec());
    let (mut changes, mut wanted) = (Vec::new(), vec![Vec::new(), Vec::new()]);
    let mut put = |probe: i64, at: i64, quality, timing, end: (i64, Quality, bool)| {
        let value = 20.0 + f64::from(random.random_range(0..50_u8)) / 100.0;
        changes.push(Change::Sample(sample(probe, at, value, quality, timing)));
        wanted[probe as usize - 1].push((end.0, value, end.1, end.2));
    };
    for n in 0..1_200_i64 {
        for probe in [1, 2] {
            let (since_boot, jitter) = (60_000 + n * 30_000, n * 37 % 50 + probe);
            let good = Quality::Good;
            // Long ago, by a clock that was right; and by one that was not, and cannot be put right.
            let old = NOW - 300 * DAY_MS + n * 30_000 + jitter;
            put(probe, old, good, Timing::SETTLED, (old, good, false));
            let lost = right - 900 * DAY_MS + since_boot + jitter;
            put(probe, lost, good, Timing::new(1, false), (lost, good, true));
            // This boot's: first years behind, then a little off.
            let (number, off) = if n < 600 { (2, -2_500 * DAY_MS) } else { (3, off_ms) };
            let truth = right + since_boot + jitter;
            put(probe, truth + off, good, Timing::new(number, false), (truth, good, false));
        }
    }
    // Times of their own: one was held for the future, another is.
    let ahead = NOW - 7 * HOUR_MS;
    put(1, ahead, Quality::Future, Timing::new(3, true), (ahead, Quality::Good, false));
    let far = NOW + 3 * DAY_MS;
    put(1, far, Quality::Good, Timing::new(2, true), (far, Quality::Future, false));
    let undated = right + 50_000_000 + off_ms;
    put(2, undated, Quality::Undated, Timing::new(3, false), (undated - off_ms, Quality::Undated, false));
    let later = changes.split_off(changes.len() / 2);
    write(folder, changes);
    Store::open(folder).unwrap().seal().unwrap();
    write(folder, later);
    wanted.iter_mut().for_each(|told| told.sort_by_key(|told| told.0));
    wanted
}

#[test]
fn what_a_wrong_clock_dated_is_put_right_in_rows_and_chunks() {
    for (off_ms, confirmed) in [(HOUR_MS, true), (-3 * HOUR_MS, false), (30_000, true), (-30_000, false)] {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        let wanted = wrong_clocks(folder, off_ms);
        let sealed = "SELECT count(*) FROM chunk WHERE clock >= 2";
        let sealed: i64 = connection(folder).query_row(sealed, [], |row| row.get(0)).unwrap();
        assert!(sealed >= 2, "{sealed}");
        let newest = |left_out: &[u32]| {
            let reader = Reader::open(folder).unwrap();
            NOW - reader.newest_but(&left_out.iter().copied().collect()).unwrap().unwrap().0
        };
        assert_eq!(newest(&[]), -3 * DAY_MS);
        assert_eq!(newest(&[1, 2, 3]) / DAY_MS, 299, "what no wrong clock dated");
        let mut store = Store::open(folder).unwrap();
        let begun = clock::begin(&store.reader().unwrap().stretches().unwrap(), &sight(confirmed), None);
        assert_eq!(begun.moves.iter().map(|one| one.stretch).collect::<Vec<_>>(), [2, 3]);
        let fact = Change::Fact { key: "forward:farm".to_owned(), value: "{}".to_owned() };
        assert_eq!(store.redate(&begun, Stamp(NOW), &[fact]).unwrap(), 2_401);
        drop(store);
        for again in [false, true] {
            for (wanted, probe) in wanted.iter().zip(["a", "b"]) {
                let found = told(folder, probe);
                assert_eq!(found.len(), wanted.len(), "each once");
                for (found, wanted) in found.iter().zip(wanted) {
                    // A place that was taken may be passed by a few milliseconds.
                    assert!((0..200).contains(&(found.0 - wanted.0)), "{found:?} {wanted:?} {off_ms}");
                    assert_eq!((found.2, found.3), (wanted.2, wanted.3), "{found:?} {off_ms}");
                }
                let sum = |told: &[Told]| told.iter().map(|told| (told.1 * 100.0).round() as i64).sum::<i64>();
                assert_eq!(sum(&found), sum(wanted));
                check_quarters(folder, probe);
            }
            if !again {
                Store::open(folder).unwrap().seal().unwrap();
            }
        }
        let reader = Reader::open(folder).unwrap();
        let left: Vec<_> = reader.stretches().unwrap().into_iter().map(|it| (it.id, it.trust)).collect();
        let new = if confirmed { Trust::Right } else { Trust::Plausible };
        assert_eq!(left, [(1, Trust::Wrong), (4, new)]);
        assert_eq!(reader.fact("forward:farm").unwrap().as_deref(), Some("{}"));
    }
}

fn alert(id: i64, watch: Watch, at: i64) -> Alert {
    Alert {
        id,
        subject: "x".to_owned(),
        watch,
        severity: Severity::Warning,
        state: AlertState::Unacknowledged,
        since: Stamp(at),
        first_at: Stamp(at - 1_000),
        value: None,
        limit: None,
        text: "x".to_owned(),
        returned_at: None,
        acknowledged_at: None,
        ended_at: None,
        repeat: 0,
    }
}

#[test]
fn open_alerts_go_with_the_clock() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let right = NOW - SINCE_BOOT;
    let old = right - 2_500 * DAY_MS + HOUR_MS;
    let own = NOW - 2 * HOUR_MS;
    let alerts =
        [alert(1, Watch::CoreTemperature, old), alert(2, Watch::Temperature, own), alert(3, Watch::Store, old)];
    let mut changes: Vec<Change> = alerts.into_iter().map(Change::Alert).collect();
    changes.push(Change::Clock(stretch(1, "this", right - 2_500 * DAY_MS, Trust::Wrong)));
    write(folder, changes);
    let mut store = Store::open(folder).unwrap();
    let begun = clock::begin(&store.reader().unwrap().stretches().unwrap(), &sight(true), None);
    store.redate(&begun, Stamp(NOW), &[]).unwrap();
    let since: Vec<i64> = store.reader().unwrap().alerts(true).unwrap().iter().map(|it| it.since.0).collect();
    assert_eq!(since, [right + HOUR_MS, own, right + HOUR_MS], "one was raised by a probe's own time");
}

#[test]
fn what_was_told_goes_with_the_clock_and_once() {
    let right = NOW - SINCE_BOOT;
    let minutes_ago = |minutes: i64| NOW - minutes * MINUTE_MS;
    // Two hours ahead from the boot on, half an hour ahead for a while (neither could be put right at once),
    // right for an hour: first as the step to it is seen, then as it is made good later.
    for is_later in [false, true] {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        let ahead = |id, by_ms: i64, since: i64| Stretch {
            since: Stamp(since + by_ms),
            ..stretch(id, "this", right + by_ms, Trust::Plausible)
        };
        let mut stretches = vec![
            ahead(1, 2 * HOUR_MS, right + 1_000),
            ahead(2, HOUR_MS / 2, minutes_ago(240)),
            ahead(3, 0, minutes_ago(60)),
        ];
        if !is_later {
            stretches.pop();
        }
        // When in truth, under which clock (by which it is ahead): none lies in the window of another.
        let mut times = vec![(1_200, 120), (500, 120), (140, 30), (100, 30)];
        if is_later {
            times.extend([(20, 0), (50, 0)]);
        }
        let mut changes: Vec<Change> = stretches.into_iter().map(Change::Clock).collect();
        for (id, (minutes, ahead)) in (1..).zip(&times) {
            let at = minutes_ago(*minutes) + ahead * MINUTE_MS;
            changes.push(Change::Alert(alert(id, Watch::CoreTemperature, at)));
            changes.push(Change::Outbox(OutboxItem {
                id,
                messenger: "phone".to_owned(),
                alert_id: id,
                event: Tells::Event(EventKind::Raised),
                body: "{}".to_owned(),
                idempotency_key: format!("key-{id}"),
                created_at: Stamp(at),
                tries: 0,
            }));
            if id % 2 == 0 {
                changes.push(Change::Delivered { id, at: Stamp(at + 500) });
            }
        }
        write(folder, changes);
        let mut store = Store::open(folder).unwrap();
        let begun = clock::begin(&store.reader().unwrap().stretches().unwrap(), &sight(false), None);
        assert_eq!((begun.moves.len(), begun.stepped_ms.is_none()), (2, is_later));
        store.redate(&begun, Stamp(NOW), &[]).unwrap();
        drop(store);
        let wanted: Vec<i64> = times.iter().map(|(minutes, _)| minutes_ago(*minutes)).collect();
        let reader = Reader::open(folder).unwrap();
        let since: Vec<i64> = reader.alerts(true).unwrap().iter().map(|alert| alert.since.0).collect();
        assert_eq!(since, wanted);
        let told = "SELECT created_at, ifnull(delivered_at - created_at, 500) FROM outbox ORDER BY id";
        let connection = connection(folder);
        let mut told = connection.prepare(told).unwrap();
        let told = told.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
        let told: Vec<(i64, i64)> = told.collect::<Result<_, _>>().unwrap();
        assert_eq!(told, wanted.iter().map(|at| (*at, 500)).collect::<Vec<_>>());
    }
}

#[test]
fn alerts_of_the_machine_go_with_each_step_and_not_again_when_the_clock_is_confirmed() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let right = NOW - SINCE_BOOT;
    let ahead = NOW - 10 * MINUTE_MS + HOUR_MS;
    let mut changes = vec![Change::Clock(stretch(1, "this", right + HOUR_MS, Trust::Plausible))];
    changes.push(Change::Alert(alert(1, Watch::ProbeSilent, ahead)));
    changes.push(Change::Alert(alert(2, Watch::CoreTemperature, ahead)));
    write(folder, changes);
    let since = || -> Vec<i64> {
        let reader = Reader::open(folder).unwrap();
        reader.alerts(true).unwrap().iter().map(|alert| alert.since.0).collect()
    };
    let step = |newest, is_synchronised, now| {
        let mut store = Store::open(folder).unwrap();
        let sight = Sight { wall: Stamp(now), since_boot_ms: now - right, ..sight(is_synchronised) };
        let begun = clock::begin(&store.reader().unwrap().stretches().unwrap(), &sight, newest);
        store.redate(&begun, Stamp(now), &[]).unwrap();
        begun.stretch.trust
    };
    // A sample of a probe whose own clock is ahead: the machine's, once right, is held for wrong.
    assert_eq!(step(Some(Stamp(NOW + HOUR_MS / 2)), false, NOW), Trust::Wrong);
    assert_eq!(since(), [ahead - HOUR_MS, ahead]);
    assert_eq!(step(None, true, NOW + 5 * MINUTE_MS), Trust::Right);
    assert_eq!(since(), [ahead - HOUR_MS, ahead - HOUR_MS]);
}

#[test]
fn each_chunk_is_moved_though_the_next_takes_the_number_of_the_one_before() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let right = NOW - SINCE_BOOT;
    Store::open(folder).unwrap().probe_ids(&["a"]).unwrap();
    write(folder, vec![Change::Clock(stretch(1, "this", right + HOUR_MS, Trust::Plausible))]);
    let at = |n: i64| right + HOUR_MS + 60_000 + n * 10_000;
    let row = |n: i64| Change::Sample(sample(1, at(n), (n % 50) as f64 / 10.0, Quality::Good, Timing::new(1, false)));
    for rows in [0..4_680, 4_680..6_240] {
        write(folder, rows.map(row).collect());
        Store::open(folder).unwrap().seal().unwrap();
    }
    let count = || connection(folder).query_row("SELECT count(*) FROM chunk", [], |row| row.get::<_, i64>(0)).unwrap();
    assert_eq!(count(), 2);
    let mut store = Store::open(folder).unwrap();
    let begun = clock::begin(&store.reader().unwrap().stretches().unwrap(), &sight(false), None);
    store.redate(&begun, Stamp(NOW), &[]).unwrap();
    drop(store);
    let found: Vec<i64> = told(folder, "a").iter().map(|told| told.0).collect();
    let wanted: Vec<i64> = (0..6_240).map(|n| at(n) - HOUR_MS).collect();
    assert_eq!(found.len(), wanted.len());
    let off: Vec<i64> = found.iter().zip(&wanted).map(|(found, wanted)| found - wanted).collect();
    // A place that was taken may be passed by a millisecond.
    assert!(off.iter().all(|ms| (0..10).contains(ms)), "{:?}", off.iter().filter(|ms| !(0..10).contains(*ms)).count());
}
