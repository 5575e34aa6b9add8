//! The published windows, and the life of heat runs; sources and tolerances in `fixtures/heat/SOURCES.md`.
#![allow(clippy::unwrap_used, clippy::panic)]

#[allow(dead_code)] // not every reader of tables is needed here
mod tables;

use proptest::prelude::*;
use tables::{Row, assert_near, table};
use tubwatch::climate::Stamp;
use tubwatch::climate::lethality::Scale;
use tubwatch::climate::series::Piece;
use tubwatch::climate::stamp::{HOUR_MS, MINUTE_MS, SECOND_MS};
use tubwatch::grow::heat_plan::{HOLD_MAX_MS, Plan, PlanError, WINDOWS, window};
use tubwatch::grow::heat_run::{Event, HeatRun, Phase, Verdict, Voice};

fn heat(name: &str) -> Vec<Row> {
    table(&format!("../heat/{name}"))
}

fn minute(minutes: f64) -> Stamp {
    Stamp((minutes * MINUTE_MS as f64).round() as i64)
}

fn piece(from_min: f64, from_value: f64, to_min: f64, to_value: f64) -> Piece {
    Piece { from: minute(from_min), to: minute(to_min), from_value, to_value, doubtful: false }
}

#[test]
fn every_window_makes_a_plan_and_has_its_source() {
    for (index, found) in WINDOWS.iter().enumerate() {
        let plan = Plan::new(vec!["a".into()], found.hold_at_c(), found.hold_for_ms(), 25.0).unwrap();
        assert_eq!(plan.hold_at_c(), found.from_c);
        assert!(found.from_c <= found.to_c && found.from_min <= found.to_min, "{}", found.name);
        assert!(!found.source.is_empty() && !found.source.contains("http") && !found.source.contains(".com"));
        assert_eq!(window(found.name), Some(&WINDOWS[index]), "{} is named once", found.name);
    }
    assert_eq!(window("boiling oil"), None);
    for row in heat("substrate_windows") {
        let found = window(row.text("name")).unwrap();
        assert_eq!((found.from_c, found.from_min as f64), (row.number("from_c"), row.number("from_min")));
        let z7 = Scale::PASTEURISATION_Z7.held(found.from_c, found.from_min as f64);
        assert_near(z7, row.number("units_ref60_z7_at_the_low_end_min"), 1e-3, found.name);
        let z10 = Scale::new(70.0, 10.0).unwrap().held(found.from_c, found.from_min as f64);
        assert_near(z10, row.number("units_ref70_z10_at_the_low_end_min"), 1e-4, found.name);
    }
}

#[test]
fn a_plan_out_of_range_is_refused() {
    let plan = |probes: &[&str], at: f64, minutes: i64, below: f64| {
        Plan::new(probes.iter().map(|probe| (*probe).to_owned()).collect(), at, minutes * MINUTE_MS, below)
    };
    assert_eq!(plan(&[], 65.0, 60, 25.0), Err(PlanError::NoProbe));
    assert_eq!(plan(&["a", "b", "a"], 65.0, 60, 25.0), Err(PlanError::SameProbe { probe: "a".into() }));
    assert_eq!(plan(&["p"; 17], 65.0, 60, 25.0), Err(PlanError::TooManyProbes { count: 17 }));
    for at in [39.9, 100.1, f64::NAN] {
        assert!(matches!(plan(&["a"], at, 60, 25.0), Err(PlanError::HoldAt { .. })), "{at}");
    }
    for minutes in [0, -5, HOLD_MAX_MS / MINUTE_MS + 1] {
        assert!(matches!(plan(&["a"], 65.0, minutes, 25.0), Err(PlanError::HoldFor { .. })), "{minutes}");
    }
    for below in [4.0, 61.0, f64::NAN] {
        assert!(matches!(plan(&["a"], 65.0, 60, below), Err(PlanError::SpawnBelow { .. })), "{below}");
    }
    let good = plan(&["rim", "centre"], 65.0, 60, 25.0).unwrap();
    assert_eq!((good.position("centre"), good.position("lid")), (Some(1), None));
}

// ---- the run ----

/// A course: temperature in °C by minute, straight between its points.
type Course = Vec<(f64, f64)>;

fn at(course: &Course, minute: f64) -> f64 {
    let after = course.iter().position(|point| point.0 >= minute).unwrap_or(course.len() - 1).max(1);
    let ((from, from_c), (to, to_c)) = (course[after - 1], course[after]);
    from_c + (to_c - from_c) * ((minute - from) / (to - from)).clamp(0.0, 1.0)
}

fn run(probes: &[&str], minutes: i64) -> HeatRun {
    let probes = probes.iter().map(|probe| (*probe).to_owned()).collect();
    HeatRun::new(Plan::new(probes, 65.0, minutes * MINUTE_MS, 25.0).unwrap(), Scale::PASTEURISATION, Stamp(0))
}

/// Feeds each probe its course every half minute up to `until` minutes; `None` is a silence.
fn feed(run: &mut HeatRun, from: f64, until: f64, course: impl Fn(usize, f64) -> Option<f64>) -> Vec<Event> {
    let mut events = Vec::new();
    let probes = run.plan().probes().len();
    let mut now = from;
    while now <= until {
        for probe in 0..probes {
            if let Some(value) = course(probe, now) {
                events.extend(run.reading(probe, minute(now), value, true));
            }
        }
        events.extend(run.tick(minute(now)));
        now += 0.5;
    }
    events
}

/// 20 °C to 70 in 50 min, level for 100, down to 20 in 100.
fn bucket() -> Course {
    vec![(0.0, 20.0), (50.0, 70.0), (150.0, 70.0), (250.0, 20.0)]
}

#[test]
fn a_run_with_one_probe_is_held_where_measured() {
    let mut run = run(&["core"], 60);
    let course = bucket();
    let heating = feed(&mut run, 0.0, 40.0, |_, now| Some(at(&course, now)));
    assert_eq!(heating, []);
    let report = run.report();
    assert_eq!((report.phase, report.verdict, report.earned_ms), (Phase::Heating, Verdict::Short, 0));
    let core = &report.probes[0];
    assert_eq!((core.voice, core.now), (Voice::Reading, Some((minute(40.0), 60.0))));
    assert_near(core.slope_c_per_h.unwrap(), 60.0, 1e-6, "1 °C a minute");
    assert_near(core.minutes_to_target.unwrap(), 5.0, 1e-6, "5 °C to go");
    assert_eq!(core.minutes_to_spawn, None, "it is not cooling");

    let events = feed(&mut run, 40.5, 110.0, |_, now| Some(at(&course, now)));
    assert_eq!(events, [Event::HoldBegan { at: minute(45.0) }, Event::HoldReached { at: minute(105.0), proven: true }]);
    assert_eq!((run.report().phase, run.report().verdict), (Phase::Cooling, Verdict::Held));
    let events = feed(&mut run, 110.5, 250.0, |_, now| Some(at(&course, now)));
    // 70 to 25 °C at half a degree a minute.
    assert_eq!(events, [Event::CoolEnough { at: minute(240.0), hold_reached: true, everywhere: true }]);
    assert_eq!(run.end(minute(250.0)), []);
    let report = run.report();
    assert_eq!((report.phase, report.verdict_words()), (Phase::Ready, "held where measured"));
    // At or over 65 °C from minute 45 to 160, crossings solved on the line.
    assert_eq!((report.earned_ms, report.proven_ms), (115 * MINUTE_MS, 115 * MINUTE_MS));
    assert_eq!(report.probes[0].at_target_ms, 115 * MINUTE_MS);
    assert_eq!(report.probes[0].peak, Some((minute(50.0), 70.0)));
    assert_eq!((report.began_at, report.reached_at), (Some(minute(45.0)), Some(minute(105.0))));
    assert_eq!((report.cool_at, report.ended_at), (Some(minute(240.0)), Some(minute(250.0))));
    // Level at 70 for 100 min, a rise and a fall of 50 °C, each exact: minutes × rate / (ln 1.393 × 50) nearly.
    let fall = |minutes: f64| Scale::PASTEURISATION.units(&piece(0.0, 20.0, minutes, 70.0));
    let units = fall(50.0) + Scale::PASTEURISATION.held(70.0, 100.0) + fall(100.0);
    assert_near(report.least_units, units, 1e-9 * units, "units");
    assert_eq!(report.probes[0].gaps, 0);
}

#[test]
fn the_coldest_earns_the_hold_and_the_hottest_judges_the_cooling() {
    let mut run = run(&["rim", "centre"], 60);
    let rim = vec![(0.0, 20.0), (40.0, 75.0), (150.0, 75.0), (200.0, 20.0), (400.0, 20.0)];
    let centre = vec![(0.0, 20.0), (80.0, 68.0), (160.0, 68.0), (300.0, 20.0), (400.0, 20.0)];
    let events = feed(&mut run, 0.0, 400.0, |probe, now| Some(at(if probe == 0 { &rim } else { &centre }, now)));
    let report = run.report();
    // The centre reaches 65 at minute 75; it falls below 25 °C at 160 + 43 / 48 × 140.
    assert_eq!(report.began_at, Some(minute(75.0)));
    assert_eq!(report.reached_at, Some(minute(135.0)));
    let cool = 160.0 + 43.0 / 48.0 * 140.0;
    assert_near(report.cool_at.unwrap().0 as f64, cool * MINUTE_MS as f64, 1.0, "the centre lags the rim");
    // Held until the rim falls under 65: 150 + 10 / 55 × 50.
    assert_near(report.earned_ms as f64, (150.0 + 500.0 / 55.0 - 75.0) * MINUTE_MS as f64, 1.0, "the rim ends it");
    assert_eq!(report.verdict_words(), "held");
    assert!(report.least_units == report.probes[1].units && report.probes[0].units > 2.0 * report.least_units);
    assert_eq!(events.len(), 3, "{events:?}");
    assert_eq!((report.coldest, report.hottest), (Some((0, 20.0)), Some((1, 20.0))));
}

#[test]
fn the_hold_pauses_is_told_after_two_minutes_and_is_never_set_back() {
    let mut run = run(&["core"], 60);
    let course: Course = vec![
        (0.0, 60.0),
        (5.0, 65.0), // begins
        (10.0, 70.0),
        (30.0, 70.0),
        (40.0, 60.0), // under at 35: 30 min earned
        (60.0, 60.0),
        (70.0, 70.0), // back at 65 at minute 65
        (120.0, 70.0),
    ];
    let events = feed(&mut run, 0.0, 50.0, |_, now| Some(at(&course, now)));
    assert_eq!(events[0], Event::HoldBegan { at: minute(5.0) });
    assert_eq!(events[1], Event::HoldLost { at: minute(37.0), since: minute(35.0), probe: 0, value_c: 63.0 });
    assert_eq!(events.len(), 2, "told once: {events:?}");
    let paused = run.report();
    assert_eq!((paused.phase, paused.paused, paused.earned_ms), (Phase::Cooling, true, 30 * MINUTE_MS));
    let events = feed(&mut run, 50.5, 120.0, |_, now| Some(at(&course, now)));
    assert_eq!(
        events,
        [
            Event::HoldResumed { at: minute(65.0), earned_ms: 30 * MINUTE_MS },
            Event::HoldReached { at: minute(95.0), proven: true },
        ]
    );
    let report = run.report();
    assert_eq!((report.pauses, report.paused_ms, report.paused), (1, 30 * MINUTE_MS, false));
    assert_eq!(report.verdict, Verdict::Held);
}

#[test]
fn a_short_dip_pauses_without_a_word() {
    let mut run = run(&["core"], 60);
    let course: Course = vec![(0.0, 70.0), (10.0, 70.0), (11.0, 64.0), (12.0, 70.0), (80.0, 70.0)];
    let events = feed(&mut run, 0.0, 80.0, |_, now| Some(at(&course, now)));
    assert_eq!(events.len(), 2, "{events:?}");
    let report = run.report();
    // Under 65 for a sixth of a minute on either side.
    assert_near(report.paused_ms as f64, 20_000.0, 2.0, "the dip");
    assert_eq!(report.pauses, 1);
    assert_near(report.reached_at.unwrap().0 as f64, (60.0 + 1.0 / 3.0) * MINUTE_MS as f64, 2.0, "reached later");
}

#[test]
fn a_run_that_cools_too_early_is_short() {
    let mut run = run(&["core"], 60);
    let course: Course = vec![(0.0, 20.0), (50.0, 70.0), (70.0, 70.0), (150.0, 20.0), (200.0, 20.0)];
    let events = feed(&mut run, 0.0, 200.0, |_, now| Some(at(&course, now)));
    assert!(matches!(events[1], Event::HoldLost { .. }), "{events:?}");
    assert_eq!(events[2], Event::CoolEnough { at: minute(142.0), hold_reached: false, everywhere: true });
    assert_eq!(run.report().phase, Phase::Cooling, "never ready");
    run.end(minute(200.0));
    assert_eq!((run.report().verdict, run.report().verdict_words()), (Verdict::Short, "short"));
}

#[test]
fn a_run_that_never_reached_the_target_is_not_called_heating_for_ever() {
    let mut run = run(&["core"], 60);
    let course: Course = vec![(0.0, 20.0), (40.0, 60.0), (60.0, 48.0), (90.0, 64.0)];
    assert_eq!(feed(&mut run, 0.0, 55.0, |_, now| Some(at(&course, now))), []);
    assert_eq!(run.report().phase, Phase::Heating);
    feed(&mut run, 55.5, 60.0, |_, now| Some(at(&course, now)));
    assert_eq!(run.report().phase, Phase::Cooling);
    feed(&mut run, 60.5, 75.0, |_, now| Some(at(&course, now)));
    assert_eq!(run.report().phase, Phase::Heating, "heated again");
    run.end(minute(75.0));
    assert_eq!(run.report().verdict, Verdict::Short);
}

/// (case, silence of the core in minutes, verdict at the end, minutes earned, gaps)
#[test]
fn silence_earns_nothing() {
    for (case, silence, verdict, earned, gaps) in [
        ("exactly five minutes are bridged", (60.0, 65.0), Verdict::Held, 100.0, 0),
        ("over five are not", (60.0, 66.0), Verdict::Held, 94.0, 1),
        ("half the hold", (60.0, 130.0), Verdict::Unproven, 30.0, 1),
        ("before the hold, over in time", (10.0, 30.0), Verdict::Held, 100.0, 1),
        ("from the middle to the end", (80.0, 400.0), Verdict::Unproven, 30.0, 1),
        ("from the start until it was too late", (-1.0, 120.0), Verdict::Unproven, 30.0, 1),
        ("never heard", (-1.0, 400.0), Verdict::Unproven, 0.0, 1),
    ] {
        let mut run = run(&["core"], 60);
        let course: Course = vec![(0.0, 60.0), (50.0, 65.0), (100.0, 70.0), (150.0, 65.0), (170.0, 20.0)];
        let events =
            feed(&mut run, 0.0, 170.0, |_, now| (now <= silence.0 || now >= silence.1).then(|| at(&course, now)));
        run.end(minute(170.0));
        let report = run.report();
        assert_eq!(report.verdict, verdict, "{case}");
        assert_near(report.earned_ms as f64 / MINUTE_MS as f64, earned, 1e-3, case);
        assert_eq!(report.probes[0].gaps, gaps, "{case}");
        let lost = events.iter().filter(|event| matches!(event, Event::ProbeLost { .. })).count();
        assert_eq!(lost as u32, gaps, "{case}: {events:?}");
    }
}

#[test]
fn a_lost_probe_leaves_the_hold_unproven_until_it_is_back_for_long_enough() {
    let mut run = run(&["rim", "centre"], 60);
    let speaks = |probe: usize, now: f64| (probe == 0 || !(20.0..40.0).contains(&now)).then_some(70.0);
    let events = feed(&mut run, 0.0, 70.0, speaks);
    // The last word of the centre was at 19.5; its five minutes are over at 24.5.
    assert_eq!(
        events,
        [
            Event::HoldBegan { at: minute(0.0) },
            Event::ProbeLost { at: minute(24.5), probe: 1, last_at: Some(minute(19.5)) },
            Event::ProbeBack { at: minute(40.0), probe: 1 },
            Event::HoldReached { at: minute(60.0), proven: false },
        ]
    );
    let report = run.report();
    assert_eq!((report.verdict, report.phase), (Verdict::Unproven, Phase::Cooling));
    assert_eq!(report.proven_ms, minute(70.0 - 20.5).0);
    assert_eq!((report.probes[1].gaps, report.probes[1].longest_gap_ms), (1, minute(20.5).0));
    let events = feed(&mut run, 70.5, 85.0, speaks);
    assert_eq!(events, [Event::HoldProven { at: minute(80.5) }]);
    assert_eq!(run.report().verdict_words(), "held");
}

#[test]
fn a_cold_probe_stops_the_hold_even_where_another_is_lost() {
    let mut run = run(&["rim", "centre"], 60);
    let speaks = |probe: usize, now: f64| match probe {
        0 => Some(if now < 20.0 { 70.0 } else { 60.0 }),
        _ => (now < 20.0).then_some(70.0),
    };
    let events = feed(&mut run, 0.0, 24.0, speaks);
    // Told before the silent one counts as lost.
    assert!(
        matches!(events[..], [Event::HoldBegan { .. }, Event::HoldLost { probe: 0, value_c: 60.0, .. }]),
        "{events:?}"
    );
    run.end(minute(24.0));
    assert_eq!(run.report().verdict, Verdict::Short, "known to be cold");
}

#[test]
fn a_lost_probe_may_be_the_hot_one() {
    let mut run = run(&["rim", "centre"], 60);
    let rim: Course = vec![(0.0, 70.0), (70.0, 70.0), (170.0, 20.0), (200.0, 20.0)];
    let events = feed(&mut run, 0.0, 170.0, |probe, now| (probe == 0 || now < 100.0).then(|| at(&rim, now)));
    assert_eq!(*events.last().unwrap(), Event::CoolEnough { at: minute(160.0), hold_reached: true, everywhere: false });
    assert_eq!(run.report().phase, Phase::Ready);
    // It comes back at 40 °C.
    let events = feed(&mut run, 170.5, 180.0, |probe, now| Some(if probe == 0 { at(&rim, now) } else { 40.0 }));
    assert!(events.contains(&Event::ProbeBack { at: minute(170.5), probe: 1 }));
    assert!(events.contains(&Event::WarmAgain { at: minute(170.5), probe: 1, value_c: 40.0 }), "{events:?}");
    assert_eq!((run.report().phase, run.report().cool_at), (Phase::Cooling, None));
}

#[test]
fn nonsense_is_refused_and_noted() {
    let mut run = run(&["core"], 60);
    feed(&mut run, 0.0, 10.0, |_, _| Some(70.0));
    let before = run.report();
    for (value, good) in [(f64::NAN, true), (f64::INFINITY, true), (-127.0, true), (999.9, true), (85.0, false)] {
        assert_eq!(run.reading(0, minute(10.5), value, good), [], "{value}");
        assert_eq!(run.report().probes[0].voice, Voice::Implausible, "{value}");
    }
    assert_eq!(run.report().coldest, None, "no probe that can be believed speaks");
    assert_eq!(run.reading(7, minute(11.0), 70.0, true), [], "no such probe");
    assert_eq!(run.report().earned_ms, before.earned_ms);
    // Nonsense for over five minutes is a lost probe, ticks or not.
    let mut events = Vec::new();
    for half in 22..=32 {
        events.extend(run.reading(0, minute(f64::from(half) / 2.0), -127.0, true));
    }
    assert_eq!(events, [Event::ProbeLost { at: minute(15.0), probe: 0, last_at: Some(minute(10.0)) }]);
    assert_eq!(run.reading(0, minute(16.5), 70.0, true), [Event::ProbeBack { at: minute(16.5), probe: 0 }]);
    run.reading(0, minute(17.0), 70.0, true);
    assert_eq!(run.report().earned_ms, minute(10.5).0);
}

#[test]
fn readings_out_of_order_change_nothing() {
    let mut run = run(&["core"], 60);
    let course = bucket();
    feed(&mut run, 0.0, 100.0, |_, now| Some(at(&course, now)));
    let before = run.report();
    assert_eq!(run.reading(0, minute(50.25), 20.0, true), []);
    assert_eq!(run.reading(0, minute(100.0), 20.0, true), [], "the same moment twice");
    assert_eq!(run.tick(minute(3.0)), [], "a clock that goes back");
    let after = run.report();
    assert_eq!(after.late_readings, 1);
    assert_eq!((after.earned_ms, after.probes), (before.earned_ms, before.probes));
    run.end(minute(100.0));
    assert_eq!(run.reading(0, minute(101.0), 70.0, true), []);
    assert_eq!((run.end(minute(500.0)), run.report().ended_at), (vec![], Some(minute(100.0))), "ends once");
}

#[test]
fn a_backlog_earns_what_it_measured() {
    let mut run = run(&["core"], 60);
    let mut events = run.tick(minute(90.0));
    for half in 0..=180 {
        events.extend(run.reading(0, minute(f64::from(half) / 2.0), 70.0, true));
    }
    assert_eq!(
        events,
        [
            Event::ProbeLost { at: minute(5.0), probe: 0, last_at: None },
            Event::HoldBegan { at: minute(0.0) },
            Event::HoldReached { at: minute(60.0), proven: true },
            Event::ProbeBack { at: minute(85.0), probe: 0 },
        ]
    );
    let report = run.report();
    assert_eq!((report.verdict, report.late_readings, report.probes[0].gaps), (Verdict::Held, 0, 0));
}

#[test]
fn over_the_ceiling_is_a_note() {
    let mut run = run(&["a", "b"], 10);
    let events = feed(&mut run, 0.0, 12.0, |probe, _| Some(if probe == 1 { 88.0 } else { 70.0 }));
    assert_eq!(events.iter().filter(|event| matches!(event, Event::OverCeiling { probe: 1, .. })).count(), 1);
    assert_eq!((run.report().over_ceiling, run.report().verdict), (true, Verdict::Held));
}

#[test]
fn readings_before_the_start_count_for_nothing_but_the_line() {
    let plan = Plan::new(vec!["a".into()], 65.0, 10 * MINUTE_MS, 25.0).unwrap();
    let mut run = HeatRun::new(plan, Scale::PASTEURISATION, minute(1.0));
    run.reading(0, minute(0.0), 90.0, true);
    run.reading(0, minute(2.0), 70.0, true);
    let report = run.report();
    assert_eq!((report.earned_ms, report.began_at), (MINUTE_MS, Some(minute(1.0))));
    assert_eq!((report.probes[0].peak, report.over_ceiling), (Some((minute(2.0), 70.0)), false));
}

#[test]
fn a_flood_is_bounded_and_a_clock_that_jumps_loses_no_hold() {
    let mut run = run(&["fast", "slow"], 10);
    let mut events = Vec::new();
    for step in 0..24_000 {
        let now = Stamp(i64::from(step) * 50);
        events.extend(run.reading(0, now, 70.0, true));
        if step % 2_400 == 0 {
            events.extend(run.reading(1, now, 70.0, true));
        }
        if step == 12_000 {
            events.extend(run.tick(Stamp(1_000 * HOUR_MS)));
            events.extend(run.tick(now));
        }
    }
    let report = run.report();
    assert_eq!(report.reached_at, Some(Stamp(10 * MINUTE_MS)));
    assert_eq!(report.verdict, Verdict::Held, "{events:?}");
    assert_eq!(report.probes[0].units.floor(), Scale::PASTEURISATION.held(70.0, 19.98).floor());
}

proptest! {
    /// However the probes' readings interleave on arrival, and whatever ticks come between, the same is earned;
    /// and it is what the pieces' own minutes allow.
    #[test]
    fn a_run_depends_on_its_readings_only(
        courses in prop::collection::vec(prop::collection::vec((1i64..400, 55.0f64..75.0), 5..40), 1..4),
        lead in 0usize..3,
    ) {
        let names: Vec<&str> = ["a", "b", "c"][..courses.len()].to_vec();
        let mut readings: Vec<(i64, usize, f64)> = Vec::new();
        for (probe, course) in courses.iter().enumerate() {
            let mut now = 0;
            for (step, value) in course {
                now += step * SECOND_MS;
                readings.push((now, probe, *value));
            }
        }
        readings.sort_by_key(|reading| (reading.0, reading.1));
        let end = Stamp(readings.last().unwrap().0);
        let mut in_order = run(&names, 30);
        let mut ticked = run(&names, 30);
        let mut earned = 0;
        for &(now, probe, value) in &readings {
            in_order.reading(probe, Stamp(now), value, true);
            ticked.reading(probe, Stamp(now), value, true);
            ticked.tick(Stamp(now));
            let report = in_order.report();
            prop_assert!(report.earned_ms >= earned, "never set back");
            earned = report.earned_ms;
            prop_assert!(report.proven_ms <= report.earned_ms);
        }
        // The probe `lead` arrives up to a minute ahead of the others: too little for any to be lost.
        let mut ahead = run(&names, 30);
        let mut shifted = readings.clone();
        shifted.sort_by_key(|reading| (reading.0 - if reading.1 == lead { MINUTE_MS } else { 0 }, reading.1));
        for &(now, probe, value) in &shifted {
            ahead.reading(probe, Stamp(now), value, true);
        }
        in_order.end(end);
        ticked.end(end);
        let report = in_order.report();
        prop_assert_eq!(&ticked.report(), &report);
        let most = report.probes.iter().map(|probe| probe.at_target_ms).max().unwrap();
        prop_assert!(report.proven_ms <= report.probes.iter().map(|probe| probe.at_target_ms).min().unwrap() + 100);
        prop_assert!(report.earned_ms <= most * names.len() as i64 + 100);
        prop_assert!(report.earned_ms + report.unknown_ms <= end.0);
        let silent = readings.windows(2).any(|pair| pair[1].0 - pair[0].0 > 4 * MINUTE_MS) || courses.iter().any(|course| course.iter().any(|point| point.0 > 230));
        let spread = courses.iter().map(|course| course.iter().map(|point| point.0).sum::<i64>());
        let ends_together = spread.clone().max().unwrap() - spread.min().unwrap() < 230;
        if !silent && ends_together {
            ahead.end(end);
            prop_assert_eq!(ahead.report(), report);
        }
    }
}
