//! The logbook as pure functions: what entries make of a tub, and which entries are refused.

#![allow(clippy::unwrap_used, clippy::panic)]

use chrono_tz::Europe::Lisbon;
use proptest::prelude::*;

use tubwatch::climate::Stamp;
use tubwatch::grow::logbook::{Deed, Entry, Known, KnownProbe, Spawning, check, fold, tubs};
use tubwatch::grow::moment::{Moment, parse};
use tubwatch::grow::tub::{Stage, Tub};
use tubwatch::grow::wrong::Wrong;

const NOW: &str = "2027-02-01 12:00";

/// Any local time, unchecked against a clock.
fn at(text: &str) -> Stamp {
    moment(text).at
}

fn moment(text: &str) -> Moment {
    parse(text, Lisbon, Stamp(0)).unwrap()
}

/// A logbook under construction; ids count from 1.
#[derive(Clone, Default)]
struct Typed(Vec<Entry>);

impl Typed {
    fn add(&mut self, tub: &str, when: &str, deed: Deed) -> i64 {
        let id = self.0.len() as i64 + 1;
        let at = at(when);
        self.0.push(Entry { id, written_at: at, at, tub: tub.to_owned(), deed });
        id
    }

    /// A1, spawned on 18 November 2026 at ten.
    fn spawned() -> Typed {
        let mut typed = Typed::default();
        typed.add("A1-2026-11-18", "2026-11-18 10:00", spawning("A1", None));
        typed
    }

    fn log(&mut self, when: &str, deed: Deed) -> i64 {
        self.add("A1-2026-11-18", when, deed)
    }

    fn tub(&self) -> Tub {
        tubs(&self.0, Lisbon).into_iter().next().unwrap()
    }

    fn odd(&self) -> Vec<i64> {
        fold(&self.0, Lisbon).oddities().iter().map(|oddity| oddity.entry).collect()
    }
}

fn spawning(name: &str, core: Option<&str>) -> Deed {
    Deed::Spawned(Box::new(Spawning {
        name: name.to_owned(),
        culture: "winter-oyster".to_owned(),
        space: "shelf".to_owned(),
        kind: "tub".to_owned(),
        core: core.map(str::to_owned),
        ..Spawning::default()
    }))
}

fn harvest(fresh_g: f64, flush: Option<u32>) -> Deed {
    Deed::Harvested { fresh_g, dry_g: None, flush }
}

fn amend(entry: i64) -> Deed {
    Deed::Amended { entry, void: false, at_ms: None, fresh_g: None, dry_g: None, text: None }
}

fn void(entry: i64) -> Deed {
    Deed::Amended { entry, void: true, at_ms: None, fresh_g: None, dry_g: None, text: None }
}

fn amend_at(entry: i64, when: &str) -> Deed {
    Deed::Amended { entry, void: false, at_ms: Some(at(when).0), fresh_g: None, dry_g: None, text: None }
}

fn amend_fresh(entry: i64, fresh_g: f64) -> Deed {
    Deed::Amended { entry, void: false, at_ms: None, fresh_g: Some(fresh_g), dry_g: None, text: None }
}

fn discard(because: &str) -> Deed {
    Deed::Discarded { because: because.to_owned() }
}

const OPEN: Deed = Deed::Opened { to: None };

#[test]
fn every_row_of_the_stage_table() {
    use Stage::{Colonising, Ended, Fruiting, Pinning, Resting, Ripening};
    let rows: Vec<(Vec<Deed>, Deed, Option<Stage>)> = vec![
        (vec![], Deed::Looked, Some(Colonising)),
        (vec![], Deed::Cased, Some(Colonising)),
        (vec![], Deed::Suspected { what: None, place: None }, Some(Colonising)),
        (vec![], Deed::Noted { text: "mist on the lid".to_owned() }, Some(Colonising)),
        (vec![], Deed::Colonised, Some(Ripening)),
        (vec![], OPEN, Some(Pinning)),
        (vec![], Deed::Pins, Some(Fruiting)),
        (vec![], harvest(100.0, None), Some(Fruiting)),
        (vec![], Deed::Closed, None),
        (vec![], Deed::Rested, None),
        (vec![], Deed::Soaked, Some(Resting)),
        (vec![], discard("contaminated"), Some(Ended)),
        (vec![Deed::Colonised], Deed::Colonised, None),
        (vec![Deed::Colonised], OPEN, Some(Pinning)),
        (vec![Deed::Colonised], Deed::Closed, None),
        (vec![Deed::Colonised], Deed::Pins, Some(Fruiting)),
        (vec![Deed::Colonised], harvest(100.0, None), Some(Fruiting)),
        (vec![Deed::Colonised], Deed::Soaked, Some(Resting)),
        (vec![OPEN], OPEN, None),
        (vec![OPEN], Deed::Closed, Some(Colonising)),
        (vec![OPEN], Deed::Colonised, Some(Pinning)),
        (vec![OPEN], Deed::Pins, Some(Fruiting)),
        (vec![OPEN], harvest(100.0, None), Some(Fruiting)),
        (vec![OPEN], Deed::Rested, Some(Resting)),
        (vec![Deed::Colonised, OPEN], Deed::Closed, Some(Ripening)),
        (vec![Deed::Colonised, OPEN, Deed::Closed], OPEN, Some(Pinning)),
        (vec![OPEN, Deed::Pins], OPEN, None),
        (vec![OPEN, Deed::Pins], Deed::Pins, Some(Fruiting)),
        (vec![OPEN, harvest(100.0, None)], Deed::Rested, Some(Resting)),
        (vec![OPEN, harvest(100.0, None)], Deed::Soaked, Some(Resting)),
        (vec![OPEN, harvest(100.0, None)], OPEN, Some(Pinning)),
        (vec![OPEN, harvest(100.0, None), Deed::Rested], OPEN, Some(Pinning)),
        (vec![OPEN, harvest(100.0, None), Deed::Rested], Deed::Pins, Some(Fruiting)),
        (vec![OPEN, harvest(100.0, None), Deed::Rested], Deed::Soaked, Some(Resting)),
        (vec![OPEN, harvest(100.0, None), Deed::Rested], harvest(50.0, None), Some(Fruiting)),
        (vec![discard("spent")], Deed::Noted { text: "composted".to_owned() }, Some(Ended)),
        (vec![discard("spent")], harvest(10.0, None), None),
        (vec![discard("spent")], Deed::Looked, None),
        (vec![discard("spent")], discard("other"), None),
    ];
    for (before, deed, stage) in rows {
        let mut typed = Typed::spawned();
        for (day, deed) in before.iter().enumerate() {
            typed.log(&format!("2026-12-{:02} 09:00", day + 1), deed.clone());
        }
        assert!(typed.odd().is_empty(), "{before:?}");
        let was = typed.tub().stage;
        let id = typed.log("2026-12-20 09:00", deed.clone());
        let expected = if stage.is_none() { vec![id] } else { vec![] };
        assert_eq!(typed.odd(), expected, "{before:?} then {deed:?}");
        let tub = typed.tub();
        assert_eq!(tub.stage, stage.unwrap_or(was), "{before:?} then {deed:?}");
        assert_eq!(tub.stages.last().unwrap().value, tub.stage);
    }
}

#[test]
fn what_a_harvest_implies() {
    // Nothing logged before: colonised and opened by the harvest itself.
    let mut typed = Typed::spawned();
    typed.log("2026-12-10 09:00", harvest(100.0, None));
    let tub = typed.tub();
    assert_eq!((tub.colonised_at, tub.opened_at), (Some(at("2026-12-10 09:00")), Some(at("2026-12-10 09:00"))));

    // Opened before: it was colonised by then.
    let mut typed = Typed::spawned();
    typed.log("2026-12-01 09:00", OPEN);
    typed.log("2026-12-10 09:00", harvest(100.0, None));
    assert_eq!(typed.tub().colonised_at, Some(at("2026-12-01 09:00")));

    // Opened too early and closed again: that opening proves nothing.
    let mut typed = Typed::spawned();
    typed.log("2026-11-25 09:00", OPEN);
    typed.log("2026-11-25 09:05", Deed::Closed);
    typed.log("2026-12-10 09:00", harvest(100.0, None));
    assert_eq!(typed.tub().colonised_at, Some(at("2026-12-10 09:00")));

    // Logged afterwards with its own time, the real one holds.
    typed.log("2026-12-02 09:00", Deed::Colonised);
    assert_eq!(typed.tub().colonised_at, Some(at("2026-12-02 09:00")));
    assert!(typed.odd().is_empty());
}

#[test]
fn contamination_is_dated_by_its_first_sign() {
    let mut typed = Typed::spawned();
    typed.log("2026-11-28 09:00", Deed::Suspected { what: Some("green".to_owned()), place: None });
    typed.log("2026-11-30 09:00", discard("contaminated"));
    let tub = typed.tub();
    assert_eq!(tub.contaminated_at, Some(at("2026-11-28 09:00")));
    assert_eq!(tub.ended_because.as_deref(), Some("contaminated"));
    let mut typed = Typed::spawned();
    typed.log("2026-11-30 09:00", discard("spent"));
    assert_eq!(typed.tub().contaminated_at, None);
}

/// (number, from, to, grams) of each flush.
fn flushes(tub: &Tub) -> Vec<(u32, String, String, f64)> {
    let day = |at: Stamp| at.rfc3339()[5..10].to_owned();
    tub.flushes.iter().map(|flush| (flush.number, day(flush.from), day(flush.to), flush.fresh_g())).collect()
}

#[test]
fn flushes_number_themselves() {
    let mut typed = Typed::spawned();
    for (day, deed) in [
        ("2026-12-01", Deed::Colonised),
        ("2026-12-02", OPEN),
        ("2026-12-09", Deed::Pins),
        ("2026-12-14", harvest(200.0, None)),
        ("2026-12-16", harvest(40.0, None)),
        ("2026-12-17", Deed::Rested),
        ("2026-12-18", Deed::Soaked),
        ("2026-12-27", Deed::Pins),
        ("2026-12-31", harvest(150.0, None)),
        ("2027-01-02", OPEN),
        ("2027-01-12", harvest(70.0, None)),
    ] {
        typed.log(&format!("{day} 09:00"), deed);
    }
    let row = |number, from: &str, to: &str, grams| (number, from.to_owned(), to.to_owned(), grams);
    assert_eq!(
        flushes(&typed.tub()),
        vec![
            row(1, "12-02", "12-16", 240.0),
            row(2, "12-17", "12-31", 150.0), // not opened for it: from the rest that began it
            row(3, "01-02", "01-12", 70.0),
        ]
    );
    assert!(typed.odd().is_empty());
}

#[test]
fn a_flush_without_an_opening_starts_at_the_entry_before_it() {
    let mut typed = Typed::spawned();
    typed.log("2026-12-01 09:00", Deed::Colonised);
    typed.log("2026-12-05 09:00", Deed::Noted { text: "smells good".to_owned() });
    typed.log("2026-12-09 09:00", Deed::Pins);
    typed.log("2026-12-14 09:00", harvest(200.0, None));
    assert_eq!(flushes(&typed.tub()), vec![(1, "12-01".to_owned(), "12-14".to_owned(), 200.0)]);
}

#[test]
fn a_flush_named_by_the_grower_holds() {
    let mut typed = Typed::spawned();
    typed.log("2026-12-02 09:00", OPEN);
    typed.log("2026-12-14 09:00", harvest(200.0, None));
    typed.log("2026-12-24 09:00", harvest(90.0, Some(2)));
    typed.log("2026-12-25 09:00", harvest(10.0, None));
    typed.log("2026-12-26 09:00", harvest(5.0, Some(1))); // a straggler of the first
    let row = |number, from: &str, to: &str, grams| (number, from.to_owned(), to.to_owned(), grams);
    assert_eq!(flushes(&typed.tub()), vec![row(1, "12-02", "12-26", 205.0), row(2, "12-14", "12-25", 100.0)]);
}

#[test]
fn amendments_and_amendments_of_them() {
    let mut typed = Typed::spawned();
    typed.log("2026-12-02 09:00", OPEN);
    let picked = typed.log("2026-12-14 09:00", harvest(142.0, None));
    let first = typed.log("2026-12-15 09:00", amend_fresh(picked, 412.0));
    assert_eq!(typed.tub().harvests[0].fresh_g, 412.0);

    // Only what is named changes.
    let moved = typed.log("2026-12-15 10:00", amend_at(picked, "2026-12-13 18:00"));
    let harvest = typed.tub().harvests[0].clone();
    assert_eq!((harvest.fresh_g, harvest.at), (412.0, at("2026-12-13 18:00")));

    // The first amendment amended; then voided: what was written first holds again.
    typed.log("2026-12-16 09:00", amend_fresh(first, 421.0));
    assert_eq!(typed.tub().harvests[0].fresh_g, 421.0);
    let voiding = typed.log("2026-12-16 10:00", void(first));
    assert_eq!(typed.tub().harvests[0].fresh_g, 142.0);
    typed.log("2026-12-16 11:00", void(voiding));
    assert_eq!(typed.tub().harvests[0].fresh_g, 421.0);

    // A later amendment of the same field wins.
    typed.log("2026-12-17 09:00", amend_fresh(picked, 400.0));
    assert_eq!(typed.tub().harvests[0].fresh_g, 400.0);

    // The harvest voided: as if never written, the amendments with it.
    typed.log("2026-12-18 09:00", void(picked));
    assert!(typed.tub().harvests.is_empty());
    assert_eq!(typed.tub().stage, Stage::Pinning);
    assert!(typed.odd().is_empty());
    let book = fold(&typed.0, Lisbon);
    let line = book.lines.iter().find(|line| line.entry.id == picked).unwrap();
    assert_eq!(line.void_by, Some(typed.0.len() as i64));
    assert!(line.amended_by.contains(&moved));
}

#[test]
fn what_no_longer_fits_is_said_and_passed_over() {
    let mut typed = Typed::spawned();
    let looked = typed.log("2026-11-20 09:00", Deed::Looked);
    let picked = typed.log("2026-12-14 09:00", harvest(142.0, None));
    typed.log("2026-12-20 09:00", amend_at(1, "2026-11-21 10:00"));
    assert_eq!(typed.odd(), vec![looked]);
    let tub = typed.tub();
    assert_eq!(tub.spawned_at, at("2026-11-21 10:00"));
    assert_eq!(tub.id, "A1-2026-11-18", "an id does not change with the day it was made from");
    // The spawning itself voided: nothing is left, and nothing panics.
    typed.log("2026-12-21 09:00", void(1));
    assert!(tubs(&typed.0, Lisbon).is_empty());
    assert_eq!(typed.odd(), vec![looked, picked]);
    // Entries that name what is not there.
    typed.log("2026-12-22 09:00", void(99));
    typed.log("2026-12-22 09:00", amend_fresh(looked, 3.0));
    typed.add("Z9-2026-01-01", "2026-12-22 09:00", Deed::Looked);
    assert_eq!(typed.odd().len(), 5);
}

#[test]
fn names_are_used_again_and_ids_are_not() {
    let mut typed = Typed::spawned();
    typed.log("2026-11-18 11:00", discard("other"));
    typed.add("A1-2026-11-18-2", "2026-11-18 12:00", spawning("A1", None));
    typed.add("A1-2026-11-18-2", "2026-11-30 12:00", Deed::Colonised);
    let book = fold(&typed.0, Lisbon);
    assert_eq!(book.tubs.len(), 2);
    assert_eq!(book.find("A1").unwrap().id, "A1-2026-11-18-2");
    assert_eq!(book.find("A1-2026-11-18").unwrap().stage, Stage::Ended);
    typed.add("A1-2026-11-18-2", "2026-12-30 12:00", discard("spent"));
    assert_eq!(fold(&typed.0, Lisbon).find("A1").unwrap().id, "A1-2026-11-18-2", "else the latest");
}

#[test]
fn cores_and_spaces_over_time() {
    let mut typed = Typed::default();
    typed.add("A1-2026-11-18", "2026-11-18 10:00", spawning("A1", Some("core-a1")));
    typed.add("A2-2026-11-18", "2026-11-18 10:00", spawning("A2", None));
    typed.log("2026-11-20 10:00", Deed::Core { probe: None });
    typed.add("A2-2026-11-18", "2026-11-20 10:05", Deed::Core { probe: Some("core-a1".to_owned()) });
    typed.log("2026-12-01 10:00", Deed::Opened { to: Some("tent".to_owned()) });
    // Typed last, but of before the opening.
    typed.log("2026-11-25 10:00", Deed::Moved { to: "cellar".to_owned() });
    let tubs = tubs(&typed.0, Lisbon);
    let spaces: Vec<&str> = tubs[0].spaces.iter().map(|space| space.value.as_str()).collect();
    assert_eq!(spaces, ["shelf", "cellar", "tent"]);
    assert_eq!((tubs[0].core(), tubs[1].core()), (None, Some("core-a1")));
    assert!(typed.odd().is_empty());
    // A probe cannot be in two tubs.
    let twice = typed.log("2026-12-02 10:00", Deed::Core { probe: Some("core-a1".to_owned()) });
    assert_eq!(typed.odd(), vec![twice]);
    // It is free once its tub has ended.
    typed.add("A2-2026-11-18", "2026-12-01 20:00", discard("spent"));
    assert!(typed.odd().is_empty());
}

fn known() -> Known {
    let probe = |name: &str, reads_temperature, air_of: Option<&str>| KnownProbe {
        name: name.to_owned(),
        reads_temperature,
        air_of: air_of.map(str::to_owned),
    };
    Known {
        now: at(NOW),
        timezone: Lisbon,
        cultures: vec!["winter-oyster".to_owned(), "shiitake".to_owned()],
        spaces: vec!["shelf".to_owned(), "tent".to_owned()],
        probes: vec![
            probe("shelf-air", true, Some("shelf")),
            probe("core-a1", true, None),
            probe("core-a2", true, None),
            probe("damp", false, None),
        ],
    }
}

/// A1 with a core, opened, picked once; B1 ended; B2 alive.
fn shelf() -> Typed {
    let mut typed = Typed::default();
    typed.add("A1-2026-11-18", "2026-11-18 10:00", spawning("A1", Some("core-a1")));
    typed.add("B1-2026-11-01", "2026-11-01 10:00", spawning("B1", None));
    typed.add("B1-2026-11-01", "2026-11-10 10:00", discard("contaminated"));
    typed.add("B2-2026-11-02", "2026-11-02 10:00", spawning("B2", None));
    typed.log("2026-12-01 10:00", OPEN);
    typed.log("2026-12-10 10:00", harvest(100.0, None));
    typed.add("", "2026-12-11 10:00", Deed::Acknowledged { alert: 3 });
    typed
}

fn spawn_with(change: impl FnOnce(&mut Spawning)) -> Deed {
    let Deed::Spawned(mut spawning) = spawning("", None) else { unreachable!("made above") };
    change(&mut spawning);
    Deed::Spawned(spawning)
}

#[test]
fn each_refusal_says_what_is_wrong_and_what_would_be_right() {
    let dry = |fresh_g, dry_g| Deed::Harvested { fresh_g, dry_g: Some(dry_g), flush: None };
    let core = |name: &str| Deed::Core { probe: Some(name.to_owned()) };
    let rows: Vec<(&str, Deed, &str, &str)> = vec![
        // Words: exit 2.
        ("C1", Deed::Looked, "2026-12-20", "2: no tub is called \"C1\"; the nearest is A1"),
        ("hat", Deed::Looked, "2026-12-20", "2: no tub is called \"hat\"; there are B2, A1"),
        ("A1", Deed::Looked, "2027-02-02", "2: 2027-02-02 00:00 is still to come"),
        (
            "C1",
            spawn_with(|s| s.culture = "winter-oister".into()),
            "now",
            "2: no culture is called \"winter-oister\"; the nearest is winter-oyster",
        ),
        ("C1", spawn_with(|s| s.space = "shlf".into()), "now", "2: no space is called \"shlf\"; the nearest is shelf"),
        (
            "C1",
            spawn_with(|s| s.kind = "bucket".into()),
            "now",
            "2: no kind of container is called \"bucket\"; there are tub, bag",
        ),
        (
            "C1",
            spawn_with(|s| s.core = Some("core-a3".into())),
            "now",
            "2: no probe is called \"core-a3\"; the nearest is core-a1",
        ),
        ("C1", spawn_with(|s| s.core = Some("damp".into())), "now", "2: probe damp reads no temperature"),
        (
            "C1",
            spawn_with(|s| s.core = Some("shelf-air".into())),
            "now",
            "2: probe shelf-air measures the air of shelf",
        ),
        ("C1", spawn_with(|s| s.like = Some("A9".into())), "now", "2: no tub is called \"A9\"; the nearest is A1"),
        ("C 1", spawn_with(|_| {}), "now", "2: \"C 1\" cannot be a tub's name"),
        ("-C1", spawn_with(|_| {}), "now", "2: \"-C1\" cannot be a tub's name"),
        ("C1-2026-11-18", spawn_with(|_| {}), "now", "2: \"C1-2026-11-18\" cannot be a tub's name; the date is added"),
        ("A1", Deed::Moved { to: "tnt".into() }, "now", "2: no space is called \"tnt\"; the nearest is tent"),
        ("A1", Deed::Opened { to: Some("x".into()) }, "now", "2: no space is called \"x\"; there are shelf, tent"),
        ("A1", core("core-a9"), "now", "2: no probe is called \"core-a9\"; the nearest is core-a"),
        ("A1", harvest(0.0, None), "now", "2: 0 g fresh cannot be"),
        ("A1", harvest(f64::NAN, None), "now", "2: NaN g fresh cannot be"),
        ("A1", harvest(50_001.0, None), "now", "2: 50001 g fresh cannot be"),
        ("A1", dry(100.0, 120.0), "now", "2: 120 g dry of 100 g fresh cannot be"),
        ("A1", harvest(10.0, Some(0)), "now", "2: flush 0 cannot be"),
        ("A1", discard("moldy"), "now", "2: no reason is called \"moldy\"; there are contaminated, spent, other"),
        ("A1", Deed::Noted { text: "  ".into() }, "now", "2: the text is empty"),
        ("", amend(6), "now", "2: say what to change"),
        ("", void(99), "now", "2: there is no entry 99; the latest is 7"),
        ("", amend_fresh(5, 10.0), "now", "2: entry 5 says opened: only a harvest has a fresh mass"),
        ("", amend_fresh(6, -1.0), "now", "2: -1 g fresh cannot be"),
        // Well said, but not allowed: exit 1.
        ("A1", spawn_with(|_| {}), "now", "1: tub A1 is still alive, spawned on 2026-11-18 10:00"),
        ("B1", spawn_with(|_| {}), "2026-11-05 10:00", "1: tub B1 was in use until 2026-11-10 10:00"),
        ("C1", spawn_with(|s| s.core = Some("core-a1".into())), "now", "1: probe core-a1 is the core of tub A1"),
        ("C1", spawn_with(|s| s.like = Some("B2".into())), "now", "1: tub B2 has no core probe that could stand in"),
        ("C1", spawn_with(|s| s.like = Some("B1".into())), "now", "1: tub B1 has ended"),
        (
            "B2",
            core("core-a1"),
            "now",
            "1: probe core-a1 is the core of tub A1; take it out there first: tubwatch core A1 none",
        ),
        ("A1", Deed::Looked, "2026-11-17", "1: tub A1-2026-11-18 was spawned on 2026-11-18 10:00"),
        ("B1", harvest(10.0, None), "now", "1: tub B1 ended on 2026-11-10 10:00"),
        ("A1", OPEN, "2026-12-05 10:00", "1: tub A1 is pinning since 2026-12-01 10:00; close it first"),
        ("A1", OPEN, "2026-11-29 10:00", "1: entry 5 would no longer fit (tub A1 is pinning since 2026-11-29 10:00"),
        (
            "A1",
            discard("spent"),
            "2026-12-05 10:00",
            "1: entry 6 would no longer fit (tub A1 ended on 2026-12-05 10:00",
        ),
        ("B2", Deed::Closed, "now", "1: tub B2 is not open"),
        ("B2", Deed::Rested, "now", "1: tub B2 has not been opened yet"),
        ("A1", Deed::Colonised, "now", "1: tub A1 is colonised since 2026-12-01 10:00"),
        ("A1", harvest(10.0, Some(4)), "now", "1: flush 4 of tub A1 would leave flushes out"),
        ("", void(7), "now", "1: entry 7 is no line about a tub"),
        ("", amend_at(5, "2026-11-01"), "2026-11-01", "1: tub A1-2026-11-18 was spawned on 2026-11-18 10:00"),
    ];
    let typed = shelf();
    for (tub, deed, when, expected) in rows {
        let when = parse(when, Lisbon, at(NOW)).unwrap();
        let wrong = check(&typed.0, tub, &deed, when, &known()).expect_err(expected);
        let code = if matches!(wrong, Wrong::Word(_)) { 2 } else { 1 };
        let said = format!("{code}: {wrong}");
        assert!(said.starts_with(expected), "{said}\n  expected {expected}");
        assert!(!said.contains('\n') && said.len() < 220, "{said}");
    }
}

#[test]
fn what_is_allowed_is_resolved() {
    let typed = shelf();
    let ok = |tub: &str, deed: Deed, when: &str| {
        check(&typed.0, tub, &deed, parse(when, Lisbon, at(NOW)).unwrap(), &known()).unwrap()
    };
    // A name used again; an id by name and local day.
    assert_eq!(ok("B1", spawn_with(|_| {}), "2026-12-20").tub, "B1-2026-12-20");
    assert_eq!(ok("C1", spawn_with(|_| {}), "2027-02-01 00:30").tub, "C1-2027-02-01");
    let like = ok("C1", spawn_with(|s| s.like = Some("A1".into())), "now");
    assert!(matches!(&like.deed, Deed::Spawned(s) if s.like.as_deref() == Some("A1-2026-11-18") && s.name == "C1"));
    // A day without a time comes after what is logged on it.
    assert_eq!(ok("A1", Deed::Looked, "2026-11-18").at, at("2026-11-18 10:00"));
    assert_eq!(ok("A1", Deed::Looked, "2026-11-19").at, at("2026-11-19"));
    assert_eq!(ok("A1", harvest(20.0, None), "2026-12-10").at, at("2026-12-10 10:00"));
    // Implied stages are said.
    assert_eq!(ok("B2", harvest(20.0, None), "now").implied, ["colonised", "opened"]);
    assert!(ok("A1", harvest(20.0, None), "now").implied.is_empty());
    // An ended filling is meant by its name where none is alive, and may be noted upon.
    assert_eq!(ok("B1", Deed::Noted { text: "lid cracked".into() }, "now").tub, "B1-2026-11-01");
    // A watch read generously.
    assert!(check(&typed.0, "A1", &Deed::Looked, Moment::exact(at(NOW).plus(60_000)), &known()).is_ok());
}

#[test]
fn amendments_belong_to_their_tub_and_say_what_no_longer_fits() {
    let mut typed = shelf();
    let resolved = check(&typed.0, "", &amend_fresh(6, 120.0), moment(NOW), &known()).unwrap();
    assert_eq!((resolved.tub.as_str(), resolved.at), ("A1-2026-11-18", at(NOW)));
    assert_eq!(resolved.after.unwrap().harvests[0].fresh_g, 120.0);
    let resolved = check(&typed.0, "", &amend_at(1, "2026-12-03"), moment("2026-12-03"), &known()).unwrap();
    assert_eq!(resolved.oddities.iter().map(|oddity| oddity.entry).collect::<Vec<_>>(), vec![5]);
    let resolved = check(&typed.0, "", &void(1), moment(NOW), &known()).unwrap();
    assert_eq!(resolved.after, None);
    // Void once is enough; the way back is named.
    typed.log("2026-12-20 10:00", void(6));
    let wrong = check(&typed.0, "", &amend_fresh(6, 1.0), moment(NOW), &known()).unwrap_err();
    assert_eq!(wrong.text(), "entry 6 is void; to bring it back: tubwatch amend 8 --void");
    let resolved = check(&typed.0, "", &void(8), moment(NOW), &known()).unwrap();
    assert_eq!(resolved.after.unwrap().harvests.len(), 1);
}

#[test]
fn a_second_filling_on_the_same_day_gets_a_number_and_a_void_one_gives_its_id_back() {
    let mut typed = Typed::spawned();
    typed.log("2026-11-18 11:00", discard("other"));
    let again = |typed: &Typed, when: &str| check(&typed.0, "A1", &spawn_with(|_| {}), moment(when), &known()).unwrap();
    assert_eq!(again(&typed, "2026-11-18 12:00").tub, "A1-2026-11-18-2");
    assert_eq!(again(&typed, "2026-11-18").at, at("2026-11-18 11:00"));
    typed.log("2026-11-18 12:00", void(1));
    assert_eq!(again(&typed, "2026-11-18 12:00").tub, "A1-2026-11-18");
}

/// Deeds in a sensible order, each at its own minute.
fn story() -> impl Strategy<Value = Vec<(i64, Deed)>> {
    let deed = prop_oneof![
        Just(Deed::Looked),
        Just(Deed::Colonised),
        Just(OPEN),
        Just(Deed::Closed),
        Just(Deed::Pins),
        (1.0..500.0_f64).prop_map(|grams| harvest(grams.round(), None)),
        (1.0..500.0_f64, 1..4_u32).prop_map(|(grams, flush)| harvest(grams.round(), Some(flush))),
        Just(Deed::Rested),
        Just(Deed::Soaked),
        Just(Deed::Moved { to: "tent".to_owned() }),
        Just(Deed::Core { probe: Some("core-a1".to_owned()) }),
        Just(Deed::Core { probe: None }),
        Just(discard("spent")),
    ];
    proptest::collection::btree_map(1..40_000_i64, deed, 0..25).prop_map(|map| map.into_iter().collect())
}

proptest! {
    /// Entries of different times give the same tubs whatever the order they were typed in.
    #[test]
    fn the_order_of_typing_does_not_matter(story in story(), seed in any::<u64>()) {
        let start = at("2026-11-18 10:00");
        let entry = |id: i64, minute: i64, deed: Deed| Entry {
            id, written_at: start, at: start.plus(minute * 60_000), tub: "A1-2026-11-18".to_owned(), deed,
        };
        let mut turns: Vec<(i64, Deed)> = story;
        turns.insert(0, (0, spawning("A1", None)));
        let in_order: Vec<Entry> =
            turns.iter().enumerate().map(|(id, (minute, deed))| entry(id as i64 + 1, *minute, deed.clone())).collect();
        // A shuffle by a small linear congruence: proptest's own would hide the seed.
        let mut state = seed;
        for place in (1..turns.len()).rev() {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            turns.swap(place, (state >> 33) as usize % (place + 1));
        }
        let mixed: Vec<Entry> =
            turns.iter().enumerate().map(|(id, (minute, deed))| entry(id as i64 + 1, *minute, deed.clone())).collect();
        prop_assert_eq!(tubs(&in_order, Lisbon), tubs(&mixed, Lisbon));
    }

    /// What `check` lets through, the fold takes: a logbook written through it has no oddities.
    #[test]
    fn what_is_allowed_never_turns_odd(story in story()) {
        let mut typed = Typed::spawned();
        for (minute, deed) in story {
            let when = Moment::exact(at("2026-11-18 10:00").plus(minute * 60_000));
            if let Ok(resolved) = check(&typed.0, "A1", &deed, when, &known()) {
                let id = typed.0.len() as i64 + 1;
                typed.0.push(Entry { id, written_at: when.at, at: resolved.at, tub: resolved.tub, deed: resolved.deed });
            }
        }
        prop_assert!(typed.odd().is_empty());
        let tub = typed.tub();
        prop_assert_eq!(tub.harvests.len(), tub.flushes.iter().map(|flush| flush.harvests.len()).sum::<usize>());
        prop_assert!(tub.stages.windows(2).all(|pair| pair[0].from <= pair[1].from && pair[0].value != pair[1].value));
    }

    /// Any entries at all, amendments among them, fold without a panic.
    #[test]
    fn nonsense_folds(targets in proptest::collection::vec((-2..30_i64, any::<bool>(), any::<Option<i64>>()), 0..30)) {
        let mut typed = Typed::spawned();
        for (target, void, at_ms) in targets {
            typed.log("2026-12-01 10:00", Deed::Amended { entry: target, void, at_ms, fresh_g: None, dry_g: None, text: None });
        }
        let book = fold(&typed.0, Lisbon);
        prop_assert_eq!(book.lines.len(), typed.0.len());
        for tub in &book.tubs {
            let when = Moment::exact(tub.spawned_at);
            let _ = check(&typed.0, "A1", &Deed::Looked, when, &known());
        }
    }
}

#[test]
fn the_stored_body_is_as_promised() {
    let body = serde_json::to_string(&harvest(412.0, None)).unwrap();
    assert_eq!(body, r#"{"deed":"harvested","fresh_g":412.0}"#);
    for deed in [OPEN, Deed::Core { probe: None }, void(3), spawning("A1", Some("core-a1")), discard("spent")] {
        let body = serde_json::to_value(&deed).unwrap();
        assert_eq!(body["deed"], deed.word());
        assert_eq!(serde_json::from_value::<Deed>(body).unwrap(), deed);
    }
}
