//! The sign of life while something does not work: a store that another program holds locked, an outbox
//! that is stuck. The address is not asked for, `/health` says which, and both are over when it is over.
#![allow(clippy::unwrap_used, clippy::panic)]

mod faults;
mod harness;

use std::io::{BufRead, BufReader, Write};
use std::net::TcpListener;
use std::sync::{Arc, Mutex};
use std::time::{SystemTime, UNIX_EPOCH};

use faults::Clocks;
use harness::configs::one_core;
use harness::daemon::{Daemon, Site, named};
use harness::sink::Sink;
use harness::{Mosquitto, PATIENCE, wait_until};
use tubwatch::climate::stamp::MINUTE_MS;

/// An address that is asked for; counts how often.
fn asked_for() -> (String, Arc<Mutex<usize>>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}/alive", listener.local_addr().unwrap());
    let asked: Arc<Mutex<usize>> = Arc::default();
    let counts = Arc::clone(&asked);
    std::thread::spawn(move || {
        for stream in listener.incoming().map_while(Result::ok) {
            let mut reader = BufReader::new(stream);
            let mut line = String::new();
            while reader.read_line(&mut line).unwrap_or(0) > 2 {
                line.clear();
            }
            *counts.lock().unwrap() += 1;
            let _ = reader.get_mut().write_all(b"HTTP/1.1 204 No Content\r\n\r\n");
        }
    });
    (url, asked)
}

fn config(port: u16, sink: &Sink, url: &str) -> String {
    let more = format!(
        "[sign_of_life]\nurl = \"{url}\"\nevery = \"1s\"\n[[messenger]]\nname = \"phone\"\nwebhook = {{ url = \"{}\" }}\n",
        sink.url()
    );
    one_core(port, "1h", &more)
}

struct Cellar {
    broker: Mosquitto,
    site: Site,
    clocks: Clocks,
    daemon: Daemon,
    asked: Arc<Mutex<usize>>,
}

impl Cellar {
    fn start(sink: &Sink) -> Cellar {
        let broker = Mosquitto::start();
        let (url, asked) = asked_for();
        let site = Site::new(&config(broker.port(), sink, &url));
        site.ok(&["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf", "--core", "core"]);
        let clocks = Clocks::right(site.folder.path());
        let daemon = site.run_as(clocks.program());
        daemon.status_when("connected", |status| named(status, "sources", "house")["state"] == "connected");
        Cellar { broker, site, clocks, daemon, asked }
    }

    /// A reading of so long ago.
    fn reading(&self, celsius: f64, ago_ms: u128) {
        let at = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_millis() - ago_ms;
        self.broker.publish("core", format!("{{\"t\": {celsius}, \"ts\": {at}}}"), 1, false);
    }

    fn is_given(&self) {
        let before = *self.asked.lock().unwrap();
        wait_until(PATIENCE, "it is given", || *self.asked.lock().unwrap() > before);
        wait_until(PATIENCE, "health is well", || self.daemon.get("/health").0 == 200);
    }

    /// Withheld because of `part`, and so it stays while the daemon goes on.
    fn is_withheld(&self, part: &str) {
        let because = format!("sign of life: withheld: {part}: ");
        wait_until(PATIENCE, &because, || self.daemon.log_lines().iter().any(|line| line.contains(&because)));
        let (code, _, body) = self.daemon.get("/health");
        assert_eq!(code, 503);
        assert!(body.starts_with(&format!("{part}: ")), "{body}");
        // One may have been on its way.
        let time = || self.daemon.status()["time"].as_str().unwrap().to_owned();
        let (asked, began) = (*self.asked.lock().unwrap(), time());
        let mut times = std::collections::BTreeSet::from([began]);
        wait_until(PATIENCE, "the daemon goes on", || {
            times.insert(time());
            times.len() > 4
        });
        assert!(*self.asked.lock().unwrap() <= asked + 1, "asked for although {part} does not work");
        assert_eq!(self.daemon.get("/health").0, 503);
    }
}

#[test]
fn nobody_is_told_that_all_is_well_while_the_store_or_the_outbox_is_not() {
    let sink = Sink::start();
    let cellar = Cellar::start(&sink);
    cellar.reading(24.0, 10_000);
    cellar.is_given();

    let other = rusqlite::Connection::open(cellar.site.store()).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    cellar.reading(24.1, 5_000);
    cellar.is_withheld("store");
    other.execute_batch("COMMIT").unwrap();
    cellar.is_given();

    sink.answer(500);
    cellar.reading(32.0, 1_000);
    cellar.reading(32.0, 0);
    wait_until(PATIENCE, "the messenger was tried", || !sink.posts().is_empty());
    let tried = || cellar.site.query("SELECT count(*) FROM outbox WHERE tries > 0")[0][0] != "0";
    wait_until(PATIENCE, "and failed", tried);
    cellar.is_given();
    // Longer than a messenger may be away before nobody hears of anything.
    cellar.clocks.set(0, 11 * MINUTE_MS, true);
    cellar.is_withheld("outbox");
    sink.answer(200);
    cellar.is_given();
}
