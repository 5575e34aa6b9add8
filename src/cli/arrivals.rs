//! `tubwatch arrivals`: what arrives, raw and decoded or why not, as it arrives.
//!
//! In: the daemon's window, where it runs; else the ports and intakes themselves; and each broker by a
//! client of its own, without a session, so that no message is taken from the daemon. Out: lines on
//! standard output until Ctrl-C; with `--all` also config lines for what nobody reads; with `--write`
//! those lines in the config, each after a yes. Left out: storing anything.

use std::io::{BufRead, ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use serde_json::Value;
use tokio::io::{AsyncBufReadExt, BufReader};
use tokio::net::UnixStream;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::mpsc;

use super::now;
use super::speak::{Failure, Outcome, Voice, printable};
use super::suggest::{Suggestion, Suggestions};
use crate::climate::{Quantity, Stamp};
use crate::config::{self, Plan};
use crate::ingest::{Delivery, SourceState, Sources, Tap, window};
use crate::wire::Refusal;

/// Deliveries and lines on their way to the terminal.
const WAITING_MAX: usize = 256;
/// How often a window that was shut is tried again, and how many times: longer than a restart takes.
const REOPEN_WAIT: Duration = Duration::from_millis(250);
const REOPEN_TRIES: u32 = 40;

/// Something to print.
enum News {
    /// One arrival, as the window says it.
    Arrival(Value),
    /// A word on a source.
    Said(String),
    /// The daemon has gone.
    DaemonGone,
}

/// Prints what arrives until a signal.
pub async fn arrivals(plan: Plan, all: bool, write: bool, voice: &mut Voice) -> Outcome {
    let mut terminate = signal(SignalKind::terminate()).map_err(Failure::failed)?;
    let mut interrupt = signal(SignalKind::interrupt()).map_err(Failure::failed)?;
    let (news_in, mut news) = mpsc::channel(WAITING_MAX);
    let daemon = match UnixStream::connect(window::path(&plan)).await {
        Err(error) if error.kind() == ErrorKind::PermissionDenied => {
            let why = "may not be opened from this account; a member of the daemon's group may, once logged in anew, and sudo";
            return Err(Failure::failed(format!("{} {why}", window::path(&plan).display())));
        }
        connected => connected.ok(),
    };
    let own = own_plan(&plan, daemon.is_some());
    voice.say(opening(&plan, daemon.is_some(), all))?;
    if let Some(stream) = daemon {
        let brokers = plan.brokers.iter().map(|broker| broker.name.clone()).collect();
        tokio::spawn(through_the_window(stream, window::path(&plan), brokers, news_in.clone()));
    }
    let sources = look_on(&own, all, news_in);
    let topics = plan.brokers.iter().map(|one| &one.name).chain(plan.intakes.iter().map(|one| &one.name));
    let mut screen = Screen {
        with_topics: topics.cloned().collect(),
        timezone: plan.timezone,
        suggestions: Suggestions::new(plan.setup.probes.iter().map(|probe| probe.name.clone()).collect()),
        all,
    };
    let ended = loop {
        tokio::select! {
            _ = terminate.recv() => break Ok(()),
            _ = interrupt.recv() => break Ok(()),
            one = news.recv() => {
                let shown = match one {
                    Some(News::Arrival(arrival)) => screen.show(&arrival, &plan.file, voice),
                    Some(News::Said(text)) => voice.say(text).map(|()| None),
                    Some(News::DaemonGone) => Err(Failure::Failed("the daemon has ended; run tubwatch arrivals again".into())),
                    None => Ok(None),
                };
                let lines = match shown {
                    Ok(Some(lines)) if write => lines,
                    Ok(_) => continue,
                    Err(failure) => break Err(failure),
                };
                voice.write(|out| write!(out, "Append these lines to {}? [y/N] ", plan.file.display()))?;
                let answered = tokio::select! {
                    answer = tokio::task::spawn_blocking(answer) => answer.unwrap_or(false),
                    _ = terminate.recv() => break Ok(()),
                    _ = interrupt.recv() => break Ok(()),
                };
                let done = if answered { append(&plan.file, &lines, voice) } else { voice.say("not written") };
                if done.is_err() {
                    break done;
                }
            }
        }
    };
    sources.stop().await;
    ended
}

/// What this command opens itself: brokers by a client without a name, whose session ends with it; ports
/// and intakes only where no daemon holds them.
fn own_plan(plan: &Plan, daemon: bool) -> Plan {
    let mut own = plan.clone();
    own.brokers.iter_mut().for_each(|broker| broker.client.clear());
    if daemon {
        own.ports.clear();
        own.intakes.clear();
        own.locals.clear();
    }
    own
}

fn opening(plan: &Plan, daemon: bool, all: bool) -> String {
    let mut from: Vec<String> = Vec::new();
    from.extend(plan.brokers.iter().map(|broker| format!("{} by a client of its own", broker.name)));
    let held = if daemon { "from the running daemon" } else { "opened here, as no daemon runs on this store" };
    let others = plan.setup.sources.iter().skip(plan.brokers.len());
    from.extend(others.map(|source| format!("{} {held}", source.name)));
    let from = if from.is_empty() { "nothing: the config names no source".to_owned() } else { from.join(", ") };
    format!("Listening to {from}. {}Ctrl-C ends.", if all { "" } else { "--all also shows what nobody reads. " })
}

/// Passes on what the daemon's window shows, but for the brokers, which are listened to directly. Where
/// the window is shut, as when the config is read again, it waits a moment for it to open.
async fn through_the_window(mut stream: UnixStream, path: PathBuf, brokers: Vec<String>, news: mpsc::Sender<News>) {
    loop {
        let mut lines = BufReader::new(stream).lines();
        while let Ok(Some(line)) = lines.next_line().await {
            let Ok(arrival) = serde_json::from_str::<Value>(&line) else { continue };
            if brokers.iter().any(|broker| arrival["source"] == broker.as_str()) {
                continue;
            }
            if news.send(News::Arrival(arrival)).await.is_err() {
                return;
            }
        }
        let mut opened = None;
        for _ in 0..REOPEN_TRIES {
            tokio::time::sleep(REOPEN_WAIT).await;
            opened = UnixStream::connect(&path).await.ok();
            if opened.is_some() {
                break;
            }
        }
        let Some(again) = opened else { break };
        stream = again;
    }
    // The screen may have ended first.
    let _ = news.send(News::DaemonGone).await;
}

/// Starts the sources of `plan`, acknowledges what they bring, and passes on what they show.
fn look_on(plan: &Plan, all: bool, news: mpsc::Sender<News>) -> Sources {
    let tap = Tap::default();
    let mut shown = tap.listen();
    let (queue, mut deliveries) = mpsc::channel(WAITING_MAX);
    let also: &[&str] = if all { &["#"] } else { &[] };
    let sources = Sources::start_shown(plan, queue, Arc::new(now), &tap, also);
    let source_names: Vec<String> = plan.setup.sources.iter().map(|source| source.name.clone()).collect();
    let probe_names: Vec<String> = plan.setup.probes.iter().map(|probe| probe.name.clone()).collect();
    let (said, names) = (news.clone(), source_names.clone());
    tokio::spawn(async move {
        while let Some(delivery) = deliveries.recv().await {
            match delivery {
                // For this client alone: without it the broker would stop sending.
                Delivery::Message(message) => {
                    if let Some(receipt) = message.receipt {
                        receipt.give();
                    }
                }
                Delivery::Source { source, state, why, .. } if state != SourceState::Connected && !why.is_empty() => {
                    // The screen may have ended first.
                    let _ = said.send(News::Said(format!("{}: {}: {why}", names[source], state.word()))).await;
                }
                Delivery::Source { .. } | Delivery::Refused { .. } => {}
            }
        }
    });
    tokio::spawn(async move {
        loop {
            let line = match shown.recv().await {
                Ok(arrival) => {
                    let source = source_names.get(arrival.source).map_or("", String::as_str);
                    window::line(&arrival, source, &probe_names)
                }
                Err(RecvError::Lagged(count)) => serde_json::json!({ "passed_over": count }),
                Err(RecvError::Closed) => return,
            };
            if news.send(News::Arrival(line)).await.is_err() {
                return;
            }
        }
    });
    sources
}

/// How arrivals are printed.
struct Screen {
    /// Sources whose messages come by topics.
    with_topics: Vec<String>,
    timezone: chrono_tz::Tz,
    suggestions: Suggestions,
    all: bool,
}

impl Screen {
    /// Prints one arrival; gives the config lines that would read it, where there are some to offer.
    fn show(&mut self, arrival: &Value, config: &Path, voice: &mut Voice) -> Result<Option<String>, Failure> {
        if let Some(count) = arrival["passed_over"].as_u64() {
            return voice.say(format!("({count} more came faster than they could be shown)")).map(|()| None);
        }
        let text_of = |key: &str| arrival[key].as_str().unwrap_or("");
        let reason = Refusal::ALL.into_iter().find(|reason| reason.word() == text_of("why"));
        let read = arrival["read"].as_array().map_or(&[][..], Vec::as_slice);
        let unread = read.is_empty()
            && matches!(reason, Some(Refusal::NobodyReads | Refusal::Malformed | Refusal::FieldMissing));
        if !self.all && read.is_empty() && reason == Some(Refusal::NobodyReads) {
            return Ok(None);
        }
        let at = Stamp(arrival["at"].as_i64().unwrap_or(0));
        let time = at.utc().with_timezone(&self.timezone).format("%H:%M:%S");
        let (source, by, text) = (text_of("source"), text_of("by"), text_of("text"));
        voice.say(format!("{time} {source} {by}: {text}"))?;
        for one in read {
            voice.say(format!("         {}: {}", one["probe"].as_str().unwrap_or(""), values(one)))?;
        }
        if let Some(reason) = reason {
            let whose = arrival["probe"].as_str().map_or(String::new(), |probe| format!(" by {probe}"));
            voice.say(format!("         not taken{whose}: {}", sentence(reason)))?;
        }
        if !self.all || !unread {
            return Ok(None);
        }
        let topic = self.with_topics.iter().any(|name| name == source).then_some(by);
        let raw = unescaped(text);
        match self.suggestions.take(source, topic, &raw, at) {
            None => Ok(None),
            Some(Suggestion::Wait) => voice.say("         (the next one will tell how often it comes)").map(|()| None),
            Some(Suggestion::Lines(lines)) => {
                voice.say(format!("\nTo read it, add to {}:\n\n{lines}", config.display()))?;
                Ok(Some(lines))
            }
        }
    }
}

/// A text as it was before the window made it printable: backslashes stand twice, line ends and tabs as letters.
fn unescaped(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    let mut letters = text.chars();
    while let Some(letter) = letters.next() {
        match (letter, letters.clone().next()) {
            ('\\', Some(escaped @ ('\\' | 'n' | 'r' | 't'))) => {
                letters.next();
                plain.push(match escaped {
                    'n' => '\n',
                    'r' => '\r',
                    't' => '\t',
                    _ => '\\',
                });
            }
            _ => plain.push(letter),
        }
    }
    plain
}

/// What a probe read, in words.
fn values(one: &Value) -> String {
    let values = Quantity::ALL.into_iter().filter_map(|quantity| {
        let value = one.get(quantity.word())?;
        let unit = match quantity {
            Quantity::Temperature => " °C",
            Quantity::Humidity => " %",
            Quantity::Co2 => " ppm",
            Quantity::Battery => "",
        };
        let shown = value.as_f64().map_or("no number".to_owned(), |value| format!("{value}{unit}"));
        Some(format!("{} {shown}", quantity.word()))
    });
    values.collect::<Vec<_>>().join(", ")
}

/// Why something was not taken, in plain words.
fn sentence(reason: Refusal) -> &'static str {
    match reason {
        Refusal::NotText => "it is no text in UTF-8; on a port, is the baud rate the one in the board's program?",
        Refusal::TooLong => "it is longer than a line or message may be",
        Refusal::Malformed => "it is not written in the probe's format, or nothing asked for is a number",
        Refusal::FieldMissing => "none of the fields that the probe reads is in it",
        Refusal::BadTime => "its time cannot be read as the config says it is written",
        Refusal::NobodyReads => "no probe's topic or select takes it",
        Refusal::HalfLine => "its start was sent before the port was opened",
        Refusal::Empty => "it is empty",
        Refusal::Duplicate => "it is stored already",
        Refusal::Overflow => "there was no room for it",
        Refusal::Checksum => "its checksum does not fit it",
        Refusal::NoAnswer => "no answer came in time",
        Refusal::DeviceRefused => "the unit answered with an exception",
        Refusal::NotLetIn => "its client was not let in",
        Refusal::Header => "it is the header of the columns, which holds no reading",
    }
}

/// A line of standard input that says yes; nobody to answer means no.
fn answer() -> bool {
    let mut answer = String::new();
    let read = std::io::stdin().lock().read_line(&mut answer);
    read.is_ok() && matches!(answer.trim(), "y" | "Y" | "yes")
}

/// Appends `lines` to the config where the config stays right.
fn append(config: &Path, lines: &str, voice: &mut Voice) -> Outcome {
    let failed = |error: std::io::Error| Failure::Failed(format!("cannot write {}: {error}", config.display()));
    let before = std::fs::read_to_string(config).map_err(failed)?;
    let gap = if before.ends_with("\n\n") || before.is_empty() { "" } else { "\n" };
    let end = if before.ends_with('\n') || before.is_empty() { "" } else { "\n" };
    let added = format!("{end}{gap}{lines}");
    if let Err(faults) = config::parse(&format!("{before}{added}"), config) {
        return voice
            .say(format!("not written, as the config would be wrong with them:\n{}", printable(&faults.to_string())));
    }
    let mut file = std::fs::OpenOptions::new().append(true).open(config).map_err(failed)?;
    file.write_all(added.as_bytes()).and_then(|()| file.sync_all()).map_err(failed)?;
    voice.say("written; the daemon takes it up when it rereads its config (SIGHUP)")
}
