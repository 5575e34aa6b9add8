//! What entries make of a tub.

use chrono_tz::Europe::Lisbon;

use tubwatch::climate::Stamp;
use tubwatch::grow::logbook::{Deed, fold, tubs};
use tubwatch::grow::tub::{Stage, Tub};

use crate::typed::{OPEN, Typed, amend_at, amend_fresh, at, discard, harvest, spawning, void};

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
