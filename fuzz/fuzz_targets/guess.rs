//! Any text: a guess that can be read, or none.
#![no_main]

use libfuzzer_sys::fuzz_target;
use tubwatch::wire::guess::guess;
use tubwatch::wire::topic;

fuzz_target!(|data: &[u8]| {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let (about, text) = text.split_once('\n').unwrap_or(("", text));
    if let Some(guess) = guess(text, about) {
        assert!(guess.reads.iter().any(Option::is_some));
    }
    if topic::is_valid(text) && topic::is_valid(about) && topic::covers(text, about) && !topic::is_wild(about) {
        assert!(topic::matches(text, about));
    }
});
