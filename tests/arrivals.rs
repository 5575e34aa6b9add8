//! `tubwatch arrivals` beside the running daemon and without one: what it shows, what it suggests, what it
//! writes, and that it takes nothing from the daemon.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use std::io::{Read, Write};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use harness::daemon::{Site, named};
use harness::{Mosquitto, PATIENCE, Wire, wait_until};

/// The command at work.
struct Arrivals {
    child: Child,
    stdin: Option<ChildStdin>,
    said: Arc<Mutex<Vec<u8>>>,
}

impl Arrivals {
    fn start(site: &Site, options: &[&str]) -> Arrivals {
        let mut child = Command::new(env!("CARGO_BIN_EXE_tubwatch"))
            .arg("--config")
            .arg(site.config())
            .arg("arrivals")
            .args(options)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .unwrap();
        let said = Arc::new(Mutex::new(Vec::new()));
        let mut stdout = child.stdout.take().unwrap();
        let heard = Arc::clone(&said);
        // By pieces, not lines: a question has no line end.
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(read @ 1..) = stdout.read(&mut bytes) {
                heard.lock().unwrap().extend_from_slice(&bytes[..read]);
            }
        });
        let stdin = child.stdin.take();
        let arrivals = Arrivals { child, stdin, said };
        arrivals.until("it listens", |said| said.contains("Ctrl-C ends"));
        arrivals
    }

    fn text(&self) -> String {
        String::from_utf8_lossy(&self.said.lock().unwrap()).into_owned()
    }

    fn until(&self, what: &str, done: impl Fn(&str) -> bool) {
        let deadline = std::time::Instant::now() + PATIENCE;
        while !done(&self.text()) {
            assert!(std::time::Instant::now() < deadline, "{what}: {}", self.text());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Sends again and again, as a probe does, until it was seen.
    fn sending(&self, what: &str, mut send: impl FnMut(), done: impl Fn(&str) -> bool) {
        wait_until(PATIENCE, what, || {
            send();
            std::thread::sleep(Duration::from_millis(200));
            done(&self.text())
        });
    }

    fn interrupt(mut self) {
        let pid = self.child.id().to_string();
        assert!(Command::new("kill").args(["-INT", &pid]).status().unwrap().success());
        let child = &mut self.child;
        wait_until(PATIENCE, "it ends", || child.try_wait().unwrap().is_some());
        assert!(self.child.wait().unwrap().success());
    }
}

impl Drop for Arrivals {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

const HEAD: &str = "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\ncommit_every = \"100ms\"\n\
                    [status]\nlisten = \"127.0.0.1:0\"\n";

fn with_port(wire: &Wire) -> String {
    format!(
        "{HEAD}[[port]]\nname = \"usb\"\ndevice = {:?}\n\
         [[probe]]\nname = \"core-a1\"\nfrom = \"usb\"\nformat = \"json\"\nselect = {{ \"/id\" = \"a1\" }}\n\
         reads = {{ temperature = \"/t\" }}\nevery = \"10s\"\n",
        wire.path()
    )
}

#[test]
fn a_port_is_looked_on_at_through_the_daemon_and_a_new_probe_written() {
    let mut wire = Wire::plugged();
    let site = Site::new(&with_port(&wire));
    let daemon = site.run();
    daemon.status_when("open", |status| named(status, "sources", "usb")["state"] == "connected");
    let plain = Arrivals::start(&site, &[]);
    assert!(plain.text().contains("usb from the running daemon"), "{}", plain.text());
    let mut all = Arrivals::start(&site, &["--all", "--write"]);
    let lines = "{\"id\":\"a1\",\"t\":27.9}\n{\"id\":\"a2\",\"t\":26.5,\"h\":\"88,5%\"}\n{\"id\":\"a1\",\"t\":\n";
    all.sending(
        "shown",
        || wire.send(lines),
        |said| {
            said.contains("core-a1: temperature 27.9 °C")
                && said.contains("not taken by core-a1: it is not written in")
                && said.contains("[y/N]")
        },
    );
    all.until("lines for the new one", |said| said.contains("name = \"a2\"") && said.contains("[y/N]"));
    let said = all.text();
    assert!(said.contains("select = { \"/id\" = \"a2\" }"), "{said}");
    assert!(said.contains("reads = { temperature = \"/t\", humidity = \"/h\" }"), "{said}");
    // Without --all nothing is said of what nobody reads.
    plain.until("the plain one as well", |said| said.contains("core-a1: temperature 27.9 °C"));
    assert!(!plain.text().contains("a2"), "{}", plain.text());
    writeln!(all.stdin.as_mut().unwrap(), "y").unwrap();
    all.until("written", |said| said.contains("written; the daemon takes it up"));
    assert!(site.ok(&["check"]).contains("a2: temperature, humidity from usb"));
    daemon.signal("HUP");
    daemon.status_when("the new probe is known", |status| !named(status, "probes", "a2").is_null());
    wait_until(PATIENCE, "the new probe is read", || {
        wire.send(lines);
        std::thread::sleep(Duration::from_millis(200));
        named(&daemon.status(), "probes", "a2")["readings"]["humidity_pct"] == 88.5
    });
    // The window was shut by the reading of the config, and looked through again.
    all.until("the new probe is shown", |said| said.contains("a2: temperature 26.5 °C, humidity 88.5 %"));
    assert!(daemon.terminate().0.success());
}

#[test]
fn a_no_and_a_ctrl_c_write_nothing() {
    let mut wire = Wire::plugged();
    let site = Site::new(&with_port(&wire));
    let before = std::fs::read_to_string(site.config()).unwrap();
    // No daemon: the port is opened here.
    let mut all = Arrivals::start(&site, &["--all", "--write"]);
    assert!(all.text().contains("usb opened here"), "{}", all.text());
    all.sending("asked", || wire.send("T=23,4 H=88\n"), |said| said.contains("[y/N]"));
    assert!(all.text().contains("format = \"pairs\""), "{}", all.text());
    writeln!(all.stdin.as_mut().unwrap(), "n").unwrap();
    all.until("not written", |said| said.contains("not written"));
    all.sending("asked again", || wire.send("{\"id\":\"b\",\"temp\":20}\n"), |said| said.contains("\"/temp\""));
    all.interrupt();
    assert_eq!(std::fs::read_to_string(site.config()).unwrap(), before);
}

#[test]
fn a_broker_is_listened_to_without_taking_anything_from_the_daemon() {
    let broker = Mosquitto::start();
    let site = Site::new(&format!(
        "{HEAD}[[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:{}\"\n\
         [[probe]]\nname = \"air\"\nfrom = \"house\"\ntopic = \"tent/air\"\nformat = \"json\"\nevery = \"10s\"\n\
         reads = {{ temperature = \"/t\" }}\ntime = {{ at = \"/ts\", unit = \"ms\" }}\n",
        broker.port()
    ));
    let daemon = site.run();
    daemon.connected();
    let arrivals = Arrivals::start(&site, &["--all"]);
    let payload = |n: u64| format!("{{\"t\":21.5,\"ts\":{}}}", 1_764_000_000_000 + n * 1_000).into_bytes();
    let mut sent = 0;
    arrivals.sending(
        "both are shown",
        || {
            sent += 1;
            broker.publish("tent/air", payload(sent), 1, false);
            broker.publish("tent/new/co2", "812", 1, false);
        },
        |said| said.contains("air: temperature 21.5 °C") && said.contains("topic = \"tent/new/co2\""),
    );
    assert!(arrivals.text().contains("reads = { co2 = \"\" }"), "{}", arrivals.text());
    // More than a broker has in flight at a time: this client acknowledges for itself.
    broker.publish_many((0..100).map(|n| ("tent/air".to_owned(), payload(1_000 + n))), 1, false);
    daemon.status_when("the daemon has them all", |status| named(status, "probes", "air")["samples"] == sent + 100);
    let last = String::from_utf8(payload(1_099)).unwrap();
    arrivals.until("and so has the onlooker", |said| said.contains(&last));
    arrivals.interrupt();
    assert!(daemon.terminate().0.success());
    assert!(!site.folder.path().join("state/arrivals.sock").exists());
}
