//! Modbus RTU: the units of one line asked in turn, for as long as the daemon runs.
//!
//! One blocking thread a port. In: which probe is which unit and what is asked of it how often. Out:
//! messages, refusals with the unit and the reason, the port's state. A unit that does not answer is
//! asked once a time, without repeats, and such units together get a quarter of the line's time at
//! most, so that one dead unit does not slow the others. Left out: writing to units.

mod ask;

use std::io::ErrorKind as Io;
use std::time::{Duration, Instant};

use tokio::sync::watch;

use self::ask::{Failed, Line};
use super::backoff::Backoff;
use super::feed::{Feed, STEP};
use super::intake::{Intake, Phase};
use super::{Carriage, Delivery, Message, SourceState, tty};
use crate::climate::quantity::Values;
use crate::config::Plan;
use crate::config::plan::PortPlan;
use crate::wire::Refusal;
use crate::wire::registers::{Registers, Span};
use crate::wire::rtu::exception;

/// The first wait before a port is opened again, and the longest.
const REOPEN: (Duration, Duration) = (Duration::from_millis(500), Duration::from_secs(30));
/// What a question to a silent unit cost is followed by this many times as long without another.
const SILENT_REST: u32 = 3;

/// One unit's place in the round.
struct Unit {
    probe: usize,
    registers: Registers,
    spans: Vec<Span>,
    every: Duration,
    next: Instant,
    /// It did not answer when it was asked last.
    silent: bool,
}

/// A port whose units are asked.
pub(super) struct Bus {
    plan: PortPlan,
    feed: Feed,
    units: Vec<Unit>,
    connection: u64,
    /// No silent unit is asked before.
    silent_from: Instant,
}

impl Bus {
    /// The port of the source at position `source`. Call it inside a tokio runtime.
    pub(super) fn new(
        plan: &Plan,
        source: usize,
        port: PortPlan,
        intake: Intake,
        phase: watch::Receiver<Phase>,
    ) -> Bus {
        let now = Instant::now();
        let probes = plan.probes.iter().zip(&plan.setup.probes).enumerate();
        let units = probes.filter(|(_, (probe, _))| probe.source == source).filter_map(|(at, (probe, setup))| {
            let registers = probe.registers.clone()?;
            let every = Duration::from_millis(u64::try_from(setup.every_ms).unwrap_or(1).max(1));
            Some(Unit { probe: at, spans: registers.spans(), registers, every, next: now, silent: false })
        });
        let units = units.collect();
        Bus { plan: port, feed: Feed::new(intake, phase), units, connection: 0, silent_from: now }
    }

    /// Asks until the daemon stops.
    pub(super) fn run(mut self) {
        let mut backoff = Backoff::new(None, REOPEN.0, REOPEN.1);
        let mut running = self.feed.tell(SourceState::Connecting, String::new());
        while running {
            let why = match tty::open(&self.plan, STEP) {
                Ok(mut device) => {
                    self.connection += 1;
                    if !self.feed.tell(SourceState::Connected, String::new()) {
                        return;
                    }
                    let Some(error) = self.rounds(device.as_mut()) else { return };
                    backoff.reset();
                    let how = match error.kind() {
                        Io::BrokenPipe => "it was unplugged".to_owned(),
                        _ => format!("it cannot be read ({error})"),
                    };
                    tty::gone(&self.plan.device, &how)
                }
                Err(why) => why,
            };
            running = self.feed.tell(SourceState::Away, why) && self.feed.rest(backoff.wait(rand::random()));
        }
    }

    /// Asks on one open device until it is gone; `None` when the daemon stops.
    fn rounds(&mut self, device: &mut dyn serialport::SerialPort) -> Option<std::io::Error> {
        let mut line = Line::new(device, self.plan.baud);
        loop {
            if self.feed.stopping() || !self.feed.tell_refusals() {
                return None;
            }
            let now = Instant::now();
            let Some(at) = self.due(now) else {
                let next =
                    self.units.iter().map(|unit| if unit.silent { unit.next.max(self.silent_from) } else { unit.next });
                let wait = next.min().map_or(STEP, |next| next.saturating_duration_since(now));
                std::thread::sleep(wait.min(STEP));
                continue;
            };
            match self.ask(&mut line, at) {
                Ok(true) => {}
                Ok(false) => return None,
                Err(error) => return Some(error),
            }
        }
    }

    /// Which unit is asked now: of those whose time has come the one that waits longest, silent ones
    /// only where their share allows.
    fn due(&self, now: Instant) -> Option<usize> {
        let due = self.units.iter().enumerate().filter(|(_, unit)| unit.next <= now);
        due.filter(|(_, unit)| !unit.silent || self.silent_from <= now)
            .min_by_key(|(_, unit)| unit.next)
            .map(|(at, _)| at)
    }

    /// Asks one unit for all it is to read. `Ok(false)` when the daemon stops.
    fn ask(&mut self, line: &mut Line<'_>, at: usize) -> Result<bool, std::io::Error> {
        let began = Instant::now();
        let unit = &mut self.units[at];
        // Behind by a whole period, it does not catch up in a burst.
        unit.next = (unit.next + unit.every).max(began);
        let tries = if unit.silent { 1 } else { unit.registers.tries };
        let patience = Duration::from_millis(u64::try_from(unit.registers.answer_within_ms).unwrap_or(1));
        let mut values: Values = [None; 4];
        let mut failed = None;
        for &span in &unit.spans {
            match ask_again(line, unit.registers.unit, span, patience, tries) {
                Ok(words) => unit.registers.read(span, &words, &mut values),
                Err(Failed::Gone(error)) => return Err(error),
                Err(why) => {
                    let silent = matches!(why, Failed::Silent);
                    failed = Some((span, why));
                    if silent {
                        break;
                    }
                }
            }
        }
        unit.silent = matches!(failed, Some((_, Failed::Silent)));
        if unit.silent {
            let now = Instant::now();
            self.silent_from = now + SILENT_REST * (now - began);
        }
        let (probe, number) = (unit.probe, unit.registers.unit);
        let by = format!("{} unit {number}", self.plan.device.display());
        let decoded = Registers::decoded(values).ok();
        let (refused, text) = match &failed {
            Some((span, why)) => {
                let (reason, text) = words(why, *span);
                (Some((Some(probe), reason)), text)
            }
            None => (None, "its registers".to_owned()),
        };
        let read: Vec<_> = decoded.map(|decoded| (probe, decoded)).into_iter().collect();
        self.feed.intake.seen(&by, text.as_bytes(), &read, refused);
        if let Some((probe, reason)) = refused {
            self.feed.intake.refuse(probe, reason, &by, text.as_bytes());
        }
        let Some(decoded) = decoded else { return Ok(true) };
        let received = (self.feed.intake.clock)();
        let carriage = Carriage { connection: self.connection, ..Carriage::default() };
        Ok(self.feed.deliver(Delivery::Message(Message { probe, decoded, received, carriage, receipt: None })))
    }
}

/// Asks up to `tries` times; what a unit says in full, exceptions other than "busy" included, is not asked again.
fn ask_again(line: &mut Line<'_>, unit: u8, span: Span, patience: Duration, tries: u32) -> Result<Vec<u16>, Failed> {
    let mut left = tries.max(1);
    loop {
        left -= 1;
        match line.ask(unit, span, patience) {
            // 5 and 6: it is at work on something else.
            Err(Failed::Exception(5 | 6) | Failed::Silent | Failed::Garbled | Failed::Stranger) if left > 0 => {}
            done => return done,
        }
    }
}

/// The reason for the counters, and in words.
fn words(why: &Failed, span: Span) -> (Refusal, String) {
    match why {
        Failed::Silent => {
            (Refusal::NoAnswer, "no answer; is it powered, and are unit, baud and parity right?".to_owned())
        }
        Failed::Exception(code) => {
            let table = match span.table {
                crate::wire::registers::Table::Input => "input",
                crate::wire::registers::Table::Holding => "holding",
            };
            let (address, count) = (span.address, span.count);
            let name = exception(*code);
            (
                Refusal::DeviceRefused,
                format!("it answered {name} (exception {code}) to {table} {address}, {count} registers"),
            )
        }
        Failed::Garbled => (Refusal::Checksum, "its answer does not fit its checksum".to_owned()),
        Failed::Stranger => (Refusal::Malformed, "an answer to another question came".to_owned()),
        Failed::Gone(error) => (Refusal::NoAnswer, error.to_string()),
    }
}
