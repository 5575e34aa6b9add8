//! `log.csv` and `alerts.csv`: the logbook and the alerts as they stand.
//!
//! In: entries and alerts. Out: rows. Nothing is left out: amended and void entries stand beside the
//! entries that amend them.

use std::io::{self, Write};

use super::csv::Csv;
use crate::climate::Stamp;
use crate::grow::logbook::{Deed, Entry};
use crate::grow::tub::Tub;
use crate::watch::alert::Alert;

/// `log.csv`.
pub(super) const LOG: [&str; 20] = [
    "entry",
    "at",
    "written_at",
    "tub",
    "id",
    "deed",
    "culture",
    "space",
    "probe",
    "fresh_g",
    "dry_g",
    "flush",
    "what",
    "where",
    "because",
    "text",
    "alert",
    "amends",
    "void",
    "new_at",
];

/// What a deed says beside its word, by column.
#[derive(Default)]
struct Details<'a> {
    culture: Option<&'a str>,
    space: Option<&'a str>,
    probe: Option<&'a str>,
    fresh_g: Option<f64>,
    dry_g: Option<f64>,
    flush: Option<u32>,
    what: Option<&'a str>,
    place: Option<&'a str>,
    because: Option<&'a str>,
    text: Option<&'a str>,
    alert: Option<i64>,
    amends: Option<i64>,
    void: bool,
    new_at: Option<Stamp>,
}

fn details(deed: &Deed) -> Details<'_> {
    let none = Details::default();
    match deed {
        Deed::Spawned(spawning) => Details {
            culture: Some(&spawning.culture),
            space: Some(&spawning.space),
            probe: spawning.core.as_deref(),
            ..none
        },
        Deed::Opened { to } => Details { space: to.as_deref(), ..none },
        Deed::Harvested { fresh_g, dry_g, flush } => {
            Details { fresh_g: Some(*fresh_g), dry_g: *dry_g, flush: *flush, ..none }
        }
        Deed::Suspected { what, place } => Details { what: what.as_deref(), place: place.as_deref(), ..none },
        Deed::Discarded { because } => Details { because: Some(because), ..none },
        Deed::Noted { text } => Details { text: Some(text), ..none },
        Deed::Moved { to } => Details { space: Some(to), ..none },
        Deed::Core { probe } => Details { probe: probe.as_deref(), ..none },
        Deed::Amended { entry, void, at_ms, fresh_g, dry_g, text, more } => Details {
            amends: Some(*entry),
            void: *void,
            new_at: at_ms.map(Stamp),
            fresh_g: *fresh_g,
            dry_g: *dry_g,
            text: text.as_deref(),
            culture: more.culture.as_deref(),
            flush: more.flush,
            because: more.because.as_deref(),
            ..none
        },
        Deed::Photographed { file, text } => Details { what: text.as_deref(), text: Some(file), ..none },
        Deed::HeatBegan(start) => Details { text: Some(&start.run), ..none },
        Deed::Renamed(it) => Details { what: Some(&it.old), text: Some(&it.new), ..none },
        Deed::HeatEnded { run } => Details { text: Some(run), ..none },
        Deed::Acknowledged { alert } | Deed::Shelved { alert, .. } => Details { alert: Some(*alert), ..none },
        Deed::Working { space, .. } => Details { space: space.as_deref(), ..none },
        _ => none,
    }
}

/// Writes one entry.
pub(super) fn log_row<W: Write>(csv: &mut Csv<W>, entry: &Entry, tubs: &[Tub]) -> io::Result<()> {
    let name = tubs.iter().find(|tub| tub.id == entry.tub).map(|tub| tub.name.as_str());
    let details = details(&entry.deed);
    let number = |number: Option<i64>| number.map(|number| number as f64);
    csv.count(entry.id).time(entry.at).time(entry.written_at);
    csv.text_if(name).text(&entry.tub).text(entry.deed.word());
    csv.text_if(details.culture).text_if(details.space).text_if(details.probe);
    csv.exact(details.fresh_g).exact(details.dry_g).exact(details.flush.map(f64::from));
    csv.text_if(details.what).text_if(details.place).text_if(details.because).text_if(details.text);
    csv.exact(number(details.alert)).exact(number(details.amends));
    csv.text(if details.void { "true" } else { "" }).time_if(details.new_at);
    csv.end_row()
}

/// `alerts.csv`.
pub(super) const ALERTS: [&str; 14] = [
    "id",
    "subject",
    "watch",
    "severity",
    "state",
    "since",
    "first_at",
    "returned_at",
    "acknowledged_at",
    "ended_at",
    "value",
    "limit",
    "repeat",
    "text",
];

/// Writes one alert.
pub(super) fn alert_row<W: Write>(csv: &mut Csv<W>, alert: &Alert) -> io::Result<()> {
    csv.count(alert.id).text(&alert.subject).text(alert.watch.word());
    csv.text(alert.severity.word()).text(alert.state.word());
    csv.time(alert.since).time(alert.first_at);
    csv.time_if(alert.returned_at).time_if(alert.acknowledged_at).time_if(alert.ended_at);
    csv.exact(alert.value).exact(alert.limit).count(i64::from(alert.repeat)).text(&alert.text);
    csv.end_row()
}
