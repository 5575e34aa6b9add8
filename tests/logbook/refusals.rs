//! Which entries are refused, in which words, and what the others are resolved to.

use chrono_tz::Europe::Lisbon;

use tubwatch::grow::check::Known;
use tubwatch::grow::logbook::{Changes, Deed, check};
use tubwatch::grow::moment::{Moment, parse};
use tubwatch::grow::wrong::Wrong;

use crate::typed::{
    NOW, OPEN, Typed, amend, amend_at, amend_fresh, at, discard, harvest, known, moment, shelf, spawn_with, spawning,
    void,
};

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
        (
            "C1",
            spawn_with(|s| (s.grain_l, s.bulk_l) = (Some(20.0), Some(1.0))),
            "now",
            "1: 20 L of grain in 1 L of bulk looks swapped; if it is right, say --anyway",
        ),
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
    // The minute of the spawning, as a watch shows it, is not before it.
    let mut seconds = Typed::default();
    seconds.add("A1-2026-11-18", "2026-11-18 10:00:40", spawning("A1", None));
    let looked = check(&seconds.0, "A1", &Deed::Looked, moment("2026-11-18 10:00"), &known()).unwrap();
    assert_eq!(looked.at, at("2026-11-18 10:00:40"));
    assert!(check(&seconds.0, "A1", &Deed::Looked, moment("2026-11-18 09:59"), &known()).is_err());
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
fn a_filling_before_is_named_where_it_may_be_meant() {
    let mut typed = Typed::spawned();
    typed.log("2026-12-20 10:00", discard("spent"));
    typed.add("A1-2026-12-21", "2026-12-21 10:00", spawn_with(|s| s.name = "A1".into()));
    let wrong = check(&typed.0, "A1", &harvest(10.0, None), moment("2026-12-19 10:00"), &known()).unwrap_err();
    let said = "tub A1 was spawned on 2026-12-21 10:00; if the filling before it is meant, name it A1-2026-11-18";
    assert_eq!(wrong, Wrong::Forbidden(said.to_owned()));
    assert!(check(&typed.0, "A1-2026-11-18", &harvest(10.0, None), moment("2026-12-19 10:00"), &known()).is_ok());
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

#[test]
fn what_is_mended_is_held_against_the_same_bounds_unless_the_grower_knows_better() {
    let mut typed = Typed::default();
    let Deed::Spawned(mut tub) = spawning("D1", None) else { unreachable!("made above") };
    tub.dry_bulk_g = Some(405.0);
    typed.add("D1-2026-11-02", "2026-11-02 10:00", Deed::Spawned(tub));
    typed.add("D1-2026-11-02", "2026-12-10 10:00", harvest(300.0, None));
    let changed = |more: Changes| Deed::Amended {
        entry: 1,
        void: false,
        at_ms: None,
        fresh_g: None,
        dry_g: None,
        text: None,
        more: Box::new(more),
    };
    let lighter = changed(Changes { dry_bulk_g: Some(40.0), ..Changes::default() });
    let heated = changed(Changes { run: Some("elsewhere".to_owned()), ..Changes::default() });
    for (deed, expected) in [
        (amend_fresh(2, 4_000.0), "that would bring tub D1 to a biological efficiency of 988 %, beyond any published"),
        (lighter, "that would bring tub D1 to a biological efficiency of 750 %, beyond any published"),
        (heated, "no heat run is called \"elsewhere\""),
    ] {
        let now = parse("now", Lisbon, at(NOW)).unwrap();
        let wrong = check(&typed.0, "", &deed, now, &known()).expect_err(expected).to_string();
        assert!(wrong.starts_with(expected) && wrong.ends_with("say --anyway"), "{wrong}");
        check(&typed.0, "", &deed, now, &Known { anyway: true, ..known() }).unwrap();
    }
    // Lower is always believed.
    let now = parse("now", Lisbon, at(NOW)).unwrap();
    check(&typed.0, "", &amend_fresh(2, 200.0), now, &known()).unwrap();
}
