//! Probes that publish straight to the built program: real clients (mosquitto_pub, paho), the packets of
//! the standard byte by byte, and whatever else may knock.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use harness::daemon::{Daemon, Site, named};
use harness::{PATIENCE, python, wait_until};

const PASSWORD: &str = "a long enough password";

/// A site whose intake has one person, `board`, and probes on `tent/air` and `tent/other`.
fn site(more_of_intake: &str, people: bool) -> Site {
    let people_file = if people { "people_file = \"door.people\"\n" } else { "" };
    let probe = |name: &str| {
        format!(
            "[[probe]]\nname = \"{name}\"\nfrom = \"door\"\ntopic = \"tent/{name}\"\nformat = \"json\"\nevery = \"1s\"\n\
             reads = {{ temperature = \"/t\" }}\ntime = {{ at = \"/ts\", unit = \"ms\" }}\n"
        )
    };
    let site = Site::new(&format!(
        "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\ncommit_every = \"10min\"\n\
         [status]\nlisten = \"127.0.0.1:0\"\n\
         [[intake]]\nname = \"door\"\naddress = \"127.0.0.1:0\"\n{people_file}{more_of_intake}\n{}{}",
        probe("air"),
        probe("other")
    ));
    if people {
        let said = add_user(&site, "board", PASSWORD);
        assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    }
    site
}

fn add_user(site: &Site, name: &str, password: &str) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_tubwatch"))
        .arg("--config")
        .arg(site.config())
        .args(["user", "add", name])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A name that is refused is so before the password is read.
    let _ = writeln!(child.stdin.take().unwrap(), "{password}");
    child.wait_with_output().unwrap()
}

fn port(daemon: &Daemon) -> u16 {
    let found = || {
        let lines = daemon.log_lines();
        let line =
            lines.iter().find_map(|line| line.split_once("takes in probes at ").map(|(_, rest)| rest.to_owned()))?;
        line.trim().rsplit(':').next()?.parse().ok()
    };
    wait_until(PATIENCE, "the intake listens", || found().is_some());
    let port = found().unwrap();
    // The status says the same as the log, to whoever has to tell the boards.
    let address = format!("127.0.0.1:{port}");
    daemon.status_when("the status shows what was bound", |status| {
        status["sources"].as_array().unwrap().iter().any(|source| source["address"] == address.as_str())
    });
    assert!(daemon.get("/").2.contains(&format!("takes in probes at {address}")));
    port
}

fn mosquitto_pub(port: u16, password: &str, more: &[&str]) -> Output {
    Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-u", "board", "-P", password])
        .args(more)
        .output()
        .expect("mosquitto_pub is installed")
}

fn board(port: u16, password: &str, qos: u8, count: u32, topic: &str) -> String {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/intake/board.py");
    let output = Command::new(python())
        .arg(script)
        .args([&port.to_string(), "board", password, &qos.to_string(), &count.to_string(), topic])
        .output()
        .unwrap();
    assert!(output.status.success(), "{output:?}");
    String::from_utf8(output.stdout).unwrap()
}

fn rows(site: &Site, probe: &str) -> u64 {
    let query =
        format!("SELECT count(*) FROM sample JOIN probe ON probe.id = sample.probe WHERE probe.name = '{probe}'");
    site.query(&query)[0][0].parse().unwrap()
}

fn samples(daemon: &Daemon, probe: &str) -> u64 {
    named(&daemon.status(), "probes", probe)["samples"].as_u64().unwrap_or(0)
}

/// A client that speaks in bytes.
struct Raw(TcpStream);

impl Raw {
    fn connect(port: u16) -> Raw {
        let stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        Raw(stream)
    }

    /// Connected as `client`, which is let in.
    fn greeted(port: u16, client: &str, keep_alive_s: u8) -> Raw {
        let mut raw = Raw::connect(port);
        raw.send(&connect(client, keep_alive_s));
        assert_eq!(raw.receive(4), [0x20, 2, 0, 0]);
        raw
    }

    fn send(&mut self, bytes: &[u8]) {
        // A server that has closed already is what some tests are about.
        let _ = self.0.write_all(bytes);
    }

    fn receive(&mut self, count: usize) -> Vec<u8> {
        let mut bytes = vec![0; count];
        self.0.read_exact(&mut bytes).unwrap();
        bytes
    }

    /// Waits until the server closes, and gives what it said before.
    fn closed(mut self) -> Vec<u8> {
        let mut bytes = Vec::new();
        match self.0.read_to_end(&mut bytes) {
            Ok(_) => bytes,
            Err(error) if error.kind() == ErrorKind::ConnectionReset => bytes,
            Err(error) => panic!("not closed: {error}"),
        }
    }
}

fn text(text: &str) -> Vec<u8> {
    [&(text.len() as u16).to_be_bytes()[..], text.as_bytes()].concat()
}

fn packet(first: u8, body: &[u8]) -> Vec<u8> {
    assert!(body.len() < 128);
    [&[first, body.len() as u8][..], body].concat()
}

fn connect(client: &str, keep_alive_s: u8) -> Vec<u8> {
    let header = [&text("MQTT")[..], &[4, 0b1100_0010, 0, keep_alive_s]].concat();
    packet(0x10, &[header, text(client), text("board"), text(PASSWORD)].concat())
}

fn publish(first: u8, topic: &str, id: u16, payload: &str) -> Vec<u8> {
    let id = if first & 0b110 == 0 { Vec::new() } else { id.to_be_bytes().to_vec() };
    packet(first, &[text(topic), id, payload.as_bytes().to_vec()].concat())
}

#[test]
fn real_clients_publish_with_every_qos() {
    let site = site("acknowledge_within = \"200ms\"", true);
    let shown = site.ok(&["check"]);
    assert!(shown.contains("door: intake on 127.0.0.1:0, for 1 people with a password"), "{shown}");
    let daemon = site.run();
    let port = port(&daemon);
    for (qos, at) in [("0", 1_764_000_000_000_u64), ("1", 1_764_000_001_000), ("2", 1_764_000_002_000)] {
        let message = format!("{{\"t\":21.5,\"ts\":{at}}}");
        let sent = mosquitto_pub(port, PASSWORD, &["-q", qos, "-t", "tent/air", "-m", &message]);
        assert!(sent.status.success(), "QoS {qos}: {sent:?}");
    }
    daemon.status_when("three", |status| named(status, "probes", "air")["samples"] == 3);
    for qos in [1, 2] {
        let said = board(port, PASSWORD, qos, 40, "tent/other");
        assert!(said.contains("connect Success no session") && said.contains("acknowledged 40"), "{said}");
    }
    assert!(rows(&site, "other") >= 40, "what is acknowledged is on disk");
    // Refused by the standard's means: 0x80 for each filter.
    assert!(board(port, PASSWORD, 3, 0, "tent/air").contains("granted 128 128"));
    let wrong = mosquitto_pub(port, "another password", &["-t", "tent/air", "-m", "{}"]);
    assert!(!wrong.status.success(), "{wrong:?}");
    assert!(board(port, "another password", 1, 1, "tent/air").contains("connect Bad user name or password"));
    let other_version = mosquitto_pub(port, PASSWORD, &["-V", "5", "-t", "tent/air", "-m", "{}"]);
    assert!(!other_version.status.success(), "{other_version:?}");
    assert!(daemon.terminate().0.success());
}

#[test]
fn the_acknowledgement_follows_the_commit_and_comes_in_time() {
    let site = site("acknowledge_within = \"500ms\"", true);
    let daemon = site.run();
    let mut raw = Raw::greeted(port(&daemon), "c", 60);
    raw.send(&publish(0x32, "tent/air", 7, "{\"t\":21.5,\"ts\":1764000000000}"));
    assert_eq!(raw.receive(4), [0x40, 2, 0, 7]);
    assert_eq!(rows(&site, "air"), 1);
    // The ordinary commit is ten minutes away: longer than was waited for this one.
    // The same again: known, not stored twice, acknowledged all the same.
    raw.send(&publish(0x3A, "tent/air", 8, "{\"t\":21.5,\"ts\":1764000000000}"));
    assert_eq!(raw.receive(4), [0x40, 2, 0, 8]);
    // Nobody reads it: acknowledged, or the board would send it for ever.
    raw.send(&publish(0x32, "attic", 9, "1"));
    assert_eq!(raw.receive(4), [0x40, 2, 0, 9]);
    // QoS 2, sent twice before its release: one sample; released; completed.
    let twice = publish(0x34, "tent/air", 10, "{\"t\":21.5,\"ts\":1764000001000}");
    raw.send(&twice);
    assert_eq!(raw.receive(4), [0x50, 2, 0, 10]);
    raw.send(&twice);
    assert_eq!(raw.receive(4), [0x50, 2, 0, 10]);
    raw.send(&[0x62, 2, 0, 10]);
    assert_eq!(raw.receive(4), [0x70, 2, 0, 10]);
    assert_eq!(rows(&site, "air"), 2);
    // PINGREQ, SUBSCRIBE of two filters, UNSUBSCRIBE.
    raw.send(&[0xC0, 0]);
    assert_eq!(raw.receive(2), [0xD0, 0]);
    raw.send(&packet(0x82, &[vec![0, 11], text("a"), vec![1], text("#"), vec![0]].concat()));
    assert_eq!(raw.receive(6), [0x90, 4, 0, 11, 0x80, 0x80]);
    raw.send(&packet(0xA2, &[vec![0, 12], text("a")].concat()));
    assert_eq!(raw.receive(4), [0xB0, 2, 0, 12]);
    // Half of a board's life: a killed daemon has lost nothing that it acknowledged.
    daemon.kill_nine();
    assert_eq!(rows(&site, "air"), 2);
}

#[test]
fn whoever_breaks_the_rules_is_sent_away_and_the_others_go_on() {
    let site = site("acknowledge_within = \"100ms\"", true);
    let daemon = site.run();
    let port = port(&daemon);
    let mut good = Raw::greeted(port, "good", 60);
    // Silent from the start, and a first packet that never ends: five seconds.
    // From before they knock: the intake cannot have begun to wait earlier, however late this thread runs on.
    let knocked = Instant::now();
    let (silent, mut half) = (Raw::connect(port), Raw::connect(port));
    half.send(&connect("half", 60)[..9]);
    // 3.1.2-24: one and a half times the keep-alive.
    let slept = Instant::now();
    let sleeper = Raw::greeted(port, "sleeper", 1);
    assert!(sleeper.closed().is_empty());
    assert!(slept.elapsed() >= Duration::from_millis(1_400), "{:?}", slept.elapsed());
    // Other versions are answered: CONNACK 1.
    let mut v5 = Raw::connect(port);
    v5.send(&packet(0x10, &[&text("MQTT")[..], &[5, 2, 0, 60, 0, 0, 1, b'c']].concat()));
    assert_eq!(v5.closed(), [0x20, 2, 0, 1]);
    // 3.1.3-8: no identifier, but a session.
    let mut nameless = Raw::connect(port);
    nameless.send(&packet(0x10, &[&text("MQTT")[..], &[4, 0, 0, 60, 0, 0]].concat()));
    assert_eq!(nameless.closed(), [0x20, 2, 0, 2]);
    // 3.1.4-2: the second of a name sends the first away.
    let first = Raw::greeted(port, "twin", 60);
    let mut second = Raw::greeted(port, "twin", 60);
    assert!(first.closed().is_empty());
    second.send(&[0xC0, 0]);
    assert_eq!(second.receive(2), [0xD0, 0]);
    for (what, bytes) in [
        ("no CONNECT first", publish(0x30, "tent/air", 0, "{}")),
        ("http", b"GET / HTTP/1.1\r\nHost: a\r\n\r\n".to_vec()),
        ("0xFF", vec![0xFF; 1000]),
        ("zeros", vec![0; 1000]),
        ("a length of 256 MiB", vec![0x10, 0xFF, 0xFF, 0xFF, 0x7F]),
    ] {
        let mut raw = Raw::connect(port);
        raw.send(&bytes);
        assert!(raw.closed().is_empty(), "{what}");
    }
    for (what, bytes) in [
        ("a second CONNECT", connect("again", 60)),
        ("a wildcard", publish(0x30, "tent/+", 0, "1")),
        ("QoS 3", publish(0x36, "tent/air", 1, "1")),
        ("a packet of 1 MiB", [&[0x30, 0x80, 0x80, 0x40][..], &vec![0; 4096]].concat()),
    ] {
        let mut raw = Raw::greeted(port, "rule", 60);
        raw.send(&bytes);
        assert!(raw.closed().is_empty(), "{what}");
    }
    assert!(silent.closed().is_empty() && half.closed().is_empty());
    assert!(knocked.elapsed() >= Duration::from_millis(4_900), "{:?}", knocked.elapsed());
    good.send(&publish(0x32, "tent/air", 1, "{\"t\":21.5,\"ts\":1764000000000}"));
    assert_eq!(good.receive(4), [0x40, 2, 0, 1]);
    assert!(daemon.get("/metrics").2.contains("reason=\"not-let-in\""));
    assert!(daemon.terminate().0.success());
}

#[test]
fn a_flood_of_one_client_is_slowed_and_the_others_are_heard() {
    let site = site("acknowledge_within = \"100ms\"", true);
    let daemon = site.run();
    let port = port(&daemon);
    let began = Instant::now();
    let mut flood = Raw::greeted(port, "flood", 60);
    let mut writer = flood.0.try_clone().unwrap();
    let flooding = std::thread::spawn(move || {
        let one = publish(0x30, "tent/other", 0, "{\"t\":21.5}");
        let many = one.repeat(1_000);
        // Until the test hangs up.
        while writer.write_all(&many).is_ok() {}
    });
    daemon.status_when("the flood is on", |status| named(status, "probes", "other")["samples"].as_u64() > Some(0));
    let mut good = Raw::greeted(port, "good", 60);
    for id in 1..=5_u16 {
        good.send(&publish(
            0x32,
            "tent/air",
            id,
            &format!("{{\"t\":21.5,\"ts\":{}}}", 1_764_000_000_000 + u64::from(id)),
        ));
        assert_eq!(good.receive(4)[..3], [0x40, 2, 0]);
    }
    assert_eq!(rows(&site, "air"), 5);
    // Its 200 at once are used up, and what came after them was let through at 50 a second: counted after and timed
    // from before, so this holds however slowly either side runs.
    let taken = || samples(&daemon, "other");
    wait_until(PATIENCE, "more than it may send at once", || taken() > 250);
    let (taken, seconds) = (taken(), began.elapsed().as_secs_f64());
    assert!(taken as f64 <= 201.0 + 50.0 * seconds, "{taken} messages in {seconds} s");
    flood.0.shutdown(std::net::Shutdown::Both).unwrap();
    let _ = flood.0.read(&mut [0]);
    flooding.join().unwrap();
    // More than there is room for: the rest is told to go, and room comes back.
    let crowd: Vec<Raw> = (0..80).map(|_| Raw::connect(port)).collect();
    wait_until(PATIENCE, "some are sent away", || daemon.get("/metrics").2.contains("reason=\"not-let-in\""));
    drop(crowd);
    wait_until(PATIENCE, "there is room again", || {
        let mut raw = Raw::connect(port);
        raw.send(&connect("late", 60));
        raw.0.read(&mut [0]).is_ok_and(|read| read == 1)
    });
    assert!(daemon.terminate().1 < Duration::from_secs(5));
}

#[test]
fn who_waited_for_a_failing_store_is_not_sent_away_as_silent() {
    let site = site("acknowledge_within = \"100ms\"", true);
    let daemon = site.run();
    let port = port(&daemon);
    let mut board = Raw::greeted(port, "board", 1);
    let other = rusqlite::Connection::open(site.store()).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    // More than are taken without an acknowledgement.
    let count = 300_u16;
    let sent: Vec<u8> = (1..=count).flat_map(|id| publish(0x32, "tent/air", id, "{\"t\": 24.0}")).collect();
    board.send(&sent);
    // Longer than it may be silent, once it has paced itself.
    let began = Instant::now();
    wait_until(PATIENCE, "the store fails", || daemon.get("/health").0 == 503 && began.elapsed().as_secs() >= 6);
    other.execute_batch("ROLLBACK").unwrap();
    for id in 1..=count {
        assert_eq!(board.receive(4), [&[0x40, 2][..], &id.to_be_bytes()].concat());
    }
    wait_until(PATIENCE, "all of it is stored", || rows(&site, "air") == u64::from(count));
}

#[test]
fn tls_keeps_the_password_from_the_network() {
    let site = site("cert_file = \"door.pem\"\nkey_file = \"door.key\"", true);
    let made = Command::new("openssl")
        .args(["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2"])
        .args([
            "-subj",
            "/CN=door",
            "-addext",
            "subjectAltName=IP:127.0.0.1",
            "-keyout",
            "door.key",
            "-out",
            "door.pem",
        ])
        .current_dir(site.folder.path())
        .output()
        .unwrap();
    assert!(made.status.success(), "{made:?}");
    let daemon = site.run();
    let port = port(&daemon);
    let plain = mosquitto_pub(port, PASSWORD, &["-t", "tent/air", "-m", "{\"t\":21.5}", "-q", "1"]);
    assert!(!plain.status.success(), "{plain:?}");
    let authority = site.folder.path().join("door.pem").display().to_string();
    let over = ["--cafile", &authority, "-t", "tent/air", "-m", "{\"t\":21.5}", "-q", "1"];
    let sent = mosquitto_pub(port, PASSWORD, &over);
    assert!(sent.status.success(), "{sent:?}");
    assert_eq!(rows(&site, "air"), 1);
}

#[test]
fn without_people_this_machine_is_let_in() {
    let site = site("", false);
    assert!(site.ok(&["check"]).contains("for whoever is on this machine, and nobody else"));
    let daemon = site.run();
    let port = port(&daemon);
    let sent = Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1", "-t", "tent/air", "-m", "{\"t\":21.5}"])
        .output()
        .unwrap();
    assert!(sent.status.success(), "{sent:?}");
    assert_eq!(rows(&site, "air"), 1);
    // A board that is cut off: its last will is noted.
    let header = [&text("MQTT")[..], &[4, 0b110, 0, 60]].concat();
    let mut raw = Raw::connect(port);
    raw.send(&packet(0x10, &[header, text("shelf-board"), text("tent/air/will"), text("cut off")].concat()));
    assert_eq!(raw.receive(4), [0x20, 2, 0, 0]);
    drop(raw);
    wait_until(PATIENCE, "its going is noted", || {
        daemon
            .log_lines()
            .iter()
            .any(|line| line.contains("shelf-board") && line.contains("its last will on tent/air/will: cut off"))
    });
}

#[test]
fn people_are_added_changed_and_refused() {
    let site = site("", true);
    let file = site.folder.path().join("door.people");
    let mode = std::os::unix::fs::PermissionsExt::mode(&std::fs::metadata(&file).unwrap().permissions());
    assert_eq!(mode & 0o777, 0o600);
    let before = std::fs::read_to_string(&file).unwrap();
    assert!(before.starts_with("board:$argon2id$") && !before.contains(PASSWORD));
    let again = add_user(&site, "board", "a password of another kind");
    assert!(String::from_utf8_lossy(&again.stdout).contains("board has another password"), "{again:?}");
    assert!(add_user(&site, "shelf", PASSWORD).status.success());
    let after = std::fs::read_to_string(&file).unwrap();
    assert_eq!(after.lines().count(), 2);
    assert_ne!(after.lines().next(), before.lines().next());
    for (name, password, code, part) in [
        ("a:b", PASSWORD, 2, "without blanks and colons"),
        ("short", "1234567", 1, "at least 8 characters"),
        ("empty", "", 1, "at least 8 characters"),
    ] {
        let said = add_user(&site, name, password);
        assert_eq!(said.status.code(), Some(code), "{said:?}");
        assert!(String::from_utf8_lossy(&said.stderr).contains(part), "{said:?}");
    }
    assert_eq!(std::fs::read_to_string(&file).unwrap(), after);
    std::fs::write(&file, "board:plain text\n").unwrap();
    let faulty = site.command(&["check"]);
    assert_eq!(faulty.status.code(), Some(78));
    let said = String::from_utf8_lossy(&faulty.stderr);
    assert!(
        said.contains("door.people:1") && said.contains("add that person anew") && !said.contains("plain text"),
        "{said}"
    );
}
