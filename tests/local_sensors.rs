//! Sensors on the machine's own pins, through the built program, against a tree made like the kernel's.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use std::path::{Path, PathBuf};

use harness::daemon::{Site, named};
use harness::{PATIENCE, wait_until};
use serde_json::json;

/// A 1-wire attribute as the kernel's w1_therm driver writes it.
const WARM: &str = "91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n";

fn put(root: &Path, path: &str, text: &str) -> PathBuf {
    let file = root.join(path);
    std::fs::create_dir_all(file.parent().unwrap()).unwrap();
    std::fs::write(&file, text).unwrap();
    file
}

#[test]
fn one_wire_and_industrial_io_are_read_as_the_abi_has_them() {
    let site = Site::new(
        r#"
[site]
name = "cellar"
timezone = "Europe/Lisbon"
[store]
path = "state"
commit_every = "100ms"
[status]
listen = "127.0.0.1:0"
[[local]]
name = "board"
path = "fake"
[[probe]]
name = "core"
from = "board"
device = "28-0316a2793b0f"
reads = { temperature = "temperature" }
every = "100ms"
[[probe]]
name = "air"
from = "board"
device = "sht3x"
reads = { temperature = "in_temp", humidity = "in_humidityrelative" }
every = "100ms"
[[probe]]
name = "co2"
from = "board"
device = "iio:device1"
reads = { co2 = "in_concentration_co2", battery = "in_voltage0" }
every = "100ms"
"#,
    );
    let root = site.folder.path().join("fake");
    let shown = site.ok(&["check"]);
    assert!(
        shown.contains("board: this machine's own sensors under")
            && shown.contains("core: temperature from board, device 28-"),
        "{shown}"
    );
    let daemon = site.run();
    // Nothing is plugged in: said, and not fatal.
    daemon.status_when("away", |status| named(status, "sources", "board")["state"] == "away");
    let wire = put(&root, "bus/w1/devices/28-0316a2793b0f/w1_slave", WARM);
    put(&root, "bus/iio/devices/iio:device0/name", "sht3x\n");
    put(&root, "bus/iio/devices/iio:device0/in_temp_input", "23410\n");
    let humidity = "bus/iio/devices/iio:device0/in_humidityrelative";
    put(&root, &format!("{humidity}_scale"), "1.716613\n");
    put(&root, &format!("{humidity}_offset"), "0\n");
    put(&root, &format!("{humidity}_raw"), "51200\n");
    let gas = "bus/iio/devices/iio:device1/in_concentration_co2";
    put(&root, "bus/iio/devices/iio:device1/name", "scd30\n");
    put(&root, &format!("{gas}_scale"), "0.0001\n");
    put(&root, "bus/iio/devices/iio:device1/in_voltage0_raw", "3700\n");
    put(&root, &format!("{gas}_raw"), "812\n");
    let status = daemon.status_when("all read", |status| {
        ["core", "air", "co2"].iter().all(|name| named(status, "probes", name)["readings"] != json!({}))
            && named(status, "sources", "board")["state"] == "connected"
    });
    let readings = |name: &str| named(&status, "probes", name)["readings"].clone();
    assert_eq!(readings("core"), json!({"temperature_c": 25.06}));
    assert_eq!(readings("air"), json!({"temperature_c": 23.41, "humidity_pct": 87.89}));
    assert_eq!(readings("co2")["co2_ppm"], 812.0);
    assert_eq!(site.query("SELECT DISTINCT battery FROM sample WHERE battery IS NOT NULL"), [["3.7"]]);
    // A bad contact: refused by its checksum, and nothing stored of it.
    for (spoilt, reason) in [
        (WARM.replace("YES", "NO"), "checksum"),
        (WARM.replace("91 01", "92 01"), "checksum"),
        ("00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n".to_owned(), "malformed"),
    ] {
        let wanted = format!("reason=\"{reason}\"");
        let count = || {
            let (_, _, body) = daemon.get("/metrics");
            let line =
                body.lines().find(|line| line.contains("refused_total") && line.contains(&wanted)).map(str::to_owned);
            line.and_then(|line| line.rsplit(' ').next()?.parse::<f64>().ok()).unwrap_or(0.0)
        };
        // Put in place whole, as an attribute is.
        let beside = put(&root, "beside", &spoilt);
        std::fs::rename(beside, &wire).unwrap();
        let before = count();
        wait_until(PATIENCE, reason, || count() > before + 1.0);
    }
    let core =
        "SELECT DISTINCT temperature FROM sample JOIN probe ON probe.id = sample.probe WHERE probe.name = 'core'";
    assert_eq!(site.query(core), [["25.062"]]);
    // A device that is gone is told; the others go on.
    std::fs::remove_dir_all(root.join("bus/w1")).unwrap();
    wait_until(PATIENCE, "told", || {
        daemon.log_lines().iter().any(|line| line.contains("there is no device 28-0316a2793b0f"))
    });
    assert_eq!(named(&daemon.status(), "sources", "board")["state"], "connected");
    assert!(daemon.terminate().0.success());
}

#[test]
fn what_is_no_device_or_channel_is_refused_with_its_place() {
    let config = |lines: &str| {
        format!(
            "[site]\nname = \"a\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\n[[local]]\nname = \"board\"\n\
             [[probe]]\nname = \"core\"\nfrom = \"board\"\nevery = \"10s\"\n{lines}\n"
        )
    };
    for (lines, part) in [
        ("device = \"../../etc\"\nreads = { temperature = \"in_temp\" }", "core].device: found"),
        ("reads = { temperature = \"in_temp\" }", "core].device: it is missing"),
        ("device = \"sht3x\"\nreads = { temperature = \"in_pressure\" }", "a channel such as \"in_temp\""),
        ("device = \"sht3x\"\nreads = { humidity = \"temperature\" }", "in_humidityrelative"),
        ("device = \"sht3x\"\nformat = \"json\"\nreads = { temperature = \"in_temp\" }", "expected no format here"),
        ("device = \"sht3x\"\ntopic = \"a\"\nreads = { temperature = \"in_temp\" }", "topic"),
    ] {
        let site = Site::new(&config(lines));
        let said = site.command(&["check"]);
        assert_eq!(said.status.code(), Some(78));
        let text = String::from_utf8_lossy(&said.stderr).into_owned();
        assert!(text.contains(part), "{text}");
    }
}
