//! The tubs that an alert concerns, in its text and back out of it.
//!
//! In: names, or an alert's text. Out: the list as it is written, and whether a tub is in it. Left out: who
//! is concerned, which the keeper knows while the alert stands.

use std::fmt::Write as _;

use super::wording::harmless;

/// Tubs named before the rest is counted.
const NAMED_MAX: usize = 8;

/// What stands before the list.
pub(super) const CONCERNS: &str = "; concerns ";

/// `A1, A2, A3 and 4 more`.
pub(super) fn names(tubs: &[String]) -> String {
    let mut text = tubs.iter().take(NAMED_MAX).map(|name| harmless(name)).collect::<Vec<_>>().join(", ");
    if tubs.len() > NAMED_MAX {
        let _ = write!(text, " and {} more", tubs.len() - NAMED_MAX);
    }
    text
}

/// Whether an alert's text names `tub` among those it concerns; of very many only the first are named.
pub fn names_tub(text: &str, tub: &str) -> bool {
    let Some((_, mut listed)) = text.split_once(CONCERNS) else { return false };
    for end in [". ", " (no core", " and "] {
        listed = listed.split_once(end).map_or(listed, |(before, _)| before);
    }
    listed.split(", ").any(|name| name == tub)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_tells_which_tubs_it_concerns() {
        let tubs = ["1", "A.2", "B"].map(str::to_owned);
        for end in [". Cool the room, 5 °C at least.", " (no core there, so judged from air, 2 °C stricter). Open it."]
        {
            let text = format!("Tub 7: substrate 31.5 °C, at or over 31.0 for 5 min{CONCERNS}{}{end}", names(&tubs));
            let named = ["1", "A.2", "B", "31", "5", "A", "2", "core", "7"].map(|tub| names_tub(&text, tub));
            assert_eq!(named, [true, true, true, false, false, false, false, false, false], "{text}");
        }
        let many: Vec<String> = (1..=11).map(|n| format!("T{n}")).collect();
        let text = format!("Space shelf: hot{CONCERNS}{}. Fan it.", names(&many));
        assert!(names_tub(&text, "T8") && !names_tub(&text, "T11"), "{text}");
        assert!(!names_tub("Tub B: substrate 31.0 °C.", "B"));
    }
}
