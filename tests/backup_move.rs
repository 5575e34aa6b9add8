//! New card, same season: the daemon's own backup, moved to another folder and gone on with.
#![allow(clippy::unwrap_used, clippy::panic)]

mod faults;
mod harness;
mod season;

use std::path::{Path, PathBuf};

use faults::Clocks;
use harness::daemon::{Site, named};
use harness::sink::Sink;
use harness::{PATIENCE, wait_until};
use season::{Season, at};

fn backups(folder: &Path) -> Vec<PathBuf> {
    let mut all: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    all.sort();
    all
}

#[test]
fn a_store_is_moved_to_another_folder_and_goes_on() {
    let stick = tempfile::tempdir().unwrap();
    let backup = format!("[backup]\nfolder = \"{}\"\nkeep = 2\n", stick.path().display());
    let season = Season::with(&backup);
    let config = std::fs::read_to_string(season.site.config()).unwrap();
    let cultures = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/config/own-cultures.toml");
    std::fs::copy(cultures, season.site.folder.path().join("own.toml")).unwrap();
    std::fs::write(season.site.folder.path().join("status.token"), "a-token-long-enough-for-a-page\n").unwrap();
    let config = config
        .replace("altitude =", "cultures = \"own.toml\"\naltitude =")
        .replace("address =", "token_file = \"status.token\"\naddress =");
    season.site.write_config(&config);
    season.steady("core-0", 24.0 * 38.0, 24.0 * 45.0, 24.0);
    season.spawn("A1", 24.0 * 38.0, &["--core", "core-0"]);
    season.ok(&["note", "A1", "kept"]);
    // Two old ones and the remains of one that was cut short.
    for old in ["tubwatch-2026-01-01T0600Z", "tubwatch-2026-01-02T0600Z", "tubwatch-2026-01-03T0600Z.new", "holiday"] {
        std::fs::create_dir(stick.path().join(old)).unwrap();
    }
    let daemon = season.site.run();
    let before = daemon.status_when("figures", |status| {
        named(status, "tubs", "A1")["degree_hours"].as_f64().is_some_and(|sum| sum > 3000.0)
    });
    let is_new = |path: &PathBuf| path.join("READ-ME.txt").exists();
    wait_until(PATIENCE, "a backup is made", || backups(stick.path()).iter().any(is_new));
    wait_until(PATIENCE, "old ones are taken away", || backups(stick.path()).len() == 3);
    let names: Vec<String> =
        backups(stick.path()).iter().map(|path| path.file_name().unwrap().to_string_lossy().into_owned()).collect();
    assert_eq!(&names[..2], ["holiday", "tubwatch-2026-01-02T0600Z"], "what is not ours stays");
    let made = stick.path().join(&names[2]);
    let told = std::fs::read_to_string(made.join("READ-ME.txt")).unwrap();
    assert!(told.contains("status.token_file = status.token"), "{told}");
    assert!(!made.join("status.token").exists() && made.join("own.toml").exists());
    daemon.kill_nine();

    // The new card: nothing but the backup.
    let card = Site { folder: tempfile::tempdir().unwrap() };
    for file in ["tubwatch.toml", "own.toml"] {
        std::fs::copy(made.join(file), card.folder.path().join(file)).unwrap();
    }
    let missing = card.command(&["check"]);
    assert_eq!(missing.status.code(), Some(78), "the secret is missing, and that is said");
    assert!(String::from_utf8_lossy(&missing.stderr).contains("status.token"), "{missing:?}");
    card.ok(&["token", "new"]);
    let store = made.join("tubwatch.sqlite");
    card.ok(&["restore", store.to_str().unwrap()]);
    let again = card.command(&["restore", store.to_str().unwrap()]);
    assert_eq!(again.status.code(), Some(1), "never over another");
    let daemon = card.run();
    let after = daemon.status_when("figures", |status| named(status, "tubs", "A1")["degree_hours"].is_number());
    let (before, after) = (named(&before, "tubs", "A1"), named(&after, "tubs", "A1"));
    for figure in ["id", "degree_hours", "stage", "spawned_at"] {
        assert_eq!(before[figure], after[figure], "{figure}");
    }
    card.ok(&["note", "A1", "gone on"]);
    let log = card.ok(&["show", "A1"]);
    assert!(log.contains("note: kept") && log.contains("note: gone on"), "{log}");
    card.ok(&["colonised", "A1", "--at", &at(24.0 * 44.0)]);
    daemon.status_when("the logbook goes on", |status| named(status, "tubs", "A1")["stage"] == "ripening");
}

#[test]
fn a_backup_that_has_grown_old_is_told() {
    // A path of nearly the greatest length there may be: an old backup fits into it, a new one, which has a longer
    // name until it is whole, does not, whoever asks.
    const PATH_MAX: usize = 4095;
    let stick = tempfile::tempdir().unwrap();
    let old = |days: i64| {
        let at = chrono::Utc::now() - chrono::Duration::days(days);
        at.format("tubwatch-%Y-%m-%dT%H%MZ").to_string()
    };
    let mut folder = stick.path().to_owned();
    let room = PATH_MAX - 1 - old(8).len();
    while folder.as_os_str().len() + 1 < room {
        let length = (room - folder.as_os_str().len() - 1).min(200);
        folder.push("d".repeat(length));
    }
    std::fs::create_dir_all(&folder).unwrap();
    let sink = Sink::start();
    for (days, told) in [(6, false), (8, true)] {
        let lies_there = folder.join(old(days));
        std::fs::create_dir(&lies_there).unwrap();
        let season = Season::with(&format!(
            "[backup]\nfolder = \"{}\"\n[[messenger]]\nname = \"phone\"\nat_least = \"advice\"\nwebhook = {{ url = \"{}\" }}\n",
            folder.display(),
            sink.url()
        ));
        let clocks = Clocks::right(season.site.folder.path());
        let mut slept_ms = 0;
        let mut a_minute_passes = || {
            slept_ms += 60_000;
            clocks.set(0, slept_ms, true);
        };
        let daemon = season.site.run_as(clocks.program());
        wait_until(PATIENCE, "it was tried", || {
            daemon.log_lines().iter().any(|line| line.contains("no backup could be made"))
        });
        // What has failed for a minute is told, and the broker of this site, which is never there, after two.
        let mut stands = |watch: &str| {
            a_minute_passes();
            let alerts = daemon.status()["alerts"].as_array().unwrap().clone();
            alerts.iter().any(|alert| alert["watch"] == watch)
        };
        wait_until(PATIENCE, "the broker is told", || stands("source-down"));
        if told {
            wait_until(PATIENCE, "it is raised", || stands("backup-old"));
            let post = || sink.posts().into_iter().find(|post| post.body["watch"] == "backup-old");
            wait_until(PATIENCE, "it is told", || post().is_some());
            let body = post().unwrap().body;
            assert_eq!((&body["severity"], &body["event"]), (&"advice".into(), &"raised".into()));
            assert!(body["text"].as_str().unwrap().starts_with("Backup: the last one is old"), "{body}");
        } else {
            assert!(!stands("backup-old"));
        }
        drop(daemon);
        std::fs::remove_dir(lies_there).unwrap();
    }
}

#[test]
fn a_stick_that_is_not_there_is_said_and_stops_nothing() {
    let season = Season::with("[backup]\nfolder = \"no-such-stick\"\n");
    let daemon = season.site.run();
    wait_until(PATIENCE, "it is said", || {
        daemon.log_lines().iter().any(|line| line.contains("is the disk plugged in"))
    });
    assert_eq!(daemon.get("/health").0, 200);
    assert!(!season.site.folder.path().join("no-such-stick").exists(), "no folder is made in its place");
}

#[test]
fn a_stick_that_is_away_is_missed_over_every_start() {
    let stick = tempfile::tempdir().unwrap();
    let folder = stick.path().join("away");
    let season = Season::with(&format!("[backup]\nfolder = \"{}\"\n", folder.display()));
    let fact = || season.site.query("SELECT value FROM meta WHERE key = 'backup:newest'").concat().pop();
    let now = || chrono::Utc::now().timestamp_millis();
    // One was made, and the stick taken away.
    std::fs::create_dir(&folder).unwrap();
    let began = now();
    let daemon = season.site.run();
    wait_until(PATIENCE, "one is made and known", || fact().is_some());
    assert_eq!(backups(&folder).len(), 1);
    let known: i64 = fact().unwrap().parse().unwrap();
    assert!((began..=now()).contains(&known), "{known}");
    daemon.terminate();
    std::fs::remove_dir_all(&folder).unwrap();

    for (days, told) in [(6, false), (8, true)] {
        let aged = known - days * 86_400_000;
        let store = rusqlite::Connection::open(season.site.store()).unwrap();
        store.execute("UPDATE meta SET value = ?1 WHERE key = 'backup:newest'", [aged.to_string()]).unwrap();
        drop(store);
        let clocks = Clocks::right(season.site.folder.path());
        let mut slept_ms = 0;
        let daemon = season.site.run_as(clocks.program());
        wait_until(PATIENCE, "it was tried", || {
            daemon.log_lines().iter().any(|line| line.contains("is the disk plugged in"))
        });
        let mut stands = |watch: &str| {
            slept_ms += 60_000;
            clocks.set(0, slept_ms, true);
            let alerts = daemon.status()["alerts"].as_array().unwrap().clone();
            alerts.iter().any(|alert| alert["watch"] == watch)
        };
        wait_until(PATIENCE, "the broker is told", || stands("source-down"));
        if told {
            wait_until(PATIENCE, "it is raised though this daemon is young", || stands("backup-old"));
        } else {
            assert!(!stands("backup-old"));
        }
        daemon.terminate();
        assert_eq!(fact().unwrap(), aged.to_string(), "what is known is not forgotten");
    }
}
