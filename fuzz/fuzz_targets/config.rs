//! Fuzzes what `checks/config.rs` checks.
#![no_main]

#[path = "../checks/config.rs"]
mod checks;

libfuzzer_sys::fuzz_target!(|data: &[u8]| checks::check(data));
