//! What a tired grower reads: one or two plain sentences for each alert: what, how long, how fast,
//! what to do.
//!
//! In: the facts of one alert. Out: its text, one line, in °C or °F, % and ppm. Names come from configs and
//! logbooks and are made harmless. Left out: colour, markup, and who is told.

use std::fmt::Write as _;

use super::alert::{Severity, Watch};
use super::band::Side;
use super::concerned::{CONCERNS, names};
use crate::climate::degrees::Degrees;
use crate::climate::stamp::{DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS};

/// Longest piece of foreign text in an alert: names are short, reasons of the system are not.
const FOREIGN_MAX: usize = 120;
/// Slower than this an hour is standing still, in °C.
const STEADY_C: f64 = 0.05;
/// A forecast further ahead than this says nothing.
const FORECAST_HOURS_MAX: f64 = 72.0;
/// Said where heat is near damage, a heater may be out of control, or nobody watches one.
pub(super) const BURNING: &str =
    "If you smell burning: cut the power only if that is safe, leave, call the fire service.";

/// Foreign text made harmless: one line, no control, no invisible or direction-changing characters,
/// at most 120 characters.
pub fn harmless(text: &str) -> String {
    harmless_within(text, FOREIGN_MAX)
}

/// As [`harmless`], of at most `max` characters.
pub fn harmless_within(text: &str, max: usize) -> String {
    let is_hidden = |c: char| {
        c.is_control()
            || matches!(c, '\u{ad}' | '\u{61c}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
                | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}')
    };
    let shown: String = text.chars().take(max).map(|c| if is_hidden(c) { ' ' } else { c }).collect();
    let more = if text.chars().nth(max).is_some() { "…" } else { "" };
    format!("{}{more}", shown.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// How long, as one says it: `40 s`, `48 min`, `3 h 20 min`, `26 h`, `4 days`.
pub fn lasting(ms: i64) -> String {
    let ms = ms.max(0);
    let minutes = (ms + MINUTE_MS / 2) / MINUTE_MS;
    let hours = (ms + HOUR_MS / 2) / HOUR_MS;
    if ms < 90 * SECOND_MS {
        format!("{} s", (ms + SECOND_MS / 2) / SECOND_MS)
    } else if minutes < 60 {
        format!("{minutes} min")
    } else if minutes < 10 * 60 && minutes % 60 != 0 {
        format!("{} h {} min", minutes / 60, minutes % 60)
    } else if hours < 72 {
        format!("{hours} h")
    } else {
        format!("{} days", (ms + DAY_MS / 2) / DAY_MS)
    }
}

/// A value of `watch` with its unit.
fn amount(watch: Watch, value: f64, show: Degrees) -> String {
    match watch {
        Watch::Humidity => format!("{value:.0} %"),
        Watch::Co2 => format!("{value:.0} ppm"),
        _ => show.say(value, 1),
    }
}

/// A limit of `watch`, without its unit: it follows a value that has it.
fn limit(watch: Watch, value: f64, show: Degrees) -> String {
    match watch {
        Watch::Humidity | Watch::Co2 if (value - value.round()).abs() < 0.05 => format!("{value:.0}"),
        Watch::Humidity | Watch::Co2 => format!("{value:.1}"),
        _ => format!("{:.1}", show.of(value)),
    }
}

/// By how much air is judged stricter where no core is measured.
pub(super) fn stricter(show: Degrees) -> String {
    format!("{} {}", bare(show.step(2.0)), show.unit())
}

/// A number without needless decimals.
pub(super) fn bare(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// One broken limit.
#[derive(Clone, Debug)]
pub struct Broken<'a> {
    /// Which watch.
    pub watch: Watch,
    /// The tub's or the space's name.
    pub name: &'a str,
    /// What it is worth.
    pub severity: Severity,
    /// How it is broken.
    pub side: Side,
    /// The limit.
    pub limit: f64,
    /// The value now.
    pub value: f64,
    /// Since the first value that broke it, ms.
    pub lasting_ms: i64,
    /// The value has come back but must stay so for a while.
    pub calming: bool,
    /// °C an hour, where known.
    pub slope: Option<f64>,
    /// The damage limit, °C, for a core.
    pub damage_c: Option<f64>,
    /// The tubs concerned, for air.
    pub tubs: &'a [String],
    /// Its high limits are lowered, because these tubs have no core.
    pub from_air: bool,
    /// The tub whose core stands in, for a core.
    pub core_of: Option<&'a str>,
    /// A heater can run away there.
    pub heated: bool,
    /// The last reading that broke it, where the value now does not.
    pub offence: Option<Offence>,
    /// The degrees it is written in.
    pub show: Degrees,
}

/// A reading that broke a limit a while ago.
#[derive(Clone, Copy, Debug)]
pub struct Offence {
    /// What it was.
    pub value: f64,
    /// How long ago, ms.
    pub ago_ms: i64,
    /// It was a single one that nothing followed in time, which counts.
    pub lone: bool,
}

/// The text of a broken limit.
pub fn broken(it: &Broken) -> String {
    let mut text = String::with_capacity(256);
    let what = match it.watch {
        Watch::CoreTemperature => "substrate",
        Watch::Humidity => "humidity",
        Watch::Co2 => "CO2",
        _ => "air",
    };
    let subject = if it.watch == Watch::CoreTemperature { "Tub" } else { "Space" };
    let _ = write!(text, "{subject} {}: {what} {}", harmless(it.name), amount(it.watch, it.value, it.show));
    if let Some(other) = it.core_of {
        let _ = write!(text, " (by the core of tub {})", harmless(other));
    }
    let (side, inverse) = match it.side {
        Side::Under => ("under", "back over"),
        Side::Over => ("over", "back under"),
        Side::AtOrOver => ("at or over", "back under"),
    };
    let bound = limit(it.watch, it.limit, it.show);
    if let Some(offence) = it.offence.filter(|_| !is_broken(it)) {
        let _ = write!(text, ", {inverse} {bound} but not yet far or long enough");
        let _ = write!(text, " ({} {} ago", amount(it.watch, offence.value, it.show), lasting(offence.ago_ms));
        text.push_str(if offence.lone { ", and nothing had followed it in time)" } else { ")" });
    } else if it.calming || !is_broken(it) {
        let _ = write!(text, ", {inverse} {bound} but not yet far or long enough");
    } else {
        let _ = write!(text, ", {side} {bound} for {}", lasting(it.lasting_ms));
    }
    if matches!(it.watch, Watch::CoreTemperature | Watch::Temperature) {
        trend(&mut text, it);
    }
    if !it.tubs.is_empty() {
        let _ = write!(text, "{CONCERNS}{}", names(it.tubs));
        if it.from_air {
            let _ = write!(text, " (no core there, so judged from air, {} stricter)", stricter(it.show));
        }
    }
    text.push_str(". ");
    text.push_str(advice(it));
    if is_grave(it) {
        text.push(' ');
        text.push_str(BURNING);
    }
    text
}

/// Heat near damage, or a heater out of control.
fn is_grave(it: &Broken) -> bool {
    let is_heat = matches!(it.watch, Watch::CoreTemperature | Watch::Temperature) && it.side != Side::Under;
    is_heat && (it.side == Side::AtOrOver || it.severity == Severity::Critical)
}

fn is_broken(it: &Broken) -> bool {
    match it.side {
        Side::Under => it.value < it.limit,
        Side::Over => it.value > it.limit,
        Side::AtOrOver => it.value >= it.limit,
    }
}

/// How fast, and how long until damage.
fn trend(text: &mut String, it: &Broken) {
    let slope = it.slope.filter(|slope| slope.is_finite());
    if let Some(slope) = slope {
        if slope >= STEADY_C {
            let _ = write!(text, ", rising {} an hour", it.show.say_step(slope, 1));
        } else if slope <= -STEADY_C {
            let _ = write!(text, ", falling {} an hour", it.show.say_step(-slope, 1));
        } else {
            text.push_str(", steady");
        }
    }
    let Some(damage) = it.damage_c.filter(|_| it.side != Side::Under) else { return };
    if it.value >= damage {
        let _ = write!(text, "; at or over {}, where damage begins", bare(it.show.of(damage)));
    } else if let Some(slope) = slope.filter(|slope| *slope >= STEADY_C) {
        // As the slope is shown, so that a reader's own sum agrees.
        let shown = it.show.step(1.0);
        let hours = (damage - it.value) * shown / ((slope * shown * 10.0).round() / 10.0).max(STEADY_C * shown);
        if hours <= FORECAST_HOURS_MAX {
            let _ = write!(text, "; damage at {} in about {}", bare(it.show.of(damage)), lasting_about(hours));
        }
    }
}

/// A forecast is never exact: hours, or minutes in steps of ten.
pub(super) fn lasting_about(hours: f64) -> String {
    if hours >= 2.0 { format!("{hours:.0} h") } else { format!("{:.0} min", (hours * 6.0).round().max(1.0) * 10.0) }
}

/// What to do.
fn advice(it: &Broken) -> &'static str {
    let critical = is_grave(it);
    match (it.watch, it.side) {
        (Watch::CoreTemperature, Side::Under) => {
            "Cold only costs time: insulate, warm gently, expect a later due date."
        }
        (Watch::CoreTemperature, _) if critical => {
            "Heater off at the wall, unstack and spread the tubs, fan them or move them somewhere cold, leave the lid shut. \
             Dry hands at switches."
        }
        (Watch::CoreTemperature, _) => "Spread the tubs, cool the room, leave the lid shut. Dry hands at switches.",
        (Watch::Humidity, Side::Under) => {
            "Fill the humidifier, close the vents, mist. Keep water off plugs and sockets."
        }
        (Watch::Humidity, _) => "Let in more fresh air; if it stays so, the probe may be wet.",
        (Watch::Co2, _) => "Let in fresh air: fan on, vents open.",
        (_, Side::Under) => "Cold only costs time: insulate, warm gently.",
        (_, _) if critical && it.heated => {
            "Heater off at the wall: it or its thermostat may be stuck; keep the sun out, fan, spread the tubs. \
             Dry hands at switches."
        }
        (_, _) if critical => "Keep the sun out, fan, cool the room, spread the tubs. Dry hands at switches.",
        _ => "Cool the room, spread the tubs, leave lids shut. Dry hands at switches.",
    }
}

/// The further limits broken at the same time, put after the worst one's text.
pub fn also(text: &mut String, watch: Watch, side: Side, value: f64, tubs: &[String], show: Degrees) {
    let side = match side {
        Side::Under => "under",
        Side::Over => "over",
        Side::AtOrOver => "at or over",
    };
    let _ = write!(text, " Also {side} {}", limit(watch, value, show));
    if !tubs.is_empty() {
        let _ = write!(text, " for {}", names(tubs));
    }
    text.push('.');
}

/// The text once a limit is kept again; `value` is the value now.
pub fn kept_again(watch: Watch, name: &str, value: Option<f64>, lasted_ms: i64, show: Degrees) -> String {
    let (subject, what) = match watch {
        Watch::CoreTemperature => ("Tub", "substrate"),
        Watch::Humidity => ("Space", "humidity"),
        Watch::Co2 => ("Space", "CO2"),
        _ => ("Space", "air"),
    };
    let name = harmless(name);
    match value {
        Some(value) => {
            let (value, lasted) = (amount(watch, value, show), lasting(lasted_ms));
            format!("{subject} {name}: {what} {value}, back within its limits after {lasted}.")
        }
        None => format!("{subject} {name}: {what} is no longer held to that limit."),
    }
}

/// A probe that has said nothing. `ms` since it was last heard; `alone_in`: the heated space nobody
/// watches now; `core_of`: the tubs it sits in.
pub fn silent(
    probe: &str,
    ever_heard: bool,
    ms: i64,
    every_ms: i64,
    core_of: &[String],
    alone_in: Option<&str>,
) -> String {
    let mut text = format!("Probe {}: ", harmless(probe));
    if ever_heard {
        let _ = write!(text, "nothing heard for {}", lasting(ms));
    } else {
        let _ = write!(text, "not heard once in {}", lasting(ms));
    }
    let _ = write!(text, ", expected every {}", lasting(every_ms));
    if !core_of.is_empty() {
        let _ = write!(text, "; the core of {}", names(core_of));
    }
    text.push('.');
    if let Some(space) = alone_in {
        let _ = write!(
            text,
            " No probe of the heated space {} reports: nothing would tell of a heater out of control. Look there yourself. {BURNING}",
            harmless(space)
        );
    }
    text.push_str(" Check its battery, plug and radio.");
    text
}

/// A probe that is heard again.
pub fn heard_again(probe: &str, silent_ms: i64) -> String {
    format!("Probe {}: heard again after {}.", harmless(probe), lasting(silent_ms))
}

/// A source that is away. `probes` hang on it; `blind`: the heated spaces nobody watches now.
pub fn source_away(source: &str, kind: &str, ms: i64, why: &str, probes: usize, blind: &[String]) -> String {
    let mut text = format!("{} {}: away for {}", capital(kind), harmless(source), lasting(ms));
    let why = harmless(why);
    if !why.is_empty() {
        let _ = write!(text, " ({})", why.trim_end_matches('.'));
    }
    let _ = match probes {
        0 => write!(text, "; no probe hangs on it."),
        1 => write!(text, "; its probe is not heard."),
        _ => write!(text, "; its {probes} probes are not heard."),
    };
    if !blind.is_empty() {
        let _ = write!(text, " Nobody watches the heated space {}: look there yourself. {BURNING}", names(blind));
    }
    text.push_str(match kind {
        "port" => " Check the plug and the cable.",
        _ => " Check that it runs, and the network.",
    });
    text
}

/// A source that is back.
pub fn source_back(source: &str, kind: &str, away_ms: i64) -> String {
    format!("{} {}: back after {}.", capital(kind), harmless(source), lasting(away_ms))
}

/// A store that cannot be written.
pub fn store_failing(why: &str, ms: i64) -> String {
    let why = harmless(why);
    let why = if why.is_empty() { String::new() } else { format!(" ({})", why.trim_end_matches('.')) };
    format!(
        "Store: nothing could be written for {}{why}. Watching and alerts go on, history is at risk. \
         Check the free space and the card or disk.",
        lasting(ms)
    )
}

/// A store that is written again.
pub fn store_back(failed_ms: i64) -> String {
    format!("Store: written again after {}.", lasting(failed_ms))
}

/// Something that is no longer watched (a tub that ended, a probe that left the config).
pub fn gone(subject: &str) -> String {
    format!("{}: no longer watched.", capital(&harmless(subject)))
}

pub(super) fn capital(word: &str) -> String {
    let mut chars = word.chars();
    chars.next().map_or(String::new(), |first| first.to_uppercase().chain(chars).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn core(value: f64) -> Broken<'static> {
        Broken {
            watch: Watch::CoreTemperature,
            name: "A1",
            severity: Severity::Warning,
            side: Side::Over,
            limit: 28.0,
            value,
            lasting_ms: 48 * MINUTE_MS,
            calming: false,
            slope: Some(0.2),
            damage_c: Some(33.0),
            tubs: &[],
            from_air: false,
            core_of: None,
            heated: true,
            offence: None,
            show: Degrees::Celsius,
        }
    }

    #[test]
    fn the_same_in_fahrenheit() {
        assert_eq!(
            broken(&Broken { show: Degrees::Fahrenheit, ..core(28.4) }),
            "Tub A1: substrate 83.1 °F, over 82.4 for 48 min, rising 0.4 °F an hour; damage at 91.4 in about 21 h. \
             Spread the tubs, cool the room, leave the lid shut. Dry hands at switches."
        );
        let over = kept_again(Watch::Temperature, "shelf", Some(25.0), HOUR_MS, Degrees::Fahrenheit);
        assert_eq!(over, "Space shelf: air 77.0 °F, back within its limits after 1 h.");
    }

    #[test]
    fn the_promised_example() {
        assert_eq!(
            broken(&core(28.4)),
            "Tub A1: substrate 28.4 °C, over 28.0 for 48 min, rising 0.2 °C an hour; damage at 33 in about 23 h. \
             Spread the tubs, cool the room, leave the lid shut. Dry hands at switches."
        );
    }

    #[test]
    fn air_names_the_tubs() {
        let tubs: Vec<String> = (1..=10).map(|i| format!("A{i}")).collect();
        let it = Broken {
            watch: Watch::Temperature,
            name: "shelf",
            severity: Severity::Critical,
            side: Side::AtOrOver,
            limit: 30.0,
            tubs: &tubs,
            damage_c: None,
            slope: None,
            ..core(30.4)
        };
        assert_eq!(
            broken(&it),
            "Space shelf: air 30.4 °C, at or over 30.0 for 48 min; concerns A1, A2, A3, A4, A5, A6, A7, A8 and 2 more. \
             Heater off at the wall: it or its thermostat may be stuck; keep the sun out, fan, spread the tubs. \
             Dry hands at switches. If you smell burning: cut the power only if that is safe, leave, call the fire service."
        );
    }

    #[test]
    fn the_whole_caution_stands_where_it_can_burn_and_nowhere_else() {
        let grave = Broken { side: Side::AtOrOver, severity: Severity::Critical, ..core(31.2) };
        assert!(broken(&grave).ends_with(BURNING));
        assert!(!broken(&core(28.4)).contains("burning"));
        assert!(!broken(&Broken { side: Side::Under, ..core(12.0) }).contains("burning"));
        assert!(silent("shelf-air", true, HOUR_MS, MINUTE_MS, &[], Some("shelf")).contains(BURNING));
        assert!(!silent("shelf-air", true, HOUR_MS, MINUTE_MS, &[], None).contains("burning"));
        assert!(source_away("house", "broker", HOUR_MS, "", 2, &["shelf".to_owned()]).contains(BURNING));
    }

    #[test]
    fn hostile_names_stay_on_one_line() {
        let text = broken(&Broken { name: "A1\r\nHost: x\u{202e}\u{1b}[31m\0", ..core(28.4) });
        assert!(text.starts_with("Tub A1 Host: x [31m: substrate"), "{text}");
        assert!(!text.chars().any(char::is_control));
        assert_eq!(harmless(&"x".repeat(5000)).chars().count(), FOREIGN_MAX + 1);
    }

    #[test]
    fn durations_as_one_says_them() {
        for (ms, text) in [
            (-5, "0 s"),
            (40_000, "40 s"),
            (90_000, "2 min"),
            (48 * MINUTE_MS, "48 min"),
            (HOUR_MS, "1 h"),
            (200 * MINUTE_MS, "3 h 20 min"),
            (26 * HOUR_MS, "26 h"),
            (4 * DAY_MS, "4 days"),
            (i64::MAX / 2, "53375995584 days"),
        ] {
            assert_eq!(lasting(ms), text);
        }
    }

    #[test]
    fn nothing_is_forecast_from_a_falling_or_unknown_slope() {
        for slope in [None, Some(-0.3), Some(0.0), Some(f64::NAN)] {
            assert!(!broken(&Broken { slope, ..core(28.4) }).contains("about"), "{slope:?}");
        }
        assert!(broken(&core(33.2)).contains("at or over 33, where damage begins"));
    }
}
