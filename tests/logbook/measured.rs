//! The commands that read what the daemon stored: figures of tubs, alerts.

use std::time::Duration;

use tubwatch::climate::stamp::{HOUR_MS, MINUTE_MS, SECOND_MS};
use tubwatch::climate::{Quality, Stamp};
use tubwatch::store::{Change, Sample, Store, Urgency, Writer};
use tubwatch::watch::alert::{Alert, AlertState, Severity, Watch};

use crate::commands::House;

/// Writes as the daemon does, and waits until it is on disk.
fn store(house: &House, changes: impl FnOnce(&mut Store) -> Vec<Change>) {
    let mut store = Store::open(&house.path("state")).unwrap();
    let changes = changes(&mut store);
    let writer = Writer::start(store, Duration::from_secs(1), |_| {}).unwrap();
    writer.write(changes, Urgency::AtOnce, 0);
    writer.flush_and_stop(Duration::from_secs(10)).unwrap();
}

fn alert(id: i64, subject: &str, severity: Severity, state: AlertState, since: Stamp) -> Alert {
    Alert {
        id,
        subject: subject.to_owned(),
        watch: Watch::CoreTemperature,
        severity,
        state,
        since,
        first_at: since,
        value: Some(28.4),
        limit: Some(28.0),
        text: format!("{subject}: substrate 28.4 °C, over 28.0."),
        returned_at: None,
        acknowledged_at: None,
        ended_at: None,
        repeat: 0,
    }
}

#[test]
fn the_figures_are_those_of_the_stored_samples() {
    let house = House::new();
    let now = Stamp::from_time(&chrono::Utc::now());
    let spawned = now.plus(-48 * HOUR_MS);
    house.ok(&format!("spawn A1 --culture winter-oyster --space shelf --core core-a1 --at {}", spawned.rfc3339()));
    house.ok(&format!("spawn A2 --culture winter-oyster --space shelf --at {}", spawned.rfc3339()));
    store(&house, |store| {
        let core = store.probe_id("core-a1").unwrap();
        let air = store.probe_id("shelf-air").unwrap();
        let sample = |probe, turn: i64, value: f64| {
            let values = [Some(value), None, None, None];
            Change::Sample(Sample {
                probe,
                at: spawned.plus(turn * 10 * MINUTE_MS),
                values,
                quality: [Quality::Good; 4],
                timing: Default::default(),
            })
        };
        // The core at 24 °C on average: 19 °C·h over the base of 5 °C each hour; the air at 20 °C.
        let core = (0..=288).map(|turn| sample(core, turn, if turn % 2 == 0 { 23.9 } else { 24.1 }));
        let air = (0..=288).map(|turn| sample(air, turn, if turn % 2 == 0 { 19.9 } else { 20.1 }));
        core.chain(air).collect()
    });
    let tubs = house.json("tubs --json");
    let number = |tub: usize, field: &str| tubs[tub][field].as_f64().unwrap();
    assert!((number(0, "degree_hours") - 48.0 * 19.0).abs() < 1.0, "{tubs}");
    assert!((number(1, "degree_hours") - 48.0 * 15.0).abs() < 1.0, "{tubs}");
    assert_eq!((&tubs[0]["temperature_from"], &tubs[1]["temperature_from"]), (&"core-a1".into(), &"shelf-air".into()));
    assert!(number(0, "coverage") > 0.99 && (number(0, "equivalent_days") - 2.0).abs() < 0.02, "{tubs}");
    assert_eq!((number(0, "core_c"), number(0, "core_over_air_k")), (23.9, 4.0));
    assert!(tubs[1]["core_c"].is_null());
    // 5472 °C·h at the usual 19 an hour: 0.17 of it; not before ten days, however warm.
    assert_eq!(number(0, "progress"), 0.17);
    let due = chrono::DateTime::parse_from_rfc3339(tubs[0]["due"]["earliest"].as_str().unwrap()).unwrap();
    // The spawning was typed to the second, and the rate is one of two measured days.
    let off_ms = Stamp::from_time(&due).since(spawned.plus(240 * HOUR_MS));
    assert!((-SECOND_MS..10 * MINUTE_MS).contains(&off_ms), "{tubs}");
    let table = house.ok("tubs");
    assert!(table.contains("17 %") && table.contains("core-a1 23.9 °C (+4.0 over air)"), "{table}");
    assert!(house.ok("show A1").contains("from core-a1 23.9 °C"));
}

#[test]
fn alerts_are_shown_worst_first_and_acknowledged_while_they_stand() {
    let house = House::new();
    house.spawn_a1();
    let now = Stamp::from_time(&chrono::Utc::now());
    let ended = Alert { ended_at: Some(now), ..alert(3, "tub A1", Severity::Warning, AlertState::Ended, now) };
    store(&house, |_| {
        let since = now.plus(-HOUR_MS);
        vec![
            Change::Alert(ended),
            Change::Alert(alert(4, "space shelf", Severity::Advice, AlertState::Acknowledged, since)),
            Change::Alert(alert(5, "tub A1", Severity::Critical, AlertState::Unacknowledged, since)),
        ]
    });
    let alerts = house.json("alerts --json");
    assert_eq!((&alerts[0]["id"], &alerts[1]["id"], alerts.as_array().unwrap().len()), (&5.into(), &4.into(), 2));
    assert_eq!((&alerts[0]["severity"], &alerts[0]["state"]), (&"critical".into(), &"unacknowledged".into()));
    assert!(house.ok("alerts").starts_with("5 critical, unacknowledged, since "));
    assert_eq!(house.json("tubs --json")[0]["alerts"], serde_json::json!([5]));

    let said = house.ok("acknowledge 5");
    assert!(said.contains("alert 5 (tub A1, core-temperature) acknowledged"), "{said}");
    let entries = Store::open(&house.path("state")).unwrap().reader().unwrap().entries().unwrap();
    assert_eq!(serde_json::to_value(&entries.last().unwrap().deed).unwrap()["alert"], 5);
    assert_eq!(house.refused("acknowledge 3").0, 1);
    let (code, said) = house.refused("acknowledge 4");
    assert!(code == 1 && said.starts_with("alert 4 is acknowledged already"), "{said}");
    assert_eq!(house.refused("acknowledge 9"), (2, "no alert has the number 9; there are 4, 5".to_owned()));
    assert_eq!(house.refused("acknowledge nine").0, 2);
}

#[test]
fn an_export_lies_where_it_was_asked_for() {
    let house = House::new();
    let now = Stamp::from_time(&chrono::Utc::now());
    let spawned = now.plus(-5 * HOUR_MS);
    house.ok(&format!("spawn A1 --culture winter-oyster --space shelf --core core-a1 --at {}", spawned.rfc3339()));
    house.ok("harvest A1 --fresh 412g");
    store(&house, |store| {
        let core = store.probe_id("core-a1").unwrap();
        let sample = |turn: i64| Sample {
            probe: core,
            at: spawned.plus(turn * 10 * MINUTE_MS),
            values: [Some(24.0 + (turn % 3) as f64 * 0.1), None, None, None],
            quality: [Quality::Good; 4],
            timing: Default::default(),
        };
        (0..24).map(|turn| Change::Sample(sample(turn))).collect()
    });
    let said = house.ok("export --out sheets --tub A1");
    assert!(said.contains("flushes.csv: 1 row\n"), "{said}");
    let flushes = std::fs::read_to_string(house.path("sheets/flushes.csv")).unwrap();
    assert!(flushes.starts_with("tub,id,flush,from,to,harvested_at,fresh_g,dry_g"), "{flushes}");
    for name in ["climate.csv", "tubs.csv", "log.csv", "alerts.csv"] {
        assert!(house.path("sheets").join(name).is_file(), "{name}");
    }
    let lines = house.ok("export --line-protocol");
    assert_eq!(lines.lines().count(), 24, "{lines}");
    assert!(lines.starts_with("climate,") && lines.contains("tub=A1"), "{lines}");
    assert!(house.ok("export --line-protocol lines.txt").ends_with("lines.txt: 24 lines\n"));
    assert_eq!(std::fs::read_to_string(house.path("lines.txt")).unwrap(), lines);
    assert_eq!(
        std::fs::read_dir(house.path(""))
            .unwrap()
            .filter(|entry| { entry.as_ref().unwrap().file_name().to_string_lossy().ends_with(".new") })
            .count(),
        0
    );

    for (line, sentence) in [
        ("export --out sheets --tub A9", "no tub is called \"A9\"; the nearest is A1"),
        ("export --out sheets --every 2h", "no step is called \"2h\"; the nearest is 1h"),
        (
            "export --out sheets --from 2024-02-02 --to 2024-02-01",
            "--from must be before --to; nothing lies between them",
        ),
    ] {
        assert_eq!(house.refused(line), (2, sentence.to_owned()));
    }
    assert_eq!(house.refused("export").0, 2);
    let (code, said) = house.refused("export --line-protocol no/such/folder/lines.txt");
    assert!(code == 1 && said.starts_with("cannot write no/such/folder/lines.txt"), "{said}");
}
