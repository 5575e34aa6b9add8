//! SIGHUP under load, and what the log may never say.

use serde_json::json;

use crate::harness::daemon::{Site, named};
use crate::harness::sink::Sink;
use crate::harness::{Mosquitto, PATIENCE, free_port, now_ms, wait_until};

fn config(port: u16, sink: &Sink, more: &str) -> String {
    let probe = |name: &str, topic: &str| {
        format!(
            "[[probe]]\nname = \"{name}\"\nfrom = \"house\"\ntopic = \"{topic}\"\nformat = \"json\"\nevery = \"60s\"\n\
             reads = {{ temperature = \"/t\" }}\ntime = {{ at = \"/ts\", unit = \"ms\" }}\n"
        )
    };
    format!(
        "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\ncommit_every = \"1s\"\n\
         [status]\nlisten = \"127.0.0.1:0\"\n[[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:{port}\"\n\
         {}{}{more}\n[[space]]\nname = \"shelf\"\nheated = true\n\
         [[messenger]]\nname = \"phone\"\nwebhook = {{ url = \"{}\" }}\n",
        probe("core-a1", "shelf/core"),
        probe("flood", "flood"),
        sink.url()
    )
}

#[test]
fn a_reload_loses_no_sample_and_no_alert() {
    const TOTAL: i64 = 6_000;
    let broker = Mosquitto::start();
    let sink = Sink::start();
    let site = Site::new(&config(broker.port(), &sink, ""));
    site.spawn_a1("2026-11-20");
    let daemon = site.run();
    daemon.connected();

    // An alert stands, and the grower knows of it.
    let hot = |at: i64| ("shelf/core".to_owned(), json!({"ts": at, "t": 31.6}).to_string().into_bytes());
    let at = now_ms();
    broker.publish_many([hot(at - 60_000), hot(at - 1)], 1, false);
    let status = daemon.status_when("too hot", |status| !status["alerts"].as_array().unwrap().is_empty());
    let alert = status["alerts"][0].clone();
    assert_eq!(alert["watch"], "core-temperature");
    site.ok(&["acknowledge", &alert["id"].to_string()]);
    daemon.status_when("acknowledged", |status| status["alerts"][0]["state"] == "acknowledged");

    // A flood, and the config changes four times in the midst of it; once it is wrong.
    let first = at - TOTAL * 1_000;
    let message = |n: i64| ("flood".to_owned(), json!({"ts": first + n * 1_000, "t": 21.5}).to_string().into_bytes());
    let flood = broker.publish_beside((0..TOTAL).map(message), 1, false);
    let new_probe = "[[probe]]\nname = \"tent-air\"\nfrom = \"house\"\ntopic = \"tent\"\nformat = \"json\"\n\
                     every = \"60s\"\nreads = { temperature = \"/t\" }\n[[space]]\nname = \"tent\"\nair = [\"tent-air\"]\n";
    let stored = || site.query("SELECT count(*) FROM sample")[0][0].parse::<i64>().unwrap();
    for (round, more) in [new_probe, "", "[[probe]]\nname = 7\n", new_probe].into_iter().enumerate() {
        let reached = TOTAL / 8 * i64::try_from(round).unwrap();
        wait_until(PATIENCE, "a part of the flood is stored", || stored() > reached);
        site.write_config(&config(broker.port(), &sink, more));
        let lines = daemon.log_lines().len();
        daemon.signal("HUP");
        wait_until(PATIENCE, "the config was read again or refused", || {
            let log = daemon.log_lines();
            log[lines..].iter().any(|line| {
                line.contains("watching 3") || line.contains("watching 2") || line.contains("not taken over")
            })
        });
    }
    flood.join().unwrap();
    let wanted = u64::try_from(TOTAL).unwrap();
    let status =
        daemon.status_when("everything is stored", |status| named(status, "probes", "flood")["samples"] == wanted);
    // That one of the configs was refused is told, and over.
    let others = status["alerts"].as_array().unwrap().iter().filter(|it| it["id"] != alert["id"]);
    assert!(others.into_iter().all(|it| it["watch"] == "config"), "{:#}", status["alerts"]);
    let kept = status["alerts"].as_array().unwrap().iter().find(|it| it["id"] == alert["id"]).unwrap();
    for field in ["id", "since", "watch", "subject", "severity"] {
        assert_eq!(kept[field], alert[field], "{field}");
    }
    assert_eq!(kept["state"], "acknowledged");
    assert!(named(&status, "spaces", "tent").is_object(), "the new space is there");
    broker.publish("tent", r#"{"t": 19.5}"#, 1, false);
    daemon.status_when("the new probe is read", |status| named(status, "spaces", "tent")["temperature_c"] == 19.5);
    let (ended, _) = daemon.terminate();
    assert!(ended.success());
    let rows = site
        .query("SELECT count(*), count(DISTINCT at) FROM sample JOIN probe ON probe.id = probe WHERE name = 'flood'");
    assert_eq!(rows, [[TOTAL.to_string(), TOTAL.to_string()]]);
    // Told once, however often it was restarted inside.
    let raised = sink.posts().iter().filter(|post| post.body["event"] == "raised").count();
    assert_eq!(raised, 1, "{:#?}", sink.posts());
}

#[test]
fn no_secret_is_ever_logged() {
    let broker = Mosquitto::start_with("allow_anonymous false\npassword_file {folder}/people\n", |folder| {
        let people = folder.join("people");
        let made = std::process::Command::new("mosquitto_passwd")
            .args(["-c", "-b", people.to_str().unwrap(), "tubwatch", "S3CRET-broker"])
            .status()
            .unwrap();
        assert!(made.success());
    });
    let sink = Sink::start();
    sink.answer(500);
    let nobody = free_port();
    let site = Site::new(&format!(
        "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\ncommit_every = \"100ms\"\n\
         [status]\nlisten = \"127.0.0.1:0\"\ntoken_file = \"token\"\n\
         [[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:{}\"\nusername = \"tubwatch\"\npassword_file = \"pw\"\n\
         [[broker]]\nname = \"away\"\nurl = \"mqtt://127.0.0.1:{nobody}\"\nusername = \"tubwatch\"\npassword_file = \"pw\"\n\
         [[probe]]\nname = \"air\"\nfrom = \"house\"\ntopic = \"air\"\nformat = \"json\"\nevery = \"60s\"\nreads = {{ temperature = \"/t\" }}\n\
         [[space]]\nname = \"shelf\"\nair = [\"air\"]\n[space.bands.colonising]\n\
         temperature = {{ critical_high = {{ value = 30.0, on_delay = \"0s\" }} }}\n\
         [[messenger]]\nname = \"phone\"\nwebhook = {{ url = \"{}/S3CRET-path?key=S3CRET-query\", headers_file = \"headers\" }}\nat_least = \"advice\"\n\
         [[messenger]]\nname = \"gone\"\nwebhook = {{ url = \"http://127.0.0.1:{nobody}/S3CRET-path\" }}\nat_least = \"advice\"\n\
         [[forward]]\nname = \"farm\"\nurl = \"http://127.0.0.1:{nobody}/write?p=S3CRET-farm\"\nheaders_file = \"headers\"\n\
         [[forward]]\nname = \"barn\"\nurl = \"{}?p=S3CRET-farm\"\nheaders_file = \"headers\"\n",
        broker.port(),
        sink.url(),
        sink.url(),
    ));
    for (file, text) in [
        ("token", "S3CRET-token-of-the-page"),
        ("pw", "S3CRET-broker"),
        ("headers", "Authorization: Bearer S3CRET-header\n"),
    ] {
        std::fs::write(site.folder.path().join(file), text).unwrap();
    }
    let daemon = site.run_with(&[("TUBWATCH_LOG", "trace")]);
    daemon.connected();
    site.ok(&["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf"]);
    daemon.get("/status.json?token=S3CRET-asked");
    wait_until(PATIENCE, "the farm is said to be away", || {
        daemon.log_lines().iter().any(|line| line.contains("forward farm"))
    });
    wait_until(PATIENCE, "the barn is said to refuse", || {
        daemon.log_lines().iter().any(|line| line.contains("forward barn"))
    });
    daemon.signal("HUP");
    wait_until(PATIENCE, "read again", || daemon.log_lines().iter().any(|line| line.contains("read again")));
    daemon.status_when("connected again", |status| named(status, "sources", "house")["state"] == "connected");
    let log = daemon.log_lines();
    assert!(log.iter().any(|line| line.contains("DEBUG") || line.contains("TRACE")), "debug is on: {log:#?}");
    let told: Vec<_> = log.iter().filter(|line| line.contains("S3CRET")).collect();
    assert!(told.is_empty(), "{told:#?}");
    let checked = site.ok(&["check"]);
    assert!(!checked.contains("S3CRET"), "{checked}");
}
