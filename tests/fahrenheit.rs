//! A site that is shown in Fahrenheit: people read °F, programs and files stay in °C.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use std::time::{SystemTime, UNIX_EPOCH};

use harness::daemon::{Site, named};
use harness::sink::Sink;
use harness::{Mosquitto, PATIENCE, wait_until};
use serde_json::json;

fn now_ms() -> i64 {
    i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_millis()).unwrap()
}

#[test]
fn people_read_fahrenheit_and_programs_celsius() {
    let (broker, sink) = (Mosquitto::start(), Sink::start());
    let site = Site::new(&format!(
        "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\nshow = \"fahrenheit\"\n\
         [store]\npath = \"state\"\ncommit_every = \"1s\"\n[status]\nlisten = \"127.0.0.1:0\"\n\
         [[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:{}\"\n\
         [[probe]]\nname = \"core-a1\"\nfrom = \"house\"\ntopic = \"core\"\nformat = \"json\"\nevery = \"60s\"\n\
         reads = {{ temperature = \"/t\" }}\ntime = {{ at = \"/ts\", unit = \"ms\" }}\n\
         [[space]]\nname = \"shelf\"\n\
         [[messenger]]\nname = \"phone\"\nwebhook = {{ url = \"{}\" }}\n",
        broker.port(),
        sink.url()
    ));
    let daemon = site.run();
    daemon.status_when("connected", |status| named(status, "sources", "house")["state"] == "connected");
    site.ok(&[
        "spawn",
        "A1",
        "--culture",
        "winter-oyster",
        "--space",
        "shelf",
        "--core",
        "core-a1",
        "--at",
        "2026-01-01",
    ]);
    daemon.status_when("spawned", |status| named(status, "tubs", "A1")["name"] == "A1");
    for ago in [60_000, 0] {
        broker.publish("core", json!({ "ts": now_ms() - ago, "t": 31.8 }).to_string(), 1, false);
    }
    wait_until(PATIENCE, "it is told", || sink.posts().iter().any(|post| post.body["watch"] == "core-temperature"));
    let post = sink.posts().into_iter().find(|post| post.body["watch"] == "core-temperature").unwrap();
    let text = post.body["text"].as_str().unwrap();
    assert!(text.contains("substrate 89.2 °F, at or over 87.8") && !text.contains("°C"), "{text}");
    assert_eq!((&post.body["value"], &post.body["limit"]), (&json!(31.8), &json!(31.0)));

    let status = daemon.status_when("measured", |status| named(status, "tubs", "A1")["core_c"] == 31.8);
    assert_eq!(named(&status, "probes", "core-a1")["readings"]["temperature_c"], 31.8);
    let page = daemon.get("/").2;
    assert!(page.contains("Substrate 89.2 °F") && !page.contains("°C"), "{page}");
    let tub = daemon.get("/tub/A1").2;
    assert!(tub.contains("Temperature, °F") && tub.contains("substrate from 89.2 to 89.2 °F"), "{tub}");
    let csv = daemon.get("/tub/A1/chart.csv?of=temperature").2;
    assert!(csv.contains(",31.800,") && !csv.contains("89."), "{csv}");
    let series = daemon.get("/series.csv?probe=core-a1&quantity=temperature&from=2026-01-01&to=now").2;
    assert!(series.contains(",31.8,good"), "{series}");
    assert!(daemon.get("/metrics").2.contains("tubwatch_tub_core_celsius{tub=\"A1\"} 31.8"));
    assert!(site.ok(&["tubs"]).contains("core-a1 89.2 °F"));
    let began = site.ok(&["pasteurise", "coir-1", "--probe", "core-a1", "--hold-at", "65C", "--hold-for", "1h"]);
    assert!(began.contains("hold 149 °F for 60 min") && began.contains("cool below 77 °F"), "{began}");
    site.ok(&["export", "--out", "out", "--every", "raw"]);
    let climate = std::fs::read_to_string(site.folder.path().join("out/climate.csv")).unwrap();
    assert!(climate.contains(",31.8,") && !climate.contains("89."), "{climate}");
}
