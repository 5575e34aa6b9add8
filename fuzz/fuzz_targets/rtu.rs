//! Fuzzes what `checks/rtu.rs` checks.
#![no_main]

#[path = "../checks/rtu.rs"]
mod checks;

libfuzzer_sys::fuzz_target!(|data: &[u8]| checks::check(data));
