//! Any text as a config, a file of people or of cultures: what it says, or faults with their places.

use std::path::Path;

use tubwatch::config::{Faults, cultures, parse, people::People};

/// The most that the faults of one text may come to, printed, bytes; a thousand sentences.
const FAULTS_BYTES_MAX: usize = 1 << 20;

pub fn check(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let file = Path::new("/nonexistent/fuzz.toml");
    match parse(text, file) {
        Err(faults) => hold(&faults, text),
        Ok(plan) => {
            assert!(!plan.site.is_empty());
            assert_eq!(plan.probes.len(), plan.setup.probes.len());
            assert!(plan.probes.iter().all(|probe| probe.source < plan.setup.sources.len()));
            for (at, probe) in plan.setup.probes.iter().enumerate() {
                assert!(plan.setup.probes[..at].iter().all(|other| other.name != probe.name), "names are one probe's");
            }
        }
    }
    match cultures::parse(text, file) {
        Err(faults) => hold(&faults, text),
        Ok(cultures) => assert!(cultures.len() <= text.len()),
    }
    match People::read(text) {
        Err((line, why)) => assert!((1..=text.lines().count() + 1).contains(&line) && !why.is_empty()),
        Ok(people) => assert!(people.len() <= text.lines().count()),
    }
}

/// Each fault has a place in the text and a sentence on one line.
fn hold(faults: &Faults, text: &str) {
    assert!(faults.count() > 0);
    let lines = text.split('\n').count();
    for fault in faults {
        assert!((1..=lines).contains(&fault.line) && fault.column >= 1, "{fault}");
        assert!(!fault.sentence.is_empty());
    }
    assert!(faults.to_string().len() <= FAULTS_BYTES_MAX);
}
