//! `/metrics` read by an independent parser: prometheus_client 0.26.0, in the folder of Python packages
//! that `tests/run` sets up. Its absence is a failure.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use harness::daemon::Site;

const CONFIG: &str = r#"
[site]
name = "metrics \"quoted\" \\ site"
timezone = "Etc/UTC"
[store]
path = "state"
commit_every = "1s"
[status]
listen = "127.0.0.1:0"
[[port]]
name = "usb \"left\""
device = "nothing-plugged-in"
[[probe]]
name = "core \\ one"
from = "usb \"left\""
format = "number"
every = "10s"
reads = { temperature = "" }
[[space]]
name = "shelf"
"#;

/// Reads an exposition from standard input and prints the families with their samples' counts.
const READ: &str = "
import sys
kind = sys.argv[1]
if kind == 'openmetrics':
    from prometheus_client.openmetrics.parser import text_string_to_metric_families as read
else:
    from prometheus_client.parser import text_string_to_metric_families as read
for family in read(sys.stdin.read()):
    print(family.name, family.type, len(family.samples))
";

fn families(kind: &str, text: &str) -> String {
    let python = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/python/bin/python");
    let mut child = Command::new(&python)
        .args(["-c", READ, kind])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap_or_else(|why| panic!("{}: {why}; run tests/run, which sets it up", python.display()));
    child.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{kind}: {}\n{text}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn an_independent_parser_takes_both_expositions() {
    let site = Site::new(CONFIG);
    site.ok(&["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf", "--core", "core \\ one"]);
    let daemon = site.run();
    daemon.status_when("the tub is there", |status| !status["tubs"][0].is_null());
    let (_, _, classic) = daemon.get("/metrics");
    let told = families("classic", &classic);
    for name in
        ["tubwatch_tub_progress_ratio gauge", "tubwatch_alerts_active gauge", "tubwatch_commit_seconds histogram"]
    {
        assert!(told.contains(name), "{name}\n{told}");
    }
    let (head, open) = harness::daemon::get_accepting(&daemon.address, "/metrics", "application/openmetrics-text");
    assert!(head.to_ascii_lowercase().contains("application/openmetrics-text; version=1.0.0"), "{head}");
    let told = families("openmetrics", &open);
    assert!(told.contains("tubwatch_written_bytes counter 1"), "{told}");
    assert!(told.contains("tubwatch_samples counter") && told.contains("tubwatch_commit_seconds histogram"), "{told}");
}
