//! A clock that jumps: the built daemon under a clock that is wrong by years, set forward and back,
//! while samples arrive through a real broker. All are stored once and dated rightly in the end,
//! alerts are told meanwhile, and the clock itself is told of.
#![allow(clippy::unwrap_used, clippy::panic)]

mod faults;
mod harness;

use std::ops::ControlFlow;
use std::time::{SystemTime, UNIX_EPOCH};

use faults::Clocks;
use harness::daemon::{Daemon, Site, named};
use harness::sink::Sink;
use harness::{Mosquitto, PATIENCE, wait_until};
use serde_json::Value;
use tubwatch::climate::Stamp;
use tubwatch::climate::stamp::{DAY_MS, HOUR_MS, MINUTE_MS};
use tubwatch::store::Reader;
use tubwatch::store::history::Form;

fn now_ms() -> i64 {
    i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_millis()).unwrap()
}

fn config(broker: &Mosquitto, sink: &Sink) -> String {
    format!(
        r#"
[site]
name = "clocks"
timezone = "Etc/UTC"
[store]
path = "state"
commit_every = "100ms"
[status]
listen = "127.0.0.1:0"
[[messenger]]
name = "phone"
webhook = {{ url = "{}" }}
at_least = "advice"
[[broker]]
name = "house"
url = "mqtt://127.0.0.1:{}"
[[probe]]
name = "core"
from = "house"
topic = "core"
format = "json"
every = "2s"
reads = {{ temperature = "/t" }}
[[probe]]
name = "timed"
from = "house"
topic = "timed"
format = "json"
every = "10min"
reads = {{ temperature = "/t" }}
time = {{ at = "/ts", unit = "ms" }}
[[space]]
name = "shelf"
air = ["timed"]
"#,
        sink.url(),
        broker.port()
    )
}

/// A site whose clock is in our hands, and what was published: when in truth, and the value.
struct Shed {
    broker: Mosquitto,
    sink: Sink,
    site: Site,
    clocks: Clocks,
    sent: Vec<(i64, f64)>,
    timed: Vec<(i64, f64)>,
    slept_ms: i64,
}

impl Shed {
    fn new() -> Shed {
        let (broker, sink) = (Mosquitto::start(), Sink::start());
        let site = Site::new(&config(&broker, &sink));
        let clocks = Clocks::right(site.folder.path());
        Shed { broker, sink, site, clocks, sent: Vec::new(), timed: Vec::new(), slept_ms: 0 }
    }

    /// Sets the wall clock so far from the truth; the kernel holds it for synchronised or not.
    fn set(&self, wrong_by_ms: i64, is_synchronised: bool) {
        self.clocks.set(wrong_by_ms, self.slept_ms, is_synchronised);
    }

    fn run(&self) -> Daemon {
        let daemon = self.site.run_as(self.clocks.program());
        connected(&daemon);
        daemon
    }

    /// One sample of each probe, taken before this returns.
    fn publish(&mut self, daemon: &Daemon, celsius: f64) {
        let taken = |name: &str| named(&daemon.status(), "probes", name)["samples"].as_u64().unwrap();
        let (value, own) = (celsius + self.sent.len() as f64 / 1000.0, now_ms() + self.slept_ms);
        self.broker.publish("timed", format!("{{\"t\": {value}, \"ts\": {own}}}"), 1, false);
        self.timed.push((own, value));
        self.broker.publish("core", format!("{{\"t\": {value}}}"), 1, false);
        self.sent.push((now_ms() + self.slept_ms, value));
        let (cores, timed) = (self.sent.len() as u64, self.timed.len() as u64);
        wait_until(PATIENCE, "the samples are stored", || taken("core") == cores && taken("timed") == timed);
    }

    /// Every sample is there once, its time less than a second from the truth; gives how many of
    /// `core` bear the mark.
    fn check(&self) -> usize {
        let reader = Reader::open(self.site.store().parent().unwrap()).unwrap();
        let mut unsure = 0;
        for (name, sent) in [("core", &self.sent), ("timed", &self.timed)] {
            let mut found: Vec<(i64, f64)> = Vec::new();
            let mut visit = |_: usize, message: &tubwatch::store::JudgedMessage| {
                let good = message.good(tubwatch::climate::Quantity::Temperature);
                assert!(good.is_some(), "{name} of {}: {:?}", message.at.rfc3339(), message.quality);
                found.push((message.at.0, good.unwrap()));
                unsure += usize::from(message.clock_unsure);
                ControlFlow::Continue(())
            };
            reader.history(&[name], Stamp(i64::MIN), Stamp(i64::MAX), Form::Raw, &mut visit).unwrap();
            assert_eq!(found.len(), sent.len(), "{name}: {found:?} {sent:?}");
            for (found, sent) in found.iter().zip(sent) {
                assert_eq!(found.1, sent.1, "{name}: in order of the truth");
                let late_ms = found.0 - sent.0;
                // Taken in after it was sent, and before the next was.
                assert!((-1_000..30_000).contains(&late_ms), "{name}: {late_ms} ms from the truth");
                assert!(name == "core" || late_ms == 0);
            }
        }
        unsure
    }

    fn told(&self, watch: &str, event: &str) -> Option<Value> {
        let is_it = |body: &Value| body["watch"] == watch && body["event"] == event;
        self.sink.posts().into_iter().map(|post| post.body).find(is_it)
    }
}

fn connected(daemon: &Daemon) {
    daemon.status_when("connected", |status| named(status, "sources", "house")["state"] == "connected");
}

/// The daemon has seen that its clock was set `count` times, and goes on with it.
fn set_seen(daemon: &Daemon, count: usize) {
    let seen = |daemon: &Daemon| {
        daemon.log_lines().iter().filter(|line| line.contains("the machine's clock was set ")).count()
    };
    wait_until(PATIENCE, "the step is seen", || seen(daemon) >= count);
    connected(daemon);
}

fn csv(daemon: &Daemon, from: i64) -> String {
    let (from, to) = (Stamp(from).rfc3339(), Stamp(from + HOUR_MS).rfc3339());
    let (code, _, body) = daemon.get(&format!("/series.csv?probe=core&quantity=temperature&from={from}&to={to}"));
    assert_eq!(code, 200, "{body}");
    body
}

#[test]
fn a_clock_that_is_wrong_by_years_is_told_of_and_what_it_dated_is_put_right() {
    let mut shed = Shed::new();
    let seven_years = 7 * 365 * DAY_MS + 2 * DAY_MS;
    shed.site.ok(&["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf", "--core", "core"]);
    shed.set(-seven_years, false);
    let daemon = shed.run();
    shed.publish(&daemon, 24.0);
    let in_the_past = csv(&daemon, now_ms() - seven_years - HOUR_MS / 2);
    assert!(in_the_past.trim_end().ends_with(",good clock-unsure"), "{in_the_past}");

    // Alerts do not wait for the time: two readings at the critical limit.
    shed.publish(&daemon, 32.0);
    shed.publish(&daemon, 32.0);
    wait_until(PATIENCE, "the hot core is told", || shed.told("core-temperature", "raised").is_some());
    // A minute goes by: the machine sleeps.
    shed.slept_ms = 70_000;
    shed.set(-seven_years, false);
    wait_until(PATIENCE, "the clock is told of", || shed.told("clock", "raised").is_some());
    let raised = shed.told("clock", "raised").unwrap();
    assert_eq!(raised["severity"], "warning");
    assert!(raised["text"].as_str().unwrap().contains("before this program was made"), "{raised}");
    let shown = daemon.status();
    assert!(shown["alerts"].as_array().unwrap().iter().any(|alert| alert["watch"] == "clock"), "{shown:#}");

    shed.set(0, true);
    set_seen(&daemon, 1);
    wait_until(PATIENCE, "the clock is well", || shed.told("clock", "returned").is_some());
    shed.publish(&daemon, 32.0);
    assert_eq!(shed.check(), 0, "nothing is marked that was dated anew");
    let hot = daemon.status_when("the hot core stands in its own time", |status| {
        let alerts = status["alerts"].as_array().unwrap();
        alerts.iter().any(|alert| alert["watch"] == "core-temperature" && alert["since"].as_str().unwrap() > "2026")
    });
    assert_eq!(hot["alerts"].as_array().unwrap().iter().filter(|it| it["watch"] == "core-temperature").count(), 1);
    assert!(!csv(&daemon, shed.sent[0].0 - MINUTE_MS).contains("clock-unsure"));
    assert!(daemon.terminate().0.success());
    assert_eq!(shed.site.query("SELECT count(*) FROM clock WHERE trust <> 'right'"), [["0"]]);
}

#[test]
fn a_clock_that_jumps_back_and_forth_dates_everything_right_in_the_end() {
    let mut shed = Shed::new();
    shed.set(0, false);
    let daemon = shed.run();
    shed.publish(&daemon, 20.0);
    // Nobody ever confirms this clock. Forward, back beyond where it was, and right again.
    for (count, wrong_by_ms) in [HOUR_MS, -3 * HOUR_MS, 0].into_iter().enumerate() {
        shed.set(wrong_by_ms, false);
        set_seen(&daemon, count + 1);
        shed.publish(&daemon, 20.0);
    }
    shed.check();
    // Set while nobody runs: the same boot, another offset.
    daemon.kill_nine();
    shed.set(2 * HOUR_MS, false);
    let daemon = shed.run();
    set_seen(&daemon, 1);
    shed.publish(&daemon, 20.0);
    shed.set(0, true);
    set_seen(&daemon, 2);
    shed.publish(&daemon, 20.0);
    // Confirmed now: set away and back, what came before stays where it is.
    shed.set(2 * DAY_MS, false);
    set_seen(&daemon, 3);
    shed.publish(&daemon, 20.0);
    let status = daemon.status();
    let healths: Vec<_> = status["probes"].as_array().unwrap().iter().map(|probe| &probe["health"]).collect();
    assert!(healths.iter().all(|health| *health == "reporting"), "{healths:?}");
    shed.set(0, true);
    set_seen(&daemon, 4);
    shed.publish(&daemon, 20.0);
    assert!(daemon.terminate().0.success());
    assert_eq!(shed.check(), 0);
    let later = shed.site.query("SELECT count(*) FROM sample WHERE at > unixepoch() * 1000 + 2000");
    assert_eq!(later, [["0"]], "nothing is dated in the future");
}

#[test]
fn a_step_that_could_not_be_written_is_put_right_later() {
    let mut shed = Shed::new();
    shed.set(0, false);
    let full = shed.site.folder.path().join("full");
    let mut program = shed.clocks.program();
    program.env("SHIM_FULL", &full);
    let daemon = shed.site.run_as(program);
    connected(&daemon);
    shed.publish(&daemon, 20.0);
    std::fs::write(&full, "").unwrap();
    shed.set(5 * MINUTE_MS, false);
    let said = |what: &str| daemon.log_lines().iter().any(|line| line.contains(what));
    wait_until(PATIENCE, "it could not be written", || said("keeps its old time for now"));
    std::fs::remove_file(&full).unwrap();
    connected(&daemon);
    // Dated by a clock that is five minutes ahead, beside what is not dated anew yet.
    shed.publish(&daemon, 20.0);
    assert_eq!(shed.site.query("SELECT count(*) FROM clock"), [["2"]]);
    daemon.kill_nine();
    // The next start goes on with that clock, and makes good what was left.
    let daemon = shed.run();
    wait_until(PATIENCE, "it is made good", || shed.site.query("SELECT count(*) FROM clock") == [["1"]]);
    shed.publish(&daemon, 20.0);
    let dates = shed.site.query("SELECT at FROM sample JOIN probe ON probe.id = probe WHERE name = 'core'").concat();
    let ahead = dates.iter().map(|at| at.parse::<i64>().unwrap() - now_ms());
    assert!(ahead.clone().all(|ahead_ms| ahead_ms > 4 * MINUTE_MS), "{:?}", ahead.collect::<Vec<_>>());
    shed.set(0, false);
    set_seen(&daemon, 1);
    shed.publish(&daemon, 20.0);
    shed.check();
    assert_eq!(shed.site.query("SELECT count(*) FROM clock"), [["1"]]);
    assert!(daemon.terminate().0.success());
}

#[test]
fn a_clock_that_is_confirmed_without_a_step_puts_right_what_waited_for_it() {
    let mut shed = Shed::new();
    shed.set(HOUR_MS, false);
    let daemon = shed.run();
    shed.publish(&daemon, 20.0);
    // A probe whose own clock is half an hour ahead: the machine's, still further ahead, believes it.
    let ahead = now_ms() + HOUR_MS / 2;
    shed.broker.publish("timed", format!("{{\"t\": 20.5, \"ts\": {ahead}}}"), 1, false);
    daemon.status_when("it is stored", |status| named(status, "probes", "timed")["samples"] == 2);
    // By that sample the clock, once it is right, looks wrong, and moves nothing.
    shed.set(0, false);
    set_seen(&daemon, 1);
    shed.timed.push((ahead, 20.5));
    let trusts = |shed: &Shed| shed.site.query("SELECT trust FROM clock ORDER BY id").concat();
    assert_eq!(trusts(&shed), ["plausible", "wrong"]);
    shed.set(0, true);
    wait_until(PATIENCE, "all is right", || trusts(&shed) == ["right"]);
    connected(&daemon);
    assert_eq!(shed.check(), 0);
    assert!(daemon.terminate().0.success());
}
