//! `GET /tub/NAME`, `/tub/NAME/log`, `/space/NAME` and the CSV behind their charts.
//!
//! In: a name, a range, the store. Out: pages and CSV. What reads the store does so on a thread of
//! its own (`Desk::blocking`). One handler serves them all (`told_by`); each subject is one function
//! that tells. Left out: how it looks (`page`), what is gathered (`gather`).

use axum::Extension;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, get};

use super::archive::{Archive, SeriesFault};
use super::gather::{Gathered, Whose, gather};
use super::guard::{Shown, sentence, wants_page};
use super::page::charts::Figure;
use super::snapshot::Snapshot;
use super::span::Span;
use super::wording::Clock;
use super::{Desk, limits, page, query_of};
use crate::climate::Stamp;
use crate::grow::fold::{Book, fold};
use crate::grow::thermal::Figures;
use crate::grow::tub::Tub;
use crate::store::{Reader, StoreError, figures};
use crate::watch::alert::Alert;

/// Which of the two is asked for.
#[derive(Clone, Copy)]
pub(super) enum Wanted {
    /// The page.
    Page,
    /// The figures behind one of its charts.
    Csv,
}

/// What was told.
pub(super) enum Told {
    Page(page::Page),
    Csv(String),
}

/// Tells of one subject: a tub, a space, a heat run.
type Tell = fn(&dyn Archive, &Question, Wanted) -> Result<Told, Missing>;

/// The handler that has `tell` tell what is `wanted` of the subject named in the path.
pub(super) fn told_by(tell: Tell, wanted: Wanted) -> MethodRouter<Desk> {
    get(
        move |State(desk): State<Desk>,
              Path(name): Path<String>,
              Extension(shown): Extension<Shown>,
              uri: Uri,
              headers: HeaderMap| async move {
            let question = Question::of(&desk, name, &uri, &shown);
            answer(&headers, desk.blocking(move |archive| tell(archive, &question, wanted)).await)
        },
    )
}

/// Why a page was not made.
pub(super) enum Missing {
    Nothing(String),
    Asked(String),
    Store(String),
}

impl From<StoreError> for Missing {
    fn from(why: StoreError) -> Missing {
        Missing::Store(format!("{why}."))
    }
}

impl From<SeriesFault> for Missing {
    fn from(fault: SeriesFault) -> Missing {
        match fault {
            SeriesFault::Unknown(why) => Missing::Nothing(why),
            SeriesFault::Store(why) => Missing::Store(why),
        }
    }
}

/// 404: a person gets a page that leads back.
pub(super) fn missing(headers: &HeaderMap, text: &str) -> Response {
    refused(headers, StatusCode::NOT_FOUND, text)
}

fn refused(headers: &HeaderMap, status: StatusCode, text: &str) -> Response {
    if wants_page(headers) {
        page::answer(status, page::sentence("Not here", text, "/"))
    } else {
        sentence(status, text)
    }
}

pub(super) fn answer(headers: &HeaderMap, made: Result<Result<Told, Missing>, String>) -> Response {
    match made {
        Ok(Ok(Told::Page(page))) => page::answer(StatusCode::OK, page),
        Ok(Ok(Told::Csv(text))) => csv(text),
        Ok(Err(Missing::Nothing(text))) => missing(headers, &text),
        Ok(Err(Missing::Asked(text))) => refused(headers, StatusCode::BAD_REQUEST, &text),
        Ok(Err(Missing::Store(text))) | Err(text) => refused(headers, StatusCode::SERVICE_UNAVAILABLE, &text),
    }
}

fn csv(text: String) -> Response {
    ([(header::CONTENT_TYPE, "text/csv; charset=utf-8; header=present")], text).into_response()
}

/// What a question about a tub, a space or a heat run is asked with.
pub(super) struct Question {
    pub(super) name: String,
    query: Vec<(String, String)>,
    pub(super) snapshot: std::sync::Arc<Snapshot>,
    form: Option<String>,
}

impl Question {
    fn of(desk: &Desk, name: String, uri: &Uri, shown: &Shown) -> Question {
        Question { name, query: query_of(uri), snapshot: desk.latest(), form: desk.access.form_token(shown) }
    }

    pub(super) fn clock(&self) -> Clock {
        Clock::of(&self.snapshot)
    }

    fn span(&self) -> Result<Span, Missing> {
        Span::parse(&self.query, self.snapshot.inner.timezone, self.snapshot.time).map_err(Missing::Asked)
    }

    /// The chart whose CSV is asked for.
    pub(super) fn chosen(&self, figures: &[Figure<'_>]) -> Result<Told, Missing> {
        let of = self.query.iter().find(|(key, _)| key == "of").map_or("", |(_, value)| value.as_str());
        let found = figures.iter().find(|figure| figure.key == of);
        found.map(|figure| Told::Csv(figure.csv())).ok_or_else(|| {
            let keys: Vec<&str> = figures.iter().map(|figure| figure.key).collect();
            Missing::Nothing(format!("\"of\" names no chart of this; there are {}.", keys.join(", ")))
        })
    }
}

pub(super) fn book(reader: &Reader, archive: &dyn Archive) -> Result<Book, Missing> {
    Ok(fold(&reader.entries()?, archive.plan().timezone))
}

fn found<'a>(book: &'a Book, name: &str) -> Result<&'a Tub, Missing> {
    book.find(name).ok_or_else(|| Missing::Nothing("No tub of that name was ever spawned.".to_owned()))
}

/// Alerts of the tub itself and of the space it stands in, in its time.
fn alerts_of(reader: &Reader, subjects: &[String], from: Stamp, to: Stamp) -> Result<Vec<Alert>, Missing> {
    let all = reader.alerts(false)?.into_iter();
    Ok(all.filter(|alert| subjects.contains(&alert.subject) && alert.since >= from && alert.since < to).collect())
}

/// `GET /tub/NAME`, and the CSV of its charts.
pub(super) fn tub(archive: &dyn Archive, question: &Question, wanted: Wanted) -> Result<Told, Missing> {
    let reader = archive.reader()?;
    let book = book(&reader, archive)?;
    let tub = found(&book, &question.name)?;
    let span = question.span()?;
    let setup = &archive.plan().setup;
    let culture = limits::culture(setup, &tub.culture);
    let gathered = gather(
        &reader,
        setup,
        &Whose::Tub(tub, &book.tubs),
        culture.map(|culture| culture.thermal),
        (span.from, span.to),
    )?;
    let view = question.snapshot.tubs.iter().find(|view| view.id == tub.id);
    let warmth_before = match (view, culture) {
        // The line ends at the figure that stands now.
        (Some(view), _) if span.to >= question.snapshot.time => {
            page::tub::before(&Figures { degree_hours: view.degree_hours, ..Figures::default() }, gathered.gained)
        }
        (_, Some(culture)) if span.from > tub.spawned_at => {
            let until = figures::exposure(&reader, tub, &book.tubs, setup, culture, span.from, false)?;
            until.exposure.figures(span.from).degree_hours
        }
        _ => 0.0,
    };
    let subjects = [format!("tub {}", tub.name), format!("space {}", tub.space())];
    let alerts = alerts_of(&reader, &subjects, tub.spawned_at, tub.ended_at.unwrap_or(Stamp(i64::MAX)))?;
    let gathered = raised(gathered, warmth_before);
    let story = page::tub::Story { tub, book: &book, setup, view, gathered: &gathered, alerts: &alerts };
    match wanted {
        Wanted::Page => {
            let form = question.form.as_deref();
            Ok(Told::Page(page::tub::page(&story, &question.snapshot, &span, question.clock(), form)))
        }
        Wanted::Csv => question.chosen(&page::tub::figures(&story, &span)),
    }
}

/// The warmth line begins at what was collected before the range.
fn raised(mut gathered: Gathered, before: f64) -> Gathered {
    gathered.warmth.lane = gathered.warmth.lane.raised(before);
    gathered
}

/// `GET /tub/NAME/log`.
pub(super) fn log(archive: &dyn Archive, question: &Question, _: Wanted) -> Result<Told, Missing> {
    let book = book(&archive.reader()?, archive)?;
    let tub = found(&book, &question.name)?;
    let spaces: Vec<&str> = archive.plan().setup.spaces.iter().map(|space| space.name.as_str()).collect();
    // Ten minutes run by the machine's clock, as entries are dated by it.
    let clock = Clock { now: Stamp::from_time(&chrono::Utc::now()), ..question.clock() };
    Ok(Told::Page(page::log::page(&book, tub, &spaces, clock, question.form.as_deref())))
}

/// `GET /space/NAME`, and the CSV of its charts.
pub(super) fn space(archive: &dyn Archive, question: &Question, wanted: Wanted) -> Result<Told, Missing> {
    let setup = &archive.plan().setup;
    let place = setup.spaces.iter().position(|space| space.name == question.name);
    let view = question.snapshot.spaces.iter().find(|view| view.name == question.name);
    let (Some(place), Some(view)) = (place, view) else {
        return Err(Missing::Nothing("No space of that name is configured.".to_owned()));
    };
    let span = question.span()?;
    let reader = archive.reader()?;
    let gathered = gather(&reader, setup, &Whose::Space(place), None, (span.from, span.to))?;
    let alerts = alerts_of(&reader, &[format!("space {}", view.name)], Stamp(i64::MIN), Stamp(i64::MAX))?;
    let (story, snapshot) =
        (page::space::Story { view, setup, gathered: &gathered, alerts: &alerts }, &question.snapshot);
    match wanted {
        Wanted::Page => Ok(Told::Page(page::space::page(&story, snapshot, &span, question.clock()))),
        Wanted::Csv => question.chosen(&page::space::figures(&story, snapshot, &span)),
    }
}
