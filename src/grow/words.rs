//! Entries, masses and lengths of time in the grower's words, on one line.
//!
//! In: deeds, masses, lengths of time. Out: text without control characters, fit for a terminal or a page. Left out:
//! advice and cautions, which belong to whoever speaks.

use chrono_tz::Tz;

use super::logbook::{Changes, Deed, Spawning};
use super::moment::local_text;
use crate::climate::Stamp;
use crate::climate::stamp::{DAY_MS, HOUR_MS, MINUTE_MS};

/// Text from the logbook or a probe on one line: control characters shown, not obeyed.
pub fn printable(text: &str) -> String {
    text.chars()
        .map(|letter| match letter {
            '\n' | '\r' | '\t' => ' ',
            letter if letter.is_control() => '\u{fffd}',
            letter => letter,
        })
        .collect()
}

/// What an entry says, in a few words.
pub fn deed(deed: &Deed, timezone: Tz) -> String {
    match deed {
        Deed::Spawned(spawning) => spawned(spawning),
        Deed::Looked => "looked".to_owned(),
        Deed::Colonised => "colonised".to_owned(),
        Deed::Opened { to } => with("opened", "to", to.as_deref()),
        Deed::Closed => "closed".to_owned(),
        Deed::Cased => "cased".to_owned(),
        Deed::Pins => "pins".to_owned(),
        Deed::Harvested { fresh_g, dry_g, flush } => {
            let dry = dry_g.map_or(String::new(), |dry| format!(", {} dry", mass(dry)));
            let flush = flush.map_or(String::new(), |flush| format!(", flush {flush}"));
            format!("harvested {} fresh{dry}{flush}", mass(*fresh_g))
        }
        Deed::Rested => "rest".to_owned(),
        Deed::Soaked => "soaked".to_owned(),
        Deed::Suspected { what, place } => with(&with("mould suspected:", "", what.as_deref()), "in", place.as_deref())
            .trim_end_matches(':')
            .to_owned(),
        Deed::Discarded { because } => format!("discarded: {because}"),
        Deed::Noted { text } => format!("note: {}", printable(text)),
        Deed::Photographed { file, text } => with(&format!("photo {}", printable(file)), "of", text.as_deref()),
        Deed::Moved { to } => format!("moved to {}", printable(to)),
        Deed::Core { probe: Some(probe) } => format!("core probe {}", printable(probe)),
        Deed::Core { probe: None } => "core probe taken out".to_owned(),
        Deed::Amended { entry, void, at_ms, fresh_g, dry_g, text, more } => {
            if *void {
                return format!("entry {entry} is void");
            }
            let changes = [
                at_ms.map(|at| local_text(Stamp(at), timezone)),
                fresh_g.map(|fresh| format!("{} fresh", mass(fresh))),
                dry_g.map(|dry| format!("{} dry", mass(dry))),
                text.as_deref().map(|text| format!("\"{}\"", printable(text))),
            ];
            let all: Vec<String> = changes.into_iter().flatten().chain(changed(more)).collect();
            format!("entry {entry} amended: {}", all.join(", "))
        }
        Deed::HeatBegan(start) => format!(
            "heat run {} began: {}, {} °C for {}",
            printable(&start.run),
            printable(&start.probes.join(", ")),
            start.hold_at_c,
            span(start.hold_for_ms)
        ),
        Deed::Renamed(it) => {
            format!("{} {} renamed {}", it.what.word(), printable(&it.old), printable(&it.new))
        }
        Deed::HeatEnded { run } => format!("heat run {} ended", printable(run)),
        Deed::Acknowledged { alert } => format!("alert {alert} acknowledged"),
        Deed::Shelved { alert, for_ms } => format!("alert {alert} put aside for {}", span(*for_ms)),
        Deed::Working { space, for_ms } => format!("{} for {}", with("working", "in", space.as_deref()), span(*for_ms)),
    }
}

/// What else an amendment changes.
fn changed(more: &Changes) -> Vec<String> {
    let text = |what: &str, text: &Option<String>| text.as_deref().map(|text| format!("{what} {}", printable(text)));
    let litres = |what: &str, litres: Option<f64>| litres.map(|litres| format!("{what} {litres} L"));
    let grams = |what: &str, grams: Option<f64>| grams.map(|grams| format!("{what} {}", mass(grams)));
    [
        text("culture", &more.culture),
        text("kind", &more.kind),
        litres("grain", more.grain_l),
        litres("bulk", more.bulk_l),
        grams("dry bulk", more.dry_bulk_g),
        grams("dry grain", more.dry_grain_g),
        text("heat run", &more.run),
        text("strain", &more.strain),
        text("batch", &more.batch),
        text("position", &more.position),
        more.flush.map(|flush| format!("flush {flush}")),
        text("because", &more.because),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn spawned(spawning: &Spawning) -> String {
    let mut text = format!("spawned: {} in {}", printable(&spawning.culture), printable(&spawning.space));
    let parts = [
        spawning.core.as_deref().map(|probe| format!("core {}", printable(probe))),
        spawning.like.as_deref().map(|like| format!("like {}", printable(like))),
        spawning.grain_l.map(|litres| format!("grain {litres} L")),
        spawning.bulk_l.map(|litres| format!("bulk {litres} L")),
        spawning.dry_bulk_g.map(|grams| format!("dry bulk {}", mass(grams))),
        spawning.dry_grain_g.map(|grams| format!("dry grain {}", mass(grams))),
        spawning.run.as_deref().map(|run| format!("heat run {}", printable(run))),
        spawning.strain.as_deref().map(|strain| format!("strain {}", printable(strain))),
        spawning.batch.as_deref().map(|batch| format!("batch {}", printable(batch))),
        spawning.position.as_deref().map(|position| format!("position {}", printable(position))),
    ];
    for part in parts.into_iter().flatten() {
        text.push_str(", ");
        text.push_str(&part);
    }
    text
}

/// A word with what goes with it, where there is something.
fn with(word: &str, link: &str, what: Option<&str>) -> String {
    match what {
        Some(what) if link.is_empty() => format!("{word} {}", printable(what)),
        Some(what) => format!("{word} {link} {}", printable(what)),
        None => word.to_owned(),
    }
}

/// A mass, grams without needless decimals.
pub fn mass(grams: f64) -> String {
    format!("{} g", (grams * 10.0).round() / 10.0)
}

/// A length of time in its two largest units: `3 d 4 h`, `2 h 10 min`.
pub fn span(ms: i64) -> String {
    let (days, hours, minutes) = (ms / DAY_MS, ms % DAY_MS / HOUR_MS, ms % HOUR_MS / MINUTE_MS);
    match (days, hours, minutes) {
        (0, 0, minutes) => format!("{minutes} min"),
        (0, hours, minutes) => format!("{hours} h {minutes} min"),
        (days, hours, _) => format!("{days} d {hours} h"),
    }
}
