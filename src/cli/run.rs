//! SEAM for the lead: `run`, `rehearse` and `try` are joined to the daemon here.
//!
//! In: the checked config. Out: how it ended. Until they are joined they fail and say so.

use super::speak::{Failure, Outcome};
use crate::config::Plan;

/// `tubwatch run`: the daemon, until a signal. To be filled with `crate::daemon::run`.
pub fn run(_plan: Plan) -> Outcome {
    Err(Failure::Failed("this build has no daemon joined to its commands".to_owned()))
}

/// `tubwatch rehearse`: the whole job with made-up probes; reads no config.
pub fn rehearse() -> Outcome {
    Err(Failure::Failed("this build has no rehearsal joined to its commands".to_owned()))
}

/// `tubwatch try MESSENGER|all`: "Trial: nothing is wrong" through one messenger or all.
pub fn try_messenger(_plan: &Plan, _messenger: &str) -> Outcome {
    Err(Failure::Failed("this build has no messengers joined to its commands".to_owned()))
}
