//! `tubwatch rehearse`: the whole job with no hardware.
//!
//! In: nothing, not even a config. Out: a fortnight of three made-up tubs through the real ingest,
//! store, watches and status, alerts printed as they are raised, an export folder at the end. The
//! probes speak over a real pseudo-terminal; the daemon's clock is the samples'.

mod scenario;

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::Duration;

use serialport::{SerialPort, TTYPort};
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::{broadcast, mpsc, watch};

use super::speak::{Failure, Outcome, Voice};
use super::{Site, enter, wording};
use crate::climate::stamp::DAY_MS;
use crate::config::{self, Plan};
use crate::daemon::{self, Door, Running};
use crate::engine::clock::Clock;
use crate::grow;
use crate::records::{self, Every, Options};
use crate::store::Reader;
use crate::watch::alert::AlertEvent;

use scenario::{EVERY_MS, LENGTH_MS, SPAWNED_AT, Scenario};

/// The fortnight takes about a minute: so long between two reports of the probes.
const STEP: Duration = Duration::from_millis(14);
/// Where the export goes, in the folder the command was called in.
const EXPORT_FOLDER: &str = "rehearsal";
/// How long the daemon gets to read what was still on the wire.
const SETTLE: Duration = Duration::from_secs(10);

/// Runs the rehearsal, saying what happens.
///
/// # Errors
/// One plain sentence when a part of it cannot be had (a pseudo-terminal, a folder to write in).
pub async fn rehearse(voice: &mut Voice) -> Outcome {
    let mut interrupt = signal(SignalKind::interrupt()).map_err(|why| cannot("listen for Ctrl-C", &why))?;
    let mut terminate = signal(SignalKind::terminate()).map_err(|why| cannot("listen for signals", &why))?;
    let state = StateFolder::make().map_err(|why| cannot("make a folder for its store", &why))?;
    // The daemon opens the other end by its path, as it would a plugged-in board; this handle only keeps it alive.
    let (probes, wire) = TTYPort::pair().map_err(|why| cannot("make a pseudo-terminal", &why))?;
    let device = wire.name().unwrap_or_default();
    let settings = scenario::settings(&device, &state.0.display().to_string());
    let plan =
        config::parse(&settings, Path::new("rehearsal.toml")).map_err(|faults| cannot("read its settings", &faults))?;
    let plan = Arc::new(plan);

    let running = daemon::start(
        Arc::clone(&plan),
        Clock::samples(SPAWNED_AT),
        &mut Door::default(),
        watch::channel(None).1,
        false,
    )
    .await
    .map_err(Failure::failed)?;
    greet(voice, &running, &device)?;
    let stopped = Arc::new(AtomicBool::new(false));
    let (days, passed) = mpsc::channel(1);
    let speaker = Speaker { probes, plan: Arc::clone(&plan), stopped: Arc::clone(&stopped), days: Some(days) };
    let speaking = tokio::task::spawn_blocking(move || speaker.run());
    let told = tokio::select! {
        told = tell(voice, running.events.resubscribe(), passed) => told.map(|()| true),
        _ = interrupt.recv() => Ok(false),
        _ = terminate.recv() => Ok(false),
    };
    if matches!(told, Ok(true)) {
        settle(&running).await;
    }
    stopped.store(true, Ordering::Relaxed);
    let spoken = speaking.await;
    // The wire stays whole until the daemon has let go of it: nothing was unplugged.
    running.stop().await;
    drop(wire);
    if !told? {
        voice.say("\nStopped early; what there is gets exported.")?;
    }
    let (spoken, _probes) = spoken.map_err(|why| cannot("end its probes", &why))?;
    spoken?;
    finish(voice, plan).await
}

fn cannot(what: &str, why: &dyn std::fmt::Display) -> Failure {
    Failure::Failed(format!("the rehearsal cannot {what}: {why}"))
}

/// A folder of its own for the store, removed at the end.
struct StateFolder(PathBuf);

impl StateFolder {
    fn make() -> io::Result<StateFolder> {
        let folder = std::env::temp_dir().join(format!("tubwatch-rehearsal-{}", std::process::id()));
        std::fs::create_dir_all(&folder)?;
        Ok(StateFolder(folder))
    }
}

impl Drop for StateFolder {
    fn drop(&mut self) {
        // Nothing depends on it; the machine's own cleaning takes what is left.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn greet(voice: &mut Voice, running: &Running, device: &str) -> Outcome {
    voice.say("Two weeks of three tubs in about a minute. Nothing here is real but the program.")?;
    voice.say(format!("Four probes speak over {device}: a heated shelf's air, and the substrate of three tubs."))?;
    if let Some(address) = running.address {
        voice.say(format!("The status page is live at http://{address}/ until the end; Ctrl-C ends it sooner."))?;
    }
    voice.say("A monitor is no safety device: every heater needs a thermostat and a thermal cut-out of its own.")?;
    voice.say("")
}

/// The thread that is the probes and the grower.
struct Speaker {
    probes: TTYPort,
    plan: Arc<Plan>,
    stopped: Arc<AtomicBool>,
    /// Each day as it begins; dropped at the end.
    days: Option<mpsc::Sender<i64>>,
}

impl Speaker {
    /// Says everything; gives its end of the wire back.
    fn run(mut self) -> (Outcome, TTYPort) {
        (self.say_all(), self.probes)
    }

    fn say_all(&mut self) -> Outcome {
        let mut scenario = Scenario::new();
        let mut entries = scenario::logbook().into_iter().peekable();
        for step in 0..=LENGTH_MS / EVERY_MS {
            let ms = step * EVERY_MS;
            if self.stopped.load(Ordering::Relaxed) {
                break;
            }
            if let (0, Some(days)) = (ms % DAY_MS, &self.days)
                && days.blocking_send(ms / DAY_MS).is_err()
            {
                break;
            }
            while let Some((_, tub, deed)) = entries.next_if(|(due, _, _)| *due <= ms) {
                let at = SPAWNED_AT.plus(ms);
                let site = Site { plan: Plan::clone(&self.plan), now: at };
                enter::enter(&site, tub, deed, at)?;
            }
            self.write(scenario.lines(ms).as_bytes()).map_err(|why| cannot("speak over its pseudo-terminal", &why))?;
            thread::sleep(STEP);
        }
        self.days = None;
        Ok(())
    }

    /// Writes all of `bytes`, however full the wire is, unless the rehearsal was stopped.
    fn write(&mut self, mut bytes: &[u8]) -> io::Result<()> {
        while !bytes.is_empty() && !self.stopped.load(Ordering::Relaxed) {
            match self.probes.write(bytes) {
                Ok(count) => bytes = &bytes[count..],
                Err(why) if matches!(why.kind(), io::ErrorKind::TimedOut | io::ErrorKind::Interrupted) => {}
                Err(why) => return Err(why),
            }
        }
        Ok(())
    }
}

/// Prints days and alerts as they come, until the probes have said all.
async fn tell(
    voice: &mut Voice,
    mut events: broadcast::Receiver<AlertEvent>,
    mut days: mpsc::Receiver<i64>,
) -> Outcome {
    loop {
        tokio::select! {
            day = days.recv() => match day {
                Some(day) => voice.say(format!("day {day}"))?,
                None => break,
            },
            event = events.recv() => match event {
                Ok(event) => voice.say(line(&event))?,
                Err(RecvError::Lagged(missed)) => voice.say(format!("  ({missed} alert events were too fast to print)"))?,
                Err(RecvError::Closed) => break,
            },
        }
    }
    while let Ok(event) = events.try_recv() {
        voice.say(line(&event))?;
    }
    Ok(())
}

fn line(event: &AlertEvent) -> String {
    let at = event.at.utc().format("%d %b %H:%M");
    format!("  {at}  {} {}: {}", event.alert.severity.word(), event.kind.word(), event.alert.text)
}

/// Waits until the daemon has seen the last sample.
async fn settle(running: &Running) {
    let mut snapshots = running.snapshots.clone();
    let last = SPAWNED_AT.plus(LENGTH_MS);
    let seen = snapshots.wait_for(|snapshot| snapshot.time >= last);
    // What was not read by then is missing from the export, which says so itself.
    let _ = tokio::time::timeout(SETTLE, seen).await;
}

/// Shows where the tubs stand and exports the fortnight; the export's folder is the last line alone.
async fn finish(voice: &mut Voice, plan: Arc<Plan>) -> Outcome {
    let folder = PathBuf::from(EXPORT_FOLDER);
    let to = folder.clone();
    let exported = tokio::task::spawn_blocking(move || export(&plan, &to)).await;
    for file in exported.map_err(|why| cannot("end its export", &why))?? {
        voice.say(format!("  {file}"))?;
    }
    let shown = std::fs::canonicalize(&folder).unwrap_or(folder);
    voice.say("The climate beside the (made-up) tubs, for a spreadsheet, lies in")?;
    voice.say(shown.display())
}

fn export(plan: &Plan, folder: &Path) -> Result<Vec<String>, Failure> {
    let reader = Reader::open(&plan.store.folder).map_err(Failure::failed)?;
    let entries = reader.entries().map_err(Failure::failed)?;
    let tubs = grow::logbook::tubs(&entries, plan.timezone);
    let now = SPAWNED_AT.plus(LENGTH_MS);
    let options = Options { from: None, to: None, tub: None, every: Every::Hourly, now, site: plan.site.clone() };
    let summary = records::export(&reader, &plan.setup, &tubs, &entries, plan.timezone, &options, folder)
        .map_err(Failure::failed)?;
    Ok(summary
        .files
        .iter()
        .map(|(path, rows)| format!("{}: {}", path.display(), wording::count(*rows, "row")))
        .collect())
}
