//! Calibration through the built program, on readings the store has.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;
mod season;

use season::{HOUR, Season, stamp};

fn now_ms() -> i64 {
    stamp(0.0) + (chrono::Utc::now().timestamp_millis() - stamp(0.0))
}

fn since(ms: i64) -> String {
    chrono::DateTime::from_timestamp_millis(ms).unwrap().to_rfc3339()
}

/// A probe read every 10 min for five hours, up to now.
fn read(season: &Season, probe: &str, values: [Option<f64>; 4]) -> String {
    let now = now_ms();
    season.write_every(probe, now - 5 * HOUR, now, 600_000, |_| values);
    since(now - 5 * HOUR - 1000)
}

#[test]
fn ice_boiling_and_both() {
    let season = Season::begin();
    let began = read(&season, "core-0", [Some(0.4), None, None, None]);
    let said = season.ok(&["calibrate", "core-0", "--at", "ice", "--since", &began]);
    assert!(said.contains("steady means: for 60 min within ±0.15 °C"), "{said}");
    assert!(said.contains("off by +0.40"), "{said}");
    assert!(said.contains("temperature = { offset = -0.400, gain = 1.00000"), "{said}");
    let earlier = said.lines().last().unwrap().rsplit(' ').next().unwrap().to_owned();
    // FAO 56 equation 7 and IAPWS: at 640 m water boils at 97.87 °C.
    let began = read(&season, "core-1", [Some(98.87), None, None, None]);
    let said = season.ok(&["calibrate", "core-1", "--at", "boiling", "--since", &began]);
    assert!(said.contains("off by +1.00"), "{said}");
    assert!(said.contains("at 640 m"), "site.altitude: {said}");
    assert!(said.contains("scald"), "{said}");
    let said = season.ok(&["calibrate", "core-1", "--at", "boiling", "--since", &began, "--earlier", &earlier]);
    // Through (0.4, 0) and (98.87, 97.87): the slope is 97.87 / 98.47.
    assert!(said.contains("gain = 0.9939"), "{said}");
    assert!(said.contains("from 2 points"), "{said}");
    let said =
        season.ok(&["calibrate", "core-1", "--at", "boiling", "--since", &began, "--station-pressure", "940hPa"]);
    assert!(said.contains("at 940 hPa on the spot"), "{said}");
    // A forecast's figure, at 640 m.
    let refused = season.site.command(&["calibrate", "core-1", "--at", "boiling", "--station-pressure", "1018hPa"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("reduced to sea level"), "{refused:?}");
}

#[test]
fn a_salt_jar_by_its_own_temperature() {
    let season = Season::begin();
    let began = read(&season, "shelf-air", [Some(25.0), Some(77.3), None, None]);
    let said = season.ok(&["calibrate", "shelf-air", "--at", "table-salt", "--since", &began]);
    // Greenspan 1977, table 2: 75.29 %RH over NaCl at 25 °C; its own polynomial gives 75.30.
    assert!(said.contains("should read 75.30 %RH"), "{said}");
    assert!(said.contains("humidity = { offset = -2.0"), "{said}");
    for (words, part) in [
        (["calibrate", "shelf-air", "--at", "ice"], "ruins its element"),
        (["calibrate", "shelf-air", "--at", "boiling"], "ruins its element"),
        (["calibrate", "core-0", "--at", "nacl"], "reads none"),
        (["calibrate", "core-9", "--at", "ice"], "no probe is called"),
        (["calibrate", "core-0", "--at", "snow"], "no reference is called"),
    ] {
        let refused = season.site.command(&words);
        assert_eq!(refused.status.code(), Some(2), "{words:?}");
        assert!(String::from_utf8_lossy(&refused.stderr).contains(part), "{refused:?}");
    }
}

#[test]
fn what_is_not_steady_is_waited_for_and_said() {
    let season = Season::begin();
    let now = now_ms();
    season
        .write_every("core-0", now - 5 * HOUR, now, 600_000, |hour| [Some(0.4 + 3.0 * (hour % 1.0)), None, None, None]);
    let refused =
        season.site.command(&["calibrate", "core-0", "--at", "ice", "--since", &since(now - 5 * HOUR), "--wait", "2s"]);
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert_eq!(refused.status.code(), Some(1), "{said}");
    assert!(said.contains("wanders") && said.contains("nothing to paste"), "{said}");
    // A steady room is not the reference.
    let began = read(&season, "core-1", [Some(21.0), None, None, None]);
    let refused = season.site.command(&["calibrate", "core-1", "--at", "ice", "--since", &began]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("was not at the reference"), "{refused:?}");
    // What was read before the probe was put there does not count.
    let waiting = season.site.command(&["calibrate", "core-1", "--at", "ice", "--wait", "1s"]);
    assert!(String::from_utf8_lossy(&waiting.stdout).contains("is tubwatch run running"), "{waiting:?}");
}
