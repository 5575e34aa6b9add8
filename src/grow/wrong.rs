//! What is wrong with something the grower typed, in one plain sentence with the nearest valid choice.
//!
//! In: a word and the words it could have been. Out: [`Wrong`], whose text is printed as it is.
//! Left out: the config's faults, which carry a place in a file.

use strsim::damerau_levenshtein;

/// How many valid words a sentence lists when none is near; more would bury the rest.
const WORDS_LISTED_MAX: usize = 8;

/// Why a command was not obeyed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wrong {
    /// A word, a time or a measure that means nothing here: wrong usage.
    Word(String),
    /// Well said, but the logbook does not allow it.
    Forbidden(String),
}

impl Wrong {
    /// The sentence.
    pub fn text(&self) -> &str {
        match self {
            Wrong::Word(text) | Wrong::Forbidden(text) => text,
        }
    }
}

impl std::fmt::Display for Wrong {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(self.text())
    }
}

impl std::error::Error for Wrong {}

/// The choice most like `word`, if one is near enough to be a slip of the finger: one edit in a
/// word of up to four letters, a third of the letters in a longer one. Case does not count.
pub fn nearest<'a>(word: &str, choices: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word = word.to_lowercase();
    let allowed = (word.chars().count() / 3).max(1);
    choices
        .into_iter()
        .map(|choice| (damerau_levenshtein(&word, &choice.to_lowercase()), choice))
        .filter(|(distance, _)| *distance <= allowed)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, choice)| choice)
}

/// The sentence for a word that is none of the choices: `no space is called "shlf"; the nearest is shelf`.
pub fn unknown<'a>(what: &str, word: &str, choices: impl IntoIterator<Item = &'a str> + Clone) -> String {
    if let Some(near) = nearest(word, choices.clone()) {
        return format!("no {what} is called \"{word}\"; the nearest is {near}");
    }
    let all: Vec<&str> = choices.into_iter().collect();
    match all.len() {
        0 => format!("no {what} is called \"{word}\"; there is none yet"),
        count if count <= WORDS_LISTED_MAX => format!("no {what} is called \"{word}\"; there are {}", all.join(", ")),
        count => format!(
            "no {what} is called \"{word}\"; there are {} and {} more",
            all[..WORDS_LISTED_MAX].join(", "),
            count - WORDS_LISTED_MAX
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_find_their_word_and_strangers_do_not() {
        for (word, choices, near) in [
            ("shlf", vec!["shelf", "tent"], Some("shelf")),
            ("a1", vec!["A1", "A2"], Some("A1")),
            ("A7", vec!["A1", "B2"], Some("A1")),
            ("winter-oister", vec!["winter-oyster", "shiitake"], Some("winter-oyster")),
            ("garage", vec!["shelf", "tent"], None),
            ("x", vec![], None),
        ] {
            assert_eq!(nearest(word, choices), near, "{word}");
        }
    }

    #[test]
    fn without_a_near_word_the_valid_ones_are_listed() {
        assert_eq!(
            unknown("space", "garage", ["shelf", "tent"]),
            "no space is called \"garage\"; there are shelf, tent"
        );
        assert_eq!(unknown("tub", "A1", []), "no tub is called \"A1\"; there is none yet");
        let many: Vec<String> = (10..22).map(|number| format!("shelf-{number}")).collect();
        let sentence = unknown("space", "garage", many.iter().map(String::as_str));
        assert!(sentence.ends_with("shelf-17 and 4 more"), "{sentence}");
    }
}
