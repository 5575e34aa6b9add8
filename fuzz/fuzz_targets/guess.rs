//! Fuzzes what `checks/guess.rs` checks.
#![no_main]

#[path = "../checks/guess.rs"]
mod checks;

libfuzzer_sys::fuzz_target!(|data: &[u8]| checks::check(data));
