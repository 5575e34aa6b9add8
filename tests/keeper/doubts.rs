//! Probes that must not be believed, each beside one that must.

use crate::bench::*;

/// Noise that turns back on itself, in hundredths.
fn noise(step: i64) -> f64 {
    [3.0, -2.0, 4.0, 0.0, -3.0, 2.0, -4.0, 1.0][(step.rem_euclid(8)) as usize] / 100.0
}

fn step(gone: i64) -> i64 {
    gone / (10 * SECOND)
}

#[test]
fn noise_that_stops_is_a_stuck_probe() {
    let mut bench = Bench::new(colonising());
    bench.run_core(HOUR, |gone| Some(25.0 + noise(step(gone))));
    bench.run_core(6 * HOUR + 5 * MIN, |_| Some(25.5));
    assert_eq!(bench.take_of(Watch::ProbeStuck), [one(EventKind::Raised, "probe core-a1", Severity::Warning, 420)]);
    assert_eq!(bench.keeper.probe_view(CORE_A1, bench.now).unwrap().health, Health::Stuck);
    // What is not believed clears nothing and counts for nothing.
    let before = bench.keeper.tub_view("A1-2026-11-11", bench.now).unwrap().figures.unwrap().degree_hours;
    bench.run_core(HOUR, |_| Some(25.5));
    let after = bench.keeper.tub_view("A1-2026-11-11", bench.now).unwrap().figures.unwrap().degree_hours;
    assert_eq!(before, after);
    bench.run_core(MIN, |gone| Some(25.4 + noise(step(gone))));
    assert_eq!(bench.take_of(Watch::ProbeStuck)[0].0, EventKind::Returned);
    assert_eq!(bench.keeper.probe_view(CORE_A1, bench.now).unwrap().health, Health::Reporting);
}

#[test]
fn a_steady_series_is_believed() {
    let mut bench = Bench::new(colonising());
    // A ramp and then a constant: no noise, so nothing stopped.
    bench.run_core(HOUR, |gone| Some(24.0 + gone as f64 / HOUR as f64));
    bench.run_core(12 * HOUR, |_| Some(25.0));
    assert_eq!(bench.take_of(Watch::ProbeStuck), []);
    let figures = bench.keeper.tub_view("A1-2026-11-11", bench.now).unwrap().figures.unwrap();
    assert!((figures.degree_hours - (19.5 + 12.0 * 20.0)).abs() < 1.0, "{figures:?}");
}

#[test]
fn an_air_probe_that_stands_still_while_its_neighbour_moves() {
    let mut bench = Bench::new(colonising());
    let begin = bench.now;
    while bench.now.since(begin) < 8 * HOUR {
        bench.now = bench.now.plus(30 * SECOND);
        let gone = bench.now.since(begin) as f64 / HOUR as f64;
        bench.temperature(SHELF_AIR, 23.0);
        bench.temperature(SHELF_SPARE, 23.0 + 1.5 * (gone * 2.0).sin());
        bench.keeper.tick(bench.now, &mut bench.told);
    }
    let events = bench.take_of(Watch::ProbeStuck);
    assert_eq!((events.len(), events[0].1.as_str(), events[0].2), (1, "probe shelf-air", Severity::Advice));
    let text = bench.standing(Watch::ProbeStuck).unwrap().text;
    assert!(text.contains("stood at exactly 23 for") && text.contains("while shelf-spare moved"), "{text}");
}

#[test]
fn nonsense_for_minutes_is_implausible_and_a_hiccup_is_not() {
    let mut bench = Bench::new(colonising());
    bench.run_core(HOUR, |_| Some(25.0));
    bench.run_core(2 * MIN, |_| Some(-127.0));
    bench.run_core(10 * MIN, |_| Some(25.0));
    assert_eq!(bench.take_of(Watch::ProbeImplausible), []);
    bench.run_core(6 * MIN, |_| Some(-127.0));
    let events = bench.take_of(Watch::ProbeImplausible);
    assert_eq!(events, [one(EventKind::Raised, "probe core-a1", Severity::Warning, 77)]);
    bench.run_core(MIN, |_| Some(25.0));
    assert_eq!(bench.take_of(Watch::ProbeImplausible)[0].0, EventKind::Returned);
    // 85.0 waits for its neighbours, but not for ever.
    bench.run_core(6 * MIN, |_| Some(85.0));
    assert_eq!(bench.take_of(Watch::ProbeImplausible)[0].0, EventKind::RaisedAgain);
    assert_eq!(bench.keeper.probe_view(CORE_A1, bench.now).unwrap().health, Health::Implausible);
}

#[test]
fn a_wet_element_is_not_believed_until_it_has_dried() {
    let mut bench = Bench::new(vec![tub("B1", "tent", Stage::Fruiting, None)]);
    let tent = |pct: f64| move |_| Some([Some(14.0), Some(pct), Some(700.0), None]);
    let air = |_| Some(23.0);
    bench.run(8 * HOUR + 5 * MIN, air, |_| Some(25.0), tent(100.0));
    assert_eq!(bench.take_of(Watch::ProbeSaturated), [one(EventKind::Raised, "probe tent-air", Severity::Advice, 480)]);
    assert_eq!(bench.keeper.probe_view(TENT_AIR, bench.now).unwrap().health, Health::Saturated);
    bench.run(HOUR, air, |_| Some(25.0), tent(98.0));
    assert_eq!(bench.take_of(Watch::ProbeSaturated), []);
    bench.run(MIN, air, |_| Some(25.0), tent(96.5));
    assert_eq!(bench.take_of(Watch::ProbeSaturated)[0].0, EventKind::Returned);
    assert_eq!(bench.keeper.probe_view(TENT_AIR, bench.now).unwrap().health, Health::Reporting);
}

#[test]
fn a_core_that_follows_its_air_has_fallen_out() {
    // Two degrees and a half up and down in two hours; a cake would make a fraction of it.
    let swing = |gone: i64| 22.0 + 2.5 * (gone as f64 / HOUR as f64 * 3.1).sin();
    let mut bench = Bench::new(colonising());
    bench.run(4 * HOUR, |gone| Some(swing(gone)), |gone| Some(swing(gone) + 0.1), |_| Some(FINE));
    let events = bench.take_of(Watch::ProbeFallenOut);
    assert_eq!((events.len(), events[0].1.as_str(), events[0].2), (1, "probe core-a1", Severity::Warning));
    // Judged by its air, two degrees stricter: over 24 for an hour is told of the space.
    bench.run(2 * HOUR, |_| Some(25.0), |_| Some(25.1), |_| Some(FINE));
    let text = bench.standing(Watch::Temperature).unwrap().text;
    assert!(text.contains("concerns A1 (no core there"), "{text}");
    // Put back: it differs from its air.
    bench.run(HOUR, |_| Some(22.0), |gone| Some(25.0 + noise(step(gone))), |_| Some(FINE));
    assert_eq!(bench.standing(Watch::ProbeFallenOut).unwrap().state, AlertState::Returned);
    // One in its cake, in the same air.
    let mut bench = Bench::new(colonising());
    bench.run(8 * HOUR, |gone| Some(swing(gone)), |gone| Some(22.5 + noise(step(gone))), |_| Some(FINE));
    assert_eq!(bench.take_of(Watch::ProbeFallenOut), []);
}

#[test]
fn a_battery_at_its_end_in_percent_and_in_volts() {
    let charge = |bench: &mut Bench, value: f64| {
        bench.now = bench.now.plus(10 * SECOND);
        bench.at(CORE_A1, bench.now, [Some(25.0), None, None, Some(value)]);
    };
    for (readings, told) in [
        (vec![60.0, 14.0, 16.0, 13.0], vec![EventKind::Raised]),
        (vec![60.0, 14.0, 100.0], vec![EventKind::Raised, EventKind::Returned]),
        (vec![3.0, 2.5, 2.3], vec![EventKind::Raised]),
        (vec![3.0, 2.9, 2.5], vec![]),
    ] {
        let mut bench = Bench::new(colonising());
        for value in &readings {
            charge(&mut bench, *value);
        }
        let kinds: Vec<_> = bench.take_of(Watch::Battery).into_iter().map(|event| event.0).collect();
        assert_eq!(kinds, told, "{readings:?}");
    }
}
