//! `rename`: a probe or a space is called otherwise, and its history follows.
//!
//! In: what, its old name, its new one. Out: one entry, and the store's own tables in the same transaction; which
//! lines of the config are to be changed. A running daemon takes the new name up within seconds, whatever
//! its config says. Left out: how names are followed (`grow::rename`, `Plan::in_todays_names`).

use super::Site;
use super::speak::{Failure, Outcome, Voice, printable};
use crate::config::renamed;
use crate::grow::logbook::Entry;
use crate::grow::rename::{Named, Renaming, is_named};
use crate::grow::wrong::{Wrong, unknown};
use crate::store::Access;
use crate::store::entries::AppendError;
use crate::store::rename;

/// Renames, and says what is left to do.
pub fn rename(site: &Site, what: Named, old: &str, new: &str) -> Outcome {
    let word = what.word();
    if let Some(why) = renamed::fault(what, new) {
        return Err(Failure::Usage(format!("\"{}\" cannot be a {word}'s name: it {why}", printable(new))));
    }
    if old == new {
        return Err(Failure::Usage(format!("{word} {} is called so already", printable(old))));
    }
    let renaming = Renaming { what, old: old.to_owned(), new: new.to_owned() };
    if !super::paper::is_there(site) {
        return Err(Failure::Failed(
            "there is no store yet, so no history to follow: change the config alone".to_owned(),
        ));
    }
    let mut access = Access::open(&site.plan.store.folder).map_err(Failure::failed)?;
    let check = |entries: &[Entry], heard: &[String]| may(site, &renaming, entries, heard);
    let entry = rename::rename(&mut access, site.now, &renaming, check).map_err(|error| match error {
        AppendError::Refused(wrong) => Failure::from(wrong),
        AppendError::Store(error) => Failure::failed(error),
    })?;
    let mut voice = Voice::new();
    voice.say(format!(
        "{word} {} is called {} from now on, its history too (entry {entry})",
        printable(old),
        printable(new)
    ))?;
    let file = &site.plan.file;
    // It was read a moment ago; what it says by now decides.
    let text = std::fs::read_to_string(file).unwrap_or_default();
    let lines: Vec<String> = renamed::lines(&text, what, old).iter().map(usize::to_string).collect();
    let said = match lines.as_slice() {
        [] => format!("{} says {old} no more; there is nothing left to change", file.display()),
        lines => format!(
            "now write \"{}\" for \"{}\" in {}, line{} {}; until then the old name there is read as the new one",
            printable(new),
            printable(old),
            file.display(),
            if lines.len() == 1 { "" } else { "s" },
            lines.join(", ")
        ),
    };
    voice.say(said)
}

/// Whether it may be: the old one is known, and nothing is or was called the new one.
fn may(site: &Site, renaming: &Renaming, entries: &[Entry], heard: &[String]) -> Result<(), Wrong> {
    let Renaming { what, old, new } = renaming;
    let setup = &site.plan.setup;
    let configured: Vec<&str> = match what {
        Named::Probe => setup.probes.iter().map(|probe| probe.name.as_str()).collect(),
        Named::Space => setup.spaces.iter().map(|space| space.name.as_str()).collect(),
    };
    let has_history = |name: &str| match what {
        Named::Probe => heard.iter().any(|known| known == name) || is_named(entries, *what, name),
        Named::Space => is_named(entries, *what, name),
    };
    let is_configured = |name: &str| configured.contains(&name);
    if !is_configured(old) && !has_history(old) {
        return Err(Wrong::Word(unknown(what.word(), old, configured.iter().copied())));
    }
    // A config that says the new name already is only ahead.
    if has_history(new) || (is_configured(new) && is_configured(old)) {
        let word = what.word();
        return Err(Wrong::Forbidden(format!(
            "{word} {new} is there already, with a history of its own; two histories do not become one, choose another name"
        )));
    }
    Ok(())
}
