//! A config that still says the old name of a probe or space: it is read as the new one.
//!
//! In: a checked plan, the renamings in the order they were made. Out: the plan in the names of today, and
//! the lines of the config that are to be changed. Left out: the logbook and the store (`grow::rename`,
//! `store::rename`).

use toml::de::{DeTable, DeValue};

use super::plan::Plan;
use crate::grow::rename::{Named, Renaming};

impl Plan {
    /// The plan in the names of today. Where the config names both the old and the new one, they are two things.
    /// Gives the renamings that the config has not followed yet.
    pub fn in_todays_names(&mut self, renamings: &[Renaming]) -> Vec<Renaming> {
        let mut behind = Vec::new();
        for renaming in renamings {
            let is_behind = match renaming.what {
                Named::Probe => {
                    let mut names: Vec<&mut String> =
                        self.setup.probes.iter_mut().map(|probe| &mut probe.name).collect();
                    change(&mut names, renaming) && {
                        let mut names: Vec<&mut String> = self.probes.iter_mut().map(|probe| &mut probe.name).collect();
                        change(&mut names, renaming)
                    }
                }
                Named::Space => {
                    let mut names: Vec<&mut String> =
                        self.setup.spaces.iter_mut().map(|space| &mut space.name).collect();
                    change(&mut names, renaming)
                }
            };
            if is_behind {
                behind.push(renaming.clone());
            }
        }
        behind
    }
}

fn change(names: &mut [&mut String], renaming: &Renaming) -> bool {
    if names.iter().any(|name| **name == renaming.new) {
        return false;
    }
    match names.iter_mut().find(|name| ***name == renaming.old) {
        Some(name) => {
            name.clone_from(&renaming.new);
            true
        }
        None => false,
    }
}

/// The lines of a config, from 1, where a probe or space is called `name`.
pub fn lines(text: &str, what: Named, name: &str) -> Vec<usize> {
    let (root, _) = DeTable::parse_recoverable(text);
    let root = root.get_ref();
    let mut places = Vec::new();
    let tables = |key: &str| root.get(key).and_then(|list| list.get_ref().as_array()).into_iter().flatten();
    let table = match what {
        Named::Probe => "probe",
        Named::Space => "space",
    };
    for item in tables(table) {
        let called = item.get_ref().get("name").filter(|called| called.get_ref().as_str() == Some(name));
        places.extend(called.map(|called| called.span().start));
    }
    if what == Named::Probe {
        for probe in tables("space").filter_map(|space| space.get_ref().get("air")?.get_ref().as_array()).flatten() {
            if probe.get_ref().as_str() == Some(name) {
                places.push(probe.span().start);
            }
        }
        if let Some(DeValue::Table(corrections)) = root.get("correction").map(|table| table.get_ref()) {
            places.extend(corrections.iter().filter(|(key, _)| key.get_ref() == name).map(|(key, _)| key.span().start));
        }
    }
    let mut lines: Vec<usize> = places.into_iter().map(|at| text[..at].matches('\n').count() + 1).collect();
    lines.sort_unstable();
    lines.dedup();
    lines
}

/// Why nothing can be called so, as the end of a sentence that begins "a name that".
pub fn fault(what: Named, name: &str) -> Option<&'static str> {
    match name {
        "none" if what == Named::Probe => Some("is a word of the commands"),
        name => super::word::name_fault(name),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_lines_that_name_it() {
        let text = "[site]\nname = \"a\"\n[[probe]]\nname = \"a\"\ntopic = \"a\"\n[[probe]]\nname = \"b\"\n\
                    [correction.a]\nhumidity = { offset = 1.0 }\n[[space]]\nname = \"a\"\nair = [\n  \"b\",\n  \"a\",\n]\n";
        assert_eq!(lines(text, Named::Probe, "a"), [4, 8, 14]);
        assert_eq!(lines(text, Named::Space, "a"), [11]);
        assert_eq!(lines(text, Named::Space, "b"), [0_usize; 0]);
    }
}
