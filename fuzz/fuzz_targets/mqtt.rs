//! Fuzzes what `checks/mqtt.rs` checks.
#![no_main]

#[path = "../checks/mqtt.rs"]
mod checks;
#[path = "../checks/cuts.rs"]
mod cuts;

libfuzzer_sys::fuzz_target!(|data: &[u8]| checks::check(data));
