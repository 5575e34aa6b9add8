//! `GET /heat-runs`, `/heat-run/NAME` and the CSV behind its chart.
//!
//! In: a name, the store. Out: pages and CSV. Left out: how it looks (`page::heat`).

use std::ops::ControlFlow;

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;

use super::archive::Archive;
use super::gather::{Line, of_one};
use super::heat::HeatRunView;
use super::story::{Missing, Question, Told, Wanted, answer, book};
use super::{Desk, page};
use crate::climate::{Quantity, Stamp};
use crate::grow::heat_run::{GAP_MS, Report};
use crate::grow::logbook::Run;
use crate::status::wording::Clock;
use crate::store::history::Form;
use crate::store::{Reader, StoreError, heat};

/// Runs listed; more would be a page nobody reads.
const LISTED_MAX: usize = 40;

/// The run as the stored readings make it, up to now.
fn followed(reader: &Reader, run: &Run, now: Stamp) -> Result<Report, StoreError> {
    let (mut followed, _) = heat::follow(reader, run, now.plus(1), false)?;
    if run.is_open() {
        followed.tick(now);
    }
    Ok(followed.report())
}

/// `GET /heat-runs`.
pub(super) async fn list(State(desk): State<Desk>, headers: HeaderMap) -> Response {
    let snapshot = desk.latest();
    let made = desk.blocking(move |archive| {
        let reader = archive.reader()?;
        let book = book(&reader, archive)?;
        let newest = book.heat_runs.iter().rev().take(LISTED_MAX);
        let views = newest.map(|run| Ok(HeatRunView::of(run, &followed(&reader, run, snapshot.time)?)));
        let views = views.collect::<Result<Vec<_>, StoreError>>()?;
        let more = book.heat_runs.len() - views.len();
        let clock = Clock::of(&snapshot);
        Ok(Told::Page(page::heat::list(&snapshot.site, &views, more, clock)))
    });
    answer(&headers, made.await)
}

/// `GET /heat-run/NAME`, and its CSV.
pub(super) fn one(archive: &dyn Archive, question: &Question, wanted: Wanted) -> Result<Told, Missing> {
    let reader = archive.reader()?;
    let book = book(&reader, archive)?;
    let found = book.heat_runs.iter().rfind(|run| run.name == question.name);
    let run = found.ok_or_else(|| Missing::Nothing("No heat run of that name has begun.".to_owned()))?;
    let now = question.snapshot.time;
    let report = followed(&reader, run, now)?;
    let span = page::heat::span(run, now);
    let lines = lines(&reader, run, (span.from, span.to))?;
    let tubs: Vec<_> = book.tubs.iter().filter(|tub| tub.heat_run.as_ref() == Some(&run.name)).collect();
    let story = page::heat::Story { run, report: &report, lines: &lines, tubs: &tubs };
    match wanted {
        Wanted::Page => Ok(Told::Page(page::heat::page(&story, &question.snapshot.site, &span, question.clock()))),
        Wanted::Csv => question.chosen(&[page::heat::chart(&story, &span)]),
    }
}

/// What each probe of a run said, in the plan's order.
fn lines(reader: &Reader, run: &Run, (from, to): (Stamp, Stamp)) -> Result<Vec<Line>, StoreError> {
    let names: Vec<&str> = run.plan.probes().iter().map(String::as_str).collect();
    let mut lines: Vec<Line> = names.iter().map(|_| Line::new(from, to, GAP_MS)).collect();
    reader.history(&names, from, to, Form::Corrected, &mut |position, message| {
        if let Some(reading) = message.reading(Quantity::Temperature) {
            lines[position].take(reading.at, of_one(reading.at, reading.value), reading.quality);
        }
        ControlFlow::Continue(())
    })?;
    Ok(lines)
}
