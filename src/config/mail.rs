//! `mail = { … }` of a messenger.

use super::fault::Cause;
use super::files::Shelf;
use super::plan::{MailPlan, Privacy};
use super::url;
use super::walk::{Desk, Section, Text};
use super::word::quoted;

/// The most people one mail goes to: a household, a farm's crew; more is a mailing list's job.
const PEOPLE_MAX: usize = 20;

const KEYS: [&str; 6] = ["server", "from", "to", "username", "password_file", "ca_file"];

pub(super) fn mail(desk: &mut Desk<'_>, section: &Section<'_>, shelf: &Shelf) -> Option<MailPlan> {
    let section = section.found("mail")?.section(desk, "a table such as { server = \"smtps://…\", … }")?;
    section.only(desk, &KEYS);
    let login = login(desk, &section, shelf);
    let ca_pem = section.text(desk, "ca_file", "the path of a file, in quotes");
    let ca_pem = ca_pem.and_then(|path| shelf.pem(desk, &path, "CERTIFICATE")).map(String::into_bytes);
    let server = section.needed_text(desk, "server", "smtp://host:port or smtps://host:port, in quotes");
    let server = server.and_then(|text| server_of(desk, &text));
    let from = section.needed_text(desk, "from", "the sender's address, in quotes");
    let from = from.and_then(|text| address(desk, &text));
    let expected = "a list of addresses such as [\"grower@example.invalid\"]";
    let to = section.needed(desk, "to", expected).and_then(|found| {
        let texts = found.texts(desk, expected)?;
        if texts.is_empty() || texts.len() > PEOPLE_MAX {
            let sentence = format!("found {} addresses, expected 1 to {PEOPLE_MAX}", texts.len());
            desk.fault(found.at, &found.path, Cause::Value, sentence);
        }
        Some(texts.iter().filter_map(|text| address(desk, text)).collect::<Vec<_>>())
    });
    let (server, from, to) = (server?, from?, to?);
    let is_tls = server.scheme == "smtps";
    let is_here = ["localhost", "127.0.0.1", "::1"].contains(&server.host.as_str());
    let privacy = match (is_tls, login.is_some() || ca_pem.is_some()) {
        (true, _) => Privacy::Tls,
        // What never leaves this machine needs no hiding, unless the config brings an authority for it.
        (false, _) if is_here && ca_pem.is_none() => Privacy::Plain,
        (false, true) => Privacy::StartTls,
        (false, false) => Privacy::Offered,
    };
    // RFC 8314 gives 465 to TLS from the start, RFC 6409 587 to submission; 25 is a relay's.
    let usual = if is_tls {
        465
    } else if login.is_some() {
        587
    } else {
        25
    };
    Some(MailPlan { host: server.host, port: server.port.unwrap_or(usual), privacy, ca_pem, login, from, to })
}

fn login(desk: &mut Desk<'_>, section: &Section<'_>, shelf: &Shelf) -> Option<(String, super::plan::Secret)> {
    let username = section.text(desk, "username", "a user name, in quotes");
    let password = section.text(desk, "password_file", "the path of a file, in quotes");
    for (one, other, missing) in [(&username, &password, "password_file"), (&password, &username, "username")] {
        if let (Some(text), None) = (one, other)
            && !section.has(missing)
        {
            let sentence = format!("it is of no use alone, expected {missing} beside it");
            desk.fault(text.at, &text.path, Cause::Clash, sentence);
        }
    }
    let password = password.and_then(|path| shelf.secret(desk, &path, 1));
    username.map(|name| name.text.to_owned()).zip(password)
}

fn server_of(desk: &mut Desk<'_>, text: &Text<'_>) -> Option<url::Url> {
    let parsed = url::parse(text.text, ["smtp", "smtps"])
        .and_then(|url| if url.has_path { Err("it has more than a host and a port".to_owned()) } else { Ok(url) });
    match parsed {
        Ok(url) => Some(url),
        Err(why) => {
            // What holds an @ may hold a password too.
            let (found, hint) = if text.text.contains('@') {
                (String::new(), "; such belongs in username and password_file")
            } else {
                (format!("found {}: ", quoted(text.text)), "")
            };
            desk.fault(text.at, &text.path, Cause::Value, format!("{found}{why}{hint}"));
            None
        }
    }
}

fn address(desk: &mut Desk<'_>, text: &Text<'_>) -> Option<String> {
    if text.text.parse::<lettre::message::Mailbox>().is_ok() && !text.text.chars().any(char::is_control) {
        return Some(text.text.to_owned());
    }
    let sentence = format!("found {}, expected a mail address such as \"grower@example.invalid\"", quoted(text.text));
    desk.fault(text.at, &text.path, Cause::Value, sentence);
    None
}
