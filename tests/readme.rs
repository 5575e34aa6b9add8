//! Every command the README shows is run as it stands there.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};

use harness::daemon::{Site, get};
use harness::sink::Sink;
use harness::{PATIENCE, wait_until};

/// The lines of the README's shell blocks.
fn commands() -> Vec<String> {
    let readme = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap();
    let mut inside = false;
    let mut lines = Vec::new();
    for line in readme.lines() {
        match line {
            "```sh" => inside = true,
            "```" => inside = false,
            line if inside && !line.trim().is_empty() => lines.push(line.to_owned()),
            _ => {}
        }
    }
    lines
}

/// Splits a line into words, as a shell does with double quotes.
fn words(line: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for letter in line.chars() {
        match letter {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.push(String::new()),
            letter => words.last_mut().unwrap().push(letter),
        }
    }
    words
}

#[test]
fn the_readme_shows_the_two_commands_that_do_all() {
    let commands = commands();
    assert_eq!(commands[0], "cargo run --release -- rehearse");
    assert_eq!(commands[1], "tests/run");
    assert!(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/run").exists());
    assert!(commands.len() > 10, "{commands:?}");
}

#[test]
fn every_command_of_the_readme_works_as_shown() {
    let sink = Sink::start();
    let site = Site::new(&format!(
        r#"
[site]
name = "readme"
timezone = "Europe/Lisbon"
[store]
path = "state"
[status]
listen = "127.0.0.1:0"
[[port]]
name = "usb"
device = "nothing-plugged-in"
[[probe]]
name = "core-a1"
from = "usb"
format = "number"
every = "10s"
reads = {{ temperature = "" }}
[[space]]
name = "shelf"
[[space]]
name = "fruiting tent"
[[messenger]]
name = "phone"
webhook = {{ url = "{}" }}
"#,
        sink.url()
    ));
    for line in commands().iter().skip(2) {
        let words = words(line);
        assert_eq!(words[0], "tubwatch", "{line}");
        let rest: Vec<&str> = words[1..].iter().map(String::as_str).collect();
        if rest == ["run"] {
            let daemon = site.run();
            assert_eq!(daemon.get("/health").0, 200);
            let (status, _) = daemon.terminate();
            assert_eq!(status.code(), Some(0));
            continue;
        }
        let said = site.ok(&rest);
        assert!(!said.trim().is_empty(), "{line} says nothing");
    }
    assert_eq!(sink.posts()[0].body["event"], "trial");
    assert!(site.folder.path().join("export/tubs.csv").exists());
}

#[test]
fn the_rehearsal_shows_the_whole_job() {
    let folder = tempfile::tempdir().unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_tubwatch"))
        .arg("rehearse")
        .current_dir(folder.path())
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = Vec::new();
    let mut page = None;
    for line in BufReader::new(child.stdout.take().unwrap()).lines().map(Result::unwrap) {
        if let Some((_, rest)) = line.split_once("http://") {
            page = Some(rest.split('/').next().unwrap().to_owned());
        }
        if line == "day 2" {
            let (code, _, body) = get(page.as_ref().unwrap(), "/");
            assert_eq!(code, 200);
            assert!(body.contains("hot"), "the page shows the tubs while the rehearsal runs");
        }
        lines.push(line);
    }
    wait_until(PATIENCE, "the rehearsal ends", || child.try_wait().unwrap().is_some());
    let said = lines.join("\n");
    assert_eq!(child.wait().unwrap().code(), Some(0), "{said}");
    let told = |words: &[&str]| lines.iter().any(|line| words.iter().all(|word| line.contains(word)));
    assert!(told(&["warning raised:", "Tub hot"]), "{said}");
    assert!(told(&["critical", "Tub hot"]), "{said}");
    assert!(told(&["core-quiet", "nothing heard"]), "{said}");
    assert!(!told(&["warning raised", "Tub good"]) && !told(&["critical raised", "Tub good"]), "{said}");
    assert!(told(&["advice raised", "Tub good: due"]), "{said}");
    let export = Path::new(lines.last().unwrap());
    assert_eq!(export, folder.path().canonicalize().unwrap().join("rehearsal"));
    let tubs = std::fs::read_to_string(export.join("tubs.csv")).unwrap();
    assert_eq!(tubs.lines().count(), 4, "{tubs}");
    // A fortnight of five-minute samples from the air and two whole cores, nine days of the third.
    let climate = std::fs::read_to_string(export.join("climate.csv")).unwrap();
    assert_eq!(climate.lines().count(), 1 + 3 * (14 * 24 + 1) + 9 * 24, "rows of whole hours");
}
