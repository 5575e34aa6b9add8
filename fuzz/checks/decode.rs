//! Any message by any recipe: readings or a refusal, every number finite or NaN, and none that the bytes do not hold.
//!
//! In: two bytes that choose the recipe, then the message. Out: nothing; it panics where something does not hold.

use tubwatch::wire::checksum::{Checksum, Kind};
use tubwatch::wire::recipe::{TimeField, TimeUnit};
use tubwatch::wire::sysfs::{Channel, one_wire};
use tubwatch::wire::{Decoded, Format, Recipe, Refusal, decode};

/// The last millisecond of the year 9999, as `wire::moment` has it.
const LAST_MS: i64 = 253_402_300_799_999;

pub fn check(data: &[u8]) {
    let [choice, more, payload @ ..] = data else { return };
    if choice % 7 >= 5 {
        return kernel(payload);
    }
    let recipe = recipe(choice % 7, choice / 7, *more);
    let mut message = payload.to_vec();
    if let (Some(checksum), true) = (&recipe.checksum, (choice / 7) & 1 != 0) {
        seal(&mut message, checksum);
    }
    let once = decoded(&recipe, &message);
    assert_eq!(once, decoded(&recipe, &message), "the same bytes say the same");
    message.extend_from_slice(b"\r\n");
    assert_eq!(once, decoded(&recipe, &message), "whatever line end follows");
}

/// A recipe by its number: format, what else it asks for (`extra`), time, choice and checksum (`more`).
fn recipe(format: u8, extra: u8, more: u8) -> Recipe {
    let format = Format::ALL[usize::from(format)];
    let places = match format {
        Format::Json => ["/t", "/h", "/a/0/co2", "/b~1"],
        Format::Csv => ["1", "2", "3", "40"],
        _ => ["t", "h", "co2", "b"],
    };
    let only_one = extra & 2 != 0;
    let reads = [0, 1, 2, 3].map(|at| (at == 0 || !only_one).then(|| places[at].to_owned()));
    let mut recipe = Recipe { format, reads, ..Recipe::default() };
    if more & 1 != 0 {
        let at = match format {
            Format::Json => "/ts",
            Format::Csv => "4",
            _ => "ts",
        };
        let unit = [TimeUnit::Seconds, TimeUnit::Milliseconds, TimeUnit::Rfc3339][usize::from(more >> 1) % 3];
        recipe.time = Some(TimeField { at: at.to_owned(), unit });
    }
    if more & 8 != 0 {
        let at = if format == Format::LineProtocol { "measurement" } else { places[1] };
        recipe.select.push((at.to_owned(), "a1".to_owned()));
    }
    if more & 16 != 0 {
        let kind = Kind::ALL[usize::from(more >> 5) % Kind::ALL.len()];
        let from = if extra & 4 != 0 { "$" } else { "" };
        recipe.checksum = Some(Checksum { kind, at: "*".to_owned(), from: from.to_owned() });
    }
    if extra & 8 != 0 {
        recipe.columns = ["t", "h"].map(str::to_owned).to_vec();
    }
    recipe
}

/// Puts a checksum that fits behind `message`: else the fuzzer would have to find it.
fn seal(message: &mut Vec<u8>, checksum: &Checksum) {
    let digits = if checksum.kind == Kind::Crc16 { 4 } else { 2 };
    // What is checked is read without the blanks round it.
    let body = message.trim_ascii_start().to_vec();
    let sum = format!("*{:0digits$X}", checksum.kind.of(&body));
    *message = [checksum.from.as_bytes(), &body, sum.as_bytes()].concat();
}

/// What `message` says; NaN is the same as NaN.
fn decoded(recipe: &Recipe, message: &[u8]) -> (Option<Refusal>, String) {
    let mut out = vec![Decoded { time: None, values: [Some(0.5); 4] }];
    let refusal = decode(recipe, message, &mut out).err();
    assert_eq!(out[0].values, [Some(0.5); 4], "what was there stays");
    let found = &out[1..];
    let lines = message.iter().filter(|byte| **byte == b'\n').count() + 1;
    let most = if recipe.format == Format::LineProtocol { lines } else { 1 };
    assert!(found.len() <= most, "no more readings than lines");
    assert!(refusal.is_some() || !found.is_empty(), "a reading or a reason");
    for one in found {
        assert!(one.values.iter().any(Option::is_some));
        assert!(one.values.iter().flatten().all(|value| !value.is_infinite()));
        assert!(one.time.is_none_or(|time| (0..=LAST_MS).contains(&time.0)));
        let asked = one.values.iter().zip(&recipe.reads).all(|(value, read)| value.is_none() || read.is_some());
        assert!(asked, "nothing that was not asked for");
    }
    (refusal, format!("{found:?}"))
}

/// The kernel's attributes.
fn kernel(payload: &[u8]) {
    let Ok(text) = std::str::from_utf8(payload) else { return };
    if let Ok(celsius) = one_wire(text) {
        assert!(celsius.is_finite());
    }
    let mut parts = text.split('\n');
    let mut part = || parts.next().unwrap_or("");
    let (name, raw, offset, scale) = (part(), part(), part(), part());
    // An attribute that a device does not have.
    let [offset, scale] = [offset, scale].map(|part| Some(part).filter(|part| *part != "-"));
    for name in [name, "in_temp", "in_concentration_co2"] {
        let channel = Channel(name);
        for value in [channel.input(raw), channel.raw(raw, offset, scale)].into_iter().flatten() {
            assert!(value.is_finite(), "{name} {raw} {offset:?} {scale:?}");
        }
    }
}
