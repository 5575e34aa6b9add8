//! The rehearsal's invented fortnight: what made-up probes would read, minute by minute.
//!
//! In: the time since spawning and a seeded source of noise. Out: the lines four probes send, and
//! the logbook entries of the grower who looks after them. Every number here is made up; the shape
//! (a lag, a hump of self-heating, its decay, a heater that cycles) is common practice, no source.

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};

use crate::climate::Stamp;
use crate::climate::stamp::{DAY_MS, HOUR_MS, MINUTE_MS};
use crate::grow::logbook::{Deed, Spawning};

/// When the rehearsal's tubs are spawned.
pub const SPAWNED_AT: Stamp = Stamp(1_772_352_000_000); // 2026-03-01T08:00:00Z
/// How long it runs.
pub const LENGTH_MS: i64 = 14 * DAY_MS;
/// How often each probe reports.
pub const EVERY_MS: i64 = 5 * MINUTE_MS;
/// The probe that falls silent does so after this time.
const SILENT_AFTER_DAYS: f64 = 9.0;
/// The grower spreads the tubs when the hot one has been over its critical limit for a while.
const SPREAD_AFTER_DAYS: f64 = 6.4;

/// The settings the rehearsal runs with; the device and the store's folder are filled in.
pub fn settings(device: &str, store: &str) -> String {
    format!(
        r#"
[site]
name = "rehearsal"
timezone = "Etc/UTC"

[store]
path = "{store}"
commit_every = "1s"

[status]
listen = "127.0.0.1:0"

[[port]]
name = "wire"
device = "{device}"
baud = 115200
protocol = "lines"

[[probe]]
name = "shelf-air"
from = "wire"
format = "json"
select = {{ "/id" = "air" }}
reads = {{ temperature = "/t", humidity = "/h", co2 = "/co2" }}
time = {{ at = "/ts", unit = "ms" }}
every = "5min"

[[probe]]
name = "core-good"
from = "wire"
format = "json"
select = {{ "/id" = "good" }}
reads = {{ temperature = "/t" }}
time = {{ at = "/ts", unit = "ms" }}
every = "5min"

[[probe]]
name = "core-hot"
from = "wire"
format = "json"
select = {{ "/id" = "hot" }}
reads = {{ temperature = "/t" }}
time = {{ at = "/ts", unit = "ms" }}
every = "5min"

[[probe]]
name = "core-quiet"
from = "wire"
format = "json"
select = {{ "/id" = "quiet" }}
reads = {{ temperature = "/t" }}
time = {{ at = "/ts", unit = "ms" }}
every = "5min"

[[space]]
name = "shelf"
air = ["shelf-air"]
heated = true
"#
    )
}

/// The fortnight.
pub struct Scenario {
    noise: StdRng,
}

impl Scenario {
    /// The same fortnight every time.
    pub fn new() -> Scenario {
        Scenario { noise: StdRng::seed_from_u64(41) }
    }

    /// The lines all probes send at one moment, `ms` after spawning, each ended by a newline.
    pub fn lines(&mut self, ms: i64) -> String {
        let at = SPAWNED_AT.plus(ms);
        let days = ms as f64 / DAY_MS as f64;
        let air = self.air_c(days);
        let mut lines = format!(
            "{{\"id\":\"air\",\"ts\":{},\"t\":{:.2},\"h\":{:.1},\"co2\":{:.0}}}\n",
            at.0,
            air,
            86.0 + 2.0 * (days * std::f64::consts::TAU).cos() + self.jitter(0.3),
            900.0 + 350.0 * hump(days, 1.5, 6.0, 12.0) + self.jitter(15.0),
        );
        let good = air + 2.6 * hump(days, 1.5, 6.0, 12.0) + self.jitter(0.05);
        let hot = air + hot_over_air_k(days) + self.jitter(0.05);
        let quiet = air + 2.2 * hump(days, 1.8, 6.5, 12.5) + self.jitter(0.05);
        let mut core = |id: &str, value: f64| {
            lines.push_str(&format!("{{\"id\":\"{id}\",\"ts\":{},\"t\":{value:.2}}}\n", at.0));
        };
        core("good", good);
        core("hot", hot);
        if days < SILENT_AFTER_DAYS {
            core("quiet", quiet);
        }
        lines
    }

    /// A warm shelf: a heater that cycles in three quarters of an hour, a day that is warmer than the night.
    fn air_c(&mut self, days: f64) -> f64 {
        let heater = 0.25 * (days * 24.0 * 60.0 / 47.0 * std::f64::consts::TAU).sin();
        let day = 0.5 * ((days - 0.3) * std::f64::consts::TAU).sin();
        22.4 + heater + day + self.jitter(0.05)
    }

    fn jitter(&mut self, spread: f64) -> f64 {
        self.noise.random_range(-spread..spread)
    }
}

/// Self-heating of a cake, 0 to 1: none until `start`, most at `top`, gone at `end` (days).
fn hump(days: f64, start: f64, top: f64, end: f64) -> f64 {
    let rising = ((days - start) / (top - start)).clamp(0.0, 1.0);
    let falling = ((end - days) / (end - top)).clamp(0.0, 1.0);
    let lesser = rising.min(falling);
    lesser * lesser * (3.0 - 2.0 * lesser)
}

/// A tub pressed against warm neighbours, until the grower spreads them: then it cools in hours.
fn hot_over_air_k(days: f64) -> f64 {
    let pressed = 9.3 * hump(days.min(SPREAD_AFTER_DAYS), 1.5, 6.6, 12.0);
    if days <= SPREAD_AFTER_DAYS {
        return pressed;
    }
    let alone = 2.8 * hump(days, 1.5, 6.0, 12.0);
    let share = (-(days - SPREAD_AFTER_DAYS) * 24.0 / 6.0).exp(); // a cake's time constant is about 6 h
    alone + (pressed - alone) * share
}

/// What the grower writes in the logbook, with its time after spawning, in order.
pub fn logbook() -> Vec<(i64, &'static str, Deed)> {
    let spawn = |name: &str, core: &str| {
        Deed::Spawned(Box::new(Spawning {
            name: name.to_owned(),
            culture: "winter-oyster".to_owned(),
            space: "shelf".to_owned(),
            kind: "tub".to_owned(),
            core: Some(core.to_owned()),
            grain_l: Some(2.0),
            bulk_l: Some(4.0),
            dry_bulk_g: Some(650.0),
            dry_grain_g: Some(700.0),
            ..Spawning::default()
        }))
    };
    let spread_ms = (SPREAD_AFTER_DAYS * DAY_MS as f64) as i64;
    vec![
        (0, "good", spawn("good", "core-good")),
        (0, "hot", spawn("hot", "core-hot")),
        (0, "quiet", spawn("quiet", "core-quiet")),
        (
            spread_ms + HOUR_MS / 2,
            "hot",
            Deed::Noted { text: "pulled away from its neighbours, room cooler".to_owned() },
        ),
        (LENGTH_MS - 30 * HOUR_MS, "good", Deed::Colonised),
    ]
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn the_hump_rises_and_falls() {
        assert_eq!(hump(0.0, 1.5, 6.0, 12.0), 0.0);
        assert_eq!(hump(6.0, 1.5, 6.0, 12.0), 1.0);
        assert_eq!(hump(13.0, 1.5, 6.0, 12.0), 0.0);
        assert!(hump(3.0, 1.5, 6.0, 12.0) < hump(5.0, 1.5, 6.0, 12.0));
    }

    #[test]
    fn the_hot_tub_comes_over_31_and_never_to_33() {
        let mut scenario = Scenario::new();
        let mut hottest = f64::MIN;
        for step in 0..LENGTH_MS / EVERY_MS {
            let lines = scenario.lines(step * EVERY_MS);
            let hot = lines.lines().find(|line| line.contains("\"hot\"")).unwrap();
            let value: serde_json::Value = serde_json::from_str(hot).unwrap();
            hottest = hottest.max(value["t"].as_f64().unwrap());
        }
        assert!((31.0..33.0).contains(&hottest), "{hottest}");
    }

    #[test]
    fn it_is_the_same_fortnight_every_time() {
        assert_eq!(Scenario::new().lines(DAY_MS), Scenario::new().lines(DAY_MS));
    }
}
