//! What a time-series database is sent: samples, alerts and logbook entries as line protocol.
//!
//! In: stored messages with tags that were fixed before, alerts, entries. Out: lines. Measurements
//! `climate` (as in an export), `alert` (one point for each thing that happened to one: raised,
//! acknowledged, returned, ended) and `logbook` (one for each entry). Whatever may still change is a
//! field, never a tag: a point that is sent again replaces itself. Pure.

use influxdb_line_protocol::LineProtocolBuilder;

use super::line_protocol::{self, MEASUREMENT};
use super::places::Placed;
use crate::climate::{Quality, Quantity, Stamp};
use crate::grow::logbook::Entry;
use crate::grow::tub::Tub;
use crate::store::JudgedMessage;
use crate::watch::alert::Alert;
use crate::watch::setup::Setup;

/// From when a probe was where: time, space, tub.
pub type Place = (Stamp, String, String);

/// Where every probe was over all time, as the logbook tells it now: name, and from when which
/// space and tub, in order.
pub fn places(setup: &Setup, tubs: &[Tub], known: &[String]) -> Vec<(String, Vec<Place>)> {
    let place = |probe: Placed<'_>| {
        let turns = probe.turns().into_iter().map(|from| {
            let place = probe.at(from);
            (from, place.space.to_owned(), place.tub.map_or(String::new(), |tub| tub.name.clone()))
        });
        let turns = turns.collect();
        (probe.name, turns)
    };
    Placed::all(setup, tubs, known).into_iter().map(place).collect()
}

/// Appends the line of one message with the tags given; false where no value of it is good.
pub fn message(
    lines: &mut Vec<u8>,
    site: &str,
    probe: &str,
    (space, tub): (&str, &str),
    message: &JudgedMessage,
    per_ms: PerMs,
) -> bool {
    let mut fields = [("", f64::NAN); 4];
    for quantity in Quantity::ALL {
        let index = quantity.index();
        if let Some(value) = message.values[index].filter(|_| message.quality[index] == Quality::Good) {
            fields[index] = (quantity.word(), value);
        }
    }
    let tags = [("site", site), ("space", space), ("probe", probe), ("tub", tub)];
    line_protocol::line_in(lines, MEASUREMENT, &tags, &fields, per_ms.of(message.at))
}

/// The unit of time stamps: so many in a millisecond, or so many milliseconds in one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PerMs {
    /// Finer than, or as fine as, a millisecond.
    Times(i64),
    /// Coarser.
    Over(i64),
}

impl PerMs {
    fn of(self, at: Stamp) -> Option<i64> {
        match self {
            PerMs::Times(times) => at.0.checked_mul(times),
            PerMs::Over(over) => Some(at.0.div_euclid(over)),
        }
    }
}

/// A field of an alert's or an entry's point.
enum Field<'a> {
    Number(f64),
    Count(i64),
    Text(&'a str),
}

/// Appends a line for each thing that has happened to `alert`; gives how many.
pub fn alert(lines: &mut Vec<u8>, site: &str, alert: &Alert, per_ms: PerMs) -> u64 {
    let events = [
        ("raised", Some(alert.since)),
        ("acknowledged", alert.acknowledged_at),
        ("returned", alert.returned_at),
        ("ended", alert.ended_at),
    ];
    let mut count = 0;
    for (event, at) in events {
        let Some(at) = at.and_then(|at| per_ms.of(at)) else { continue };
        let mut fields = vec![
            ("id", Field::Count(alert.id)),
            ("severity", Field::Text(alert.severity.word())),
            ("text", Field::Text(&alert.text)),
        ];
        fields.extend(alert.value.map(|value| ("value", Field::Number(value))));
        fields.extend(alert.limit.map(|limit| ("limit", Field::Number(limit))));
        let tags =
            [("site", site), ("subject", alert.subject.as_str()), ("watch", alert.watch.word()), ("event", event)];
        point(lines, "alert", &tags, &fields, at);
        count += 1;
    }
    count
}

/// Appends the line of one logbook entry; false where its time cannot be written.
pub fn entry(lines: &mut Vec<u8>, site: &str, entry: &Entry, tubs: &[Tub], per_ms: PerMs) -> bool {
    let Some(at) = per_ms.of(entry.at) else { return false };
    let tub = tubs.iter().find(|tub| tub.id == entry.tub).map_or("", |tub| tub.name.as_str());
    // Two entries may tell of one tub, deed and moment; their number keeps them two.
    let id = entry.id.to_string();
    let deed = entry.deed.word();
    let tags = [("site", site), ("tub", tub), ("filling", entry.tub.as_str()), ("deed", deed), ("entry", &id)];
    let body = serde_json::to_value(&entry.deed).unwrap_or_default();
    let text = body.to_string();
    let mut fields = vec![("written_at", Field::Count(entry.written_at.0)), ("body", Field::Text(&text))];
    let numbers = body.as_object().into_iter().flatten().filter(|(key, _)| *key != "entry");
    fields.extend(numbers.filter_map(|(key, value)| Some((key.as_str(), Field::Number(value.as_f64()?)))));
    point(lines, "logbook", &tags, &fields, at);
    true
}

/// Appends one line; there is always a first field.
fn point(lines: &mut Vec<u8>, measurement: &str, tags: &[(&str, &str)], fields: &[(&str, Field<'_>)], at: i64) {
    let mut builder = LineProtocolBuilder::new_with(std::mem::take(lines)).measurement(measurement);
    for (key, value) in tags {
        let value = line_protocol::plain(value);
        if !value.is_empty() {
            builder = builder.tag(key, &value);
        }
    }
    let Some(((key, first), rest)) = fields.split_first() else { return };
    let mut builder = match first {
        Field::Count(count) => builder.field(key, *count),
        Field::Number(number) => builder.field(key, *number),
        Field::Text(text) => builder.field(key, line_protocol::plain(text).as_str()),
    };
    for (key, field) in rest {
        builder = match field {
            Field::Count(count) => builder.field(key, *count),
            Field::Number(number) if number.is_finite() => builder.field(key, *number),
            Field::Number(_) => builder,
            Field::Text(text) => builder.field(key, line_protocol::plain(text).as_str()),
        };
    }
    *lines = builder.timestamp(at).close_line().build();
}
