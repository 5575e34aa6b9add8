//! Heat, cold, dry and stale air: who is judged by what, after which delay, in which words.

use crate::bench::*;

#[test]
fn a_quiet_night_raises_nothing() {
    let mut bench = Bench::new(vec![
        tub("A1", "shelf", Stage::Colonising, Some("core-a1")),
        tub("B1", "tent", Stage::Fruiting, None),
    ]);
    // Noise, a dropout of a minute, error codes, a door opened twice, a lamp on the probe.
    let wave = |gone: i64| (gone as f64 / HOUR as f64).sin();
    let air = |gone: i64| match gone / MIN {
        61..=69 => Some(31.0),
        200 => Some(85.0),
        230 => Some(-127.0),
        _ => Some(23.5 + wave(gone)),
    };
    let core = |gone: i64| match gone / SECOND {
        7200..=7210 => None,
        9000 => Some(85.0),
        9600 => Some(45.0),
        9900 => Some(f64::NAN),
        _ => Some(26.5 + wave(gone)),
    };
    let tent = |gone: i64| match gone / MIN {
        100..=120 => Some([Some(17.0), Some(60.0), Some(500.0), None]),
        300 => Some([Some(15.0), Some(999.9), Some(0.0), None]),
        // 18 °C less two, for want of a core.
        _ => Some([Some(14.5 + wave(gone)), Some(91.0 + 3.0 * wave(gone)), Some(800.0 + 100.0 * wave(gone)), None]),
    };
    bench.run(10 * HOUR, air, core, tent);
    assert_eq!(bench.take(), []);
    assert_eq!(bench.keeper.probe_view(CORE_A1, bench.now).unwrap().health, Health::Reporting);
}

#[test]
fn a_runaway_core_is_told_in_time() {
    let mut bench = Bench::new(colonising());
    // From 27 °C, half a degree an hour: over 28.0 after 2 h, at 31.0 after 8 h.
    bench.run_core(9 * HOUR, |gone| Some(27.0 + gone as f64 / HOUR as f64 / 2.0));
    let id = bench.told[0].alert.id;
    let of_core = |event: &&AlertEvent| event.alert.watch == Watch::CoreTemperature;
    assert!(bench.told.iter().filter(of_core).all(|event| event.alert.id == id));
    let text = bench.told[0].alert.text.clone();
    assert_eq!(
        bench.take(),
        [
            one(EventKind::Raised, "tub A1", Severity::Warning, 2 * 60 + 30),
            one(EventKind::RaisedAgain, "tub A1", Severity::Critical, 8 * 60),
        ]
    );
    assert_eq!(
        text,
        "Tub A1: substrate 28.3 °C, over 28.0 for 30 min, rising 0.5 °C an hour; damage at 33 in about 9 h. \
         Spread the tubs, cool the room, leave the lid shut. Dry hands at switches."
    );
    let alert = bench.standing(Watch::CoreTemperature).unwrap();
    assert_eq!((alert.limit, alert.state), (Some(31.0), AlertState::Unacknowledged));
    assert!((alert.value.unwrap() - 31.5).abs() < 0.01, "{:?}", alert.value);
    assert!(alert.text.contains("31.5 °C, at or over 31.0 for 1 h"), "{}", alert.text);
    let seen = bench.keeper.tub_view("A1-2026-11-11", bench.now).unwrap();
    assert!(seen.alerts.contains(&id), "{:?}", seen.alerts);
    assert!((seen.core_over_air_k.unwrap() - 8.5).abs() < 0.1);
    bench.keeper.take_changed();
    // Acknowledged, it cools: critical is over 1.5 °C under it for 30 min, the rest 1 °C under 28 for 1 h.
    assert!(bench.keeper.acknowledge(id, bench.now, &mut bench.told));
    bench.run_core(40 * MIN, |_| Some(29.4));
    let alert = bench.standing(Watch::CoreTemperature).unwrap();
    assert_eq!(alert.severity, Severity::Warning);
    // Nobody is told, but after a power cut it must not be what it no longer is.
    assert_eq!(bench.keeper.take_changed().last().map(|noted| noted.severity), Some(Severity::Warning));
    bench.run_core(61 * MIN, |_| Some(27.0));
    // Whoever was told that it was critical must be told of its end.
    let ended = |event: &&AlertEvent| of_core(event) && event.kind == EventKind::Returned;
    let returned = bench.told.iter().find(ended).unwrap();
    assert_eq!((returned.alert.severity, returned.worst), (Severity::Warning, Severity::Critical));
    let events = bench.take();
    assert_eq!(events[0].0, EventKind::Acknowledged);
    assert_eq!(events[1..], [one(EventKind::Returned, "tub A1", Severity::Warning, 9 * 60 + 100)]);
    assert_eq!(bench.standing(Watch::CoreTemperature), None);
}

#[test]
fn a_core_at_the_critical_limit_needs_two_readings_or_two_minutes() {
    let mut bench = Bench::new(colonising());
    bench.run_core(HOUR, |_| Some(29.0));
    bench.told.clear();
    bench.now = bench.now.plus(10 * SECOND);
    bench.temperature(CORE_A1, 31.4);
    assert_eq!(bench.take(), []);
    bench.now = bench.now.plus(2 * MIN - SECOND);
    bench.keeper.tick(bench.now, &mut bench.told);
    assert!(bench.take().iter().all(|event| event.1 != "tub A1"));
    bench.now = bench.now.plus(SECOND);
    bench.keeper.tick(bench.now, &mut bench.told);
    assert_eq!(bench.take(), [one(EventKind::RaisedAgain, "tub A1", Severity::Critical, 62)]);
}

#[test]
fn a_lone_critical_reading_is_told_as_what_it_was() {
    let mut bench = Bench::new(colonising());
    bench.run_core(HOUR, |_| Some(29.0));
    bench.told.clear();
    let hot_at = bench.now.plus(10 * SECOND);
    bench.now = hot_at;
    bench.temperature(CORE_A1, 31.4);
    // No tick in between: the next reading, lower, comes after two minutes and a half.
    bench.now = bench.now.plus(150 * SECOND);
    bench.temperature(CORE_A1, 30.9);
    let event = bench.told.iter().find(|event| event.kind == EventKind::RaisedAgain).unwrap();
    assert_eq!((event.at, event.alert.value), (hot_at.plus(2 * MIN), Some(31.4)));
    assert!(
        event.alert.text.starts_with("Tub A1: substrate 31.4 °C, at or over 31.0 for 2 min"),
        "{}",
        event.alert.text
    );
    bench.now = bench.now.plus(10 * SECOND);
    bench.temperature(CORE_A1, 30.8);
    let text = bench.standing(Watch::CoreTemperature).unwrap().text;
    assert!(text.contains("30.8 °C, back under 31.0 but not yet far or long enough (31.4 °C 3 min ago"), "{text}");
}

#[test]
fn a_real_jump_past_the_limit_is_not_filtered_away() {
    let mut bench = Bench::new(colonising());
    bench.run_core(HOUR, |_| Some(25.0));
    for value in [34.0, 34.2] {
        bench.now = bench.now.plus(10 * SECOND);
        bench.temperature(CORE_A1, value);
    }
    assert_eq!(bench.take(), [one(EventKind::Raised, "tub A1", Severity::Critical, 60)]);
    assert_eq!(bench.keeper.alerts().next().unwrap().first_at, bench.now.plus(-10 * SECOND));
}

#[test]
fn hot_air_is_told_after_its_delay_with_the_tubs_it_concerns() {
    let mut bench = Bench::new(vec![
        tub("A1", "shelf", Stage::Colonising, Some("core-a1")),
        tub("A2", "shelf", Stage::Colonising, None),
    ]);
    bench.run(3 * HOUR, |_| Some(25.0), |_| Some(25.0), |_| Some(FINE));
    // 25 °C: within A1's limits, over A2's 24 (26 less two, for want of a core).
    let events = bench.take();
    assert_eq!(events, [one(EventKind::Raised, "space shelf", Severity::Warning, 60)]);
    let text = bench.keeper.alerts().next().unwrap().text.clone();
    assert!(text.contains("over 24.0 for") && text.contains("concerns A2 (no core there"), "{text}");
    let of = |id: &str, bench: &Bench| bench.keeper.tub_view(id, bench.now).unwrap();
    assert_eq!((of("A1-2026-11-11", &bench).alerts.len(), of("A2-2026-11-11", &bench).alerts.len()), (0, 1));
    assert!(of("A2-2026-11-11", &bench).is_from_air);
    // The heater runs away: critical 20 minutes after the first sample at 28 (30 less two).
    bench.run(25 * MIN, |_| Some(30.5), |_| Some(25.0), |_| Some(FINE));
    assert_eq!(bench.take(), [one(EventKind::RaisedAgain, "space shelf", Severity::Critical, 200)]);
    bench.run(5 * MIN, |_| Some(22.0), |_| Some(25.0), |_| Some(FINE));
    let events = bench.take();
    assert_eq!((events.len(), events[0].0), (1, EventKind::Returned));
    let alert = bench.keeper.alerts().next().unwrap().clone();
    assert_eq!(alert.state, AlertState::Returned);
    assert!(
        alert.text.starts_with("Space shelf: air 22.0 °C, back within its limits after 3 h 26 min"),
        "{}",
        alert.text
    );
}

#[test]
fn two_stages_in_one_space_make_one_alert() {
    let mut bench = Bench::new(vec![
        tub("A1", "shelf", Stage::Colonising, Some("core-a1")),
        tub("B1", "shelf", Stage::Fruiting, Some("core-a1")),
    ]);
    // 14 °C: under the colonising tub's 18, within the fruiting tub's 10 to 18.
    bench.run(5 * HOUR, |_| Some(14.0), |gone| Some(21.0 + (gone / HOUR) as f64 / 10.0), |_| Some(FINE));
    assert_eq!(bench.take(), [one(EventKind::Raised, "space shelf", Severity::Advice, 240)]);
    // 22 °C: within A1's, over B1's 18.
    bench.run(2 * HOUR, |_| Some(22.0), |gone| Some(if gone < HOUR { 21.0 } else { 21.1 }), |_| Some(FINE));
    let events = bench.take();
    assert_eq!(events[0].0, EventKind::Returned);
    assert_eq!((events[1].0, events[1].2, events.len()), (EventKind::RaisedAgain, Severity::Warning, 2));
    let text = bench.standing(Watch::Temperature).unwrap().text;
    assert!(text.contains("over 18.0") && text.contains("concerns B1."), "{text}");
}

#[test]
fn humidity_and_co2_are_held_to_opened_tubs_only() {
    let dry = |_| Some([Some(15.0), Some(79.0), Some(2500.0), None]);
    let mut bench = Bench::new(vec![tub("B1", "tent", Stage::Colonising, None)]);
    bench.run(8 * HOUR, |_| Some(15.0), |_| Some(15.0), dry);
    assert!(bench.take().iter().all(|event| event.1 != "space tent" || event.2 == Severity::Advice));
    assert!(bench.keeper.alerts().all(|alert| !matches!(alert.watch, Watch::Humidity | Watch::Co2)));

    let mut bench = Bench::new(vec![tub("B1", "tent", Stage::Resting, None)]);
    bench.run(8 * HOUR, |_| Some(15.0), |_| Some(15.0), dry);
    let times = |watch: Watch, bench: &Bench| -> Vec<(Severity, i64)> {
        let of = |event: &&AlertEvent| event.alert.watch == watch;
        bench.told.iter().filter(of).map(|it| (it.alert.severity, it.at.since(Stamp(START)) / MIN)).collect()
    };
    assert_eq!(times(Watch::Humidity, &bench), [(Severity::Advice, 30), (Severity::Warning, 120)]);
    assert_eq!(times(Watch::Co2, &bench), [(Severity::Advice, 60), (Severity::Warning, 360)]);
}

#[test]
fn a_space_without_tubs_is_held_to_its_own_limits_or_not_at_all() {
    let mut own = setup();
    let limits = |high| StageBands { temperature: band(5.0, high, None), ..StageBands::default() };
    own.spaces[1].bands = Bands { colonising: Some(limits(20.0)), fruiting: Some(limits(24.0)), ..Bands::default() };
    let warm = |_| Some([Some(23.0), None, None, None]);
    let mut bench = Bench::with(own.clone(), Vec::new());
    bench.run(3 * HOUR, |_| Some(60.0), |_| Some(20.0), warm);
    assert_eq!(bench.take(), [], "within the widest, and the shelf has none");
    bench.run(2 * HOUR, |_| Some(60.0), |_| Some(20.0), |_| Some([Some(24.5), None, None, None]));
    assert_eq!(bench.take(), [one(EventKind::Raised, "space tent", Severity::Warning, 240)]);
}

#[test]
fn a_spaces_own_limits_go_over_the_cultures() {
    let mut own = setup();
    let wide =
        StageBands { temperature: Band { high: Some(Limit::plain(29.0)), ..Band::default() }, ..StageBands::default() };
    own.spaces[0].bands = Bands { colonising: Some(wide), ..Bands::default() };
    let mut bench = Bench::with(own, colonising());
    bench.run(3 * HOUR, |_| Some(28.0), |_| Some(25.0), |_| Some(FINE));
    assert_eq!(bench.take(), []);
}

#[test]
fn another_tubs_core_stands_in() {
    let mut like = tub("A2", "shelf", Stage::Colonising, None);
    like.like = Some("A1-2026-11-11".into());
    // In a space with limits of its own it has an alert of its own; with the same limits, A1's names it.
    let mut own = setup();
    let cooler = StageBands { core_temperature: band(15.0, 27.0, Some(30.0)), ..StageBands::default() };
    own.spaces[1].bands = Bands { colonising: Some(cooler), ..Bands::default() };
    like.spaces[0].value = "tent".into();
    let mut bench = Bench::with(own, vec![tub("A1", "shelf", Stage::Colonising, Some("core-a1")), like]);
    bench.run(2 * HOUR, |_| Some(25.0), |_| Some(29.0), |_| Some([Some(22.0), None, None, None]));
    let subjects: Vec<_> = bench.take().into_iter().map(|event| event.1).collect();
    assert_eq!(subjects, ["tub A1", "tub A2"]);
    assert!(bench.keeper.alerts().any(|alert| alert.text.contains("29.0 °C (by the core of tub A1)")));
    assert!(!bench.keeper.tub_view("A2-2026-11-11", bench.now).unwrap().is_from_air);
}

#[test]
fn a_correction_applies_to_judged_values() {
    let mut corrected = setup();
    corrected.probes[CORE_A1].correction[0] = Correction { gain: 1.0, offset: 2.0 };
    let mut bench = Bench::with(corrected, colonising());
    bench.run_core(HOUR, |_| Some(27.0));
    assert_eq!(bench.take(), [one(EventKind::Raised, "tub A1", Severity::Warning, 30)]);
    let core = bench.keeper.tub_view("A1-2026-11-11", bench.now).unwrap().core.unwrap();
    assert_eq!(core.value, 29.0);
}
