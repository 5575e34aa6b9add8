//! How long a wish of the grower's may last: an alert put aside, hands in the tent.
//!
//! In: what is wished. Out: whether it may be, or why not in one sentence that begins small and has no full
//! stop, for commands and pages alike. The keeper cuts what comes longer to the same limits.

use super::alert::{AlertState, Severity};
use super::wording::lasting;
use crate::climate::stamp::HOUR_MS;

/// The longest an alert may be put aside, ms.
pub const SHELVE_MAX_MS: i64 = 24 * HOUR_MS;
/// The longest a critical one may, ms.
pub const SHELVE_CRITICAL_MAX_MS: i64 = HOUR_MS;
/// The longest that work makes air warnings wait, ms.
pub const WORKING_MAX_MS: i64 = 4 * HOUR_MS;

/// Why a wish is not granted.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unwished {
    /// It asks for what nobody may have.
    #[error("{0}")]
    Asked(String),
    /// As things stand there is nothing to put aside.
    #[error("{0}")]
    Stands(String),
}

/// The longest an alert of this severity may be put aside, ms.
pub fn shelve_max_ms(severity: Severity) -> i64 {
    if severity == Severity::Critical { SHELVE_CRITICAL_MAX_MS } else { SHELVE_MAX_MS }
}

/// Whether the alert called `name` in the sentence may be put aside for so long.
///
/// # Errors
/// Why not.
pub fn may_shelve(name: &str, severity: Severity, state: AlertState, for_ms: i64) -> Result<(), Unwished> {
    let longest = shelve_max_ms(severity);
    if for_ms > longest {
        let (word, longest) = (severity.word(), lasting(longest));
        return Err(Unwished::Asked(format!("{name} is {word}: it can be put aside for {longest} at most")));
    }
    match state {
        AlertState::Returned => Err(format!("{name} is over; acknowledge it and it leaves the list")),
        AlertState::Suppressed => Err(format!("{name} is put aside already, because another alert explains it")),
        _ => Ok(()),
    }
    .map_err(Unwished::Stands)
}

/// Whether work may take so long.
///
/// # Errors
/// Why not.
pub fn may_work(for_ms: i64) -> Result<(), Unwished> {
    if for_ms <= WORKING_MAX_MS {
        return Ok(());
    }
    let longest = lasting(WORKING_MAX_MS);
    Err(Unwished::Asked(format!("warnings wait for {longest} at most; say it again if the work takes longer")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_limits_of_wishes() {
        let stands = AlertState::Unacknowledged;
        let shelve = |severity, state, hours: i64| may_shelve("alert 7", severity, state, hours * HOUR_MS);
        assert_eq!(shelve(Severity::Warning, stands, 24), Ok(()));
        assert!(
            matches!(shelve(Severity::Warning, stands, 25), Err(Unwished::Asked(why)) if why.contains("24 h at most"))
        );
        assert_eq!(shelve(Severity::Critical, stands, 1), Ok(()));
        let why = shelve(Severity::Critical, stands, 2).map_err(|why| why.to_string());
        assert_eq!(why, Err("alert 7 is critical: it can be put aside for 1 h at most".to_owned()));
        for state in [AlertState::Returned, AlertState::Suppressed] {
            assert!(matches!(shelve(Severity::Warning, state, 1), Err(Unwished::Stands(_))));
        }
        assert_eq!(may_work(4 * HOUR_MS), Ok(()));
        assert!(may_work(4 * HOUR_MS + 1).is_err());
    }
}
