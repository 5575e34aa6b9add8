//! Yield, learning and self-heating; sources and tolerances in `fixtures/heat/SOURCES.md`.
#![allow(clippy::unwrap_used, clippy::panic)]

#[allow(dead_code)] // not every reader of tables is needed here
mod tables;

use tables::{Row, assert_near, table};
use tubwatch::climate::Stamp;
use tubwatch::climate::stamp::{DAY_MS, HOUR_MS, MINUTE_MS};
use tubwatch::grow::learning::{PastTub, Recipe, Source, TUBS_MAX, TUBS_MIN, alike, error_of, learn, leave_one_out};
use tubwatch::grow::self_heating::{Hump, SelfHeating};
use tubwatch::grow::tub::{Harvest, Kind};
use tubwatch::grow::yields::{
    BELIEVABLE_PCT, Basis, DryMass, Filling, Yields, biological_efficiency_pct, grams_per_tub_day, spawn_rate_pct,
};

fn heat(name: &str) -> Vec<Row> {
    table(&format!("../heat/{name}"))
}

fn day(days: f64) -> Stamp {
    Stamp((days * DAY_MS as f64).round() as i64)
}

fn bulk(grams: f64) -> DryMass {
    DryMass::of(Some(grams), None).unwrap()
}

// ---- yield ----

/// Hand-derived rows exactly; the published pairs (Scientifica 2020, 3950357, table 2) by the dry mass
/// that the two printed numbers imply, which must come out within their rounding of a tenth.
#[test]
fn biological_efficiency_is_that_of_the_papers() {
    let rows = heat("biological_efficiency");
    assert_eq!(rows.len(), 7);
    for row in rows {
        let (fresh, published) = (row.number("fresh_mass_g"), row.number("biological_efficiency_pct"));
        match row.maybe("dry_substrate_g") {
            Some(dry) => {
                let found = biological_efficiency_pct(fresh, bulk(dry)).unwrap();
                assert_near(found, published, 1e-9, row.text("case"));
            }
            None => {
                // "implied dry mass 778.2 g", printed to 0.1 g.
                let note = row.text("note");
                let implied: f64 = note
                    .split_whitespace()
                    .rev()
                    .find_map(|word| word.parse().ok())
                    .unwrap_or_else(|| panic!("{note}"));
                let found = biological_efficiency_pct(fresh, bulk(implied)).unwrap();
                assert_near(found, published, 0.05, row.text("case"));
            }
        }
    }
    for row in heat("biological_efficiency_published") {
        assert!(row.number("high_pct") < BELIEVABLE_PCT, "{}", row.text("what"));
    }
    assert_eq!(biological_efficiency_pct(-1.0, bulk(800.0)), None);
    assert_eq!(biological_efficiency_pct(f64::NAN, bulk(800.0)), None);
}

/// Spawn over substrate, by whichever mass is meant; and by volume, as tubs are logged.
#[test]
fn spawn_rate_is_spawn_over_substrate() {
    for row in heat("spawn_rate") {
        let spawn = row.number("spawn_g");
        let wet = spawn_rate_pct(spawn, row.number("wet_substrate_g")).unwrap();
        assert_near(wet, row.number("spawn_rate_wet_pct"), 1e-9, row.text("case"));
        if let Some(dry) = row.maybe("dry_substrate_g") {
            let found = spawn_rate_pct(spawn, dry).unwrap();
            assert_near(found, row.number("spawn_rate_dry_pct"), 1e-9, row.text("case"));
        }
    }
    for (grain, bulk, expected) in [
        (Some(2.0), Some(2.0), Some(100.0)),
        (Some(1.0), Some(4.0), Some(25.0)),
        (Some(0.0), Some(2.0), Some(0.0)),
        (Some(2.0), Some(0.0), None),
        (Some(-1.0), Some(2.0), None),
        (None, Some(2.0), None),
        (Some(2.0), None, None),
    ] {
        let filling = Filling { grain_l: grain, bulk_l: bulk, ..Filling::default() };
        assert_eq!(filling.spawn_rate_pct(), expected, "{grain:?} to {bulk:?}");
    }
}

#[test]
fn the_basis_is_named_or_there_is_no_figure() {
    for (bulk, grain, expected) in [
        (Some(650.0), None, Some((650.0, "bulk"))),
        (Some(650.0), Some(1000.0), Some((1650.0, "bulk+grain"))),
        (Some(650.0), Some(0.0), Some((650.0, "bulk+grain"))),
        (None, None, None),
        (None, Some(1000.0), None),
        (Some(0.0), None, None),
        (Some(-5.0), Some(1000.0), None),
        (Some(f64::NAN), None, None),
        (Some(650.0), Some(f64::INFINITY), None),
    ] {
        let found = DryMass::of(bulk, grain).map(|dry| (dry.grams, dry.basis.word()));
        assert_eq!(found, expected, "{bulk:?} and {grain:?}");
    }
}

/// The handbook's invented tub: 650 g dry coir, 1 kg dry grain, 240 + 150 + 70 g fresh: 28 % of both.
#[test]
fn a_tubs_flushes_add_up() {
    let pick =
        |days: f64, flush: u32, fresh_g: f64, dry_g: Option<f64>| Harvest { at: day(days), flush, fresh_g, dry_g };
    let harvests = [
        pick(24.0, 1, 140.0, Some(14.0)),
        pick(36.0, 2, 150.0, None),
        pick(23.0, 1, 100.0, Some(10.0)),
        pick(50.0, 3, 70.0, Some(7.0)),
    ];
    let filling = Filling { dry_bulk_g: Some(650.0), dry_grain_g: Some(1000.0), grain_l: Some(2.0), bulk_l: Some(4.0) };
    let yields = Yields::of(&filling, &harvests, day(0.0), day(50.0));
    assert_eq!(yields.fresh_total_g, 460.0);
    assert_near(yields.biological_efficiency_pct.unwrap(), 27.9, 0.05, "as the handbook has it");
    assert_eq!(yields.dry_mass.unwrap().basis, Basis::BulkAndGrain);
    assert_eq!((yields.dry_total_g, yields.grams_per_tub_day), (None, Some(9.2)));
    let first = yields.flushes[0];
    assert_eq!((first.flush, first.pickings, first.fresh_g, first.dry_g), (1, 2, 240.0, Some(24.0)));
    assert_eq!(first.picked, (day(23.0), day(24.0)));
    let shares: Vec<f64> = yields.flushes.iter().map(|flush| flush.share_pct.unwrap()).collect();
    assert_near(shares.iter().sum(), 100.0, 1e-9, "shares");
    assert_near(shares[0], 24_000.0 / 460.0, 1e-9, "the first flush");
    let of_flushes: f64 = yields.flushes.iter().map(|flush| flush.biological_efficiency_pct.unwrap()).sum();
    assert_near(of_flushes, yields.biological_efficiency_pct.unwrap(), 1e-9, "flushes make the total");

    let none = Yields::of(&filling, &[], day(0.0), day(50.0));
    assert!(none.fresh_total_g.is_sign_positive(), "not -0 g");
    assert_eq!((none.fresh_total_g, none.biological_efficiency_pct, none.dry_total_g), (0.0, Some(0.0), None));
    assert_eq!(Yields::of(&Filling::default(), &harvests, day(0.0), day(50.0)).biological_efficiency_pct, None);
    assert_eq!(grams_per_tub_day(50.0, day(0.0), day(0.01)), Some(50.0));
    assert_eq!(grams_per_tub_day(50.0, day(1.0), day(1.0)), None);
}

// ---- learning ----

fn recipe() -> Recipe {
    Recipe { kind: Kind::Tub, strain: None, spawn_rate_pct: Some(100.0) }
}

/// A tub that took `days` days to `degree_hours`, at an even rate.
fn tub(id: &str, days: f64, degree_hours: f64) -> PastTub {
    PastTub {
        id: id.to_owned(),
        culture: "winter-oyster".to_owned(),
        recipe: recipe(),
        source: Source::Core,
        spawned_at: day(100.0),
        colonised_at: day(100.0 + days),
        degree_hours,
        coverage: 0.98,
        course: Vec::new(),
    }
}

fn chosen(past: &[PastTub]) -> Vec<&PastTub> {
    alike(past, "winter-oyster", &recipe(), Source::Core)
}

#[test]
fn five_tubs_teach_a_requirement() {
    let sums = [5_000.0, 5_200.0, 4_800.0, 5_400.0];
    let mut past: Vec<PastTub> = sums.iter().map(|sum| tub("a", 12.0, *sum)).collect();
    assert_eq!(learn(&chosen(&past)), None, "four are too few");
    past.push(tub("wild", 20.0, 9_000.0));
    let learned = learn(&chosen(&past)).unwrap();
    assert_eq!((learned.tubs, learned.requirement.usual), (TUBS_MIN, 5_200.0));
    assert_eq!(learned.quartiles, (5_000.0, 5_400.0));
    // Deviations 200, 0, 400, 200, 3800: their median is 200, unmoved by the wild one.
    assert_near(learned.scaled_mad, 1.4826 * 200.0, 1e-9, "spread");
    let reach = 1.281_551_565_5 * 1.4826 * 200.0;
    assert_near(learned.requirement.low, 5_200.0 - reach, 1e-6, "low");
    assert_near(learned.requirement.high, 5_200.0 + reach, 1e-6, "high");
    let same: Vec<PastTub> = (0..6).map(|_| tub("same", 12.0, 5_000.0)).collect();
    let learned = learn(&chosen(&same)).unwrap().requirement;
    assert_eq!((learned.low, learned.high), (4_750.0, 5_250.0), "agreement to the hour is luck");
}

/// Quartiles of 6, 7, 15, 36, 39, 40, 41, 42, 43, 47, 49: 25.5 and 42.5, a common textbook example (from memory).
#[test]
fn quartiles_are_those_of_spreadsheets() {
    let sums = [6.0, 7.0, 15.0, 36.0, 39.0, 40.0, 41.0, 42.0, 43.0, 47.0, 49.0];
    let past: Vec<PastTub> = sums.iter().map(|sum| tub("a", 12.0, *sum)).collect();
    assert_eq!(learn(&chosen(&past)).unwrap().quartiles, (25.5, 42.5));
}

#[test]
fn only_tubs_alike_teach() {
    type Change = fn(&mut PastTub);
    let changes: [(&str, Change); 9] = [
        ("another culture", |tub| tub.culture = "shiitake".to_owned()),
        ("from air", |tub| tub.source = Source::Air),
        ("a bag", |tub| tub.recipe.kind = Kind::Bag),
        ("another strain", |tub| tub.recipe.strain = Some("P9".to_owned())),
        ("half the spawn", |tub| tub.recipe.spawn_rate_pct = Some(50.0)),
        ("spawn unknown", |tub| tub.recipe.spawn_rate_pct = None),
        ("hardly measured", |tub| tub.coverage = 0.5),
        ("no sum", |tub| tub.degree_hours = f64::NAN),
        ("no time", |tub| tub.colonised_at = tub.spawned_at),
    ];
    for (what, change) in changes {
        let mut other = tub("a", 12.0, 5_000.0);
        assert_eq!(chosen(&[other.clone()]).len(), 1);
        change(&mut other);
        assert!(chosen(&[other]).is_empty(), "{what}");
    }
    let mut near = tub("near", 12.0, 5_000.0);
    near.recipe.spawn_rate_pct = Some(75.0);
    assert_eq!(chosen(&[near]).len(), 1);
    let many: Vec<PastTub> = (0..80).map(|n| tub(&n.to_string(), 12.0 + f64::from(n), 5_000.0)).collect();
    let newest = chosen(&many);
    assert_eq!((newest.len(), newest[0].id.as_str()), (TUBS_MAX, "79"));
}

/// By hand: five tubs at 400 °C·h a day. Left out in turn, the others' medians are 5200, 5200, 5100, 5000, 5000
/// for sums of 4800, 5000, 5200, 5400 … with the fifth at 5200.
#[test]
fn each_tub_is_predicted_from_the_others() {
    let sums = [4_800.0, 5_000.0, 5_200.0, 5_200.0, 5_600.0];
    let past: Vec<PastTub> = sums.iter().enumerate().map(|(n, sum)| tub(&n.to_string(), sum / 400.0, *sum)).collect();
    let error = leave_one_out(&chosen(&past)).unwrap();
    let of = |id: &str| error.of_each.iter().find(|each| each.0 == id).unwrap().1;
    // Without 4800: the median of 5000, 5200, 5200, 5600 is 5200, one day too late.
    assert_near(of("0"), 1.0, 1e-6, "4800");
    assert_near(of("1"), 0.5, 1e-6, "5000");
    // Without one 5200: of 4800, 5000, 5200, 5600 it is 5100.
    assert_near(of("2"), -0.25, 1e-6, "5200");
    assert_near(of("4"), -1.25, 1e-6, "5600: of 4800, 5000, 5200, 5200 it is 5100");
    assert_near(error.worst_days, -1.25, 1e-6, "worst");
    assert_near(error.median_days, 0.5, 1e-6, "median of 1, 0.5, 0.25, 0.25, 1.25");
    assert_near(error.bias_days, -0.25, 1e-6, "bias");
    let handbook = error_of(&chosen(&past), 6_000.0).unwrap();
    assert_near(handbook.bias_days, 2.0, 1e-6, "5200 is 2 days before 6000");
    assert_eq!(leave_one_out(&chosen(&past[..4])), None);
}

#[test]
fn a_tubs_own_course_is_followed() {
    // 300 °C·h a day for 8 days, then 500 for 4: 2400, then 4400.
    let mut past = tub("a", 12.0, 4_400.0);
    past.course = (1..12)
        .map(|n| {
            (day(100.0 + f64::from(n)), if n <= 8 { f64::from(n) * 300.0 } else { 2_400.0 + f64::from(n - 8) * 500.0 })
        })
        .collect();
    for (wanted, expected) in [(1_500.0, 5.0), (2_400.0, 8.0), (2_650.0, 8.5), (4_400.0, 12.0), (4_900.0, 13.0)] {
        let found = past.moment_of(wanted).unwrap();
        assert_near(found.since(day(100.0)) as f64 / DAY_MS as f64, expected, 1e-6, &format!("{wanted}"));
    }
    // A tub that stood still in its last days never gets further.
    past.course.retain(|point| point.0 <= day(104.0));
    past.course.push((day(109.0), 4_400.0));
    assert_eq!(past.moment_of(5_000.0), None);
    // Nonsense in the course is passed over.
    past.course = vec![(day(90.0), 1.0), (day(103.0), f64::NAN), (day(106.0), 2_200.0), (day(107.0), 9_999.0)];
    assert_eq!(past.moment_of(2_200.0), Some(day(106.0)));
}

// ---- self-heating ----

/// Feeds readings every ten minutes over days `from` to `to`; air swings by 2 °C over day and night.
fn live(tub: &mut SelfHeating, from: f64, to: f64, excess: impl Fn(f64) -> f64) {
    for step in (from * 144.0) as i64..(to * 144.0) as i64 {
        let at = Stamp(step * 10 * MINUTE_MS);
        let days = step as f64 / 144.0;
        let swing = |lag_h: f64| 2.0 * ((days - lag_h / 24.0) * std::f64::consts::TAU).sin();
        tub.air(at, 22.0 + swing(0.0));
        tub.core(at, 22.0 + 0.7 * swing(6.0) + excess(days));
    }
}

/// A lag of two days, a hump that peaks at 3 °C on the sixth, a decay to air by the twelfth.
fn usual(days: f64) -> f64 {
    match days {
        _ if days < 2.0 => 0.0,
        _ if days < 5.5 => 3.0 * (days - 2.0) / 3.5,
        _ if days < 12.0 => 3.0 * (12.0 - days) / 6.5,
        _ => 0.0,
    }
}

#[test]
fn the_hump_is_followed_to_its_end() {
    let mut tub = SelfHeating::new(Stamp(0));
    assert_eq!(tub.report(day(1.0)).hump, Hump::Unknown);
    for (from, to, expected) in [
        (0.0, 2.0, Hump::NotSeen),
        (2.0, 5.0, Hump::Rising),
        (5.0, 8.0, Hump::Falling),
        (8.0, 9.5, Hump::Falling),
        (9.5, 13.0, Hump::Over),
        (13.0, 30.0, Hump::Over),
    ] {
        live(&mut tub, from, to, usual);
        let report = tub.report(day(to));
        assert_eq!(report.hump, expected, "day {to}: {report:?}");
        let warns = matches!(expected, Hump::Rising | Hump::Falling);
        assert_eq!(tub.not_over(day(to)).is_some(), warns, "day {to}");
        if to >= 8.0 {
            let (peak_day, peak_c) = report.peak.unwrap();
            assert_eq!(peak_day, 6, "the sixth day");
            assert_near(peak_c, 2.83, 0.02, "its mean");
        }
        assert_eq!(report.hours_measured, (to * 24.0) as u32);
    }
}

/// Day and night swing the excess by over a degree; the trend must not see it.
#[test]
fn the_trend_is_blind_to_day_and_night() {
    let mut tub = SelfHeating::new(Stamp(0));
    live(&mut tub, 0.0, 4.0, usual);
    for quarter in 0..12 {
        let from = 4.0 + f64::from(quarter) / 24.0;
        live(&mut tub, from, from + 1.0 / 24.0, usual);
        let trend = tub.report(day(from + 1.0 / 24.0)).trend_c_per_h.unwrap();
        assert_near(trend, 3.0 / 3.5 / 24.0, 1e-3, "rises 0.86 °C a day");
    }
    let mut level = SelfHeating::new(Stamp(0));
    live(&mut level, 0.0, 5.3, |_| 2.0);
    assert_near(level.report(day(5.3)).trend_c_per_h.unwrap(), 0.0, 1e-9, "level");
}

#[test]
fn a_warm_start_is_no_hump() {
    let mut tub = SelfHeating::new(Stamp(0));
    // Spawned 10 °C over air, cooling with a time constant of 6 h, and nothing after.
    let cooling = |days: f64| 10.0 * (-days * 4.0).exp();
    live(&mut tub, 0.0, 4.0, cooling);
    assert_eq!(tub.report(day(4.0)).hump, Hump::NotSeen);
    let mut both = SelfHeating::new(Stamp(0));
    live(&mut both, 0.0, 8.0, |days| cooling(days) + usual(days));
    let (peak_day, _) = both.report(day(8.0)).peak.unwrap();
    assert_eq!(peak_day, 6, "the metabolic one");
    // A probe put in on day 7 sees the decay, and says so.
    let mut late = SelfHeating::new(Stamp(0));
    live(&mut late, 7.0, 9.0, usual);
    assert_eq!(late.report(day(9.0)).hump, Hump::Falling);
}

#[test]
fn what_is_not_measured_is_not_judged() {
    let mut tub = SelfHeating::new(Stamp(0));
    live(&mut tub, 0.0, 6.0, usual);
    assert!(tub.not_over(day(6.0)).is_some());
    let silent = tub.report(day(6.8));
    assert_eq!((silent.hump, silent.excess_c, silent.last_day_c), (Hump::Unknown, None, None));
    assert_eq!(tub.not_over(day(6.8)), None);
    // No air, no excess; nonsense and the time before spawning are ignored.
    let mut alone = SelfHeating::new(day(1.0));
    for hour in 0..48 {
        alone.core(day(1.0).plus(hour * HOUR_MS), 25.0);
        alone.air(Stamp(hour * MINUTE_MS), 20.0);
        alone.air(day(1.0).plus(hour * HOUR_MS), f64::NAN);
    }
    let report = alone.report(day(3.0));
    assert_eq!((report.hump, report.hours_measured, report.peak), (Hump::Unknown, 0, None));
}

#[test]
fn late_readings_within_three_days_count_and_memory_is_bounded() {
    let (mut in_order, mut late) = (SelfHeating::new(Stamp(0)), SelfHeating::new(Stamp(0)));
    live(&mut in_order, 0.0, 8.0, usual);
    live(&mut late, 0.0, 6.0, usual);
    live(&mut late, 7.0, 8.0, usual);
    live(&mut late, 6.0, 7.0, usual);
    assert_eq!(in_order.report(day(8.0)), late.report(day(8.0)));
    // A stamp far ahead and a year of readings change nothing but what they must.
    live(&mut in_order, 8.0, 365.0, |_| 0.0);
    let report = in_order.report(day(365.0));
    assert_eq!((report.hump, report.peak.unwrap().0), (Hump::Over, 6));
    in_order.core(Stamp(0), 90.0);
    assert_eq!(in_order.report(day(365.0)), report, "too old to count");
}
