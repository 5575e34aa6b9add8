//! The walk over the spanned TOML table: typed getters that note a fault where a value is not what
//! it must be.
//!
//! In: a parsed table and the text it was parsed from. Out: values with their place, and faults on
//! the [`Desk`]. A getter that notes a fault gives `None`, as one for a key that is absent does.

use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

use toml::de::{DeTable, DeValue};

use super::fault::{Cause, FAULTS_LISTED_MAX, Fault};
use super::word::{did_you_mean, duration_ms, meant_duration, name_fault, one_of, quoted, show_duration};

/// One file under examination: where its lines begin, and what is wrong with it so far.
pub(super) struct Desk<'a> {
    /// The file as the user named it.
    pub file: PathBuf,
    text: &'a str,
    line_starts: Vec<usize>,
    /// What was found so far, in no order.
    pub faults: Vec<Fault>,
}

impl<'a> Desk<'a> {
    pub fn new(text: &'a str, file: &Path) -> Desk<'a> {
        let line_starts = std::iter::once(0).chain(text.match_indices('\n').map(|(at, _)| at + 1)).collect();
        Desk { file: file.to_owned(), text, line_starts, faults: Vec::new() }
    }

    /// Line and column, both from 1, of the byte `at`; the column counts characters.
    pub fn place(&self, at: usize) -> (usize, usize) {
        let line = self.line_starts.partition_point(|start| *start <= at).max(1);
        let start = self.line_starts[line - 1];
        let before = self.text.get(start..at.min(self.text.len())).unwrap_or("");
        (line, before.chars().count() + 1)
    }

    /// Notes a fault at the byte `at`.
    pub fn fault(&mut self, at: usize, key: &str, cause: Cause, sentence: impl Into<String>) {
        let (line, column) = self.place(at);
        self.fault_in(self.file.clone(), line, column, key, cause, sentence);
    }

    /// Notes a fault in another file that the config names.
    pub fn fault_in(
        &mut self,
        file: PathBuf,
        line: usize,
        column: usize,
        key: &str,
        cause: Cause,
        sentence: impl Into<String>,
    ) {
        // Twice the list, so that sorting still finds the first ones; a file with more is no config.
        if self.faults.len() < 2 * FAULTS_LISTED_MAX {
            let (key, sentence) = (key.to_owned(), sentence.into());
            self.faults.push(Fault { file, line, column, key, cause, sentence });
        }
    }

    /// Notes that `name` must not be a name, if so.
    pub fn check_name(&mut self, name: &Text<'_>) -> bool {
        let fault = name_fault(name.text);
        if let Some(fault) = fault {
            let sentence = format!("found {}: {fault}", quoted(name.text));
            self.fault(name.at, &name.path, Cause::Value, sentence);
        }
        fault.is_none()
    }
}

/// A text and where it stands.
#[derive(Clone, Debug)]
pub(super) struct Text<'t> {
    pub text: &'t str,
    /// Byte of its first quote.
    pub at: usize,
    /// Its key from the top.
    pub path: String,
}

/// A table and where it stands.
#[derive(Clone, Debug)]
pub(super) struct Section<'t> {
    pub table: &'t DeTable<'t>,
    /// Byte of its head.
    pub at: usize,
    /// Its key from the top, with the entry's name: `probe[core-a1]`.
    pub path: String,
}

/// A value and where it stands.
#[derive(Clone, Debug)]
pub(super) struct Found<'t> {
    pub value: &'t DeValue<'t>,
    /// Byte of the value.
    pub at: usize,
    /// Byte of its key.
    pub key_at: usize,
    /// Its key from the top.
    pub path: String,
}

/// A key as it is shown: cut and made printable.
fn shown_key(key: &str) -> String {
    let bare = !key.is_empty() && key.len() <= 40 && key.chars().all(|c| c.is_alphanumeric() || matches!(c, '-' | '_'));
    if bare { key.to_owned() } else { quoted(key) }
}

fn number_of(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(integer) => i64::from_str_radix(integer.as_str(), integer.radix()).ok().map(|n| n as f64),
        DeValue::Float(float) => float.as_str().parse().ok(),
        _ => None,
    }
}

impl<'t> Found<'t> {
    /// What it is, without its text: that may be a secret put in the wrong place.
    fn describe(&self) -> String {
        match self.value {
            DeValue::String(_) => "a text".to_owned(),
            DeValue::Integer(integer) => format!("the number {integer}"),
            DeValue::Float(float) => format!("the number {}", float.as_str()),
            DeValue::Boolean(value) => value.to_string(),
            DeValue::Datetime(_) => "a date or time".to_owned(),
            DeValue::Array(list) if list.iter().any(|item| item.get_ref().is_table()) => "a list of tables".to_owned(),
            DeValue::Array(_) => "a list".to_owned(),
            DeValue::Table(_) => "a table".to_owned(),
        }
    }

    fn wrong_type(&self, desk: &mut Desk<'_>, expected: &str) {
        desk.fault(self.at, &self.path, Cause::WrongType, format!("found {}, expected {expected}", self.describe()));
    }

    /// As [`Self::wrong_type`], for a key whose text is never a secret: the text is shown.
    fn wrong_plain(&self, desk: &mut Desk<'_>, expected: &str) {
        let found = self.value.as_str().map_or_else(|| self.describe(), |text| format!("the text {}", quoted(text)));
        desk.fault(self.at, &self.path, Cause::WrongType, format!("found {found}, expected {expected}"));
    }

    pub fn text(&self, desk: &mut Desk<'_>, expected: &str) -> Option<Text<'t>> {
        let Some(text) = self.value.as_str() else {
            self.wrong_type(desk, expected);
            return None;
        };
        Some(Text { text, at: self.at, path: self.path.clone() })
    }

    pub fn section(&self, desk: &mut Desk<'_>, expected: &str) -> Option<Section<'t>> {
        let Some(table) = self.value.as_table() else {
            self.wrong_type(desk, expected);
            return None;
        };
        Some(Section { table, at: self.at, path: self.path.clone() })
    }

    pub fn number(&self, desk: &mut Desk<'_>, range: RangeInclusive<f64>, unit: &str) -> Option<f64> {
        let expected = || format!("a number from {} to {}{unit}", range.start(), range.end());
        let Some(number) = number_of(self.value) else {
            self.wrong_plain(desk, &expected());
            return None;
        };
        if !range.contains(&number) {
            desk.fault(self.at, &self.path, Cause::Value, format!("found {number}, expected {}", expected()));
            return None;
        }
        Some(number)
    }

    /// A duration in milliseconds within `range`.
    pub fn duration(&self, desk: &mut Desk<'_>, range: RangeInclusive<i64>) -> Option<i64> {
        let (low, high) = (show_duration(*range.start()), show_duration(*range.end()));
        let expected = format!("a duration from \"{low}\" to \"{high}\"");
        let Some(text) = self.value.as_str() else {
            self.wrong_type(desk, &format!("{expected}, in quotes and with its unit"));
            return None;
        };
        match duration_ms(text) {
            Some(ms) if range.contains(&ms) => Some(ms),
            parsed => {
                let meant = match (parsed, meant_duration(text)) {
                    (None, Some(meant)) => format!("; did you mean \"{meant}\"?"),
                    _ => String::new(),
                };
                let sentence = format!("found {}, expected {expected} (units ms, s, min, h, d){meant}", quoted(text));
                desk.fault(self.at, &self.path, Cause::Value, sentence);
                None
            }
        }
    }

    pub fn flag(&self, desk: &mut Desk<'_>) -> Option<bool> {
        let flag = self.value.as_bool();
        if flag.is_none() {
            self.wrong_plain(desk, "true or false, without quotes");
        }
        flag
    }

    /// A list of texts, each with its place.
    pub fn texts(&self, desk: &mut Desk<'_>, expected: &str) -> Option<Vec<Text<'t>>> {
        let Some(list) = self.value.as_array() else {
            self.wrong_type(desk, expected);
            return None;
        };
        let mut texts = Vec::new();
        for item in list.iter() {
            let at = item.span().start;
            let item = Found { value: item.get_ref(), at, key_at: at, path: self.path.clone() };
            texts.extend(item.text(desk, expected));
        }
        Some(texts)
    }
}

impl<'t> Section<'t> {
    /// The key `key` from the top.
    pub fn path_of(&self, key: &str) -> String {
        let key = shown_key(key);
        if self.path.is_empty() { key } else { format!("{}.{key}", self.path) }
    }

    pub fn found(&self, key: &str) -> Option<Found<'t>> {
        let (name, value) = self.table.get_key_value(key)?;
        let (at, key_at) = (value.span().start, name.span().start);
        Some(Found { value: value.get_ref(), at, key_at, path: self.path_of(key) })
    }

    pub fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// Every key with its value.
    pub fn entries(&self) -> impl Iterator<Item = (&'t str, Found<'t>)> + use<'_, 't> {
        self.table.iter().map(|(name, value)| {
            let (at, key_at) = (value.span().start, name.span().start);
            let path = self.path_of(name.get_ref());
            (name.get_ref().as_ref(), Found { value: value.get_ref(), at, key_at, path })
        })
    }

    /// Notes every key that is not of `known`.
    pub fn only(&self, desk: &mut Desk<'_>, known: &[&str]) {
        for (key, found) in self.entries() {
            if !known.contains(&key) {
                let hint = did_you_mean(key, known.iter().copied());
                let hint = if hint.is_empty() { format!(", expected {}", one_of(known)) } else { hint };
                desk.fault(found.key_at, &found.path, Cause::Unknown, format!("there is no such key{hint}"));
            }
        }
    }

    /// Notes that `key` is missing; `sentence` says what it is for.
    pub fn missing(&self, desk: &mut Desk<'_>, key: &str, sentence: &str) {
        let sentence = format!("it is missing, expected {sentence}");
        desk.fault(self.at, &self.path_of(key), Cause::Missing, sentence);
    }

    /// The value of `key`, noted as missing where it is absent.
    pub fn needed(&self, desk: &mut Desk<'_>, key: &str, expected: &str) -> Option<Found<'t>> {
        let found = self.found(key);
        if found.is_none() {
            self.missing(desk, key, expected);
        }
        found
    }

    pub fn text(&self, desk: &mut Desk<'_>, key: &str, expected: &str) -> Option<Text<'t>> {
        self.found(key)?.text(desk, expected)
    }

    pub fn needed_text(&self, desk: &mut Desk<'_>, key: &str, expected: &str) -> Option<Text<'t>> {
        self.needed(desk, key, expected)?.text(desk, expected)
    }

    /// The position in `words` of the text of `key`.
    pub fn word(&self, desk: &mut Desk<'_>, key: &str, words: &[&str]) -> Option<usize> {
        let expected = one_of(words);
        let text = self.found(key)?.text(desk, &expected)?;
        let position = words.iter().position(|word| *word == text.text);
        if position.is_none() {
            let hint = did_you_mean(text.text, words.iter().copied());
            let sentence = format!("found {}, expected {expected}{hint}", quoted(text.text));
            desk.fault(text.at, &text.path, Cause::Value, sentence);
        }
        position
    }

    /// The table `[key]`.
    pub fn section(&self, desk: &mut Desk<'_>, key: &'static str) -> Option<Section<'t>> {
        self.found(key)?.section(desk, "a table")
    }

    /// The tables `[[key]]`, each called by its `name` where it has one.
    pub fn sections(&self, desk: &mut Desk<'_>, key: &'static str) -> Vec<Section<'t>> {
        let Some(found) = self.found(key) else { return Vec::new() };
        let expected = format!("tables headed [[{key}]], in double brackets");
        let Some(list) = found.value.as_array() else {
            found.wrong_type(desk, &expected);
            return Vec::new();
        };
        let mut sections = Vec::new();
        for (position, item) in list.iter().enumerate() {
            let at = item.span().start;
            let called = item.get_ref().get("name").and_then(|name| name.get_ref().as_str());
            let called = called.filter(|name| name_fault(name).is_none());
            let called = called.map_or_else(|| (position + 1).to_string(), str::to_owned);
            let path = format!("{}[{called}]", self.path_of(key));
            let item = Found { value: item.get_ref(), at, key_at: at, path };
            sections.extend(item.section(desk, &expected));
        }
        sections
    }
}
