//! `[[probe]]` and `[correction.NAME]`: what is measured, by what, and which messages are whose.

use chrono::NaiveDate;

use super::fault::Cause;
use super::locals;
use super::names::Names;
use super::plan::ProbePlan;
use super::recipe;
use super::registers;
use super::sources::{Source, Sources};
use super::topic::{filter_fault, filters_overlap};
use super::walk::{Desk, Found, Section, Text};
use super::word::quoted;
use crate::climate::Quantity;
use crate::climate::stamp::DAY_MS;
use crate::watch::setup::{Correction, ProbeSetup};
use crate::wire::registers::Register;
use crate::wire::{Format, Recipe};

/// All probes; the lists have the same positions.
pub(super) struct Probes {
    pub names: Names<usize>,
    pub plans: Vec<ProbePlan>,
    pub setups: Vec<ProbeSetup>,
}

const KEYS: [&str; 14] = [
    "name",
    "from",
    "topic",
    "format",
    "every",
    "reads",
    "select",
    "time",
    "checksum",
    "columns",
    "device",
    "unit",
    "answer_within",
    "tries",
];

/// Where a message of a probe would come from, for the search of two that take the same.
struct Claim {
    from: Source,
    topic: Option<String>,
    recipe: Recipe,
    at: usize,
    path: String,
}

pub(super) fn probes(desk: &mut Desk<'_>, root: &Section<'_>, sources: &Sources) -> Probes {
    let mut probes = Probes { names: Names::new("probe"), plans: Vec::new(), setups: Vec::new() };
    let mut claims: Vec<Claim> = Vec::new();
    let mut begun: Vec<usize> = Vec::new();
    for (position, section) in root.sections(desk, "probe").iter().enumerate() {
        let claim = probe(desk, section, position, sources, &mut probes);
        if let Some(claim) = claim {
            if let Some(other) = claims.iter().find(|other| same_message(other, &claim)) {
                clash(desk, &claim, other);
            }
            claims.push(claim);
        }
        let twin = |plans: &[ProbePlan]| {
            let (new, others) = plans.split_last()?;
            others.iter().position(|other| same_reading(other, new))
        };
        if let Some(line) = twin(&probes.plans).and_then(|other| begun.get(other)).map(|at| desk.place(*at).0) {
            let sentence = format!("it reads what the probe on line {line} reads, expected another device or register");
            desk.fault(section.at, &section.path, Cause::Clash, sentence);
        }
        begun.push(section.at);
    }
    corrections(desk, root, &mut probes);
    probes
}

fn probe(
    desk: &mut Desk<'_>,
    section: &Section<'_>,
    position: usize,
    sources: &Sources,
    probes: &mut Probes,
) -> Option<Claim> {
    section.only(desk, &KEYS);
    // `tubwatch core TUB none` takes a core out.
    let name = probes.names.read(desk, section, Some("none"), position).map_or("", |name| name.text).to_owned();
    let from = section
        .needed_text(desk, "from", "the name of a broker, intake, port or local")
        .and_then(|from| sources.names.find(desk, &from).copied());
    let topic = topic(desk, section, from);
    let modbus = matches!(from, Some(Source::Modbus(_)));
    let registers = if modbus { registers::registers(desk, section) } else { None };
    let sensor = if matches!(from, Some(Source::Local(_))) { locals::sensor(desk, section) } else { None };
    let recipe = match from {
        Some(Source::Modbus(_)) => None,
        Some(Source::Local(_)) => sensor.as_ref().map(|(_, recipe)| recipe.clone()),
        _ => recipe::recipe(desk, section),
    };
    only_of_modbus(desk, section, from);
    let every_ms = section
        .needed(desk, "every", "how often it reports, such as \"30s\"")
        .and_then(|found| found.duration(desk, 100..=7 * DAY_MS));
    let reads = read_quantities(section);
    let source = match from {
        Some(Source::Broker(position)) => position,
        Some(Source::Lines(position) | Source::Modbus(position)) => sources.brokers.len() + position,
        Some(Source::Intake(position)) => sources.brokers.len() + sources.ports.len() + position,
        Some(Source::Local(position)) => sources.brokers.len() + sources.ports.len() + sources.intakes.len() + position,
        _ => 0,
    };
    let setup = ProbeSetup {
        name: name.clone(),
        source,
        every_ms: every_ms.unwrap_or(1),
        reads,
        correction: Default::default(),
    };
    probes.setups.push(setup);
    let empty = Recipe::default();
    let filter = topic.as_ref().map(|topic| topic.text.to_owned());
    let kept = recipe.clone().unwrap_or(empty);
    probes.plans.push(ProbePlan {
        name,
        source,
        topic: filter.clone(),
        recipe: kept,
        registers,
        device: sensor.map(|(device, _)| device),
    });
    let place = topic.map_or(section.at, |topic| topic.at);
    Some(Claim { from: from?, topic: filter, recipe: recipe?, at: place, path: section.path.clone() })
}

/// Notes the keys of a unit, or of a kernel's device, where the source has none.
fn only_of_modbus(desk: &mut Desk<'_>, section: &Section<'_>, from: Option<Source>) {
    if let (Some(found), Some(Source::Broker(_) | Source::Intake(_) | Source::Lines(_))) =
        (section.found("device"), from)
    {
        let sentence = "it is for a probe on a [[local]], expected it there alone";
        desk.fault(found.key_at, &found.path, Cause::Clash, sentence);
    }
    if matches!(from, None | Some(Source::Modbus(_))) {
        return;
    }
    for found in registers::KEYS.iter().filter_map(|key| section.found(key)) {
        let sentence = "it is for a probe on a port with protocol = \"modbus\", expected it there alone";
        desk.fault(found.key_at, &found.path, Cause::Clash, sentence);
    }
}

/// What the probe reads by its words alone, whatever else is wrong with them.
fn read_quantities(section: &Section<'_>) -> [bool; 4] {
    let table = section.found("reads").and_then(|found| found.value.as_table());
    Quantity::ALL.map(|quantity| table.is_some_and(|table| table.contains_key(quantity.word())))
}

fn topic<'t>(desk: &mut Desk<'_>, section: &Section<'t>, from: Option<Source>) -> Option<Text<'t>> {
    let topic = section.text(desk, "topic", "an MQTT topic, in quotes");
    match from {
        Some(Source::Broker(_) | Source::Intake(_)) if !section.has("topic") => {
            section.missing(desk, "topic", "the MQTT topic that it is published on");
            return None;
        }
        Some(Source::Lines(_) | Source::Modbus(_) | Source::Local(_)) => {
            if let Some(found) = section.found("topic") {
                let sentence = "a port has no topics, expected no topic here";
                desk.fault(found.key_at, &found.path, Cause::Clash, sentence);
            }
            return None;
        }
        _ => {}
    }
    let topic = topic?;
    if let Some(fault) = filter_fault(topic.text) {
        desk.fault(topic.at, &topic.path, Cause::Value, format!("found {}: {fault}", quoted(topic.text)));
        return None;
    }
    Some(topic)
}

fn same_message(one: &Claim, other: &Claim) -> bool {
    let same_road = match (one.from, other.from) {
        (Source::Broker(one_at), Source::Broker(other_at)) | (Source::Intake(one_at), Source::Intake(other_at))
            if one_at == other_at =>
        {
            match (&one.topic, &other.topic) {
                (Some(one), Some(other)) => filters_overlap(one, other),
                _ => false,
            }
        }
        (Source::Lines(one), Source::Lines(other)) => one == other,
        _ => false,
    };
    same_road && !recipes_exclude(&one.recipe, &other.recipe)
}

/// Whether two probes that are asked read one register, or one quantity of one device.
fn same_reading(one: &ProbePlan, other: &ProbePlan) -> bool {
    if one.source != other.source {
        return false;
    }
    if let (Some(one), Some(other)) = (&one.registers, &other.registers) {
        let overlap = |field: &Register| other.fields.iter().flatten().any(|other| other.overlaps(field));
        return one.unit == other.unit && one.fields.iter().flatten().any(overlap);
    }
    let both = one.recipe.reads.iter().zip(&other.recipe.reads).any(|(one, other)| one.is_some() && other.is_some());
    one.device.is_some() && one.device == other.device && both
}

/// Whether no message can be taken by both: their `select`s ask different texts of one field, or
/// nothing can be written in both formats.
fn recipes_exclude(one: &Recipe, other: &Recipe) -> bool {
    if one.format == other.format {
        return one.select.iter().any(|(field, text)| {
            other.select.iter().any(|(other_field, other_text)| field == other_field && text != other_text)
        });
    }
    // A bare number is JSON too, for one that reads the whole message.
    let whole = |recipe: &Recipe| recipe.reads.iter().flatten().any(String::is_empty);
    match (one.format, other.format) {
        // Any text with enough columns is CSV.
        (Format::Csv, _) | (_, Format::Csv) => false,
        // A line of line protocol holds `key=value` as pairs do.
        (Format::Pairs, Format::LineProtocol) | (Format::LineProtocol, Format::Pairs) => false,
        (Format::Json, Format::Number) => !whole(one),
        (Format::Number, Format::Json) => !whole(other),
        _ => true,
    }
}

fn clash(desk: &mut Desk<'_>, claim: &Claim, other: &Claim) {
    let (line, _) = desk.place(other.at);
    let road = if claim.topic.is_some() { "topics" } else { "ports" };
    let sentence = format!(
        "it would take the same message as {} on line {line}, expected other {road}, or a select on one field with \
         different texts in both",
        other.path
    );
    desk.fault(claim.at, &claim.path, Cause::Clash, sentence);
}

fn corrections(desk: &mut Desk<'_>, root: &Section<'_>, probes: &mut Probes) {
    let Some(all) = root.section(desk, "correction") else { return };
    for (name, found) in all.entries() {
        let Some(section) = found.section(desk, "a table headed [correction.NAME]") else { continue };
        let text = Text { text: name, at: found.key_at, path: found.path.clone() };
        let position = probes.names.find(desk, &text).copied();
        for (word, value) in section.entries() {
            let text = Text { text: word, at: value.key_at, path: value.path.clone() };
            let Some(quantity) = recipe::quantity(desk, &text) else { continue };
            let correction = correction(desk, &value, quantity);
            let Some(setup) = position.and_then(|position| probes.setups.get_mut(position)) else { continue };
            if !setup.reads(quantity) {
                let sentence = format!("the probe {} does not read {word}, expected what it reads", quoted(name));
                desk.fault(value.key_at, &value.path, Cause::Dangling, sentence);
            }
            setup.correction[quantity.index()] = correction;
        }
    }
}

fn correction(desk: &mut Desk<'_>, found: &Found<'_>, quantity: Quantity) -> Correction {
    let mut correction = Correction::default();
    let expected = "a table such as { offset = -2.1, gain = 1.0, made = \"2026-11-20\" }";
    let Some(section) = found.section(desk, expected) else { return correction };
    section.only(desk, &["offset", "gain", "made"]);
    if !section.has("offset") && !section.has("gain") {
        section.missing(desk, "offset", "offset or gain, or both");
    }
    // More is a broken probe, not one to correct (common practice, no source).
    let (far, unit) = match quantity {
        Quantity::Temperature => (20.0, " °C"),
        Quantity::Humidity => (50.0, " %"),
        Quantity::Co2 => (5_000.0, " ppm"),
        Quantity::Battery => (100.0, ""),
    };
    if let Some(offset) = section.found("offset").and_then(|found| found.number(desk, -far..=far, unit)) {
        correction.offset = offset;
    }
    if let Some(gain) = section.found("gain").and_then(|found| found.number(desk, 0.5..=2.0, "")) {
        correction.gain = gain;
    }
    if let Some(found) = section.found("made") {
        made(desk, &found);
    }
    correction
}

/// When the correction was made, `"2026-11-20"`; TOML's own dates are taken too.
fn made(desk: &mut Desk<'_>, found: &Found<'_>) {
    let text = match found.value.as_datetime() {
        Some(date) => date.to_string(),
        None => match found.text(desk, "a date such as \"2026-11-20\"") {
            Some(text) => text.text.to_owned(),
            None => return,
        },
    };
    if NaiveDate::parse_from_str(&text, "%Y-%m-%d").is_err() {
        let sentence = format!("found {}, expected a date such as \"2026-11-20\"", quoted(&text));
        desk.fault(found.at, &found.path, Cause::Value, sentence);
    }
}
