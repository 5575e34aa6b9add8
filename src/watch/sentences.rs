//! What a tired grower reads of everything that is no plain limit: forecasts, sums, dates, probes
//! that must not be believed, the machine.
//!
//! In: the facts of one alert. Out: its text, one line, foreign names made harmless. Left out: limits
//! of climate and silence (`wording`).

use std::fmt::Write as _;

use super::concerned::names;
use super::wording::{bare, capital, harmless, harmless_within, lasting, lasting_about, stricter};
use crate::climate::Quantity;
use crate::climate::degrees::Degrees;
use crate::climate::stamp::HOUR_MS;

/// Longest word on what is wrong with a config: file, line, key, what was found and what was expected.
pub const CONFIG_WHY_MAX: usize = 400;

/// A core that will reach its critical limit. `hours` until then at the present pace.
pub fn heating_ahead(
    tub: &str,
    value_c: f64,
    slope_c_per_hour: f64,
    critical_c: f64,
    hours: f64,
    show: Degrees,
) -> String {
    let tub = harmless(tub);
    let (value, critical) = (show.say(value_c, 1), format!("{:.1}", show.of(critical_c)));
    if value_c >= critical_c {
        return format!("Tub {tub}: substrate {value}, it has reached {critical} as was foreseen.");
    }
    // Further ahead than this is no forecast.
    if slope_c_per_hour <= 0.0 || hours > 1e3 {
        return format!("Tub {tub}: substrate {value}, no longer rising, but not yet for long enough. Look once more.");
    }
    format!(
        "Tub {tub}: substrate {value}, rising {} an hour over the last hours; at that pace \
         {critical} in about {}. Before you go to bed spread the tubs and cool the room; leave the lid shut. Dry hands at switches.",
        show.say_step(slope_c_per_hour, 1),
        lasting_about(hours.max(0.0))
    )
}

/// A core that no longer heads for its limit.
pub fn heating_ahead_over(tub: &str, lasted_ms: i64) -> String {
    format!("Tub {}: no longer on its way to its critical limit, after {}.", harmless(tub), lasting(lasted_ms))
}

/// A core far warmer than its air.
pub fn core_over_air(tub: &str, core_c: f64, air_c: f64, limit_k: f64, lasted_ms: i64, show: Degrees) -> String {
    format!(
        "Tub {}: substrate {}, {:.1} over its air, for {} over {} {}. Heat does not get away: unstack, leave a \
         gap between tubs, cool the air.",
        harmless(tub),
        show.say(core_c, 1),
        show.step(core_c - air_c),
        lasting(lasted_ms),
        bare(show.step(limit_k)),
        show.unit()
    )
}

/// It is not far warmer any more.
pub fn core_over_air_over(tub: &str, over_k: f64, lasted_ms: i64, show: Degrees) -> String {
    let side = if over_k < 0.0 { "under" } else { "over" };
    let (tub, lasted) = (harmless(tub), lasting(lasted_ms));
    format!(
        "Tub {tub}: substrate {} {side} its air, no longer too warm for it, after {lasted}.",
        show.say_step(over_k.abs(), 1)
    )
}

/// Hours over the band, added up in this stage.
pub fn heat_stress(tub: &str, hours: f64, limit_hours: f64, stage: &str) -> String {
    format!(
        "Tub {}: {hours:.0} h over its band in all while {stage}, the limit is {}. Heat adds up: watch it for mould, expect \
         a poorer first flush, keep it cooler from now on.",
        harmless(tub),
        bare(limit_hours)
    )
}

/// A tub behind the calendar.
pub fn stalled_behind(tub: &str, degree_hours: f64, expected: f64, measured_hours: f64) -> String {
    let behind = if expected > 0.0 { 100.0 * (1.0 - degree_hours / expected) } else { 0.0 };
    format!(
        "Tub {}: {degree_hours:.0} degree-hours in {measured_hours:.0} measured hours, {behind:.0} % behind the calendar. \
         Too cold: insulate, warm gently, expect a later due date.",
        harmless(tub)
    )
}

/// A tub without warmth of its own.
pub fn stalled_cold(tub: &str, days: f64, warmest_k: f64, show: Degrees) -> String {
    let warmest = show.say_step(warmest_k, 1);
    format!(
        "Tub {}: {days:.0} days after spawning its substrate was never over its air (at most {warmest} over six \
         hours). Perhaps it never started: look at it, and compare it with its sisters.",
        harmless(tub)
    )
}

/// It is as far as it should be.
pub fn caught_up(tub: &str) -> String {
    format!("Tub {}: no longer behind.", harmless(tub))
}

/// A tub to be looked at; `overdue_days` is 0 the first time.
pub fn due(tub: &str, age_days: f64, degree_hours: f64, overdue_days: u8) -> String {
    let late = match overdue_days {
        0 => "due".to_owned(),
        days => format!("overdue for {days} days"),
    };
    format!(
        "Tub {}: {late}, go and look ({degree_hours:.0} degree-hours, {age_days:.0} days after spawning). Wholly white: log \
         colonised. Patchy: shut it and log looked. Green, black, pink or slimy: carry it out shut, and do not sniff.",
        harmless(tub)
    )
}

/// Somebody looked, or it is colonised.
pub fn looked_at(tub: &str) -> String {
    format!("Tub {}: logged, no longer due.", harmless(tub))
}

/// The stage that it was about is over.
pub fn stage_over(tub: &str) -> String {
    format!("Tub {}: that stage is over.", harmless(tub))
}

/// Its core is taken out.
pub fn no_core(tub: &str) -> String {
    format!("Tub {}: its core is no longer measured.", harmless(tub))
}

/// A tub to be picked.
pub fn pick_soon(tub: &str, days: f64) -> String {
    format!(
        "Tub {}: pins {days:.0} days ago. Pick before the caps flatten and drop spores; vent, and wear a mask.",
        harmless(tub)
    )
}

/// It was picked.
pub fn picked(tub: &str) -> String {
    format!("Tub {}: logged, no longer waiting to be picked.", harmless(tub))
}

/// Air that is bad for people.
pub fn co2_for_people(space: &str, ppm: f64, limit_ppm: f64, lasted_ms: i64) -> String {
    format!(
        "Space {}: CO2 {ppm:.0} ppm, over {limit_ppm:.0} for {}. Air the room before you enter. This is not a gas alarm.",
        harmless(space),
        lasting(lasted_ms)
    )
}

/// It is fit for people again.
pub fn co2_fit(space: &str, ppm: f64, lasted_ms: i64) -> String {
    format!("Space {}: CO2 {ppm:.0} ppm, fit to enter again after {}.", harmless(space), lasting(lasted_ms))
}

/// Where a probe sits, for the sentences about it.
fn of_tubs(tubs: &[String]) -> String {
    if tubs.is_empty() { String::new() } else { format!(", the core of {}", names(tubs)) }
}

fn what(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Temperature => "temperature",
        Quantity::Humidity => "humidity",
        Quantity::Co2 => "CO2",
        Quantity::Battery => "battery",
    }
}

/// A probe that says the same for hours. `neighbour` moved meanwhile; none where its own noise stopped.
pub fn stuck(probe: &str, tubs: &[String], quantity: Quantity, value: f64, ms: i64, neighbour: Option<&str>) -> String {
    let why = match neighbour {
        Some(neighbour) => format!("while {} moved", harmless(neighbour)),
        None => "after it had jittered as it should".to_owned(),
    };
    format!(
        "Probe {}{}: its {} has stood at exactly {} for {}, {why}. Stuck: restart it, check its cable.",
        harmless(probe),
        of_tubs(tubs),
        what(quantity),
        bare(value),
        lasting(ms)
    )
}

/// A probe that says what cannot be.
pub fn implausible(probe: &str, tubs: &[String], quantity: Quantity, count: u32, value: f64) -> String {
    format!(
        "Probe {}{}: the last {count} readings of its {} cannot be true (the last said {}). Check its cable, plug and \
         battery; was it moved?",
        harmless(probe),
        of_tubs(tubs),
        what(quantity),
        if value.is_finite() { bare(value) } else { "no number".to_owned() }
    )
}

/// A humidity element that is wet.
pub fn saturated(probe: &str, ms: i64) -> String {
    format!(
        "Probe {}: humidity at 100 % for {} without a swing: its element is wet. Not believed until it has read under \
         97 % once. Dry it, hang it out of the fog.",
        harmless(probe),
        lasting(ms)
    )
}

/// A core probe that is not in its substrate.
pub fn fallen_out(probe: &str, tubs: &[String], show: Degrees) -> String {
    format!(
        "Probe {}{}: it follows the air without any lag, so it is not in the substrate. The tub is judged by its air, \
         {} stricter, until it is. Put it back, wiped clean.",
        harmless(probe),
        of_tubs(tubs),
        stricter(show)
    )
}

/// A probe's battery.
pub fn battery(probe: &str, tubs: &[String], value: f64, is_percent: bool) -> String {
    let left = if is_percent { format!("{value:.0} %") } else { format!("{value:.2} V") };
    format!("Probe {}{}: battery at {left}. Change it before it falls silent.", harmless(probe), of_tubs(tubs))
}

/// A probe that is believed again.
pub fn believed_again(probe: &str, lasted_ms: i64) -> String {
    format!("Probe {}: believed again after {}.", harmless(probe), lasting(lasted_ms))
}

/// A battery that was changed.
pub fn battery_well(probe: &str) -> String {
    format!("Probe {}: its battery is well again.", harmless(probe))
}

/// The machine's clock.
pub fn clock(why: &str, ms: i64) -> String {
    let why = harmless(why);
    if why.is_empty() {
        return "Clock: nothing confirms the machine's time. That is usual without internet: compare it with a watch, \
                and set it if it is wrong."
            .to_owned();
    }
    let mut text = format!("Clock: the machine's time has been wrong for {}", lasting(ms));
    reason(&mut text, &why);
    text.push_str(
        " Connect it to the internet or set it by hand; samples without a time of their own are then dated anew, \
         until then they are marked.",
    );
    text
}

/// A messenger that does not deliver.
pub fn messenger_failing(messenger: &str, why: &str, ms: i64) -> String {
    let mut text = format!("Messenger {}: nothing delivered for {}", harmless(messenger), lasting(ms));
    reason(&mut text, why);
    text.push_str(" What it should have told waits for it.");
    text
}

/// A backup that is old or never made.
pub fn backup_old(why: &str) -> String {
    let mut text = "Backup: the last one is old".to_owned();
    reason(&mut text, why);
    text.push_str(" Check that its folder is there and has room.");
    text
}

/// A changed config that was not taken over; `why` names the file, the line and what is wrong.
pub fn config_refused(why: &str) -> String {
    let why = harmless_within(why, CONFIG_WHY_MAX);
    let why = why.trim_end_matches('.');
    format!(
        "Config: not taken over, the settings in force go on ({why}). Mend it, look it over with tubwatch check, then \
         have it read again."
    )
}

/// A right config was read after a wrong one.
pub fn config_taken_over(lasted_ms: i64) -> String {
    format!("Config: right again and taken over, after {}.", lasting(lasted_ms))
}

fn reason(text: &mut String, why: &str) {
    let why = harmless(why);
    let _ = if why.is_empty() { write!(text, ".") } else { write!(text, " ({}).", why.trim_end_matches('.')) };
}

/// One part of the machine that works again.
pub fn machine_well(subject: &str, lasted_ms: i64) -> String {
    format!("{}: well again after {}.", capital(&harmless(subject)), lasting(lasted_ms))
}

/// A condition that nobody was told of, because it was over before it was known.
pub fn went_by(subject: &str, watch: &str, lasted_ms: i64) -> String {
    let lasted = if lasted_ms < HOUR_MS / 60 { "less than a minute".to_owned() } else { lasting(lasted_ms) };
    format!("{}: {watch} for {lasted}, over before it was known.", capital(&harmless(subject)))
}
