//! Bands by stage, of a culture or of a space: which limits there are, and whether they can be.

use super::fault::Cause;
use super::walk::{Desk, Found, Section};
use super::word::show_duration;
use crate::climate::stamp::{DAY_MS, HOUR_MS};
use crate::grow::culture::{Band, Bands, Limit, StageBands};

/// What a band may speak of.
struct Gauge {
    word: &'static str,
    unit: &'static str,
    low: f64,
    high: f64,
    /// The widest deadband.
    deadband: f64,
    /// It has a limit worth getting out of bed for.
    critical: bool,
}

/// Limits outside of these are slips of the pen: no mushroom lives there, or no probe reads it.
const GAUGES: [Gauge; 4] = [
    Gauge { word: "core-temperature", unit: " °C", low: -20.0, high: 60.0, deadband: 10.0, critical: true },
    Gauge { word: "temperature", unit: " °C", low: -20.0, high: 60.0, deadband: 10.0, critical: true },
    Gauge { word: "humidity", unit: " %", low: 0.0, high: 100.0, deadband: 50.0, critical: false },
    Gauge { word: "co2", unit: " ppm", low: 0.0, high: 100_000.0, deadband: 50_000.0, critical: false },
];

/// The longest patience with a limit worth getting out of bed for: damage is done in hours.
const CRITICAL_DELAY_MAX_MS: i64 = HOUR_MS;

const STAGES: [&str; 5] = ["colonising", "ripening", "pinning", "fruiting", "resting"];
const LIMITS: [&str; 3] = ["low", "high", "critical_high"];
const PATIENCE: [&str; 3] = ["on_delay", "off_delay", "deadband"];

/// Reads the table `bands` of `section`. `damage_c`: the culture's damage limit, under which every
/// limit of its core must lie.
pub(super) fn bands(desk: &mut Desk<'_>, section: &Section<'_>, damage_c: Option<f64>) -> Bands {
    let mut bands = Bands::default();
    let Some(section) = section.section(desk, "bands") else { return bands };
    section.only(desk, &STAGES);
    let mut stage = |key: &'static str| {
        let section = section.section(desk, key)?;
        Some(stage_bands(desk, &section, damage_c))
    };
    bands.colonising = stage("colonising");
    bands.ripening = stage("ripening");
    bands.pinning = stage("pinning");
    bands.fruiting = stage("fruiting");
    bands.resting = stage("resting");
    bands
}

fn stage_bands(desk: &mut Desk<'_>, section: &Section<'_>, damage_c: Option<f64>) -> StageBands {
    let words = GAUGES.each_ref().map(|gauge| gauge.word);
    section.only(desk, &words);
    let [core_temperature, temperature, humidity, co2] = GAUGES.each_ref().map(|gauge| {
        let damage_c = damage_c.filter(|_| gauge.word == "core-temperature");
        let section = section.section(desk, gauge.word);
        section.map_or_else(Band::default, |section| band(desk, &section, gauge, damage_c))
    });
    StageBands { core_temperature, temperature, humidity, co2 }
}

/// How long and how far, as far as it is said.
#[derive(Clone, Copy, Default)]
struct Patience {
    on_delay_ms: Option<i64>,
    off_delay_ms: Option<i64>,
    deadband: Option<f64>,
}

fn patience(desk: &mut Desk<'_>, section: &Section<'_>, gauge: &Gauge) -> Patience {
    let delay = |desk: &mut Desk<'_>, key| section.found(key).and_then(|found| found.duration(desk, 0..=7 * DAY_MS));
    let on_delay_ms = delay(desk, "on_delay");
    let off_delay_ms = delay(desk, "off_delay");
    let deadband = section.found("deadband").and_then(|found| found.number(desk, 0.0..=gauge.deadband, gauge.unit));
    Patience { on_delay_ms, off_delay_ms, deadband }
}

/// The patience written in the band holds for each limit of it that does not have its own.
fn band(desk: &mut Desk<'_>, section: &Section<'_>, gauge: &Gauge, damage_c: Option<f64>) -> Band {
    let known: Vec<&str> =
        LIMITS.into_iter().chain(PATIENCE).filter(|key| gauge.critical || *key != "critical_high").collect();
    section.only(desk, &known);
    let patience = patience(desk, section, gauge);
    let [low, high, critical] = LIMITS.map(|key| {
        let found = section.found(key).filter(|_| known.contains(&key))?;
        let limit = limit(desk, &found, gauge, patience)?;
        Some((limit, found))
    });
    if !LIMITS.iter().any(|key| section.has(key)) {
        let sentence = format!("it names no limit, expected {}", known[..known.len() - PATIENCE.len()].join(", "));
        desk.fault(section.at, &section.path, Cause::Missing, sentence);
    }
    for (lower, lower_word, upper) in [(&low, "low", &high), (&high, "high", &critical), (&low, "low", &critical)] {
        if let (Some((lower, _)), Some((upper, found))) = (lower, upper) {
            check_order(desk, lower, lower_word, upper, found, gauge);
        }
    }
    if let Some((limit, found)) = &critical {
        check_critical_delay(desk, limit, found);
    }
    for (limit, found) in [&high, &critical].into_iter().flatten() {
        if let Some(damage_c) = damage_c
            && limit.value >= damage_c
        {
            let sentence = format!("found {}, expected less than the culture's damage limit {damage_c}", limit.value);
            desk.fault(found.at, &found.path, Cause::Value, sentence);
        }
    }
    let only = |found: Option<(Limit, Found<'_>)>| found.map(|(limit, _)| limit);
    Band { low: only(low), high: only(high), critical_high: only(critical) }
}

/// A bare number, or `{ value = 28.0, on_delay = "30min" }` with a patience of its own.
fn limit(desk: &mut Desk<'_>, found: &Found<'_>, gauge: &Gauge, outer: Patience) -> Option<Limit> {
    let range = gauge.low..=gauge.high;
    let (value, own) = if found.value.is_table() {
        let section = found.section(desk, "a number")?;
        section.only(desk, &["value", "on_delay", "off_delay", "deadband"]);
        let value = section.needed(desk, "value", "the limit itself, a number")?;
        (value.number(desk, range, gauge.unit)?, patience(desk, &section, gauge))
    } else {
        (found.number(desk, range, gauge.unit)?, Patience::default())
    };
    Some(Limit {
        value,
        on_delay_ms: own.on_delay_ms.or(outer.on_delay_ms),
        off_delay_ms: own.off_delay_ms.or(outer.off_delay_ms),
        deadband: own.deadband.or(outer.deadband),
    })
}

fn check_order(desk: &mut Desk<'_>, lower: &Limit, word: &str, upper: &Limit, found: &Found<'_>, gauge: &Gauge) {
    if lower.value >= upper.value {
        let sentence = format!("found {}, expected more than {word}, which is {}", upper.value, lower.value);
        desk.fault(found.at, &found.path, Cause::Clash, sentence);
    } else if word == "low"
        && wider(upper.deadband, lower.deadband).is_some_and(|back| back >= upper.value - lower.value)
    {
        let sentence = format!(
            "its deadband is as wide as the band from {} to {}{}, so that an alert would never end; expected a smaller one",
            lower.value, upper.value, gauge.unit
        );
        desk.fault(found.at, &found.path, Cause::Clash, sentence);
    }
}

fn check_critical_delay(desk: &mut Desk<'_>, limit: &Limit, found: &Found<'_>) {
    if let Some(delay) = limit.on_delay_ms.filter(|delay| *delay > CRITICAL_DELAY_MAX_MS) {
        let sentence = format!(
            "found an on_delay of {} on it, expected at most {}: damage is done in hours; a longer one belongs to one \
             limit, as in high = {{ value = 28.0, on_delay = \"2h\" }}",
            show_duration(delay),
            show_duration(CRITICAL_DELAY_MAX_MS)
        );
        desk.fault(found.at, &found.path, Cause::Value, sentence);
    }
}

fn wider(one: Option<f64>, other: Option<f64>) -> Option<f64> {
    match (one, other) {
        (Some(one), Some(other)) => Some(one.max(other)),
        (one, other) => one.or(other),
    }
}
