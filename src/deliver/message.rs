//! A message taken apart again, for the ways that do not send its JSON as it is.
//!
//! In: the body as it waits in the outbox. Out: its parts as text for people. What an alert names
//! may hold any letter: nothing here is a line, a header or a command until it was made harmless.

use serde_json::Value;

/// The longest subject line, characters (RFC 5322, 2.1.1 asks for lines of at most 78 where it can be).
const SUBJECT_CHARS_MAX: usize = 120;

/// The parts of one body.
pub(super) struct Message(Value);

impl Message {
    /// Reads `body`; one that is no JSON object has no parts.
    pub(super) fn read(body: &str) -> Message {
        Message(serde_json::from_str(body).unwrap_or(Value::Null))
    }

    /// The part called `word` as text; empty where there is none.
    pub(super) fn part(&self, word: &str) -> String {
        match &self.0[word] {
            Value::String(text) => text.clone(),
            Value::Null => String::new(),
            other => other.to_string(),
        }
    }

    /// One line that says what it is about: no control character, no more than it takes.
    pub(super) fn subject(&self, site: &str) -> String {
        let event = match self.part("event").as_str() {
            "morning" => return one_line(&format!("{site}: {}", self.part("subject"))),
            "trial" => return one_line(&format!("{site}: trial, nothing is wrong")),
            "raised" => "",
            "raised-again" => " again",
            "returned" => ", over",
            "acknowledged" => ", acknowledged",
            _ => "",
        };
        let (severity, subject, watch) = (self.part("severity"), self.part("subject"), self.part("watch"));
        one_line(&format!("{site}: {severity}{event}: {subject}, {watch}"))
    }

    /// The text for people, with where it can be acknowledged.
    pub(super) fn letter(&self) -> String {
        let mut letter = harmless(&self.part("text"));
        letter.push('\n');
        let since = self.part("since");
        if !since.is_empty() && self.part("event") != "trial" {
            letter.push_str(&format!("\nSince {since}, {}.\n", self.part("state")));
        }
        let link = self.part("link");
        if !link.is_empty() {
            letter.push_str(&format!("\n{link}\n"));
        }
        letter
    }
}

/// `text` as one line of bounded length.
fn one_line(text: &str) -> String {
    let mut line: String =
        text.chars().take(SUBJECT_CHARS_MAX).map(|letter| if is_odd(letter) { ' ' } else { letter }).collect();
    if text.chars().nth(SUBJECT_CHARS_MAX).is_some() {
        line.push('…');
    }
    line
}

/// `text` without control characters but for the ends of lines.
fn harmless(text: &str) -> String {
    text.chars().map(|letter| if letter != '\n' && is_odd(letter) { ' ' } else { letter }).collect()
}

/// Control characters, and those that turn the direction of the text around them.
fn is_odd(letter: char) -> bool {
    letter.is_control() || matches!(letter, '\u{2028}' | '\u{2029}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hostile_names_stay_in_their_line() {
        let body = serde_json::json!({
            "subject": "tub A\r\nBcc: x@y\u{0}\u{202e}", "watch": "temperature", "severity": "critical",
            "event": "raised", "state": "unacknowledged", "since": "2026-11-25T05:41:20Z",
            "text": "Hot\r\n.\r\nQUIT\u{1b}[2J", "link": "http://192.0.2.7:8750/alert/17",
        });
        let message = Message::read(&body.to_string());
        assert_eq!(message.subject("cellar"), "cellar: critical: tub A  Bcc: x@y  , temperature");
        let letter = message.letter();
        assert!(letter.chars().all(|letter| letter == '\n' || !letter.is_control()), "{letter:?}");
        assert!(letter.contains("/alert/17") && letter.contains("since") | letter.contains("Since 2026"), "{letter}");
        assert!(message.subject(&"x".repeat(500)).chars().count() <= SUBJECT_CHARS_MAX + 1);
    }
}
