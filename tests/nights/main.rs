//! A corpus of nights: quiet ones that must let the grower sleep, bad ones that must wake. What each must
//! and must not raise stands in `fixtures/nights/expected.csv`.
//!
//! Prints false alarms per 100 quiet nights and the lead before damage. `TUBWATCH_NIGHTS=1000` takes
//! more nights of each kind than the default 100 quiet ones in all and ten of each bad kind.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout, dead_code, unused_imports)]

#[path = "../keeper/bench.rs"]
mod bench;
mod weather;

use bench::*;
use weather::{MIN_MS, MINUTES, Minute, Night, QUIET, TROUBLE_MIN};

const EXPECTED: &str = include_str!("../../fixtures/nights/expected.csv");
const REAL: &str = include_str!("../../fixtures/physics/indoor_minute_temp_rh_co2.csv");
/// Where damage begins, °C.
const DAMAGE_C: f64 = 33.0;

struct Row<'a> {
    night: &'a str,
    rule: &'a str,
    watch: &'a str,
    severity: Severity,
    subject: &'a str,
    within_min: i64,
}

fn rows() -> Vec<Row<'static>> {
    let row = |line: &'static str| {
        let cells: Vec<&str> = line.split(',').collect();
        let [night, rule, watch, severity, subject, within] = cells[..] else { panic!("{line}") };
        Row {
            night,
            rule,
            watch,
            severity: Severity::from_word(severity).unwrap(),
            subject,
            within_min: within.parse().unwrap_or(0),
        }
    };
    EXPECTED.lines().skip(1).map(row).collect()
}

fn quiet_nights() -> usize {
    std::env::var("TUBWATCH_NIGHTS").ok().and_then(|count| count.parse().ok()).unwrap_or(100)
}

/// What a night told, and when its core reached damage.
struct Told {
    events: Vec<AlertEvent>,
    damage_at: Option<Stamp>,
}

fn keeper() -> Bench {
    let mut setup = setup();
    setup.probes[SHELF_AIR].every_ms = 60 * SECOND;
    setup.probes[CORE_A1].every_ms = 60 * SECOND;
    setup.probes[TENT_AIR].every_ms = 60 * SECOND;
    // The shelf has one air probe and one core: the smallest that is sane.
    setup.spaces[0].air = vec![SHELF_AIR];
    setup.probes.truncate(SHELF_SPARE);
    let mut bench = Bench::with(
        setup,
        vec![tub("A1", "shelf", Stage::Colonising, Some("core-a1")), tub("B1", "tent", Stage::Fruiting, Some("none"))],
    );
    bench.keeper.take_as_known();
    bench
}

fn live(minutes: i64, mut read: impl FnMut(i64) -> Minute) -> Told {
    let mut bench = keeper();
    let mut damage_at = None;
    for minute in 0..minutes {
        let read = read(minute);
        bench.now = Stamp(START + minute * MIN_MS);
        if let Some(shelf_c) = read.shelf_c {
            bench.temperature(SHELF_AIR, shelf_c);
        }
        if let Some(core_c) = read.core_c {
            bench.temperature(CORE_A1, core_c);
        }
        if let Some((tent_c, pct, ppm)) = read.tent {
            bench.at(TENT_AIR, bench.now, [Some(tent_c), Some(pct), Some(ppm), None]);
        }
        bench.keeper.tick(bench.now, &mut bench.told);
        if read.true_core_c >= DAMAGE_C {
            damage_at.get_or_insert(bench.now);
        }
    }
    Told { events: bench.told, damage_at }
}

fn night(kind: &'static str, seed: u64) -> Told {
    let mut night = Night::new(kind, seed);
    // Bad nights are seen to their end.
    let minutes = if QUIET.contains(&kind) { MINUTES } else { MINUTES + 4 * 60 };
    live(minutes, |minute| night.minute(minute))
}

fn is_raise(event: &AlertEvent) -> bool {
    matches!(event.kind, EventKind::Raised | EventKind::RaisedAgain)
}

/// Holds one night to the table.
fn check(kind: &str, seed: u64, told: &Told, trouble_at: Stamp) {
    for row in rows().iter().filter(|row| row.night == kind) {
        let found: Vec<&AlertEvent> = told
            .events
            .iter()
            .filter(|event| {
                is_raise(event) && event.alert.watch.word() == row.watch && event.alert.subject == row.subject
            })
            .filter(|event| event.alert.severity >= row.severity)
            .collect();
        match row.rule {
            "must" => {
                let by = trouble_at.plus(row.within_min * MIN);
                let in_time = found.iter().any(|event| event.at <= by);
                let when: Vec<i64> = found.iter().map(|event| event.at.since(trouble_at) / MIN).collect();
                assert!(
                    in_time,
                    "{kind} {seed}: {} {:?} not within {} min: {when:?}",
                    row.watch, row.severity, row.within_min
                );
            }
            "must-not" => assert!(found.is_empty(), "{kind} {seed}: {found:?}"),
            // Counted over all quiet nights.
            _ => {}
        }
    }
}

fn worse_than_advice(told: &Told) -> Vec<&AlertEvent> {
    told.events.iter().filter(|event| is_raise(event) && event.alert.severity > Severity::Advice).collect()
}

#[test]
fn quiet_nights_let_the_grower_sleep() {
    let nights = quiet_nights();
    let (mut warnings, mut criticals, mut advice) = (0, 0, 0);
    let mut by_watch = std::collections::BTreeMap::<&str, usize>::new();
    for index in 0..nights {
        let kind = QUIET[index % QUIET.len()];
        let told = night(kind, index as u64);
        check(kind, index as u64, &told, Stamp(START + TROUBLE_MIN * MIN));
        for event in worse_than_advice(&told) {
            println!("false alarm in {kind} {index}: {:?} {}", event.alert.severity, event.alert.text);
        }
        for event in told.events.iter().filter(|event| is_raise(event)) {
            *by_watch.entry(event.alert.watch.word()).or_default() += 1;
        }
        let critical = |event: &&&AlertEvent| event.alert.severity == Severity::Critical;
        let worse = worse_than_advice(&told);
        criticals += worse.iter().filter(critical).count();
        warnings += worse.len() - worse.iter().filter(critical).count();
        advice +=
            told.events.iter().filter(|event| is_raise(event) && event.alert.severity == Severity::Advice).count();
    }
    let per_100 = |count: usize| count as f64 * 100.0 / nights as f64;
    println!(
        "{nights} quiet nights: per 100 nights {:.1} critical, {:.1} warnings, {:.1} advice",
        per_100(criticals),
        per_100(warnings),
        per_100(advice)
    );
    println!("raised in them, advice included: {by_watch:?}");
    assert_eq!(criticals, 0);
    assert!(per_100(warnings) <= 1.0);
}

#[test]
fn bad_nights_wake() {
    let nights = (quiet_nights() / 10).max(1);
    let mut leads: Vec<(&str, f64, f64)> = Vec::new();
    for kind in ["runaway", "heater-stuck", "probe-lost"] {
        let onset = if kind == "runaway" { 0 } else { TROUBLE_MIN };
        let trouble_at = Stamp(START + onset * MIN);
        for seed in 0..nights {
            let told = night(kind, 1_000 + seed as u64);
            check(kind, seed as u64, &told, trouble_at);
            let Some(damage_at) = told.damage_at else { continue };
            let first = |severity: Severity| {
                let heat = ["core-temperature", "temperature", "heating-ahead"];
                let told = told.events.iter().filter(|event| is_raise(event) && event.alert.severity >= severity);
                let at = told.filter(|event| heat.contains(&event.alert.watch.word())).map(|event| event.at).min();
                at.map_or(f64::NEG_INFINITY, |at| damage_at.since(at) as f64 / HOUR as f64)
            };
            leads.push((kind, first(Severity::Warning), first(Severity::Critical)));
        }
    }
    for kind in ["runaway", "heater-stuck"] {
        let of: Vec<_> = leads.iter().filter(|lead| lead.0 == kind).collect();
        let least = |of: &dyn Fn(&(&str, f64, f64)) -> f64, all: &[&(&str, f64, f64)]| {
            all.iter().map(|it| of(it)).fold(f64::INFINITY, f64::min)
        };
        let (warned, woken) = (least(&|it| it.1, &of), least(&|it| it.2, &of));
        println!(
            "{kind}: {} nights reached damage; told at least {warned:.1} h before it, critical {woken:.1} h",
            of.len()
        );
        assert!(!of.is_empty() && warned >= 2.0 && woken >= 1.0, "{of:?}");
    }
}

#[test]
fn the_real_series_lets_the_grower_sleep() {
    let mut cake_c = 25.0;
    let mut rows = REAL.lines().skip(1).map(|line| {
        let cells: Vec<f64> = line.split(',').skip(1).take(3).map(|cell| cell.parse().unwrap()).collect();
        (cells[0], cells[1], cells[2])
    });
    let minutes = rows.clone().count() as i64;
    let told = live(minutes, |_| {
        let (air_c, _, ppm) = rows.next().unwrap();
        cake_c += (air_c + 2.0 - cake_c) / 360.0;
        // The room's air around the tub; its dry winter air is not put into the tent, its CO2 is.
        Minute {
            shelf_c: Some(air_c),
            core_c: Some(cake_c),
            tent: Some((15.0, 90.0, ppm.min(950.0))),
            true_core_c: cake_c,
        }
    });
    check("real", 0, &told, Stamp(START));
    let worse = worse_than_advice(&told);
    println!(
        "the real series, {:.0} h: {} raised, {} worse than advice",
        minutes as f64 / 60.0,
        told.events.len(),
        worse.len()
    );
    assert!(worse.is_empty(), "{worse:?}");
}

#[test]
fn the_same_seed_makes_the_same_night() {
    for kind in ["noise", "runaway"] {
        let brief =
            |told: Told| told.events.iter().map(|event| (event.at, event.alert.text.clone())).collect::<Vec<_>>();
        assert_eq!(brief(night(kind, 7)), brief(night(kind, 7)));
    }
}
