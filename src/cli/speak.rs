//! How commands speak: results on standard output, one plain sentence on standard error.
//!
//! In: lines and failures. Out: bytes and exit codes. A reader that went away (`tubwatch tubs |
//! head`) ends the command normally.

pub use crate::grow::words::printable;
use std::io::{self, ErrorKind, StdoutLock, Write};
use std::process::ExitCode;

use crate::grow::wrong::Wrong;

/// Why a command ended otherwise than done. The text is one plain sentence; for a config, one a fault.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Failure {
    /// Exit 1: it could not be done, or the logbook forbids it.
    Failed(String),
    /// Exit 2: wrong usage.
    Usage(String),
    /// Exit 78 (sysexits EX_CONFIG): the config is wrong or not there.
    Config(String),
    /// Exit 0: nobody reads standard output any more.
    ReaderGone,
}

/// How a command ends.
pub type Outcome = Result<(), Failure>;

impl Failure {
    /// From any error that says all in its text.
    pub fn failed(error: impl std::fmt::Display) -> Failure {
        Failure::Failed(error.to_string())
    }

    /// The exit code.
    pub fn code(&self) -> u8 {
        match self {
            Failure::Failed(_) => 1,
            Failure::Usage(_) => 2,
            Failure::Config(_) => 78,
            Failure::ReaderGone => 0,
        }
    }

    /// Says it on standard error.
    pub fn end(&self) -> ExitCode {
        if let Failure::Failed(text) | Failure::Usage(text) | Failure::Config(text) = self {
            // Nothing is left to be done where standard error is closed too.
            let _ = writeln!(io::stderr().lock(), "{text}");
        }
        ExitCode::from(self.code())
    }
}

impl From<Wrong> for Failure {
    fn from(wrong: Wrong) -> Failure {
        match wrong {
            Wrong::Word(text) => Failure::Usage(text),
            Wrong::Forbidden(text) => Failure::Failed(text),
        }
    }
}

/// Standard output, held for the length of a command.
pub struct Voice(StdoutLock<'static>);

impl Voice {
    /// Takes hold of standard output.
    pub fn new() -> Voice {
        Voice(io::stdout().lock())
    }

    /// Says one line.
    ///
    /// # Errors
    /// [`Failure::ReaderGone`] when nobody reads any more, [`Failure::Failed`] when it cannot be written.
    pub fn say(&mut self, line: impl std::fmt::Display) -> Outcome {
        let said = writeln!(self.0, "{line}").and_then(|()| self.0.flush());
        said.map_err(|error| unheard(&error))
    }

    /// Lets `write` say as much as it likes.
    ///
    /// # Errors
    /// As [`Voice::say`].
    pub fn write(&mut self, write: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Outcome {
        write(&mut self.0).and_then(|()| self.0.flush()).map_err(|error| unheard(&error))
    }

    /// Says a value as JSON, indented, for programs and people alike.
    ///
    /// # Errors
    /// As [`Voice::say`].
    pub fn json(&mut self, value: &impl serde::Serialize) -> Outcome {
        let text = serde_json::to_string_pretty(value).map_err(Failure::failed)?;
        self.say(text)
    }
}

impl Default for Voice {
    fn default() -> Voice {
        Voice::new()
    }
}

/// What an error of writing to standard output means.
fn unheard(error: &io::Error) -> Failure {
    if error.kind() == ErrorKind::BrokenPipe {
        Failure::ReaderGone
    } else {
        Failure::Failed(format!("cannot write to standard output: {error}"))
    }
}

/// Rows as aligned columns, two spaces between them; the first row is the heading.
pub fn table(rows: &[Vec<String>]) -> Vec<String> {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |column: usize| {
        rows.iter().filter_map(|row| row.get(column)).map(|cell| cell.chars().count()).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..columns).map(width).collect();
    rows.iter()
        .map(|row| {
            let cells = row.iter().zip(&widths).map(|(cell, width)| format!("{cell:<width$}", width = *width));
            cells.collect::<Vec<_>>().join("  ").trim_end().to_owned()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_align_by_letters_not_bytes() {
        let row = |cells: [&str; 2]| cells.map(str::to_owned).to_vec();
        assert_eq!(
            table(&[row(["a", "b"]), row(["24.1 °C", "x"]), row(["24.1 C", ""])]),
            ["a        b", "24.1 °C  x", "24.1 C"]
        );
    }

    #[test]
    fn control_characters_are_shown_not_obeyed() {
        assert_eq!(printable("a\u{1b}[31mb\nc"), "a\u{fffd}[31mb c");
    }
}
