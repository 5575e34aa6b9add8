//! `[[intake]]`: where probes publish straight to tubwatch.
//!
//! In: its tables. Out: [`IntakePlan`]s, each with its people and certificate read.

use std::collections::HashMap;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::time::Duration;

use super::fault::Cause;
use super::files::Shelf;
use super::people::People;
use super::plan::IntakePlan;
use super::sources::{Source, Sources};
use super::tls;
use super::walk::{Desk, Section};
use super::word::quoted;

const KEYS: [&str; 6] = ["name", "address", "people_file", "acknowledge_within", "cert_file", "key_file"];

/// How soon a message is on disk and acknowledged where nothing is said: a board that waits on
/// battery should not wait longer.
const ACKNOWLEDGE_WITHIN_MS: i64 = 2_000;

pub(super) fn intakes(desk: &mut Desk<'_>, root: &Section<'_>, shelf: &Shelf, sources: &mut Sources) {
    let mut taken = HashMap::new();
    for (position, section) in root.sections(desk, "intake").iter().enumerate() {
        section.only(desk, &KEYS);
        let name = sources.names.read(desk, section, None, Source::Intake(position));
        let address = address(desk, section);
        if let Some(address) = address
            && address.port() != 0
            && let Some(line) = taken.insert(address, desk.place(section.at).0)
        {
            let sentence = format!("the intake on line {line} listens there already, expected another address or port");
            desk.fault(section.at, &section.path_of("address"), Cause::Clash, sentence);
        }
        let within = section.found("acknowledge_within").and_then(|found| found.duration(desk, 50..=60_000));
        let within = u64::try_from(within.unwrap_or(ACKNOWLEDGE_WITHIN_MS)).unwrap_or(0);
        sources.intakes.push(IntakePlan {
            name: name.map_or(String::new(), |name| name.text.to_owned()),
            address: address.unwrap_or(SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 0)),
            people: people(desk, section, shelf),
            acknowledge_within: Duration::from_millis(within),
            tls: tls::shown(desk, section, shelf),
        });
    }
}

fn address(desk: &mut Desk<'_>, section: &Section<'_>) -> Option<SocketAddr> {
    let text = section.needed_text(desk, "address", "an address with its port such as \"0.0.0.0:1884\"")?;
    let address = text.text.parse().ok();
    if address.is_none() {
        let sentence =
            format!("found {}, expected an address with its port such as \"0.0.0.0:1884\"", quoted(text.text));
        desk.fault(text.at, &text.path, Cause::Value, sentence);
    }
    address
}

fn people(desk: &mut Desk<'_>, section: &Section<'_>, shelf: &Shelf) -> Option<People> {
    let path = section.text(desk, "people_file", "the path of a file, in quotes")?;
    if !path.text.is_empty() && !shelf.absolute(path.text).exists() {
        shelf.unreadable(desk, &path, "there is no such file; tubwatch user add NAME makes it");
        return None;
    }
    let text = shelf.text(desk, &path)?;
    match People::read(&text) {
        Ok(people) if people.is_empty() => {
            let sentence =
                format!("the file {} names nobody, expected people by tubwatch user add NAME", quoted(path.text));
            desk.fault(path.at, &path.path, Cause::Value, sentence);
            None
        }
        Ok(people) => Some(people),
        Err((line, why)) => {
            let file = desk.file.with_file_name(path.text);
            desk.fault_in(file, line, 1, &path.path, Cause::Value, why);
            None
        }
    }
}
