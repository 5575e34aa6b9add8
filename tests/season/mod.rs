//! A site whose store is filled with weeks of samples at once, as the daemon's writer does it.
#![allow(dead_code, clippy::unwrap_used, clippy::panic)]

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde_json::Value;
use tubwatch::climate::{Quality, Stamp};
use tubwatch::store::{Change, Sample, Store, Urgency, Writer};

use crate::harness::daemon::Site;

/// Milliseconds.
pub const HOUR: i64 = 3_600_000;
/// A reading every so often.
const EVERY: i64 = 10 * 60_000;
/// The season began so long ago: the tests' weeks lie before now.
const AGO_DAYS: i64 = 45;

/// The moment so many hours after the season began, milliseconds since 1970; whole minutes.
pub fn stamp(hours: f64) -> i64 {
    let now = i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_millis()).unwrap();
    let began = (now / 86_400_000 - AGO_DAYS) * 86_400_000;
    began + (hours * HOUR as f64).round() as i64
}

/// The same, as a command takes it.
pub fn at(hours: f64) -> String {
    chrono::DateTime::from_timestamp_millis(stamp(hours)).unwrap().to_rfc3339_opts(chrono::SecondsFormat::Secs, true)
}

/// A site and its store.
pub struct Season {
    pub site: Site,
}

impl Season {
    /// A shelf with one air probe and six core probes, nothing read yet.
    pub fn begin() -> Season {
        Season::with("")
    }

    /// The same with more config at its end.
    pub fn with(more: &str) -> Season {
        let probe = |name: &str, reads: &str| {
            format!(
                "[[probe]]\nname = \"{name}\"\nfrom = \"house\"\ntopic = \"{name}\"\nformat = \"json\"\nevery = \"10min\"\n\
                 reads = {reads}\n"
            )
        };
        let cores: String = (0..6).map(|number| probe(&format!("core-{number}"), "{ temperature = \"/t\" }")).collect();
        let air = "{ temperature = \"/t\", humidity = \"/h\", co2 = \"/c\" }";
        let config = format!(
            "[site]\nname = \"cellar\"\ntimezone = \"Europe/Lisbon\"\naltitude = \"640m\"\n[store]\npath = \"state\"\n\
             [status]\nlisten = \"127.0.0.1:0\"\naddress = \"http://192.0.2.7:8750\"\n\
             [[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:1\"\n{}{}{cores}\
             [[space]]\nname = \"shelf\"\nair = [\"shelf-air\"]\n[[space]]\nname = \"tent\"\nair = [\"tent-air\"]\n{more}",
            probe("shelf-air", air),
            probe("tent-air", air),
        );
        Season { site: Site::new(&config) }
    }

    pub fn ok(&self, words: &[&str]) -> String {
        self.site.ok(words)
    }

    pub fn show(&self, tub: &str) -> Value {
        serde_json::from_str(&self.ok(&["show", tub, "--json"])).unwrap()
    }

    /// A tub of winter oyster on the shelf, so many hours after the beginning.
    pub fn spawn(&self, name: &str, hours: f64, more: &[&str]) {
        let when = at(hours);
        let words = ["spawn", name, "--culture", "winter-oyster", "--space", "shelf", "--at", &when];
        self.ok(&[&words[..], more].concat());
    }

    /// Temperatures of one probe, all the same.
    pub fn steady(&self, probe: &str, from: f64, to: f64, temperature_c: f64) {
        self.write(probe, from, to, |_| temperature_c);
    }

    /// Temperatures of one probe by the hour since the beginning.
    pub fn write(&self, probe: &str, from: f64, to: f64, temperature_c: impl Fn(f64) -> f64) {
        self.write_all(probe, from, to, |hour| [Some(temperature_c(hour)), None, None, None]);
    }

    /// All values of one probe by the hour since the beginning.
    pub fn write_all(&self, probe: &str, from: f64, to: f64, values: impl Fn(f64) -> [Option<f64>; 4]) {
        self.write_every(probe, stamp(from), stamp(to), EVERY, values);
    }

    /// The same between two moments, so many milliseconds apart.
    pub fn write_every(
        &self,
        probe: &str,
        from_ms: i64,
        to_ms: i64,
        every_ms: i64,
        values: impl Fn(f64) -> [Option<f64>; 4],
    ) {
        let began = stamp(0.0);
        // A command that has just ended may hold the store's lock for another moment.
        let mut opened = None;
        crate::harness::wait_until(crate::harness::PATIENCE, "the store is free", || {
            opened = Store::open(&self.site.folder.path().join("state")).ok();
            opened.is_some()
        });
        let mut store = opened.unwrap();
        let id = store.probe_ids(&[probe]).unwrap()[0];
        let changes = (from_ms..=to_ms).step_by(every_ms as usize).map(|ms| {
            let values = values((ms - began) as f64 / HOUR as f64);
            Change::Sample(Sample {
                probe: id,
                at: Stamp(ms),
                values,
                quality: [Quality::Good; 4],
                timing: Default::default(),
            })
        });
        let writer = Writer::start(store, Duration::from_millis(10), |_| {}).unwrap();
        writer.write(changes.collect(), Urgency::AtOnce, 0);
        writer.flush_and_stop(Duration::from_secs(30)).unwrap();
    }
}
