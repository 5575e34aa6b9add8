//! Any text as a config or a file of people: a plan or faults.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use tubwatch::config::{parse, people::People};

fuzz_target!(|data: &[u8]| {
    let Ok(text) = std::str::from_utf8(data) else { return };
    if let Err(faults) = parse(text, Path::new("/nonexistent/fuzz.toml")) {
        assert!(faults.iter().count() > 0);
    }
    let _ = People::read(text);
});
