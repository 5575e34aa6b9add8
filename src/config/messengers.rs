//! `[[messenger]]`: where alerts are delivered.

use axum::http::{HeaderName, HeaderValue};

use super::fault::Cause;
use super::files::Shelf;
use super::names::Names;
use super::plan::{MessengerPlan, Secret, Way};
use super::url;
use super::walk::{Desk, Section, Text};
use super::word::{one_of, quoted};
use crate::watch::alert::Severity;

const KEYS: [&str; 9] = ["name", "webhook", "mail", "publish", "run", "at_least", "hush", "again_every", "only_after"];

const WAYS: [&str; 4] = ["webhook", "mail", "publish", "run"];

/// Headers that the delivery itself sets.
const OWN_HEADERS: [&str; 6] =
    ["content-type", "content-length", "transfer-encoding", "connection", "host", "idempotency-key"];

pub(super) fn messengers(desk: &mut Desk<'_>, root: &Section<'_>, shelf: &Shelf) -> Vec<MessengerPlan> {
    let mut names = Names::new("messenger");
    let mut plans = Vec::new();
    for section in root.sections(desk, "messenger") {
        section.only(desk, &KEYS);
        // `tubwatch try all` tries every one.
        let name = names.read(desk, &section, Some("all"), ()).map_or(String::new(), |name| name.text.to_owned());
        let words = Severity::ALL.map(Severity::word);
        let at_least = section.word(desk, "at_least", &words).map_or(Severity::Warning, |at| Severity::ALL[at]);
        let ways: Vec<&str> = WAYS.into_iter().filter(|way| section.has(way)).collect();
        match ways.as_slice() {
            [] => section.missing(desk, "webhook", &format!("one way to tell: {}", one_of(&WAYS))),
            [_] => {}
            [first, others @ ..] => {
                for found in others.iter().filter_map(|other| section.found(other)) {
                    let sentence = format!("there is {first} already, expected one way in each messenger");
                    desk.fault(found.key_at, &found.path, Cause::Clash, sentence);
                }
            }
        }
        if let Some(way) = webhook(desk, &section, shelf) {
            plans.push(MessengerPlan { name, at_least, way });
        }
    }
    plans
}

fn webhook(desk: &mut Desk<'_>, section: &Section<'_>, shelf: &Shelf) -> Option<Way> {
    let expected = "a table such as { url = \"https://…\" }";
    let section = section.found("webhook")?.section(desk, "webhook", expected)?;
    section.only(desk, &["url", "headers_file"]);
    let url = section.needed_text(desk, "url", "where the alert is posted, https:// or http://");
    if let Some(url) = &url
        && let Err(why) = url::parse(url.text, ["https", "http"])
    {
        let sentence = if url.text.contains('@') { format!("{why}; such belongs in headers_file") } else { why };
        desk.fault(url.at, &url.path, Cause::Value, sentence);
    }
    let headers = section.text(desk, "headers_file", "the path of a file, in quotes");
    let headers = headers.map_or_else(Vec::new, |path| headers_of(desk, &path, shelf));
    Some(Way::Webhook { url: Secret(url?.text.to_owned()), headers })
}

/// Reads `Name: value` lines; empty lines and those that begin with # are left out. What is wrong is
/// noted at its line of the file, without repeating it.
pub(super) fn headers_of(desk: &mut Desk<'_>, path: &Text<'_>, shelf: &Shelf) -> Vec<(String, Secret)> {
    if shelf.leaves_out(path) {
        return Vec::new();
    }
    let Some(text) = shelf.text(desk, path) else { return Vec::new() };
    let shown = desk.file.with_file_name(path.text);
    let mut headers = Vec::new();
    for (number, line) in text.lines().enumerate() {
        if line.trim().is_empty() || line.starts_with('#') {
            continue;
        }
        match header(line) {
            Ok((name, value)) => headers.push((name, Secret(value))),
            Err(why) => desk.fault_in(shown.clone(), number + 1, 1, &path.path, Cause::Value, why),
        }
    }
    if headers.is_empty() && text.lines().all(|line| line.trim().is_empty() || line.starts_with('#')) {
        let sentence = format!("the file {} holds no header, expected lines \"Name: value\"", quoted(path.text));
        desk.fault(path.at, &path.path, Cause::Missing, sentence);
    }
    headers
}

fn header(line: &str) -> Result<(String, String), String> {
    let (name, value) = line.split_once(':').ok_or("the line has no colon, expected \"Name: value\"")?;
    let name: HeaderName = name
        .trim_end()
        .parse()
        .map_err(|_| "what stands before the colon is no header name, expected \"Name: value\"")?;
    let value = value.trim();
    HeaderValue::from_str(value).map_err(|_| "what stands after the colon cannot be sent, expected printable text")?;
    if OWN_HEADERS.contains(&name.as_str()) {
        return Err(format!("tubwatch sets {name} itself, expected other headers only"));
    }
    Ok((name.as_str().to_owned(), value.to_owned()))
}
