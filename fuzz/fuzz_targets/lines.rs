//! Fuzzes what `checks/lines.rs` checks.
#![no_main]

#[path = "../checks/lines.rs"]
mod checks;
#[path = "../checks/cuts.rs"]
mod cuts;

libfuzzer_sys::fuzz_target!(|data: &[u8]| checks::check(data));
