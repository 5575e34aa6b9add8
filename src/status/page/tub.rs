//! One tub's whole story: where it stands, its charts, its logbook.
//!
//! In: the tub as the logbook tells it, as the snapshot shows it, what was gathered. Out: a page.

use maud::{Markup, html};

use super::charts::{Figure, Frame, Kind, ranges};
use super::{Page, home, log};
use crate::climate::chart::Limits;
use crate::climate::{Quantity, Stamp};
use crate::grow::culture::{Band, StageBands};
use crate::grow::fold::Book;
use crate::grow::thermal::Figures;
use crate::grow::tub::{Stage, Tub};
use crate::status::gather::Gathered;
use crate::status::limits;
use crate::status::snapshot::{Snapshot, TubView};
use crate::status::span::Span;
use crate::status::wording::{Clock, figure, path};
use crate::store::figures::space_at;
use crate::watch::alert::Alert;
use crate::watch::setup::Setup;

/// Everything a tub's page is made from.
pub(in crate::status) struct Story<'a> {
    pub(in crate::status) tub: &'a Tub,
    pub(in crate::status) book: &'a Book,
    pub(in crate::status) setup: &'a Setup,
    /// As it is now; none once it has ended.
    pub(in crate::status) view: Option<&'a TubView>,
    pub(in crate::status) gathered: &'a Gathered,
    pub(in crate::status) alerts: &'a [Alert],
}

/// The page.
pub(in crate::status) fn page(
    story: &Story<'_>,
    snapshot: &Snapshot,
    span: &Span,
    clock: Clock,
    form: Option<&str>,
) -> Page {
    let tub = story.tub;
    let frame = frame(story, span, clock);
    let main = html! {
        p { a href="/" { (snapshot.site) } }
        h1 { (tub.name) ": " (tub.culture) ", " (tub.stage.word()) }
        p.small { (tub.id) ". As of " (clock.full(clock.now)) "." }
        @match story.view {
            Some(view) => { (home::tub_story(view, snapshot, clock)) }
            None => { p { "It has ended" @if let Some(at) = tub.ended_at { ", " (clock.short(at)) } "." } }
        }
        (now_wrong(story, snapshot))
        p { a.key.large href=(path("tub", &tub.id) + "/log") { "Log something" } }
        h2 id="charts" { "How it went" }
        (ranges(&frame, Some((tub.spawned_at, "since spawning"))))
        @let figures = figures(story, span);
        @for figure in figures.iter().filter(|figure| !figure.is_empty()) { (figure.markup(&frame)) }
        @if figures.iter().all(Figure::is_empty) { p { "Nothing was read in this range." } }
        (yields(tub, clock))
        h2 id="log" { "Logbook" }
        (log::lines(story.book, tub, clock, form))
    };
    Page { title: format!("{}: {}", tub.name, tub.stage.word()), main, is_live: false }
}

fn now_wrong(story: &Story<'_>, snapshot: &Snapshot) -> Markup {
    let ids = story.view.map(|view| view.alerts.as_slice()).unwrap_or_default();
    html! {
        @for alert in snapshot.alerts.iter().filter(|alert| ids.contains(&alert.id)) {
            div.alert { p { (alert.text) " " a href=(format!("/alert/{}", alert.id)) { "To this alert" } } }
        }
    }
}

fn yields(tub: &Tub, clock: Clock) -> Markup {
    html! {
        @if !tub.flushes.is_empty() {
            h2 { "Picked" }
            ul {
                @for flush in &tub.flushes {
                    li { "Flush " (flush.number) ": " (figure(flush.fresh_g(), 0)) " g fresh"
                        @if let Some(dry) = flush.dry_g() { ", " (figure(dry, 1)) " g dry" }
                        ", last on " (clock.short(flush.to)) }
                }
            }
        }
    }
}

pub(in crate::status) fn frame<'a>(story: &Story<'_>, span: &'a Span, clock: Clock) -> Frame<'a> {
    let within = |at: Stamp| at >= span.from && at < span.to;
    let stages = story.tub.stages.iter().filter(|since| within(since.from));
    let alerts = story.alerts.iter().filter_map(|alert| {
        let until = alert.returned_at.or(alert.ended_at).unwrap_or(span.to);
        (alert.since < span.to && until > span.from)
            .then(|| (alert.since.max(span.from), until.min(span.to), alert.text.clone()))
    });
    Frame {
        span,
        clock,
        path: path("tub", &story.tub.id),
        stages: stages.map(|since| (since.from, since.value.word().to_owned())).collect(),
        alerts: alerts.collect(),
    }
}

/// The charts of a tub.
pub(in crate::status) fn figures<'a>(story: &'a Story<'_>, span: &Span) -> Vec<Figure<'a>> {
    let it = story.gathered;
    let has_core = !it.core.lane.is_empty();
    let mut temperatures = vec![("air", &it.air[0])];
    if has_core {
        temperatures.insert(0, ("substrate", &it.core));
    }
    let of = |quantity: Quantity| {
        move |bands: &StageBands| limits::of_air(bands, quantity, !has_core && quantity == Quantity::Temperature)
    };
    // The grower's own tubs, where they have told; an ended one is measured by the handbook.
    let learned = story.view.and_then(|view| view.requirement.as_ref()).map(|need| (need.low, need.high));
    let handbook = || limits::culture(story.setup, &story.tub.culture).map(|culture| culture.thermal.requirement);
    let requirement = learned.or_else(|| handbook().map(|need| (need.low, need.high)));
    let mut all = vec![Figure {
        key: "temperature",
        title: "Temperature",
        unit: "°C",
        kind: Kind::Temperature,
        digits: 1,
        explained: None,
        lines: temperatures,
        bands: if has_core {
            bands(story, span, |bands| bands.core_temperature)
        } else {
            bands(story, span, of(Quantity::Temperature))
        },
        band_words: if has_core {
            "the band of the substrate in each stage"
        } else {
            "the band of the air in each stage"
        },
    }];
    if has_core {
        all.push(Figure {
            key: "core-over-air",
            title: "Substrate over air",
            unit: "K",
            kind: Kind::Difference,
            digits: 1,
            explained: Some("How much warmer the inside is than the air around it: a living cake heats itself."),
            lines: vec![("over air", &it.over)],
            bands: Vec::new(),
            band_words: "",
        });
    }
    all.push(Figure {
        key: "warmth",
        title: "Warmth collected",
        unit: "degree-hours",
        kind: Kind::Plain,
        digits: 0,
        explained: Some(
            "Degree-hours: warmth collected, the degrees above what the culture needs to grow, times the hours.",
        ),
        lines: vec![("collected", &it.warmth)],
        bands: requirement
            // Drawn once a fifth of it is collected: before that it would flatten the line.
            .filter(|(low, _)| {
                span.to > story.tub.spawned_at && it.warmth.lane.range().is_some_and(|(_, high)| high > low / 5.0)
            })
            .map(|(low, high)| Limits { from: span.from, to: span.to, low: Some(low), high: Some(high) })
            .into_iter()
            .collect(),
        band_words: "between these two it is time to look",
    });
    all.extend(air_figures(it, |quantity| bands(story, span, of(quantity))));
    all
}

/// The charts of humidity, CO2 and VPD, which tubs and spaces share.
pub(in crate::status) fn air_figures<'a>(it: &'a Gathered, bands: impl Fn(Quantity) -> Vec<Limits>) -> Vec<Figure<'a>> {
    let figure = |key, title, unit, digits, explained, name, line, bands| Figure {
        key,
        title,
        unit,
        kind: Kind::Plain,
        digits,
        explained,
        lines: vec![(name, line)],
        bands,
        band_words: "the band",
    };
    vec![
        figure("humidity", "Humidity", "%", 0, None, "humidity", &it.air[1], bands(Quantity::Humidity)),
        figure("co2", "Carbon dioxide", "ppm", 0, None, "CO2", &it.air[2], bands(Quantity::Co2)),
        figure(
            "vpd",
            "VPD",
            "kPa",
            2,
            Some("VPD, the vapour-pressure deficit: the drying pull of the air. Near 0 it dries nothing."),
            "VPD",
            &it.vpd,
            Vec::new(),
        ),
    ]
}

/// The bands of each stage within the range.
fn bands(story: &Story<'_>, span: &Span, of: impl Fn(&StageBands) -> Band) -> Vec<Limits> {
    let tub = story.tub;
    let ends = tub.stages.iter().skip(1).map(|since| since.from).chain([Stamp(i64::MAX)]);
    let mut all = Vec::new();
    for (since, until) in tub.stages.iter().zip(ends).filter(|(since, _)| since.value != Stage::Ended) {
        let (from, to) = (since.from.max(span.from), until.min(span.to));
        if from >= to {
            continue;
        }
        let band = of(&limits::stage_bands(story.setup, &tub.culture, since.value, space_at(tub, from)));
        if band.low.is_some() || band.high.is_some() {
            all.push(Limits { from, to, low: band.low.map(|low| low.value), high: band.high.map(|high| high.value) });
        }
    }
    all
}

/// Warmth before the range, so that the line ends at the figure that stands now.
pub(in crate::status) fn before(figures: &Figures, gained: f64) -> f64 {
    (figures.degree_hours - gained).max(0.0)
}
