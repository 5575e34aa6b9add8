//! Lines from a serial port: opened, read, reopened, for as long as the daemon runs.
//!
//! One blocking thread a port. In: bytes of any tty. Out: messages of the probes whose recipe takes
//! the line, refusals, the port's state. The path in the config is followed anew at each opening, so
//! a stable name finds the device after it was plugged in elsewhere. Left out: Modbus.

use std::io::ErrorKind as Io;
use std::time::{Duration, Instant};

use tokio::sync::watch;

use super::backoff::Backoff;
use super::feed::{Feed, STEP};
use super::intake::{Intake, Phase};
use super::readers::Readers;
use super::tty;
use super::{Carriage, Delivery, Message, SourceState};
use crate::config::Plan;
use crate::config::plan::PortPlan;
use crate::wire::{LINE_BYTES_MAX, Lines, Piece, Refusal};

/// The first wait before a port is opened again, and the longest.
const REOPEN: (Duration, Duration) = (Duration::from_millis(500), Duration::from_secs(30));
/// Bytes taken at once; the kernel holds 4 KiB of a tty.
const READ_BYTES: usize = 4096;
/// So many bytes that are no text, without one good line between, are a wrong baud or a broken wire, and
/// not the chatter of a board that starts: several lines' worth.
const GARBAGE_BYTES: usize = 512;
/// The least time without a line that a probe takes before the port is opened anew.
const QUIET_AT_LEAST: Duration = Duration::from_secs(300);

/// A port and all that reading it needs.
pub(super) struct Port {
    plan: PortPlan,
    feed: Feed,
    readers: Readers,
    connection: u64,
    /// Without a line that a probe takes for so long, the port is opened anew, once.
    quiet: Duration,
    reopened: bool,
    /// Bytes that were no text, since the last line that a probe took.
    garbage: usize,
}

/// Why reading ended.
enum Ended {
    /// The daemon stops.
    Stopped,
    /// The device is gone or faulty; in words.
    Lost(String),
    /// Nothing sensible came for long.
    Quiet,
}

impl Port {
    /// The port of the source at position `source`. Call it inside a tokio runtime.
    pub(super) fn new(
        plan: &Plan,
        source: usize,
        port: PortPlan,
        intake: Intake,
        phase: watch::Receiver<Phase>,
    ) -> Port {
        let every = plan.probes.iter().zip(&plan.setup.probes).filter(|(probe, _)| probe.source == source);
        let slowest_ms = every.map(|(_, setup)| setup.every_ms).max().unwrap_or(0);
        Port {
            plan: port,
            feed: Feed::new(intake, phase),
            readers: Readers::new(plan, source),
            connection: 0,
            quiet: quiet_after(slowest_ms),
            reopened: false,
            garbage: 0,
        }
    }

    /// Reads until the daemon stops.
    pub(super) fn run(mut self) {
        let mut backoff = Backoff::new(None, REOPEN.0, REOPEN.1);
        let mut running = self.feed.tell(SourceState::Connecting, String::new());
        while running {
            running = match tty::open(&self.plan, STEP) {
                Ok(mut device) => {
                    self.connection += 1;
                    match self.feed.tell(SourceState::Connected, String::new()).then(|| self.read(device.as_mut())) {
                        None | Some(Ended::Stopped) => false,
                        Some(Ended::Quiet) => {
                            self.reopened = true;
                            tracing::info!(
                                port = self.plan.name,
                                "no line that a probe takes for {} s; opened anew, in case its driver sleeps",
                                self.quiet.as_secs()
                            );
                            continue;
                        }
                        Some(Ended::Lost(why)) => {
                            backoff.reset();
                            drop(device);
                            self.feed.tell(SourceState::Away, why) && self.feed.rest(backoff.wait(rand::random()))
                        }
                    }
                }
                Err(why) => self.feed.tell(SourceState::Away, why) && self.feed.rest(backoff.wait(rand::random())),
            };
        }
    }

    /// Reads one open device to its end.
    fn read(&mut self, device: &mut dyn serialport::SerialPort) -> Ended {
        let mut lines = Lines::new();
        let mut bytes = vec![0; READ_BYTES];
        let mut last_taken = Instant::now();
        loop {
            let stopped = match device.read(&mut bytes) {
                Ok(0) => return Ended::Lost(tty::gone(&self.plan.device, "it sends no more")),
                Ok(read) => {
                    let mut deliveries = Vec::new();
                    lines.push(&bytes[..read], |piece| self.take(piece, &mut deliveries));
                    if !deliveries.is_empty() {
                        last_taken = Instant::now();
                        self.reopened = false;
                        self.garbage = 0;
                    }
                    !self.tell_garbage() || !deliveries.into_iter().all(|delivery| self.feed.deliver(delivery))
                }
                Err(error) if matches!(error.kind(), Io::TimedOut | Io::WouldBlock | Io::Interrupted) => false,
                Err(error) if error.kind() == Io::BrokenPipe => {
                    return Ended::Lost(tty::gone(&self.plan.device, "it was unplugged"));
                }
                Err(error) => {
                    return Ended::Lost(tty::gone(&self.plan.device, &format!("it cannot be read ({error})")));
                }
            };
            if stopped || self.feed.stopping() || !self.feed.tell_refusals() {
                return Ended::Stopped;
            }
            if !self.reopened && last_taken.elapsed() >= self.quiet {
                return Ended::Quiet;
            }
        }
    }

    /// Tells that nothing but garbage comes, or no longer. False when the daemon stops.
    fn tell_garbage(&mut self) -> bool {
        if self.garbage < GARBAGE_BYTES {
            return self.garbage > 0 || self.feed.tell(SourceState::Connected, String::new());
        }
        let PortPlan { device, baud, .. } = &self.plan;
        let why = format!(
            "what comes from {} is no text; is {baud} the baud of the board's program, and are parity and wiring right?",
            device.display()
        );
        self.feed.tell(SourceState::Connecting, why)
    }

    /// Decodes one line; what it gives goes to `deliveries`, or it is counted as refused.
    fn take(&mut self, piece: Piece<'_>, deliveries: &mut Vec<Delivery>) {
        let by = self.plan.device.to_string_lossy();
        let (bytes, first) = match piece {
            Piece::TooLong => {
                self.garbage = self.garbage.saturating_add(LINE_BYTES_MAX);
                self.feed.intake.seen(&by, b"", &[], Some((None, Refusal::TooLong)));
                return self.feed.intake.refuse(None, Refusal::TooLong, &by, b"");
            }
            Piece::Line { bytes, first } => (bytes, first),
        };
        let mut refused = self.readers.read(0..self.readers.len(), bytes);
        // What stands before the first line end after opening may have lost its start.
        if first && refused.is_some() && self.readers.found.is_empty() {
            refused = Some((None, Refusal::HalfLine));
        }
        let control = |byte: &u8| byte.is_ascii_control() && *byte != b'\t';
        if matches!(refused, Some((_, Refusal::NotText))) || refused.is_some() && bytes.iter().any(control) {
            self.garbage = self.garbage.saturating_add(bytes.len());
        }
        self.feed.intake.seen(&by, bytes, &self.readers.found, refused);
        if let Some((probe, reason)) = refused {
            self.feed.intake.refuse(probe, reason, &by, bytes);
        }
        let received = (self.feed.intake.clock)();
        let carriage = Carriage { connection: self.connection, ..Carriage::default() };
        let found = self.readers.found.drain(..);
        deliveries.extend(
            found.map(|(probe, decoded)| {
                Delivery::Message(Message { probe, decoded, received, carriage, receipt: None })
            }),
        );
    }
}

/// Ten times the slowest probe's period, five minutes at least.
fn quiet_after(slowest_ms: i64) -> Duration {
    QUIET_AT_LEAST.max(Duration::from_millis(u64::try_from(slowest_ms).unwrap_or(0).saturating_mul(10)))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::path::PathBuf;
    use std::sync::Arc;

    use serialport::{SerialPort, TTYPort};
    use tokio::sync::mpsc;

    use super::super::Tap;
    use super::*;
    use crate::climate::Stamp;
    use crate::config::plan::{ProbePlan, StatusPlan, StorePlan};
    use crate::wire::{Format, Recipe};

    fn plan() -> Plan {
        let reads = [Some(String::new()), None, None, None];
        let recipe = Recipe { format: Format::Number, reads, ..Recipe::default() };
        Plan {
            file: PathBuf::new(),
            site: String::new(),
            timezone: chrono_tz::UTC,
            altitude_m: None,
            backup: None,
            store: StorePlan { folder: PathBuf::new(), commit_every: Duration::ZERO, keep_raw: None },
            status: StatusPlan { listen: None, token: None, address: None, tls: None },
            brokers: Vec::new(),
            ports: Vec::new(),
            intakes: Vec::new(),
            locals: Vec::new(),
            probes: vec![ProbePlan { name: String::new(), source: 0, recipe, ..ProbePlan::default() }],
            messengers: Vec::new(),
            forwards: Vec::new(),
            morning: None,
            sign_of_life: None,
            setup: Default::default(),
        }
    }

    #[test]
    fn quiet_is_ten_periods_and_five_minutes_at_least() {
        let minutes = |m: u64| Duration::from_secs(60 * m);
        assert_eq!(quiet_after(10_000), minutes(5));
        assert_eq!(quiet_after(600_000), minutes(100));
        assert_eq!(quiet_after(-1), minutes(5));
        assert!(quiet_after(i64::MAX) > minutes(100));
    }

    /// A driver that went to sleep gives no error: the port is opened anew, once for each silence.
    #[tokio::test]
    async fn a_quiet_port_is_opened_anew_once() {
        use std::io::Write;

        let (mut end, device) = TTYPort::pair().unwrap();
        let device_path = PathBuf::from(device.name().unwrap());
        let port = PortPlan { name: "usb".to_owned(), device: device_path, baud: 9600, ..PortPlan::default() };
        let (queue, mut deliveries) = mpsc::channel(8);
        let (alive, _intakes) = mpsc::channel(1);
        let (phase, stop) = watch::channel(Phase::Run);
        let intake = Intake::new(0, queue, Arc::new(|| Stamp(1)), Tap::default(), alive);
        let mut port = Port::new(&plan(), 0, port, intake, stop);
        port.quiet = Duration::ZERO;
        let thread = std::thread::spawn(move || port.run());
        let mut connections = Vec::new();
        for line in 0..3 {
            // The silence itself, of several reads. The outcome holds however long it is; a port opened
            // anew more than once in it would count more connections.
            tokio::time::sleep(4 * STEP).await;
            end.write_all(format!("{line}\n").as_bytes()).unwrap();
            while connections.len() == line {
                if let Some(Delivery::Message(message)) = deliveries.recv().await {
                    connections.push(message.carriage.connection);
                }
            }
        }
        assert_eq!([connections[1] - connections[0], connections[2] - connections[1]], [1, 1]);
        phase.send_replace(Phase::Drain);
        tokio::task::spawn_blocking(move || thread.join()).await.unwrap().unwrap();
    }
}
