//! The status page: read from top to bottom, on a phone, by a tired grower.
//!
//! In: a [`Snapshot`]. Out: one HTML page that asks for nothing else: no script, no picture, one
//! style sheet inside it. Words carry the meaning, not colours. Times are the site's. Left out:
//! charts, and pages of single tubs and spaces.

use std::net::SocketAddr;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::snapshot::{AlertView, ProbeView, Snapshot, SourceView, SpaceView, TubView};
use super::wording::{Clock, cell, degrees, figure};
use crate::watch::alert::AlertState;

/// How often a page left open reads itself anew, seconds.
const READ_ANEW_S: u32 = 60;

const STYLE: &str = "
:root{color-scheme:light dark}
body{font:1.05rem/1.5 system-ui,sans-serif;max-width:38rem;margin:0 auto;padding:.8rem 1rem 2rem;overflow-wrap:anywhere}
h1{font-size:1.3rem;margin:0}
h2{font-size:1.15rem;margin:1.8rem 0 .4rem;padding-top:.6rem;border-top:2px solid}
h3{font-size:1.05rem;margin:1rem 0 0}
p{margin:.2rem 0}
ul{margin:.2rem 0;padding-left:1.2rem}
.alert{border-left:.3rem solid;padding-left:.7rem;margin:.9rem 0}
.alert h3{margin:0}
.small{font-size:.92rem;opacity:.85}
.words{margin-top:1.1rem}
code{font-size:.95em}
footer{margin-top:2rem;padding-top:.6rem;border-top:2px solid}
";

/// The page. `nonce` is what lets in its style sheet (content security policy); `bound` is where the
/// endpoint listens.
pub(super) fn render(snapshot: &Snapshot, nonce: &str, bound: Option<SocketAddr>) -> String {
    let clock = Clock { now: snapshot.time, timezone: snapshot.inner.timezone };
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="refresh" content=(READ_ANEW_S);
                title { (snapshot.site) ": " (in_short(snapshot)) }
                style nonce=(nonce) { (PreEscaped(STYLE)) }
            }
            body {
                h1 { (snapshot.site) }
                p.small { "As of " (clock.full(snapshot.time)) " (" (snapshot.inner.timezone.name()) "). The page reads itself anew every minute." }
                h2 { "Wrong now" }
                (wrong_now(snapshot, clock))
                h2 { "Air" }
                (air(snapshot, clock))
                h2 { "Tubs" }
                (tubs(snapshot, clock))
                h2 { "Doubtful probes" }
                (doubtful(snapshot, clock))
                h2 { "This machine" }
                (machine(snapshot, clock, bound))
                footer {
                    p { "tubwatch is a monitor, no safety device: every heater needs its own thermostat and its own thermal cut-out." }
                    p.small { "For programs: " a href="/status.json" { "status" } ", " a href="/metrics" { "metrics" } ", " a href="/health" { "health" } "." }
                }
            }
        }
    };
    page.into_string()
}

fn in_short(snapshot: &Snapshot) -> String {
    let standing = snapshot.alerts.iter().filter(|alert| rank(alert) == 0).count();
    match (standing, snapshot.inner.faults.is_empty()) {
        (0, true) => "nothing is wrong".to_owned(),
        (0, false) => "this machine needs a look".to_owned(),
        (count, _) => format!("{count} wrong"),
    }
}

/// 0: stands. 1: over, not acknowledged. 2: put aside.
fn rank(alert: &AlertView) -> u8 {
    if alert.state == AlertState::Returned.word() {
        1
    } else {
        u8::from(alert.state == AlertState::Shelved.word() || alert.state == AlertState::Suppressed.word()) * 2
    }
}

fn wrong_now(snapshot: &Snapshot, clock: Clock) -> Markup {
    let mut alerts: Vec<&AlertView> = snapshot.alerts.iter().collect();
    alerts.sort_by_key(|alert| rank(alert)); // stable: worst first within each
    let standing = alerts.iter().any(|alert| rank(alert) == 0);
    let doubts = snapshot.probes.iter().filter(|probe| is_doubtful(probe)).count();
    html! {
        @if !snapshot.inner.faults.is_empty() {
            p { "This machine does not do all of its work; see \"This machine\" below." }
        }
        @if !standing {
            @if snapshot.inner.faults.is_empty() && doubts == 0 { p { "Nothing is wrong." } }
            @else if doubts > 0 { p { "No alert stands, but not every probe can be believed; see \"Doubtful probes\" below." } }
            @else { p { "No alert stands." } }
        }
        @for alert in alerts { (one_alert(alert, clock)) }
    }
}

fn one_alert(alert: &AlertView, clock: Clock) -> Markup {
    let (first, more) = match (rank(alert), alert.severity) {
        (0, "critical") => ("Critical", ""),
        (0, "warning") => ("Warning", ""),
        (0, _) => ("Advice", ""),
        (1, severity) => ("Over", severity),
        (_, severity) => ("Put aside", severity),
    };
    html! {
        div.alert {
            h3 { (first) @if !more.is_empty() { " (" (more) ")" } ": " (alert.subject) }
            p { (alert.text) }
            p.small {
                "Since " (clock.short(alert.since)) ". "
                @match alert.state {
                    "acknowledged" => { "Acknowledged." }
                    "returned" => { "Nobody has acknowledged it: " code { "tubwatch acknowledge " (alert.id) } }
                    "shelved" => { "Shelved for a while." }
                    "suppressed" => { "Another alert explains it." }
                    _ => { "Once you have seen to it: " code { "tubwatch acknowledge " (alert.id) } }
                }
            }
        }
    }
}

fn air(snapshot: &Snapshot, clock: Clock) -> Markup {
    html! {
        @if snapshot.spaces.is_empty() { p { "No space is configured." } }
        @for space in &snapshot.spaces { (one_space(space, snapshot, clock)) }
        @if snapshot.spaces.iter().any(|space| space.dew_point_c.is_some()) {
            p.small.words { "Dew point: a surface colder than this gets wet. Vapour-pressure deficit: how strongly the air dries what it touches; near 0 it dries nothing." }
        }
    }
}

fn is_silent(snapshot: &Snapshot, name: &str) -> bool {
    snapshot.probes.iter().any(|probe| probe.name == name && probe.health == "silent")
}

fn one_space(space: &SpaceView, snapshot: &Snapshot, clock: Clock) -> Markup {
    html! {
        h3 { (space.name) }
        @match (&space.probe, space.at) {
            (Some(probe), Some(at)) => {
                p {
                    @if is_silent(snapshot, probe) { "Last known: " }
                    (cell(space.temperature_c, 1, "°C"))
                    ", humidity " (cell(space.humidity_pct, 0, "%"))
                    @if let Some(co2) = space.co2_ppm { ", CO2 " (figure(co2, 0)) " ppm" }
                }
                @if let (Some(dew_point), Some(deficit)) = (space.dew_point_c, space.vpd_kpa) {
                    p { "Dew point " (figure(dew_point, 1)) " °C, vapour-pressure deficit " (figure(deficit, 2)) " kPa" }
                }
                p.small {
                    "Read by " (probe) " " (clock.ago(at))
                    @if is_silent(snapshot, probe) { "; it is silent since, and the air now is not known" }
                    "."
                }
            }
            _ => { p { "Never read yet." } }
        }
    }
}

fn tubs(snapshot: &Snapshot, clock: Clock) -> Markup {
    html! {
        @if snapshot.tubs.is_empty() {
            p { "No tub is being watched. One begins with " code { "tubwatch spawn" } "." }
        }
        @for tub in &snapshot.tubs { (one_tub(tub, snapshot, clock)) }
        @if !snapshot.tubs.is_empty() {
            p.small.words { "Degree-hours: the warmth a tub has had above the temperature at which its culture begins to grow, times the hours it had it; between the two figures in brackets lies the truth where readings are missing. Heat stress: the same above the top of its band. Substrate: the mixture in the tub." }
        }
    }
}

fn one_tub(tub: &TubView, snapshot: &Snapshot, clock: Clock) -> Markup {
    html! {
        h3 { (tub.name) ": " (tub.culture) ", " (tub.stage) }
        p {
            "Day " (figure(tub.age_days.floor() + 1.0, 0)) ", " (tub.kind) " in " (tub.space)
            @if let Some(core) = tub.core_c {
                ". Substrate " (figure(core, 1)) " °C"
                @if let Some(over) = tub.core_over_air_k { ", " (degrees(over)) " the air" }
            }
            "."
        }
        @if let Some(due) = due(tub, clock) { p { (due) } }
        @if !tub.alerts.is_empty() {
            p { "Something is wrong with it: see \"Wrong now\"." }
        }
        p.small {
            (figure(tub.degree_hours, 0)) " degree-hours (" (figure(tub.degree_hours_low, 0)) " to " (figure(tub.degree_hours_high, 0))
            "), as much as " (figure(tub.equivalent_days, 1)) " days at its usual temperature; "
            @if let Some(probe) = &tub.temperature_from {
                "from " (probe) ", "
                @if is_silent(snapshot, probe) { "which is silent now, " }
            } @else { "no probe reports, " }
            (covered(tub.coverage)) "."
            @if tub.heat_stress_degree_hours >= 0.05 { " Heat stress " (figure(tub.heat_stress_degree_hours, 1)) " degree-hours." }
        }
    }
}

/// When to go and look. A figure never says that a tub is done; only a look does.
fn due(tub: &TubView, clock: Clock) -> Option<String> {
    if tub.stage != "colonising" {
        return None;
    }
    let due = tub.due?;
    if due.earliest <= clock.now {
        return Some(format!("Time to look, since {}.", clock.short(due.earliest)));
    }
    let window = match due.latest {
        Some(latest) if latest > due.earliest => {
            format!("between {} and {}", clock.short(due.earliest), clock.short(latest))
        }
        _ => format!("from {} on", clock.short(due.earliest)),
    };
    // Warm enough before its days are over: the window holds, not the share.
    let share = (tub.progress * 100.0).floor();
    let warmth =
        if share < 100.0 { format!("{share:.0} % of the warmth it needs") } else { "Warmth enough".to_owned() };
    Some(format!("{warmth}. Time to look: {window}."))
}

fn covered(coverage: f64) -> String {
    if coverage >= 0.9995 {
        "measured all the time".to_owned()
    } else {
        format!("measured {:.1} % of the time", (coverage * 1000.0).floor() / 10.0)
    }
}

fn is_doubtful(probe: &ProbeView) -> bool {
    probe.health != "reporting"
}

fn doubtful(snapshot: &Snapshot, clock: Clock) -> Markup {
    let doubtful: Vec<(usize, &ProbeView)> =
        snapshot.probes.iter().enumerate().filter(|(_, probe)| is_doubtful(probe)).collect();
    html! {
        @if snapshot.probes.is_empty() { p { "No probe is configured." } }
        @else if doubtful.is_empty() { p { "None: every probe reports." } }
        @else {
            ul {
                @for (position, probe) in doubtful {
                    li {
                        (probe.name) ": " (probe.health)
                        @if let Some(at) = probe.last_at { ", last reading " (clock.ago(at)) }
                        @else { ", never heard" }
                        ". " (what_to_do(probe, position, snapshot))
                    }
                }
            }
        }
    }
}

fn what_to_do(probe: &ProbeView, position: usize, snapshot: &Snapshot) -> String {
    let source = snapshot.inner.probe_source.get(position).map_or("", String::as_str);
    let away = snapshot.sources.iter().any(|view| view.name == source && view.state != "connected");
    match probe.health {
        "silent" if away => format!("Its source {source} is not connected: begin there."),
        "silent" => "Look at its power, its cable and its place.".to_owned(),
        "stuck" => "The same value for hours: take its power away and give it back.".to_owned(),
        "implausible" => "It reads what cannot be: look at its cable and its place.".to_owned(),
        "saturated" => "Its humidity element is wet: dry it, and hang it where nothing drips.".to_owned(),
        _ => String::new(),
    }
}

fn machine(snapshot: &Snapshot, clock: Clock, bound: Option<SocketAddr>) -> Markup {
    html! {
        @if snapshot.inner.faults.is_empty() { p { "Samples, watches, store and outbox work." } }
        @else {
            p { "Does not work:" }
            ul { @for fault in &snapshot.inner.faults { li { (fault) } } }
        }
        p { "Its ways in and out:" }
        ul {
            @for source in &snapshot.sources { (one_source(source, clock)) }
            @for (messenger, waiting) in &snapshot.inner.outbox_waiting {
                li {
                    "messenger " (messenger) ": "
                    @match waiting { 0 => { "nothing waits" } 1 => { "1 message waits" } more => { (more) " messages wait" } }
                }
            }
        }
        p.small {
            "tubwatch " (snapshot.version)
            @if let Some(bound) = bound { ", listening on " (bound) }
            "."
        }
    }
}

fn one_source(source: &SourceView, clock: Clock) -> Markup {
    html! { li { "source " (source.name) ": " (source.state) " since " (clock.short(source.since)) } }
}
