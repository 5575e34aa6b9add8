//! The checked settings: what the rest of the program works from.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use crate::watch::alert::Severity;
use crate::watch::setup::Setup;
use crate::wire::Recipe;

/// Everything the config says, checked as a whole, paths made absolute.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The config file.
    pub file: PathBuf,
    /// The site's name.
    pub site: String,
    /// The site's zone: days and text are local, storage is UTC.
    pub timezone: chrono_tz::Tz,
    /// The store.
    pub store: StorePlan,
    /// The status endpoint.
    pub status: StatusPlan,
    /// Brokers, in the config's order.
    pub brokers: Vec<BrokerPlan>,
    /// Serial ports, in the config's order.
    pub ports: Vec<PortPlan>,
    /// Probes, in the config's order; the same positions as `setup.probes`.
    pub probes: Vec<ProbePlan>,
    /// Messengers, in the config's order.
    pub messengers: Vec<MessengerPlan>,
    /// Time-series databases that are sent what is stored, in the config's order.
    pub forwards: Vec<ForwardPlan>,
    /// What the watches must know. Sources are the brokers, then the ports.
    pub setup: Setup,
}

/// `[store]`
#[derive(Clone, Debug)]
pub struct StorePlan {
    /// The folder that holds the store's file.
    pub folder: PathBuf,
    /// The longest a sample waits for its commit.
    pub commit_every: Duration,
}

/// `[status]`
#[derive(Clone, Debug)]
pub struct StatusPlan {
    /// Where it listens; port 0 is any free one. `None` without `[status]`: nothing listens.
    pub listen: Option<SocketAddr>,
    /// The token that a reader from elsewhere must show, for an address that is not loopback.
    pub token: Option<Secret>,
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

/// `[[port]]`
#[derive(Clone, Debug)]
pub struct PortPlan {
    /// Its name.
    pub name: String,
    /// The device's path, followed anew at each opening.
    pub device: PathBuf,
    /// Baud.
    pub baud: u32,
}

/// `[[probe]]`
#[derive(Clone, Debug)]
pub struct ProbePlan {
    /// Its name.
    pub name: String,
    /// Position of its source in `setup.sources`.
    pub source: usize,
    /// MQTT topic filter, for a probe on a broker.
    pub topic: Option<String>,
    /// How its messages are read.
    pub recipe: Recipe,
}

/// `[[messenger]]`
#[derive(Clone, Debug)]
pub struct MessengerPlan {
    /// Its name.
    pub name: String,
    /// What is told through it.
    pub at_least: Severity,
    /// How it is told.
    pub way: Way,
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

/// How a messenger delivers.
#[derive(Clone, Debug)]
pub enum Way {
    /// An HTTP POST of the alert as JSON.
    Webhook {
        /// `http://` or `https://`.
        url: Secret,
        /// Further headers, read from `headers_file`.
        headers: Vec<(String, Secret)>,
    },
}
