//! `[[broker]]`, `[[port]]` and, from a file of its own, `[[intake]]`: where probes arrive from.

use std::collections::HashMap;

use super::fault::Cause;
use super::files::Shelf;
use super::intakes::intakes;
use super::names::Names;
use super::plan::{BrokerPlan, BrokerTls, IntakePlan, Parity, PortPlan};
use super::url;
use super::walk::{Desk, Section, Text};
use super::word::quoted;

/// What a source's name stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Source {
    /// The broker at this position.
    Broker(usize),
    /// The port at this position, read line by line.
    Lines(usize),
    /// The port at this position, which speaks Modbus.
    Modbus(usize),
    /// The intake at this position.
    Intake(usize),
}

/// All sources.
pub(super) struct Sources {
    pub names: Names<Source>,
    pub brokers: Vec<BrokerPlan>,
    pub ports: Vec<PortPlan>,
    pub intakes: Vec<IntakePlan>,
}

const BROKER_KEYS: [&str; 8] =
    ["name", "url", "username", "password_file", "client", "ca_file", "cert_file", "key_file"];

/// The longest client identifier, bytes. Brokers must take 23 (MQTT 3.1.1, 3.1.3.1), most take more.
const CLIENT_BYTES_MAX: usize = 128;

/// The rate of a port where none is given; what most microcontroller boards use (common practice, no source).
const BAUD: u32 = 115_200;
/// The same for a Modbus line: what most sensors are delivered with (common practice, no source).
const MODBUS_BAUD: u32 = 9_600;

pub(super) fn sources(desk: &mut Desk<'_>, root: &Section<'_>, shelf: &Shelf, site: &str) -> Sources {
    let mut sources = Sources {
        names: Names::new("broker, intake or port"),
        brokers: Vec::new(),
        ports: Vec::new(),
        intakes: Vec::new(),
    };
    let mut clients = HashMap::new();
    for (position, section) in root.sections(desk, "broker").iter().enumerate() {
        let name = sources.names.read(desk, section, None, Source::Broker(position));
        let plan = broker(desk, section, shelf, site, name);
        let taken = (plan.host.to_lowercase(), plan.port, plan.client.clone());
        if !plan.host.is_empty()
            && let Some(line) = clients.insert(taken, desk.place(section.at).0)
        {
            let sentence = format!(
                "it has the same address and client as the broker on line {line}, and each would throw the other \
                 out; expected another client, or one broker for all its probes"
            );
            desk.fault(section.at, &section.path, Cause::Clash, sentence);
        }
        sources.brokers.push(plan);
    }
    let mut devices = HashMap::new();
    for section in root.sections(desk, "port") {
        port(desk, &section, shelf, &mut sources, &mut devices);
    }
    intakes(desk, root, shelf, &mut sources);
    sources
}

fn broker(desk: &mut Desk<'_>, section: &Section<'_>, shelf: &Shelf, site: &str, name: Option<Text<'_>>) -> BrokerPlan {
    section.only(desk, &BROKER_KEYS);
    let mut plan = BrokerPlan {
        name: name.map_or(String::new(), |name| name.text.to_owned()),
        host: String::new(),
        port: 0,
        tls: None,
        username: None,
        password: None,
        client: default_client(site),
    };
    let mut encrypted = None;
    let url = section.needed_text(desk, "url", "mqtt://host:port or mqtts://host:port, in quotes");
    if let Some(url) = url.and_then(|url| broker_url(desk, &url)) {
        encrypted = Some(url.scheme == "mqtts");
        plan.port = url.port.unwrap_or(if url.scheme == "mqtts" { 8883 } else { 1883 });
        plan.host = url.host;
    }
    plan.username = section.text(desk, "username", "a user name, in quotes").map(|name| name.text.to_owned());
    if let Some(path) = section.text(desk, "password_file", "the path of a file, in quotes") {
        if !section.has("username") {
            let sentence = "a password without a user name, expected username beside it";
            desk.fault(path.at, &path.path, Cause::Clash, sentence);
        }
        plan.password = shelf.secret(desk, &path, 1);
    }
    if let Some(client) = section.text(desk, "client", "an MQTT client identifier, in quotes") {
        let (empty, long) = (client.text.is_empty(), client.text.len() > CLIENT_BYTES_MAX);
        if empty || long || client.text.chars().any(char::is_control) {
            let sentence = format!("found {}, expected 1 to {CLIENT_BYTES_MAX} characters", quoted(client.text));
            desk.fault(client.at, &client.path, Cause::Value, sentence);
        }
        plan.client = client.text.to_owned();
    }
    plan.tls = tls(desk, section, shelf, encrypted);
    plan
}

fn broker_url(desk: &mut Desk<'_>, text: &Text<'_>) -> Option<url::Url> {
    let parsed = url::parse(text.text, ["mqtt", "mqtts"])
        .and_then(|url| if url.has_path { Err("it has more than a host and a port".to_owned()) } else { Ok(url) });
    match parsed {
        Ok(url) => Some(url),
        Err(_) if text.text.contains('@') => {
            let sentence = "it holds a user name or a password, expected them in username and password_file";
            desk.fault(text.at, &text.path, Cause::Value, sentence);
            None
        }
        Err(why) => {
            let sentence = format!("found {}: {why}", quoted(text.text));
            desk.fault(text.at, &text.path, Cause::Value, sentence);
            None
        }
    }
}

/// `encrypted` is `None` where the URL is faulty: nothing is said of its scheme then.
fn tls(desk: &mut Desk<'_>, section: &Section<'_>, shelf: &Shelf, encrypted: Option<bool>) -> Option<BrokerTls> {
    let file = |desk: &mut Desk<'_>, key: &str| {
        let path = section.text(desk, key, "the path of a file, in quotes")?;
        if encrypted == Some(false) {
            let sentence = "it is only for TLS, expected an url that begins with mqtts://";
            desk.fault(path.at, &path.path, Cause::Clash, sentence);
        }
        Some(path)
    };
    let (authority, chain, key) = (file(desk, "ca_file"), file(desk, "cert_file"), file(desk, "key_file"));
    for (one, other, missing) in [(&chain, &key, "key_file"), (&key, &chain, "cert_file")] {
        if let (Some(path), None) = (one, other)
            && !section.has(missing)
        {
            let sentence = format!("it is of no use alone, expected {missing} beside it");
            desk.fault(path.at, &path.path, Cause::Clash, sentence);
        }
    }
    let ca_pem = authority.and_then(|path| shelf.pem(desk, &path, "CERTIFICATE")).map(String::into_bytes);
    let chain = chain.and_then(|path| shelf.pem(desk, &path, "CERTIFICATE")).map(String::into_bytes);
    let key = key.and_then(|path| shelf.pem(desk, &path, "PRIVATE KEY")).map(super::plan::Secret);
    (encrypted == Some(true)).then(|| BrokerTls { ca_pem, client_pem: chain.zip(key) })
}

/// The client identifier of a site: letters, digits and `-`, the same at every start. A name that
/// had to be changed for it gets a checksum, so that two such sites on one broker stay two.
fn default_client(site: &str) -> String {
    let safe: String = site.chars().map(|c| if c.is_ascii_alphanumeric() || c == '-' { c } else { '-' }).collect();
    if safe == site {
        return format!("tubwatch-{safe}");
    }
    // FNV-1a, 32 bits: Fowler, Noll, Vo (IETF draft-eastlake-fnv).
    let sum = site.bytes().fold(0x811c_9dc5_u32, |sum, byte| (sum ^ u32::from(byte)).wrapping_mul(0x0100_0193));
    format!("tubwatch-{safe}-{sum:08x}")
}

fn port<'t>(
    desk: &mut Desk<'_>,
    section: &Section<'t>,
    shelf: &Shelf,
    sources: &mut Sources,
    devices: &mut HashMap<&'t str, usize>,
) {
    section.only(desk, &["name", "device", "baud", "protocol", "parity", "stop_bits"]);
    let modbus = section.word(desk, "protocol", &["lines", "modbus"]) == Some(1);
    let position = sources.ports.len();
    let meaning = if modbus { Source::Modbus(position) } else { Source::Lines(position) };
    let name = sources.names.read(desk, section, None, meaning);
    let device = section.needed_text(desk, "device", "the device's path such as \"/dev/ttyUSB0\"");
    if let Some(device) = &device {
        if device.text.is_empty() || device.text.contains('\0') {
            let sentence = format!("found {}, expected the device's path", quoted(device.text));
            desk.fault(device.at, &device.path, Cause::Value, sentence);
        }
        if let Some(line) = devices.insert(device.text, desk.place(section.at).0) {
            let sentence =
                format!("found {}, but the port on line {line} reads that device already", quoted(device.text));
            desk.fault(device.at, &device.path, Cause::Clash, sentence);
        }
    }
    let baud = section.found("baud").and_then(|found| {
        let baud = found.number(desk, 300.0..=4_000_000.0, " baud")?;
        if baud.fract() != 0.0 {
            desk.fault(found.at, &found.path, Cause::Value, format!("found {baud}, expected a whole number"));
        }
        Some(baud as u32)
    });
    let parity = section.word(desk, "parity", &["none", "even", "odd"]);
    let stop_bits = section.found("stop_bits").and_then(|found| {
        let bits = found.number(desk, 1.0..=2.0, "")?;
        if bits.fract() != 0.0 {
            desk.fault(found.at, &found.path, Cause::Value, format!("found {bits}, expected 1 or 2"));
        }
        Some(bits)
    });
    sources.ports.push(PortPlan {
        name: name.map_or(String::new(), |name| name.text.to_owned()),
        device: device.map_or_else(Default::default, |device| shelf.absolute(device.text)),
        baud: baud.unwrap_or(if modbus { MODBUS_BAUD } else { BAUD }),
        parity: [Parity::None, Parity::Even, Parity::Odd][parity.unwrap_or(0)],
        two_stop_bits: stop_bits == Some(2.0),
        modbus,
    });
}

#[cfg(test)]
mod tests {
    use super::default_client;

    #[test]
    fn the_client_is_safe_and_of_its_site() {
        assert_eq!(default_client("cellar"), "tubwatch-cellar");
        assert_eq!(default_client("Shed-2"), "tubwatch-Shed-2");
        assert_ne!(default_client("厨房"), default_client("倉庫"));
        assert_eq!(default_client("my cellar"), default_client("my cellar"));
        assert!(default_client("my cellar").chars().all(|c| c.is_ascii_alphanumeric() || c == '-'));
    }
}
