//! Packing and unpacking: to the bit, for ever, and against any bytes.

#![allow(clippy::unwrap_used)]

use super::*;
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};

fn back(rows: &[Row]) -> Vec<Row> {
    let packed = pack(rows).unwrap();
    let (mut stamps, mut whole) = (Vec::new(), Vec::new());
    unpack_stamps(&packed.stamps, rows.len(), &mut stamps).unwrap();
    let mut columns: [Vec<f64>; 4] = Default::default();
    for (column, blob) in columns.iter_mut().zip(&packed.values) {
        match blob {
            Some(blob) => {
                unpack_values(blob, rows.len(), column, &mut whole).unwrap();
            }
            None => column.resize(rows.len(), f64::NAN),
        }
    }
    let runs = unpack_quality(packed.quality.as_deref(), rows.len()).unwrap();
    let quality = runs.iter().flat_map(|run| std::iter::repeat_n(*run, run.length));
    let rebuilt = stamps.iter().zip(quality).enumerate();
    rebuilt
        .map(|(place, (at, run))| Row {
            at: *at,
            values: [0, 1, 2, 3].map(|index| columns[index][place]),
            arrival: run.arrival,
            judged: run.judged,
            timing: run.timing,
        })
        .collect()
}

fn same(one: &[Row], other: &[Row]) {
    assert_eq!(one.len(), other.len());
    for (one, other) in one.iter().zip(other) {
        assert_eq!(
            (one.at, one.arrival, one.judged, one.timing),
            (other.at, other.arrival, other.judged, other.timing)
        );
        for (one, other) in one.values.iter().zip(other.values) {
            assert!(one.to_bits() == other.to_bits() || (one.is_nan() && other.is_nan()), "{one} {other}");
        }
    }
}

fn row(at: i64, values: [f64; 4]) -> Row {
    Row { at, values, arrival: 0, judged: 0, timing: Timing::SETTLED }
}

#[test]
fn anything_comes_back_to_the_bit() {
    let mut random = StdRng::seed_from_u64(3);
    for case in 0..60 {
        let count = random.random_range(1..700);
        let mut at = random.random_range(-1_000_000_000_000..2_000_000_000_000_i64);
        let rows: Vec<Row> = (0..count)
            .map(|_| {
                at += random.random_range(1..20_000);
                let mut value = |index: usize| match (case + index) % 5 {
                    0 => (random.random_range(-4000..13000) as f64) / 100.0,
                    1 if random.random_bool(0.3) => f64::NAN,
                    1 => f64::from(random.random_range(0..5000_u16)),
                    2 => f64::from_bits(random.random::<u64>() & !(0x7FF << 52) | (1000 << 52)),
                    3 => f64::from(random.random_range(0.0..100.0_f32)),
                    _ => [f64::INFINITY, -0.0, 5e-324, f64::MAX, 85.0, -127.0, 999.9][random.random_range(0..7)],
                };
                let values = [value(0), value(1), value(2), value(3)];
                let arrival = if random.random_bool(0.02) { random.random() } else { 0 };
                let judged = if random.random_bool(0.02) { random.random_range(0..1 << 20) } else { arrival.into() };
                Row {
                    at,
                    values,
                    arrival,
                    judged,
                    timing: Timing(if random.random_bool(0.02) { random.random() } else { 0 }),
                }
            })
            .collect();
        same(&back(&rows), &rows);
    }
}

#[test]
fn decimals_are_known_as_such_and_small() {
    let rows: Vec<Row> = (0..8640)
        .map(|n| row(n * 10_000, [f64::from((2400 + n * 7 % 5) as i32) / 100.0, 88.1, 800.0, f64::NAN]))
        .collect();
    let packed = pack(&rows).unwrap();
    let formats: Vec<Option<u8>> = packed.values.iter().map(|blob| blob.as_ref().map(|blob| blob[0])).collect();
    assert_eq!(formats, [Some(DECIMALS), Some(DECIMALS), Some(DECIMALS), None]);
    assert_eq!(packed.quality, None);
    let odd = [row(0, [0.1 + 0.2, 0.0, 0.0, 0.0]), row(1, [23.456_789_012_345, 0.0, 0.0, 0.0])];
    assert_eq!(pack(&odd).unwrap().values[0].as_ref().unwrap()[0], FLOATS);
    same(&back(&odd), &odd);
}

/// Packed by the first version that sealed: what it wrote must be readable for ever.
#[test]
fn what_was_packed_once_is_unpacked_for_ever() {
    let text = include_str!("../../../fixtures/store/chunk_blobs.txt");
    let blob = |name: &str| -> Vec<u8> {
        let line = text.lines().find_map(|line| line.strip_prefix(&format!("{name} "))).unwrap();
        (0..line.len()).step_by(2).map(|at| u8::from_str_radix(&line[at..at + 2], 16).unwrap()).collect()
    };
    let rows = golden();
    let (mut stamps, mut values, mut whole) = (Vec::new(), Vec::new(), Vec::new());
    unpack_stamps(&blob("stamps"), rows.len(), &mut stamps).unwrap();
    assert!(stamps.iter().eq(rows.iter().map(|row| &row.at)));
    for (index, name) in ["decimals", "gaps", "floats"].into_iter().enumerate() {
        unpack_values(&blob(name), rows.len(), &mut values, &mut whole).unwrap();
        let wanted = rows.iter().map(|row| row.values[index].to_bits());
        assert!(values.iter().map(|value| value.to_bits()).eq(wanted), "{name}");
    }
    let runs = unpack_quality(Some(&blob("quality")), rows.len()).unwrap();
    assert_eq!(runs.iter().map(|run| run.length).sum::<usize>(), rows.len());
    assert_eq!(runs[1], QualityRun { length: 1, arrival: 2, judged: 0x1_0002, timing: Timing::SETTLED });
    let runs = unpack_quality(Some(&blob("timed-quality")), rows.len()).unwrap();
    let unpacked = runs.iter().flat_map(|run| std::iter::repeat_n(run.timing, run.length));
    assert!(unpacked.eq(timed().iter().map(|row| row.timing)));
}

fn golden() -> Vec<Row> {
    (0..300_i64)
        .map(|n| Row {
            at: 1_793_491_200_000 + n * 10_000 + n * 37 % 50,
            values: [
                (2400 + n * 7 % 23) as f64 / 100.0,
                if n % 50 == 9 { f64::NAN } else { (800 + n % 3) as f64 },
                (n as f64).sqrt() / 3.0,
                f64::NAN,
            ],
            arrival: if n == 100 { 2 } else { 0 },
            judged: if n == 100 { 0x1_0002 } else { 0 },
            timing: Timing::SETTLED,
        })
        .collect()
}

/// The same, some of it dated by clocks that nobody confirmed.
fn timed() -> Vec<Row> {
    let timing = |place: usize| match place {
        ..150 => Timing::SETTLED,
        200 => Timing::new(3, true),
        _ => Timing::new(3, false),
    };
    golden().into_iter().enumerate().map(|(place, row)| Row { timing: timing(place), ..row }).collect()
}

/// Prints the fixture; run once when a format is added: `cargo test --lib print_golden -- --ignored --nocapture`.
#[test]
#[ignore = "makes the fixture"]
#[allow(clippy::print_stdout)]
fn print_golden() {
    let packed = pack(&golden()).unwrap();
    let hex = |blob: &[u8]| blob.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    println!("stamps {}", hex(&packed.stamps));
    for (name, blob) in ["decimals", "gaps", "floats"].iter().zip(&packed.values) {
        println!("{name} {}", hex(blob.as_ref().unwrap()));
    }
    println!("quality {}", hex(packed.quality.as_ref().unwrap()));
    println!("timed-quality {}", hex(pack(&timed()).unwrap().quality.as_ref().unwrap()));
}

#[test]
fn any_flipped_bit_is_found_and_no_bytes_make_it_panic() {
    let rows = golden();
    let packed = pack(&rows).unwrap();
    let (mut stamps, mut values, mut whole) = (Vec::new(), Vec::new(), Vec::new());
    for place in 0..packed.stamps.len() {
        let mut hurt = packed.stamps.clone();
        hurt[place] ^= 1 << (place % 8);
        assert!(unpack_stamps(&hurt, rows.len(), &mut stamps).is_err(), "{place}");
    }
    let mut random = StdRng::seed_from_u64(5);
    let blobs = [packed.stamps, packed.values[0].clone().unwrap(), packed.values[2].clone().unwrap()];
    for _ in 0..3_000 {
        // Right checksums over wrong content: only the decoding itself stands in the way.
        let mut hurt = blobs[random.random_range(0..blobs.len())].clone();
        hurt.truncate(hurt.len() - CHECKSUM_BYTES);
        for _ in 0..random.random_range(1..6) {
            let place = random.random_range(0..hurt.len());
            hurt[place] = random.random();
        }
        let sum = crc32fast::hash(&hurt).to_le_bytes();
        hurt.extend_from_slice(&sum);
        let _ = unpack_stamps(&hurt, rows.len(), &mut stamps);
        let _ = unpack_values(&hurt, rows.len(), &mut values, &mut whole);
        let _ = unpack_quality(Some(&hurt), rows.len());
    }
}
