//! Any message by any recipe: a reading or a refusal, and every number finite or NaN.
#![no_main]

use libfuzzer_sys::fuzz_target;
use tubwatch::wire::checksum::{Checksum, Kind};
use tubwatch::wire::recipe::{TimeField, TimeUnit};
use tubwatch::wire::{Format, Recipe, decode};

fuzz_target!(|data: &[u8]| {
    let [choice, more, payload @ ..] = data else { return };
    let format = Format::ALL[usize::from(*choice) % Format::ALL.len()];
    let places = match format {
        Format::Json => ["/t", "/h", "/a/0/co2", "/b~1"],
        Format::Csv => ["1", "2", "3", "40"],
        _ => ["t", "h", "co2", "b"],
    };
    let reads = places.map(|place| Some(place.to_owned()));
    let mut recipe = Recipe { format, reads, ..Recipe::default() };
    if more & 1 != 0 {
        let at = if format == Format::Json { "/ts" } else { "4" };
        let unit = [TimeUnit::Seconds, TimeUnit::Milliseconds, TimeUnit::Rfc3339][usize::from(more >> 1) % 3];
        recipe.time = Some(TimeField { at: at.to_owned(), unit });
    }
    if more & 8 != 0 {
        recipe.select.push((places[0].to_owned(), "a1".to_owned()));
    }
    if more & 16 != 0 {
        let kind = Kind::ALL[usize::from(more >> 5) % Kind::ALL.len()];
        recipe.checksum = Some(Checksum { kind, at: "*".to_owned(), from: String::new() });
    }
    let mut out = Vec::new();
    let decoded = decode(&recipe, payload, &mut out);
    assert!(decoded.is_err() || !out.is_empty());
    for decoded in out {
        assert!(decoded.values.iter().any(Option::is_some));
        assert!(decoded.values.iter().flatten().all(|value| !value.is_infinite()));
    }
});
