//! The watches beside the limits: heat that comes and adds up, a stall, reminders, people's air.

use crate::bench::*;

const DAY: i64 = 24 * HOUR;

/// Ids of the tubs, told that the store holds nothing.
fn settle(bench: &mut Bench) {
    bench.keeper.take_as_known();
}

#[test]
fn a_core_far_over_its_air() {
    let mut bench = Bench::new(colonising());
    // Within its limits, but 5.5 over the air for an hour; 8.5 over it for another; back by a degree.
    bench.run(2 * HOUR, |_| Some(21.0), |_| Some(26.5), |_| Some(FINE));
    bench.run(2 * HOUR, |_| Some(18.2), |_| Some(26.7), |_| Some(FINE));
    bench.run(HOUR, |_| Some(23.0), |_| Some(26.0), |_| Some(FINE));
    let events = bench.take_of(Watch::CoreOverAir);
    assert_eq!(events[0].2, Severity::Advice);
    assert!((60..=61).contains(&events[0].3), "{events:?}");
    assert_eq!((events[1].0, events[1].2), (EventKind::RaisedAgain, Severity::Warning));
    assert!((180..=181).contains(&events[1].3), "{events:?}");
    assert_eq!((events[2].0, events.len()), (EventKind::Returned, 3));
}

#[test]
fn heat_is_told_hours_ahead_and_not_again_at_the_limit() {
    let mut bench = Bench::new(colonising());
    bench.run_core(3 * HOUR, |_| Some(24.0));
    bench.told.clear();
    // Half a degree an hour from 24: 31 after 14 h. Under 12 h away at 25, over 28 after 8 h.
    bench.run_core(15 * HOUR, |gone| Some(24.0 + gone as f64 / HOUR as f64 / 2.0));
    let ahead: Vec<_> = bench.told.iter().filter(|event| event.alert.watch == Watch::HeatingAhead).cloned().collect();
    assert_eq!((ahead.len(), ahead[0].kind, ahead[0].alert.severity), (1, EventKind::Raised, Severity::Warning));
    let critical = bench.told.iter().find(|event| event.alert.severity == Severity::Critical).unwrap();
    let lead_h = critical.at.since(ahead[0].at) as f64 / HOUR as f64;
    assert!(lead_h > 5.0, "{lead_h}");
    assert!(ahead[0].alert.text.contains("rising 0.5 °C an hour"), "{}", ahead[0].alert.text);
    // It cools: the forecast is off.
    bench.run_core(6 * HOUR, |_| Some(27.0));
    assert_eq!(bench.standing(Watch::HeatingAhead).map(|alert| alert.state), Some(AlertState::Returned));
}

#[test]
fn heat_adds_up_within_a_stage() {
    let mut bench = Bench::new(colonising());
    // An hour and a half over 28, three hours under it, over and over.
    for _ in 0..17 {
        bench.run_core(90 * MIN, |gone| Some(28.5 + (gone % 3) as f64 / 10.0));
        bench.run_core(3 * HOUR, |gone| Some(26.0 + (gone % 3) as f64 / 10.0));
    }
    let events = bench.take_of(Watch::HeatStress);
    assert_eq!(events.iter().map(|event| event.2).collect::<Vec<_>>(), [Severity::Advice, Severity::Warning]);
    // The fourth heat makes six hours, the sixteenth twenty-four.
    assert!((18 * 60..20 * 60).contains(&events[0].3), "{events:?}");
    assert!((72 * 60..74 * 60).contains(&events[1].3), "{events:?}");
    // It is over with the stage.
    let mut opened = tub("A1", "shelf", Stage::Pinning, Some("core-a1"));
    opened.stages.push(Since { from: bench.now, value: Stage::Pinning });
    bench.keeper.tubs_changed(vec![opened], bench.now, &mut bench.told);
    assert_eq!(bench.standing(Watch::HeatStress), None);
}

#[test]
fn a_tub_behind_the_calendar_and_one_that_never_warmed() {
    let stalled = |core_c: f64, air_c: f64, days: i64| {
        let mut young = tub("A1", "shelf", Stage::Colonising, Some("core-a1"));
        young.spawned_at = Stamp(START);
        young.stages[0].from = Stamp(START);
        young.cores[0].from = Stamp(START);
        let mut bench = Bench::new(vec![young]);
        settle(&mut bench);
        let begin = bench.now;
        while bench.now.since(begin) < days * DAY {
            bench.now = bench.now.plus(5 * MIN);
            bench.temperature(CORE_A1, core_c + bench.now.0 as f64 % 7.0 / 50.0);
            bench.temperature(SHELF_AIR, air_c + bench.now.0 as f64 % 5.0 / 50.0);
            bench.keeper.tick(bench.now, &mut bench.told);
        }
        let text = bench.standing(Watch::Stalled).map(|alert| alert.text).unwrap_or_default();
        (bench.take_of(Watch::Stalled), text)
    };
    // 24 °C is the calendar; 19 gives 14 of 19 a hour.
    assert_eq!(stalled(24.0, 21.5, 4).0, []);
    let (events, text) = stalled(19.0, 17.0, 4);
    assert_eq!((events.len(), events[0].2), (1, Severity::Advice));
    assert!((60 * 60..61 * 60).contains(&events[0].3), "two days measured, then half a day: {events:?}");
    assert!(text.contains("% behind the calendar"), "{text}");
    // Warm enough by the room, never by itself.
    let (events, text) = stalled(24.0, 24.0, 8);
    assert_eq!((events.len(), events[0].2), (1, Severity::Advice));
    assert!(text.contains("never over its air"), "{text}");
    assert!((7 * 24 * 60..8 * 24 * 60).contains(&events[0].3), "{events:?}");
}

#[test]
fn a_reminder_comes_by_day_in_three_steps_and_ends_with_the_log() {
    let mut tubs = vec![tub("A1", "shelf", Stage::Colonising, Some("core-a1"))];
    tubs[0].spawned_at = Stamp(START);
    let mut bench = Bench::new(tubs.clone());
    settle(&mut bench);
    let mut hours = 0;
    let mut run = |bench: &mut Bench, days: i64| {
        for _ in 0..days * 24 * 6 {
            bench.now = bench.now.plus(10 * MIN);
            hours += 1;
            bench.temperature(CORE_A1, 24.0 + f64::from(hours % 4) / 20.0);
            bench.keeper.tick(bench.now, &mut bench.told);
        }
    };
    // 4,560 degree-hours at 19 an hour are 10 days after 10:00: told then, at 12 days, at 15.
    run(&mut bench, 16);
    let day = |event: &(EventKind, String, Severity, i64)| event.3 as f64 / 1440.0;
    let events = bench.take_of(Watch::Due);
    assert_eq!(
        events.iter().map(|event| event.0).collect::<Vec<_>>()[..2],
        [EventKind::Raised, EventKind::RaisedAgain]
    );
    assert_eq!(events.len(), 3);
    for (event, expected) in events.iter().zip([10.0, 12.0, 15.0]) {
        assert!((day(event) - expected).abs() < 0.2 && event.2 == Severity::Advice, "{events:?}");
    }
    assert!(bench.standing(Watch::Due).unwrap().text.contains("overdue for 5 days"));
    // Looked at, patchy: quiet for two days, then due again.
    tubs[0].looked_at = Some(bench.now);
    bench.keeper.tubs_changed(tubs.clone(), bench.now, &mut bench.told);
    settle(&mut bench);
    assert_eq!(bench.standing(Watch::Due), None);
    bench.told.clear();
    run(&mut bench, 3);
    assert_eq!(bench.take_of(Watch::Due).len(), 1);
    tubs[0].stage = Stage::Ripening;
    tubs[0].colonised_at = Some(bench.now);
    bench.keeper.tubs_changed(tubs, bench.now, &mut bench.told);
    assert_eq!(bench.standing(Watch::Due), None);
}

#[test]
fn no_reminder_at_night_in_the_sites_zone() {
    let mut setup = setup();
    setup.timezone = chrono_tz::Pacific::Auckland;
    let mut ripe = tub("B1", "tent", Stage::Fruiting, None);
    // Pins at 15:30Z are 04:30 there; four days later it is told at 08:00, 19:00Z.
    let pins = Stamp(START + 5 * HOUR + 30 * MIN);
    ripe.pins_at = Some(pins);
    let mut bench = Bench::with(setup, vec![ripe.clone()]);
    for _ in 0..5 * 24 * 6 {
        bench.now = bench.now.plus(10 * MIN);
        bench.at(TENT_AIR, bench.now, FINE);
        bench.keeper.tick(bench.now, &mut bench.told);
    }
    let events = bench.take_of(Watch::PickSoon);
    assert_eq!(events, [one(EventKind::Raised, "tub B1", Severity::Advice, 4 * 1440 + 9 * 60)]);
    ripe.harvests.push(tubwatch::grow::tub::Harvest { at: bench.now, flush: 1, fresh_g: 200.0, dry_g: None });
    bench.keeper.tubs_changed(vec![ripe], bench.now, &mut bench.told);
    assert_eq!(bench.standing(Watch::PickSoon), None);
}

#[test]
fn air_that_is_bad_for_people_in_any_stage() {
    let air = |ppm: f64| move |_| Some([Some(15.0), Some(92.0), Some(ppm), None]);
    // No tub in the tent at all.
    let mut bench = Bench::new(colonising());
    bench.keeper.working(None, bench.now, 4 * HOUR);
    bench.run(10 * MIN, |_| Some(23.0), |_| Some(25.0), air(6_000.0));
    bench.run(10 * MIN, |_| Some(23.0), |_| Some(25.0), air(4_000.0));
    bench.run(10 * MIN, |_| Some(23.0), |_| Some(25.0), air(2_900.0));
    let events = bench.take_of(Watch::Co2ForPeople);
    assert_eq!(
        events.iter().map(|event| (event.0, event.2)).collect::<Vec<_>>(),
        [(EventKind::Raised, Severity::Warning), (EventKind::Returned, Severity::Warning)]
    );
    assert!((5..=6).contains(&events[0].3) && (20..=21).contains(&events[1].3), "{events:?}");
}

#[test]
fn wet_air_without_a_swing() {
    let fruiting = || vec![tub("B1", "tent", Stage::Fruiting, None)];
    let wet = |bench: &mut Bench, hours: i64, swings: bool| {
        bench.run(
            hours * HOUR,
            |_| Some(23.0),
            |_| Some(25.0),
            |gone| {
                let swing = if swings && gone % HOUR < 5 * MIN { 96.0 } else { 99.2 };
                Some([Some(14.0), Some(swing), Some(700.0), None])
            },
        );
    };
    let mut bench = Bench::new(fruiting());
    wet(&mut bench, 12, true);
    assert_eq!(bench.take_of(Watch::Humidity), []);
    let mut bench = Bench::new(fruiting());
    wet(&mut bench, 7, false);
    let events = bench.take_of(Watch::Humidity);
    assert_eq!(events, [one(EventKind::Raised, "space tent", Severity::Advice, 360)]);
    bench.run(HOUR, |_| Some(23.0), |_| Some(25.0), |_| Some(FINE));
    assert_eq!(bench.take_of(Watch::Humidity)[0].0, EventKind::Returned);
}
