//! What tests of the sources stand on: a real broker as a process of its own, pseudo-terminals behind
//! a stable path, a plan made by hand, and waiting for a condition instead of sleeping.
#![allow(dead_code, clippy::unwrap_used, clippy::panic)]

pub mod configs;
pub mod daemon;
pub mod ear;
pub mod farm;
pub mod post_office;
pub mod sink;

use std::io::Write;
use std::net::{TcpListener, TcpStream};
use std::os::fd::AsRawFd;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime};

use nix::fcntl::{FcntlArg, FdFlag, fcntl};
use rumqttc::{Client, Event, Incoming, MqttOptions, Outgoing, QoS};
use serialport::{SerialPort, TTYPort};
use tempfile::TempDir;
use tubwatch::climate::Stamp;
use tubwatch::config::Plan;
use tubwatch::config::plan::{BrokerPlan, PortPlan, ProbePlan, StatusPlan, StorePlan};
use tubwatch::ingest::Clock;
use tubwatch::watch::setup::{ProbeSetup, Setup, SourceSetup};
use tubwatch::wire::{Format, Recipe};

/// How long a condition may take on a busy machine.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// Waits until `condition` holds; panics with `what` when it does not within `patience`.
pub fn wait_until(patience: Duration, what: &str, mut condition: impl FnMut() -> bool) {
    let deadline = Instant::now() + patience;
    while !condition() {
        assert!(Instant::now() < deadline, "{what}: not within {patience:?}");
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// The machine's clock, ms since 1970.
pub fn now_ms() -> i64 {
    i64::try_from(SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap().as_millis()).unwrap()
}

/// A moment in ms since 1970, as text.
pub fn rfc3339(ms: i64) -> String {
    chrono::DateTime::from_timestamp_millis(ms).unwrap().to_rfc3339()
}

/// A mosquitto of its own, its files in a folder of its own.
pub struct Mosquitto {
    folder: TempDir,
    port: u16,
    child: Option<Child>,
}

impl Mosquitto {
    /// Starts one that lets everybody in and forgets nothing.
    pub fn start() -> Mosquitto {
        Mosquitto::start_with("allow_anonymous true\n", |_| {})
    }

    /// Starts one with `settings` in its config instead of `allow_anonymous true`; `prepare` may write
    /// files into its folder first. `{folder}` in the settings is that folder.
    pub fn start_with(settings: &str, prepare: impl FnOnce(&Path)) -> Mosquitto {
        let folder = TempDir::new().unwrap();
        prepare(folder.path());
        let port = free_port();
        let mut broker = Mosquitto { folder, port, child: None };
        let settings = settings.replace("{folder}", &broker.folder.path().display().to_string());
        // Started by root it would otherwise become another user, who may not write here.
        let user = if is_root() { "user root\n" } else { "" };
        let config = format!(
            "{user}persistence true\npersistence_location {}/\nmax_queued_messages 0\nmax_inflight_messages 1000\nset_tcp_nodelay true\n\
             per_listener_settings false\nlog_dest none\nlistener {port} 127.0.0.1\n{settings}",
            broker.folder.path().display(),
        );
        std::fs::write(broker.folder.path().join("mosquitto.conf"), config).unwrap();
        broker.launch();
        broker
    }

    /// Its port on 127.0.0.1.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Its folder.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Ends it properly: it saves its sessions.
    pub fn stop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let killed = Command::new("kill").args(["-TERM", &child.id().to_string()]).status().unwrap();
            assert!(killed.success());
            child.wait().unwrap();
        }
    }

    /// Ends it as a power cut would.
    pub fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            child.kill().unwrap();
            child.wait().unwrap();
        }
    }

    /// Starts it again with the same port, config and files.
    pub fn restart(&mut self) {
        self.stop();
        self.launch();
    }

    fn launch(&mut self) {
        let child = Command::new(mosquitto())
            .arg("-c")
            .arg(self.folder.path().join("mosquitto.conf"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto does not start: install it (Debian: mosquitto)");
        self.child = Some(child);
        wait_until(PATIENCE, "mosquitto listens", || {
            let ended = self.child.as_mut().unwrap().try_wait().unwrap();
            assert!(ended.is_none(), "mosquitto ended at once ({ended:?}); its config is in {:?}", self.folder);
            TcpStream::connect(("127.0.0.1", self.port)).is_ok()
        });
    }

    /// Publishes one message and, with QoS 1, waits until the broker has it.
    pub fn publish(&self, topic: &str, payload: impl Into<Vec<u8>>, qos: u8, retain: bool) {
        self.publish_many([(topic.to_owned(), payload.into())], qos, retain);
    }

    /// Publishes messages in order over one connection and waits until the broker has them.
    pub fn publish_many(&self, messages: impl IntoIterator<Item = (String, Vec<u8>)>, qos: u8, retain: bool) {
        self.publish_beside(messages, qos, retain).join().unwrap();
    }

    /// As [`Mosquitto::publish_many`], beside what the test does meanwhile; joined, the broker has them.
    pub fn publish_beside(
        &self,
        messages: impl IntoIterator<Item = (String, Vec<u8>)>,
        qos: u8,
        retain: bool,
    ) -> std::thread::JoinHandle<()> {
        let qos = if qos == 0 { QoS::AtMostOnce } else { QoS::AtLeastOnce };
        let mut options = MqttOptions::new(unique("publisher"), "127.0.0.1", self.port);
        options.set_max_packet_size(64 << 20, 64 << 20);
        options.set_inflight(100);
        let messages: Vec<_> = messages.into_iter().collect();
        // A thread of its own: the client brings its own runtime, and tests run inside one.
        std::thread::spawn(move || publish_all(options, messages, qos, retain))
    }
}

/// Publishes `messages` in order and returns once the broker has them all.
fn publish_all(options: MqttOptions, messages: Vec<(String, Vec<u8>)>, qos: QoS, retain: bool) {
    let (client, mut connection) = Client::new(options, 64);
    // Small packets must not wait for the broker's acknowledgement of the one before.
    let mut network = connection.eventloop.network_options();
    network.set_tcp_nodelay(true);
    connection.eventloop.set_network_options(network);
    let mut left = messages.len();
    let sender = std::thread::spawn(move || {
        for (topic, payload) in messages {
            client.publish(topic, qos, retain, payload).unwrap();
        }
        client
    });
    while left > 0 {
        match connection.recv().unwrap() {
            Ok(Event::Incoming(Incoming::PubAck(_))) => left -= 1,
            Ok(Event::Outgoing(Outgoing::Publish(_))) if qos == QoS::AtMostOnce => left -= 1,
            Ok(_) => {}
            Err(error) => panic!("the broker took not all that was published ({left} left): {error}"),
        }
    }
    let client = sender.join().unwrap();
    client.disconnect().unwrap();
    while !matches!(connection.recv(), Ok(Ok(Event::Outgoing(Outgoing::Disconnect)) | Err(_)) | Err(_)) {}
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        self.kill();
    }
}

/// The broker's program: Debian puts it where only root's path looks.
fn mosquitto() -> PathBuf {
    let debian = PathBuf::from("/usr/sbin/mosquitto");
    if debian.exists() { debian } else { PathBuf::from("mosquitto") }
}

/// A plugin that comes with the broker, in the folder of whichever machine this is.
pub fn broker_plugin(name: &str) -> PathBuf {
    let folders = ["/usr/lib", "/usr/local/lib", "/opt/homebrew/lib"].map(Path::new);
    let deeper = folders.into_iter().flat_map(|folder| folder.read_dir().into_iter().flatten().flatten());
    let deeper = deeper.map(|entry| entry.path());
    let all = folders.into_iter().map(Path::to_owned).chain(deeper);
    all.map(|folder| folder.join(name)).find(|file| file.exists()).expect("the broker's plugin is installed with it")
}

fn is_root() -> bool {
    let id = Command::new("id").arg("-u").output().unwrap();
    id.stdout.trim_ascii() == b"0"
}

/// A port of 127.0.0.1 that nobody uses right now, below those that the system gives to clients: so
/// that none of them takes it while a broker restarts.
pub fn free_port() -> u16 {
    let ports = std::iter::repeat_with(|| rand::random_range(10_000..32_000_u16)).take(1_000);
    let mut free = ports.filter(|port| TcpListener::bind(("127.0.0.1", *port)).is_ok());
    free.next().expect("one port in a thousand is free")
}

/// A name that no other test uses.
pub fn unique(what: &str) -> String {
    format!("{what}-{}-{:x}", std::process::id(), rand::random::<u64>())
}

/// A pseudo-terminal behind a symbolic link, as a serial device behind its stable name.
pub struct Wire {
    _folder: TempDir,
    path: PathBuf,
    /// The device's end, and the other, held open so that bytes wait for a reader.
    ends: Option<(TTYPort, TTYPort)>,
}

impl Wire {
    /// A stable path with nothing plugged in.
    pub fn empty() -> Wire {
        let folder = TempDir::new().unwrap();
        let path = folder.path().join("probe");
        Wire { _folder: folder, path, ends: None }
    }

    /// A stable path with a device behind it.
    pub fn plugged() -> Wire {
        let mut wire = Wire::empty();
        wire.plug();
        wire
    }

    /// The stable path.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Plugs a new device in: the path leads to another terminal than before.
    pub fn plug(&mut self) {
        self.unplug();
        let ends = TTYPort::pair().unwrap();
        // A program that a test starts must not hold the device's end open: unplugging would go unnoticed.
        for end in [&ends.0, &ends.1] {
            fcntl(end.as_raw_fd(), FcntlArg::F_SETFD(FdFlag::FD_CLOEXEC)).unwrap();
        }
        std::os::unix::fs::symlink(ends.1.name().unwrap(), &self.path).unwrap();
        self.ends = Some(ends);
    }

    /// Pulls the device out; the path is gone too.
    pub fn unplug(&mut self) {
        if self.ends.take().is_some() {
            std::fs::remove_file(&self.path).unwrap();
        }
    }

    /// Sends bytes from the device, as it has room.
    pub fn send(&mut self, bytes: impl AsRef<[u8]>) {
        let (end, _) = self.ends.as_mut().expect("a device is plugged in");
        let deadline = Instant::now() + PATIENCE;
        let mut rest = bytes.as_ref();
        while !rest.is_empty() {
            match end.write(rest) {
                Ok(sent) => rest = &rest[sent..],
                Err(error) if error.kind() == std::io::ErrorKind::TimedOut => {
                    assert!(Instant::now() < deadline, "nobody reads the terminal");
                }
                Err(error) => panic!("the terminal takes no bytes: {error}"),
            }
        }
    }
}

/// A recipe that reads the temperature at `at`.
pub fn reads_temperature(format: Format, at: &str) -> Recipe {
    Recipe { format, reads: [Some(at.to_owned()), None, None, None], ..Recipe::default() }
}

/// A plan with nothing in it but sources and probes.
pub fn plan(brokers: Vec<BrokerPlan>, ports: Vec<PortPlan>, probes: Vec<ProbePlan>) -> Plan {
    let sources = brokers.iter().map(|broker| SourceSetup { name: broker.name.clone(), kind: "broker" });
    let sources = sources.chain(ports.iter().map(|port| SourceSetup { name: port.name.clone(), kind: "port" }));
    let setup = Setup {
        sources: sources.collect(),
        probes: probes
            .iter()
            .map(|probe| ProbeSetup {
                name: probe.name.clone(),
                source: probe.source,
                every_ms: 10_000,
                reads: std::array::from_fn(|at| probe.recipe.reads[at].is_some()),
                correction: Default::default(),
            })
            .collect(),
        ..Setup::default()
    };
    Plan {
        file: PathBuf::from("tubwatch.toml"),
        site: "test".to_owned(),
        timezone: chrono_tz::UTC,
        altitude_m: None,
        backup: None,
        store: StorePlan { folder: PathBuf::from("state"), commit_every: Duration::from_secs(10), keep_raw: None },
        status: StatusPlan { listen: None, token: None, address: None, tls: None },
        brokers,
        ports,
        intakes: Vec::new(),
        locals: Vec::new(),
        probes,
        messengers: Vec::new(),
        forwards: Vec::new(),
        morning: None,
        sign_of_life: None,
        setup,
    }
}

/// A broker on this machine, with a client identifier of its own.
pub fn broker(port: u16) -> BrokerPlan {
    BrokerPlan {
        name: "house".to_owned(),
        host: "127.0.0.1".to_owned(),
        port,
        tls: None,
        username: None,
        password: None,
        client: unique("tubwatch"),
    }
}

/// A probe on the source at position `source`.
pub fn probe(name: &str, source: usize, topic: Option<&str>, recipe: Recipe) -> ProbePlan {
    ProbePlan { name: name.to_owned(), source, topic: topic.map(str::to_owned), recipe, ..ProbePlan::default() }
}

/// The machine's clock.
pub fn clock() -> Clock {
    Arc::new(|| Stamp(now_ms()))
}

/// The interpreter with the packages of `tests/python.txt`.
pub fn python() -> PathBuf {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/python/bin/python");
    assert!(path.exists(), "{} is not there: tests/run makes it", path.display());
    path
}
