//! Hostile bytes through the built program: floods, endless lines, garbage, huge and deep payloads, while
//! another probe's alert must still come and memory must stay within its bound.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stderr)]

mod harness;

use std::fs::Permissions;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::Path;
use std::process::Command;
use std::time::SystemTime;

use harness::daemon::{Daemon, Site, named};
use harness::{Mosquitto, PATIENCE, Wire, wait_until};
use serde_json::Value;

/// What the daemon may hold more at its worst than before, KiB: the broker client's largest packet twice
/// (2 MiB), a queue of 256 deliveries, the lines in the writer's hands, and the allocator's slack. Twenty times
/// the whole of what one message may be.
const MORE_KIB: u64 = 40 * 1024;

fn peak_kib(daemon: &Daemon) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{}/status", daemon.pid())).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

fn site(noisy: &Wire, good: &Wire, broker: &Mosquitto) -> Site {
    let probe = |name: &str, more: &str| {
        format!(
            "[[probe]]\nname = \"{name}\"\nformat = \"json\"\nreads = {{ temperature = \"/t\" }}\nevery = \"1s\"\n{more}\n"
        )
    };
    Site::new(&format!(
        "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\ncommit_every = \"200ms\"\n\
         [status]\nlisten = \"127.0.0.1:0\"\n\
         [[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:{}\"\n\
         [[port]]\nname = \"noisy\"\ndevice = {:?}\n[[port]]\nname = \"good\"\ndevice = {:?}\n\
         {}{}{}[[space]]\nname = \"shelf\"\nair = [\"loud\"]\n",
        broker.port(),
        noisy.path(),
        good.path(),
        probe("loud", "from = \"noisy\""),
        probe("core", "from = \"good\"\ntime = { at = \"/ts\", unit = \"ms\" }"),
        probe("far", "from = \"house\"\ntopic = \"tent/#\""),
    ))
}

fn now_ms() -> u128 {
    SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap().as_millis()
}

fn raised(status: &Value) -> bool {
    let alerts = status["alerts"].as_array().unwrap();
    alerts.iter().any(|alert| alert["watch"] == "core-temperature" && alert["severity"] == "critical")
}

fn refused(daemon: &Daemon, source: &str, reason: &str) -> f64 {
    let (_, _, body) = daemon.get("/metrics");
    let (source, reason) = (format!("source=\"{source}\""), format!("reason=\"{reason}\""));
    let line =
        body.lines().find(|line| line.contains("refused_total") && line.contains(&source) && line.contains(&reason));
    line.and_then(|line| line.rsplit(' ').next()?.parse().ok()).unwrap_or(0.0)
}

#[test]
fn floods_and_garbage_hold_up_no_alert_and_fill_no_memory() {
    let (mut noisy, mut good) = (Wire::plugged(), Wire::plugged());
    let broker = Mosquitto::start();
    let site = site(&noisy, &good, &broker);
    site.ok(&["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf", "--core", "core"]);
    let daemon = site.run();
    daemon.status_when("open", |status| {
        ["noisy", "good", "house"].iter().all(|name| named(status, "sources", name)["state"] == "connected")
    });
    let before = peak_kib(&daemon);
    let flood = std::thread::spawn(move || {
        // A hundred thousand lines, at whatever speed they are taken.
        noisy.send("{\"t\":21.5}\n".repeat(100_000));
        // Ten megabytes without a line end; then zeros and 0xFF, 2 MB each.
        noisy.send(vec![b'x'; 10_000_000]);
        noisy.send(vec![0; 2_000_000]);
        noisy.send(vec![0xFF; 2_000_000]);
        let deep = format!("{}1{}\n", "[".repeat(2_000), "]".repeat(2_000));
        noisy.send(deep.repeat(200));
        noisy.send("{\"t\":1e999}\n{\"t\":1,\"t\":22.5}\n");
        noisy
    });
    let huge = vec![b'7'; 1_000_000];
    let deep = format!("{}{{\"t\":1}}{}", "[".repeat(30_000), "]".repeat(30_000));
    let many = (0..40)
        .flat_map(|_| [("tent/huge".to_owned(), huge.clone()), ("tent/deep".to_owned(), deep.clone().into_bytes())]);
    let publishing = broker.publish_beside(many.collect::<Vec<_>>(), 1, false);
    // In the middle of it, a core too hot, long enough to be believed.
    let from = now_ms() - 10_000;
    for n in 0..10 {
        good.send(format!("{{\"t\":32.5,\"ts\":{}}}\n", from + n * 1_000));
    }
    daemon.status_when("the alert is raised", raised);
    publishing.join().unwrap();
    let mut noisy = flood.join().unwrap();
    // A hundred thousand lines of one probe within a moment: every one is read.
    daemon.status_when("the flood is stored", |status| {
        named(status, "probes", "loud")["samples"].as_u64() >= Some(100_000)
    });
    wait_until(PATIENCE, "the huge ones are refused", || refused(&daemon, "house", "too-long") >= 40.0);
    wait_until(PATIENCE, "the deep ones as well", || refused(&daemon, "house", "malformed") >= 40.0);
    wait_until(PATIENCE, "and on the port", || refused(&daemon, "noisy", "malformed") >= 199.0);
    let peak = peak_kib(&daemon);
    assert!(peak <= before + MORE_KIB, "{peak} KiB at the worst, {before} before, {MORE_KIB} more allowed");
    noisy.send("{\"t\":23.5}\n");
    daemon.status_when("and reads on", |status| named(status, "probes", "loud")["readings"]["temperature_c"] == 23.5);
    eprintln!("peak {peak} KiB, {before} KiB before");
    assert!(daemon.terminate().0.success());
}

#[test]
fn a_wrong_baud_and_a_port_in_use_are_said() {
    let mut wire = Wire::plugged();
    let good = Wire::plugged();
    let broker = Mosquitto::start();
    let site = site(&wire, &good, &broker);
    let daemon = site.run();
    daemon.status_when("open", |status| named(status, "sources", "noisy")["state"] == "connected");
    // What 115,200 baud looks like at 9,600: few bytes, high bits, now and then a line end.
    let garbage: Vec<u8> =
        (0..2_000_u32).map(|n| [0xE6, 0x00, 0xFE, 0x1C, 0x80, b'\n', 0xF8][(n % 7) as usize]).collect();
    wire.send(&garbage);
    daemon.status_when("told", |status| named(status, "sources", "noisy")["state"] == "connecting");
    wait_until(PATIENCE, "in words", || {
        daemon.log_lines().iter().any(|line| line.contains("is no text; is 115200 the baud of the board's program"))
    });
    wire.send("\n{\"t\":21.5}\n");
    daemon.status_when("well again", |status| named(status, "sources", "noisy")["state"] == "connected");
    // A second program that wants the port, here a second tubwatch with a store of its own.
    let other = Site::new(&std::fs::read_to_string(site.config()).unwrap());
    let second = other.run();
    second.status_when("away", |status| named(status, "sources", "noisy")["state"] == "away");
    // Which program is named depends on which is found first: this test holds the terminal's end as well.
    wait_until(PATIENCE, "and who has it", || {
        second
            .log_lines()
            .iter()
            .any(|line| line.contains("is in use by another program (") && line.contains("process "))
    });
    assert!(daemon.terminate().0.success());
    second.status_when("its turn", |status| named(status, "sources", "noisy")["state"] == "connected");
}

/// The program as `nobody`, whom a mode binds; root may open anything. Whoever is not root is bound already.
fn bound_by_modes() -> Command {
    let program = env!("CARGO_BIN_EXE_tubwatch");
    if std::fs::metadata("/proc/self").unwrap().uid() != 0 {
        return Command::new(program);
    }
    let mut command = Command::new("setpriv");
    command.args(["--reuid=65534", "--regid=65534", "--clear-groups", program]);
    command
}

#[test]
fn a_port_that_may_not_be_opened_is_said_and_tried_again() {
    let mut wire = Wire::plugged();
    let good = Wire::plugged();
    let broker = Mosquitto::start();
    let site = site(&wire, &good, &broker);
    let mode = |path: &Path, mode| std::fs::set_permissions(path, Permissions::from_mode(mode)).unwrap();
    // Everything but the terminal is open to whoever runs it.
    for path in [site.folder.path(), wire.path().parent().unwrap(), good.path().parent().unwrap()] {
        mode(path, 0o777);
    }
    mode(&site.config(), 0o644);
    let terminals = [&wire, &good].map(|wire| std::fs::canonicalize(wire.path()).unwrap());
    mode(&terminals[0], 0o000);
    mode(&terminals[1], 0o666);
    let daemon = site.run_as(bound_by_modes());
    daemon.status_when("the one is away, the other is read", |status| {
        named(status, "sources", "noisy")["state"] == "away" && named(status, "sources", "good")["state"] == "connected"
    });
    let sentence = format!(
        "noisy: away: {} may not be opened; put the service's user into the group that owns it (often dialout)",
        wire.path().display()
    );
    let said = || daemon.log_lines().iter().filter(|line| line.contains(&sentence)).count();
    wait_until(PATIENCE, "in one plain sentence", || said() == 1);
    mode(&terminals[0], 0o666);
    daemon.status_when("tried again", |status| named(status, "sources", "noisy")["state"] == "connected");
    wire.send("{\"t\":21.5}\n{\"t\":21.6}\n");
    daemon.status_when("and read", |status| named(status, "probes", "loud")["readings"]["temperature_c"] == 21.6);
    assert_eq!(said(), 1, "and said once");
    assert!(daemon.terminate().0.success());
}
