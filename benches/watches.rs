//! A million samples through all watches of 100 tubs: `cargo bench --bench watches`.
//!
//! Ten heated shelves of ten tubs, each tub with a core that reports every ten seconds, each shelf with
//! an air probe that reports temperature, humidity and CO2; time is looked at once a second. Prints
//! samples a second. Figures depend on the machine; quote them with it.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout, missing_docs, dead_code, unused_imports)]

#[path = "../tests/keeper/bench.rs"]
mod bench;

use std::time::Instant;

use bench::*;

const SAMPLES: usize = 1_000_000;
const SHELVES: usize = 10;
const TUBS: usize = 100;

fn farm() -> (Setup, Vec<Tub>) {
    let mut setup = setup();
    setup.probes = (0..SHELVES).map(|shelf| probe(&format!("air-{shelf}"), 0, 10)).collect();
    setup.probes.extend((0..TUBS).map(|tub| probe(&format!("core-{tub}"), 1, 10)));
    let space = |shelf: usize| SpaceSetup {
        name: format!("shelf-{shelf}"),
        air: vec![shelf],
        heated: true,
        bands: Bands::default(),
    };
    setup.spaces = (0..SHELVES).map(space).collect();
    let tubs = (0..TUBS).map(|index| {
        let (name, core) = (format!("T{index}"), format!("core-{index}"));
        tub(&name, &format!("shelf-{}", index / (TUBS / SHELVES)), Stage::Colonising, Some(&core))
    });
    (setup, tubs.collect())
}

fn main() {
    let (setup, tubs) = farm();
    let probes = setup.probes.len();
    let mut bench = Bench::with(setup, tubs);
    bench.keeper.take_as_known();
    let began = Instant::now();
    let (mut told, mut ticked) = (0, bench.now);
    for sample in 0..SAMPLES {
        let (round, probe) = ((sample / probes) as i64, sample % probes);
        bench.now = Stamp(START + round * 10 * SECOND + (probe * 10_000 / probes) as i64);
        let wave = (sample % 977) as f64 / 977.0;
        let values = if probe < SHELVES {
            [Some(22.0 + wave), Some(88.0 + wave), Some(900.0 + 50.0 * wave), None]
        } else {
            // One tub in ten runs hot by and by.
            let hot = if probe.is_multiple_of(10) { round as f64 / 1_000.0 } else { 0.0 };
            [Some(25.0 + wave / 4.0 + hot), None, None, None]
        };
        bench.at(probe, bench.now, values);
        if bench.now.since(ticked) >= SECOND {
            ticked = bench.now;
            bench.keeper.tick(ticked, &mut bench.told);
            told += bench.told.drain(..).count();
        }
    }
    let seconds = began.elapsed().as_secs_f64();
    println!(
        "{SAMPLES} samples through all watches of {TUBS} tubs in {seconds:.2} s: {:.0} a second, {told} events told",
        SAMPLES as f64 / seconds
    );
}
