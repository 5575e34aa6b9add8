//! Whole seasons through the built program: what past tubs teach, self-heating, yields, amendments, names
//! used again. The samples are written into the store as the daemon writes them, weeks in a moment.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;
mod season;

use season::{HOUR, Season, at};
use serde_json::Value;

/// Six tubs of one culture at a steady core temperature, colonised after days that give 4,800 °C·h or so.
const DAYS: [f64; 6] = [9.8, 10.0, 10.2, 10.4, 10.1, 9.9];

#[test]
fn five_tubs_of_your_own_teach_and_say_so() {
    let season = Season::begin();
    for (place, days) in DAYS.iter().enumerate() {
        let name = format!("P{place}");
        let begun = 24.0 * (2.0 * place as f64);
        season.steady(&format!("core-{place}"), begun, begun + 24.0 * 12.0, 25.0);
        season.spawn(&name, begun, &["--core", &format!("core-{place}"), "--grain", "2L", "--bulk", "2L"]);
        if place == 4 {
            let taught = season.show("P0");
            assert_eq!(taught["learned"], Value::Null, "four are too few: {taught:#}");
        }
        season.ok(&["colonised", &name, "--at", &at(begun + 24.0 * days)]);
        season.ok(&["discard", &name, "--because", "spent", "--at", &at(begun + 24.0 * 12.0)]);
    }
    let begun = 24.0 * 40.0;
    season.steady("core-0", begun, begun + 24.0 * 5.0, 25.0);
    season.spawn("N1", begun, &["--core", "core-0", "--grain", "2L", "--bulk", "2L"]);
    let shown = season.show("N1");
    // At 25 °C, 20 over base: 480 °C·h a day; the median of the six is 10.05 days.
    let learned = &shown["learned"];
    assert_eq!(learned["tubs"], 6, "{shown:#}");
    let usual = learned["requirement"]["usual"].as_f64().unwrap();
    assert!((usual - 480.0 * 10.05).abs() < 2.0, "{learned:#}");
    assert!(learned["due_error"]["median_days"].as_f64().unwrap() < 0.25, "{learned:#}");
    assert!(learned["handbook_due_error"]["median_days"].as_f64().unwrap() > 1.0, "{learned:#}");
    assert_eq!(shown["tub"]["requirement"]["tubs"], 6);
    assert_eq!(shown["tub"]["requirement"]["from"], "own tubs");
    // The due window is the learnt one's: the low end is 5 % under the median, at 480 a day.
    let earliest = shown["tub"]["due"]["earliest"].as_str().unwrap();
    let wanted = season::stamp(begun + 24.0 * 10.05 * 0.95);
    let off_ms = chrono::DateTime::parse_from_rfc3339(earliest).unwrap().timestamp_millis() - wanted;
    assert!(off_ms.abs() < HOUR || earliest >= at(begun + 240.0).as_str(), "{earliest}");
    let text = season.ok(&["show", "N1"]);
    assert!(text.contains("the median and spread of 6 colonised before"), "{text}");
    assert!(text.contains("each predicted from the others"), "{text}");
    // Another recipe is not held to them, and neither is a tub on air.
    season.spawn("N2", begun, &["--kind", "bag"]);
    assert_eq!(season.show("N2")["learned"], Value::Null);

    let daemon = season.site.run();
    let status =
        daemon.status_when("learnt", |status| harness::daemon::named(status, "tubs", "N1")["requirement"]["tubs"] == 6);
    assert_eq!(harness::daemon::named(&status, "tubs", "N2")["requirement"], Value::Null);
    assert_eq!(harness::daemon::named(&status, "tubs", "N1")["due"]["earliest"], shown["tub"]["due"]["earliest"]);
}

#[test]
fn a_tub_that_still_heats_itself_is_warned_of_at_open() {
    let season = Season::begin();
    season.steady("shelf-air", 0.0, 24.0 * 9.0, 20.0);
    // A lag of two days, a rise to 4 °C over air by day 6, level.
    season.write("core-0", 0.0, 24.0 * 9.0, |hour| 20.0 + 4.0 * ((hour - 48.0) / 96.0).clamp(0.0, 1.0));
    season.spawn("H1", 0.0, &["--core", "core-0"]);
    let shown = season.show("H1");
    assert_eq!(shown["self_heating"]["core_over_air_k"], Value::Null, "nothing of late: {shown:#}");
    assert!(shown["self_heating"]["peak_day"].as_i64().unwrap() >= 7, "{shown:#}");
    let said = season.ok(&["open", "H1", "--at", &at(24.0 * 8.5)]);
    assert!(said.contains("not over yet"), "{said}");
    assert!(said.contains("+4.0 °C over air"), "{said}");
}

#[test]
fn yields_are_set_beside_their_basis() {
    let season = Season::begin();
    season.spawn("Y1", 0.0, &["--dry-bulk", "650g", "--dry-grain", "350g"]);
    season.ok(&["harvest", "Y1", "--fresh", "600g", "--at", &at(24.0 * 20.0)]);
    season.ok(&["rest", "Y1", "--at", &at(24.0 * 21.0)]);
    season.ok(&["harvest", "Y1", "--fresh", "200g", "--at", &at(24.0 * 30.0)]);
    season.ok(&["discard", "Y1", "--because", "spent", "--at", &at(24.0 * 40.0)]);
    let shown = season.show("Y1");
    let given = &shown["yield"];
    assert_eq!(given["biological_efficiency_pct"], 80.0, "{given:#}");
    assert_eq!(given["biological_efficiency_basis"], "bulk+grain");
    assert_eq!(given["grams_per_tub_day"], 20.0);
    assert_eq!(given["flushes"][0]["share_pct"], 75.0);
    assert_eq!(given["flushes"][1]["biological_efficiency_pct"], 20.0);
    let text = season.ok(&["show", "Y1"]);
    assert!(text.contains("flush 1 75 %, flush 2 25 %"), "{text}");
    let refused = season.site.command(&["harvest", "Y1", "--fresh", "10g"]);
    assert_eq!(refused.status.code(), Some(1), "a harvest on an ended tub");
    season.spawn("Y2", 0.0, &["--dry-bulk", "650g"]);
    let refused = season.site.command(&["harvest", "Y2", "--fresh", "4120g", "--at", &at(500.0)]);
    assert!(String::from_utf8_lossy(&refused.stderr).contains("--anyway"), "{refused:?}");
    let said = season.ok(&["harvest", "Y2", "--fresh", "4120g", "--anyway", "--at", &at(500.0)]);
    assert!(said.contains("spores"), "{said}");
}

#[test]
fn several_tubs_amended_photographed_and_named_again() {
    let season = Season::begin();
    let said = season.ok(&[
        "spawn",
        "A1..A6",
        "--culture",
        "shiitake",
        "--space",
        "shelf",
        "--kind",
        "block",
        "--batch",
        "g7",
        "--at",
        &at(0.0),
    ]);
    assert_eq!(said.matches("now colonising").count(), 6, "{said}");
    for words in [["spawn", "A6..A1"], ["spawn", "A1..B3"], ["spawn", "A1..A999"]] {
        let output = season.site.command(&[&words[..], &["--culture", "shiitake", "--space", "shelf"]].concat());
        assert_eq!(output.status.code(), Some(2), "{words:?}");
    }
    let log = season.show("A1");
    let entry = log["log"][0]["entry"].to_string();
    season.ok(&[
        "amend",
        &entry,
        "--culture",
        "winter-oyster",
        "--dry-bulk",
        "700g",
        "--batch",
        "g8",
        "--position",
        "top",
    ]);
    let shown = season.show("A1");
    assert_eq!(shown["tub"]["culture"], "winter-oyster");
    assert_eq!(
        (&shown["dry_bulk_g"], &shown["batch"], &shown["position"]),
        (&700.0.into(), &"g8".into(), &"top".into())
    );
    assert_eq!(shown["log"][0]["amended_by"].as_array().unwrap().len(), 1, "nothing is erased: {shown:#}");
    let refused = season.site.command(&["amend", &entry, "--flush", "2"]);
    assert!(String::from_utf8_lossy(&refused.stderr).contains("only a harvest has a flush"));
    season.ok(&["harvest", "A1", "--fresh", "100g", "--at", &at(480.0)]);
    season.ok(&["rest", "A1", "--at", &at(490.0)]);
    season.ok(&["harvest", "A1", "--fresh", "50g", "--at", &at(500.0)]);
    let second = season.show("A1")["log"].as_array().unwrap().iter().map(|line| line["entry"].as_i64().unwrap()).max();
    season.ok(&["amend", &second.unwrap().to_string(), "--flush", "1"]);
    assert_eq!(season.show("A1")["flushes"].as_array().unwrap().len(), 1);

    let photo = season.site.folder.path().join("lid.jpg");
    let missing = season.site.command(&["note", "A1", "--photo", photo.to_str().unwrap()]);
    assert_eq!(missing.status.code(), Some(1));
    std::fs::write(&photo, b"a picture").unwrap();
    season.ok(&["note", "A1", "--photo", photo.to_str().unwrap(), "green", "corner"]);
    let text = season.ok(&["show", "A1"]);
    assert!(text.contains("lid.jpg of green corner"), "{text}");

    let said = season.ok(&["discard", "A1", "--because", "contaminated", "--at", &at(600.0)]);
    assert!(said.contains("do not sniff"), "{said}");
    season.spawn("A1", 1000.0, &[]);
    let again = season.show("A1");
    assert_ne!(again["tub"]["id"], shown["tub"]["id"], "a filling of its own");
    assert_eq!(season.show(shown["tub"]["id"].as_str().unwrap())["tub"]["stage"], "ended");
}
