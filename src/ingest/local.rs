//! Sensors on the machine's own pins, which the kernel reads: 1-wire thermometers and industrial I/O.
//!
//! One blocking thread a `[[local]]`. In: which probe is which device, how often it is read. Out:
//! messages, refusals, whether any device is there at all. Left out: loading drivers.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use tokio::sync::watch;

use super::feed::{Feed, STEP};
use super::intake::{Intake, Phase};
use super::{Carriage, Delivery, Message, SourceState};
use crate::climate::Quantity;
use crate::climate::quantity::Values;
use crate::config::Plan;
use crate::config::plan::LocalPlan;
use crate::wire::sysfs::{self, Channel};
use crate::wire::{Decoded, Refusal};

/// The most of an attribute that is read: the kernel gives a page at most.
const ATTRIBUTE_BYTES_MAX: u64 = 4096;
/// Devices looked through for one of a name.
const DEVICES_MAX: usize = 256;

/// One probe's place in the round.
struct Sensor {
    probe: usize,
    device: String,
    channels: [Option<String>; 4],
    every: Duration,
    next: Instant,
    there: bool,
}

/// The sensors of one `[[local]]`.
pub(super) struct Local {
    plan: LocalPlan,
    feed: Feed,
    sensors: Vec<Sensor>,
}

/// Why a sensor was not read: the reason, and in words.
type Failed = (Refusal, String);

impl Local {
    /// The source at position `source`. Call it inside a tokio runtime.
    pub(super) fn new(
        plan: &Plan,
        source: usize,
        local: LocalPlan,
        intake: Intake,
        phase: watch::Receiver<Phase>,
    ) -> Local {
        let now = Instant::now();
        let probes = plan.probes.iter().zip(&plan.setup.probes).enumerate();
        let sensors = probes.filter(|(_, (probe, _))| probe.source == source).map(|(at, (probe, setup))| Sensor {
            probe: at,
            device: probe.device.clone().unwrap_or_default(),
            channels: probe.recipe.reads.clone(),
            every: Duration::from_millis(u64::try_from(setup.every_ms).unwrap_or(1).max(1)),
            next: now,
            there: true,
        });
        Local { plan: local, sensors: sensors.collect(), feed: Feed::new(intake, phase) }
    }

    /// Reads until the daemon stops.
    pub(super) fn run(mut self) {
        if !self.feed.tell(SourceState::Connecting, String::new()) {
            return;
        }
        while !self.feed.stopping() && self.feed.tell_refusals() {
            let now = Instant::now();
            let due = self.sensors.iter_mut().enumerate().filter(|(_, sensor)| sensor.next <= now);
            let Some((at, sensor)) = due.min_by_key(|(_, sensor)| sensor.next) else {
                let next = self.sensors.iter().map(|sensor| sensor.next).min();
                std::thread::sleep(next.map_or(STEP, |next| next.saturating_duration_since(now)).min(STEP));
                continue;
            };
            // Behind by a whole period, it does not catch up in a burst.
            sensor.next = (sensor.next + sensor.every).max(now);
            if !self.read(at) || !self.tell_state() {
                return;
            }
        }
    }

    /// Reads one sensor and hands it on. False when the daemon stops.
    fn read(&mut self, at: usize) -> bool {
        let sensor = &mut self.sensors[at];
        let probe = sensor.probe;
        let outcome = folder(&self.plan.path, &sensor.device).and_then(|folder| values(&folder, &sensor.channels));
        sensor.there = !matches!(&outcome, Err((Refusal::NoAnswer, _)));
        let by = format!("{}: {}", self.plan.name, sensor.device);
        match outcome {
            Ok(values) => {
                let decoded = Decoded { time: None, values };
                self.feed.intake.seen(&by, b"its attributes", &[(probe, decoded)], None);
                let received = (self.feed.intake.clock)();
                let carriage = Carriage { connection: 1, ..Carriage::default() };
                self.feed.deliver(Delivery::Message(Message { probe, decoded, received, carriage, receipt: None }))
            }
            Err((reason, text)) => {
                self.feed.intake.seen(&by, text.as_bytes(), &[], Some((Some(probe), reason)));
                self.feed.intake.refuse(Some(probe), reason, &by, text.as_bytes());
                true
            }
        }
    }

    /// Tells whether any device is there. False when the daemon stops.
    fn tell_state(&mut self) -> bool {
        if self.sensors.iter().any(|sensor| sensor.there) {
            return self.feed.tell(SourceState::Connected, String::new());
        }
        let why = format!(
            "no device of its probes is under {}; is the sensor connected, and the kernel's driver for it loaded?",
            self.plan.path.join("bus").display()
        );
        self.feed.tell(SourceState::Away, why)
    }
}

/// The folder of `device`: a 1-wire identifier, an industrial I/O folder, or the name such a one gives itself.
fn folder(root: &Path, device: &str) -> Result<PathBuf, Failed> {
    let one_wire = root.join("bus/w1/devices").join(device);
    if one_wire.is_dir() {
        return Ok(one_wire);
    }
    let devices = root.join("bus/iio/devices");
    let by_folder = devices.join(device);
    if by_folder.is_dir() {
        return Ok(by_folder);
    }
    let listed = std::fs::read_dir(&devices).into_iter().flatten().flatten().take(DEVICES_MAX);
    let mut named: Vec<PathBuf> = listed
        .map(|entry| entry.path())
        .filter(|path| attribute(&path.join("name")).is_some_and(|name| name.trim() == device))
        .collect();
    named.sort();
    let missing = || {
        (
            Refusal::NoAnswer,
            format!("there is no device {device}; ls {} shows which are", root.join("bus/w1/devices").display()),
        )
    };
    match named.len() {
        0 => Err(missing()),
        1 => Ok(named.remove(0)),
        _ => Err((
            Refusal::Malformed,
            format!("several devices are called {device}; name its folder, such as iio:device0"),
        )),
    }
}

/// What the channels of the device in `folder` read.
fn values(folder: &Path, channels: &[Option<String>; 4]) -> Result<Values, Failed> {
    let mut values: Values = [None; 4];
    for quantity in Quantity::ALL {
        if let Some(channel) = &channels[quantity.index()] {
            values[quantity.index()] = Some(value(folder, channel)?);
        }
    }
    Ok(values)
}

fn value(folder: &Path, channel: &str) -> Result<f64, Failed> {
    let failed = |reason| {
        let text = match reason {
            Refusal::Checksum => "its checksum does not fit: cable, connector or pull-up".to_owned(),
            _ => format!("{channel} cannot be read as the kernel's ABI has it"),
        };
        (reason, text)
    };
    if let Some(text) = attribute(&folder.join("w1_slave")) {
        return sysfs::one_wire(&text).map_err(failed);
    }
    let of = |ending: &str| attribute(&folder.join(format!("{channel}_{ending}")));
    let channel_of = Channel(channel);
    if let Some(text) = of("input") {
        return channel_of.input(&text).map_err(failed);
    }
    let Some(raw) = of("raw") else {
        return Err((Refusal::NoAnswer, format!("{} gives no {channel}", folder.display())));
    };
    channel_of.raw(&raw, of("offset").as_deref(), of("scale").as_deref()).map_err(failed)
}

/// The text of an attribute; `None` where it is not there, or the device does not answer the kernel.
fn attribute(path: &Path) -> Option<String> {
    let mut text = String::new();
    File::open(path).ok()?.take(ATTRIBUTE_BYTES_MAX).read_to_string(&mut text).ok()?;
    (!text.trim().is_empty()).then_some(text)
}
