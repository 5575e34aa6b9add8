//! `[[space]]`: an enclosed volume of air, the probes that speak for it, its own limits.

use std::collections::HashMap;

use super::bands::bands;
use super::fault::Cause;
use super::names::Names;
use super::probes::Probes;
use super::walk::{Desk, Section};
use super::word::quoted;
use crate::climate::Quantity;
use crate::watch::setup::SpaceSetup;

/// What is a space's air.
const OF_AIR: [Quantity; 3] = [Quantity::Temperature, Quantity::Humidity, Quantity::Co2];

pub(super) fn spaces(desk: &mut Desk<'_>, root: &Section<'_>, probes: &Probes) -> Vec<SpaceSetup> {
    let mut names = Names::new("space");
    // A probe measures the air of one space: its readings are shown and exported under it.
    let mut taken: HashMap<usize, String> = HashMap::new();
    let mut spaces = Vec::new();
    for section in root.sections(desk, "space") {
        section.only(desk, &["name", "air", "heated", "bands"]);
        let name = names.read(desk, &section, None, ()).map_or(String::new(), |name| name.text.to_owned());
        let air = air(desk, &section, probes, &mut taken);
        let heated = section.found("heated").and_then(|found| found.flag(desk)).unwrap_or(false);
        let bands = bands(desk, &section, None);
        spaces.push(SpaceSetup { name, air, heated, bands });
    }
    spaces
}

fn air(desk: &mut Desk<'_>, section: &Section<'_>, probes: &Probes, taken: &mut HashMap<usize, String>) -> Vec<usize> {
    let expected = "a list of probes such as [\"shelf-air\"]";
    let named = section.found("air").and_then(|found| found.texts(desk, expected)).unwrap_or_default();
    let mut air = Vec::new();
    for probe in named {
        let Some(&position) = probes.names.find(desk, &probe) else { continue };
        let setup = probes.setups.get(position);
        if let Some(setup) = setup
            && setup.reads != [false; 4]
            && !OF_AIR.into_iter().any(|quantity| setup.reads(quantity))
        {
            let sentence = format!(
                "{} reads nothing of the air, expected one that reads temperature, humidity or co2",
                quoted(probe.text)
            );
            desk.fault(probe.at, &probe.path, Cause::Dangling, sentence);
        }
        if let Some(other) = taken.insert(position, section.path.clone()) {
            let sentence = format!("{} is listed in {other} already, expected in one place", quoted(probe.text));
            desk.fault(probe.at, &probe.path, Cause::Clash, sentence);
        }
        air.push(position);
    }
    air
}
