//! Where the work can hurt, one plain line at the place: seen in what the built program prints.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;
mod season;

use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};

use harness::{PATIENCE, wait_until};
use season::{Season, at};

#[test]
fn every_command_that_can_hurt_says_so() {
    let season = Season::begin();
    let said = season.ok(&["pasteurise", "coir-1", "--probe", "core-1", "--hold-at", "coir-60", "--at", &at(0.0)]);
    assert!(said.contains("scald"), "{said}");
    season.spawn("A1", 2.0, &["--core", "core-0"]);
    let harvest = season.ok(&["harvest", "A1", "--fresh", "412g", "--at", &at(20.0)]);
    for part in ["before the caps drop spores", "mask", "vent", "cannot identify", "cook"] {
        assert!(harvest.contains(part), "{part}: {harvest}");
    }
    let suspect = season.ok(&["suspect", "A1", "--what", "green", "--at", &at(21.0)]);
    let discard = season.ok(&["discard", "A1", "--because", "contaminated", "--at", &at(22.0)]);
    for said in [suspect, discard] {
        for part in ["closed", "do not sniff", "mask", "outside", "wash hands"] {
            assert!(said.contains(part), "{part}: {said}");
        }
    }
}

#[test]
fn calibrating_in_boiling_water_says_that_it_scalds() {
    let season = Season::begin();
    season.steady("core-0", 0.0, 1.0, 24.0);
    // It waits for a steady reading: what it says first is read, then it is ended.
    let mut child = Command::new(env!("CARGO_BIN_EXE_tubwatch"))
        .arg("--config")
        .arg(season.site.config())
        .args(["calibrate", "core-0", "--at", "boiling"])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
    let caution = lines.find(|line| line.contains("scald"));
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(caution.is_some_and(|line| line.contains("steam")));
}

#[test]
fn the_first_run_and_only_the_first_says_what_it_is_not() {
    let season = Season::begin();
    let daemon = season.site.run();
    let said = |lines: &[String]| lines.iter().any(|line| line.contains("no safety device"));
    wait_until(PATIENCE, "the first words", || said(&daemon.log_lines()));
    let lines = daemon.log_lines();
    let words = lines.iter().find(|line| line.contains("no safety device")).unwrap();
    for part in ["thermal cut-out", "residual-current", "licensed electrician", "Local codes"] {
        assert!(words.contains(part), "{part}: {words}");
    }
    let page = daemon.get("/").2;
    assert!(page.contains("no safety device") && page.contains("Local codes and licensed practice come first"));
    assert!(daemon.terminate().0.success());
    let daemon = season.site.run();
    wait_until(PATIENCE, "it runs", || daemon.log_lines().iter().any(|line| line.contains("watching 8 probes")));
    assert!(!said(&daemon.log_lines()));
}

#[test]
fn check_tells_of_backups_and_of_programs_that_are_run() {
    let run = "[[messenger]]\nname = \"lamp\"\nrun = { program = \"/bin/true\" }\n";
    let season = Season::with(run);
    let said = season.ok(&["check"]);
    let line = said.lines().find(|line| line.trim_start().starts_with("lamp: runs")).unwrap();
    assert!(line.contains("no safety device") && line.contains("never the only thing that stops a heater"), "{line}");
    assert!(said.contains("No [backup]"), "{said}");

    let copies = season.site.folder.path().join("copies");
    let backup = format!("[backup]\nfolder = \"{}\"\nevery = \"2d\"\nkeep = 5\n", copies.display());
    let config = std::fs::read_to_string(season.site.config()).unwrap() + &backup;
    std::fs::write(season.site.folder.path().join("status.token"), "a-token-long-enough-for-a-page\n").unwrap();
    season.site.write_config(&config.replace("address =", "token_file = \"status.token\"\naddress ="));
    let said = season.ok(&["check"]);
    assert!(said.contains("is the disk plugged in?"), "{said}");
    std::fs::create_dir(&copies).unwrap();
    let said = season.ok(&["check"]);
    for part in ["every 2d a copy of everything into", "the newest 5 are kept", "and listed: status.token"] {
        assert!(said.contains(part), "{part}: {said}");
    }
    assert!(said.contains("same disk as the store") && !said.contains("No [backup]"), "{said}");
}
