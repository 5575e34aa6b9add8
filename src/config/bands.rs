//! Bands by stage, of a culture or of a space: which limits there are, and whether they can be.

use super::fault::Cause;
use super::walk::{Desk, Found, Section};
use super::word::show_duration;
use crate::climate::stamp::{DAY_MS, HOUR_MS};
use crate::grow::culture::{Band, Bands, Limit, StageBands};
use crate::watch::alert::Watch;
use crate::watch::band::Side;
use crate::watch::table::rules;

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
    watch: Watch,
}

/// Limits outside of these are slips of the pen: no mushroom lives there, or no probe reads it.
const GAUGES: [Gauge; 4] = [
    Gauge {
        word: "core-temperature",
        unit: " °C",
        low: -20.0,
        high: 60.0,
        deadband: 10.0,
        critical: true,
        watch: Watch::CoreTemperature,
    },
    Gauge {
        word: "temperature",
        unit: " °C",
        low: -20.0,
        high: 60.0,
        deadband: 10.0,
        critical: true,
        watch: Watch::Temperature,
    },
    Gauge {
        word: "humidity",
        unit: " %",
        low: 0.0,
        high: 100.0,
        deadband: 50.0,
        critical: false,
        watch: Watch::Humidity,
    },
    Gauge {
        word: "co2",
        unit: " ppm",
        low: 0.0,
        high: 100_000.0,
        deadband: 50_000.0,
        critical: false,
        watch: Watch::Co2,
    },
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
    let all = [&low, &high, &critical].map(|found| found.as_ref().map(|(limit, _)| *limit));
    for (place, limit) in [&low, &high, &critical].into_iter().enumerate() {
        if let Some((_, found)) = limit {
            check_return(desk, all, place, found, gauge);
        }
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

/// An alert on the limit at `place` of low, high and critical must be able to end: with the way back that is
/// written, or the one that holds where none is.
fn check_return(desk: &mut Desk<'_>, all: [Option<Limit>; 3], place: usize, found: &Found<'_>, gauge: &Gauge) {
    let mut alone = [None; 3];
    alone[place] = all[place];
    let [low, high, critical_high] = alone;
    let band = Band { low, high, critical_high };
    let mut rules = rules(gauge.watch, &band, false).into_iter().map(|weighed| weighed.rule);
    // What the limit itself says, not what is made of it for far over or far under.
    let Some(rule) = rules.find(|rule| all[place].is_some_and(|limit| limit.value == rule.limit)) else {
        return;
    };
    let back = rule.deadband;
    let (end, is_possible, other) = match rule.side {
        Side::Under => (rule.limit + back, rule.limit + back <= gauge.high, all[1].or(all[2])),
        _ => (rule.limit - back, rule.limit - back >= gauge.low, all[0]),
    };
    let (unit, value) = (gauge.unit, rule.limit);
    // One that is written is held against the band by `check_order`; humid air is told of far over `high` only.
    let is_beyond = matches!(gauge.watch, Watch::CoreTemperature | Watch::Temperature)
        && all[place].is_some_and(|limit| limit.deadband.is_none())
        && other.is_some_and(|other| match rule.side {
            Side::Under => end > other.value && other.value > value,
            _ => end < other.value && other.value < value,
        });
    if !is_possible {
        let sentence = format!(
            "an alert on {value}{unit} would never end: that takes {back}{unit} back, to {end}{unit}; expected a limit \
             or a deadband that leaves room for it"
        );
        desk.fault(found.at, &found.path, Cause::Clash, sentence);
    } else if is_beyond {
        let sentence = format!(
            "an alert on {value}{unit} would end only {back}{unit} back, beyond the other end of the band; expected a \
             wider band, or a smaller deadband written"
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
