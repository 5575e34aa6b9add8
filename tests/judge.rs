//! Probe judgement: what a value alone tells, 85.0 in context, spikes and real jumps, and that
//! judging as readings come equals judging the whole.
#![allow(clippy::unwrap_used, clippy::panic)]

use proptest::prelude::*;
use tubwatch::climate::{Quality, Quantity, Reading, Stamp};
use tubwatch::watch::judge::{Judge, on_arrival};

const EVERY_MS: i64 = 10_000;

fn reading(quantity: Quantity, at: i64, value: f64) -> Reading {
    Reading { at: Stamp(at), value, quality: on_arrival(quantity, value) }
}

fn judge_all(quantity: Quantity, readings: &[Reading]) -> Vec<Reading> {
    let mut judge = Judge::new(quantity);
    let mut settled = Vec::new();
    for reading in readings {
        judge.push(*reading, &mut settled);
    }
    settled.extend(judge.pending());
    settled
}

/// The qualities of `values`, ten seconds apart.
fn judged(quantity: Quantity, values: &[f64]) -> Vec<Quality> {
    let readings: Vec<_> = values.iter().zip(0..).map(|(value, i)| reading(quantity, i * EVERY_MS, *value)).collect();
    judge_all(quantity, &readings).into_iter().map(|reading| reading.quality).collect()
}

use Quality::{Good, OutOfRange, Sentinel, Spike};

#[test]
fn what_the_value_alone_tells() {
    use Quantity::{Battery, Co2, Humidity, Temperature};
    for (quantity, value, expected) in [
        (Temperature, f64::NAN, Sentinel),
        (Temperature, f64::INFINITY, Sentinel),
        (Temperature, -127.0, Sentinel),
        (Temperature, -126.995, Sentinel),
        (Temperature, 999.9, Sentinel),
        (Humidity, 999.9, Sentinel),
        (Temperature, -40.0, OutOfRange),
        (Temperature, -39.9, Good),
        (Temperature, 0.0, Good),  // a probe in ice
        (Temperature, 85.0, Good), // judged with its neighbours
        (Temperature, 121.0, Good),
        (Temperature, 130.1, OutOfRange),
        (Temperature, 1e308, OutOfRange),
        (Humidity, -0.1, OutOfRange),
        (Humidity, 0.0, Good),
        (Humidity, 104.0, Good),
        (Humidity, 105.1, OutOfRange),
        (Co2, 0.0, OutOfRange),
        (Co2, 180.0, Good),
        (Co2, 100_000.0, Good),
        (Co2, 100_001.0, OutOfRange),
        (Battery, -1.0, OutOfRange),
        (Battery, 3.1, Good),
        (Battery, 100.0, Good),
        (Battery, f64::NEG_INFINITY, Sentinel),
    ] {
        assert_eq!(on_arrival(quantity, value), expected, "{quantity:?} {value}");
    }
}

#[test]
fn temperatures_in_context() {
    let t = Quantity::Temperature;
    let table: &[(&str, &[f64], &[Quality])] = &[
        ("power-on value between room temperatures", &[21.0, 85.0, 21.1], &[Good, Sentinel, Good]),
        ("a run of it counts as one", &[21.0, 85.0, 85.0, 85.0, 21.1], &[Good, Sentinel, Sentinel, Sentinel, Good]),
        ("the first value ever", &[85.0, 21.0, 21.0], &[Sentinel, Good, Good]),
        ("nothing follows yet", &[21.0, 85.0], &[Good, Sentinel]),
        ("a bucket cooling through it", &[85.5, 85.2, 85.0, 84.8], &[Good; 4]),
        ("a bucket held at it", &[84.5, 85.0, 85.0, 85.0, 85.5], &[Good; 5]),
        ("a probe first heard in the hot bucket", &[85.0, 84.6, 84.2], &[Good; 3]),
        ("an error code between runs", &[21.0, 85.0, -127.0, 85.0, 21.0], &[Good, Sentinel, Sentinel, Sentinel, Good]),
        ("ice", &[0.4, 0.1, 0.0, 0.0, 0.1], &[Good; 5]),
        ("a lone spike", &[24.0, 24.1, 41.0, 24.1, 24.0], &[Good, Good, Spike, Good, Good]),
        ("a lone dip to zero", &[24.0, 24.1, 0.0, 24.1], &[Good, Good, Spike, Good]),
        ("a lone spike at the end", &[24.0, 24.1, 41.0], &[Good, Good, Spike]),
        ("a jump that the next one confirms", &[24.0, 24.1, 34.0, 34.3], &[Good; 4]),
        ("a jump confirmed across an error code", &[24.0, 34.0, -127.0, 34.3], &[Good, Good, Sentinel, Good]),
        ("a probe put into hot water", &[20.0, 35.0, 50.0, 60.0, 66.0, 68.0], &[Good; 6]),
        ("a step under noise", &[20.0, 20.0, 40.0, 42.0, 40.0, 42.0], &[Good; 6]),
        ("less than three degrees is no spike", &[24.0, 26.9, 24.0], &[Good; 3]),
        ("wild noise is not believed", &[24.0, 24.0, 60.0, 40.0, 24.0], &[Good, Good, Spike, Spike, Good]),
        ("not a number", &[24.0, f64::NAN, 24.0], &[Good, Sentinel, Good]),
    ];
    for (what, values, expected) in table {
        assert_eq!(judged(t, values), *expected, "{what}");
    }
}

#[test]
fn other_quantities_have_their_own_measure() {
    assert_eq!(judged(Quantity::Humidity, &[90.0, 81.0, 90.0]), [Good; 3]);
    assert_eq!(judged(Quantity::Humidity, &[90.0, 60.0, 90.0]), [Good, Spike, Good]);
    assert_eq!(judged(Quantity::Humidity, &[90.0, 60.0, 62.0]), [Good; 3]);
    assert_eq!(judged(Quantity::Co2, &[3000.0, 2300.0, 3000.0]), [Good; 3]);
    assert_eq!(judged(Quantity::Co2, &[900.0, 9000.0, 900.0]), [Good, Spike, Good]);
    assert_eq!(judged(Quantity::Co2, &[900.0, 9000.0, 9300.0]), [Good; 3]);
    assert_eq!(judged(Quantity::Battery, &[90.0, 5.0, 90.0]), [Good; 3]);
}

#[test]
fn a_jump_after_a_silence_is_no_spike() {
    let t = Quantity::Temperature;
    let hour = 3_600_000;
    let readings = [reading(t, 0, 24.0), reading(t, hour, 31.0), reading(t, 2 * hour, 24.0)];
    assert!(judge_all(t, &readings).iter().all(|reading| reading.quality == Good));
}

#[test]
fn undated_readings_pass_through_and_are_nobodys_neighbour() {
    let t = Quantity::Temperature;
    let mut readings: Vec<_> =
        [24.0, 50.0, 50.0, 24.1].iter().zip(0..).map(|(v, i)| reading(t, i * EVERY_MS, *v)).collect();
    readings[1].quality = Quality::Undated;
    let qualities: Vec<_> = judge_all(t, &readings).iter().map(|reading| reading.quality).collect();
    assert_eq!(qualities, [Good, Quality::Undated, Spike, Good]);
}

#[test]
fn an_endless_run_of_85_is_bounded_and_an_error_code() {
    let t = Quantity::Temperature;
    let mut judge = Judge::new(t);
    let mut settled = Vec::new();
    for i in 0..10_000 {
        judge.push(reading(t, i * EVERY_MS, 85.0), &mut settled);
        assert!(judge.pending_len() <= 128);
    }
    assert!(settled.len() > 9_800);
    assert!(settled.iter().all(|reading| reading.quality == Sentinel));
}

fn any_value() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => 18.0..30.0f64,
        1 => Just(85.0),
        1 => Just(-127.0),
        1 => 70.0..99.0f64,
        1 => any::<f64>(),
    ]
}

proptest! {
    #[test]
    fn judging_as_they_come_equals_judging_the_whole(
        steps in prop::collection::vec((1i64..2_000_000, any_value(), 0u8..12), 0..200),
        which in 0usize..4,
    ) {
        let quantity = Quantity::ALL[which];
        let mut at = 0;
        let readings: Vec<_> = steps.iter().map(|(step, value, quality)| {
            at += step;
            let mut reading = reading(quantity, at, *value);
            match quality { 0 => reading.quality = Quality::Undated, 1 => reading.quality = Quality::Future, _ => {} }
            reading
        }).collect();
        let whole = judge_all(quantity, &readings);
        prop_assert_eq!(whole.len(), readings.len());
        let mut judge = Judge::new(quantity);
        let mut settled = Vec::new();
        for (i, reading) in readings.iter().enumerate() {
            judge.push(*reading, &mut settled);
            prop_assert_eq!(settled.len() + judge.pending_len(), i + 1);
            // What is settled is what the whole says, and stays so; the order is kept.
            for (one, other) in settled.iter().zip(&whole) {
                prop_assert_eq!((one.at, one.quality), (other.at, other.quality));
            }
            let mut so_far = settled.clone();
            so_far.extend(judge.pending());
            let prefix = judge_all(quantity, &readings[..=i]);
            prop_assert!(so_far.iter().zip(&prefix).all(|(a, b)| a.at == b.at && a.quality == b.quality));
        }
        for (one, came) in whole.iter().zip(&readings) {
            prop_assert_eq!(one.at, came.at);
            // A value that was bad on arrival is never made good.
            prop_assert!(came.quality == Good || one.quality == came.quality);
            prop_assert!(one.quality != Good || one.value.is_finite());
        }
    }
}
