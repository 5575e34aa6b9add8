//! The rule of the group commit, by hand-set clocks; failures, by SQLite's own page limit.

#![allow(clippy::unwrap_used, clippy::panic)]

use std::sync::mpsc;

use super::super::group::GIVEN_UP_AT_ONCE;
use super::*;
use crate::climate::Quality;
use crate::store::Sample;

const LONG: Duration = Duration::from_secs(3600);
const DEADLINE: Duration = Duration::from_secs(30);

fn sample(at: i64) -> Change {
    let quality = [Quality::Good; 4];
    Change::Sample(Sample {
        probe: 1,
        at: Stamp(at),
        values: [Some(24.5), None, None, None],
        quality,
        timing: Default::default(),
    })
}

fn group(count: i64, awaited: bool) -> Group {
    let mut group = Group::default();
    for at in 0..count {
        let Change::Sample(sample) = sample(at) else { panic!("a sample") };
        group.samples.push_back(SampleRow::new(&sample, awaited));
    }
    group
}

fn started(folder: &std::path::Path, pages: Option<i64>) -> (Writer, mpsc::Receiver<Report>) {
    let store = Store::open(folder).unwrap();
    if let Some(pages) = pages {
        let now: i64 = store.connection.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap();
        store.connection.pragma_update(None, "max_page_count", now + pages).unwrap();
    }
    let (tell, told) = mpsc::channel();
    let writer = Writer::start(store, LONG, move |report| tell.send(report).unwrap_or_default()).unwrap();
    (writer, told)
}

#[test]
fn a_commit_is_due_by_acks_by_age_or_at_once() {
    let now = Instant::now();
    let every = Duration::from_secs(10);
    let waiting = |acks: usize, since_s: u64, urgent: bool| Queue {
        group: Group { acks, ..group(1, acks > 0) },
        since: Some(now - Duration::from_secs(since_s)),
        urgent,
        ..Queue::default()
    };
    assert_eq!(Queue::default().due(now, every), Due::Never);
    for (queue, due) in [
        (waiting(0, 4, false), Due::In(Duration::from_secs(6))),
        (waiting(15, 4, false), Due::In(Duration::from_secs(6))),
        (waiting(16, 0, false), Due::Now),
        (waiting(0, 10, false), Due::Now),
        (waiting(0, 99, false), Due::Now),
        (waiting(0, 0, true), Due::Now),
    ] {
        assert_eq!(queue.due(now, every), due);
    }
}

#[test]
fn sixteen_acks_make_one_commit_and_an_urgent_change_takes_all_with_it() {
    let folder = tempfile::tempdir().unwrap();
    let (writer, told) = started(folder.path(), None);
    for at in 0..16 {
        writer.write(vec![sample(at)], Urgency::WhenDue, 1);
    }
    match told.recv_timeout(DEADLINE).unwrap() {
        Report::Committed { ticket, samples, .. } => assert_eq!((ticket, samples), (16, 16)),
        other => panic!("{other:?}"),
    }
    for at in 16..30 {
        writer.write(vec![sample(at)], Urgency::WhenDue, 0);
    }
    assert_eq!(writer.waiting(), Waiting { samples: 14, acks: 0 });
    let last = writer.write(vec![Change::AppliedUpTo(3)], Urgency::AtOnce, 0);
    match told.recv_timeout(DEADLINE).unwrap() {
        Report::Committed { ticket, samples, .. } => assert_eq!((ticket, samples), (last, 14)),
        other => panic!("{other:?}"),
    }
    assert_eq!(writer.waiting(), Waiting::default());
    writer.flush_and_stop(DEADLINE).unwrap();
    assert_eq!(told.try_recv(), Err(mpsc::TryRecvError::Disconnected), "no commit but those two");
}

#[test]
fn a_full_disk_is_told_and_nothing_is_lost_or_doubled() {
    let folder = tempfile::tempdir().unwrap();
    let (writer, told) = started(folder.path(), Some(1));
    let many: Vec<Change> = (0..5_000).map(sample).collect();
    writer.write(many, Urgency::AtOnce, 0);
    match told.recv_timeout(DEADLINE).unwrap() {
        Report::Failing { why, waiting } => {
            assert!(why.contains("the disk is full"), "{why}");
            assert_eq!(waiting, 5_000);
        }
        other => panic!("{other:?}"),
    }
    // The limit belonged to the connection; the one opened after the failure has room.
    let last = writer.write(vec![sample(5_000)], Urgency::AtOnce, 0);
    let mut stored = 0;
    loop {
        match told.recv_timeout(DEADLINE).unwrap() {
            Report::Committed { ticket, samples, .. } => {
                stored += samples;
                if ticket == last {
                    break;
                }
            }
            other => panic!("{other:?}"),
        }
    }
    assert_eq!(stored, 5_001);
    writer.flush_and_stop(DEADLINE).unwrap();
    let seen = super::super::Reader::open(folder.path()).unwrap().known().unwrap();
    assert_eq!(seen.count(1), 5_001);
}

#[test]
fn a_commit_that_failed_only_in_the_telling_is_not_repeated() {
    let folder = tempfile::tempdir().unwrap();
    let mut committer = Committer::new(Store::open(folder.path()).unwrap()).unwrap();
    let mut first = group(10, true);
    assert_eq!(committer.commit(&mut first).unwrap(), 10);
    // As if that commit had ended in an error although it reached the disk.
    committer.pretend_failed(0, 10);
    first.append(Group { samples: group(12, true).samples.split_off(10), ..Group::default() });
    assert_eq!(committer.commit(&mut first).unwrap(), 12);
    assert_eq!(first.samples.len(), 2, "only what was new is written now");
    drop(committer);
    let rows: i64 = Store::open(folder.path())
        .unwrap()
        .connection
        .query_row("SELECT count(*) FROM sample", [], |row| row.get(0))
        .unwrap();
    assert_eq!(rows, 12);
}

#[test]
fn too_many_are_given_up_oldest_first_but_never_awaited_ones() {
    let (mut dropped, mut more) = (Vec::new(), 0);
    let mut queue = group(10, true);
    queue.others.push_back(Change::AppliedUpTo(1));
    queue.append(group(QUEUE_SAMPLES as i64, false));
    assert_eq!(queue.give_up(15, &mut dropped, &mut more), 5, "five of the first fifteen were not awaited");
    assert_eq!(dropped.len(), 10 + GIVEN_UP_AT_ONCE);
    assert_eq!((dropped[0], more), ((1, Stamp(0)), 0));
    assert!(queue.samples.iter().take(10).all(|row| row.awaited));
    assert_eq!(queue.samples[10].at, dropped.len() as i64);
    assert_eq!(queue.others.len(), 1);
}

#[test]
fn a_store_that_was_taken_away_is_told_and_never_made_anew() {
    let folder = tempfile::tempdir().unwrap();
    let (writer, told) = started(folder.path(), None);
    let (file, aside) = (folder.path().join("tubwatch.sqlite"), folder.path().join("aside"));
    std::fs::rename(&file, &aside).unwrap();
    writer.write(vec![sample(1)], Urgency::AtOnce, 1);
    match told.recv_timeout(DEADLINE).unwrap() {
        Report::Failing { why, .. } => assert!(why.contains("taken away"), "{why}"),
        other => panic!("{other:?}"),
    }
    assert!(!file.exists());
    std::fs::rename(&aside, &file).unwrap();
    match told.recv_timeout(DEADLINE).unwrap() {
        Report::Committed { samples, .. } => assert_eq!(samples, 1),
        other => panic!("{other:?}"),
    }
    writer.flush_and_stop(DEADLINE).unwrap();
}

#[test]
fn stopping_in_front_of_a_disk_that_refuses_ends_in_time_and_says_what_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let (writer, _told) = started(folder.path(), None);
    std::fs::rename(folder.path().join("tubwatch.sqlite"), folder.path().join("aside")).unwrap();
    writer.write(vec![sample(1), Change::AppliedUpTo(1)], Urgency::WhenDue, 0);
    let lost = writer.flush_and_stop(Duration::from_millis(50)).unwrap_err();
    assert_eq!((lost.samples, lost.others), (1, 1));
    assert!(lost.why.contains("taken away"), "{lost}");
}
