//! One space: its air now, its tubs, its charts.
//!
//! In: the snapshot, what was gathered. Out: a page.

use maud::html;

use super::charts::{Figure, Frame, Kind, ranges};
use super::tub::air_figures;
use super::{Page, home};
use crate::climate::Quantity;
use crate::climate::chart::Limits;
use crate::status::gather::Gathered;
use crate::status::limits;
use crate::status::snapshot::{Snapshot, SpaceView, TubView};
use crate::status::span::Span;
use crate::status::wording::{Clock, path};
use crate::watch::alert::Alert;
use crate::watch::setup::Setup;

/// Everything a space's page is made from.
pub(in crate::status) struct Story<'a> {
    pub(in crate::status) view: &'a SpaceView,
    pub(in crate::status) setup: &'a Setup,
    pub(in crate::status) gathered: &'a Gathered,
    pub(in crate::status) alerts: &'a [Alert],
}

/// The page.
pub(in crate::status) fn page(story: &Story<'_>, snapshot: &Snapshot, span: &Span, clock: Clock) -> Page {
    let tubs: Vec<&TubView> = snapshot.tubs.iter().filter(|tub| tub.space == story.view.name).collect();
    let frame = frame(story, span, clock);
    let main = html! {
        p { a href="/" { (snapshot.site) } }
        h1 { (story.view.name) }
        p.small { "As of " (clock.full(clock.now)) "." }
        (home::space_story(story.view, snapshot, clock))
        h2 { "Tubs in it" }
        @if tubs.is_empty() { p { "None." } }
        ul {
            @for tub in &tubs { li { a href=(path("tub", &tub.id)) { (tub.name) } ": " (tub.culture) ", " (tub.stage) } }
        }
        h2 id="charts" { "How it went" }
        (ranges(&frame, None))
        @let figures = figures(story, snapshot, span);
        @for figure in figures.iter().filter(|figure| !figure.is_empty()) { (figure.markup(&frame)) }
        @if figures.iter().all(Figure::is_empty) { p { "Nothing was read in this range." } }
    };
    Page { title: story.view.name.clone(), main, is_live: false }
}

pub(in crate::status) fn frame<'a>(story: &Story<'_>, span: &'a Span, clock: Clock) -> Frame<'a> {
    let alerts = story.alerts.iter().filter_map(|alert| {
        let until = alert.returned_at.or(alert.ended_at).unwrap_or(span.to);
        let shown = alert.since < span.to && until > span.from;
        shown.then(|| (alert.since.max(span.from), until.min(span.to), alert.text.clone()))
    });
    Frame { span, clock, path: path("space", &story.view.name), stages: Vec::new(), alerts: alerts.collect() }
}

/// The charts of a space; its band is the narrowest of those its tubs need now.
pub(in crate::status) fn figures<'a>(story: &'a Story<'_>, snapshot: &Snapshot, span: &Span) -> Vec<Figure<'a>> {
    let bands = |quantity: Quantity| {
        let tubs = snapshot.tubs.iter().filter(|tub| tub.space == story.view.name);
        let needed = tubs.filter_map(|tub| {
            let bands = limits::stage_bands(story.setup, &tub.culture, limits::stage(tub.stage)?, &tub.space);
            Some(limits::of_air(&bands, quantity, tub.core_c.is_none()))
        });
        let band = limits::narrowest(needed);
        let limits = Limits {
            from: span.from,
            to: span.to,
            low: band.low.map(|low| low.value),
            high: band.high.map(|high| high.value),
        };
        if limits.low.is_some() || limits.high.is_some() { vec![limits] } else { Vec::new() }
    };
    let mut all = vec![Figure {
        key: "temperature",
        title: "Temperature",
        unit: "°C",
        kind: Kind::Temperature,
        digits: 1,
        explained: None,
        lines: vec![("air", &story.gathered.air[0])],
        bands: bands(Quantity::Temperature),
        band_words: "the narrowest band of the tubs in it now",
    }];
    all.extend(air_figures(story.gathered, bands));
    all
}
