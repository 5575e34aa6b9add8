//! Commands and their printing.
//!
//! In: the command line. Out: text on standard output, one plain sentence on standard error, an exit
//! code: 0 done, 1 failed, 2 wrong usage, 78 wrong config. Every command reads the config by the same
//! function and works on the store directly, whether or not the daemon runs.

mod alerts;
mod args;
mod arrivals;
mod backup;
mod beside;
mod calibrate;
pub mod check;
mod copies;
mod enter;
mod export;
mod heat;
mod heat_args;
mod logbook;
pub mod memory;
mod paper;
mod pasteurise;
mod rehearse;
mod rename;
mod replay;
mod report;
mod run;
mod shelve;
mod speak;
pub mod suggest;
mod token;
mod told;
mod tubs;
mod user;
mod wording;
mod working;

use std::ffi::OsString;
use std::path::Path;
use std::process::ExitCode;

use clap::Parser;
use clap::error::ErrorKind;

use crate::climate::Stamp;
use crate::config::{self, Plan};
use crate::grow;
use crate::grow::logbook::{Entry, Known};
use crate::grow::rename::{Named, Renaming};
use crate::store::Reader;
use crate::store::open::FILE;
use args::{Cli, Command, RenameCommand, TokenCommand, UserCommand};
use speak::{Failure, Outcome, Voice};

/// Runs the command line `words` (the program's name first) to its end.
pub fn main(words: impl IntoIterator<Item = OsString>) -> ExitCode {
    match Cli::try_parse_from(words).map_err(Misspoken).map(|cli| dispatch(&cli)) {
        Ok(Ok(())) => ExitCode::SUCCESS,
        Ok(Err(failure)) => failure.end(),
        Err(misspoken) => misspoken.end(),
    }
}

fn dispatch(cli: &Cli) -> Outcome {
    let file = cli.config.as_deref();
    match &cli.command {
        Command::Run => run::run(whole_plan(file)?),
        Command::Check => {
            let mut plan = whole_plan(file)?;
            let entries = entries(&plan).unwrap_or_default();
            let behind = plan.in_todays_names(&renamed(&entries));
            let tubs = grow::logbook::tubs(&grow::rename::in_todays_names(&entries), plan.timezone);
            let mut voice = Voice::new();
            voice.write(|out| check::check(&plan, &tubs, now(), out))?;
            for Renaming { what, old, new } in behind {
                let word = what.word();
                voice.say(format!("{word} {old} is called {new} since it was renamed; write {new} here too"))?;
            }
            Ok(())
        }
        Command::Rehearse => run::rehearse(),
        Command::Try { messenger } => run::try_messenger(&whole_plan(file)?, messenger),
        Command::Tubs(how) => tubs::tubs(&site(file)?, how.json),
        Command::Show { tub, json } => tubs::show(&site(file)?, tub, json.json),
        Command::Alerts(how) => alerts::alerts(&site(file)?, how.json),
        Command::Acknowledge { id } => alerts::acknowledge(&site(file)?, id),
        Command::Pasteurise(args) => pasteurise::pasteurise(&site(file)?, args),
        Command::HeatRuns(args) => pasteurise::heat_runs(&site(file)?, args),
        Command::Calibrate(args) => calibrate::calibrate(&site(file)?, args),
        Command::Shelve { id, how_long } => shelve::shelve(&site(file)?, id, how_long),
        Command::Working { how_long, space } => working::working(&site(file)?, how_long, space.as_deref()),
        Command::Replay(args) => replay::replay(&site(file)?, args),
        Command::Export(args) => export::export(&site(file)?, args),
        Command::Report(args) => report::report(&site(file)?, args),
        Command::Label { tub, out } => report::label(&site(file)?, tub, out),
        Command::Backup { file: target, salvage } => backup::backup(&site(file)?, target, *salvage),
        Command::Restore { file: from, set_aside } => backup::restore(&site(file)?, from, *set_aside),
        Command::Token { what: TokenCommand::New } => token::new(file),
        Command::Arrivals { all, write } => run::arrivals(site(file)?.plan, *all, *write),
        Command::Rename { what: RenameCommand::Probe { old, new } } => {
            rename::rename(&site(file)?, Named::Probe, old, new)
        }
        Command::Rename { what: RenameCommand::Space { old, new } } => {
            rename::rename(&site(file)?, Named::Space, old, new)
        }
        Command::User { what: UserCommand::Add { name, intake } } => user::add(file, name, intake.as_deref()),
        entry => logbook::log(&site(file)?, entry),
    }
}

/// The checked config and the moment the command began.
pub(crate) struct Site {
    /// The config.
    pub plan: Plan,
    /// The machine's clock.
    pub now: Stamp,
}

impl Site {
    /// What logbook entries may name.
    pub fn known(&self) -> Known {
        self.plan.known(self.now)
    }
}

/// Reads the config as most commands do: passwords they may not read are none of their business.
fn site(file: Option<&Path>) -> Result<Site, Failure> {
    let path = config::find(file).map_err(|none| Failure::Config(none.to_string()))?;
    let mut plan = config::load_for_commands(&path).map_err(|faults| Failure::Config(faults.to_string()))?;
    // A store that cannot be read is the command's to tell.
    let _ = plan.in_todays_names(&renamed(&entries(&plan).unwrap_or_default()));
    Ok(Site { plan, now: now() })
}

/// The store's logbook; nothing where there is no store.
fn entries(plan: &Plan) -> Option<Vec<Entry>> {
    let there = plan.store.folder.join(FILE).try_exists().unwrap_or(false);
    there.then(|| Reader::open(&plan.store.folder).ok()?.entries().ok())?
}

/// What was renamed, by the logbook.
fn renamed(entries: &[Entry]) -> Vec<Renaming> {
    grow::rename::all(entries).into_iter().map(|(_, renaming)| renaming.clone()).collect()
}

/// Reads the config and every secret it names, for what connects to somewhere.
fn whole_plan(file: Option<&Path>) -> Result<Plan, Failure> {
    let path = config::find(file).map_err(|none| Failure::Config(none.to_string()))?;
    config::load(&path).map_err(|faults| Failure::Config(faults.to_string()))
}

/// The commands as they may be typed, for the man pages and completions that a package carries.
pub fn command() -> clap::Command {
    <Cli as clap::CommandFactory>::command()
}

/// The machine's clock.
fn now() -> Stamp {
    Stamp::from_time(&chrono::Utc::now())
}

/// What clap could not read, or its help.
struct Misspoken(clap::Error);

impl Misspoken {
    fn end(self) -> ExitCode {
        match self.0.kind() {
            ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => {
                let text = self.0.render().to_string();
                match Voice::new().say(text.trim_end()) {
                    Ok(()) => ExitCode::SUCCESS,
                    Err(failure) => failure.end(),
                }
            }
            ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand | ErrorKind::MissingSubcommand => {
                Failure::Usage(self.0.render().to_string().trim_end().to_owned()).end()
            }
            _ => Failure::Usage(one_sentence(&self.0.render().to_string())).end(),
        }
    }
}

/// Clap's paragraph as one sentence: what was wrong, what is near, where the help is.
fn one_sentence(paragraph: &str) -> String {
    let mut sentence = String::new();
    let mut command = "tubwatch".to_owned();
    for line in paragraph.lines().map(str::trim) {
        if let Some(usage) = line.strip_prefix("Usage: ") {
            let words =
                usage.split(' ').take_while(|word| word.starts_with(|letter: char| letter.is_ascii_lowercase()));
            command = words.collect::<Vec<_>>().join(" ");
            break;
        }
        if line.is_empty() || line.starts_with("For more information") {
            continue;
        }
        let (glue, text) = match line.strip_prefix("error: ") {
            Some(text) => ("", text),
            None => match line.strip_prefix("tip: ") {
                Some(tip) => ("; ", tip),
                None if sentence.ends_with(':') => (" ", line),
                None => (", ", line),
            },
        };
        sentence.push_str(glue);
        sentence.push_str(text);
    }
    format!("{sentence}; see {command} --help")
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn said(words: &[&str]) -> String {
        one_sentence(&Cli::try_parse_from(words).unwrap_err().render().to_string())
    }

    #[test]
    fn the_commands_hold_together() {
        <Cli as clap::CommandFactory>::command().debug_assert();
    }

    #[test]
    fn usage_is_refused_in_one_sentence() {
        assert_eq!(
            said(&["tubwatch", "spwn", "A1"]),
            "unrecognized subcommand 'spwn'; a similar subcommand exists: 'spawn'; see tubwatch --help"
        );
        assert_eq!(
            said(&["tubwatch", "spawn", "A1"]),
            "the following required arguments were not provided: --culture <CULTURE>, --space <SPACE>; see tubwatch spawn --help"
        );
        assert_eq!(
            said(&["tubwatch", "harvest", "A1", "--frsh", "1"]),
            "unexpected argument '--frsh' found; a similar argument exists: '--fresh'; see tubwatch harvest --help"
        );
    }

    #[test]
    fn the_config_is_named_before_or_after_the_command() {
        for words in [["tubwatch", "--config", "a.toml", "tubs"], ["tubwatch", "tubs", "--config", "a.toml"]] {
            assert_eq!(Cli::try_parse_from(words).unwrap().config.as_deref(), Some(Path::new("a.toml")));
        }
    }
}
