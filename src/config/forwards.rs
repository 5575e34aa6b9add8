//! `[[forward]]`: time-series databases that are sent what is stored.
//!
//! In: the tables. Out: where line protocol is posted and in which unit its time stamps are. A URL
//! may hold a password in its query, so none is ever repeated.

use super::fault::Cause;
use super::files::Shelf;
use super::messengers::headers_of;
use super::names::Names;
use super::plan::{ForwardPlan, Precision, Secret};
use super::url;
use super::walk::{Desk, Section, Text};
use super::word::quoted;

const KEYS: [&str; 3] = ["name", "url", "headers_file"];

pub(super) fn forwards(desk: &mut Desk<'_>, root: &Section<'_>, shelf: &Shelf) -> Vec<ForwardPlan> {
    let mut names = Names::new("forward");
    let mut plans = Vec::new();
    for section in root.sections(desk, "forward") {
        section.only(desk, &KEYS);
        let name = names.read(desk, &section, None, ()).map_or(String::new(), |name| name.text.to_owned());
        let example = "where line protocol is posted, such as \"http://127.0.0.1:8086/write?db=climate\"";
        let url = section.needed_text(desk, "url", example);
        let headers = section.text(desk, "headers_file", "the path of a file, in quotes");
        let headers = headers.map_or_else(Vec::new, |path| headers_of(desk, &path, shelf));
        let Some(url) = url else { continue };
        if let Err(why) = url::parse(url.text, ["http", "https"]) {
            let hint = if url.text.contains('@') { "; such belongs in headers_file" } else { "" };
            desk.fault(url.at, &url.path, Cause::Value, format!("{why}{hint}"));
        }
        let precision = precision(desk, &url);
        plans.push(ForwardPlan { name, url: Secret(url.text.to_owned()), headers, precision });
    }
    plans
}

impl ForwardPlan {
    /// Its host, all of its URL that may be shown.
    pub fn host(&self) -> String {
        url::parse(&self.url.0, ["http", "https"]).map_or(String::new(), |url| url.host)
    }
}

/// The `precision` that the URL asks the database to read time stamps by; nanoseconds without one.
fn precision(desk: &mut Desk<'_>, url: &Text<'_>) -> Precision {
    let query = url.text.split_once('?').map_or("", |(_, query)| query);
    let asked = query.split('&').find_map(|pair| pair.strip_prefix("precision="));
    match asked {
        None | Some("ns" | "n") => Precision::Nanoseconds,
        Some("u" | "us") => Precision::Microseconds,
        Some("ms") => Precision::Milliseconds,
        Some("s") => Precision::Seconds,
        Some(other) => {
            let coarse = matches!(other, "m" | "h");
            let why = if coarse { ": samples of one probe would fall onto each other" } else { "" };
            let sentence = format!("found the precision {}{why}, expected ns, us, ms or s", quoted(other));
            desk.fault(url.at, &url.path, Cause::Value, sentence);
            Precision::default()
        }
    }
}
