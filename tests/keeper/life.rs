//! What the grower asks for, and what explains what: shelves, hands in the tent, suppression, parts of
//! the machine.

use crate::bench::*;

#[test]
fn a_shelved_alert_comes_back_or_gets_worse() {
    let mut bench = Bench::new(colonising());
    bench.run_core(HOUR, |_| Some(29.0));
    let id = bench.standing(Watch::CoreTemperature).unwrap().id;
    bench.told.clear();
    assert!(bench.keeper.shelve(id, bench.now, 30 * 24 * HOUR, &mut bench.told));
    assert_eq!(bench.keeper.shelved_until(id), Some(bench.now.plus(24 * HOUR)), "cut to what is allowed");
    assert_eq!(bench.keeper.take_changed().len(), 1);
    assert!(bench.keeper.shelve(id, bench.now, HOUR, &mut bench.told));
    let begin = bench.now;
    bench.run_core(2 * HOUR, |_| Some(29.0));
    let of_core = |event: &&AlertEvent| event.alert.watch == Watch::CoreTemperature;
    let events: Vec<_> = bench.told.iter().filter(of_core).cloned().collect();
    assert_eq!((events.len(), events[0].kind, events[0].at), (1, EventKind::RaisedAgain, begin.plus(HOUR)));
    bench.told.clear();
    assert!(bench.keeper.shelve(id, bench.now, HOUR, &mut bench.told));
    bench.run_core(MIN, |_| Some(31.5));
    let events = bench.take_of(Watch::CoreTemperature);
    assert_eq!((events.len(), events[0].0, events[0].2), (1, EventKind::RaisedAgain, Severity::Critical));
    // Critical: an hour at most.
    bench.keeper.shelve(id, bench.now, 5 * HOUR, &mut bench.told);
    assert_eq!(bench.keeper.shelved_until(id), Some(bench.now.plus(HOUR)));
    // Over while put aside: told, and gone.
    bench.run_core(40 * MIN, |_| Some(26.0));
    assert!(bench.standing(Watch::CoreTemperature).is_some_and(|alert| alert.state == AlertState::Shelved));
    assert!(bench.keeper.shelve(id, bench.now, HOUR, &mut bench.told));
    bench.run_core(21 * MIN, |_| Some(26.0));
    assert_eq!(bench.standing(Watch::CoreTemperature), None);
}

#[test]
fn a_shelf_outlives_a_restart_by_its_entry() {
    let mut bench = Bench::new(colonising());
    bench.run_core(HOUR, |_| Some(29.0));
    let id = bench.standing(Watch::CoreTemperature).unwrap().id;
    let at = bench.now;
    bench.keeper.shelve(id, at, 2 * HOUR, &mut bench.told);
    let open: Vec<_> = bench.keeper.alerts().cloned().collect();
    bench.told.clear();
    bench.keeper = Keeper::new(setup(), colonising(), open, id + 1, bench.now);
    bench.keeper.shelved_before(id, at, 2 * HOUR);
    for source in 0..2 {
        bench.keeper.source(source, true, bench.now, "", &mut bench.told);
    }
    bench.run_core(HOUR, |_| Some(29.0));
    assert_eq!(bench.standing(Watch::CoreTemperature).unwrap().state, AlertState::Shelved);
    bench.run_core(HOUR + MIN, |_| Some(29.0));
    assert_eq!(bench.take_of(Watch::CoreTemperature), [one(EventKind::RaisedAgain, "tub A1", Severity::Warning, 180)]);
}

#[test]
fn warnings_of_the_air_wait_while_somebody_works_there() {
    let mut bench = Bench::new(colonising());
    assert!(!bench.keeper.working(Some("nowhere"), bench.now, HOUR));
    assert!(bench.keeper.working(Some("shelf"), bench.now, 30 * HOUR));
    assert_eq!(bench.keeper.at_work(bench.now).next(), Some((Some("shelf"), bench.now.plus(4 * HOUR))));
    // Over 26 for an hour, but told only when the work is over.
    bench.run(3 * HOUR, |_| Some(27.0), |_| Some(25.0), |_| Some(FINE));
    assert_eq!(bench.take_of(Watch::Temperature), []);
    // At its critical limit it never waits.
    bench.run(30 * MIN, |_| Some(30.5), |_| Some(25.0), |_| Some(FINE));
    let events = bench.take_of(Watch::Temperature);
    assert_eq!(events, [one(EventKind::Raised, "space shelf", Severity::Critical, 200)]);
    // Nor does a core, and what stands still ends.
    bench.run(20 * MIN, |_| Some(23.0), |_| Some(31.5), |_| Some(FINE));
    assert!(bench.told.iter().any(|event| event.alert.watch == Watch::CoreTemperature));
    assert_eq!(bench.take_of(Watch::Temperature).iter().map(|it| it.0).collect::<Vec<_>>(), [EventKind::Returned]);
    // What still stands when the work is over is told then.
    let mut bench = Bench::new(colonising());
    bench.keeper.working(None, bench.now, 2 * HOUR);
    bench.run(3 * HOUR, |_| Some(27.0), |_| Some(25.0), |_| Some(FINE));
    assert_eq!(bench.take_of(Watch::Temperature), [one(EventKind::Raised, "space shelf", Severity::Warning, 120)]);
}

#[test]
fn a_silent_probe_puts_its_bands_aside() {
    let mut bench = Bench::new(colonising());
    bench.run_core(HOUR, |_| Some(29.0));
    let id = bench.standing(Watch::CoreTemperature).unwrap().id;
    bench.keeper.acknowledge(id, bench.now, &mut bench.told);
    bench.told.clear();
    bench.run_core(10 * MIN, |_| None);
    assert_eq!(bench.standing(Watch::CoreTemperature).unwrap().state, AlertState::Suppressed);
    assert_eq!(bench.standing(Watch::ProbeSilent).unwrap().state, AlertState::Unacknowledged);
    bench.keeper.take_changed();
    bench.run_core(MIN, |_| Some(29.0));
    // As it was before, and nobody is told a second time.
    assert_eq!(bench.standing(Watch::CoreTemperature).unwrap().state, AlertState::Acknowledged);
    assert_eq!(bench.take_of(Watch::CoreTemperature), []);
    let noted: Vec<_> = bench.keeper.take_changed().into_iter().map(|alert| (alert.id, alert.state)).collect();
    assert_eq!(noted, [(id, AlertState::Acknowledged)], "the store knows it too");
    // Heat that is critical is explained by nothing.
    bench.run_core(MIN, |_| Some(31.5));
    bench.run_core(10 * MIN, |_| None);
    assert_eq!(bench.standing(Watch::CoreTemperature).unwrap().state, AlertState::Unacknowledged);
}

#[test]
fn a_source_away_explains_silences_told_before() {
    let mut bench = Bench::new(colonising());
    bench.run_core(10 * MIN, |_| Some(25.0));
    // The broker dies without a word: its probes fall silent first.
    bench.run(4 * MIN, |_| None, |_| Some(25.0), |_| None);
    assert_eq!(bench.standing(Watch::ProbeSilent).unwrap().state, AlertState::Unacknowledged);
    bench.keeper.source(0, false, bench.now, "no answer", &mut bench.told);
    bench.run(5 * MIN, |_| None, |_| Some(25.0), |_| None);
    assert!(bench.standing(Watch::SourceDown).is_some());
    let of_house = |alert: &&tubwatch::watch::alert::Alert| alert.subject == "probe tent-air";
    assert_eq!(bench.keeper.alerts().find(of_house).unwrap().state, AlertState::Suppressed);
    bench.keeper.source(0, true, bench.now, "", &mut bench.told);
    bench.run(2 * MIN, |_| Some(23.0), |_| Some(25.0), |_| Some(FINE));
    assert!(bench.keeper.alerts().all(|alert| alert.state != AlertState::Suppressed));
}

#[test]
fn parts_of_the_machine() {
    let mut bench = Bench::new(Vec::new());
    let fail = |bench: &mut Bench, watch, name: &str| {
        bench.keeper.machine_state(watch, name, false, "why\r\nnot", bench.now, &mut bench.told);
    };
    fail(&mut bench, Watch::Clock, "");
    fail(&mut bench, Watch::MessengerFailing, "phone");
    fail(&mut bench, Watch::MessengerFailing, "post");
    fail(&mut bench, Watch::BackupOld, "");
    fail(&mut bench, Watch::Due, "");
    assert!(bench.told.iter().all(|it| it.alert.subject.starts_with("probe")), "they get a minute");
    fail(&mut bench, Watch::Config, "");
    assert_eq!(bench.told.last().unwrap().alert.subject, "config", "but a refused config is a fact");
    bench.now = bench.now.plus(30 * SECOND);
    bench.keeper.machine_state(Watch::MessengerFailing, "post", true, "", bench.now, &mut bench.told);
    bench.now = bench.now.plus(90 * SECOND);
    bench.keeper.tick(bench.now, &mut bench.told);
    let told: Vec<_> = bench.told.iter().filter(|it| !it.alert.subject.starts_with("probe")).collect();
    let brief: Vec<_> = told.iter().map(|it| (it.alert.subject.as_str(), it.alert.severity)).collect();
    assert_eq!(
        brief,
        [
            ("config", Severity::Advice),
            ("clock", Severity::Warning),
            ("messenger phone", Severity::Warning),
            ("backup", Severity::Advice)
        ]
    );
    assert!(told.iter().all(|it| it.alert.text.contains("why not")), "{told:?}");
    // They stand where they stood after a restart, and end.
    let open: Vec<_> = bench.keeper.alerts().cloned().collect();
    bench.keeper = Keeper::new(setup(), Vec::new(), open, 9, bench.now);
    bench.told.clear();
    let parts = [(Watch::Clock, ""), (Watch::MessengerFailing, "phone"), (Watch::BackupOld, ""), (Watch::Config, "")];
    for (watch, name) in parts {
        bench.keeper.machine_state(watch, name, true, "", bench.now, &mut bench.told);
    }
    assert_eq!(bench.told.iter().filter(|it| it.kind == EventKind::Returned).count(), 4);
}

#[test]
fn a_core_that_stands_in_for_others_raises_one_alert() {
    let alike = |name: &str| {
        let mut other = tub(name, "shelf", Stage::Colonising, None);
        other.like = Some("A1-2026-11-11".into());
        other
    };
    let mut bench = Bench::new(vec![colonising().remove(0), alike("A2"), alike("A3")]);
    bench.run_core(10 * MIN, |_| Some(31.5));
    let events = bench.take_of(Watch::CoreTemperature);
    assert_eq!(events, [one(EventKind::Raised, "tub A1", Severity::Critical, 0)]);
    let alert = bench.standing(Watch::CoreTemperature).unwrap();
    assert!(alert.text.contains("; concerns A2, A3."), "{}", alert.text);
    for id in ["A1-2026-11-11", "A2-2026-11-11", "A3-2026-11-11"] {
        assert!(bench.keeper.tub_view(id, bench.now).unwrap().alerts.contains(&alert.id), "{id}");
    }
}

#[test]
fn a_core_whose_own_tub_is_past_its_limits_raises_one_alert_for_the_others() {
    let alike = |name: &str| {
        let mut other = tub(name, "shelf", Stage::Colonising, None);
        other.like = Some("A1-2026-11-11".into());
        other
    };
    let owner = tub("A1", "shelf", Stage::Fruiting, Some("core-a1"));
    let mut bench = Bench::new(vec![owner, alike("A2"), alike("A3"), alike("A4")]);
    bench.run_core(10 * MIN, |_| Some(31.5));
    let events = bench.take_of(Watch::CoreTemperature);
    assert_eq!(events, [one(EventKind::Raised, "tub A2", Severity::Critical, 0)]);
    let alert = bench.standing(Watch::CoreTemperature).unwrap();
    assert!(alert.text.contains("; concerns A3, A4."), "{}", alert.text);
    assert!(bench.keeper.tub_view("A4-2026-11-11", bench.now).unwrap().alerts.contains(&alert.id));
}

#[test]
fn what_was_answered_while_nobody_ran_ends_at_the_start() {
    let mut ripe = tub("B1", "tent", Stage::Fruiting, None);
    ripe.pins_at = Some(Stamp(START - 5 * 24 * HOUR));
    let mut bench = Bench::new(vec![ripe.clone()]);
    bench.at(TENT_AIR, bench.now, FINE);
    bench.keeper.tick(bench.now, &mut bench.told);
    let open = vec![bench.standing(Watch::PickSoon).unwrap()];
    let mut restart = |tub: Tub| {
        bench.keeper = Keeper::new(setup(), vec![tub], open.clone(), 9, bench.now);
        bench.keeper.tick(bench.now, &mut bench.told);
        bench.standing(Watch::PickSoon).is_some()
    };
    assert!(restart(ripe.clone()));
    ripe.harvests.push(tubwatch::grow::tub::Harvest { at: Stamp(START), flush: 1, fresh_g: 200.0, dry_g: None });
    assert!(!restart(ripe));
}
