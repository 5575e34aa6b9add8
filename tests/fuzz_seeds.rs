//! Every seed and every find of the fuzzer, through the same checks as the fuzzer's, and each cut short anywhere.
#![allow(clippy::unwrap_used, clippy::panic)]

#[path = "../fuzz/checks/config.rs"]
mod config;
#[path = "../fuzz/checks/cuts.rs"]
mod cuts;
#[path = "../fuzz/checks/decode.rs"]
mod decode;
#[path = "../fuzz/checks/guess.rs"]
mod guess;
#[path = "../fuzz/checks/lines.rs"]
mod lines;
#[path = "../fuzz/checks/mqtt.rs"]
mod mqtt;
#[path = "../fuzz/checks/rtu.rs"]
mod rtu;

use std::path::Path;

/// Longer ones are cut at only so many places.
const CUTS: usize = 16;

fn replay(target: &str, check: impl Fn(&[u8]) + std::panic::RefUnwindSafe) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/fuzz").join(target);
    let mut seeds = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let bytes = std::fs::read(&path).unwrap();
        for end in (0..=bytes.len()).rev().step_by(bytes.len() / CUTS + 1) {
            let cut = &bytes[..end];
            if std::panic::catch_unwind(|| check(cut)).is_err() {
                panic!("{} does not hold, its first {end} bytes: {cut:?}", path.display());
            }
        }
        seeds += 1;
    }
    assert!(seeds >= 3, "the seeds of {target} are there");
}

#[test]
fn messages() {
    replay("decode", decode::check);
}

#[test]
fn lines_of_a_stream() {
    replay("lines", lines::check);
}

#[test]
fn modbus_answers() {
    replay("rtu", rtu::check);
}

#[test]
fn clients_of_an_intake() {
    replay("mqtt", mqtt::check);
}

#[test]
fn suggestions() {
    replay("guess", guess::check);
}

#[test]
fn configs() {
    replay("config", config::check);
}
