//! Probes and spaces that are called otherwise since: history follows them.
//!
//! In: the logbook. Out: which name became which, and the logbook with every earlier line in the name of
//! today. A name that is given to another thing later means that one from then on. Pure. Left out: the
//! tables of the store (`store::rename`), the config (`Plan::in_todays_names`).

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

use super::logbook::{Deed, Entry};

/// What bears a name of the config that history is kept under.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Named {
    /// A probe.
    Probe,
    /// A space.
    Space,
}

impl Named {
    /// The word used in commands and alerts' subjects.
    pub fn word(self) -> &'static str {
        match self {
            Named::Probe => "probe",
            Named::Space => "space",
        }
    }
}

/// One renaming.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Renaming {
    /// Of what.
    pub what: Named,
    /// What it was called.
    pub old: String,
    /// What it is called since.
    pub new: String,
}

impl Renaming {
    /// Changes `name` if it is the old one.
    fn change(&self, what: Named, name: &mut String) {
        if self.what == what && *name == self.old {
            name.clone_from(&self.new);
        }
    }

    fn apply(&self, deed: &mut Deed) {
        match deed {
            Deed::Spawned(spawning) => {
                self.change(Named::Space, &mut spawning.space);
                if let Some(core) = &mut spawning.core {
                    self.change(Named::Probe, core);
                }
            }
            Deed::Core { probe: Some(probe) } => self.change(Named::Probe, probe),
            Deed::Moved { to } | Deed::Opened { to: Some(to) } => self.change(Named::Space, to),
            Deed::Working { space: Some(space), .. } => self.change(Named::Space, space),
            Deed::HeatBegan(start) => start.probes.iter_mut().for_each(|probe| self.change(Named::Probe, probe)),
            _ => {}
        }
    }
}

/// Every renaming, in the order they were made, with its entry's number.
pub fn all(entries: &[Entry]) -> Vec<(i64, &Renaming)> {
    let mut all: Vec<(i64, &Renaming)> = entries
        .iter()
        .filter_map(|entry| match &entry.deed {
            Deed::Renamed(renaming) => Some((entry.id, &**renaming)),
            _ => None,
        })
        .collect();
    all.sort_by_key(|(id, _)| *id);
    all
}

/// The logbook with every line in the names of today.
pub fn in_todays_names(entries: &[Entry]) -> Cow<'_, [Entry]> {
    let all = all(entries);
    if all.is_empty() {
        return Cow::Borrowed(entries);
    }
    let renamed = |entry: &Entry| {
        let mut entry = entry.clone();
        for (_, renaming) in all.iter().filter(|(id, _)| *id > entry.id) {
            renaming.apply(&mut entry.deed);
        }
        entry
    };
    Cow::Owned(entries.iter().map(renamed).collect())
}

/// Whether any line names this probe or space, in the names of today.
pub fn is_named(entries: &[Entry], what: Named, name: &str) -> bool {
    // Renaming the name to itself finds it: a probe of change.
    let marked = Renaming { what, old: name.to_owned(), new: format!("{name}\0") };
    in_todays_names(entries).iter().any(|entry| {
        let mut deed = entry.deed.clone();
        marked.apply(&mut deed);
        deed != entry.deed
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::Stamp;
    use crate::grow::logbook::Spawning;

    fn entry(id: i64, deed: Deed) -> Entry {
        Entry { id, written_at: Stamp(id), at: Stamp(id), tub: "A1-2026-11-18".to_owned(), deed }
    }

    fn renamed(id: i64, what: Named, old: &str, new: &str) -> Entry {
        entry(id, Deed::Renamed(Box::new(Renaming { what, old: old.to_owned(), new: new.to_owned() })))
    }

    fn core(id: i64, probe: &str) -> Entry {
        entry(id, Deed::Core { probe: Some(probe.to_owned()) })
    }

    #[test]
    fn earlier_lines_follow_and_later_ones_mean_another() {
        let spawning = Spawning { space: "a".to_owned(), core: Some("a".to_owned()), ..Spawning::default() };
        let book = [
            entry(1, Deed::Spawned(Box::new(spawning))),
            core(2, "a"),
            renamed(3, Named::Probe, "a", "b"),
            core(4, "a"),
            renamed(5, Named::Probe, "b", "c"),
            entry(6, Deed::Moved { to: "a".to_owned() }),
        ];
        let today = in_todays_names(&book);
        let Deed::Spawned(spawning) = &today[0].deed else { unreachable!("it was spawned") };
        assert_eq!((spawning.space.as_str(), spawning.core.as_deref()), ("a", Some("c")), "a space is no probe");
        assert_eq!(today[1], core(2, "c"));
        assert_eq!(today[3], core(4, "a"), "a new probe of the old name");
        assert!(is_named(&book, Named::Probe, "c") && is_named(&book, Named::Space, "a"));
        assert!(!is_named(&book, Named::Probe, "b") && !is_named(&book, Named::Space, "c"));
    }
}
