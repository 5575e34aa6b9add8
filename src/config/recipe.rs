//! How a probe's messages are read: `format`, `reads`, `select` and `time` of a `[[probe]]`.
//!
//! In: the probe's table. Out: a [`Recipe`], each place checked against what its format can name.

use super::fault::Cause;
use super::shapes;
use super::walk::{Desk, Found, Section, Text};
use super::word::{did_you_mean, one_of, quoted};
use crate::climate::Quantity;
use crate::wire::recipe::{TimeField, TimeUnit};
use crate::wire::{Format, Recipe};

/// The largest column of a CSV line.
const COLUMN_MAX: u32 = 1_000;

/// What the place of a field looks like in `format`.
fn expected_place(format: Format) -> &'static str {
    match format {
        Format::Json => "a JSON Pointer such as \"/temperature\", in quotes",
        Format::Number => "any text: the whole message is the number",
        Format::Pairs => "a key such as \"T\", in quotes",
        Format::Csv => "a column number from 1, or a name of columns",
        Format::LineProtocol => "a field key such as \"temperature\", in quotes",
    }
}

/// Why `place` names nothing in `format`, if so.
fn place_fault(format: Format, place: &str) -> bool {
    let blank = |c: char| c.is_whitespace() || c.is_control();
    match format {
        // RFC 6901, section 3: every ~ is followed by 0 or 1.
        Format::Json => {
            let tildes = place.split('~').skip(1).all(|rest| rest.starts_with(['0', '1']));
            !((place.is_empty() || place.starts_with('/')) && tildes)
        }
        Format::Number => false,
        Format::Pairs => place.is_empty() || place.contains(|c| blank(c) || matches!(c, '=' | ':' | ';' | ',')),
        Format::Csv => !matches!(column(place), Some(1..=COLUMN_MAX)),
        Format::LineProtocol => place.is_empty() || place.contains(char::is_control),
    }
}

/// The number of the column called `place`, where `columns` names one so.
fn number_of(place: &str, columns: &[String]) -> String {
    columns.iter().position(|name| name == place).map_or_else(|| place.to_owned(), |at| (at + 1).to_string())
}

fn column(place: &str) -> Option<u32> {
    place.bytes().all(|byte| byte.is_ascii_digit()).then(|| place.parse().ok()).flatten()
}

/// The text of a place, checked; a CSV column may be written as a number.
fn place(desk: &mut Desk<'_>, found: &Found<'_>, format: Format, columns: &[String]) -> Option<String> {
    let text = match (format, found.value.as_integer()) {
        (Format::Csv, Some(integer)) if integer.radix() == 10 => integer.as_str().to_owned(),
        _ => found.text(desk, expected_place(format))?.text.to_owned(),
    };
    let text = number_of(&text, columns);
    if place_fault(format, &text) {
        let sentence = format!("found {}, expected {}", quoted(&text), expected_place(format));
        desk.fault(found.at, &found.path, Cause::Value, sentence);
        return None;
    }
    // "02" and "2" are one column.
    Some(if format == Format::Csv { column(&text).map_or(text, |column| column.to_string()) } else { text })
}

/// Reads the recipe of a probe; `None` where something that it needs is faulty.
pub(super) fn recipe(desk: &mut Desk<'_>, section: &Section<'_>) -> Option<Recipe> {
    let words = Format::ALL.map(Format::word);
    let format = section.word(desk, "format", &words).map(|position| Format::ALL[position]);
    if !section.has("format") {
        section.missing(desk, "format", &one_of(&words));
    }
    let columns = shapes::columns(desk, section, format);
    let reads = reads(desk, section, format, &columns);
    let select = select(desk, section, format, &columns);
    let time = time(desk, section, format, &columns);
    let checksum = shapes::checksum(desk, section);
    Some(Recipe { format: format?, reads: reads?, select: select?, time: time?, checksum: checksum?, columns })
}

fn reads(
    desk: &mut Desk<'_>,
    section: &Section<'_>,
    format: Option<Format>,
    columns: &[String],
) -> Option<[Option<String>; 4]> {
    let expected = "a table such as { temperature = \"/t\" }";
    let found = section.needed(desk, "reads", expected)?;
    let table = found.section(desk, expected)?;
    let register = table.entries().filter(|(_, place)| place.value.is_table()).min_by_key(|(_, place)| place.at);
    if let Some((_, register)) = register {
        let sentence =
            "registers are for a probe on a port with protocol = \"modbus\", expected where it is in a message";
        desk.fault(register.at, &register.path, Cause::Clash, sentence);
        return None;
    }
    let words = Quantity::ALL.map(Quantity::word);
    table.only(desk, &words);
    if table.table.is_empty() {
        desk.fault(found.at, &found.path, Cause::Missing, format!("it is empty, expected {}", one_of(&words)));
    }
    let format = format?;
    let mut reads: [Option<String>; 4] = Default::default();
    let mut whole = true;
    for quantity in Quantity::ALL {
        let Some(found) = table.found(quantity.word()) else { continue };
        let Some(place) = place(desk, &found, format, columns) else {
            whole = false;
            continue;
        };
        if format != Format::Number
            && let Some(taken) = reads.iter().position(|taken| taken.as_ref() == Some(&place))
        {
            let sentence = format!("found {}, which is read as {} already", quoted(&place), words[taken]);
            desk.fault(found.at, &found.path, Cause::Clash, sentence);
        }
        reads[quantity.index()] = Some(place);
    }
    if format == Format::Number && reads.iter().flatten().count() > 1 {
        let sentence = "a bare number is one quantity, expected exactly one here";
        desk.fault(found.at, &found.path, Cause::Clash, sentence);
    }
    whole.then_some(reads)
}

fn select(
    desk: &mut Desk<'_>,
    section: &Section<'_>,
    format: Option<Format>,
    columns: &[String],
) -> Option<Vec<(String, String)>> {
    let Some(found) = section.found("select") else { return Some(Vec::new()) };
    let table = found.section(desk, "a table such as { \"/id\" = \"a1\" }")?;
    let format = format?;
    if format == Format::Number {
        desk.fault(
            found.key_at,
            &found.path,
            Cause::Clash,
            "a bare number has no fields to select by, expected no select",
        );
        return None;
    }
    if table.table.is_empty() {
        desk.fault(found.at, &found.path, Cause::Missing, "it is empty, expected a field and its text");
    }
    let mut select = Vec::new();
    for (key, found) in table.entries() {
        let key = &number_of(key, columns);
        if place_fault(format, key) {
            let sentence = format!("the field {} cannot be, expected {}", quoted(key), expected_place(format));
            desk.fault(found.key_at, &found.path, Cause::Value, sentence);
        }
        let key = if format == Format::Csv { column(key).map_or(key.clone(), |n| n.to_string()) } else { key.clone() };
        if let Some(value) = found.text(desk, "the text that the field must have, in quotes") {
            select.push((key, value.text.to_owned()));
        }
    }
    Some(select)
}

/// `Some(None)`: it sends no time.
fn time(
    desk: &mut Desk<'_>,
    section: &Section<'_>,
    format: Option<Format>,
    columns: &[String],
) -> Option<Option<TimeField>> {
    let Some(found) = section.found("time") else { return Some(None) };
    let table = found.section(desk, "a table such as { at = \"/ts\", unit = \"s\" }")?;
    table.only(desk, &["at", "unit"]);
    let unit = table.word(desk, "unit", &["s", "ms", "rfc3339"]);
    if !table.has("unit") {
        table.missing(desk, "unit", "s, ms or rfc3339");
    }
    let format = format?;
    if matches!(format, Format::Number | Format::LineProtocol) {
        let sentence = match format {
            Format::Number => "a bare number carries no time, expected no time here",
            _ => "line protocol carries its own time, expected no time here",
        };
        desk.fault(found.key_at, &found.path, Cause::Clash, sentence);
        return None;
    }
    let at = table.needed(desk, "at", expected_place(format))?;
    let at = place(desk, &at, format, columns)?;
    let unit = [TimeUnit::Seconds, TimeUnit::Milliseconds, TimeUnit::Rfc3339][unit?];
    Some(Some(TimeField { at, unit }))
}

/// Reads `[correction.NAME]`'s word for a quantity.
pub(super) fn quantity(desk: &mut Desk<'_>, word: &Text<'_>) -> Option<Quantity> {
    let quantity = Quantity::from_word(word.text);
    if quantity.is_none() {
        let words = Quantity::ALL.map(Quantity::word);
        let hint = did_you_mean(word.text, words);
        let sentence = format!("there is no such quantity, expected {}{hint}", one_of(&words));
        desk.fault(word.at, &word.path, Cause::Unknown, sentence);
    }
    quantity
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_fit_their_format() {
        for (format, text, good) in [
            (Format::Json, "/t", true),
            (Format::Json, "", true),
            (Format::Json, "/a~1b~0c", true),
            (Format::Json, "/a~2", false),
            (Format::Json, "/a~", false),
            (Format::Json, "t", false),
            (Format::Pairs, "T", true),
            (Format::Pairs, "T=", false),
            (Format::Pairs, "a b", false),
            (Format::Pairs, "", false),
            (Format::Csv, "1", true),
            (Format::Csv, "0", false),
            (Format::Csv, "+1", false),
            (Format::Csv, "1001", false),
            (Format::Csv, "t", false),
            (Format::LineProtocol, "temperature", true),
            (Format::LineProtocol, "", false),
            (Format::Number, "", true),
        ] {
            assert_eq!(!place_fault(format, text), good, "{format:?} {text}");
        }
    }
}
