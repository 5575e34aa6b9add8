//! Samples as line protocol, for a time-series database or for `replay`.
//!
//! In: stored samples, judged and corrected. Out: one line for each probe message, in time order,
//! measurement `climate`, time in nanoseconds. Bad values are left out unless raw samples are asked
//! for; then every line carries a tag `quality`. The lines are made by the line-protocol crate;
//! what it would write wrongly (control characters, a trailing backslash, an empty tag, a number
//! that is none) is kept from it here.

use std::io::{self, Write};
use std::ops::ControlFlow;

use influxdb_line_protocol::LineProtocolBuilder;

use super::export::{Every, ExportError, Options};
use super::places::Placed;
use crate::climate::quantity::with_mark;
use crate::climate::{Quality, Quantity, Stamp};
use crate::grow::tub::Tub;
use crate::store::history::Form;
use crate::store::{JudgedMessage, Reader};
use crate::watch::setup::Setup;

/// The measurement's name.
pub(super) const MEASUREMENT: &str = "climate";

/// Nanoseconds in a millisecond.
const NANOS: i64 = 1_000_000;

/// Bytes gathered before they are written on.
const BATCH: usize = 64 << 10;

/// Appends one line to `lines`; false where there was nothing to say: no finite field, or a time
/// that nanoseconds in 64 bits do not hold (before 1678, after 2262).
///
/// Tags with an empty value are left out; control characters are taken out of keys and values, and
/// backslashes off their ends. Tags come in the order given.
pub fn line(lines: &mut Vec<u8>, measurement: &str, tags: &[(&str, &str)], fields: &[(&str, f64)], at: Stamp) -> bool {
    line_in(lines, measurement, tags, fields, at.0.checked_mul(NANOS))
}

/// As [`line()`], with a time stamp in whichever unit; false also where there is none.
pub(super) fn line_in(
    lines: &mut Vec<u8>,
    measurement: &str,
    tags: &[(&str, &str)],
    fields: &[(&str, f64)],
    stamp: Option<i64>,
) -> bool {
    let mut fields = fields.iter().filter(|(_, value)| value.is_finite());
    let (Some(first), Some(stamp)) = (fields.next(), stamp) else { return false };
    let mut builder = LineProtocolBuilder::new_with(std::mem::take(lines)).measurement(&plain(measurement));
    for (key, value) in tags {
        let (key, value) = (plain(key), plain(value));
        if !key.is_empty() && !value.is_empty() {
            builder = builder.tag(&key, &value);
        }
    }
    let mut builder = builder.field(&plain(first.0), first.1);
    for (key, value) in fields {
        builder = builder.field(&plain(key), *value);
    }
    *lines = builder.timestamp(stamp).close_line().build();
    true
}

/// Text without what the line-protocol crate would write wrongly.
pub(super) fn plain(text: &str) -> String {
    let text: String = text.chars().filter(|character| !character.is_control()).collect();
    text.trim_end_matches('\\').to_owned()
}

/// Writes the samples in `options`' range to `out`; returns how many lines.
///
/// # Errors
/// When the store cannot be read or `out` cannot be written.
pub fn line_protocol(
    reader: &Reader,
    setup: &Setup,
    tubs: &[Tub],
    site: &str,
    options: &Options,
    out: &mut dyn Write,
) -> Result<u64, ExportError> {
    let known: Vec<String> = reader.probes()?.into_iter().map(|(_, name)| name).collect();
    let probes = Placed::all(setup, tubs, &known);
    let tub = options.tub_in(tubs)?;
    let names: Vec<&str> = probes.iter().map(|probe| probe.name.as_str()).collect();
    let (from, to) = options.range();
    let (mut lines, mut count) = (Vec::with_capacity(BATCH), 0);
    let mut failed: Option<io::Error> = None;
    let mut visit = |position: usize, message: &JudgedMessage| {
        let probe = &probes[position];
        if tub.is_none_or(|tub| probe.concerns(tub, tubs, message.at)) {
            count += u64::from(message_line(&mut lines, site, probe, message, options.every == Every::Raw));
        }
        if lines.len() >= BATCH {
            failed = out.write_all(&lines).err();
            lines.clear();
        }
        if failed.is_some() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    };
    reader.history(&names, from, to, Form::Corrected, &mut visit)?;
    match failed {
        Some(error) => Err(ExportError::line_protocol(&error)),
        None => out.write_all(&lines).and_then(|()| out.flush()).map_err(|e| ExportError::line_protocol(&e)),
    }?;
    Ok(count)
}

fn message_line(lines: &mut Vec<u8>, site: &str, probe: &Placed<'_>, message: &JudgedMessage, raw: bool) -> bool {
    let place = probe.at(message.at);
    let quality = if raw { with_mark(message.worst(), message.clock_unsure) } else { "".into() };
    let tags = [
        ("site", site),
        ("space", place.space),
        ("probe", probe.name.as_str()),
        ("tub", place.tub.map_or("", |tub| tub.name.as_str())),
        ("quality", &quality),
    ];
    let mut fields = [("", f64::NAN); 4];
    for quantity in Quantity::ALL {
        let index = quantity.index();
        if let Some(value) = message.values[index].filter(|_| raw || message.quality[index] == Quality::Good) {
            fields[index] = (quantity.word(), value);
        }
    }
    line(lines, MEASUREMENT, &tags, &fields, message.at)
}
