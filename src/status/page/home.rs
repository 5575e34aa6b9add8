//! The status page: read from top to bottom, on a phone, by a tired grower.
//!
//! In: a [`Snapshot`], the traces of two days. Out: what is wrong first, then the air, then the tubs in
//! the order the grower needs them, then doubtful probes and the machine itself. Times are the
//! site's. Left out: charts, and pages of single tubs and spaces.

use std::net::SocketAddr;

use maud::{Markup, PreEscaped, html};

use super::evening::evening;
use super::{Page, alert, heat};
use crate::climate::Stamp;
use crate::climate::chart::{Limits, trace};
use crate::climate::stamp::{DAY_MS, HOUR_MS};
use crate::status::clash::{Placed, clashes};
use crate::status::limits;
use crate::status::snapshot::{AlertView, Inner, ProbeView, Snapshot, SourceView, SpaceView, TubView};
use crate::status::traces::Traces;
use crate::status::wording::{Clock, cell, figure, path};
use crate::watch::alert::AlertState;
use crate::watch::setup::Setup;

/// In a small trace, readings further apart than this are not joined: two of its columns.
const TRACE_BRIDGE_MS: i64 = 2 * HOUR_MS;
/// What the page is made from beside the snapshot.
pub(in crate::status) struct Seat<'a> {
    /// The settings.
    pub(in crate::status) setup: &'a Setup,
    /// The last two days.
    pub(in crate::status) traces: &'a Traces,
    /// Where the endpoint listens.
    pub(in crate::status) bound: Option<SocketAddr>,
    /// What forms carry; none where the reader may not write.
    pub(in crate::status) form: Option<&'a str>,
    /// There is a token to sign in with.
    pub(in crate::status) may_sign_in: bool,
}

/// The page.
pub(in crate::status) fn page(snapshot: &Snapshot, seat: &Seat<'_>) -> Page {
    let clock = Clock::of(snapshot);
    let main = html! {
        h1 { (snapshot.site) }
        p.small { "As of " (clock.full(snapshot.time)) " (" (snapshot.inner.timezone.name()) "). The page reads itself anew." }
        h2 { "Wrong now" }
        (wrong_now(snapshot, clock, seat))
        @if let Some(evening) = evening(snapshot, seat, clock) { p { (evening) } }
        (heat::running(snapshot, clock))
        h2 { "Air" }
        (air(snapshot, clock))
        @for sentence in exclude_each_other(snapshot, seat) { p { (sentence) } }
        (hands(snapshot, clock, seat))
        h2 { "Tubs" }
        (tubs(snapshot, clock, seat))
        h2 { "Doubtful probes" }
        (doubtful(snapshot, clock))
        h2 { "This machine" }
        (machine(snapshot, clock, seat.bound))
        (access(seat))
    };
    Page { title: format!("{}: {}", snapshot.site, in_short(snapshot)), main, is_live: true }
}

/// Hands in the tent: where they are, and the form that says so.
fn hands(snapshot: &Snapshot, clock: Clock, seat: &Seat<'_>) -> Markup {
    html! {
        @for (space, until) in &snapshot.inner.at_work {
            p { "Somebody works in " (space.as_deref().unwrap_or("every space")) " until " (clock.short(*until)) ": warnings of its air wait. Air near harm, and cores, do not." }
        }
        @if let Some(form) = seat.form.filter(|_| !snapshot.spaces.is_empty()) {
            details id="hands" {
                summary { "Hands in the tent?" }
                form method="post" action="/working" {
                    input type="hidden" name="form" value=(form);
                    label for="space" { "Where" }
                    select id="space" name="space" {
                        @for space in &snapshot.spaces { option value=(space.name) { (space.name) } }
                        option value="" { "every space" }
                    }
                    p { "Warnings of its air wait until the work is done." }
                    div.row {
                        @for (span, said) in [("30min", "Half an hour"), ("1h", "An hour"), ("2h", "Two hours")] {
                            button.grow type="submit" name="for" value=(span) { (said) }
                        }
                    }
                }
            }
        }
    }
}

/// Signing in and out.
fn access(seat: &Seat<'_>) -> Markup {
    html! {
        @if let Some(form) = seat.form {
            form method="post" action="/sign-out" {
                input type="hidden" name="form" value=(form);
                button type="submit" { "Sign out" }
            }
        } @else if seat.may_sign_in {
            p { a.key href="/sign-in" { "Sign in to log and acknowledge" } }
        }
    }
}

fn in_short(snapshot: &Snapshot) -> String {
    let standing = snapshot.alerts.iter().filter(|alert| rank(alert) == 0).count();
    match (standing, snapshot.inner.faults.is_empty()) {
        (0, true) if snapshot.probes.iter().any(is_doubtful) => "not every probe can be believed".to_owned(),
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

fn wrong_now(snapshot: &Snapshot, clock: Clock, seat: &Seat<'_>) -> Markup {
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
        @for alert in alerts { (one_alert(alert, snapshot, clock, seat)) }
    }
}

fn one_alert(alert: &AlertView, snapshot: &Snapshot, clock: Clock, seat: &Seat<'_>) -> Markup {
    let severity = alert::severity(alert.severity);
    let (first, more) = match rank(alert) {
        0 => (severity, ""),
        1 => ("Over", alert.severity),
        _ => ("Put aside", alert.severity),
    };
    let waits = alert.state == AlertState::Unacknowledged.word() || rank(alert) == 1;
    html! {
        div.alert {
            h3 { (first) @if !more.is_empty() { " (" (more) ")" } ": " (subject_link(&alert.subject, snapshot)) }
            p { (alert.text) }
            p.small { "Raised " (clock.short(alert.since)) ". " (alert::state(alert, snapshot, clock)) }
            @if let Some(form) = seat.form.filter(|_| waits) {
                form method="post" action=(format!("/alert/{}/acknowledge", alert.id)) {
                    input type="hidden" name="form" value=(form);
                    button id=(format!("acknowledge-{}", alert.id)) type="submit" { "Acknowledge" span.small { " " (alert.subject) } }
                }
            } @else if waits {
                p { a href=(format!("/alert/{}", alert.id)) { "To this alert" } }
            }
        }
    }
}

/// `tub A1` with a link to its page, where there is one.
pub(super) fn subject_link(subject: &str, snapshot: &Snapshot) -> Markup {
    let tub = subject.strip_prefix("tub ").and_then(|name| snapshot.tubs.iter().find(|tub| tub.name == name));
    let space = subject.strip_prefix("space ").filter(|name| snapshot.spaces.iter().any(|space| space.name == *name));
    html! {
        @if let Some(tub) = tub { a href=(path("tub", &tub.id)) { (subject) } }
        @else if let Some(space) = space { a href=(path("space", space)) { (subject) } }
        @else { (subject) }
    }
}

fn air(snapshot: &Snapshot, clock: Clock) -> Markup {
    html! {
        @if snapshot.spaces.is_empty() { p { "No space is configured." } }
        @for space in &snapshot.spaces { (one_space(space, snapshot, clock)) }
        @if snapshot.spaces.iter().any(|space| space.dew_point_c.is_some()) {
            p.small.words { "Dew point: a surface colder than this gets wet. VPD (vapour-pressure deficit): the drying pull of the air; near 0 it dries nothing." }
        }
    }
}

/// What is told of spaces whose tubs want different air.
fn exclude_each_other(snapshot: &Snapshot, seat: &Seat<'_>) -> Vec<String> {
    let is_air = |space: &str, probe: &str| {
        let air = limits::space(seat.setup, space).into_iter().flat_map(|space| &space.air);
        air.filter_map(|place| seat.setup.probes.get(*place)).any(|air| air.name == probe)
    };
    let mut tubs: Vec<Placed<'_>> = Vec::new();
    for TubView { name, culture, stage, space, temperature_from, .. } in &snapshot.tubs {
        if let Some(stage) = limits::stage(stage) {
            let is_from_air = temperature_from.as_ref().is_none_or(|probe| is_air(space, probe));
            tubs.push(Placed { name, culture, stage, space, is_from_air });
        }
    }
    clashes(seat.setup, &tubs)
}

pub(super) fn is_silent(snapshot: &Snapshot, name: &str) -> bool {
    snapshot.probes.iter().any(|probe| probe.name == name && probe.health == "silent")
}

fn one_space(space: &SpaceView, snapshot: &Snapshot, clock: Clock) -> Markup {
    html! {
        h3 { a href=(path("space", &space.name)) { (space.name) } }
        (space_story(space, snapshot, clock))
    }
}

/// The air of a space now.
pub(super) fn space_story(space: &SpaceView, snapshot: &Snapshot, clock: Clock) -> Markup {
    html! {
        @match (&space.probe, space.at) {
            (Some(probe), Some(at)) => {
                p {
                    @if is_silent(snapshot, probe) { "Last known: " }
                    (clock.temperature(space.temperature_c))
                    ", humidity " (cell(space.humidity_pct, 0, "%"))
                    @if let Some(co2) = space.co2_ppm { ", CO2 " (figure(co2, 0)) " ppm" }
                }
                @if let (Some(dew_point), Some(deficit)) = (space.dew_point_c, space.vpd_kpa) {
                    p { "Dew point " (clock.degrees(dew_point)) ", VPD " (figure(deficit, 2)) " kPa" }
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

/// In the order the grower needs them: what is wrong, what waits to be looked at, what is open, what
/// comes next, what rests.
fn in_order(snapshot: &Snapshot) -> Vec<&TubView> {
    let mut tubs: Vec<&TubView> = snapshot.tubs.iter().collect();
    // The list of alerts is worst first.
    let stands = |id: &i64| snapshot.alerts.iter().position(|alert| alert.id == *id && rank(alert) == 0);
    tubs.sort_by_key(|tub| {
        let due = tub.due.map_or(Stamp(i64::MAX), |due| due.earliest);
        let worst = tub.alerts.iter().filter_map(stands).min();
        let group = match tub.stage {
            _ if worst.is_some() => 0,
            "colonising" if due <= snapshot.time => 1,
            "fruiting" | "pinning" => 2,
            "ripening" => 3,
            "colonising" => 4,
            _ => 5,
        };
        (group, worst, due)
    });
    tubs
}

fn tubs(snapshot: &Snapshot, clock: Clock, seat: &Seat<'_>) -> Markup {
    html! {
        @if snapshot.tubs.is_empty() {
            p { "No tub is being watched. One begins with " code { "tubwatch spawn" } "." }
        }
        @for tub in in_order(snapshot) {
            h3 { a href=(path("tub", &tub.id)) { (tub.name) } ": " (tub.culture) ", " (tub.stage) }
            (tub_trace(tub, clock, seat))
            (tub_story(tub, snapshot, clock))
            @if !tub.alerts.is_empty() { p { "Something is wrong with it: see \"Wrong now\"." } }
        }
        p { a href="/heat-runs" { "Heat runs of the substrate" } }
        @if !snapshot.tubs.is_empty() {
            p.small.words { "Degree-hours: warmth collected, the degrees above the temperature at which a culture begins to grow, times the hours; between the two figures in brackets lies the truth where readings are missing. Coverage: the hours measured, of all hours. Heat stress: degree-hours above the top of the band. Substrate: the mixture in the tub. The small line: two days of the temperature its figures come from, its band the two thin lines." }
        }
    }
}

fn tub_trace(tub: &TubView, clock: Clock, seat: &Seat<'_>) -> Markup {
    let Some(probe) = &tub.temperature_from else { return html! {} };
    let lane = seat.traces.lane(probe, clock.now);
    let from_core = tub.core_c.is_some();
    let band = limits::stage(tub.stage).map(|stage| {
        let bands = limits::stage_bands(seat.setup, &tub.culture, stage, &tub.space);
        if from_core {
            bands.core_temperature
        } else {
            limits::of_air(&bands, crate::climate::Quantity::Temperature, true)
        }
    });
    let band = band.unwrap_or_default();
    let limits = Limits {
        from: clock.now,
        to: clock.now,
        low: band.low.map(|low| low.value),
        high: band.high.map(|high| high.value),
    };
    let label = match lane.range() {
        Some((low, high)) => {
            let low = figure(clock.show.of(low), 1);
            format!("two days, {low} to {}", clock.degrees(high))
        }
        None => return html! {},
    };
    html! { (PreEscaped(trace(&lane, limits, TRACE_BRIDGE_MS, &label))) }
}

/// Where a tub stands, in sentences.
pub(super) fn tub_story(tub: &TubView, snapshot: &Snapshot, clock: Clock) -> Markup {
    html! {
        p {
            "Day " (figure(tub.age_days.floor() + 1.0, 0)) ", " (tub.kind) " in " (tub.space)
            @if let Some(core) = tub.core_c {
                @if tub.temperature_from.as_ref().is_some_and(|probe| is_silent(snapshot, probe)) {
                    ". Substrate when last heard "
                } @else { ". Substrate " }
                (clock.degrees(core))
                @if let Some(over) = tub.core_over_air_k { ", " (clock.over(over)) " the air" }
            }
            "."
        }
        @if let Some(due) = due(tub, clock) { p { (due) } }
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
        @if snapshot.sources.is_empty() && snapshot.inner.outbox_waiting.is_empty() {
            p { "No source and no messenger is configured: nothing comes in, and nobody is told." }
        } @else { p { "Its ways in and out:" } }
        ul {
            @for source in &snapshot.sources { (one_source(source, clock)) }
            @for (messenger, waiting) in &snapshot.inner.outbox_waiting {
                li {
                    "messenger " (messenger) ": "
                    @match waiting { 0 => { "nothing waits" } 1 => { "1 message waits" } more => { (more) " messages wait" } }
                }
            }
        }
        @if let Some(mb) = written_mb_a_day(snapshot) {
            p { "It writes about " (figure(mb, if mb < 10.0 { 1 } else { 0 })) " MB a day to the card." }
        }
        p.small {
            "tubwatch " (snapshot.version)
            @if let Some(bound) = bound { ", listening on " (bound) }
            "."
        }
    }
}

/// Megabytes a day written since the process began, once it has run for long enough to tell.
fn written_mb_a_day(snapshot: &Snapshot) -> Option<f64> {
    let Inner { written_bytes: Some(bytes), written_over_ms, .. } = snapshot.inner else { return None };
    (written_over_ms >= HOUR_MS).then(|| bytes as f64 / 1e6 * (DAY_MS as f64 / written_over_ms as f64))
}

fn one_source(source: &SourceView, clock: Clock) -> Markup {
    html! {
        li {
            "source " (source.name) ": " (source.state) " since " (clock.short(source.since))
            @if let Some(address) = &source.address { ", takes in probes at " (address) }
        }
    }
}
