//! Names that other parts of the config point to: unique in their kind, found again by name.

use super::fault::Cause;
use super::walk::{Desk, Section, Text};
use super::word::{did_you_mean, one_of, quoted};

/// The names of one kind of thing, each with what it stands for.
pub(super) struct Names<T> {
    /// "probe", "space": for the messages.
    kind: &'static str,
    list: Vec<(String, usize, T)>,
}

impl<T> Names<T> {
    pub fn new(kind: &'static str) -> Names<T> {
        Names { kind, list: Vec::new() }
    }

    /// Reads the `name` of a table and takes it in for `meaning`; notes one that is missing, cannot be
    /// a name, is a word of the commands (`reserved`), or is taken.
    pub fn read<'t>(
        &mut self,
        desk: &mut Desk<'_>,
        section: &Section<'t>,
        reserved: Option<&str>,
        meaning: T,
    ) -> Option<Text<'t>> {
        let name = section.needed_text(desk, "name", "a name, in quotes")?;
        if !desk.check_name(&name) {
            return None;
        }
        if Some(name.text) == reserved {
            let sentence = format!("found {}, expected another name: commands use that word", quoted(name.text));
            desk.fault(name.at, &name.path, Cause::Value, sentence);
        }
        if let Some((_, first, _)) = self.list.iter().find(|(taken, ..)| taken == name.text) {
            let (line, _) = desk.place(*first);
            let sentence =
                format!("found {}, but the {} on line {line} has that name already", quoted(name.text), self.kind);
            desk.fault(name.at, &name.path, Cause::Clash, sentence);
        } else {
            self.list.push((name.text.to_owned(), name.at, meaning));
        }
        Some(name)
    }

    /// What `name` stands for; noted as dangling where nothing is called so.
    pub fn find(&self, desk: &mut Desk<'_>, name: &Text<'_>) -> Option<&T> {
        let found = self.list.iter().find(|(taken, ..)| taken == name.text).map(|(.., meaning)| meaning);
        if found.is_none() {
            let words: Vec<&str> = self.list.iter().map(|(taken, ..)| taken.as_str()).collect();
            let sentence = match words.as_slice() {
                [] => format!("no {} is called {}; none is named in this file", self.kind, quoted(name.text)),
                words => {
                    let hint = did_you_mean(name.text, words.iter().copied());
                    format!("no {} is called {}, expected {}{hint}", self.kind, quoted(name.text), listed(words))
                }
            };
            desk.fault(name.at, &name.path, Cause::Dangling, sentence);
        }
        found
    }
}

/// The most names listed in a message.
const LISTED_MAX: usize = 8;

fn listed(words: &[&str]) -> String {
    if words.len() <= LISTED_MAX {
        one_of(words)
    } else {
        format!("{} and {} more", words[..LISTED_MAX].join(", "), words.len() - LISTED_MAX)
    }
}
