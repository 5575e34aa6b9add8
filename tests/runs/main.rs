//! Figures made of whole runs of readings are those of the readings one by one.

#![allow(clippy::unwrap_used, clippy::panic)]

mod one_by_one;
mod stored;

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use tubwatch::climate::Stamp;
use tubwatch::climate::run::Run;
use tubwatch::climate::stamp::{DAY_MS, HOUR_MS};
use tubwatch::climate::statistics::{BandHours, BandLimits, Summary};
use tubwatch::grow::culture::{Requirement, Thermal};
use tubwatch::grow::self_heating::SelfHeating;
use tubwatch::grow::thermal::{Exposure, Gaps};

/// Equal to a billionth.
#[track_caller]
fn near(one: f64, other: f64, what: &str) {
    let scale = one.abs().max(other.abs()).max(1.0);
    assert!((one - other).abs() <= 1e-9 * scale, "{what}: {one} and {other}");
}

#[track_caller]
fn near_or_none(one: Option<f64>, other: Option<f64>, what: &str) {
    assert_eq!(one.is_some(), other.is_some(), "{what}: {one:?} and {other:?}");
    near(one.unwrap_or(0.0), other.unwrap_or(0.0), what);
}

/// The moments are found to the millisecond, where the sums may differ in their last digits.
#[track_caller]
fn same_moment(one: Option<Stamp>, other: Option<Stamp>, what: &str) {
    assert_eq!(one.is_some(), other.is_some(), "{what}: {one:?} and {other:?}");
    let apart = one.unwrap_or_default().since(other.unwrap_or_default()).abs();
    assert!(apart <= 1, "{what}: {one:?} and {other:?}");
}

#[track_caller]
fn same_exposure(one: &Exposure, other: &Exposure, now: Stamp) {
    let (a, b) = (one.figures(now), other.figures(now));
    near(a.degree_hours, b.degree_hours, "degree-hours");
    near(a.low, b.low, "low bound");
    near(a.high, b.high, "high bound");
    near(a.heat_stress, b.heat_stress, "heat stress");
    near(a.hours_measured, b.hours_measured, "hours measured");
    near(a.hours_elapsed, b.hours_elapsed, "hours elapsed");
    same_moment(a.reached_low, b.reached_low, "low end reached");
    same_moment(a.reached_high, b.reached_high, "high end reached");
    near_or_none(one.rate_per_hour(), other.rate_per_hour(), "rate");
    assert_eq!(one.last_at(), other.last_at());
}

#[track_caller]
fn same_summary(one: &Summary, other: &Summary) {
    near_or_none(one.mean(), other.mean(), "mean");
    assert_eq!((one.min(), one.max(), one.count()), (other.min(), other.max(), other.count()));
    near(one.hours_measured(), other.hours_measured(), "hours measured");
}

#[track_caller]
fn same_band(one: &BandHours, other: &BandHours) {
    near(one.hours_under(), other.hours_under(), "hours under");
    near(one.hours_over(), other.hours_over(), "hours over");
    near(one.hours_over_damage(), other.hours_over_damage(), "hours over damage");
    near(one.hours_measured(), other.hours_measured(), "hours measured");
}

/// Readings of some days: steady, at a limit to the bit, over it, with silences, a clock that stands or
/// goes back, and what is no number.
fn invented(random: &mut StdRng) -> (Vec<i64>, Vec<f64>) {
    let every_ms = [1_000, 10_000, 60_000, 1_200_000][random.random_range(0..4)];
    let mut at = random.random_range(-DAY_MS..DAY_MS);
    let mut t: f64 = [4.0, 15.0, 24.0, 25.0, 32.0][random.random_range(0..5)];
    let (mut stamps, mut values) = (Vec::new(), Vec::new());
    let is_rough = random.random_bool(0.5);
    for _ in 0..random.random_range(1..2_500) {
        at += every_ms + random.random_range(-25..26);
        match random.random_range(0..if is_rough { 60 } else { 2_000 }) {
            0 => at += random.random_range(0..3 * HOUR_MS),
            1 => at -= random.random_range(0..every_ms * 2),
            2 => t = [5.0, 25.0, 28.0, 33.0][random.random_range(0..4)],
            3 => t += random.random_range(-8.0..8.0),
            4 => {
                stamps.push(at);
                values.push(if random.random_bool(0.5) { f64::NAN } else { 1e300 });
                continue;
            }
            5 => at += every_ms * 3,
            _ => {}
        }
        t += f64::from(random.random_range(-2..3)) / 100.0;
        stamps.push(at);
        values.push((t * 100.0).round() / 100.0);
    }
    (stamps, values)
}

#[test]
fn accumulators_take_a_run_as_its_readings() {
    for seed in 0..300 {
        let random = &mut StdRng::seed_from_u64(seed);
        let thermal = Thermal {
            base_c: 5.0,
            cap_c: 25.0,
            damage_c: 33.0,
            usual_c: 24.0,
            requirement: Requirement { low: 40.0, usual: 60.0, high: random.random_range(41.0..900.0) },
        };
        let start = Stamp(random.random_range(-DAY_MS..DAY_MS));
        let end = random.random_bool(0.5).then(|| start.plus(random.random_range(0..3 * DAY_MS)));
        let top = random.random_bool(0.7).then_some(28.0);
        let limits = BandLimits { low: Some(15.0), high: top, damage: Some(33.0) };
        let exposure = Exposure::new(thermal, top, start).ending(end);
        let (summary, band) = (Summary::new(start, end), BandHours::new(limits, start, end));
        let mut singly = (exposure.clone(), summary.clone(), band.clone(), SelfHeating::new(start));
        let mut whole = (exposure, summary, band, SelfHeating::new(start));
        let (mut now, mut is_sorted) = (start, true);
        for source in 0..random.random_range(1..4) {
            let gaps = Gaps::for_core([1_000, 10_000, 1_200_000][random.random_range(0..3)]);
            let (stamps, values) = invented(random);
            let run = Run::new(&stamps, &values);
            is_sorted &= stamps.is_sorted() && stamps.first().is_none_or(|first| *first >= now.0);
            for (at, value) in run.iter() {
                singly.0.push(source, at, value, gaps);
                singly.1.push(source, at, value, gaps);
                singly.2.push(source, at, value, gaps);
                singly.3.core(at, value);
                singly.3.air(at, value - 1.0);
                now = now.max(at);
            }
            // In parts, as chunks come.
            let mut rest = run;
            let mut fell = values.clone();
            fell.iter_mut().for_each(|value| *value -= 1.0);
            let mut cooler = Run::new(&stamps, &fell);
            while !rest.is_empty() {
                let count = random.random_range(1..1_500);
                let (part, later) = rest.split(count);
                whole.0.push_run(source, part, gaps);
                if let Some((at, value)) = part.first() {
                    whole.1.push(source, at, value, gaps);
                    whole.2.push(source, at, value, gaps);
                }
                for block in part.blocks() {
                    whole.1.push_block(source, &block, gaps);
                    whole.2.push_block(source, &block, gaps);
                }
                whole.3.runs(part, &[cooler.split(count).0]);
                (rest, cooler) = (later, cooler.split(count).1);
            }
        }
        same_exposure(&singly.0, &whole.0, now);
        same_summary(&singly.1, &whole.1);
        same_band(&singly.2, &whole.2);
        if !is_sorted {
            continue;
        }
        let (one, other) = (singly.3.report(now), whole.3.report(now));
        near_or_none(one.excess_c, other.excess_c, "excess");
        assert_eq!((one.hump, one.hours_measured), (other.hump, other.hours_measured), "seed {seed}");
    }
}
