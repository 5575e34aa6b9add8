//! Heat runs as a grower beside the barrel reads them: those under way on `/`, all of them, one in full.
//!
//! In: runs as the status shows them, what their probes said. Out: a part of the page, and two pages.

use maud::{Markup, html};

use super::Page;
use super::charts::{Figure, Frame, Kind};
use crate::climate::Stamp;
use crate::climate::chart::Limits;
use crate::grow::heat_run::Report;
use crate::grow::logbook::Run;
use crate::grow::tub::Tub;
use crate::status::gather::Line;
use crate::status::heat::{HeatProbeView, HeatRunView};
use crate::status::snapshot::Snapshot;
use crate::status::span::Span;
use crate::status::wording::{Clock, figure, path};

/// The runs under way, for the first page; nothing where there is none.
pub(super) fn running(snapshot: &Snapshot, clock: Clock) -> Markup {
    html! {
        @if !snapshot.heat_runs.is_empty() {
            h2 { "Heat runs" }
            @for run in &snapshot.heat_runs {
                h3 { a href=(path("heat-run", &run.name)) { (run.name) } ": " (phase(run)) }
                (story(run, clock))
            }
            (explained())
        }
    }
}

/// Where an open run stands, in words; of one that has ended what became of it.
fn phase(run: &HeatRunView) -> &'static str {
    match (run.ended_at, run.phase, run.paused) {
        (Some(_), ..) => run.verdict,
        (None, "heating", _) => "heating up",
        (None, "hold", true) => "hold paused, more heat",
        (None, "hold", false) => "holding",
        (None, "cooling", _) if run.reached_at.is_none() => "cooling before the hold was earned",
        (None, "cooling", _) => "hold earned, cooling",
        (None, "ready", _) => "cool enough to spawn",
        (None, other, _) => other,
    }
}

fn speaks(probe: &&HeatProbeView) -> bool {
    probe.voice == "reading"
}

/// Everything worth knowing of a run but its chart.
fn story(run: &HeatRunView, clock: Clock) -> Markup {
    let now = |probe: &HeatProbeView| probe.temperature_c.unwrap_or(f64::NAN);
    let speaking = || run.probes.iter().filter(speaks);
    let coldest = speaking().min_by(|a, b| now(a).total_cmp(&now(b)));
    let hottest = speaking().max_by(|a, b| now(a).total_cmp(&now(b)));
    html! {
        @if run.ended_at.is_none() {
            @match (coldest, hottest) {
                (Some(coldest), Some(hottest)) if run.probes.len() > 1 => {
                    p { "Coldest " (coldest.name) " " (clock.degrees(now(coldest))) ", hottest " (hottest.name) " " (clock.degrees(now(hottest))) "." }
                }
                (Some(only), _) => { p { (only.name) " " (clock.degrees(now(only))) "." } }
                _ => { p { "No probe of it reads: look there yourself." } }
            }
            @if let Some(ahead) = ahead(run, clock) { p { (ahead) } }
        }
        p {
            "Held " (figure(run.earned_min.floor(), 0)) " of " (figure(run.hold_for_min, 0)) " min at or over " (clock.show.say_set(run.hold_at_c))
            " at " @if run.probes.len() == 1 { "its only probe" } @else { "the coldest probe" }
            @if run.proven_min + 0.5 < run.earned_min.min(run.hold_for_min) { ", " (figure(run.proven_min.floor(), 0)) " of them with every probe heard" }
            "."
        }
        @for probe in run.probes.iter().filter(|probe| !speaks(probe) && run.ended_at.is_none()) {
            p { (probe.name) ": " (unheard(probe.voice)) }
        }
        p.small {
            (figure(run.pasteurisation_units, 0)) " pasteurisation units at the least (" (crate::climate::lethality::Scale::PASTEURISATION.stated_in(clock.show)) "). "
            "Began " (clock.short(run.started_at))
            @if let Some(ended) = run.ended_at { ", ended " (clock.short(ended)) }
            "; spawn below " (clock.show.say_set(run.spawn_below_c)) "."
            @if let Some(window) = run.window { " Window " (window) @if let Some(source) = run.window_source { " (" (source) ")" } "." }
        }
        @if run.ended_at.is_some() { @if let Some(advice) = advice(run.verdict) { p { (advice) } } }
    }
}

/// How long it still takes at the present pace, by the slowest probe.
fn ahead(run: &HeatRunView, clock: Clock) -> Option<String> {
    let slowest = |minutes: fn(&HeatProbeView) -> Option<f64>| {
        let all: Option<Vec<f64>> = run.probes.iter().filter(speaks).map(minutes).collect();
        all.into_iter().flatten().fold(None, |slowest: Option<f64>, one| Some(slowest.map_or(one, |so| so.max(one))))
    };
    let (minutes, target) = match run.reached_at {
        None => (slowest(|probe| probe.minutes_to_target)?, run.hold_at_c),
        Some(_) => (slowest(|probe| probe.minutes_to_spawn)?, run.spawn_below_c),
    };
    (minutes >= 1.0).then(|| format!("About {minutes:.0} min to {} at this pace.", clock.show.say_set(target)))
}

fn unheard(voice: &str) -> &'static str {
    match voice {
        "implausible" => "what it says cannot be believed; look at its plug and cable.",
        "lost" => "lost; nothing heard for over five minutes.",
        _ => "not heard yet.",
    }
}

fn advice(verdict: &str) -> Option<&'static str> {
    match verdict {
        "held where measured" => Some("One probe tells of one place: the middle and the corners may have been colder."),
        "short" => Some("It was not held long enough: heat it again before you spawn."),
        "unproven" => Some("A probe was missing for too long: whether it was held cannot be told."),
        _ => None,
    }
}

fn explained() -> Markup {
    html! {
        p { "Hot substrate and steam scald: gloves, long sleeves, never lift a hot barrel alone." }
        p.small.words { "Pasteurisation units: minutes at the reference temperature that would do as much; z: so many degrees more do ten times as much." }
    }
}

/// All runs, the newest first; `more` were left out.
pub(in crate::status) fn list(site: &str, runs: &[HeatRunView], more: usize, clock: Clock) -> Page {
    let main = html! {
        p { a href="/" { (site) } }
        h1 { "Heat runs" }
        @if runs.is_empty() { p { "None has begun. One begins with " code { "tubwatch pasteurise" } "." } }
        @for run in runs {
            h2 { a href=(path("heat-run", &run.name)) { (run.name) } ": " (phase(run)) }
            (story(run, clock))
        }
        @if more > 0 { p { "And " (more) " older ones: " code { "tubwatch heat-runs" } "." } }
        (explained())
        p.small { "Held: every probe was at or over the target together for the whole hold. Short: it was not. Unproven: a probe was missing for too long. None of them means sterile." }
    };
    Page { title: "Heat runs".to_owned(), main, is_live: false }
}

/// One run, and what its probes said, in the plan's order.
pub(in crate::status) struct Story<'a> {
    pub(in crate::status) run: &'a Run,
    pub(in crate::status) report: &'a Report,
    pub(in crate::status) lines: &'a [Line],
    /// The tubs spawned from it.
    pub(in crate::status) tubs: &'a [&'a Tub],
}

/// One run's page.
pub(in crate::status) fn page(story_of: &Story<'_>, site: &str, span: &Span, clock: Clock) -> Page {
    let view = HeatRunView::of(story_of.run, story_of.report);
    let report = story_of.report;
    let moments = [(report.began_at, "hold"), (report.reached_at, "earned"), (report.cool_at, "cool")];
    let frame = Frame {
        span,
        clock,
        path: path("heat-run", &view.name),
        stages: moments.into_iter().filter_map(|(at, word)| Some((at?, word.to_owned()))).collect(),
        alerts: Vec::new(),
    };
    let figure_of = chart(story_of, span);
    let main = html! {
        p { a href="/" { (site) } ", " a href="/heat-runs" { "all heat runs" } }
        h1 { (view.name) ": " (phase(&view)) }
        p.small { "As of " (clock.full(clock.now)) "." }
        (story(&view, clock))
        @if figure_of.is_empty() { p { "Nothing was read of it." } } @else { (figure_of.markup(&frame)) }
        h2 { "Its probes" }
        ul { @for probe in &view.probes { li { (probe.name) ": " (of_probe(probe, clock)) } } }
        @if !story_of.tubs.is_empty() {
            h2 { "Tubs spawned from it" }
            ul { @for tub in story_of.tubs { li { a href=(path("tub", &tub.id)) { (tub.name) } ", " (tub.stage.word()) } } }
        }
        (explained())
    };
    Page { title: format!("Heat run {}", view.name), main, is_live: false }
}

fn of_probe(probe: &HeatProbeView, clock: Clock) -> String {
    let Some(peak) = probe.peak_c else { return "never read".to_owned() };
    let mut text = format!(
        "peak {}, {:.0} min at or over the target, {:.0} units",
        clock.degrees(peak),
        probe.at_target_min,
        probe.pasteurisation_units
    );
    if probe.gaps > 0 {
        text.push_str(&format!(", {:.0} min not measured", probe.unmeasured_min));
    }
    text
}

/// The temperatures of its probes between the target and the spawning temperature.
pub(in crate::status) fn chart<'a>(story: &Story<'a>, span: &Span) -> Figure<'a> {
    let plan = &story.run.plan;
    Figure {
        key: "temperature",
        title: "Temperature",
        unit: "°C",
        kind: Kind::Temperature,
        digits: 1,
        explained: None,
        lines: plan.probes().iter().map(String::as_str).zip(story.lines).collect(),
        bands: vec![Limits {
            from: span.from,
            to: span.to,
            low: Some(plan.spawn_below_c()),
            high: Some(plan.hold_at_c()),
        }],
        band_words: "the target to hold, and the temperature to spawn below",
    }
}

/// The range of a run: from its beginning to its end, or now.
pub(in crate::status) fn span(run: &Run, now: Stamp) -> Span {
    let to = run.ended_at.unwrap_or(now).max(run.started_at.plus(1)).plus(1);
    Span { from: run.started_at, to, word: None }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::climate::degrees::Degrees;

    fn probe(name: &str, voice: &'static str, to_target: Option<f64>, to_spawn: Option<f64>) -> HeatProbeView {
        HeatProbeView {
            name: name.to_owned(),
            voice,
            temperature_c: Some(54.0),
            slope_c_per_hour: Some(60.0),
            minutes_to_target: to_target,
            minutes_to_spawn: to_spawn,
            at_target_min: 0.0,
            peak_c: None,
            pasteurisation_units: 0.0,
            gaps: 0,
            unmeasured_min: 0.0,
        }
    }

    #[test]
    fn the_slowest_probe_says_how_long_it_takes() {
        let probes = [("a", "reading", Some(9.0), Some(40.0)), ("b", "reading", Some(14.0), Some(30.0))];
        let mut run = HeatRunView {
            name: "coir-1".to_owned(),
            started_at: Stamp(0),
            ended_at: None,
            phase: "heating",
            verdict: "short",
            window: None,
            window_source: None,
            hold_at_c: 65.0,
            hold_for_min: 60.0,
            spawn_below_c: 25.0,
            earned_min: 0.0,
            proven_min: 0.0,
            unknown_min: 0.0,
            paused: false,
            reached_at: None,
            cool_at: None,
            pasteurisation_units: 0.0,
            units_reference_c: 60.0,
            units_z_c: 6.95,
            probes: probes.map(|(name, voice, target, spawn)| probe(name, voice, target, spawn)).to_vec(),
        };
        let clock = |show| Clock { now: Stamp(0), timezone: chrono_tz::UTC, show };
        let said = |run: &HeatRunView| ahead(run, clock(Degrees::Celsius));
        assert_eq!(said(&run).as_deref(), Some("About 14 min to 65 °C at this pace."));
        run.reached_at = Some(Stamp(1));
        assert_eq!(ahead(&run, clock(Degrees::Fahrenheit)).as_deref(), Some("About 40 min to 77 °F at this pace."));
        // One that gets no nearer, or does not speak, foretells nothing.
        run.probes[0] = probe("a", "reading", None, None);
        assert_eq!(said(&run), None);
        run.probes[0] = probe("a", "lost", None, None);
        assert_eq!(said(&run).as_deref(), Some("About 30 min to 25 °C at this pace."));
    }
}
