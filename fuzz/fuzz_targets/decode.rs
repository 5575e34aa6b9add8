//! Fuzzes what `checks/decode.rs` checks.
#![no_main]

#[path = "../checks/decode.rs"]
mod checks;

libfuzzer_sys::fuzz_target!(|data: &[u8]| checks::check(data));
