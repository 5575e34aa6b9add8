//! Late samples, backlogs, restarts, changes in the logbook.

use crate::bench::*;

#[test]
fn a_late_sample_enters_figures_only() {
    let mut bench = Bench::new(colonising());
    let rebuild = |bench: &mut Bench| {
        let stale: Vec<String> = bench.keeper.stale_tubs().map(str::to_owned).collect();
        for id in &stale {
            assert!(bench.keeper.begin_rebuild(id));
            let start = Stamp(START - 7 * 24 * HOUR);
            bench.keeper.finish_rebuild(id, tubwatch::grow::thermal::Exposure::new(culture().thermal, None, start));
        }
        stale.len()
    };
    assert_eq!(rebuild(&mut bench), 1, "stale at the start");
    bench.run_core(HOUR, |_| Some(25.0));
    assert_eq!(bench.keeper.stale_tubs().count(), 0);
    let at = bench.now.plus(-30 * MIN - SECOND);
    assert_eq!(bench.at(CORE_A1, at, [Some(40.0), None, None, None]), Taken::Late);
    assert_eq!(bench.at(SHELF_AIR, at, [Some(40.0), None, None, None]), Taken::Late);
    assert_eq!(bench.at(CORE_A1, bench.now, [Some(40.0), None, None, None]), Taken::Late, "not later than the newest");
    assert_eq!(bench.take(), []);
    assert_eq!(bench.keeper.stale_tubs().collect::<Vec<_>>(), ["A1-2026-11-11"]);
    assert_eq!(bench.keeper.probe_view(CORE_A1, bench.now).unwrap().good[0].unwrap().1, 25.0);
    assert_eq!(rebuild(&mut bench), 1);
}

#[test]
fn readings_during_a_rebuild_are_added_after_it() {
    let mut bench = Bench::new(colonising());
    let id = "A1-2026-11-11";
    assert!(bench.keeper.begin_rebuild(id));
    assert!(!bench.keeper.begin_rebuild("nobody"));
    bench.run_core(HOUR, |_| Some(25.0));
    // The store knew the hour before, from the same probe: 20 °C·h over base.
    let mut exposure = tubwatch::grow::thermal::Exposure::new(culture().thermal, None, Stamp(START - 7 * 24 * HOUR));
    let gaps = tubwatch::grow::thermal::Gaps::for_core(10 * SECOND);
    for step in 0..=360 {
        exposure.push(CORE_A1 as u32, Stamp(START - HOUR + step * 10 * SECOND), 25.0, gaps);
    }
    bench.keeper.finish_rebuild(id, exposure);
    let figures = bench.keeper.tub_view(id, bench.now).unwrap().figures.unwrap();
    assert!((figures.degree_hours - 40.0).abs() < 1e-6, "{}", figures.degree_hours);
    bench.run_core(HOUR, |_| Some(25.0));
    let seen = bench.keeper.tub_view(id, bench.now).unwrap();
    assert!((seen.figures.unwrap().degree_hours - 60.0).abs() < 1e-6);
    assert_eq!((seen.temperature_from, seen.is_stale), (Some(CORE_A1), false));
    assert!(seen.due.unwrap().earliest >= Stamp(START + 3 * 24 * HOUR));
}

#[test]
fn a_backlog_is_judged_in_its_own_time_and_wakes_nobody() {
    let mut bench = Bench::new(colonising());
    bench.run_core(HOUR, |_| Some(25.0));
    // Six hours without a network; then it all comes at once: hot from the first to the fourth hour.
    let begin = bench.now;
    bench.now = bench.now.plus(6 * HOUR);
    for step in 1..=6 * 360 {
        let at = begin.plus(step * 10 * SECOND);
        let hot = (HOUR..4 * HOUR).contains(&at.since(begin));
        bench.at(CORE_A1, at, [Some(if hot { 29.0 } else { 26.0 }), None, None, None]);
    }
    assert_eq!(bench.take(), []);
    let past: Vec<_> = bench.keeper.past().collect();
    assert_eq!((past.len(), past[0].subject.as_str(), past[0].severity), (1, "tub A1", Severity::Warning));
    assert_eq!(past[0].from, begin.plus(HOUR));
}

#[test]
fn a_condition_that_still_stands_at_the_end_of_a_backlog_is_raised() {
    let mut bench = Bench::new(colonising());
    bench.run_core(HOUR, |_| Some(25.0));
    let begin = bench.now;
    bench.now = bench.now.plus(6 * HOUR);
    for step in 1..=6 * 360 {
        bench.at(CORE_A1, begin.plus(step * 10 * SECOND), [Some(27.0 + step as f64 / 720.0), None, None, None]);
    }
    let first = bench.told[0].alert.first_at;
    let events = bench.take();
    assert_eq!((events.len(), events[0].0, events[0].2), (1, EventKind::Raised, Severity::Warning));
    assert_eq!(first, begin.plus(721 * 10 * SECOND));
}

#[test]
fn undated_and_future_samples_enter_nothing() {
    let mut bench = Bench::new(colonising());
    bench.run_core(HOUR, |_| Some(25.0));
    let hot = [Some(40.0), None, None, None];
    for (quality, at) in [(Quality::Undated, bench.now.plus(1)), (Quality::Future, bench.now.plus(HOUR))] {
        for step in 0..5 {
            let taken = bench.keeper.sample(CORE_A1, at.plus(step), &hot, [quality; 4], bench.now, &mut bench.told);
            assert_eq!(taken, Taken::Aside);
        }
    }
    bench.run_core(MIN, |_| Some(25.0));
    assert_eq!(bench.take(), []);
    // A kept message is no sign of life; one with a wrong clock is.
    let mut bench = Bench::new(colonising());
    bench.now = bench.now.plus(MIN);
    bench.keeper.sample(CORE_A1, bench.now, &hot, [Quality::Undated; 4], bench.now, &mut bench.told);
    assert_eq!(bench.keeper.probe_view(CORE_A1, bench.now).unwrap().health, Health::Silent);
    bench.keeper.sample(CORE_A1, bench.now, &hot, [Quality::Future; 4], bench.now, &mut bench.told);
    assert_eq!(bench.keeper.probe_view(CORE_A1, bench.now).unwrap().health, Health::Reporting);
}

#[test]
fn alerts_go_on_after_a_restart() {
    let mut bench = Bench::new(colonising());
    bench.run_core(2 * HOUR, |_| Some(29.0));
    let id = bench.keeper.alerts().next().unwrap().id;
    bench.keeper.acknowledge(id, bench.now, &mut bench.told);
    let open: Vec<_> = bench.keeper.alerts().cloned().collect();
    bench.told.clear();
    // Down for five minutes; then the core is inside its limit, but not by the deadband.
    bench.now = bench.now.plus(5 * MIN);
    bench.keeper = Keeper::new(setup(), colonising(), open.clone(), id + 1, bench.now);
    for source in 0..2 {
        bench.keeper.source(source, true, bench.now, "", &mut bench.told);
    }
    bench.run_core(30 * MIN, |_| Some(27.5));
    assert_eq!(bench.take(), []);
    let alert = bench.keeper.alerts().next().unwrap();
    assert_eq!((alert.id, alert.state), (id, AlertState::Acknowledged));
    bench.run_core(10 * MIN, |_| Some(31.5));
    assert_eq!(bench.take()[0], one(EventKind::RaisedAgain, "tub A1", Severity::Critical, 155));

    // The tub ended while the daemon was down: its alert ends.
    bench.keeper = Keeper::new(setup(), Vec::new(), open, id + 1, bench.now);
    bench.keeper.tick(bench.now, &mut bench.told);
    let ended = &bench.told[0].alert;
    assert_eq!((ended.id, ended.state, bench.keeper.alerts().count()), (id, AlertState::Ended, 0));
}

#[test]
fn warming_up_from_history_raises_nothing_and_keeps_evidence() {
    let mut bench = Bench::new(colonising());
    for step in 0..360 {
        let at = Stamp(START - HOUR + step * 10 * SECOND);
        bench.keeper.warm(CORE_A1, at, &[Some(28.5), None, None, None], [Quality::Good; 4]);
    }
    assert_eq!(bench.take(), []);
    bench.now = bench.now.plus(SECOND);
    bench.temperature(CORE_A1, 28.5);
    assert_eq!(bench.take(), [one(EventKind::Raised, "tub A1", Severity::Warning, 0)]);
}

#[test]
fn the_logbook_moves_limits_and_ends_alerts() {
    let mut bench = Bench::new(colonising());
    bench.run_core(2 * HOUR, |_| Some(29.0));
    assert_eq!(bench.take()[0].1, "tub A1");
    // The core comes out: no limit is left to break.
    let mut without = tub("A1", "shelf", Stage::Colonising, Some("core-a1"));
    without.cores.push(Since { from: bench.now, value: None });
    bench.keeper.tubs_changed(vec![without.clone()], bench.now, &mut bench.told);
    assert_eq!(bench.take(), [one(EventKind::Returned, "tub A1", Severity::Warning, 120)]);
    without.stage = Stage::Ended;
    without.ended_at = Some(bench.now);
    bench.keeper.tubs_changed(vec![without], bench.now, &mut bench.told);
    assert_eq!(bench.take(), [one(EventKind::Acknowledged, "tub A1", Severity::Warning, 120)]);
    assert_eq!((bench.keeper.alerts().count(), bench.keeper.tubs().count()), (0, 0));
    // A new filling of the same name starts afresh.
    let mut next = tub("A1", "shelf", Stage::Colonising, Some("core-a1"));
    next.id = "A1-2026-11-18".into();
    bench.keeper.tubs_changed(vec![next], bench.now, &mut bench.told);
    assert_eq!(bench.keeper.stale_tubs().collect::<Vec<_>>(), ["A1-2026-11-18"]);
    bench.run_core(HOUR, |_| Some(29.0));
    assert_eq!(bench.take(), [one(EventKind::Raised, "tub A1", Severity::Warning, 150)]);
}

#[test]
fn what_befalls_a_stand_in_bears_on_the_tub_that_is_like_it() {
    let mut like = tub("A2", "shelf", Stage::Colonising, None);
    like.like = Some("A1-2026-11-11".into());
    let mut model = tub("A1", "shelf", Stage::Colonising, Some("core-a1"));
    let mut bench = Bench::new(vec![model.clone(), like.clone()]);
    let settle = |bench: &mut Bench| {
        let stale: Vec<String> = bench.keeper.stale_tubs().map(str::to_owned).collect();
        for id in &stale {
            bench.keeper.begin_rebuild(id);
        }
        stale
    };
    settle(&mut bench);
    bench.run_core(HOUR, |_| Some(25.0));
    bench.keeper.tubs_changed(vec![model.clone(), like.clone()], bench.now, &mut bench.told);
    assert!(settle(&mut bench).is_empty(), "nothing changed");
    model.stage = Stage::Ended;
    model.ended_at = Some(bench.now);
    bench.keeper.tubs_changed(vec![model, like], bench.now, &mut bench.told);
    assert_eq!(settle(&mut bench), ["A2-2026-11-11"]);
    assert!(bench.keeper.tub_view("A2-2026-11-11", bench.now).unwrap().is_from_air);
    // Late, from the time when the core still spoke for it.
    let at = bench.now.plus(-30 * MIN - SECOND);
    assert_eq!(bench.at(CORE_A1, at, [Some(25.0), None, None, None]), Taken::Late);
    assert_eq!(settle(&mut bench), ["A2-2026-11-11"]);
}
