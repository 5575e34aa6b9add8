//! Lines from a serial port: opened, read, reopened, for as long as the daemon runs.
//!
//! One blocking thread a port. In: bytes of any tty. Out: messages of the probes whose recipe takes
//! the line, refusals, the port's state. The path in the config is followed anew at each opening, so
//! a stable name finds the device after it was plugged in elsewhere. Left out: Modbus.

use std::io::ErrorKind as Io;
use std::path::Path;
use std::time::{Duration, Instant};

use serialport::ErrorKind;
use tokio::runtime::Handle;
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::watch;

use super::backoff::Backoff;
use super::intake::{Intake, Phase};
use super::readers::Readers;
use super::{Carriage, Delivery, Message, SourceState};
use crate::config::Plan;
use crate::config::plan::PortPlan;
use crate::wire::{Lines, Piece, Refusal};

/// How long a read waits: the longest until a stop is noticed.
const READ_WAIT: Duration = Duration::from_millis(200);
/// The first wait before a port is opened again, and the longest.
const REOPEN: (Duration, Duration) = (Duration::from_millis(500), Duration::from_secs(30));
/// Bytes taken at once; the kernel holds 4 KiB of a tty.
const READ_BYTES: usize = 4096;
/// The least time without a line that a probe takes before the port is opened anew.
const QUIET_AT_LEAST: Duration = Duration::from_secs(300);
/// How long lines already read may wait for room in the queue once the sources stop.
const LAST_WORDS: Duration = Duration::from_millis(500);

/// A port and all that reading it needs.
pub(super) struct Port {
    plan: PortPlan,
    intake: Intake,
    readers: Readers,
    phase: watch::Receiver<Phase>,
    runtime: Handle,
    connection: u64,
    /// Without a line that a probe takes for so long, the port is opened anew, once.
    quiet: Duration,
    reopened: bool,
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
            intake,
            readers: Readers::new(plan, source),
            phase,
            runtime: Handle::current(),
            connection: 0,
            quiet: quiet_after(slowest_ms),
            reopened: false,
        }
    }

    /// Reads until the daemon stops.
    pub(super) fn run(mut self) {
        let mut backoff = Backoff::new(None, REOPEN.0, REOPEN.1);
        let mut running = self.tell(SourceState::Connecting, String::new());
        while running {
            running = match self.open() {
                Ok(mut device) => {
                    self.connection += 1;
                    match self.tell(SourceState::Connected, String::new()).then(|| self.read(device.as_mut())) {
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
                            self.tell(SourceState::Away, why) && self.rest(backoff.wait(rand::random()))
                        }
                    }
                }
                Err(why) => self.tell(SourceState::Away, why) && self.rest(backoff.wait(rand::random())),
            };
        }
    }

    fn open(&self) -> Result<Box<dyn serialport::SerialPort>, String> {
        let device = &self.plan.device;
        serialport::new(device.to_string_lossy(), self.plan.baud)
            .timeout(READ_WAIT)
            .open()
            .map_err(|error| cannot_open(device, &error))
    }

    /// Reads one open device to its end.
    fn read(&mut self, device: &mut dyn serialport::SerialPort) -> Ended {
        let mut lines = Lines::new();
        let mut bytes = vec![0; READ_BYTES];
        let mut last_taken = Instant::now();
        loop {
            let stopped = match device.read(&mut bytes) {
                Ok(0) => return Ended::Lost(self.gone("it sends no more")),
                Ok(read) => {
                    let mut deliveries = Vec::new();
                    lines.push(&bytes[..read], |piece| self.take(piece, &mut deliveries));
                    if !deliveries.is_empty() {
                        last_taken = Instant::now();
                        self.reopened = false;
                    }
                    !deliveries.into_iter().all(|delivery| self.deliver(delivery))
                }
                Err(error) if matches!(error.kind(), Io::TimedOut | Io::WouldBlock | Io::Interrupted) => false,
                Err(error) if error.kind() == Io::BrokenPipe => return Ended::Lost(self.gone("it was unplugged")),
                Err(error) => return Ended::Lost(self.gone(&format!("it cannot be read ({error})"))),
            };
            if stopped || self.stopping() || !self.tell_refusals() {
                return Ended::Stopped;
            }
            if !self.reopened && last_taken.elapsed() >= self.quiet {
                return Ended::Quiet;
            }
        }
    }

    /// Decodes one line; what it gives goes to `deliveries`, or it is counted as refused.
    fn take(&mut self, piece: Piece<'_>, deliveries: &mut Vec<Delivery>) {
        let by = self.plan.device.to_string_lossy();
        let (bytes, first) = match piece {
            Piece::TooLong => return self.intake.refuse(None, Refusal::TooLong, &by, b""),
            Piece::Line { bytes, first } => (bytes, first),
        };
        let refused = self.readers.read(0..self.readers.len(), bytes);
        if let Some((probe, reason)) = refused {
            // What stands before the first line end after opening may have lost its start.
            let cut = first && self.readers.found.is_empty();
            let (probe, reason) = if cut { (None, Refusal::HalfLine) } else { (probe, reason) };
            self.intake.refuse(probe, reason, &by, bytes);
        }
        let received = (self.intake.clock)();
        let carriage = Carriage { connection: self.connection, ..Carriage::default() };
        let found = self.readers.found.drain(..);
        deliveries.extend(
            found.map(|(probe, decoded)| {
                Delivery::Message(Message { probe, decoded, received, carriage, receipt: None })
            }),
        );
    }

    /// Tells a state, unless it was told last. False when the daemon stops.
    fn tell(&mut self, state: SourceState, why: String) -> bool {
        self.intake.state(state, why).is_none_or(|news| self.deliver(news))
    }

    /// Tells the refusals that are due. False when the daemon stops.
    fn tell_refusals(&mut self) -> bool {
        self.intake.refusals.due(Instant::now()).into_iter().all(|delivery| self.deliver(delivery))
    }

    /// Waits for room in the engine's queue; meanwhile lines wait in the kernel. False when the daemon
    /// stops or the engine is gone.
    fn deliver(&mut self, delivery: Delivery) -> bool {
        let delivery = match self.intake.queue.try_send(delivery) {
            Ok(()) => return true,
            Err(TrySendError::Closed(_)) => return false,
            Err(TrySendError::Full(delivery)) => delivery,
        };
        let mut phase = self.phase.clone();
        let queue = &self.intake.queue;
        let room = self.runtime.block_on(async {
            tokio::select! {
                biased;
                place = queue.reserve() => place.ok(),
                _ = phase.wait_for(|phase| *phase != Phase::Run) => None,
            }
        });
        if let Some(place) = room {
            place.send(delivery);
            return true;
        }
        self.last_words(delivery)
    }

    /// The daemon stops while the queue is full: the engine is emptying it, so a line already read
    /// gets a last chance.
    fn last_words(&self, mut delivery: Delivery) -> bool {
        let until = Instant::now() + LAST_WORDS;
        while Instant::now() < until {
            match self.intake.queue.try_send(delivery) {
                Ok(()) => return true,
                Err(TrySendError::Closed(_)) => return false,
                Err(TrySendError::Full(back)) => delivery = back,
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        false
    }

    /// Waits before the next try, in steps so that a stop is noticed. False when the daemon stops.
    fn rest(&self, wait: Duration) -> bool {
        let until = Instant::now() + wait;
        while !self.stopping() {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return true;
            }
            std::thread::sleep(left.min(READ_WAIT));
        }
        false
    }

    fn stopping(&self) -> bool {
        *self.phase.borrow() != Phase::Run || self.phase.has_changed().is_err()
    }

    fn gone(&self, how: &str) -> String {
        format!("{} was open, but {how}; it is tried again until it is back", self.plan.device.display())
    }
}

/// Ten times the slowest probe's period, five minutes at least.
fn quiet_after(slowest_ms: i64) -> Duration {
    QUIET_AT_LEAST.max(Duration::from_millis(u64::try_from(slowest_ms).unwrap_or(0).saturating_mul(10)))
}

/// Why `device` does not open, in one plain sentence.
fn cannot_open(device: &Path, error: &serialport::Error) -> String {
    let device = device.display();
    match error.kind {
        ErrorKind::Io(Io::NotFound) => format!("{device} is not there; is the probe plugged in?"),
        ErrorKind::Io(Io::PermissionDenied) => {
            format!("{device} may not be opened; put the service's user into the group that owns it (often dialout)")
        }
        ErrorKind::NoDevice => format!("{device} is in use by another program; close that one"),
        _ => format!("{device} does not open as a serial port ({})", error.description),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::path::PathBuf;
    use std::sync::Arc;

    use serialport::{SerialPort, TTYPort};
    use tokio::sync::mpsc;

    use super::*;
    use crate::climate::Stamp;
    use crate::config::plan::{ProbePlan, StatusPlan, StorePlan};
    use crate::wire::{Format, Recipe};

    fn plan() -> Plan {
        let reads = [Some(String::new()), None, None, None];
        let recipe = Recipe { format: Format::Number, reads, select: Vec::new(), time: None };
        Plan {
            file: PathBuf::new(),
            site: String::new(),
            timezone: chrono_tz::UTC,
            store: StorePlan { folder: PathBuf::new(), commit_every: Duration::ZERO },
            status: StatusPlan { listen: None, token: None },
            brokers: Vec::new(),
            ports: Vec::new(),
            probes: vec![ProbePlan { name: String::new(), source: 0, topic: None, recipe }],
            messengers: Vec::new(),
            forwards: Vec::new(),
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
        let port = PortPlan { name: "usb".to_owned(), device: device_path, baud: 9600 };
        let (queue, mut deliveries) = mpsc::channel(8);
        let (alive, _intakes) = mpsc::channel(1);
        let (phase, stop) = watch::channel(Phase::Run);
        let intake = Intake::new(0, queue, Arc::new(|| Stamp(1)), alive);
        let mut port = Port::new(&plan(), 0, port, intake, stop);
        port.quiet = Duration::ZERO;
        let thread = std::thread::spawn(move || port.run());
        let mut connections = Vec::new();
        for line in 0..3 {
            // The silence itself, of several reads. The outcome holds however long it is; a port opened
            // anew more than once in it would count more connections.
            tokio::time::sleep(4 * READ_WAIT).await;
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
