//! `[[local]]`: sensors on the machine's own pins, and what a probe on them reads.
//!
//! In: its tables; a probe's table. Out: [`LocalPlan`]s; the device and its channels.

use super::fault::Cause;
use super::files::Shelf;
use super::plan::LocalPlan;
use super::sources::{Source, Sources};
use super::walk::{Desk, Section};
use super::word::{one_of, quoted};
use crate::climate::Quantity;
use crate::wire::Recipe;
use crate::wire::sysfs::Channel;

/// Where the kernel shows its devices.
const SYSFS: &str = "/sys";
/// What a 1-wire thermometer reads.
const ONE_WIRE: &str = "temperature";

pub(super) fn locals(desk: &mut Desk<'_>, root: &Section<'_>, shelf: &Shelf, sources: &mut Sources) {
    for (position, section) in root.sections(desk, "local").iter().enumerate() {
        section.only(desk, &["name", "path"]);
        let name = sources.names.read(desk, section, None, Source::Local(position));
        let path = section.text(desk, "path", "the folder where the kernel shows its devices, in quotes");
        sources.locals.push(LocalPlan {
            name: name.map_or(String::new(), |name| name.text.to_owned()),
            path: shelf.absolute(path.map_or(SYSFS, |path| path.text)),
        });
    }
}

/// The device of a probe on its pins, and a recipe whose places are the channels.
pub(super) fn sensor(desk: &mut Desk<'_>, section: &Section<'_>) -> Option<(String, Recipe)> {
    for key in ["format", "select", "time", "checksum", "columns"] {
        if let Some(found) = section.found(key) {
            let sentence = format!("the kernel gives numbers, not messages, expected no {key} here");
            desk.fault(found.key_at, &found.path, Cause::Clash, sentence);
        }
    }
    let expected = "a 1-wire identifier such as \"28-0316a2793b0f\", or an I/O device's name such as \"sht3x\"";
    let device = section.needed_text(desk, "device", expected)?;
    let odd = |c: char| !(c.is_ascii_alphanumeric() || matches!(c, '-' | ':' | '_' | '.' | ','));
    if device.text.is_empty() || device.text.starts_with('.') || device.text.contains(odd) {
        desk.fault(
            device.at,
            &device.path,
            Cause::Value,
            format!("found {}, expected {expected}", quoted(device.text)),
        );
        return None;
    }
    let expected = "a table such as { temperature = \"in_temp\" }";
    let found = section.needed(desk, "reads", expected)?;
    let table = found.section(desk, expected)?;
    let words = Quantity::ALL.map(Quantity::word);
    table.only(desk, &words);
    if table.table.is_empty() {
        desk.fault(found.at, &found.path, Cause::Missing, format!("it is empty, expected {}", one_of(&words)));
    }
    let mut recipe = Recipe::default();
    for quantity in Quantity::ALL {
        let channels = match quantity {
            Quantity::Temperature => "\"temperature\" (1-wire) or a channel such as \"in_temp\"",
            Quantity::Humidity => "a channel such as \"in_humidityrelative\"",
            Quantity::Co2 => "a channel such as \"in_concentration_co2\"",
            Quantity::Battery => "a channel such as \"in_voltage0\"",
        };
        let Some(channel) = table.text(desk, quantity.word(), channels) else { continue };
        let kind = match quantity {
            Quantity::Temperature => "in_temp",
            Quantity::Humidity => "in_humidityrelative",
            Quantity::Co2 => "in_concentration",
            Quantity::Battery => "in_voltage",
        };
        let fits = Channel(channel.text).is_known() && channel.text.starts_with(kind);
        let one_wire = quantity == Quantity::Temperature && channel.text == ONE_WIRE;
        if !(fits || one_wire) {
            let sentence = format!("found {}, expected {channels}", quoted(channel.text));
            desk.fault(channel.at, &channel.path, Cause::Value, sentence);
        }
        recipe.reads[quantity.index()] = Some(channel.text.to_owned());
    }
    Some((device.text.to_owned(), recipe))
}
