//! What `tubwatch check` says of who is told.
//!
//! In: a checked plan. Out: a line for each messenger, the morning list and the sign of life, and what
//! is worth knowing. Leaves out secrets: of a URL only the host is shown.

use std::net::IpAddr;

use crate::config::plan::{MailPlan, MessengerPlan, Plan, Privacy, Secret, Way};
use crate::config::show_duration;

/// One messenger in a line.
pub(super) fn messenger(plan: &Plan, messenger: &MessengerPlan) -> String {
    let how = match &messenger.way {
        Way::Webhook { url, headers, body } => {
            let with = if headers.is_empty() { String::new() } else { format!(" with {} headers", headers.len()) };
            let own = if body.is_some() { ", a body of its own" } else { "" };
            format!("webhook at {}{with}{own}", host_of(url))
        }
        Way::Mail(MailPlan { host, port, to, privacy, login, .. }) => {
            let hidden = match privacy {
                Privacy::Plain => "unencrypted",
                Privacy::Offered => "encrypted where it offers that",
                Privacy::StartTls => "STARTTLS",
                Privacy::Tls => "TLS",
            };
            let login = login.as_ref().map_or(String::new(), |(user, _)| format!(", user {user}"));
            format!("mail to {} by {host}:{port} ({hidden}{login})", to.join(", "))
        }
        Way::Publish { broker, topic } => {
            let broker = plan.brokers.get(*broker).map_or("", |broker| broker.name.as_str());
            format!("published to {topic} on {broker}")
        }
        Way::Run { program, .. } => format!("runs {}", program.display()),
    };
    let mut line = format!("{}: {how}, {} and worse", messenger.name, messenger.at_least.word());
    if let Some(hush) = messenger.hush {
        let (from, to) = (hush.from.format("%H:%M"), hush.to.format("%H:%M"));
        line.push_str(&format!("; quiet from {from} to {to} unless {}", hush.unless.word()));
    }
    if let Some(ms) = messenger.only_after_ms {
        line.push_str(&format!("; only after {} without an acknowledgement", show_duration(ms)));
    }
    if let Some(ms) = messenger.again_every_ms {
        line.push_str(&format!("; critical ones again every {}", show_duration(ms)));
    }
    if let Way::Run { .. } = messenger.way {
        line.push_str(". For bells and lamps: it is no safety device, and never the only thing that stops a heater");
    }
    line
}

/// The morning list and the sign of life.
pub(super) fn daily(plan: &Plan) -> Vec<String> {
    let morning = plan
        .morning
        .as_ref()
        .map(|morning| format!("the morning list at {} through {}", morning.at.format("%H:%M"), morning.to.join(", ")));
    let sign = plan.sign_of_life.as_ref().map(|sign| {
        let every = show_duration(i64::try_from(sign.every.as_millis()).unwrap_or(i64::MAX));
        format!("a sign of life every {every} to {}", host_of(&sign.url))
    });
    morning.into_iter().chain(sign).collect()
}

/// What is worth knowing of who is told.
pub(super) fn notes(plan: &Plan, notes: &mut Vec<String>) {
    let hosts: Vec<String> = plan.messengers.iter().map(|one| host(plan, one)).collect();
    match plan.messengers.as_slice() {
        [] => notes.push(
            "No messenger: nobody is told; alerts stand on the status page and in `tubwatch alerts` only.".to_owned(),
        ),
        [only] => {
            notes.push(format!("A single messenger: when {} does not work, nobody is told. Two are wiser.", only.name));
        }
        _ => {}
    }
    if !hosts.is_empty() && !hosts.iter().any(|host| is_local(host)) {
        notes.push("No messenger works without the internet: while it is away nobody is told.".to_owned());
    }
    for (messenger, host) in plan.messengers.iter().zip(&hosts) {
        let name = &messenger.name;
        match &messenger.way {
            Way::Webhook { url, .. } if url.0.to_lowercase().starts_with("http:") && !is_local(host) => {
                notes.push(format!("{name} goes over the internet unencrypted; https:// would hide it."));
            }
            Way::Mail(mail) if mail.privacy == Privacy::Offered && !is_local(host) => {
                notes.push(format!(
                    "{name} goes unencrypted where its server does not offer TLS; smtps:// would hide it."
                ));
            }
            Way::Run { program, .. } if !program.is_file() => {
                notes.push(format!("{name}: there is no program {}.", program.display()));
            }
            _ => {}
        }
    }
    if !plan.messengers.is_empty() && plan.messengers.iter().all(|messenger| messenger.only_after_ms.is_some()) {
        notes.push("Every messenger waits for only_after: nobody is told at once.".to_owned());
    }
}

/// The host a message goes to first; a program runs here.
fn host(plan: &Plan, messenger: &MessengerPlan) -> String {
    match &messenger.way {
        Way::Webhook { url, .. } => host_of(url),
        Way::Mail(mail) => mail.host.to_lowercase(),
        Way::Publish { broker, .. } => plan.brokers.get(*broker).map_or(String::new(), |broker| broker.host.clone()),
        Way::Run { .. } => "localhost".to_owned(),
    }
}

/// The host of a URL, without brackets; the rest of it may be a secret.
fn host_of(url: &Secret) -> String {
    let url: Option<axum::http::Uri> = url.0.parse().ok();
    url.as_ref().and_then(|url| url.host()).unwrap_or("").trim_matches(['[', ']']).to_lowercase()
}

/// Whether `host` can be reached without the internet: this machine, or a private network.
fn is_local(host: &str) -> bool {
    match host.parse::<IpAddr>() {
        Ok(IpAddr::V4(ip)) => ip.is_loopback() || ip.is_private() || ip.is_link_local(),
        Ok(IpAddr::V6(ip)) => ip.is_loopback() || ip.is_unique_local() || ip.is_unicast_link_local(),
        // Names that never leave the house: RFC 6761, 6762, 8375; one without a dot is resolved there too.
        Err(_) => !host.contains('.') || [".localhost", ".local", ".home.arpa"].iter().any(|end| host.ends_with(end)),
    }
}
