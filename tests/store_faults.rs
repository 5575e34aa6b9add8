//! The store when its disk is full, read-only, locked or damaged: alerts still reach their messenger, nothing
//! acknowledged is lost, the fault is said in one plain sentence and is over when it is over.
//!
//! With TUBWATCH_FAULTS_LONG set each fault is held until the `store` alert has come (a minute), and it
//! must come back; without it only `/health` is asked.
#![allow(clippy::unwrap_used, clippy::panic)]

mod faults;
mod harness;

use std::os::unix::fs::FileExt;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use faults::SmallDisk;
use harness::daemon::{Daemon, Site, named};
use harness::sink::Sink;
use harness::{Mosquitto, PATIENCE, now_ms, rfc3339, wait_until};
use serde_json::Value;

/// A tub with a core probe, other probes to fill the disk with, and a phone.
fn config(broker: &Mosquitto, sink: &Sink) -> String {
    let mut text = format!(
        r#"
[site]
name = "faults"
timezone = "Etc/UTC"
[store]
path = "state"
commit_every = "200ms"
[status]
listen = "127.0.0.1:0"
[[messenger]]
name = "phone"
webhook = {{ url = "{}" }}
[[broker]]
name = "house"
url = "mqtt://127.0.0.1:{}"
[[space]]
name = "shelf"
"#,
        sink.url(),
        broker.port()
    );
    for name in ["core-a1", "filler"] {
        text.push_str(&format!(
            "[[probe]]\nname = \"{name}\"\nfrom = \"house\"\ntopic = \"{name}\"\nformat = \"json\"\nevery = \"60s\"\n\
             reads = {{ temperature = \"/t\" }}\ntime = {{ at = \"/ts\", unit = \"ms\" }}\n"
        ));
    }
    text
}

fn reading(probe: &str, at: i64, t: f64) -> (String, Vec<u8>) {
    (probe.to_owned(), format!("{{\"ts\":{at},\"t\":{t}}}").into_bytes())
}

struct Shelf {
    broker: Mosquitto,
    sink: Sink,
    site: Site,
    begin: i64,
}

impl Shelf {
    fn new() -> Shelf {
        // As brokers are: it sends no more than 20 messages that are not acknowledged.
        let broker = Mosquitto::start_with("allow_anonymous true\nmax_inflight_messages 20\n", |_| {});
        let sink = Sink::start();
        let site = Site::new(&config(&broker, &sink));
        Shelf { broker, sink, site, begin: now_ms() - 3_600_000 }
    }

    fn run_with_a_tub(&self) -> Daemon {
        let at = rfc3339(self.begin);
        self.site.spawn_a1(&at);
        let daemon = self.site.run();
        daemon.connected();
        daemon
    }

    fn folder(&self) -> &Path {
        self.site.folder.path()
    }

    /// The tub overheats; the phone must hear of it although the store fails. Returns how many readings
    /// that took: what comes before the second road is there waits at the broker.
    fn an_alert_gets_through(&self, daemon: &Daemon) -> u64 {
        self.an_alert_gets_through_by(daemon, |at| at)
    }

    /// The same by a probe whose clock shows something else.
    fn an_alert_gets_through_by(&self, daemon: &Daemon, shown: impl Fn(i64) -> i64) -> u64 {
        let (mut sent, mut at) = (0, now_ms() - 60_000);
        let heard = || {
            let is_raised = self.posts("core-temperature").iter().any(|post| post["event"] == "raised");
            if !is_raised {
                self.broker.publish_many([reading("core-a1", shown(at), 31.5)], 1, false);
                (sent, at) = (sent + 1, now_ms().max(at + 1));
            }
            is_raised
        };
        wait_until(PATIENCE, &format!("the phone hears of the heat, beside {:#?}", daemon.log_lines()), heard);
        sent
    }

    fn posts(&self, watch: &str) -> Vec<Value> {
        let bodies = self.sink.posts().into_iter().map(|post| post.body);
        bodies.filter(|body| body["watch"] == watch).collect()
    }

    /// The fault is told: by the health at once, in the long form by the store's alert.
    fn the_fault_is_told(&self, daemon: &Daemon, words: &str) {
        wait_until(PATIENCE, "the health says so", || daemon.get("/health").0 == 503);
        let said = || daemon.log_lines().iter().any(|line| line.contains(words));
        wait_until(PATIENCE, &format!("{words} in {:#?}", daemon.log_lines()), said);
        if is_long() {
            let raised = || self.posts("store").iter().any(|post| post["event"] == "raised");
            wait_until(Duration::from_secs(120), "the store's alert", raised);
        }
    }

    fn the_fault_is_over(&self, daemon: &Daemon) {
        wait_until(PATIENCE, "the health is well", || daemon.get("/health").0 == 200);
        if is_long() {
            let returned = || self.posts("store").iter().any(|post| post["event"] == "returned");
            wait_until(PATIENCE, "the store's alert returns", returned);
        }
    }

    /// Everything published is stored, once.
    fn all_is_stored(&self, daemon: &Daemon, probe: &str, count: u64) {
        daemon.status_when("all of it", |status| named(status, "probes", probe)["samples"] == count);
        let sql = format!(
            "SELECT count(*), count(DISTINCT at) FROM sample WHERE probe = (SELECT id FROM probe WHERE name = '{probe}')"
        );
        assert_eq!(self.site.query(&sql), [[count.to_string(), count.to_string()]]);
        assert_eq!(self.site.query("PRAGMA integrity_check"), [["ok"]]);
    }
}

fn is_long() -> bool {
    std::env::var_os("TUBWATCH_FAULTS_LONG").is_some()
}

#[test]
fn a_full_disk_silences_no_alert_and_loses_nothing() {
    let shelf = Shelf::new();
    let state = shelf.folder().join("state");
    let Some(disk) = SmallDisk::over(&state, 1024) else {
        // Without the right to mount, a limit on the size of files does as well.
        return a_file_that_may_not_grow(&shelf);
    };
    let daemon = shelf.run_with_a_tub();
    // Somebody else fills the disk.
    let filler = std::fs::File::create(state.join("somebody-elses")).unwrap();
    let mut at = 0;
    while filler.write_all_at(&[0; 4096], at).is_ok() {
        at += 4096;
    }
    shelf.broker.publish_many((0..400).map(|n| reading("filler", shelf.begin + n * 1_000, 20.0)), 1, false);
    shelf.the_fault_is_told(&daemon, "the disk is full");
    let hot = shelf.an_alert_gets_through(&daemon);
    filler.set_len(0).unwrap();
    shelf.the_fault_is_over(&daemon);
    shelf.all_is_stored(&daemon, "filler", 400);
    shelf.all_is_stored(&daemon, "core-a1", hot);
    assert!(daemon.terminate().0.success());
    drop(disk);
}

/// The same by a limit on the size of files: the fault ends with a start without it.
fn a_file_that_may_not_grow(shelf: &Shelf) {
    drop(shelf.run_with_a_tub());
    let mut program = std::process::Command::new("sh");
    program.args(["-c", "trap '' XFSZ; ulimit -f 200; exec \"$0\" \"$@\"", env!("CARGO_BIN_EXE_tubwatch")]);
    let daemon = shelf.site.run_as(program);
    shelf.broker.publish_many((0..4000).map(|n| reading("filler", shelf.begin + n * 500, 20.0)), 1, false);
    shelf.the_fault_is_told(&daemon, "cannot write");
    let hot = shelf.an_alert_gets_through(&daemon);
    daemon.kill_nine();
    let daemon = shelf.site.run();
    shelf.all_is_stored(&daemon, "filler", 4000);
    shelf.all_is_stored(&daemon, "core-a1", hot);
}

#[test]
fn a_disk_that_turns_read_only_silences_no_alert() {
    let shelf = Shelf::new();
    let state = shelf.folder().join("state");
    let daemon;
    if let Some(disk) = SmallDisk::over(&state, 8192) {
        daemon = shelf.run_with_a_tub();
        // As the system does when a card fails: what is open for writing fails from now on.
        let store = shelf.site.store();
        drop(rusqlite::Connection::open(&store).unwrap());
        make_unwritable(&state, true);
        shelf.broker.publish_many((0..50).map(|n| reading("filler", shelf.begin + n * 1_000, 20.0)), 1, false);
        shelf.the_fault_is_told(&daemon, "was taken away or replaced while tubwatch runs");
        let hot = shelf.an_alert_gets_through(&daemon);
        make_unwritable(&state, false);
        shelf.the_fault_is_over(&daemon);
        shelf.all_is_stored(&daemon, "filler", 50);
        shelf.all_is_stored(&daemon, "core-a1", hot);
        assert!(daemon.terminate().0.success());
        drop(disk);
    } else {
        a_file_that_may_not_grow(&shelf);
    }
}

/// Takes the store's file away from under the daemon, or puts it back: the writer must not go on writing to
/// a file without a name. (A mount with files open for writing cannot be made read-only.)
fn make_unwritable(state: &Path, on: bool) {
    let (there, away) = (state.join("tubwatch.sqlite"), state.join("away"));
    if on { std::fs::rename(there, away).unwrap() } else { std::fs::rename(away, there).unwrap() }
}

#[test]
fn a_store_that_is_read_only_from_the_start_is_watched_beside() {
    let shelf = Shelf::new();
    let state = shelf.folder().join("state");
    let Some(disk) = SmallDisk::over(&state, 8192) else {
        return a_file_that_may_not_grow(&shelf);
    };
    let daemon = shelf.run_with_a_tub();
    assert!(daemon.terminate().0.success());
    disk.remount("ro");
    let daemon = shelf.site.run();
    daemon.connected();
    shelf.the_fault_is_told(&daemon, "Read-only file system");
    let hot = shelf.an_alert_gets_through(&daemon);
    disk.remount("rw");
    shelf.all_is_stored(&shelf_restarted(&shelf, daemon), "core-a1", hot);
}

fn shelf_restarted(shelf: &Shelf, daemon: Daemon) -> Daemon {
    assert!(daemon.terminate().0.success());
    shelf.site.run()
}

#[test]
fn a_store_locked_by_another_program_is_waited_for() {
    let shelf = Shelf::new();
    let daemon = shelf.run_with_a_tub();
    let other = rusqlite::Connection::open(shelf.site.store()).unwrap();
    other.execute_batch("BEGIN IMMEDIATE; CREATE TABLE theirs (a); ").unwrap();
    shelf.broker.publish_many((0..50).map(|n| reading("filler", shelf.begin + n * 1_000, 20.0)), 1, false);
    shelf.the_fault_is_told(&daemon, "another program is writing to it");
    let hot = shelf.an_alert_gets_through(&daemon);
    other.execute_batch("ROLLBACK").unwrap();
    shelf.the_fault_is_over(&daemon);
    shelf.all_is_stored(&daemon, "filler", 50);
    shelf.all_is_stored(&daemon, "core-a1", hot);
}

#[test]
fn a_probe_whose_clock_was_never_set_is_heard_while_the_store_fails() {
    let shelf = Shelf::new();
    let daemon = shelf.run_with_a_tub();
    let other = rusqlite::Connection::open(shelf.site.store()).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    // The broker's window fills: what comes now comes by the second road.
    shelf.broker.publish_many((0..50).map(|n| reading("filler", shelf.begin + n * 1_000, 20.0)), 1, false);
    shelf.the_fault_is_told(&daemon, "another program is writing to it");
    let started = now_ms() - 3_600_000;
    shelf.an_alert_gets_through_by(&daemon, |at| at - started);
    other.execute_batch("ROLLBACK").unwrap();
    shelf.the_fault_is_over(&daemon);
    shelf.all_is_stored(&daemon, "filler", 50);
}

#[test]
fn a_disk_that_hangs_stops_neither_a_reload_nor_the_alerts() {
    let shelf = Shelf::new();
    let hangs = shelf.folder().join("hangs");
    shelf.site.spawn_a1(&rfc3339(shelf.begin));
    let mut program = Command::new(env!("CARGO_BIN_EXE_tubwatch"));
    program.env("LD_PRELOAD", faults::shim()).env("SHIM_HANGS", &hangs);
    let daemon = shelf.site.run_as(program);
    daemon.connected();
    std::fs::write(&hangs, "").unwrap();
    shelf.broker.publish_many((0..10).map(|n| reading("filler", shelf.begin + n * 1_000, 20.0)), 1, false);
    wait_until(PATIENCE, "a commit hangs", || std::fs::read(&hangs).unwrap() == b"hangs");
    daemon.signal("HUP");
    // What writes to the store cannot be ended: it goes on without, and comes back to it.
    let again = || daemon.log_lines().iter().filter(|line| line.contains("watching")).count() == 2;
    wait_until(PATIENCE, &format!("it starts again, beside {:#?}", daemon.log_lines()), again);
    wait_until(PATIENCE, "the health says so", || daemon.get("/health").0 == 503);
    let hot = shelf.an_alert_gets_through(&daemon);
    std::fs::remove_file(&hangs).unwrap();
    wait_until(PATIENCE, "the store is back", || daemon.get("/health").0 == 200);
    shelf.all_is_stored(&daemon, "filler", 10);
    shelf.all_is_stored(&daemon, "core-a1", hot);
}

#[test]
fn a_disk_that_hangs_while_the_store_is_looked_for_stops_no_signal() {
    let shelf = Shelf::new();
    let hangs = shelf.folder().join("hangs");
    let state = shelf.folder().join("state");
    std::fs::write(&state, "no folder").unwrap();
    let mut program = Command::new(env!("CARGO_BIN_EXE_tubwatch"));
    program.env("LD_PRELOAD", faults::shim()).env("SHIM_HANGS", &hangs);
    let daemon = shelf.site.run_as(program);
    daemon.connected();
    assert_eq!(daemon.get("/health").0, 503);
    std::fs::write(&hangs, "").unwrap();
    std::fs::remove_file(&state).unwrap();
    wait_until(PATIENCE, "making the store hangs", || std::fs::read(&hangs).unwrap() == b"hangs");
    assert!(daemon.terminate().0.success());
}

/// Samples in it: some chunks full.
const FILLED: i64 = 13_000;

/// A store with sealed samples, fresh ones and a logbook, in a site whose daemon does not run.
fn filled() -> Shelf {
    let shelf = Shelf::new();
    let daemon = shelf.run_with_a_tub();
    let begin = shelf.begin - 100 * 86_400_000;
    let old = (0..FILLED).map(|n| reading("filler", begin + n * 600_000, 20.0 + (n * n * 7919 % 199) as f64 / 100.0));
    shelf.broker.publish_many(old, 1, false);
    daemon.status_when("all of it", |status| named(status, "probes", "filler")["samples"] == FILLED);
    let sealed =
        || shelf.site.query("SELECT ifnull(sum(count), 0) FROM chunk")[0][0].parse::<i64>().unwrap() > FILLED - 1_000;
    wait_until(PATIENCE, "most of it is sealed while the daemon runs", sealed);
    assert!(daemon.terminate().0.success());
    shelf
}

fn flip(file: &Path, at: u64, bytes: usize) {
    let file = std::fs::File::options().read(true).write(true).open(file).unwrap();
    let mut hurt = vec![0; bytes];
    file.read_exact_at(&mut hurt, at).unwrap();
    hurt.iter_mut().for_each(|byte| *byte ^= 0xA5);
    file.write_all_at(&hurt, at).unwrap();
}

fn samples(site: &Site) -> i64 {
    let sql = "SELECT (SELECT count(*) FROM sample WHERE rowid > ifnull((SELECT row FROM sealing), -1))
        + ifnull((SELECT sum(count) FROM chunk), 0)";
    site.query(sql)[0][0].parse().unwrap()
}

/// Salvages, restores, and gives how many samples there are then.
fn saved(shelf: &Shelf) -> (String, i64) {
    let before = std::fs::read(shelf.site.store()).unwrap();
    let said = shelf.site.ok(&["backup", "--salvage", "saved.sqlite"]);
    assert_eq!(std::fs::read(shelf.site.store()).unwrap(), before, "the damaged file is left as it is");
    let refused = shelf.site.command(&["restore", "saved.sqlite"]);
    assert!(!refused.status.success(), "never over another store");
    shelf.site.ok(&["restore", "saved.sqlite", "--set-aside"]);
    assert_eq!(shelf.site.query("PRAGMA integrity_check"), [["ok"]]);
    (said, samples(&shelf.site))
}

#[test]
fn a_damaged_header_is_told_watched_beside_and_salvaged_whole() {
    let shelf = filled();
    flip(&shelf.site.store(), 3, 9);
    let daemon = shelf.site.run();
    daemon.connected();
    shelf.the_fault_is_told(&daemon, "is not a tubwatch store; it was left as it is");
    let hot = shelf.an_alert_gets_through(&daemon);
    daemon.kill_nine();
    let (said, count) = saved(&shelf);
    assert!(said.contains("lost: the file's header"), "{said}");
    assert_eq!(count, FILLED, "{said}");
    assert!(shelf.site.ok(&["tubs"]).contains("A1"));
    let daemon = shelf.site.run();
    daemon.status_when("what was not acknowledged comes again", |status| {
        named(status, "probes", "core-a1")["samples"] == hot
    });
}

#[test]
fn a_damaged_page_costs_what_was_on_it() {
    let shelf = filled();
    let connection = rusqlite::Connection::open(shelf.site.store()).unwrap();
    // Made compact, so that no free page and no page's free space holds a leftover of what is looked for.
    connection.execute_batch("VACUUM").unwrap();
    connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    drop(connection);
    // A page that a chunk runs over, not the table's own.
    let size: u64 = shelf.site.query("SELECT page_size FROM pragma_page_size")[0][0].parse().unwrap();
    let connection = rusqlite::Connection::open(shelf.site.store()).unwrap();
    let blob: Vec<u8> =
        connection.query_row("SELECT temperature FROM chunk LIMIT 1 OFFSET 1", [], |row| row.get(0)).unwrap();
    drop(connection);
    let file = std::fs::read(shelf.site.store()).unwrap();
    let part = &blob[blob.len() / 2..blob.len() / 2 + 24];
    let places = file.windows(part.len()).enumerate().filter(|(_, bytes)| *bytes == part);
    let root =
        shelf.site.query("SELECT rootpage FROM sqlite_schema WHERE name = 'chunk'")[0][0].parse::<u64>().unwrap();
    let at = places.map(|(at, _)| at as u64).rfind(|at| at / size + 1 != root).unwrap();
    flip(&shelf.site.store(), at / size * size, size as usize);
    let (said, count) = saved(&shelf);
    assert!(said.contains("lost: ") && said.contains("of probe number"), "{said}");
    assert!((1_000..=FILLED).contains(&count), "{count}: {said}");
    let read = shelf.site.ok(&["export", "--line-protocol", "--from", "2000-01-01"]).lines().count() as i64;
    assert!((1_000..FILLED).contains(&read), "{read}: {said}");
    assert!(shelf.site.ok(&["tubs"]).contains("A1"));
}

#[test]
fn a_damaged_chunk_is_told_with_its_probe_and_times_and_the_rest_is_read() {
    let shelf = filled();
    let connection = rusqlite::Connection::open(shelf.site.store()).unwrap();
    let sql = "UPDATE chunk SET temperature = zeroblob(length(temperature)) WHERE id = (SELECT min(id) FROM chunk)";
    assert_eq!(connection.execute(sql, []).unwrap(), 1);
    let lost: i64 = connection.query_row("SELECT count FROM chunk ORDER BY id LIMIT 1", [], |row| row.get(0)).unwrap();
    drop(connection);
    let failed = shelf.site.command(&["export", "--line-protocol", "--from", "2000-01-01"]);
    assert!(!failed.status.success());
    let told = String::from_utf8_lossy(&failed.stderr).into_owned();
    for part in ["the samples of probe filler from ", "are damaged (a checksum does not match)", "backup --salvage"] {
        assert!(told.contains(part), "{told}");
    }
    assert_eq!(told.trim().lines().count(), 1, "{told}");
    // The daemon goes on: what is damaged is not what it needs.
    let daemon = shelf.site.run();
    daemon.connected();
    assert_eq!(daemon.get("/health").0, 200);
    assert!(daemon.terminate().0.success());
    let (said, _) = saved(&shelf);
    assert!(said.contains("lost: temperature of probe number"), "{said}");
    let out = shelf.site.ok(&["export", "--line-protocol", "--from", "2000-01-01"]);
    assert_eq!(out.lines().count() as i64, FILLED - lost);
}

#[test]
fn a_backup_beside_the_running_daemon_is_whole_and_comes_back() {
    let shelf = filled();
    let daemon = shelf.site.run();
    daemon.connected();
    let said = shelf.site.ok(&["backup", "copy.sqlite"]);
    assert!(said.contains("everything"), "{said}");
    let again = shelf.site.command(&["backup", "copy.sqlite"]);
    assert!(String::from_utf8_lossy(&again.stderr).contains("it is there already"));
    let refused = shelf.site.command(&["restore", "copy.sqlite", "--set-aside"]);
    assert!(String::from_utf8_lossy(&refused.stderr).contains("already runs on the store"));
    assert!(daemon.terminate().0.success());
    let left: Vec<_> = std::fs::read_dir(shelf.folder()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(left.len(), 3, "no leftovers: {left:?}");
    std::fs::remove_dir_all(shelf.folder().join("state")).unwrap();
    shelf.site.ok(&["restore", "copy.sqlite"]);
    assert_eq!(samples(&shelf.site), FILLED);
    assert!(shelf.site.ok(&["tubs"]).contains("A1"));
}

/// A store of 50 samples of `filler`, with what a daemon that was killed left beside it.
fn cut_short() -> Shelf {
    let shelf = Shelf::new();
    let daemon = shelf.run_with_a_tub();
    shelf.broker.publish_many((0..50).map(|n| reading("filler", shelf.begin + n * 1_000, 20.0)), 1, false);
    shelf.all_is_stored(&daemon, "filler", 50);
    daemon.kill_nine();
    assert!(shelf.folder().join("state/tubwatch.sqlite-wal").metadata().unwrap().len() > 0);
    shelf
}

#[test]
fn a_copy_of_file_and_log_is_restored_with_both() {
    let shelf = cut_short();
    let copy = shelf.folder().join("copy");
    std::fs::create_dir(&copy).unwrap();
    for name in ["tubwatch.sqlite", "tubwatch.sqlite-wal", "tubwatch.sqlite-shm"] {
        std::fs::copy(shelf.folder().join("state").join(name), copy.join(name)).unwrap();
    }
    std::fs::remove_dir_all(shelf.folder().join("state")).unwrap();
    shelf.site.ok(&["restore", "copy/tubwatch.sqlite"]);
    assert_eq!(samples(&shelf.site), 50);
    assert!(shelf.site.ok(&["tubs"]).contains("A1"));
}

#[test]
fn a_log_whose_file_was_moved_away_is_not_played_into_the_next() {
    let shelf = cut_short();
    let state = shelf.folder().join("state");
    shelf.site.ok(&["backup", "copy.sqlite"]);
    let asides = |state: &Path| {
        let names = std::fs::read_dir(state).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
        names.filter(|name| name.contains("-wal") && name.contains("aside")).count()
    };
    // A new store is made where it stood.
    std::fs::rename(state.join("tubwatch.sqlite"), shelf.folder().join("away.sqlite")).unwrap();
    let log = std::fs::read(state.join("tubwatch.sqlite-wal")).unwrap();
    let daemon = shelf.site.run();
    daemon.connected();
    shelf.all_is_stored(&daemon, "filler", 0);
    assert!(daemon.terminate().0.success());
    assert_eq!(asides(&state), 1);
    // The backup is put where it stood.
    std::fs::remove_file(state.join("tubwatch.sqlite")).unwrap();
    std::fs::write(state.join("tubwatch.sqlite-wal"), &log).unwrap();
    shelf.site.ok(&["restore", "copy.sqlite"]);
    assert_eq!(asides(&state), 2);
    assert_eq!((samples(&shelf.site), shelf.site.query("PRAGMA integrity_check")), (50, vec![vec!["ok".to_owned()]]));
}
