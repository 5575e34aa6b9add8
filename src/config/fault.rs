//! What is wrong with a config, and where.
//!
//! In: the findings of the other files of this room. Out: [`Faults`], one printed line each, in the
//! order of the file. Leaves out: values that may be secret; a sentence never quotes a URL, a header
//! or the inside of a file that holds a secret.

use std::fmt;
use std::path::PathBuf;

/// The most faults that are listed; what is over is counted. A file with more is no config at all.
pub const FAULTS_LISTED_MAX: usize = 1_000;

/// The kind of a fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Cause {
    /// A file that cannot be read.
    Unreadable,
    /// Not TOML.
    Syntax,
    /// A key that nobody knows.
    Unknown,
    /// A key or table that must be there.
    Missing,
    /// A text where a number belongs, and the like.
    WrongType,
    /// The right type, but not a value that can be used.
    Value,
    /// A name that nothing carries.
    Dangling,
    /// Right by itself, but not beside something else in the file.
    Clash,
}

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// The file, as the user named it.
    pub file: PathBuf,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The key, from the top: `probe[core-a1].every`.
    pub key: String,
    /// Its kind.
    pub cause: Cause,
    /// What was found, what was expected, and the nearest valid word.
    pub sentence: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "{}:{}:{}: {}: {}", self.file.display(), self.line, self.column, self.key, self.sentence)
    }
}

/// Everything that is wrong with a config; at least one fault. Displays one line a fault.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Faults {
    list: Vec<Fault>,
    unlisted: usize,
}

impl Faults {
    /// The faults given, sorted by place within each file, the files in the order they first appear;
    /// `None` when there are none.
    pub(super) fn from_findings(mut list: Vec<Fault>) -> Option<Faults> {
        let mut files: Vec<PathBuf> = Vec::new();
        for fault in &list {
            if !files.contains(&fault.file) {
                files.push(fault.file.clone());
            }
        }
        let rank = |fault: &Fault| files.iter().position(|file| *file == fault.file);
        list.sort_by_key(|fault| (rank(fault), fault.line, fault.column));
        let unlisted = list.len().saturating_sub(FAULTS_LISTED_MAX);
        list.truncate(FAULTS_LISTED_MAX);
        (!list.is_empty()).then_some(Faults { list, unlisted })
    }

    /// How many there are, listed or not; of a file with over 2,000 not all are counted.
    pub fn count(&self) -> usize {
        self.list.len() + self.unlisted
    }

    /// The first one in a sentence that fits in an alert: file, line, key and what is wrong, and how many more there
    /// are. The file goes by its name alone.
    pub fn in_short(&self) -> String {
        let more = match self.count().saturating_sub(1) {
            0 => String::new(),
            more => format!("; and {more} more"),
        };
        self.list.first().map_or(String::new(), |first| {
            let file =
                first.file.file_name().map_or_else(|| first.file.to_string_lossy(), |name| name.to_string_lossy());
            format!("{file}, line {}, {}: {}{more}", first.line, first.key, first.sentence)
        })
    }

    /// The listed ones, at most [`FAULTS_LISTED_MAX`], in the order of the file.
    pub fn iter(&self) -> std::slice::Iter<'_, Fault> {
        self.list.iter()
    }
}

impl<'a> IntoIterator for &'a Faults {
    type Item = &'a Fault;
    type IntoIter = std::slice::Iter<'a, Fault>;

    fn into_iter(self) -> Self::IntoIter {
        self.iter()
    }
}

impl fmt::Display for Faults {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (position, fault) in self.list.iter().enumerate() {
            if position > 0 {
                formatter.write_str("\n")?;
            }
            fault.fmt(formatter)?;
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}
