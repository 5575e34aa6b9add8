//! A webhook's own body: a text with `{words}` that the alert's values take the place of.
//!
//! In: the text as the config has it, and later a value for each word. Out: the body. Anything in
//! braces that is not lower-case letters stays as it is, so JSON needs no doubling. In a JSON body a
//! value is written as the inside of a JSON string, so that nothing in it can end the string; in a
//! plain one control characters become spaces. Pure.

use super::word::{did_you_mean, one_of, quoted};

/// The words that a body may hold.
pub const WORDS: [&str; 11] =
    ["site", "event", "severity", "subject", "watch", "state", "since", "value", "limit", "text", "link"];

#[derive(Clone, Debug, PartialEq, Eq)]
enum Piece {
    As(String),
    Word(&'static str),
}

/// A body with places for values.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Template {
    pieces: Vec<Piece>,
    is_json: bool,
}

impl Template {
    /// Reads `text`; the body is JSON where it begins as an object or a list does, else plain text.
    ///
    /// # Errors
    /// What is wrong, as a fragment that fits behind the key: a word that is not one of [`WORDS`], no
    /// word at all, or JSON that would not be JSON.
    pub fn parse(text: &str) -> Result<Template, String> {
        let is_json = text.trim_start().starts_with(['{', '[']) && !starts_with_word(text.trim_start());
        let mut pieces = Vec::new();
        let mut plain = String::new();
        let mut rest = text;
        while let Some(open) = rest.find('{') {
            let (before, from) = rest.split_at(open);
            plain.push_str(before);
            match word_at(from) {
                Some(word) => {
                    let known = WORDS.into_iter().find(|known| *known == word).ok_or_else(|| {
                        let hint = did_you_mean(word, WORDS);
                        format!("there is no {} to fill in, expected {}{hint}", quoted(word), one_of(&WORDS))
                    })?;
                    pieces.push(Piece::As(std::mem::take(&mut plain)));
                    pieces.push(Piece::Word(known));
                    rest = &from[word.len() + 2..];
                }
                None => {
                    plain.push('{');
                    rest = &from[1..];
                }
            }
        }
        plain.push_str(rest);
        pieces.push(Piece::As(plain));
        let template = Template { pieces, is_json };
        if !template.pieces.iter().any(|piece| matches!(piece, Piece::Word(_))) {
            return Err("nothing in it would tell of the alert, expected words such as {text} in it".to_owned());
        }
        if is_json && serde_json::from_str::<serde_json::Value>(&template.fill(|_| "x".to_owned())).is_err() {
            return Err("it begins like JSON but is none, expected words inside quotes, as \"{text}\"".to_owned());
        }
        Ok(template)
    }

    /// The body's content type.
    pub fn content_type(&self) -> &'static str {
        if self.is_json { "application/json" } else { "text/plain; charset=utf-8" }
    }

    /// The body with `value` of each word.
    pub fn fill(&self, value: impl Fn(&str) -> String) -> String {
        let mut body = String::new();
        for piece in &self.pieces {
            match piece {
                Piece::As(text) => body.push_str(text),
                Piece::Word(word) if self.is_json => {
                    let inside = serde_json::Value::String(value(word)).to_string();
                    body.push_str(&inside[1..inside.len() - 1]);
                }
                Piece::Word(word) => {
                    let letters = value(word);
                    body.extend(letters.chars().map(|letter| if letter.is_control() { ' ' } else { letter }));
                }
            }
        }
        body
    }
}

fn starts_with_word(text: &str) -> bool {
    word_at(text).is_some()
}

/// The word in the braces that `text` begins with.
fn word_at(text: &str) -> Option<&str> {
    let (word, _) = text.strip_prefix('{')?.split_once('}')?;
    (!word.is_empty() && word.bytes().all(|byte| byte.is_ascii_lowercase())).then_some(word)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn value(word: &str) -> String {
        match word {
            "text" => "A\"1\"\r\n\\ {link}".to_owned(),
            other => other.to_owned(),
        }
    }

    #[test]
    fn plain_text_takes_values_without_control_characters() {
        let template = Template::parse("{severity}! {text} {} {Not} {").unwrap();
        assert_eq!(template.fill(value), "severity! A\"1\"  \\ {link} {} {Not} {");
        assert_eq!(template.content_type(), "text/plain; charset=utf-8");
    }

    #[test]
    fn json_stays_json_whatever_the_values_hold() {
        let template =
            Template::parse("{ \"title\": \"{subject}\", \"message\": \"{text}\", \"n\": {\"a\": 1} }").unwrap();
        let filled: serde_json::Value = serde_json::from_str(&template.fill(value)).unwrap();
        assert_eq!(filled["message"], "A\"1\"\r\n\\ {link}");
        assert_eq!(template.content_type(), "application/json");
    }

    #[test]
    fn what_cannot_work_is_refused() {
        for (text, why) in [
            ("{txt}", "did you mean \"text\""),
            ("hello", "nothing in it would tell"),
            ("{\"a\": {text}}", "words inside quotes"),
        ] {
            let said = Template::parse(text).unwrap_err();
            assert!(said.contains(why), "{text}: {said}");
        }
    }
}
