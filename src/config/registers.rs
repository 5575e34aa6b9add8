//! What is asked of a probe on a Modbus line: `unit`, `reads` of registers, `answer_within`, `tries`.
//!
//! In: the probe's table. Out: [`Registers`], each field checked against the standard's limits.

use super::fault::Cause;
use super::walk::{Desk, Found, Section};
use super::word::one_of;
use crate::climate::Quantity;
use crate::wire::registers::{Kind, Register, Registers, Table};

/// How long a unit may take to begin its answer where nothing is said: sensors answer within a tenth
/// of it (common practice, no source).
const ANSWER_WITHIN_MS: i64 = 500;
/// How often a unit is asked where nothing is said: once more, for a line that was disturbed.
const TRIES: u32 = 2;
/// The largest unit identifier of a device: MODBUS over Serial Line V1.02, 2.2.
const UNIT_MAX: f64 = 247.0;
/// The keys that only a probe on a Modbus line has.
pub(super) const KEYS: [&str; 3] = ["unit", "answer_within", "tries"];

const EXAMPLE: &str = "a table such as { input = 1, kind = \"i16\", scale = 0.1 }";

/// Reads the questions of a probe on a Modbus line; `None` where something is faulty.
pub(super) fn registers(desk: &mut Desk<'_>, section: &Section<'_>) -> Option<Registers> {
    for key in ["format", "select", "time", "checksum", "columns", "device"] {
        if let Some(found) = section.found(key) {
            let sentence = format!("a unit on a Modbus line has registers, expected no {key} here");
            desk.fault(found.key_at, &found.path, Cause::Clash, sentence);
        }
    }
    let unit = section.needed(desk, "unit", "the unit's identifier, 1 to 247");
    let unit = unit.and_then(|found| whole(desk, &found, 1.0..=UNIT_MAX));
    let answer_within = section.found("answer_within").map(|found| found.duration(desk, 10..=10_000));
    let tries = section.found("tries").map(|found| whole(desk, &found, 1.0..=10.0));
    let expected = "a table such as { temperature = { input = 1, kind = \"i16\", scale = 0.1 } }";
    let found = section.needed(desk, "reads", expected)?;
    let table = found.section(desk, expected)?;
    let words = Quantity::ALL.map(Quantity::word);
    table.only(desk, &words);
    if table.table.is_empty() {
        desk.fault(found.at, &found.path, Cause::Missing, format!("it is empty, expected {}", one_of(&words)));
    }
    let mut fields = [None; 4];
    for quantity in Quantity::ALL {
        let Some(found) = table.found(quantity.word()) else { continue };
        let field = register(desk, &found);
        if let Some(field) = field
            && fields.iter().flatten().any(|other: &Register| other.overlaps(&field))
        {
            let sentence =
                "another quantity is read from that register already, expected another one (i32, u32 and f32 take two)";
            desk.fault(found.at, &found.path, Cause::Clash, sentence);
        }
        fields[quantity.index()] = field;
    }
    Some(Registers {
        unit: unit? as u8,
        fields,
        answer_within_ms: answer_within.unwrap_or(Some(ANSWER_WITHIN_MS))?,
        tries: tries.map_or(Some(TRIES), |tries| tries.map(|tries| tries as u32))?,
    })
}

fn whole(desk: &mut Desk<'_>, found: &Found<'_>, range: std::ops::RangeInclusive<f64>) -> Option<f64> {
    let number = found.number(desk, range, "")?;
    if number.fract() != 0.0 {
        desk.fault(found.at, &found.path, Cause::Value, format!("found {number}, expected a whole number"));
        return None;
    }
    Some(number)
}

fn register(desk: &mut Desk<'_>, found: &Found<'_>) -> Option<Register> {
    let section = found.section(desk, EXAMPLE)?;
    section.only(desk, &["input", "holding", "kind", "order", "scale", "offset"]);
    let (input, holding) = (section.found("input"), section.found("holding"));
    let (table, address) = match (&input, &holding) {
        (Some(address), None) => (Table::Input, address),
        (None, Some(address)) => (Table::Holding, address),
        (Some(_), Some(other)) => {
            let sentence = "input and holding are two tables, expected one of them";
            desk.fault(other.key_at, &other.path, Cause::Clash, sentence);
            return None;
        }
        (None, None) => {
            section.missing(desk, "input", "input or holding, the register's address as sent (the first is 0)");
            return None;
        }
    };
    let address = whole(desk, address, 0.0..=65_535.0);
    let kinds = Kind::ALL.map(Kind::word);
    let kind = section.word(desk, "kind", &kinds).map(|position| Kind::ALL[position]);
    if !section.has("kind") {
        section.missing(desk, "kind", &one_of(&kinds));
    }
    let little = section.word(desk, "order", &["big", "little"]) == Some(1);
    if let (Some(kind), Some(order)) = (kind, section.found("order"))
        && kind.width() == 1
    {
        let sentence = format!("{} is one register and has no order of words, expected no order here", kind.word());
        desk.fault(order.key_at, &order.path, Cause::Clash, sentence);
    }
    let mut number =
        |key: &str, usual: f64| section.found(key).map_or(Some(usual), |found| found.number(desk, -1e6..=1e6, ""));
    let (scale, offset) = (number("scale", 1.0)?, number("offset", 0.0)?);
    if scale == 0.0 {
        let at = section.found("scale").map_or(section.at, |found| found.at);
        desk.fault(
            at,
            &section.path_of("scale"),
            Cause::Value,
            "found 0, expected what one step is worth, such as 0.1",
        );
        return None;
    }
    let (address, kind) = (address? as u16, kind?);
    if kind.width() == 2 && address == u16::MAX {
        let at = section.at;
        desk.fault(
            at,
            &section.path,
            Cause::Value,
            "it takes two registers, but 65535 is the last, expected a lower address",
        );
        return None;
    }
    Some(Register { table, address, kind, little, scale, offset })
}
