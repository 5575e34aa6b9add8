//! What an unknown message may be: its format and which of its fields is what, by their names. Pure.
//!
//! In: a message and words about where it came by (its topic). Out: a [`Guess`], for a person to look
//! over. Left out: certainty; nothing is taken in by a guess.

use serde_json::Value;

use super::recipe::{Format, Recipe};
use crate::climate::Quantity;

/// How deep a JSON message is searched.
const DEPTH_MAX: usize = 5;
/// The most columns of a line that are looked at.
const COLUMNS_MAX: usize = 32;

/// What a message may be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Guess {
    /// How it is written.
    pub format: Format,
    /// Where each quantity may be, by `Quantity::index`.
    pub reads: [Option<String>; 4],
    /// The field that may say whose it is, and its text.
    pub select: Option<(String, String)>,
}

/// Guesses what `text` is; `about` is its topic, or empty. `None` where nothing in it looks like a reading.
pub fn guess(text: &str, about: &str) -> Option<Guess> {
    let text = text.trim();
    let found = json(text).or_else(|| number(text, about)).or_else(|| line_protocol(text)).or_else(|| pairs(text));
    found.or_else(|| columns(text)).filter(|guess| guess.reads(text))
}

impl Guess {
    /// Whether what is guessed takes a reading from `text`: `1,234` of CO2, say, is a number that is not taken.
    fn reads(&self, text: &str) -> bool {
        let select = self.select.clone().into_iter().collect();
        let recipe = Recipe { format: self.format, reads: self.reads.clone(), select, ..Recipe::default() };
        let mut out = Vec::new();
        // Of several lines one may be another's; the first that is read will do.
        let _ = super::decode(&recipe, text.as_bytes(), &mut out);
        !out.is_empty() && self.reads.iter().any(Option::is_some)
    }
}

/// Words of a name that make it no reading in the unit that is wanted: what is set, what the board itself has,
/// another scale, another quantity.
const NO_READING: [&str; 22] = [
    "setpoint",
    "target",
    "set",
    "chip",
    "cpu",
    "mcu",
    "soc",
    "board",
    "calibration",
    "offset",
    "min",
    "max",
    "alarm",
    "threshold",
    "limit",
    "f",
    "fahrenheit",
    "tempf",
    "dew",
    "dewpoint",
    "pressure",
    "attempts",
];

/// Words of a topic under which a bare number is something else.
const OTHER_TOPICS: [&str; 14] = [
    "power", "light", "lights", "switch", "relay", "door", "voltage", "current", "energy", "rssi", "uptime", "state",
    "status", "pressure",
];

/// The words of a name: `shelfTemp_2` is shelf, temp and 2.
fn words(name: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut before = ' ';
    for letter in name.chars() {
        if !letter.is_alphanumeric() || (letter.is_uppercase() && before.is_lowercase()) {
            words.push(String::new());
        }
        if let Some(word) = words.last_mut().filter(|_| letter.is_alphanumeric()) {
            word.extend(letter.to_lowercase());
        }
        before = letter;
    }
    words.retain(|word| !word.is_empty());
    words
}

/// The quantity that a field of this name may be.
fn quantity(name: &str) -> Option<Quantity> {
    let words = words(name);
    match words.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        ["t" | "tc"] | ["t", "c"] => return Some(Quantity::Temperature),
        ["h" | "rh"] => return Some(Quantity::Humidity),
        ["b" | "bat" | "vbat"] => return Some(Quantity::Battery),
        _ => {}
    }
    let has = |begins: &[&str]| words.iter().any(|word| begins.iter().any(|begin| word.starts_with(begin)));
    if words.iter().any(|word| NO_READING.contains(&word.as_str())) {
        None
    } else if has(&["temp", "celsius"]) {
        Some(Quantity::Temperature)
    } else if has(&["hum"]) {
        Some(Quantity::Humidity)
    } else if has(&["co2"]) {
        Some(Quantity::Co2)
    } else if has(&["batt"]) {
        Some(Quantity::Battery)
    } else {
        None
    }
}

/// Whether a field of this name may say whose a message is.
fn is_whose(name: &str) -> bool {
    ["id", "name", "sensor", "device", "probe", "node", "addr", "address"].contains(&name.to_lowercase().as_str())
}

fn is_number(text: &str) -> bool {
    super::value::number(text.trim(), None).is_some()
}

/// Notes a field in the guess, the first of a quantity counting.
fn note(guess: &mut Guess, name: &str, at: String, numeric: bool, text: Option<&str>) {
    if is_whose(name) && guess.select.is_none() {
        if let Some(text) = text.filter(|text| !text.is_empty()) {
            guess.select = Some((at, text.to_owned()));
        }
        return;
    }
    if let Some(quantity) = quantity(name)
        && numeric
    {
        guess.reads[quantity.index()].get_or_insert(at);
    }
}

fn none_yet(format: Format) -> Guess {
    Guess { format, reads: Default::default(), select: None }
}

fn json(text: &str) -> Option<Guess> {
    let value: Value = serde_json::from_str(text).ok().filter(|value: &Value| value.is_object() || value.is_array())?;
    let mut guess = none_yet(Format::Json);
    leaves(&value, "", String::new(), 0, &mut guess);
    Some(guess)
}

fn leaves(value: &Value, name: &str, at: String, depth: usize, guess: &mut Guess) {
    match value {
        Value::Object(fields) if depth < DEPTH_MAX => {
            for (key, value) in fields {
                let step = key.replace('~', "~0").replace('/', "~1");
                leaves(value, key, format!("{at}/{step}"), depth + 1, guess);
            }
        }
        Value::Array(items) if depth < DEPTH_MAX => {
            for (index, value) in items.iter().enumerate().take(COLUMNS_MAX) {
                leaves(value, name, format!("{at}/{index}"), depth + 1, guess);
            }
        }
        Value::Number(number) => {
            let whole = number.as_i64().map(|whole| whole.to_string());
            note(guess, name, at, true, whole.as_deref());
        }
        Value::String(text) => note(guess, name, at, is_number(text), Some(text)),
        _ => {}
    }
}

fn number(text: &str, about: &str) -> Option<Guess> {
    let is_other = about.rsplit('/').flat_map(words).any(|word| OTHER_TOPICS.contains(&word.as_str()));
    (is_number(text) && !is_other).then(|| {
        let named = about.rsplit('/').find_map(quantity).unwrap_or(Quantity::Temperature);
        let mut guess = none_yet(Format::Number);
        guess.reads[named.index()] = Some(String::new());
        guess
    })
}

/// Line protocol is told from pairs by its tags or its time.
fn line_protocol(text: &str) -> Option<Guess> {
    let mut words = text.split(' ');
    let (head, fields, time) = (words.next()?, words.next()?, words.next());
    let tagged = head.split_once(',').is_some_and(|(_, tags)| tags.contains('='));
    if head.starts_with(['=', ',']) || !(tagged || time.is_some_and(|t| t.parse::<i64>().is_ok())) {
        return None;
    }
    let mut guess = none_yet(Format::LineProtocol);
    for (key, value) in fields.split(',').filter_map(|field| field.split_once('=')) {
        note(&mut guess, key, key.to_owned(), is_number(value.trim_end_matches('i')), None);
    }
    guess.reads(text).then_some(guess)
}

fn pairs(text: &str) -> Option<Guess> {
    let pairs = super::pairs::Pairs::parse(text).ok()?;
    let mut guess = none_yet(Format::Pairs);
    for (key, value) in pairs.all() {
        note(&mut guess, key, key.to_owned(), is_number(value), Some(value));
    }
    Some(guess)
}

/// Columns have no names: the first number may be the temperature, the second the humidity.
fn columns(text: &str) -> Option<Guess> {
    let row = super::csv::Row::parse(text).ok()?;
    let columns: Vec<&str> = row.all().take(COLUMNS_MAX).collect();
    if columns.len() < 2 {
        return None;
    }
    let mut guess = none_yet(Format::Csv);
    let mut numbers =
        columns.iter().enumerate().filter(|(_, text)| is_number(text)).map(|(at, _)| (at + 1).to_string());
    guess.reads[Quantity::Temperature.index()] = numbers.next();
    guess.reads[Quantity::Humidity.index()] = numbers.next();
    if let Some((first, false)) = columns.first().map(|first| (first, is_number(first)))
        && !first.is_empty()
    {
        guess.select = Some(("1".to_owned(), (*first).to_owned()));
    }
    Some(guess)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn what_boards_send_is_guessed() {
        for (text, about, format, reads, select) in [
            ("{\"id\":\"a1\",\"t\":27.9,\"h\":88}", "", Format::Json, ["/t", "/h", "-", "-"], Some(("/id", "a1"))),
            (
                "{\"SHT\":{\"Temperature\":21.2,\"Humidity\":\"88%\"},\"DewPoint\":19,\"bat/v\":1,\"vbat\":3.9}",
                "",
                Format::Json,
                ["/SHT/Temperature", "/SHT/Humidity", "-", "/vbat"],
                None,
            ),
            ("812", "tent/fruiting/co2", Format::Number, ["-", "-", "", "-"], None),
            ("23,4", "tent/shelf", Format::Number, ["", "-", "-", "-"], None),
            ("T=23.41 H=88.2", "", Format::Pairs, ["T", "H", "-", "-"], None),
            ("node:7;temp:23.4C;hum:88%", "", Format::Pairs, ["temp", "hum", "-", "-"], Some(("node", "7"))),
            (
                "climate,probe=a temperature=23.4,co2=800i",
                "",
                Format::LineProtocol,
                ["temperature", "-", "co2", "-"],
                None,
            ),
            ("a1;23,41;88,2", "", Format::Csv, ["2", "3", "-", "-"], Some(("1", "a1"))),
        ] {
            let guessed = guess(text, about).unwrap();
            assert_eq!(guessed.format, format, "{text}");
            let found: Vec<&str> = guessed.reads.iter().map(|at| at.as_deref().unwrap_or("-")).collect();
            assert_eq!(found, reads, "{text}");
            let chosen = guessed.select.as_ref().map(|(at, text)| (at.as_str(), text.as_str()));
            assert_eq!(chosen, select, "{text}");
            let select = guessed.select.clone().into_iter().collect();
            let recipe = Recipe { format, reads: guessed.reads, select, ..Recipe::default() };
            let mut out = Vec::new();
            super::super::decode(&recipe, text.as_bytes(), &mut out).unwrap();
            assert_eq!(out.len(), 1, "what is guessed can be read");
        }
        assert_eq!(guess("1,234", "tent/co2"), None, "a comma that may part thousands");
        assert_eq!(guess("60", "lights/power"), None, "a number of something else");
        // What is set, what the board has itself, another scale: none of them a reading.
        let other =
            r#"{"attempts":3,"tempf":74.1,"temp_f":74.1,"local_temperature_setpoint":5,"chipTemp":51.2,"TempC":21.5}"#;
        assert_eq!(guess(other, "").unwrap().reads[0].as_deref(), Some("/TempC"));
        for nothing in ["", "boot: ok", "{}", "[]", "\u{1f344}", "{\"pressure\":1013}"] {
            assert_eq!(guess(nothing, ""), None, "{nothing}");
        }
    }
}
