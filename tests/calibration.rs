//! Air pressure, boiling point, salts, the correction's line and the judgement of steadiness, against
//! published tables; sources, licence and tolerances in `fixtures/heat/SOURCES.md`.
#![allow(clippy::unwrap_used, clippy::panic)]

#[allow(dead_code)] // not every reader of tables is needed here
mod tables;

use tables::{Row, assert_near, table};
use tubwatch::climate::calibration::{
    Air, CalibrationError, Fit, FixedPoint, JAR_C, Point, Reference, Salt, config_lines,
};
use tubwatch::climate::pressure::{
    ICE_POINT_C, WEATHER_PA, boiling_point_c, looks_like_sea_level, pressure_at_altitude_pa,
};
use tubwatch::climate::stamp::{MINUTE_MS, SECOND_MS};
use tubwatch::climate::steady::{Criterion, Standing, SteadyWatch};
use tubwatch::climate::{Quantity, Stamp};

fn heat(name: &str) -> Vec<Row> {
    table(&format!("../heat/{name}"))
}

fn salt(formula: &str) -> Salt {
    match formula {
        "LiCl" => Salt::LithiumChloride,
        "MgCl2" => Salt::MagnesiumChloride,
        "Mg(NO3)2" => Salt::MagnesiumNitrate,
        "NaCl" => Salt::SodiumChloride,
        "KCl" => Salt::PotassiumChloride,
        "K2SO4" => Salt::PotassiumSulphate,
        other => panic!("{other}"),
    }
}

fn exact(reading: f64, value: f64) -> Point {
    Point { reading, reading_uncertainty: 0.0, reference: FixedPoint { value, uncertainty: 0.0 } }
}

/// FAO Irrigation and Drainage Paper 56 (1998), table 2.1, printed to 0.1 kPa; and its equation 7 to 4 digits.
#[test]
fn the_pressure_of_an_altitude_is_that_of_fao_56() {
    let rows = heat("fao56_table_2_1_pressure");
    assert!(rows.len() > 70);
    for row in rows {
        let altitude = row.number("altitude_m");
        let found = pressure_at_altitude_pa(altitude).unwrap() / 1000.0;
        assert_near(found, row.number("published_pressure_kpa"), 0.05 + 1e-9, &format!("{altitude} m, as printed"));
        assert_near(found, row.number("eq7_recomputed_kpa"), 5.1e-5, &format!("{altitude} m, equation 7"));
    }
    for bad in [-431.0, 5_201.0, f64::NAN, f64::INFINITY] {
        assert_eq!(pressure_at_altitude_pa(bad), None, "{bad}");
    }
}

/// IAPWS-95 through CoolProp; the promise is 0.01 °C, the formula keeps to 0.001.
#[test]
fn water_boils_where_iapws_95_says() {
    for row in heat("boiling_point_water") {
        let pressure = row.number("pressure_pa");
        let found = boiling_point_c(pressure).unwrap();
        assert_near(found, row.number("boiling_c_iapws95_coolprop"), 0.001, &format!("{pressure} Pa"));
    }
    for bad in [0.0, 940.0, 200_000.0, f64::NAN] {
        assert_eq!(boiling_point_c(bad), None, "{bad} (hPa taken for Pa must not pass)");
    }
}

/// At 640 m the air has some 939 hPa; a forecast says 1013 for the same air.
#[test]
fn a_forecasts_pressure_is_not_taken_for_the_airs_own() {
    let here = pressure_at_altitude_pa(640.0).unwrap();
    assert_near(here, 93_950.0, 50.0, "640 m");
    assert!(looks_like_sea_level(101_300.0, 640.0));
    assert!(looks_like_sea_level(99_500.0, 640.0), "a low, reduced");
    assert!(!looks_like_sea_level(here + WEATHER_PA, 640.0), "a high, on the spot");
    assert!(!looks_like_sea_level(101_300.0, 100.0), "not to be told apart");
    let refused = Air::Station(101_300.0, Some(640.0)).pressure_pa().unwrap_err();
    assert!(matches!(refused, CalibrationError::SeaLevel { .. }), "{refused}");
    assert!(refused.to_string().contains("at 640 m the air has about 940 hPa"), "{refused}");
    assert_eq!(Air::Station(94_000.0, Some(640.0)).pressure_pa().unwrap().value, 94_000.0);
}

/// L. Greenspan, J. Res. NBS 81A (1977) 89-96, tables 1 and 2: the polynomials within 0.015 of the
/// tabled values, and the estimated uncertainties as tabled.
#[test]
fn the_salts_keep_to_greenspans_table() {
    let rows = heat("salt_fixed_points");
    assert_eq!(rows.len(), 45);
    for row in rows {
        let (salt, t_c) = (salt(row.text("salt")), row.number("t_c"));
        let found = salt.humidity_pct(t_c).unwrap();
        let what = format!("{} at {t_c} °C", salt.word());
        assert_near(found.value, row.number("rh_pct"), 0.015, &what);
        assert_near(found.value, row.number("polynomial_rh_pct"), 5.1e-5, &what);
        assert_near(found.uncertainty, row.number("estimated_uncertainty_pct"), 1e-9, &what);
        if let Some(second) = row.maybe("second_source_rounded_rh_pct") {
            assert_near(found.value, second, 0.05 + 0.01, &format!("{what}, another text"));
        }
    }
    for row in heat("salt_polynomials") {
        let salt = salt(row.text("salt"));
        let coefficient = |name: &str| row.number(name);
        for t_c in [salt.from_c(), 12.5, 22.0, 40.0] {
            let expected = coefficient("a0_pct")
                + coefficient("a1_pct_per_c") * t_c
                + coefficient("a2_pct_per_c2") * t_c * t_c
                + coefficient("a3_pct_per_c3") * t_c * t_c * t_c;
            assert_near(salt.humidity_pct(t_c).unwrap().value, expected, 1e-9, salt.word());
        }
        for outside in [salt.from_c() - 0.01, 40.01, f64::NAN] {
            assert_eq!(salt.humidity_pct(outside), None, "{} at {outside}", salt.word());
        }
    }
    let between = Salt::SodiumChloride.humidity_pct(22.5).unwrap().uncertainty;
    assert_near(between, 0.13, 1e-12, "half way from 0.14 to 0.12");
}

/// Derived by hand and with numpy.polyfit.
#[test]
fn corrections_come_out_as_the_lines_do() {
    let numbers = |text: &str| -> Vec<f64> { text.split(';').map(|number| number.parse().unwrap()).collect() };
    for row in heat("calibration_lines") {
        let readings = numbers(row.text("readings"));
        let references = numbers(row.text("references"));
        let points: Vec<Point> = readings.iter().zip(&references).map(|(&x, &y)| exact(x, y)).collect();
        let fit = Fit::of(&points).unwrap();
        let case = row.text("case");
        let near = |found: f64, column: &str| {
            let expected = row.number(column);
            assert_near(found, expected, 1e-8 * expected.abs().max(1.0), &format!("{case} {column}"));
        };
        near(fit.gain, "gain");
        near(fit.offset, "offset");
        near(fit.apply(50.0), "corrected_value_of_reading_50");
    }
}

/// By hand. Two points at 0 and 100, each uncertain by 3 and 4 in quadrature (5): at either point the line
/// is as uncertain as that point, half way by 5/√2; the gain by 5√2/100.
#[test]
fn uncertainty_is_carried_through_the_line() {
    let point = |reading: f64, value: f64| Point {
        reading,
        reading_uncertainty: 3.0,
        reference: FixedPoint { value, uncertainty: 4.0 },
    };
    let two = Fit::of(&[point(0.0, 0.0), point(100.0, 100.0)]).unwrap();
    assert_near(two.gain_uncertainty, 5.0 * 2f64.sqrt() / 100.0, 1e-12, "gain");
    assert_near(two.offset_uncertainty, 5.0, 1e-12, "offset");
    for (raw, expected) in [(0.0, 5.0), (50.0, 5.0 / 2f64.sqrt()), (100.0, 5.0), (200.0, 5.0 * 5f64.sqrt())] {
        assert_near(two.uncertainty_at(raw), expected, 1e-9, &format!("at {raw}"));
    }
    let one = Fit::of(&[point(40.0, 41.0)]).unwrap();
    assert_near(one.offset_uncertainty, 5.0, 1e-12, "one point");
    assert_near(one.uncertainty_at(40.0), 5.0, 1e-12, "one point, there");
    // Three exact points that scatter by ±1 about the line cannot be certain.
    let scattered = Fit::of(&[exact(0.0, -1.0), exact(50.0, 52.0), exact(100.0, 99.0)]).unwrap();
    // Residuals -1, 2, -1: s = √6; in the middle s/√3.
    assert_near(scattered.uncertainty_at(50.0), 2f64.sqrt(), 1e-9, "scatter");
}

#[test]
fn points_that_make_no_line_are_refused() {
    assert_eq!(Fit::of(&[]), Err(CalibrationError::NoPoints));
    assert_eq!(Fit::of(&[exact(f64::NAN, 0.0)]), Err(CalibrationError::NotANumber));
    assert_eq!(Fit::of(&[exact(20.0, 0.0), exact(20.0, 100.0)]), Err(CalibrationError::SameReading));
    let check = |points: &[Point], quantity| Fit::of(points).unwrap().check(quantity);
    let far = |points: &[Point]| matches!(check(points, Quantity::Humidity), Err(CalibrationError::TooFar { .. }));
    assert!(far(&[exact(50.0, 75.3)]), "25 points off is no drift");
    assert!(matches!(
        check(&[exact(76.0, 75.3), exact(85.0, 84.3)], Quantity::Humidity),
        Err(CalibrationError::TooClose { .. })
    ));
    assert!(matches!(
        check(&[exact(4.0, 0.0), exact(24.0, 29.0)], Quantity::Temperature),
        Err(CalibrationError::Gain { .. })
    ));
    assert_eq!(check(&[exact(0.4, 0.0)], Quantity::Temperature), Ok(()));
    assert_eq!(check(&[exact(35.1, 32.78), exact(73.0, 75.29)], Quantity::Humidity), Ok(()));
}

#[test]
fn a_humidity_probe_is_kept_out_of_hot_water_and_ice() {
    use Quantity::{Co2, Humidity, Temperature};
    let salt = Reference::from_word("table-salt").unwrap();
    assert_eq!(salt, Reference::Salt(Salt::SodiumChloride));
    for (reference, reads, expected) in [
        (salt, &[Temperature, Humidity][..], Ok(Humidity)),
        (salt, &[Temperature], Err(CalibrationError::SaltWithoutHumidity)),
        (Reference::Ice, &[Temperature], Ok(Temperature)),
        (Reference::Ice, &[Temperature, Humidity], Err(CalibrationError::HeatForHumidity)),
        (Reference::Boiling, &[Humidity], Err(CalibrationError::HeatForHumidity)),
        (Reference::Boiling, &[Co2], Err(CalibrationError::HeatWithoutTemperature)),
    ] {
        assert_eq!(reference.quantity_of(reads), expected, "{reference:?} {reads:?}");
    }
    for word in ["nacl", "kcl", "mgcl2", "k2so4", "licl", "mgno32", "ice", "boiling"] {
        assert_eq!(Reference::from_word(word).unwrap().word(), word);
    }
    assert_eq!(Reference::from_word("vinegar"), None);
}

#[test]
fn a_reference_says_what_it_lacks() {
    let nacl = Reference::Salt(Salt::SodiumChloride);
    assert_eq!(nacl.known(None, None), Err(CalibrationError::JarTemperatureUnknown));
    assert!(matches!(nacl.known(Some(45.0), None), Err(CalibrationError::JarTemperature { .. })));
    assert_eq!(Reference::Boiling.known(None, None), Err(CalibrationError::PressureUnknown));
    let high = Reference::Boiling.known(None, Some(Air::Altitude(9_000.0)));
    assert!(matches!(high, Err(CalibrationError::Altitude { .. })));
    let in_hpa = Reference::Boiling.known(None, Some(Air::Station(940.0, None)));
    assert!(matches!(in_hpa, Err(CalibrationError::Station { .. })));

    // Greenspan's 0.14 at 20 °C, and 0.1 °C of unevenness at 6.3 % of 75.5 a degree.
    let salt = nacl.known(Some(20.0), None).unwrap();
    assert_near(salt.value, 75.479, 0.001, "NaCl at 20 °C");
    assert_near(salt.uncertainty, 0.14f64.hypot(75.479 * 0.0631 * JAR_C), 0.002, "its uncertainty");
    assert_eq!(Reference::Ice.known(None, None).unwrap().value, ICE_POINT_C);
    // 15 hPa of weather are 0.42 °C at the boiling point (0.028 °C per hPa, from the boiling point table).
    let by_altitude = Reference::Boiling.known(None, Some(Air::Altitude(640.0))).unwrap();
    assert_near(by_altitude.value, 97.87, 0.02, "boiling at 640 m");
    assert_near(by_altitude.uncertainty, 0.45, 0.02, "by the altitude alone");
    let by_barometer = Reference::Boiling.known(None, Some(Air::Station(94_000.0, Some(640.0)))).unwrap();
    assert_near(by_barometer.value, 97.8854, 0.001, "boiling at 940 hPa");
    assert!(by_barometer.uncertainty < 0.11, "a barometer is worth having: {}", by_barometer.uncertainty);
}

#[test]
fn the_lines_to_paste_are_toml() {
    let fit = Fit::of(&[exact(77.1, 75.0)]).unwrap();
    let lines = config_lines("shelf-air", Quantity::Humidity, &fit, "2026-11-20");
    assert_eq!(
        lines,
        "[correction.shelf-air]\nhumidity = { offset = -2.100, gain = 1.00000, made = \"2026-11-20\" }\n"
    );
    let odd = config_lines("the \"old\"\tone", Quantity::Temperature, &fit, "2026-11-20");
    let parsed: toml::Table = odd.parse().unwrap();
    let correction = parsed["correction"]["the \"old\"\tone"]["temperature"]["offset"].as_float().unwrap();
    assert_near(correction, -2.1, 1e-9, "read back");
    let nothing = Fit::of(&[exact(0.000_1, 0.0)]).unwrap();
    assert!(config_lines("a", Quantity::Temperature, &nothing, "x").contains("offset = 0.000,"));
}

/// Feeds `minutes` of `value(minute)` every 30 s from `start` on and gives the judgement.
fn read_on(watch: &mut SteadyWatch, start_min: f64, minutes: f64, value: impl Fn(f64) -> f64) -> Standing {
    for step in 0..=(minutes * 2.0) as i64 {
        let minute = start_min + step as f64 / 2.0;
        watch.push(Stamp((minute * MINUTE_MS as f64) as i64), value(minute));
    }
    watch.standing()
}

#[test]
fn a_salt_jar_is_waited_for() {
    let criterion = Criterion::at(Reference::Salt(Salt::SodiumChloride), 30 * SECOND_MS);
    assert!(criterion.stated("points").contains("for 30 min within ±0.3 points"), "{}", criterion.stated("points"));
    let fresh = || SteadyWatch::new(criterion);
    let wiggle = |minute: f64| 0.05 * (minute * 7.0).sin();
    // Not long enough, however steady.
    let short = read_on(&mut fresh(), 0.0, 29.0, |_| 75.0);
    assert!(matches!(short, Standing::TooShort { wait_ms } if wait_ms == MINUTE_MS), "{short:?}");
    // Steady with a little noise and one wild reading.
    let noisy = |minute: f64| if minute == 20.0 { 75.4 } else { 76.0 + wiggle(minute) };
    let mut watch = fresh();
    let Standing::Steady(settled) = read_on(&mut watch, 0.0, 31.0, noisy) else { panic!("{:?}", watch.standing()) };
    assert_near(settled.reading, 76.0, 0.02, "the reading");
    assert!(settled.uncertainty > 0.02 && settled.uncertainty < 0.1, "{settled:?}");
    let swinging = read_on(&mut fresh(), 0.0, 31.0, |minute| if minute as i64 % 10 == 0 { 77.0 } else { 76.0 });
    let Standing::Restless { by } = swinging else { panic!("{swinging:?}") };
    assert_near(by, 1.0, 1e-9, "a tenth of the means is no lone reading");
    // Creeping up by 0.4 points an hour stays within the band for half an hour, but is moving.
    let creeping = read_on(&mut fresh(), 0.0, 40.0, |minute| 75.0 + 0.4 * minute / 60.0);
    let Standing::Moving { slope_per_hour } = creeping else { panic!("{creeping:?}") };
    assert_near(slope_per_hour, 0.4, 0.01, "its slope");
    // A silence of a quarter of an hour starts the wait over.
    let mut interrupted = fresh();
    read_on(&mut interrupted, 0.0, 31.0, |_| 75.0);
    assert!(matches!(interrupted.standing(), Standing::Steady(_)));
    interrupted.push(Stamp(46 * MINUTE_MS), 75.0);
    assert!(matches!(interrupted.standing(), Standing::TooShort { wait_ms } if wait_ms == 30 * MINUTE_MS));
}

#[test]
fn a_bath_is_waited_for_minutes_only_and_a_slow_probe_longer() {
    let criterion = Criterion::at(Reference::Ice, 10 * SECOND_MS);
    assert_eq!(criterion.window_ms, 5 * MINUTE_MS);
    let mut watch = SteadyWatch::new(criterion);
    // A one-wire thermometer whose last bit flickers: 0.0625 °C.
    let flicker = |minute: f64| if (minute * 2.0) as i64 % 2 == 0 { 0.3125 } else { 0.375 };
    let Standing::Steady(settled) = read_on(&mut watch, 0.0, 6.0, flicker) else { panic!("{:?}", watch.standing()) };
    assert_near(settled.reading, 0.34375, 0.0313, "the reading");
    assert!(settled.uncertainty >= 0.0625 / 12f64.sqrt(), "not surer than its step: {settled:?}");
    let still_cooling = read_on(&mut SteadyWatch::new(criterion), 0.0, 10.0, |minute| 20.0 * (-minute / 2.0).exp());
    assert!(matches!(still_cooling, Standing::Restless { .. }), "{still_cooling:?}");
    assert_eq!(Criterion::at(Reference::Ice, 5 * MINUTE_MS).window_ms, 30 * MINUTE_MS);
    // Nothing read, no number, time going back.
    let mut odd = SteadyWatch::new(criterion);
    assert!(matches!(odd.standing(), Standing::TooShort { .. }));
    odd.push(Stamp(1_000), f64::NAN);
    odd.push(Stamp(2_000), 1.0);
    odd.push(Stamp(1_500), 90.0);
    assert!(matches!(odd.standing(), Standing::TooShort { .. }));
}
