//! `replay`: recorded samples through the same watches, printing what they would have told.
//!
//! In: raw `climate.csv` files or line protocol, the config, the store's logbook if there is one. Out:
//! one line an event, in order of time, and a last line with counts; the same bytes for the same
//! input. Writes nothing. Left out: the judging (`engine::replay`), reading records (`records`).

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant};

use super::args::ReplayArgs;
use super::speak::{Failure, Outcome, Voice, printable};
use super::{Site, paper, wording};
use crate::climate::Stamp;
use crate::engine::replay::Replay;
use crate::records::recorded::{Recorded, Recording};
use crate::watch::alert::{AlertEvent, EventKind};

/// Runs the files through the watches.
pub fn replay(site: &Site, args: &ReplayArgs) -> Outcome {
    let speed = args.at_speed.as_deref().map(speed).transpose()?;
    let (entries, alerts) = if paper::is_there(site) {
        let reader = paper::reader(site)?;
        (reader.entries().map_err(Failure::failed)?, reader.alerts(false).map_err(Failure::failed)?)
    } else {
        Default::default()
    };
    let mut replay = Replay::new(site.plan.setup.clone(), &entries, alerts, args.coarse);
    let mut files = Merged::open(&args.files, args.coarse)?;
    let (mut voice, mut events, mut telling) = (Voice::new(), Vec::new(), Telling::default());
    let mut pace = speed.map(Pace::new);
    while let Some(sample) = files.next_sample()? {
        if let Some(pace) = &mut pace {
            pace.keep(sample.at);
        }
        replay.sample(&sample, &mut events);
        telling.take(&mut events);
        if pace.is_some() {
            telling.say(&mut voice)?;
        }
    }
    telling.say(&mut voice)?;
    let (unread, first_unread) = files.unread();
    voice.say(telling.summary(&replay, unread, first_unread))
}

fn speed(text: &str) -> Result<f64, Failure> {
    match text.parse::<f64>() {
        Ok(speed) if speed.is_finite() && speed > 0.0 => Ok(speed),
        _ => Err(Failure::Usage(format!("--at-speed: \"{text}\" is no speed; write how many times as fast, like 60"))),
    }
}

/// Waits so that the samples' time goes by so many times as fast as the clock on the wall.
struct Pace {
    speed: f64,
    began: Option<(Instant, Stamp)>,
}

impl Pace {
    fn new(speed: f64) -> Pace {
        Pace { speed, began: None }
    }

    fn keep(&mut self, at: Stamp) {
        let (began, first) = *self.began.get_or_insert((Instant::now(), at));
        let due_s = (at.since(first).max(0) as f64 / 1e3 / self.speed).min(1e9);
        let due = Duration::from_secs_f64(due_s);
        thread::sleep(due.saturating_sub(began.elapsed()));
    }
}

/// What is to be printed. Without a pace everything waits to the end, so that all is in order of time:
/// a reminder is told with the moment it came due, which a sample seconds later brings to light.
#[derive(Default)]
struct Telling {
    lines: Vec<(Stamp, String)>,
    raised: u64,
    events: u64,
}

impl Telling {
    fn take(&mut self, events: &mut Vec<AlertEvent>) {
        for event in events.drain(..) {
            self.events += 1;
            self.raised += u64::from(event.kind == EventKind::Raised);
            self.lines.push((event.at, line(&event)));
        }
    }

    fn say(&mut self, voice: &mut Voice) -> Outcome {
        self.lines.sort_by_key(|(at, _)| *at);
        for (_, line) in self.lines.drain(..) {
            voice.say(line)?;
        }
        Ok(())
    }

    fn summary(&self, replay: &Replay, unread: u64, first_unread: Option<(String, u64)>) -> String {
        let counts = replay.counts();
        let mut text = format!(
            "{} raised, {} in all, from {}",
            wording::count(self.raised, "alert"),
            wording::count(self.events, "event"),
            wording::count(counts.samples, "sample")
        );
        if counts.aside > 0 {
            text.push_str(&format!(", {} of them late or without a time", counts.aside));
        }
        if counts.strangers > 0 {
            text.push_str(&format!("; {} of probes not in the config", wording::count(counts.strangers, "sample")));
        }
        if let Some((file, line)) = first_unread {
            text.push_str(&format!(
                "; {} not read, the first is line {line} of {file}",
                wording::count(unread, "line")
            ));
        }
        text
    }
}

/// `TIME SEVERITY EVENT SUBJECT WATCH: TEXT`
fn line(event: &AlertEvent) -> String {
    let alert = &event.alert;
    let (severity, kind, watch) = (alert.severity.word(), event.kind.word(), alert.watch.word());
    let (subject, text) = (printable(&alert.subject), printable(&alert.text));
    format!("{} {severity} {kind} {subject} {watch}: {text}", event.at.rfc3339())
}

/// One file of several, with its next sample.
struct Source {
    path: PathBuf,
    recording: Recording<BufReader<File>>,
    next: Option<Recorded>,
}

/// Several files as one, by time; those of one moment in the files' order.
struct Merged(Vec<Source>);

impl Merged {
    fn open(paths: &[PathBuf], coarse: bool) -> Result<Merged, Failure> {
        let mut sources = Vec::new();
        for path in paths {
            let file = File::open(path).map_err(|why| cannot(path, &why))?;
            let recording = Recording::open(BufReader::new(file), coarse)
                .map_err(|why| Failure::Failed(format!("{} {why}", path.display())))?;
            let mut source = Source { path: path.clone(), recording, next: None };
            source.advance()?;
            sources.push(source);
        }
        Ok(Merged(sources))
    }

    fn next_sample(&mut self) -> Result<Option<Recorded>, Failure> {
        let earliest = self.0.iter_mut().filter(|source| source.next.is_some());
        let Some(source) = earliest.min_by_key(|source| source.next.as_ref().map(|sample| sample.at)) else {
            return Ok(None);
        };
        let sample = source.next.take();
        source.advance()?;
        Ok(sample)
    }

    /// Lines that held no sample, and where the first of them is.
    fn unread(&self) -> (u64, Option<(String, u64)>) {
        let count = self.0.iter().map(|source| source.recording.unread().0).sum();
        let first = self.0.iter().find_map(|source| {
            let (_, line) = source.recording.unread();
            line.map(|line| (source.path.display().to_string(), line))
        });
        (count, first)
    }
}

impl Source {
    fn advance(&mut self) -> Outcome {
        self.next = self.recording.next_sample().map_err(|why| cannot(&self.path, &why))?;
        Ok(())
    }
}

fn cannot(path: &Path, why: &std::io::Error) -> Failure {
    Failure::Failed(format!("{} cannot be read: {why}", path.display()))
}
