//! Why something could not be told, in plain words.
//!
//! In: what went wrong. Out: one plain sentence, and whether trying again may help. Pure.

use std::error::Error;
use std::time::Duration;

/// Why a message was not accepted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Refused {
    /// One plain sentence.
    pub(super) why: String,
    /// The receiver answered that this message is wrong (most of 4xx): trying again soon will not help.
    pub(super) for_good: bool,
    /// It asked to be left alone for so long.
    pub(super) retry_after: Option<Duration>,
    /// Of several people some have it by now.
    pub(super) told_others: bool,
}

impl Refused {
    /// Whoever may be told has been: the rest will never be, and is named in the log.
    pub(super) fn is_told(&self) -> bool {
        self.for_good && self.told_others
    }

    /// Trying again may help.
    pub(super) fn passing(why: String) -> Refused {
        Refused { why, for_good: false, retry_after: None, told_others: false }
    }
}

/// What lies at the bottom of `error`, as [`plainly`] says it.
pub(super) fn root_of(error: &dyn Error) -> String {
    let mut deepest = error;
    while let Some(source) = deepest.source() {
        deepest = source;
    }
    plainly(&deepest.to_string())
}

/// What the system or TLS said, without its codes.
pub(super) fn plainly(said: &str) -> String {
    if said.contains("UnknownIssuer") {
        return "its certificate comes from an authority that this machine does not trust".to_owned();
    }
    let said = said.split(" (os error").next().unwrap_or(said);
    let mut letters = said.chars();
    letters.next().map_or(String::new(), |first| first.to_lowercase().chain(letters).collect())
}
