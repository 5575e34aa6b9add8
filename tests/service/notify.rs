//! What the service manager hears, on a socket as systemd makes it.

use std::os::unix::net::UnixDatagram;
use std::time::Duration;

use crate::harness::PATIENCE;
use crate::harness::daemon::Site;

/// Ports are all the system's choice, so that two daemons never meet.
pub const BARE: &str = r#"
[site]
name = "cellar"
timezone = "Europe/Lisbon"

[store]
path = "state"

[status]
listen = "127.0.0.1:0"
"#;

struct Manager {
    socket: UnixDatagram,
    heard: Vec<String>,
}

impl Manager {
    fn listen(site: &Site) -> Manager {
        let socket = UnixDatagram::bind(site.folder.path().join("notify")).unwrap();
        socket.set_read_timeout(Some(PATIENCE)).unwrap();
        Manager { socket, heard: Vec::new() }
    }

    /// Waits for a datagram that has the line `wanted`; `not_before` must have been heard by then.
    fn hears(&mut self, wanted: &str, not_before: &[&str]) {
        loop {
            let mut bytes = [0; 4096];
            let read = self.socket.recv(&mut bytes).unwrap_or_else(|why| panic!("{wanted} not heard: {why}"));
            let lines: Vec<String> = String::from_utf8_lossy(&bytes[..read]).lines().map(str::to_owned).collect();
            let found = lines.iter().any(|line| line == wanted);
            self.heard.extend(lines);
            if found {
                let missing: Vec<_> = not_before.iter().filter(|line| !self.heard.contains(&(**line).into())).collect();
                assert!(missing.is_empty(), "{missing:?} not before {wanted}: {:?}", self.heard);
                return;
            }
        }
    }
}

#[test]
fn systemd_is_told_of_every_turn() {
    let site = Site::new(BARE);
    let mut manager = Manager::listen(&site);
    let socket = site.folder.path().join("notify");
    let within = Duration::from_millis(900).as_micros().to_string();
    let daemon = site.run_with(&[("NOTIFY_SOCKET", socket.to_str().unwrap()), ("WATCHDOG_USEC", &within)]);
    manager.hears("READY=1", &[]);
    assert!(site.store().exists(), "ready before the store was there");
    assert!(manager.heard.contains(&"STATUS=watching 0 probes for cellar".to_owned()), "{:?}", manager.heard);
    for _ in 0..3 {
        manager.hears("WATCHDOG=1", &["READY=1"]);
    }
    manager.heard.clear();
    daemon.signal("HUP");
    manager.hears("RELOADING=1", &[]);
    manager.hears("READY=1", &["RELOADING=1"]);
    manager.hears("WATCHDOG=1", &[]);

    // A wrong config changes nothing, and the manager is not left waiting.
    site.write_config("[site]\nname = 3\n");
    manager.heard.clear();
    daemon.signal("HUP");
    manager.hears("RELOADING=1", &[]);
    manager.hears("READY=1", &["RELOADING=1"]);
    manager.hears("WATCHDOG=1", &[]);

    let (status, took) = daemon.terminate();
    assert!(status.success(), "{status}");
    assert!(took < PATIENCE);
    manager.hears("STOPPING=1", &[]);
}

#[test]
fn the_watchdog_goes_hungry_where_nobody_set_one() {
    let site = Site::new(BARE);
    let mut manager = Manager::listen(&site);
    let socket = site.folder.path().join("notify");
    let daemon = site.run_with(&[("NOTIFY_SOCKET", socket.to_str().unwrap())]);
    manager.hears("READY=1", &[]);
    let (status, _) = daemon.terminate();
    assert!(status.success());
    manager.hears("STOPPING=1", &[]);
    assert!(!manager.heard.contains(&"WATCHDOG=1".to_owned()), "{:?}", manager.heard);
}

#[test]
fn a_wrong_config_ends_with_the_status_that_the_unit_never_restarts() {
    let site = Site::new("[site]\nname = \"cellar\"\n");
    let output = site.command(&["run"]);
    assert_eq!(output.status.code(), Some(78));
    assert!(super::units::unit().contains("\nRestartPreventExitStatus=78\n"));
}
