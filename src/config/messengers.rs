//! `[[messenger]]`: where alerts are delivered.

use axum::http::{HeaderName, HeaderValue};

use super::fault::Cause;
use super::files::Shelf;
use super::mail::mail;
use super::morning::time_of_day;
use super::names::Names;
use super::plan::{Hush, MessengerPlan, Secret, Way};
use super::sources::{Source, Sources};
use super::template::Template;
use super::url;
use super::walk::{Desk, Section, Text};
use super::word::{one_of, quoted};
use crate::climate::stamp::{DAY_MS, SECOND_MS};
use crate::watch::alert::Severity;

const KEYS: [&str; 9] = ["name", "webhook", "mail", "publish", "run", "at_least", "hush", "again_every", "only_after"];

const WAYS: [&str; 4] = ["webhook", "mail", "publish", "run"];

/// Headers that the delivery itself sets.
const OWN_HEADERS: [&str; 6] =
    ["content-type", "content-length", "transfer-encoding", "connection", "host", "idempotency-key"];

/// The longest topic, bytes, and the longest argument list: what a person writes is far shorter.
const TOPIC_BYTES_MAX: usize = 1024;
const ARGS_MAX: usize = 64;

/// Topics under this are tubwatch's own.
const OWN_TOPICS: [&str; 2] = ["tubwatch/standing", "tubwatch/watching"];

/// All messengers.
pub(super) struct Messengers {
    pub names: Names<()>,
    pub plans: Vec<MessengerPlan>,
}

pub(super) fn messengers(desk: &mut Desk<'_>, root: &Section<'_>, shelf: &Shelf, sources: &Sources) -> Messengers {
    let mut all = Messengers { names: Names::new("messenger"), plans: Vec::new() };
    for section in root.sections(desk, "messenger") {
        section.only(desk, &KEYS);
        // `tubwatch try all` tries every one.
        let name = all.names.read(desk, &section, Some("all"), ()).map_or(String::new(), |name| name.text.to_owned());
        let words = Severity::ALL.map(Severity::word);
        let at_least = section.word(desk, "at_least", &words).map_or(Severity::Warning, |at| Severity::ALL[at]);
        let hush = hush(desk, &section);
        let again_every_ms = section.found("again_every").and_then(|found| found.duration(desk, SECOND_MS..=DAY_MS));
        let only_after_ms = section.found("only_after").and_then(|found| found.duration(desk, SECOND_MS..=DAY_MS));
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
        let way = webhook(desk, &section, shelf)
            .or_else(|| mail(desk, &section, shelf).map(Way::Mail))
            .or_else(|| publish(desk, &section, sources))
            .or_else(|| run(desk, &section, shelf));
        if let Some(way) = way {
            all.plans.push(MessengerPlan { name, at_least, hush, again_every_ms, only_after_ms, way });
        }
    }
    all
}

fn hush(desk: &mut Desk<'_>, section: &Section<'_>) -> Option<Hush> {
    let expected = "a table such as { from = \"22:00\", to = \"07:00\", unless = \"critical\" }";
    let section = section.found("hush")?.section(desk, expected)?;
    section.only(desk, &["from", "to", "unless"]);
    let words = Severity::ALL.map(Severity::word);
    let unless = section.word(desk, "unless", &words).map_or(Severity::Critical, |at| Severity::ALL[at]);
    let mut time = |key: &str| {
        let text = section.needed_text(desk, key, "a time of day such as \"22:00\"")?;
        time_of_day(desk, &text)
    };
    let (from, to) = (time("from"), time("to"));
    let (from, to) = (from?, to?);
    if from == to {
        let sentence = "it is the same as from, so nothing would be hushed; expected another time";
        let at = section.found("to").map_or(section.at, |found| found.at);
        desk.fault(at, &section.path_of("to"), Cause::Value, sentence);
    }
    Some(Hush { from, to, unless })
}

fn webhook(desk: &mut Desk<'_>, section: &Section<'_>, shelf: &Shelf) -> Option<Way> {
    let expected = "a table such as { url = \"https://…\" }";
    let section = section.found("webhook")?.section(desk, expected)?;
    section.only(desk, &["url", "headers_file", "body"]);
    let url = section.needed_text(desk, "url", "where the alert is posted, https:// or http://");
    if let Some(url) = &url
        && let Err(why) = url::parse(url.text, ["https", "http"])
    {
        let sentence = if url.text.contains('@') { format!("{why}; such belongs in headers_file") } else { why };
        desk.fault(url.at, &url.path, Cause::Value, sentence);
    }
    let headers = section.text(desk, "headers_file", "the path of a file, in quotes");
    let headers = headers.map_or_else(Vec::new, |path| headers_of(desk, &path, shelf));
    let body = section.text(desk, "body", "a text with words such as {text}, in quotes").and_then(|text| {
        let parsed = Template::parse(text.text);
        parsed.map_err(|why| desk.fault(text.at, &text.path, Cause::Value, why)).ok()
    });
    Some(Way::Webhook { url: Secret(url?.text.to_owned()), headers, body })
}

fn publish(desk: &mut Desk<'_>, section: &Section<'_>, sources: &Sources) -> Option<Way> {
    let expected = "a table such as { broker = \"house\", topic = \"tubwatch/alerts\" }";
    let section = section.found("publish")?.section(desk, expected)?;
    section.only(desk, &["broker", "topic"]);
    let broker = section.needed_text(desk, "broker", "a broker's name, in quotes").and_then(|name| {
        match sources.names.find(desk, &name)? {
            Source::Broker(position) => Some(*position),
            _ => {
                let sentence = format!("{} is no broker, expected the name of one", quoted(name.text));
                desk.fault(name.at, &name.path, Cause::Value, sentence);
                None
            }
        }
    });
    let topic = section.needed_text(desk, "topic", "an MQTT topic such as \"tubwatch/alerts\"")?;
    let sentence = if topic.text.is_empty() || topic.text.len() > TOPIC_BYTES_MAX || topic.text.starts_with('$') {
        Some("expected an MQTT topic such as \"tubwatch/alerts\"")
    } else if topic.text.chars().any(|letter| letter.is_control() || matches!(letter, '+' | '#')) {
        Some("expected one topic, without +, # or control characters")
    } else if OWN_TOPICS.iter().any(|own| topic.text.starts_with(own)) {
        Some("tubwatch itself says there what stands; expected another topic")
    } else {
        None
    };
    if let Some(sentence) = sentence {
        desk.fault(topic.at, &topic.path, Cause::Value, format!("found {}, {sentence}", quoted(topic.text)));
    }
    Some(Way::Publish { broker: broker?, topic: topic.text.to_owned() })
}

fn run(desk: &mut Desk<'_>, section: &Section<'_>, shelf: &Shelf) -> Option<Way> {
    let expected = "a table such as { program = \"/usr/local/bin/lamp\", args = [\"on\"] }";
    let section = section.found("run")?.section(desk, expected)?;
    section.only(desk, &["program", "args"]);
    let args = section.found("args").and_then(|found| {
        let args = found.texts(desk, "a list of texts such as [\"on\"]")?;
        if args.len() > ARGS_MAX || args.iter().any(|arg| arg.text.contains('\0')) {
            let sentence = format!("expected at most {ARGS_MAX} arguments, without a zero character");
            desk.fault(found.at, &found.path, Cause::Value, sentence);
        }
        Some(args.iter().map(|arg| arg.text.to_owned()).collect())
    });
    let program = section.needed_text(desk, "program", "the path of a program, in quotes")?;
    if program.text.is_empty() || program.text.contains('\0') {
        let sentence = format!("found {}, expected the path of a program", quoted(program.text));
        desk.fault(program.at, &program.path, Cause::Value, sentence);
    }
    Some(Way::Run { program: shelf.absolute(program.text), args: args.unwrap_or_default() })
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
