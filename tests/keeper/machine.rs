//! Silent probes, sources away, a failing store, probes that are not believed.

use crate::bench::*;

#[test]
fn a_silent_probe_is_told_and_heard_again() {
    let mut bench = Bench::new(colonising());
    bench.run_core(10 * MIN, |_| Some(25.0));
    bench.run_core(90 * MIN, |_| None);
    let events = bench.take();
    assert_eq!(
        events,
        [
            one(EventKind::Raised, "probe core-a1", Severity::Advice, 10),
            one(EventKind::RaisedAgain, "probe core-a1", Severity::Warning, 70),
        ]
    );
    assert_eq!(bench.keeper.probe_view(CORE_A1, bench.now).unwrap().health, Health::Silent);
    let text = bench.keeper.alerts().next().unwrap().text.clone();
    assert_eq!(
        text,
        "Probe core-a1: nothing heard for 1 h 30 min, expected every 10 s; the core of A1. Check its battery, plug and radio."
    );
    // The last reading stays, with its time.
    let core = bench.keeper.tub_view("A1-2026-11-11", bench.now).unwrap().core.unwrap();
    assert_eq!((core.at.since(Stamp(START)), core.value), (10 * MIN, 25.0));
    bench.run_core(MIN, |_| Some(25.0));
    assert_eq!(bench.take(), [one(EventKind::Returned, "probe core-a1", Severity::Warning, 100)]);
}

#[test]
fn the_loss_of_all_probes_of_a_heated_space_is_critical_once() {
    let mut bench = Bench::new(colonising());
    bench.run_core(10 * MIN, |_| Some(25.0));
    bench.run(2 * HOUR, |_| None, |_| None, |_| Some(FINE));
    let critical: Vec<_> = bench.take().into_iter().filter(|event| event.2 == Severity::Critical).collect();
    assert_eq!(critical, [one(EventKind::RaisedAgain, "probe shelf-air", Severity::Critical, 70)]);
    assert!(bench.keeper.alerts().any(|alert| alert.text.contains("No probe of the heated space shelf reports")));
}

#[test]
fn a_probe_never_heard_is_silent() {
    let bench = Bench::new(colonising());
    assert_eq!(bench.keeper.probe_view(CORE_A1, bench.now).unwrap().health, Health::Silent);
    let mut bench = bench;
    bench.run_core(MIN, |_| None);
    assert_eq!(bench.take(), [one(EventKind::Raised, "probe core-a1", Severity::Advice, 0)]);
    assert!(bench.keeper.alerts().next().unwrap().text.contains("not heard once"));
}

#[test]
fn a_source_away_is_told_once_for_all_its_probes() {
    let mut bench = Bench::new(colonising());
    bench.run_core(10 * MIN, |_| Some(25.0));
    bench.keeper.source(1, false, bench.now, "unplugged\r\n", &mut bench.told);
    // The port carries the core and the spare; the shelf's first air probe comes another way.
    let begin = bench.now;
    while bench.now.since(begin) < 30 * MIN {
        bench.now = bench.now.plus(30 * SECOND);
        bench.temperature(SHELF_AIR, 23.0);
        bench.at(TENT_AIR, bench.now, FINE);
        bench.keeper.tick(bench.now, &mut bench.told);
    }
    assert_eq!(bench.take(), [one(EventKind::Raised, "source usb", Severity::Warning, 12)]);
    let text = bench.keeper.alerts().next().unwrap().text.clone();
    assert_eq!(
        text,
        "Port usb: away for 30 min (unplugged); its 2 probes are not heard. Check the plug and the cable."
    );
    bench.keeper.source(1, true, bench.now, "", &mut bench.told);
    bench.run_core(10 * MIN, |_| Some(25.0));
    assert_eq!(bench.take(), [one(EventKind::Returned, "source usb", Severity::Warning, 40)]);
    // Back within two minutes: nothing.
    bench.keeper.source(1, false, bench.now, "", &mut bench.told);
    bench.now = bench.now.plus(20 * SECOND);
    bench.keeper.source(1, true, bench.now, "", &mut bench.told);
    bench.run_core(10 * MIN, |_| Some(25.0));
    assert_eq!(bench.take(), []);
}

#[test]
fn a_source_that_all_probes_of_a_heated_space_hang_on_is_critical() {
    let mut all = setup();
    for probe in &mut all.probes {
        probe.source = 0;
    }
    let mut bench = Bench::with(all, colonising());
    bench.run_core(10 * MIN, |_| Some(25.0));
    bench.keeper.source(0, false, bench.now, "connection refused", &mut bench.told);
    bench.run(10 * MIN, |_| None, |_| None, |_| None);
    assert_eq!(bench.take(), [one(EventKind::Raised, "source house", Severity::Critical, 12)]);
}

#[test]
fn a_failing_store_is_told() {
    let mut bench = Bench::new(Vec::new());
    bench.keeper.store_state(false, "disk full", bench.now, &mut bench.told);
    bench.run_core(70 * MIN, |_| Some(25.0));
    assert_eq!(
        bench.take(),
        [
            one(EventKind::Raised, "store", Severity::Warning, 1),
            one(EventKind::RaisedAgain, "store", Severity::Critical, 60),
        ]
    );
    bench.keeper.store_state(true, "", bench.now, &mut bench.told);
    assert_eq!(bench.take(), [one(EventKind::Returned, "store", Severity::Critical, 70)]);
}

#[test]
fn a_silent_probe_stays_silent_over_a_restart() {
    let mut bench = Bench::new(colonising());
    bench.run_core(MIN, |_| None);
    let open: Vec<_> = bench.keeper.alerts().cloned().collect();
    bench.told.clear();
    bench.keeper = Keeper::new(setup(), colonising(), open, 9, bench.now);
    for source in 0..2 {
        bench.keeper.source(source, true, bench.now, "", &mut bench.told);
    }
    bench.run_core(59 * MIN, |_| None);
    bench.run_core(MIN, |_| None);
    assert_eq!(bench.take(), [one(EventKind::RaisedAgain, "probe core-a1", Severity::Warning, 60)]);
    bench.run_core(MIN, |_| Some(25.0));
    assert_eq!(bench.take()[0].0, EventKind::Returned);
}

#[test]
fn the_next_air_probe_speaks_when_the_first_is_not_believed() {
    let mut bench = Bench::new(colonising());
    bench.run_core(HOUR, |_| Some(25.0));
    let spoken = |bench: &Bench| bench.keeper.space_view(0, bench.now).unwrap().spoken().unwrap();
    assert_eq!((spoken(&bench).probe, spoken(&bench).value), (SHELF_AIR, 23.0));
    for _ in 0..8 {
        bench.now = bench.now.plus(30 * SECOND);
        bench.temperature(SHELF_AIR, -127.0);
        bench.temperature(SHELF_SPARE, 24.0);
    }
    assert_eq!((spoken(&bench).probe, spoken(&bench).value), (SHELF_SPARE, 24.0));
    assert_eq!(bench.keeper.probe_view(SHELF_AIR, bench.now).unwrap().health, Health::Implausible);
    // Both lost: the newest reading, however old.
    bench.now = bench.now.plus(48 * HOUR);
    assert_eq!(spoken(&bench).probe, SHELF_SPARE);
}

#[test]
fn fahrenheit_is_noticed_once() {
    let mut bench = Bench::new(Vec::new());
    bench.run_core(10 * MIN, |gone| Some(75.0 + (gone % 3) as f64));
    assert_eq!(bench.keeper.take_fahrenheit(), [CORE_A1]);
    bench.run_core(10 * MIN, |_| Some(75.0));
    assert!(bench.keeper.take_fahrenheit().is_empty());
}
