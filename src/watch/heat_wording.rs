//! Sentences about heat runs, for a grower with a phone in one hand and a lid in the other.
//!
//! In: a run and its report. Out: one or two plain sentences. Nothing here says "sterile".

use super::wording::{harmless, lasting};
use crate::climate::Stamp;
use crate::climate::degrees::Degrees;
use crate::climate::stamp::MINUTE_MS;
use crate::grow::heat_run::{Report, Verdict};
use crate::grow::logbook::Run;

const SCALDING: &str = "Hot substrate and steam scald: gloves, long sleeves, tip it away from you.";

fn minutes(ms: i64) -> i64 {
    ms / MINUTE_MS
}

fn name(run: &Run) -> String {
    format!("Heat run {}", harmless(&run.name))
}

/// `60 of 60 min at or over 65 °C at the coldest probe`.
fn earned(run: &Run, report: &Report, show: Degrees) -> String {
    let (earned, hold) = (minutes(report.earned_ms), minutes(run.plan.hold_for_ms()));
    let probe = if report.probes.len() == 1 { "its only probe" } else { "the coldest probe" };
    format!("{earned} of {hold} min at or over {} at {probe}", show.say_set(run.plan.hold_at_c()))
}

fn units(report: &Report, show: Degrees) -> String {
    format!("{:.0} pasteurisation units at the least ({})", report.least_units, report.scale.stated_in(show))
}

/// The hold has been earned.
pub fn reached(run: &Run, report: &Report, show: Degrees) -> String {
    let doubt = match (report.verdict, report.probes.len()) {
        (Verdict::Held, 1) => " Held where measured: one probe tells of one place.",
        (Verdict::Held, _) => "",
        _ => " A probe was missing meanwhile, so it is unproven: keep the heat on until it has been seen to hold.",
    };
    format!(
        "{}: the hold is reached, {}, {}.{doubt} Heat off, lid shut; spawn below {}. {SCALDING}",
        name(run),
        earned(run, report, show),
        units(report, show),
        show.say_set(run.plan.spawn_below_c())
    )
}

/// The hottest probe has cooled.
pub fn cool(run: &Run, report: &Report, show: Degrees) -> String {
    let hottest =
        report.hottest.map_or(String::new(), |(_, value)| format!(", the hottest probe reads {:.1}", show.of(value)));
    let below = show.say_set(run.plan.spawn_below_c());
    if report.reached_at.is_none() {
        let earned = earned(run, report, show);
        return format!(
            "{}: it has cooled below {below}{hottest}, but the hold was short: {earned}. Heat it again before you spawn.",
            name(run)
        );
    }
    let lost = report.probes.iter().any(|probe| probe.voice != crate::grow::heat_run::Voice::Reading);
    let doubt = if lost { " A probe is lost, and may be hotter: measure by hand." } else { "" };
    format!("{}: cool enough to spawn, below {below}{hottest}.{doubt} Clean hands, closed windows.", name(run))
}

/// It is too warm to spawn again.
pub fn warm_again(run: &Run, report: &Report, show: Degrees) -> String {
    let reads = |(_, value)| format!(": the hottest probe reads {}", show.say(value, 1));
    let (hottest, below) = (report.hottest.map_or(String::new(), reads), show.say_set(run.plan.spawn_below_c()));
    format!("{}: too warm to spawn again{hottest}; wait until it is below {below}.", name(run))
}

/// The coldest probe is under the target: more heat.
pub fn lost(run: &Run, report: &Report, lost: Option<(Stamp, usize, f64)>, now: Stamp, show: Degrees) -> String {
    let target = super::wording::bare(show.of(run.plan.hold_at_c()));
    let what = lost.map_or(String::new(), |(since, probe, value_c)| {
        let coldest = report.coldest.unwrap_or((probe, value_c));
        let probe = run.plan.probes().get(coldest.0).map_or(String::new(), |name| harmless(name));
        format!(" probe {probe} reads {}, under {target} for {};", show.say(coldest.1, 1), lasting(now.since(since)))
    });
    format!("{}:{what} {}. More heat; what was earned still counts. {SCALDING}", name(run), earned(run, report, show))
}

/// The coldest probe is back at the target.
pub fn resumed(run: &Run, report: &Report, show: Degrees) -> String {
    format!("{}: back at the target; {}.", name(run), earned(run, report, show))
}

/// The grower ended it.
pub fn ended(run: &Run, report: &Report, show: Degrees) -> String {
    let (earned, units) = (earned(run, report, show), units(report, show));
    format!("{} has ended: {}; {earned}, {units}.", name(run), report.verdict_words())
}
