//! Modbus RTU through the built program, against an independent slave (pymodbus) over pseudo-terminals,
//! with each fault of a real line switched on.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use harness::daemon::{Daemon, Site, named};
use harness::{PATIENCE, python, wait_until};

/// The slave as a process of its own.
struct Slave {
    child: Child,
    commands: ChildStdin,
    said: Arc<Mutex<Vec<String>>>,
}

impl Slave {
    fn start(link: &Path) -> Slave {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/modbus/slave.py");
        let mut child =
            Command::new(python()).arg(script).arg(link).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let said = Arc::new(Mutex::new(Vec::new()));
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let heard = Arc::clone(&said);
        std::thread::spawn(move || lines.map_while(Result::ok).for_each(|line| heard.lock().unwrap().push(line)));
        let commands = child.stdin.take().unwrap();
        let slave = Slave { child, commands, said };
        wait_until(PATIENCE, "the slave is there", || slave.said().iter().any(|line| line == "ready"));
        slave
    }

    fn said(&self) -> Vec<String> {
        self.said.lock().unwrap().clone()
    }

    /// Switches a fault on; what was said before is forgotten.
    fn fault(&mut self, name: &str, unit: u8, seconds: f64) {
        self.said.lock().unwrap().clear();
        writeln!(self.commands, "fault {name} {unit} {seconds}").unwrap();
        wait_until(PATIENCE, "the fault is on", || self.said().iter().any(|line| line == "done"));
    }

    /// How often `unit` was asked since the last fault.
    fn asked(&self, unit: u8) -> usize {
        let start = format!("asked {unit} ");
        self.said().iter().filter(|line| line.starts_with(&start)).count()
    }
}

impl Drop for Slave {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn site(probes: &str) -> (Site, Slave) {
    let site = Site::new("");
    let link = site.folder.path().join("line");
    let slave = Slave::start(&link);
    site.write_config(&format!(
        "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\ncommit_every = \"100ms\"\n\
         [status]\nlisten = \"127.0.0.1:0\"\n\
         [[port]]\nname = \"line\"\ndevice = {link:?}\nbaud = 19200\nprotocol = \"modbus\"\n{probes}"
    ));
    (site, slave)
}

fn probe(name: &str, unit: u8, every: &str, more: &str) -> String {
    format!(
        "[[probe]]\nname = \"{name}\"\nfrom = \"line\"\nunit = {unit}\nevery = \"{every}\"\n{more}\n\
         reads = {{ temperature = {{ input = 1, kind = \"i16\", scale = 0.1 }}, humidity = {{ input = 2, kind = \"u16\", scale = 0.1 }} }}\n"
    )
}

fn samples(daemon: &Daemon, name: &str) -> u64 {
    named(&daemon.status(), "probes", name)["samples"].as_u64().unwrap_or(0)
}

/// The refusals of one reason, as the metrics count them.
fn refused(daemon: &Daemon, reason: &str) -> f64 {
    let (_, _, body) = daemon.get("/metrics");
    let wanted = format!("reason=\"{reason}\"");
    let lines =
        body.lines().filter(|line| line.starts_with("tubwatch_samples_refused_total") && line.contains(&wanted));
    lines.filter_map(|line| line.rsplit(' ').next()?.parse::<f64>().ok()).sum()
}

/// So many more samples of `name`, and that each temperature stored is one of `expected`.
fn goes_on(site: &Site, daemon: &Daemon, name: &str, more: u64, expected: &[&str]) {
    let before = samples(daemon, name);
    wait_until(PATIENCE, "it goes on", || samples(daemon, name) >= before + more);
    let query = format!(
        "SELECT DISTINCT temperature FROM sample JOIN probe ON probe.id = sample.probe WHERE probe.name = '{name}'"
    );
    for row in site.query(&query) {
        assert!(expected.contains(&row[0].as_str()), "{name}: {row:?}");
    }
}

#[test]
fn every_kind_of_register_is_read() {
    let mut text = probe("air", 1, "100ms", "");
    text += "[[probe]]\nname = \"float\"\nfrom = \"line\"\nunit = 2\nevery = \"100ms\"\n\
             reads = { temperature = { input = 10, kind = \"f32\", order = \"little\" }, co2 = { holding = 0, kind = \"u32\", scale = 0.01 } }\n";
    text += "[[probe]]\nname = \"cold\"\nfrom = \"line\"\nunit = 3\nevery = \"100ms\"\n\
             reads = { temperature = { input = 20, kind = \"i16\", scale = 0.1, offset = 1.0 } }\n";
    let (site, slave) = site(&text);
    let shown = site.ok(&["check"]);
    assert!(shown.contains("asked by Modbus RTU") && shown.contains("unit 1 asked by 1 request,"), "{shown}");
    assert!(shown.contains("unit 2 asked by 2 requests"), "{shown}");
    let daemon = site.run();
    let status = daemon.status_when("all read", |status| {
        ["air", "float", "cold"].iter().all(|name| named(status, "probes", name)["samples"].as_u64() >= Some(2))
    });
    let readings = |name: &str| named(&status, "probes", name)["readings"].clone();
    assert_eq!(readings("air"), serde_json::json!({"temperature_c": 23.1, "humidity_pct": 88.1}));
    assert_eq!(readings("float"), serde_json::json!({"temperature_c": 23.5, "co2_ppm": 700.0}));
    assert_eq!(readings("cold"), serde_json::json!({"temperature_c": -4.5}));
    let co2 = "SELECT DISTINCT co2 FROM sample WHERE co2 IS NOT NULL";
    assert_eq!(site.query(co2), [["700.02"]]);
    // Neighbours in one request.
    assert!(slave.said().iter().any(|line| line == "asked 1 4 1 2"));
    assert!(
        slave.said().iter().any(|line| line == "asked 2 3 0 2")
            && slave.said().iter().any(|line| line == "asked 2 4 10 2")
    );
    assert!(daemon.terminate().0.success());
}

#[test]
fn no_fault_of_the_line_gives_a_wrong_reading() {
    let patience = "answer_within = \"150ms\"";
    let text = probe("one", 1, "150ms", patience) + &probe("two", 2, "150ms", patience);
    let (site, mut slave) = site(&text);
    let daemon = site.run();
    let (one, two) = (["23.1"], ["23.2"]);
    goes_on(&site, &daemon, "one", 2, &one);
    for (name, reason) in
        [("crc", "checksum"), ("cut", "checksum"), ("only-stranger", "malformed"), ("mute", "no-answer")]
    {
        slave.fault(name, 1, 0.0);
        let before = refused(&daemon, reason);
        wait_until(PATIENCE, name, || refused(&daemon, reason) > before);
        // The other unit goes on meanwhile, with its own values.
        goes_on(&site, &daemon, "two", 2, &two);
        slave.fault("none", 0, 0.0);
        goes_on(&site, &daemon, "one", 2, &one);
    }
    // What a good master takes in its stride.
    for name in ["echo", "noise", "stranger"] {
        slave.fault(name, 0, 0.0);
        goes_on(&site, &daemon, "one", 2, &one);
        goes_on(&site, &daemon, "two", 2, &two);
    }
    // Later than the patience, earlier than its double: the answers to earlier questions are on the way
    // while the next is asked.
    slave.fault("late", 1, 0.2);
    let before = refused(&daemon, "no-answer") + refused(&daemon, "checksum") + refused(&daemon, "malformed");
    wait_until(PATIENCE, "late", || {
        refused(&daemon, "no-answer") + refused(&daemon, "checksum") + refused(&daemon, "malformed") > before + 1.0
    });
    goes_on(&site, &daemon, "two", 3, &two);
    slave.fault("none", 0, 0.0);
    goes_on(&site, &daemon, "one", 2, &one);
    goes_on(&site, &daemon, "two", 2, &two);
    assert!(daemon.terminate().0.success());
}

#[test]
fn exceptions_are_told_by_name() {
    let (site, _slave) = site(&probe("one", 1, "200ms", "").replace("input = 2", "input = 500"));
    let daemon = site.run();
    wait_until(PATIENCE, "the exception is logged", || {
        daemon
            .log_lines()
            .iter()
            .any(|line| line.contains("illegal data address (exception 2) to input 500, 1 registers"))
    });
    wait_until(PATIENCE, "and counted", || refused(&daemon, "device-refused") >= 1.0);
    // The register that is there is read all the same.
    goes_on(&site, &daemon, "one", 2, &["23.1"]);
}

#[test]
fn a_dead_unit_costs_the_others_no_more_than_its_share() {
    let mut text = probe("one", 1, "100ms", "");
    for (at, dead) in [40, 41, 42].iter().enumerate() {
        text += &probe(&format!("dead-{at}"), *dead, "100ms", "answer_within = \"100ms\"\ntries = 3");
    }
    let (site, mut slave) = site(&text);
    let daemon = site.run();
    goes_on(&site, &daemon, "one", 5, &["23.1"]);
    // Timed from before the first is counted until after the last: holds however slowly either side runs.
    let began = Instant::now();
    slave.fault("none", 0, 0.0);
    wait_until(PATIENCE, "asked forty times", || slave.asked(1) >= 40);
    let dead: usize = [40, 41, 42].iter().map(|unit| slave.asked(*unit)).sum();
    let took = began.elapsed();
    // A question to a dead unit takes 0.2 s and more, and at most a quarter of the line's time is theirs.
    let most = took.as_secs_f64() / 4.0 / 0.2 + 2.0;
    assert!(dead >= 1 && dead as f64 <= most, "{dead} questions to dead units in {took:?}, at most {most}");
    assert!([40, 41, 42].iter().all(|unit| slave.asked(*unit) > 0), "each has its turn");
}

#[test]
fn a_line_that_goes_and_comes_back_is_read_again() {
    let (site, slave) = site(&probe("one", 1, "100ms", ""));
    let link = site.folder.path().join("line");
    let daemon = site.run();
    goes_on(&site, &daemon, "one", 2, &["23.1"]);
    drop(slave);
    std::fs::remove_file(&link).unwrap();
    daemon.status_when("away", |status| named(status, "sources", "line")["state"] == "away");
    let _slave = Slave::start(&link);
    daemon.status_when("back", |status| named(status, "sources", "line")["state"] == "connected");
    goes_on(&site, &daemon, "one", 2, &["23.1"]);
    assert!(daemon.terminate().1 < Duration::from_secs(5));
}
