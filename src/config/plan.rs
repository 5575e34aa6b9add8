//! The checked settings: what the rest of the program works from.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

pub use super::backup::BackupPlan;
use super::people::People;
use super::tls;
use crate::climate::{Quantity, Stamp};
use crate::grow::logbook::{Known, KnownProbe};
use crate::watch::setup::Setup;
use crate::wire::Recipe;
use crate::wire::registers::Registers;

pub use super::told::{Hush, MailPlan, MessengerPlan, MorningPlan, Privacy, SignOfLifePlan, Way};

/// Everything the config says, checked as a whole, paths made absolute.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The config file.
    pub file: PathBuf,
    /// The site's name.
    pub site: String,
    /// The site's zone: days and text are local, storage is UTC.
    pub timezone: chrono_tz::Tz,
    /// Metres above the sea, for the boiling point.
    pub altitude_m: Option<f64>,
    /// The store.
    pub store: StorePlan,
    /// Copies of the store, where they are wanted.
    pub backup: Option<BackupPlan>,
    /// The status endpoint.
    pub status: StatusPlan,
    /// Brokers, in the config's order.
    pub brokers: Vec<BrokerPlan>,
    /// Serial ports, in the config's order.
    pub ports: Vec<PortPlan>,
    /// Intakes, in the config's order.
    pub intakes: Vec<IntakePlan>,
    /// Sensors on the machine's own pins, in the config's order.
    pub locals: Vec<LocalPlan>,
    /// Probes, in the config's order; the same positions as `setup.probes`.
    pub probes: Vec<ProbePlan>,
    /// Messengers, in the config's order.
    pub messengers: Vec<MessengerPlan>,
    /// Time-series databases that are sent what is stored, in the config's order.
    pub forwards: Vec<ForwardPlan>,
    /// The morning list, where one is wanted.
    pub morning: Option<MorningPlan>,
    /// The sign of life, where one is wanted.
    pub sign_of_life: Option<SignOfLifePlan>,
    /// What the watches must know. Sources are the brokers, the ports, the intakes, the locals.
    pub setup: Setup,
}

impl Plan {
    /// What logbook entries may name, checked at `now`.
    pub fn known(&self, now: Stamp) -> Known {
        let setup = &self.setup;
        let air_of = |probe: usize| setup.spaces.iter().find(|space| space.air.contains(&probe));
        let probe = |(place, probe): (usize, &crate::watch::setup::ProbeSetup)| KnownProbe {
            name: probe.name.clone(),
            reads_temperature: probe.reads(Quantity::Temperature),
            reads_humidity: probe.reads(Quantity::Humidity),
            air_of: air_of(place).map(|space| space.name.clone()),
        };
        Known {
            now,
            timezone: self.timezone,
            cultures: setup.cultures.iter().map(|culture| culture.name.clone()).collect(),
            spaces: setup.spaces.iter().map(|space| space.name.clone()).collect(),
            probes: setup.probes.iter().enumerate().map(probe).collect(),
            anyway: false,
        }
    }
}

/// `[store]`
#[derive(Clone, Debug)]
pub struct StorePlan {
    /// The folder that holds the store's file.
    pub folder: PathBuf,
    /// The longest a sample waits for its commit.
    pub commit_every: Duration,
    /// How long samples are kept; their summaries stay. `None`: for ever.
    pub keep_raw: Option<Duration>,
}

/// `[status]`
#[derive(Clone, Debug)]
pub struct StatusPlan {
    /// Where it listens; port 0 is any free one. `None` without `[status]`: nothing listens.
    pub listen: Option<SocketAddr>,
    /// The token that a reader from elsewhere must show, for an address that is not loopback.
    pub token: Option<Secret>,
    /// Where the page is reached from elsewhere, without a slash at its end: what messages link to.
    pub address: Option<String>,
    /// Certificate chain and key, for TLS.
    pub tls: Option<tls::Shown>,
}

impl StatusPlan {
    /// `https` where it speaks TLS.
    pub fn scheme(&self) -> &'static str {
        if self.tls.is_some() { "https" } else { "http" }
    }
}

/// Text that must never appear in a log, a URL or the status.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(pub String);

impl std::fmt::Debug for Secret {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str("(secret)")
    }
}

/// `[[broker]]`
#[derive(Clone, Debug)]
pub struct BrokerPlan {
    /// Its name.
    pub name: String,
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// TLS, for `mqtts://`.
    pub tls: Option<BrokerTls>,
    /// User name.
    pub username: Option<String>,
    /// Password, read from its file.
    pub password: Option<Secret>,
    /// MQTT client identifier.
    pub client: String,
}

/// TLS of a broker, contents read from their files.
#[derive(Clone, Debug, Default)]
pub struct BrokerTls {
    /// PEM of the authorities to trust; `None`: the machine's own.
    pub ca_pem: Option<Vec<u8>>,
    /// PEM of the client's certificate chain and key.
    pub client_pem: Option<(Vec<u8>, Secret)>,
}

/// `[[intake]]`
#[derive(Clone, Debug)]
pub struct IntakePlan {
    /// Its name.
    pub name: String,
    /// Where it listens; port 0 is any free one.
    pub address: SocketAddr,
    /// Who may publish. `None`: whoever is on this machine, and nobody else.
    pub people: Option<People>,
    /// How soon a message is on disk and acknowledged.
    pub acknowledge_within: Duration,
    /// PEM of the certificate chain and of its key, for TLS.
    pub tls: Option<tls::Shown>,
}

/// `[[port]]`
#[derive(Clone, Debug, Default)]
pub struct PortPlan {
    /// Its name.
    pub name: String,
    /// The device's path, followed anew at each opening.
    pub device: PathBuf,
    /// Baud.
    pub baud: u32,
    /// The bit that makes each character's ones even or odd, if there is one.
    pub parity: Parity,
    /// Two stop bits instead of one.
    pub two_stop_bits: bool,
    /// Its units are asked by Modbus RTU; else it is read line by line.
    pub modbus: bool,
}

/// Parity of a serial line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Parity {
    /// No such bit.
    #[default]
    None,
    /// Even.
    Even,
    /// Odd.
    Odd,
}

/// `[[local]]`
#[derive(Clone, Debug)]
pub struct LocalPlan {
    /// Its name.
    pub name: String,
    /// Where the kernel shows its devices.
    pub path: PathBuf,
}

/// `[[probe]]`
#[derive(Clone, Debug, Default)]
pub struct ProbePlan {
    /// Its name.
    pub name: String,
    /// Position of its source in `setup.sources`.
    pub source: usize,
    /// MQTT topic filter, for a probe on a broker.
    pub topic: Option<String>,
    /// How its messages are read.
    pub recipe: Recipe,
    /// What is asked of it, on a port that speaks Modbus.
    pub registers: Option<Registers>,
    /// The kernel's device, on a `[[local]]`; the places of its recipe are channels.
    pub device: Option<String>,
}

/// `[[forward]]`
#[derive(Clone, Debug)]
pub struct ForwardPlan {
    /// Its name; its place in the history is kept under it.
    pub name: String,
    /// Where line protocol is posted, `http://` or `https://`.
    pub url: Secret,
    /// Further headers, read from `headers_file`.
    pub headers: Vec<(String, Secret)>,
    /// The unit of its time stamps, as its URL asks for.
    pub precision: Precision,
}

/// The unit of time stamps in line protocol.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Precision {
    /// Nanoseconds.
    #[default]
    Nanoseconds,
    /// Microseconds.
    Microseconds,
    /// Milliseconds.
    Milliseconds,
    /// Seconds.
    Seconds,
}
