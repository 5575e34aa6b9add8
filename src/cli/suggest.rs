//! Config lines for what nobody reads yet.
//!
//! In: messages that no probe takes, as they come. Out: at the second of a kind, which tells how often it
//! comes, a `[[probe]]` to look over. Left out: asking and writing.

use std::collections::HashMap;

use crate::climate::{Quantity, Stamp};
use crate::wire::Format;
use crate::wire::guess::{Guess, guess};

/// Kinds of unread messages kept apart; a broker may carry thousands of topics that are no probes.
const KINDS_MAX: usize = 500;

/// The periods that are suggested, in seconds, with their words: the gap seen is rounded up to one.
const PERIODS: [(i64, &str); 14] = [
    (1, "1s"),
    (2, "2s"),
    (5, "5s"),
    (10, "10s"),
    (15, "15s"),
    (30, "30s"),
    (60, "1min"),
    (120, "2min"),
    (300, "5min"),
    (600, "10min"),
    (900, "15min"),
    (1_800, "30min"),
    (3_600, "1h"),
    (86_400, "1d"),
];

/// What was seen of one kind.
enum Seen {
    Once(Stamp),
    Suggested,
}

/// The suggestions of one run.
pub struct Suggestions {
    seen: HashMap<(String, String), Seen>,
    /// By source and topic, whose the first message was; `None` once another's came by the same.
    whose: HashMap<(String, String), Option<String>>,
    names: Vec<String>,
}

/// What an unread message leads to.
#[derive(Debug, PartialEq, Eq)]
pub enum Suggestion {
    /// A second one will tell how often it comes.
    Wait,
    /// Lines for the config.
    Lines(String),
}

impl Suggestions {
    /// With the names that are taken already.
    pub fn new(names: Vec<String>) -> Suggestions {
        Suggestions { seen: HashMap::new(), whose: HashMap::new(), names }
    }

    /// Takes a message that nobody reads; `topic` where it came by one.
    pub fn take(&mut self, source: &str, topic: Option<&str>, text: &str, at: Stamp) -> Option<Suggestion> {
        let guess = guess(text, topic.unwrap_or(""))?;
        // On a line, and on a topic that several share, the text of a field that says whose it is parts the probes.
        let is_shared = topic.is_none_or(|topic| self.is_shared(source, topic, &guess));
        let whose = match topic {
            Some(topic) if !is_shared => topic.to_owned(),
            _ => format!("{topic:?} {:?} {:?}", guess.format, guess.select),
        };
        let key = (source.to_owned(), whose);
        match self.seen.get(&key) {
            None if self.seen.len() < KINDS_MAX => {
                self.seen.insert(key, Seen::Once(at));
                Some(Suggestion::Wait)
            }
            Some(Seen::Once(before)) => {
                let gap_s = at.since(*before).max(0) / 1_000;
                self.seen.insert(key, Seen::Suggested);
                Some(Suggestion::Lines(self.lines(source, topic, &guess, is_shared, gap_s)))
            }
            _ => None,
        }
    }

    /// Whether messages of several came by this topic.
    fn is_shared(&mut self, source: &str, topic: &str, guess: &Guess) -> bool {
        let Some((_, text)) = &guess.select else { return false };
        let key = (source.to_owned(), topic.to_owned());
        if !self.whose.contains_key(&key) && self.whose.len() >= KINDS_MAX {
            return false;
        }
        let first = self.whose.entry(key).or_insert_with(|| Some(text.clone()));
        if first.as_ref().is_some_and(|first| first != text) {
            *first = None;
        }
        first.is_none()
    }

    fn lines(&mut self, source: &str, topic: Option<&str>, guess: &Guess, is_shared: bool, gap_s: i64) -> String {
        let select = guess.select.as_ref().filter(|_| is_shared);
        let wanted = match (topic, select) {
            (_, Some((_, text))) => text.clone(),
            (Some(topic), None) => topic.replace('/', "-"),
            (None, None) => format!("{source}-probe"),
        };
        let name = self.free_name(&wanted);
        let mut lines = format!("[[probe]]\nname = {}\nfrom = {}\n", quoted(&name), quoted(source));
        if let Some(topic) = topic {
            lines += &format!("topic = {}\n", quoted(topic));
        }
        lines += &format!("format = {}\n", quoted(guess.format.word()));
        if let Some((at, text)) = select {
            lines += &format!("select = {{ {} = {} }}\n", quoted(at), quoted(text));
        }
        let reads = Quantity::ALL.into_iter().filter_map(|quantity| {
            let at = guess.reads[quantity.index()].as_ref()?;
            let at = if guess.format == Format::Csv { at.clone() } else { quoted(at) };
            Some(format!("{} = {at}", quantity.word()))
        });
        lines += &format!("reads = {{ {} }}\n", reads.collect::<Vec<_>>().join(", "));
        let every = PERIODS.iter().find(|(seconds, _)| *seconds > gap_s).unwrap_or(&PERIODS[PERIODS.len() - 1]).1;
        lines + &format!("every = \"{every}\"\n")
    }

    /// `wanted` as a name that may be one and is not taken.
    fn free_name(&mut self, wanted: &str) -> String {
        let safe: String = wanted
            .chars()
            .map(|c| if c.is_alphanumeric() || matches!(c, '-' | '_' | '.') { c } else { '-' })
            .take(40)
            .collect();
        let safe = safe.trim_matches(['-', '.']).to_owned();
        let safe = if safe.is_empty() || safe == "none" { "probe".to_owned() } else { safe };
        let numbered = (2..).map(|n| format!("{safe}-{n}"));
        let free = std::iter::once(safe.clone()).chain(numbered).find(|name| !self.names.contains(name));
        let free = free.unwrap_or(safe);
        self.names.push(free.clone());
        free
    }
}

/// `text` as a TOML string; JSON writes one the same way.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use super::*;

    #[test]
    fn the_second_message_gives_lines_that_can_be_read() {
        let mut suggestions = Suggestions::new(vec!["tent-new".to_owned()]);
        let mut take = |topic, text: &str, s: i64| suggestions.take("house", topic, text, Stamp(s * 1_000));
        let text = r#"{"id":"a1","t":27.9,"h":"88%"}"#;
        assert_eq!(take(Some("tent/new"), text, 0), Some(Suggestion::Wait));
        let Some(Suggestion::Lines(lines)) = take(Some("tent/new"), text, 29) else { panic!() };
        assert_eq!(
            lines,
            "[[probe]]\nname = \"tent-new-2\"\nfrom = \"house\"\ntopic = \"tent/new\"\nformat = \"json\"\n\
             reads = { temperature = \"/t\", humidity = \"/h\" }\nevery = \"30s\"\n"
        );
        assert_eq!(take(Some("tent/new"), text, 60), None);
        assert_eq!(take(None, text, 0), Some(Suggestion::Wait));
        assert_eq!(take(None, &text.replace("a1", "a2"), 1), Some(Suggestion::Wait));
        let Some(Suggestion::Lines(lines)) = take(None, text, 2) else { panic!() };
        assert!(lines.contains("name = \"a1\"") && lines.contains("select = { \"/id\" = \"a1\" }"), "{lines}");
        // A bridge speaks of many on one topic.
        let of = |whose: &str| format!("{{\"id\":\"{whose}\",\"t\":24.1}}");
        assert_eq!(take(Some("radio"), &of("b1"), 0), Some(Suggestion::Wait));
        assert_eq!(take(Some("radio"), &of("b2"), 1), Some(Suggestion::Wait));
        assert_eq!(take(Some("radio"), &of("b1"), 29), Some(Suggestion::Wait));
        let Some(Suggestion::Lines(lines)) = take(Some("radio"), &of("b2"), 30) else { panic!() };
        assert!(lines.contains("topic = \"radio\"") && lines.contains("select = { \"/id\" = \"b2\" }"), "{lines}");
        assert!(lines.contains("name = \"b2\"") && lines.contains("every = \"30s\""), "{lines}");
        assert_eq!(take(Some("attic"), "hello", 2), None);
        for n in 0..2_000 {
            suggestions.take("house", Some(&format!("t/{n}")), "1", Stamp(0));
        }
        assert_eq!(suggestions.seen.len(), KINDS_MAX);
    }
}
