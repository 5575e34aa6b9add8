//! Any text that nobody reads yet: lines for the config that make a right config and read that text, or none.
//!
//! In: a topic, or nothing, on the first line; then the message.

use std::path::Path;

use tubwatch::cli::suggest::{Suggestion, Suggestions};
use tubwatch::climate::Stamp;
use tubwatch::config::parse;
use tubwatch::wire::guess::guess;
use tubwatch::wire::{decode, printable, topic};

/// The longest message that arrivals shows whole.
const SHOWN_BYTES_MAX: usize = 1024;

pub fn check(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let (about, text) = text.split_once('\n').unwrap_or(("", text));
    topics(about, text);
    if let Some(guess) = guess(text, about) {
        assert!(guess.reads.iter().any(Option::is_some));
    }
    // A topic that a client may publish to.
    let came_by = Some(about).filter(|about| topic::is_valid(about) && !topic::is_wild(about));
    suggest(came_by, text);
}

/// The same twice, as the second tells how often it comes.
fn suggest(came_by: Option<&str>, text: &str) {
    let mut suggestions = Suggestions::new(vec!["air".to_owned()]);
    let shown = printable(text.as_bytes(), SHOWN_BYTES_MAX);
    let raw = shown.replace("\\\\", "\\");
    let source = if came_by.is_some() { "house" } else { "bench" };
    let by = came_by.map(|topic| printable(topic.as_bytes(), SHOWN_BYTES_MAX));
    let mut take = |at| suggestions.take(source, by.as_deref(), &raw, Stamp(at));
    let (first, second) = (take(0), take(10_000));
    assert_eq!(first.is_some(), second.is_some());
    assert!(take(20_000).is_none(), "told once");
    let Some(Suggestion::Lines(lines)) = second else { return };
    assert!(lines.len() <= 8 * (SHOWN_BYTES_MAX + 64), "no longer than what it tells of");
    let config = format!(
        "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\n[[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1\"\n\
         [[port]]\nname = \"bench\"\ndevice = \"/dev/null\"\n{lines}"
    );
    let plan = parse(&config, Path::new("/nonexistent/fuzz.toml")).unwrap_or_else(|faults| panic!("{faults}\n{lines}"));
    let [probe] = &plan.probes[..] else { panic!("one probe: {lines}") };
    if raw == text && by.as_deref() == came_by {
        let mut out = Vec::new();
        let read = decode(&probe.recipe, text.as_bytes(), &mut out);
        assert!(!out.is_empty(), "what is suggested reads what it was suggested for: {read:?}\n{lines}");
        assert_eq!(probe.topic.as_deref(), came_by);
    }
}

/// Filters and topics: what covers, matches.
fn topics(about: &str, text: &str) {
    if topic::is_valid(text) && topic::is_valid(about) && topic::covers(text, about) {
        assert!(topic::is_wild(about) || topic::matches(text, about));
        assert!(topic::covers(text, text) || text.starts_with('$'));
    }
}
