//! Lethality of heat against published rates, holds and courses; sources and tolerances in
//! `fixtures/heat/SOURCES.md`.
#![allow(clippy::unwrap_used, clippy::panic)]

#[allow(dead_code)] // not every reader of tables is needed here
mod tables;

use tables::{Row, assert_near, table};
use tubwatch::climate::Stamp;
use tubwatch::climate::lethality::Scale;
use tubwatch::climate::series::Piece;
use tubwatch::climate::stamp::MINUTE_MS;

fn heat(name: &str) -> Vec<Row> {
    table(&format!("../heat/{name}"))
}

fn minute(minutes: f64) -> Stamp {
    Stamp((minutes * MINUTE_MS as f64).round() as i64)
}

fn piece(from_min: f64, from_value: f64, to_min: f64, to_value: f64) -> Piece {
    Piece { from: minute(from_min), to: minute(to_min), from_value, to_value, doubtful: false }
}

/// Rates of the two forms of the pasteurisation unit and of 10^((T - reference) / z), 50 to 125 °C.
#[test]
fn lethal_rates_keep_to_the_tables() {
    let rows = heat("lethal_rate_tables");
    assert_eq!(rows.len(), 44);
    for row in rows {
        let t_c = row.number("t_c");
        for (column, scale) in [
            ("pu_rate_1393_per_min", Scale::PASTEURISATION),
            ("pu_rate_z7_per_min", Scale::PASTEURISATION_Z7),
            ("pu_rate_z694_per_min", Scale::new(60.0, 6.94).unwrap()),
            ("lethal_rate_ref121_1_z10_per_min", Scale::new(121.1, 10.0).unwrap()),
            ("lethal_rate_ref70_z10_per_min", Scale::new(70.0, 10.0).unwrap()),
        ] {
            let expected = row.number(column);
            assert_near(scale.rate_per_min(t_c), expected, 1e-8 * expected, &format!("{column} at {t_c}"));
        }
    }
    assert_near(Scale::PASTEURISATION.z_c(), 6.947, 0.0005, "z of the 1.393 form");
}

/// The definition, the ten-fold rule, and a published teaching table (2.4 min at 121.1 °C = 24 at 111.1 = 4 h at 101.1).
#[test]
fn holds_give_the_units_they_should() {
    for row in heat("lethality_hold_examples") {
        let scale = Scale::new(row.number("reference_c"), row.number("z_c")).unwrap();
        let (t_c, minutes, expected) = (row.number("t_c"), row.number("minutes"), row.number("expected_units_min"));
        assert_near(scale.held(t_c, minutes), expected, 1e-8 * expected, row.text("case"));
        let level = piece(0.0, t_c, minutes, t_c);
        assert_near(scale.units(&level), expected, 1e-8 * expected, row.text("case"));
    }
}

/// R. L. Earle, Unit Operations in Food Processing: the canned-food example, printed sum 2.64 min (from memory).
#[test]
fn earles_can_comes_out() {
    let rows = heat("lethality_steps_earle");
    let sum = |reference_c: f64| -> f64 {
        let scale = Scale::new(reference_c, 10.0).unwrap();
        rows.iter().map(|row| scale.held(row.number("t_c"), row.number("minutes"))).sum()
    };
    assert_near(sum(121.0), 2.64, 0.02, "as printed, its terms rounded");
    assert_near(sum(121.0), 2.6568, 5e-5, "recomputed");
    assert_near(sum(121.1), 2.5963, 5e-5, "recomputed for 121.1 °C");
    let scale = Scale::new(121.0, 10.0).unwrap();
    for row in &rows {
        let expected = row.number("contribution_min");
        assert_near(scale.held(row.number("t_c"), row.number("minutes")), expected, 1e-7 * expected, row.text("step"));
    }
}

/// Bigelow's general method over four courses: the exact integral here, and the trapezoid on the rate
/// as it is taught, which shows why the exact one is taken.
#[test]
fn the_general_method_integrates_courses_exactly() {
    let points = heat("lethality_profiles");
    let expected = heat("lethality_profiles_expected");
    assert_eq!(expected.len(), 8);
    for row in expected {
        let scale = Scale::new(row.number("reference_c"), row.number("z_c")).unwrap();
        let course: Vec<(f64, f64)> = points
            .iter()
            .filter(|point| point.text("profile") == row.text("profile"))
            .map(|point| (point.number("minute"), point.number("t_c")))
            .collect();
        let pieces = || course.windows(2).map(|ends| piece(ends[0].0, ends[0].1, ends[1].0, ends[1].1));
        let exact: f64 = pieces().map(|piece| scale.units(&piece)).sum();
        let wanted = row.number("exact_for_linear_temperature_min");
        assert_near(exact, wanted, 1e-8 * wanted, row.text("profile"));
        let rates = |piece: Piece| scale.rate_per_min(piece.from_value) + scale.rate_per_min(piece.to_value);
        let trapezoid: f64 = pieces().map(|piece| 0.5 * rates(piece) * piece.hours() * 60.0).sum();
        let wanted = row.number("trapezoid_on_rate_min");
        assert_near(trapezoid, wanted, 1e-8 * wanted, row.text("profile"));
    }
}

#[test]
fn a_scale_is_stated_and_bounded() {
    assert_eq!(Scale::PASTEURISATION.stated(), "reference 60 °C, z 6.95 °C");
    assert_eq!(Scale::PASTEURISATION_Z7.stated(), "reference 60 °C, z 7 °C");
    for (reference, z) in [(f64::NAN, 7.0), (60.0, 0.0), (60.0, f64::NAN), (400.0, 7.0)] {
        assert_eq!(Scale::new(reference, z), None, "{reference} {z}");
    }
    let scale = Scale::PASTEURISATION_Z7;
    assert_eq!(scale.rate_per_min(f64::NAN), 0.0);
    assert!(scale.rate_per_min(f64::INFINITY).is_finite());
    assert!(scale.units(&piece(0.0, 1e12, 1.0, -1e12)).is_finite());
    // Nearly level pieces lose no digits.
    let nearly = scale.units(&piece(0.0, 60.0, 60.0, 60.0 + 1e-9));
    assert_near(nearly, 60.0, 1e-7, "nearly level");
}
