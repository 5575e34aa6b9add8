//! The files in `systemd/`, read by systemd's own programs.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("systemd")
}

/// The unit's text.
pub fn unit() -> String {
    std::fs::read_to_string(folder().join("tubwatch.service")).unwrap()
}

/// Runs a program of systemd's; a missing one fails.
fn systemd(program: &str, words: &[&str]) -> (Output, String) {
    let output = Command::new(program).args(words).env("SYSTEMD_COLORS", "0").env("LC_ALL", "C.UTF-8").output();
    let output = output.unwrap_or_else(|why| panic!("{program} (Debian: systemd, udev; tests/run installs it): {why}"));
    let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    (output, said)
}

/// What systemd-analyze verify says of `unit` with the program under test in the package's place.
fn verified(unit: &str) -> (bool, String) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("tubwatch.service");
    std::fs::write(&file, unit.replace("/usr/bin/tubwatch", env!("CARGO_BIN_EXE_tubwatch"))).unwrap();
    let (output, said) = systemd("systemd-analyze", &["verify", "--man=no", file.to_str().unwrap()]);
    let of_ours: Vec<_> = said.lines().filter(|line| line.contains("tubwatch")).collect();
    (output.status.success() && of_ours.is_empty(), said)
}

#[test]
fn the_unit_is_one() {
    let (fine, said) = verified(&unit());
    assert!(fine, "{said}");
    // The verifier does find what is wrong.
    let (fine, said) = verified(&unit().replace("WatchdogSec=", "WatchdogSeconds="));
    assert!(!fine, "{said}");
}

#[test]
fn the_service_is_shut_in() {
    let unit = folder().join("tubwatch.service");
    let (_, said) = systemd("systemd-analyze", &["security", "--offline=yes", "--no-pager", unit.to_str().unwrap()]);
    let last = said.lines().find(|line| line.contains("Overall exposure level")).unwrap_or_else(|| panic!("{said}"));
    let exposure: f64 = last.split(':').next_back().unwrap().split_whitespace().next().unwrap().parse().unwrap();
    assert!(exposure <= 1.5, "{said}");
}

#[test]
fn the_user_is_made_in_the_group_of_serial_ports() {
    let root = tempfile::tempdir().unwrap();
    std::fs::create_dir(root.path().join("etc")).unwrap();
    let (at, file) = (format!("--root={}", root.path().display()), folder().join("tubwatch.sysusers"));
    let (output, said) = systemd("systemd-sysusers", &[&at, file.to_str().unwrap()]);
    assert!(output.status.success(), "{said}");
    let groups = std::fs::read_to_string(root.path().join("etc/group")).unwrap();
    let dialout = groups.lines().find(|line| line.starts_with("dialout:")).unwrap();
    assert!(dialout.ends_with(":tubwatch"), "{groups}");
    let users = std::fs::read_to_string(root.path().join("etc/passwd")).unwrap();
    assert!(users.contains("/usr/sbin/nologin"), "{users}");
}

/// What udev says of `rules` when it reads them, in a mount namespace with a /run of its own.
fn udev_on(rules: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("60-tubwatch.rules");
    std::fs::write(&file, rules).unwrap();
    let script = "mount -t tmpfs tmpfs /run && mkdir -p /run/udev/rules.d && cp \"$1\" /run/udev/rules.d/ \
                  && exec udevadm test --action=add /sys/class/tty/tty";
    let namespace: &[&str] = if super::accounts::is_root() { &["-m"] } else { &["-r", "-m"] };
    let words = [namespace, &["sh", "-c", script, "sh", file.to_str().unwrap()]].concat();
    let (_, said) = systemd("unshare", &words);
    assert!(said.contains("Reading rules file: /run/udev/rules.d/60-tubwatch.rules"), "{said}");
    said.lines().filter(|line| line.contains("60-tubwatch.rules:")).collect::<Vec<_>>().join("\n")
}

#[test]
fn udev_takes_the_rules() {
    let rules = std::fs::read_to_string(folder().join("60-tubwatch.rules")).unwrap();
    assert_eq!(udev_on(&rules), "");
    let wrong = udev_on(&rules.replace("SYMLINK+=", "SYMLNK+="));
    assert!(wrong.contains("Invalid key"), "udev finds what is wrong: {wrong}");
}
