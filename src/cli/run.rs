//! `run`, `rehearse` and `try`: the commands that start tasks.
//!
//! In: the checked config. Out: how it ended. The log goes to standard error, so that standard
//! output holds results alone.

use std::io::IsTerminal;
use std::str::FromStr;

use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;

use super::speak::{Failure, Outcome, Voice};
use super::{arrivals, memory, now, rehearse as rehearsal};
use crate::config::Plan;
use crate::{daemon, deliver};

/// Which messages are logged where `TUBWATCH_LOG` does not say otherwise.
const LOG_DEFAULT: &str = "info";

/// Two are as many as a card-sized computer should give: one for the engine, one for the rest.
const WORKERS: usize = 2;

fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    memory::keep_little();
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(WORKERS)
        .enable_all()
        .build()
        .map_err(|why| Failure::Failed(format!("the machine gives no threads: {why}")))
}

/// Sends the log to standard error; `TUBWATCH_LOG` sets levels by module, `debug` or `info,tubwatch::ingest=debug`.
fn log_to_stderr(default: &str) {
    let wanted = std::env::var("TUBWATCH_LOG").ok().filter(|text| !text.is_empty());
    let levels = wanted.and_then(|text| Targets::from_str(&text).ok());
    let levels = levels.unwrap_or_else(|| Targets::from_str(default).expect("the levels of this file can be read"));
    let ansi = std::io::stderr().is_terminal();
    let lines = tracing_subscriber::fmt::layer().with_writer(std::io::stderr).with_ansi(ansi).with_target(false);
    let logger = tracing_subscriber::registry().with(levels);
    // A journal dates its lines itself.
    let started = if std::env::var_os("JOURNAL_STREAM").is_some() {
        logger.with(lines.without_time()).try_init()
    } else {
        logger.with(lines).try_init()
    };
    // Refused only where a logger is set already.
    let _ = started;
}

/// `tubwatch run`: the daemon, until a signal.
pub fn run(plan: Plan) -> Outcome {
    log_to_stderr(LOG_DEFAULT);
    let runtime = runtime()?;
    let ended = runtime.block_on(daemon::run(plan));
    // A look-up of a name may hang on a thread of its own; the end does not wait for it.
    runtime.shutdown_background();
    ended.map_err(Failure::failed)
}

/// `tubwatch rehearse`: the whole job with made-up probes; reads no config.
pub fn rehearse() -> Outcome {
    log_to_stderr("warn");
    let runtime = runtime()?;
    let ended = runtime.block_on(rehearsal::rehearse(&mut Voice::new()));
    runtime.shutdown_background();
    ended
}

/// `tubwatch arrivals`: what arrives, until Ctrl-C.
pub fn arrivals(plan: Plan, all: bool, write: bool) -> Outcome {
    log_to_stderr("error");
    let _ = rustls::crypto::ring::default_provider().install_default();
    let runtime = runtime()?;
    let ended = runtime.block_on(arrivals::arrivals(plan, all, write, &mut Voice::new()));
    runtime.shutdown_background();
    ended
}

/// `tubwatch try MESSENGER|all`: "Trial: nothing is wrong" through one messenger or all.
pub fn try_messenger(plan: &Plan, messenger: &str) -> Outcome {
    let chosen: Vec<_> = plan.messengers.iter().filter(|one| messenger == "all" || one.name == messenger).collect();
    if chosen.is_empty() {
        let names: Vec<_> = plan.messengers.iter().map(|one| one.name.as_str()).collect();
        return Err(if names.is_empty() {
            Failure::Failed("the config names no messenger, so nobody would be told; add a [[messenger]]".to_owned())
        } else {
            Failure::Usage(format!("there is no messenger {messenger:?}; there are {}, or all", names.join(", ")))
        });
    }
    let _ = rustls::crypto::ring::default_provider().install_default();
    let runtime = runtime()?;
    let mut voice = Voice::new();
    let mut failed = Vec::new();
    for one in chosen {
        match runtime.block_on(deliver::try_now(plan, one, now())) {
            Ok(()) => voice.say(format!("{}: accepted", one.name))?,
            Err(why) => {
                voice.say(format!("{}: not accepted: {why}", one.name))?;
                failed.push(one.name.as_str());
            }
        }
    }
    runtime.shutdown_background();
    if failed.is_empty() {
        return Ok(());
    }
    Err(Failure::Failed(format!("not every messenger accepted the trial: {}", failed.join(", "))))
}
