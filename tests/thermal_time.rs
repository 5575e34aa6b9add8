//! Degree-hours, bounds, due window and the choice of a probe; published sources stand beside the
//! checks and, with licence and tolerance, in `fixtures/physics/SOURCES.md`.
#![allow(clippy::unwrap_used, clippy::panic)]

mod tables;

use proptest::prelude::*;
use tables::{Row, assert_near, table};
use tubwatch::climate::Stamp;
use tubwatch::climate::series::Piece;
use tubwatch::climate::stamp::{DAY_MS, HOUR_MS, MINUTE_MS};
use tubwatch::grow::culture::{Requirement, Thermal};
use tubwatch::grow::due::{Due, FORECAST_MAX_MS, due_window, equivalent_days, progress};
use tubwatch::grow::thermal::{Exposure, Figures, Gaps, Preference, degree_hours, rate_c};

/// Farther than any temperature, where a limit is not wanted.
const NO_LIMIT_C: f64 = 1e9;
const EVER: Gaps = Gaps { bridge_ms: i64::MAX, doubtful_ms: i64::MAX };

fn limits(base_c: f64, cap_c: f64, damage_c: f64) -> Thermal {
    let requirement = Requirement { low: 4_560.0, usual: 5_472.0, high: 6_384.0 };
    Thermal { base_c, cap_c, damage_c, usual_c: 24.0, requirement }
}

/// The example culture of the config: *Pleurotus ostreatus*.
fn oyster() -> Thermal {
    limits(5.0, 25.0, 33.0)
}

/// The limits a published cutoff means; `None` for the intermediate cutoff, which is not used here.
fn cutoff(row: &Row) -> Option<Thermal> {
    let base = row.number("base_c");
    let upper = row.maybe("upper_c");
    match row.text("cutoff") {
        "" => Some(limits(base, NO_LIMIT_C, NO_LIMIT_C)),
        "horizontal" => Some(limits(base, upper.unwrap(), NO_LIMIT_C)),
        // The tables count in full what stands exactly at the upper limit; a damage limit does not.
        "vertical" => Some(limits(base, upper.unwrap(), upper.unwrap().next_up())),
        "intermediate" => None,
        other => panic!("{other}"),
    }
}

fn gaps_of(row: &Row) -> Gaps {
    let bridge_ms = row.maybe("max_gap_h").map_or(i64::MAX, |hours| (hours * HOUR_MS as f64) as i64);
    Gaps { bridge_ms, doubtful_ms: i64::MAX }
}

fn expose(thermal: Thermal, points: &[(Stamp, f64)], gaps: Gaps) -> Exposure {
    let mut exposure = Exposure::new(thermal, None, points[0].0);
    points.iter().for_each(|&(at, t_c)| exposure.push(1, at, t_c, gaps));
    exposure
}

fn figures(thermal: Thermal, points: &[(Stamp, f64)], gaps: Gaps) -> Figures {
    expose(thermal, points, gaps).figures(points.last().unwrap().0)
}

/// Derived by hand, the derivation beside each row.
#[test]
fn hand_derived_series_come_out() {
    let series = table("degree_hours_hand_series");
    let mut checked = 0;
    for row in table("degree_hours_hand_expected") {
        let Some(thermal) = cutoff(&row) else { continue };
        let case = row.text("case");
        let points: Vec<(Stamp, f64)> = series
            .iter()
            .filter(|point| point.text("case") == case)
            .map(|point| (point.stamp("time"), point.number("temp_c")))
            .collect();
        let found = figures(thermal, &points, gaps_of(&row));
        assert_near(found.degree_hours, row.number("expected_degree_hours_ch"), 1e-9, case);
        assert_near(found.hours_measured, row.number("integrated_h"), 1e-9, case);
        assert_near(found.hours_elapsed - found.hours_measured, row.number("missing_h"), 1e-9, case);
        checked += 1;
    }
    assert_eq!(checked, 16); // 19 rows, 3 of them with the intermediate cutoff
}

/// Real series with their gaps: NOAA/ASOS Newark 2013, and Candanedo and Feldheim's office (2016);
/// computed independently with straight lines between samples.
#[test]
fn real_series_with_gaps_come_out() {
    let mut checked = 0;
    for row in table("degree_hours_real_expected") {
        let Some(thermal) = cutoff(&row) else { continue };
        let file = row.text("file").trim_end_matches(".csv");
        let time = if file.starts_with("weather") { "time_utc" } else { "time_local" };
        let points: Vec<(Stamp, f64)> = table(file)
            .iter()
            .filter_map(|sample| Some((sample.stamp(time), sample.maybe(row.text("column"))?)))
            .collect();
        assert_eq!(points.len() as f64, row.number("samples_used"));
        let found = figures(thermal, &points, gaps_of(&row));
        let expected = row.number("linear_exact_degree_hours_ch");
        let what = format!("{file}, base {}, {}", row.text("base_c"), row.text("cutoff"));
        assert_near(found.degree_hours, expected, 1e-6 * expected, &what);
        assert_near(found.hours_measured, row.number("integrated_h"), 1e-6, &what);
        assert_near(found.hours_elapsed - found.hours_measured, row.number("missing_h"), 1e-6, &what);
        checked += 1;
    }
    assert_eq!(checked, 11); // 12 rows, 1 of them with the intermediate cutoff
}

/// One day that goes from `low` up to `high` and back to `next`, as a triangle or a sine: degree-days.
fn day(thermal: Thermal, (low, high, next): (f64, f64, f64), is_sine: bool) -> f64 {
    let steps = if is_sine { 720 } else { 1 };
    let half = |from: f64, to: f64, hour: i64| {
        (0..=steps).map(move |step| {
            let share = step as f64 / steps as f64;
            let risen = if is_sine { 0.5 - 0.5 * (share * std::f64::consts::PI).cos() } else { share };
            (Stamp(hour * HOUR_MS + step * 12 * HOUR_MS / steps), from + (to - from) * risen)
        })
    };
    let points: Vec<(Stamp, f64)> = half(low, high, 0).chain(half(high, next, 12)).collect();
    figures(thermal, &points, EVER).degree_hours / 24.0
}

/// What rounding to 0.01 and 1,440 straight steps to a day's sine allow.
const PUBLISHED_TOLERANCE: f64 = 0.006;

/// Zalom and others, UC DANR Leaflet 21373 (1983), table 7: 55 and 90 °F, horizontal cutoff, all four
/// methods, in degree-days F. One printed value contradicts its own formula and is named in the table.
#[test]
fn degree_days_of_zalom_1983() {
    let mut checked = 0;
    for row in table("degree_days_zalom1983_table7") {
        let (low, high, next) = (row.number("tmin_f"), row.number("tmax_f"), row.number("next_day_tmin_f"));
        for (method, next, is_sine) in [
            ("single_triangle", low, false),
            ("double_triangle", next, false),
            ("single_sine", low, true),
            ("double_sine", next, true),
        ] {
            let found = day(limits(55.0, 90.0, NO_LIMIT_C), (low, high, next), is_sine);
            let what = format!("row {} {method}", row.text("row"));
            assert_near(found, row.number(&format!("recomputed_{method}_ddf")), 1e-3, &what);
            if !row.text("note").contains(method) {
                assert_near(found, row.number(&format!("published_{method}_ddf")), PUBLISHED_TOLERANCE, &what);
                checked += 1;
            }
        }
    }
    assert_eq!(checked, 47);
}

/// University of California IPM, station Esparto-A 2020, 50 and 70 °F: horizontal cutoff as the cap,
/// vertical cutoff as the damage limit (nothing counts at or over it).
#[test]
fn degree_days_of_esparto_2020() {
    let rows = table("degree_days_ucipm_esparto2020");
    assert_eq!(rows.len(), 183);
    for row in rows {
        let (low, high, next) = (row.number("tmin_f"), row.number("tmax_f"), row.number("next_day_tmin_f"));
        for (method, next, is_sine) in
            [("sngtri", low, false), ("dbltri", next, false), ("sngsine", low, true), ("dblsine", next, true)]
        {
            for (kind, damage) in [("horiz", NO_LIMIT_C), ("vert", 70.0)] {
                let column = format!("{method}_{kind}_ddf");
                if row.text("note").contains(&format!("{method}_{kind}")) {
                    continue;
                }
                let found = day(limits(50.0, 70.0, damage), (low, high, next), is_sine);
                assert_near(found, row.number(&column), PUBLISHED_TOLERANCE, &format!("{} {column}", row.text("date")));
            }
        }
    }
}

/// Closed forms: triangle (Tmax-thr)²/(2(Tmax-Tmin)); sine of Baskerville and Emin (1969), Allen (1976).
#[test]
fn closed_forms_come_out() {
    for row in table("degree_days_closed_forms") {
        let (low, high) = (row.number("tmin_c"), row.number("tmax_c"));
        let cap = row.maybe("upper_horizontal_c").unwrap_or(NO_LIMIT_C);
        let thermal = limits(row.number("base_c"), cap, NO_LIMIT_C);
        let what = row.text("derivation");
        assert_near(day(thermal, (low, high, low), false), row.number("single_triangle_ddc"), 1e-6, what);
        // 720 straight steps to half a sine miss its area by (pi/720)²/12 of the swing at most.
        assert_near(day(thermal, (low, high, low), true), row.number("single_sine_ddc"), 4e-5, what);
    }
}

fn piece(from_value: f64, to_value: f64, hours: f64) -> Piece {
    Piece { from: Stamp(0), to: Stamp((hours * HOUR_MS as f64) as i64), from_value, to_value, doubtful: false }
}

/// By hand, for base 5, cap 25, damage 33 °C: time at or over the damage limit counts nothing.
#[test]
fn nothing_counts_at_or_over_the_damage_limit() {
    for (from, to, hours, expected) in [
        (33.0, 33.0, 1.0, 0.0),
        (32.999, 32.999, 1.0, 20.0),
        (30.0, 40.0, 10.0, 60.0),          // 3 h on the plateau
        (40.0, 30.0, 10.0, 60.0),          // the same backwards
        (-5.0, 45.0, 50.0, 200.0 + 160.0), // triangle 20 × 20 / 2, plateau 8 h × 20
        (33.0, 34.0, 5.0, 0.0),
        (23.0, 33.0, 10.0, 2.0 * 19.0 + 160.0),
        (5.0, 5.0, 9.0, 0.0),
        (25.0, 25.0, 2.0, 40.0),
        (0.0, 10.0, 10.0, 12.5),
    ] {
        assert_near(degree_hours(&piece(from, to, hours), &oyster()), expected, 1e-9, &format!("{from} to {to} °C"));
    }
    for (t_c, rate) in [(4.0, 0.0), (5.0, 0.0), (24.0, 19.0), (25.0, 20.0), (32.9, 20.0), (33.0, 0.0), (50.0, 0.0)] {
        assert_near(rate_c(&oyster(), t_c), rate, 0.0, "rate");
    }
}

/// By hand: a band's top of 28 °C, a ramp from 26 to 30 in 4 h: a triangle of 2 h and 2 °C.
#[test]
fn heat_stress_is_the_area_over_the_band() {
    let mut exposure = Exposure::new(oyster(), Some(28.0), Stamp(0));
    for (hour, t_c) in [(0, 26.0), (4, 30.0), (5, 30.0), (6, 20.0)] {
        exposure.push(1, Stamp(hour * HOUR_MS), t_c, EVER);
    }
    assert_near(
        exposure.figures(Stamp(6 * HOUR_MS)).heat_stress,
        2.0 + 2.0 + 0.2,
        1e-9,
        "2 × 2 / 2, 1 h × 2, 0.2 h × 2 / 2",
    );
    exposure.set_stress_top_c(None);
    exposure.push(1, Stamp(7 * HOUR_MS), 40.0, EVER);
    assert_near(exposure.figures(Stamp(7 * HOUR_MS)).heat_stress, 4.2, 1e-9, "no band, no stress");
}

#[test]
fn gap_limits_follow_how_often_a_probe_reports() {
    let minutes = |gaps: Gaps| (gaps.bridge_ms / MINUTE_MS, gaps.doubtful_ms / MINUTE_MS);
    assert_eq!(minutes(Gaps::for_core(10 * MINUTE_MS)), (60, 30));
    assert_eq!(minutes(Gaps::for_core(45 * MINUTE_MS)), (90, 135));
    assert_eq!(minutes(Gaps::for_air(MINUTE_MS)), (15, 3));
    assert_eq!(minutes(Gaps::for_air(10 * MINUTE_MS)), (20, 30));
    assert_eq!(Gaps::for_air(i64::MAX).bridge_ms, i64::MAX);
    assert_eq!(minutes(Gaps::for_core(-5)), (60, 0));
}

/// By hand, a core that should report every 10 s at a steady 24 °C (19 °C over base).
#[test]
fn bounds_count_what_is_not_known() {
    let gaps = Gaps::for_core(10_000);
    let mut exposure = Exposure::new(oyster(), None, Stamp(0));
    let at = |minutes: i64| Stamp(minutes * MINUTE_MS);
    let empty = exposure.figures(Stamp(0));
    assert_eq!((empty.coverage(), empty.degree_hours, empty.high), (1.0, 0.0, 0.0));
    assert_near(exposure.figures(at(60)).high, 20.0, 1e-9, "no reading yet: an hour that may have been at the optimum");
    assert_near(exposure.figures(at(60)).coverage(), 0.0, 0.0, "nothing measured");
    (0..=360).for_each(|step| exposure.push(1, Stamp(step * 10_000), 24.0, gaps));
    let sure = exposure.figures(at(60));
    assert_near(sure.degree_hours, 19.0, 1e-9, "one hour");
    assert_near(sure.low, 19.0, 1e-9, "all of it sure");
    assert_near(sure.high, 19.0, 1e-9, "nothing missing");
    exposure.push(1, at(120), 24.0, gaps); // an hour of silence: bridged, but doubtful
    let bridged = exposure.figures(at(120));
    assert_near(bridged.degree_hours, 38.0, 1e-9, "the line");
    assert_near(bridged.low, 19.0, 1e-9, "low leaves it out");
    assert_near(bridged.high, 38.0, 1e-9, "high has the line");
    assert_near(bridged.coverage(), 1.0, 0.0, "bridged time is measured");
    exposure.push(1, at(181), 24.0, gaps); // longer than an hour: not bridged
    let missing = exposure.figures(at(181));
    assert_near(missing.degree_hours, 38.0, 1e-9, "nothing more");
    assert_near(missing.high, 38.0 + 20.0 * 61.0 / 60.0, 1e-9, "the optimum while nobody looked");
    assert_near(missing.coverage(), 120.0 / 181.0, 1e-12, "coverage");
    let later = exposure.figures(at(241));
    assert_near(later.high, 38.0 + 20.0 * 121.0 / 60.0, 1e-9, "time up to now is missing too");
    assert_near(exposure.figures(at(0)).coverage(), 120.0 / 181.0, 1e-12, "a clock behind the readings");
}

#[test]
fn late_readings_and_other_sources_are_never_mixed_in() {
    let at = |minutes: i64| Stamp(minutes * MINUTE_MS);
    let mut exposure = Exposure::new(oyster(), None, at(0));
    exposure.push(1, at(0), 24.0, EVER);
    exposure.push(1, at(30), 24.0, EVER);
    let before = exposure.clone();
    exposure.push(1, at(30), 10.0, EVER);
    exposure.push(1, at(20), 10.0, EVER);
    exposure.push(2, at(30), 10.0, EVER);
    exposure.push(1, at(40), f64::NAN, EVER);
    exposure.push(1, at(40), f64::INFINITY, EVER);
    assert_eq!(exposure, before);
    exposure.push(2, at(60), 10.0, EVER); // core to air: no line between
    exposure.push(2, at(120), 10.0, EVER);
    let found = exposure.figures(at(120));
    assert_near(found.degree_hours, 9.5 + 5.0, 1e-9, "half an hour at 24, an hour at 10");
    assert_near(found.hours_measured, 1.5, 1e-12, "half an hour of switching is missing");
    assert_eq!(exposure.last_at(), Some(at(120)));
}

/// By hand: a ramp from 5 to 25 °C over 20 h; the window from hour 10 to 15 holds 10 to 15 °C over base.
#[test]
fn pieces_are_cut_at_start_and_end() {
    let hour = |hours: i64| Stamp(hours * HOUR_MS);
    let mut exposure = Exposure::new(oyster(), None, hour(10)).ending(Some(hour(15)));
    exposure.push(1, hour(0), 5.0, EVER);
    exposure.push(1, hour(20), 25.0, EVER);
    exposure.push(1, hour(30), 25.0, EVER);
    let found = exposure.figures(hour(40));
    assert_near(found.degree_hours, 62.5, 1e-9, "12.5 for 5 h");
    assert_near(found.hours_elapsed, 5.0, 1e-12, "up to the end");
    assert_near(found.coverage(), 1.0, 1e-12, "all measured");
    // The whole gap decides, not the part of it that lies in the window.
    let mut cut = Exposure::new(oyster(), None, hour(19));
    cut.push(1, hour(0), 5.0, EVER);
    cut.push(1, hour(20), 25.0, Gaps { bridge_ms: 2 * HOUR_MS, doubtful_ms: HOUR_MS });
    assert_near(cut.figures(hour(20)).degree_hours, 0.0, 0.0, "20 h are not bridged");
}

/// 24 °C for a day is one day of the usual temperature: 456 °C·h; 5,472 °C·h are 12 days (common
/// practice: 10 to 14 days at about 24 °C, no source for the requirement).
#[test]
fn days_and_progress() {
    assert_near(equivalent_days(456.0, &oyster()), 1.0, 1e-12, "a day");
    assert_near(equivalent_days(5_472.0, &oyster()), 12.0, 1e-12, "the usual requirement");
    assert_near(progress(2_736.0, &oyster()), 0.5, 1e-12, "half");
    assert_near(progress(6_384.0, &oyster()), 7.0 / 6.0, 1e-12, "past it");
    let dead = Thermal { usual_c: 40.0, ..oyster() };
    assert_near(equivalent_days(100.0, &dead), 0.0, 0.0, "no growth at the usual temperature");
}

fn steady(t_c: f64, hours: i64) -> Exposure {
    let points: Vec<(Stamp, f64)> = (0..=hours * 6).map(|step| (Stamp(step * 10 * MINUTE_MS), t_c)).collect();
    expose(oyster(), &points, Gaps::for_core(10 * MINUTE_MS))
}

#[test]
fn the_rate_is_that_of_the_last_two_days() {
    assert_eq!(steady(24.0, 0).rate_per_hour(), None);
    assert_near(steady(24.0, 1).rate_per_hour().unwrap(), 19.0, 1e-9, "after an hour");
    let mut exposure = steady(24.0, 300);
    for step in 1..=60 * 6 {
        let at = Stamp(300 * HOUR_MS + step * 10 * MINUTE_MS);
        exposure.push(1, at, 15.0, Gaps::for_core(10 * MINUTE_MS));
    }
    assert_near(exposure.rate_per_hour().unwrap(), 10.0, 1e-9, "two cold days count, the warm ones before do not");
    // A silence does not dilute it: it is per measured hour.
    let mut silent = steady(24.0, 60);
    silent.push(1, Stamp(90 * HOUR_MS), 24.0, Gaps::for_core(10 * MINUTE_MS));
    assert_near(silent.rate_per_hour().unwrap(), 19.0, 1e-9, "after a silence");
}

#[test]
fn the_moments_a_requirement_was_reached_are_kept() {
    let exposure = steady(24.0, 400);
    let found = exposure.figures(Stamp(400 * HOUR_MS));
    let near = |found: Option<Stamp>, hours: i64| found.unwrap().since(Stamp(hours * HOUR_MS)).abs() <= 1;
    assert!(near(found.reached_low, 240), "4,560 / 19: {found:?}");
    assert!(near(found.reached_high, 336), "6,384 / 19: {found:?}");
    // Within one piece: the ramp 5 to 25 °C over 20 h has gained 50 °C·h after 10 h.
    let requirement = Requirement { low: 50.0, usual: 100.0, high: 200.0 };
    let thermal = Thermal { requirement, ..oyster() };
    let ramp = [(Stamp(0), 5.0), (Stamp(20 * HOUR_MS), 25.0)];
    let found = figures(thermal, &ramp, EVER);
    assert_eq!(found.reached_low, Some(Stamp(10 * HOUR_MS)));
    assert_eq!(found.reached_high, Some(Stamp(20 * HOUR_MS)));
}

/// By hand: 4,560 and 6,384 °C·h at 19 an hour are 240 h and 336 h: days 10 and 14.
#[test]
fn the_due_window_moves_with_the_temperature() {
    let hours = |hours: f64| Stamp((hours * HOUR_MS as f64).round() as i64);
    let now = hours(100.0);
    let at = |degree_hours: f64| Figures { degree_hours, ..Figures::default() };
    let due = |figures: Figures, rate: Option<f64>, not_before_days: i64| {
        due_window(&figures, &oyster(), Stamp(0), now, rate, not_before_days * DAY_MS)
    };
    let window = |earliest: f64, latest: f64| Due { earliest: hours(earliest), latest: Some(hours(latest)) };
    assert_eq!(due(at(1_900.0), Some(19.0), 0), window(240.0, 336.0));
    assert_eq!(due(at(1_900.0), Some(20.0), 0), window(233.0, 324.2));
    assert_eq!(due(at(1_900.0), Some(20.0), 10), window(240.0, 324.2)); // never before ten days
    assert_eq!(due(at(1_900.0), Some(20.0), 15), window(360.0, 360.0)); // never closing before it opens
    assert_eq!(due(at(1_900.0), None, 0), window(240.0, 336.0)); // no rate: the usual temperature's
    let reached = Figures { reached_low: Some(hours(90.0)), ..at(4_700.0) };
    assert_eq!(due(reached, Some(20.0), 0), window(90.0, 100.0 + 1_684.0 / 20.0)); // the moment it was
    assert_eq!(due(reached, Some(0.0), 0), Due { earliest: hours(90.0), latest: None });
    let too_cold = Due { earliest: now.plus(FORECAST_MAX_MS), latest: None };
    assert_eq!(due(at(1_900.0), Some(0.0), 10), too_cold);
    assert_eq!(due(at(1_900.0), Some(1e-300), 10), too_cold);
    let over = Figures { reached_low: Some(hours(80.0)), reached_high: Some(hours(95.0)), ..at(7_000.0) };
    assert_eq!(due(over, Some(0.0), 0), window(80.0, 95.0));
    // What nobody measured counts as usual, so that a tub without a probe is due by the calendar.
    for hours_elapsed in [100.0, 300.0, 400.0] {
        let blind = Figures { hours_elapsed, ..Figures::default() };
        assert_eq!(due_window(&blind, &oyster(), Stamp(0), hours(hours_elapsed), None, 0), window(240.0, 336.0));
    }
}

#[test]
fn the_first_listed_probe_that_reports_speaks() {
    let bridge = 15 * MINUTE_MS;
    let at = |minutes: i64| Stamp(minutes * MINUTE_MS);
    let mut preference = Preference::new(3);
    for (rank, minute, counts) in [
        (1, 0, true), // the first has not been heard yet
        (0, 1, true),
        (1, 2, false),
        (2, 3, false),
        (1, 16, false), // just within 15 min of the first
        (1, 17, true),  // the first has been silent for longer
        (2, 18, false), // behind the second
        (0, 20, true),
        (1, 20, false), // the same moment
        (2, 36, true),  // first and second silent
        (3, 40, false), // not in the list
    ] {
        assert_eq!(preference.take(rank, at(minute), bridge), counts, "rank {rank} at {minute} min");
    }
    // A probe's own limit decides how long it speaks: one that reports every hour speaks for two.
    let mut slow = Preference::new(2);
    assert!(slow.take(0, at(0), 120 * MINUTE_MS));
    assert!(!slow.take(1, at(119), bridge));
    assert!(slow.take(1, at(121), bridge));
}

/// Readings in time order, 1 ms to 3 h apart, some of them beyond every gap limit.
fn series() -> impl Strategy<Value = Vec<(Stamp, f64)>> {
    prop::collection::vec((1..3 * HOUR_MS, -10.0..50.0f64), 2..60).prop_map(|steps| {
        let mut at = Stamp(0);
        steps
            .into_iter()
            .map(|(step, t_c)| {
                at = at.plus(step);
                (at, t_c)
            })
            .collect()
    })
}

proptest! {
    /// Cut at any moment, the parts add up to the whole.
    #[test]
    fn additive_over_time(points in series(), share in 0.0..1.0f64) {
        let (first, last) = (points[0].0, points.last().unwrap().0);
        let cut = first.plus((last.since(first) as f64 * share) as i64);
        let gaps = Gaps::for_core(10 * MINUTE_MS);
        let part = |from: Stamp, to: Stamp| {
            let mut exposure = Exposure::new(oyster(), Some(28.0), from).ending(Some(to));
            points.iter().for_each(|&(at, t_c)| exposure.push(1, at, t_c, gaps));
            exposure.figures(last)
        };
        let (whole, before, after) = (part(first, last), part(first, cut), part(cut, last));
        let figure = |pick: fn(&Figures) -> f64| (pick(&whole), pick(&before) + pick(&after));
        for (of_whole, of_parts) in [figure(|f| f.degree_hours), figure(|f| f.low), figure(|f| f.high),
            figure(|f| f.heat_stress), figure(|f| f.hours_measured), figure(|f| f.hours_elapsed)] {
            prop_assert!((of_whole - of_parts).abs() <= 1e-7, "{of_whole} {of_parts}");
        }
    }

    /// A point put in on the line changes nothing.
    #[test]
    fn indifferent_to_points_on_the_line(points in series(), shares in prop::collection::vec(0.0..1.0f64, 60)) {
        let mut denser = vec![points[0]];
        for (pair, share) in points.windows(2).zip(shares) {
            let ((from, from_value), (to, to_value)) = (pair[0], pair[1]);
            let line = Piece { from, to, from_value, to_value, doubtful: false };
            let at = from.plus((to.since(from) as f64 * share) as i64);
            denser.push((at, line.value_at(at)));
            denser.push(pair[1]);
        }
        let (plain, dense) = (figures(oyster(), &points, EVER), figures(oyster(), &denser, EVER));
        prop_assert!((plain.degree_hours - dense.degree_hours).abs() < 1e-6, "{plain:?} {dense:?}");
        prop_assert_eq!(plain.hours_measured, dense.hours_measured);
        for (one, other) in [(plain.reached_low, dense.reached_low), (plain.reached_high, dense.reached_high)] {
            prop_assert_eq!(one.is_some(), other.is_some());
            // One millisecond more or less of rounding, where the rate is not nearly 0.
            if let (Some(one), Some(other)) = (one, other) {
                prop_assert!(one.since(other).abs() < MINUTE_MS);
            }
        }
    }

    /// The bounds hold the figure, coverage is a share, stress is never negative; whatever comes in.
    #[test]
    fn bounded_by_low_and_high(
        readings in prop::collection::vec((0..3u32, -HOUR_MS..200 * HOUR_MS, any::<f64>()), 0..80),
        mild in prop::collection::vec(-20.0..60.0f64, 80),
        now in -HOUR_MS..400 * HOUR_MS,
        in_order in any::<bool>(),
    ) {
        let mut readings = readings;
        if in_order {
            readings.sort_by_key(|reading| reading.1);
        }
        let mut exposure = Exposure::new(oyster(), Some(28.0), Stamp(0));
        for (position, (source, at, wild)) in readings.into_iter().enumerate() {
            let t_c = if position % 10 == 9 { wild } else { mild[position] };
            exposure.push(source, Stamp(at), t_c, Gaps::for_core(30 * MINUTE_MS));
        }
        let found = exposure.figures(Stamp(now));
        prop_assert!(found.low >= 0.0 && found.low <= found.degree_hours && found.degree_hours <= found.high, "{found:?}");
        prop_assert!(found.heat_stress >= 0.0 && found.heat_stress.is_finite());
        prop_assert!((0.0..=1.0).contains(&found.coverage()));
        prop_assert!(found.hours_measured <= found.hours_elapsed + 1e-9);
        prop_assert!(exposure.rate_per_hour().is_none_or(|rate| (0.0..=20.0 + 1e-9).contains(&rate)));
    }
}
