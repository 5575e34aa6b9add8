//! Alerts that outlive what they hang on: a start without a store, a messenger that leaves the config.
#![allow(clippy::unwrap_used, clippy::panic)]

mod faults;
mod harness;

use std::time::{SystemTime, UNIX_EPOCH};

use faults::Clocks;
use harness::configs::one_core;
use harness::daemon::{Daemon, Site, named};
use harness::sink::Sink;
use harness::{Mosquitto, PATIENCE, wait_until};
use serde_json::Value;

fn config(port: u16, messengers: &[(&str, &Sink)]) -> String {
    let messenger = |(name, sink): &(&str, &Sink)| {
        format!("[[messenger]]\nname = \"{name}\"\nwebhook = {{ url = \"{}\" }}\n", sink.url())
    };
    one_core(port, "1h", &messengers.iter().map(messenger).collect::<String>())
}

fn connected(daemon: &Daemon) {
    daemon.status_when("connected", |status| named(status, "sources", "house")["state"] == "connected");
}

/// Two readings that are sure to have times of their own.
fn too_hot(broker: &Mosquitto) {
    let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_millis();
    for (celsius, at) in [(32.0, now - 1_000), (32.1, now)] {
        broker.publish("core", format!("{{\"t\": {celsius}, \"ts\": {at}}}"), 1, false);
    }
}

fn told(sink: &Sink, watch: &str, event: &str) -> Option<Value> {
    let is_it = |body: &Value| body["watch"] == watch && body["event"] == event;
    sink.posts().into_iter().map(|post| post.body).find(is_it)
}

fn standing(status: &Value, watch: &str) -> Vec<i64> {
    let alerts = status["alerts"].as_array().unwrap().iter();
    alerts.filter(|alert| alert["watch"] == watch).map(|alert| alert["id"].as_i64().unwrap()).collect()
}

#[test]
fn an_alert_of_a_run_without_a_store_is_in_its_history_afterwards() {
    let (broker, sink) = (Mosquitto::start(), Sink::start());
    let site = Site::new(&config(broker.port(), &[("phone", &sink)]));
    site.ok(&["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf", "--core", "core"]);
    let daemon = site.run();
    connected(&daemon);
    assert!(daemon.terminate().0.success());

    let (file, aside) = (site.store(), site.store().with_extension("aside"));
    std::fs::rename(&file, &aside).unwrap();
    std::fs::write(&file, "a card that came back from the dead\n").unwrap();
    let daemon = site.run();
    connected(&daemon);
    wait_until(PATIENCE, "it runs without a store", || daemon.get("/health").0 == 503);
    // What comes first has no second road yet.
    wait_until(PATIENCE, "the hot core is told", || {
        too_hot(&broker);
        told(&sink, "core-temperature", "raised").is_some()
    });
    let id = told(&sink, "core-temperature", "raised").unwrap()["id"].as_i64().unwrap();

    std::fs::rename(&aside, &file).unwrap();
    let rows = || site.query("SELECT id, state FROM alert WHERE watch = 'core-temperature'");
    wait_until(PATIENCE, "the alert is in the store", || !rows().is_empty());
    assert_eq!(rows(), [[id.to_string(), "unacknowledged".to_owned()]]);
    let status = daemon.status_when("it goes on with the store", |_| daemon.get("/health").0 == 200);
    assert_eq!(standing(&status, "core-temperature"), [id]);
    let keys: std::collections::BTreeSet<String> = sink
        .posts()
        .iter()
        .filter(|post| post.body["watch"] == "core-temperature" && post.body["event"] == "raised")
        .map(|post| post.header("idempotency-key").unwrap().to_owned())
        .collect();
    assert_eq!(keys.len(), 1, "told once more it is the same message");
    assert!(daemon.terminate().0.success());
    assert_eq!(rows().len(), 1);
}

#[test]
fn a_messenger_that_has_left_the_config_fails_no_more() {
    let (broker, phone, hall) = (Mosquitto::start(), Sink::start(), Sink::start());
    phone.answer(500);
    let site = Site::new(&config(broker.port(), &[("phone", &phone), ("hall", &hall)]));
    site.ok(&["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf", "--core", "core"]);
    let clocks = Clocks::right(site.folder.path());
    let daemon = site.run_as(clocks.program());
    connected(&daemon);
    too_hot(&broker);
    wait_until(PATIENCE, "the hall hears of the heat", || told(&hall, "core-temperature", "raised").is_some());
    let failed = || site.query("SELECT count(*) FROM outbox WHERE tries > 0")[0][0] != "0";
    wait_until(PATIENCE, "the phone fails", failed);
    // A minute goes by: the machine sleeps.
    clocks.set(0, 70_000, true);
    wait_until(PATIENCE, "the other messenger tells of it", || told(&hall, "messenger-failing", "raised").is_some());

    site.write_config(&config(broker.port(), &[("hall", &hall)]));
    daemon.signal("HUP");
    daemon.status_when("its alert is over", |status| standing(status, "messenger-failing").is_empty());
    let ended = || site.query("SELECT state FROM alert WHERE watch = 'messenger-failing'");
    wait_until(PATIENCE, "and has ended in the store", || ended() == [["ended"]]);
}
