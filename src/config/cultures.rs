//! Cultures: the built-in ones, and those of the site's own file. One reading for both.

use std::path::Path;

use super::bands::bands;
use super::fault::{Cause, Faults};
use super::names::Names;
use super::syntax;
use super::walk::{Desk, Section};
use crate::grow::culture::{Culture, Requirement, Thermal};

/// The cultures that come with the program.
const BUILT_IN: &str = include_str!("../../config/cultures.toml");

/// The cultures that come with the program, in the order of their file.
pub fn built_in() -> Vec<Culture> {
    let mut desk = Desk::new(BUILT_IN, Path::new("config/cultures.toml"));
    read(&mut desk, BUILT_IN)
}

/// Checks `text` as the file of cultures `file`, which itself is not read.
///
/// # Errors
/// Everything that is wrong with it, at once.
pub fn parse(text: &str, file: &Path) -> Result<Vec<Culture>, Faults> {
    let mut desk = Desk::new(text, file);
    let cultures = read(&mut desk, text);
    Faults::from_findings(desk.faults).map_or(Ok(cultures), Err)
}

/// Reads a file of `[[culture]]` tables; what is wrong with it is noted on `desk`.
pub(super) fn read(desk: &mut Desk<'_>, text: &str) -> Vec<Culture> {
    let mut cultures = Vec::new();
    syntax::with_root(desk, text, |desk, root| {
        root.only(desk, &["culture"]);
        if !root.has("culture") {
            root.missing(desk, "culture", "at least one table [[culture]]");
        }
        let mut names = Names::new("culture");
        for section in root.sections(desk, "culture") {
            cultures.extend(culture(desk, &section, &mut names));
        }
    });
    cultures
}

/// `known` with every culture of `own` added, or put in place of the one with its name.
pub(super) fn merged(mut known: Vec<Culture>, own: Vec<Culture>) -> Vec<Culture> {
    for culture in own {
        match known.iter_mut().find(|other| other.name == culture.name) {
            Some(other) => *other = culture,
            None => known.push(culture),
        }
    }
    known
}

fn culture(desk: &mut Desk<'_>, section: &Section<'_>, names: &mut Names<()>) -> Option<Culture> {
    section.only(desk, &["name", "species", "thermal", "sources", "bands"]);
    let name = names.read(desk, section, None, ());
    let species = section.needed_text(desk, "species", "the species in Latin, in quotes");
    if let Some(species) = species.as_ref().filter(|species| species.text.trim().is_empty()) {
        desk.fault(species.at, &species.path, Cause::Value, "it is empty, expected the species in Latin");
    }
    let thermal = section
        .needed(desk, "thermal", "a table { base, cap, damage, usual, requirement }")
        .and_then(|found| found.section(desk, "a table { base, cap, damage, usual, requirement }"))
        .and_then(|section| thermal(desk, &section));
    let expected = "a list that says where the figures come from, such as [\"common practice, no source\"]";
    let sources = section.needed(desk, "sources", expected).and_then(|found| {
        let sources = found.texts(desk, expected)?;
        if sources.is_empty() || sources.iter().any(|source| source.text.trim().is_empty()) {
            desk.fault(found.at, &found.path, Cause::Value, format!("it names no source, expected {expected}"));
        }
        Some(sources.iter().map(|source| source.text.to_owned()).collect())
    });
    let bands = bands(desk, section, thermal.map(|thermal| thermal.damage_c));
    Some(Culture {
        name: name?.text.to_owned(),
        species: species?.text.to_owned(),
        thermal: thermal?,
        sources: sources?,
        bands,
    })
}

/// Reads a needed number of `section`.
fn needed(desk: &mut Desk<'_>, section: &Section<'_>, key: &str, low: f64, high: f64, unit: &str) -> Option<f64> {
    section.needed(desk, key, &format!("a number{unit}"))?.number(desk, low..=high, unit)
}

fn thermal(desk: &mut Desk<'_>, section: &Section<'_>) -> Option<Thermal> {
    section.only(desk, &["base", "cap", "damage", "usual", "requirement"]);
    let [base_c, cap_c, damage_c, usual_c] =
        ["base", "cap", "damage", "usual"].map(|key| needed(desk, section, key, -10.0, 60.0, " °C"));
    for (lower, upper, lower_word, upper_word) in [
        (base_c, cap_c, "base", "cap"),
        (cap_c, damage_c, "cap", "damage"),
        (base_c, usual_c, "base", "usual"),
        (usual_c, damage_c, "usual", "damage"),
    ] {
        in_order(desk, section, (lower, lower_word), (upper, upper_word), false);
    }
    let requirement = section
        .needed(desk, "requirement", "a table { low, usual, high } in °C·h")
        .and_then(|found| found.section(desk, "a table { low, usual, high } in °C·h"))
        .and_then(|section| requirement(desk, &section));
    Some(Thermal { base_c: base_c?, cap_c: cap_c?, damage_c: damage_c?, usual_c: usual_c?, requirement: requirement? })
}

fn requirement(desk: &mut Desk<'_>, section: &Section<'_>) -> Option<Requirement> {
    section.only(desk, &["low", "usual", "high"]);
    let [low, usual, high] = ["low", "usual", "high"].map(|key| needed(desk, section, key, 1.0, 100_000.0, " °C·h"));
    in_order(desk, section, (low, "low"), (usual, "usual"), true);
    in_order(desk, section, (usual, "usual"), (high, "high"), true);
    Some(Requirement { low: low?, usual: usual?, high: high? })
}

fn in_order(
    desk: &mut Desk<'_>,
    section: &Section<'_>,
    (lower, lower_word): (Option<f64>, &str),
    (upper, upper_word): (Option<f64>, &str),
    may_be_equal: bool,
) {
    let (Some(lower), Some(upper)) = (lower, upper) else { return };
    let Some(found) = section.found(upper_word) else { return };
    if lower > upper || (lower == upper && !may_be_equal) {
        let sentence = format!("found {upper}, expected more than {lower_word}, which is {lower}");
        desk.fault(found.at, &found.path, Cause::Clash, sentence);
    }
}
