//! `[site]`, `[store]` and `[status]`.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::time::Duration;

use super::fault::Cause;
use super::files::Shelf;
use super::plan::{Secret, StatusPlan, StorePlan};
use super::walk::{Desk, Section, Text};
use super::word::{did_you_mean, duration_ms, quoted};
use super::{tls, url};
use crate::climate::degrees::Degrees;
use crate::climate::pressure::ALTITUDE_M;
use crate::climate::stamp::{DAY_MS, HOUR_MS, MINUTE_MS};
use crate::grow::measures::altitude_m;

/// `[site]`, checked.
pub(super) struct Site<'t> {
    pub name: Option<String>,
    pub timezone: chrono_tz::Tz,
    pub cultures: Option<Text<'t>>,
    pub due_not_before_ms: i64,
    pub altitude_m: Option<f64>,
    pub show: Degrees,
}

/// A tub is not opened before ten days unless the grower says so (common practice, no source).
const DUE_NOT_BEFORE_MS: i64 = 10 * DAY_MS;

/// The port of the status page where none is given.
const STATUS_PORT: u16 = 8750;

/// A token this short can be guessed over a network.
const TOKEN_CHARACTERS_MIN: usize = 16;

pub(super) fn site<'t>(desk: &mut Desk<'_>, root: &Section<'t>) -> Site<'t> {
    let mut site = Site {
        name: None,
        timezone: chrono_tz::UTC,
        cultures: None,
        due_not_before_ms: DUE_NOT_BEFORE_MS,
        altitude_m: None,
        show: Degrees::Celsius,
    };
    if !root.has("site") {
        root.missing(desk, "site", "a table [site] with the site's name and timezone");
    }
    let Some(section) = root.section(desk, "site") else { return site };
    section.only(desk, &["name", "timezone", "altitude", "cultures", "show", "due_not_before"]);
    if let Some(name) = section.needed_text(desk, "name", "the site's name, in quotes")
        && desk.check_name(&name)
    {
        site.name = Some(name.text.to_owned());
    }
    if let Some(zone) = section.needed_text(desk, "timezone", "a zone such as \"Europe/Lisbon\"") {
        site.timezone = timezone(desk, &zone).unwrap_or(site.timezone);
    }
    site.cultures = section.text(desk, "cultures", "the path of a file of cultures, in quotes");
    if let Some(text) = section.text(desk, "altitude", "metres above the sea such as \"640m\", in quotes") {
        site.altitude_m = altitude(desk, &text);
    }
    if let Some(text) = section.text(desk, "show", "\"celsius\" or \"fahrenheit\"") {
        site.show = shown(desk, &text);
    }
    if let Some(found) = section.found("due_not_before") {
        site.due_not_before_ms = found.duration(desk, HOUR_MS..=365 * DAY_MS).unwrap_or(DUE_NOT_BEFORE_MS);
    }
    site
}

/// The degrees that people are shown.
fn shown(desk: &mut Desk<'_>, text: &Text<'_>) -> Degrees {
    match text.text {
        "celsius" => Degrees::Celsius,
        "fahrenheit" => Degrees::Fahrenheit,
        other => {
            let hint = did_you_mean(other, ["celsius", "fahrenheit"]);
            let sentence = format!("found {}, expected \"celsius\" or \"fahrenheit\"{hint}", quoted(other));
            desk.fault(text.at, &text.path, Cause::Value, sentence);
            Degrees::Celsius
        }
    }
}

fn altitude(desk: &mut Desk<'_>, text: &Text<'_>) -> Option<f64> {
    let metres = altitude_m(&text.path, text.text).ok().filter(|metres| ALTITUDE_M.contains(metres));
    if metres.is_none() {
        let sentence = format!(
            "found {}, expected metres above the sea from \"{}m\" to \"{}m\"",
            quoted(text.text),
            ALTITUDE_M.start(),
            ALTITUDE_M.end()
        );
        desk.fault(text.at, &text.path, Cause::Value, sentence);
    }
    metres
}

fn timezone(desk: &mut Desk<'_>, zone: &Text<'_>) -> Option<chrono_tz::Tz> {
    let parsed = zone.text.parse().ok();
    if parsed.is_none() {
        let words = chrono_tz::TZ_VARIANTS.iter().map(|zone| zone.name());
        let hint = did_you_mean(zone.text, words);
        let sentence = format!("found {}, expected an IANA zone such as \"Europe/Lisbon\"{hint}", quoted(zone.text));
        desk.fault(zone.at, &zone.path, Cause::Value, sentence);
    }
    parsed
}

pub(super) fn store(desk: &mut Desk<'_>, root: &Section<'_>, shelf: &Shelf) -> StorePlan {
    let mut plan = StorePlan { folder: PathBuf::new(), commit_every: Duration::from_secs(10), keep_raw: None };
    if !root.has("store") {
        root.missing(desk, "store", "a table [store] with the path of the folder that keeps the history");
    }
    let Some(section) = root.section(desk, "store") else { return plan };
    section.only(desk, &["path", "commit_every", "keep_raw"]);
    if let Some(path) = section.needed_text(desk, "path", "a folder, in quotes; it is made if absent") {
        if path.text.is_empty() || path.text.contains('\0') {
            let sentence = format!("found {}, expected the path of a folder", quoted(path.text));
            desk.fault(path.at, &path.path, Cause::Value, sentence);
        }
        plan.folder = shelf.absolute(path.text);
    }
    if let Some(found) = section.found("commit_every")
        && let Some(ms) = found.duration(desk, 100..=10 * MINUTE_MS)
    {
        plan.commit_every = Duration::from_millis(ms.unsigned_abs());
    }
    plan.keep_raw = keep_raw(desk, &section);
    plan
}

/// The shortest `keep_raw`: the figures of a living tub are made of its samples at every start.
const KEEP_RAW_MIN_MS: i64 = 90 * DAY_MS;

fn keep_raw(desk: &mut Desk<'_>, section: &Section<'_>) -> Option<Duration> {
    let keep = section.text(desk, "keep_raw", "\"forever\" or a duration such as \"400d\", in quotes")?;
    if keep.text == "forever" {
        return None;
    }
    let ms = duration_ms(keep.text);
    if let Some(ms) = ms.filter(|ms| *ms >= KEEP_RAW_MIN_MS) {
        return Some(Duration::from_millis(ms.unsigned_abs()));
    }
    let hint = if ms.is_none() { did_you_mean(keep.text, ["forever"]) } else { String::new() };
    let sentence = format!("found {}, expected \"forever\", or at least \"90d\"{hint}", quoted(keep.text));
    desk.fault(keep.at, &keep.path, Cause::Value, sentence);
    None
}

pub(super) fn status(desk: &mut Desk<'_>, root: &Section<'_>, shelf: &Shelf) -> StatusPlan {
    let Some(section) = root.section(desk, "status") else {
        return StatusPlan { listen: None, token: None, address: None, tls: None };
    };
    section.only(desk, &["listen", "token_file", "address", "cert_file", "key_file"]);
    let listen = match section.text(desk, "listen", "an address such as \"127.0.0.1:8750\"") {
        Some(text) => listen(desk, &text),
        None => SocketAddr::from((Ipv4Addr::LOCALHOST, STATUS_PORT)),
    };
    let token: Option<Secret> = section
        .text(desk, "token_file", "the path of a file, in quotes")
        .and_then(|path| shelf.secret(desk, &path, TOKEN_CHARACTERS_MIN));
    if !listen.ip().is_loopback() && !section.has("token_file") {
        let at = section.found("listen").map_or(section.at, |found| found.at);
        let sentence = format!(
            "found {listen}, which others on the network reach; expected token_file beside it, or 127.0.0.1:{}",
            listen.port()
        );
        desk.fault(at, &section.path_of("listen"), Cause::Clash, sentence);
    }
    let address = section.text(desk, "address", "the address others reach the page at, in quotes");
    let address = address.and_then(|text| address_of(desk, &text));
    StatusPlan { listen: Some(listen), token, address, tls: tls::shown(desk, &section, shelf) }
}

/// The page's own address, without a slash at its end.
fn address_of(desk: &mut Desk<'_>, text: &Text<'_>) -> Option<String> {
    match url::parse(text.text, ["http", "https"]) {
        Ok(url) if !url.has_path && text.text.is_ascii() => Some(text.text.trim_end_matches('/').to_owned()),
        parsed => {
            let why = parsed.err().unwrap_or_else(|| "it has more than a host and a port".to_owned());
            let sentence = format!("found {}: {why}", quoted(text.text));
            desk.fault(text.at, &text.path, Cause::Value, sentence);
            None
        }
    }
}

fn listen(desk: &mut Desk<'_>, text: &Text<'_>) -> SocketAddr {
    let local = IpAddr::from(Ipv4Addr::LOCALHOST);
    if let Ok(address) = text.text.parse::<SocketAddr>() {
        return address;
    }
    if let Some(port) = text.text.strip_prefix("localhost:").and_then(|port| port.parse().ok()) {
        return SocketAddr::new(local, port);
    }
    let sentence =
        format!("found {}, expected an address and a port such as \"127.0.0.1:{STATUS_PORT}\"", quoted(text.text));
    desk.fault(text.at, &text.path, Cause::Value, sentence);
    SocketAddr::new(local, 0)
}
