//! `GET /tub/NAME`, `/tub/NAME/log`, `/space/NAME` and the CSV behind their charts.
//!
//! In: a name, a range, the store. Out: pages and CSV. What reads the store does so on a thread of
//! its own (`Desk::blocking`). Left out: how it looks (`page`), what is gathered (`gather`).

use axum::Extension;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};

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

/// Why a page was not made.
enum Missing {
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

fn answer<T>(
    headers: &HeaderMap,
    made: Result<Result<T, Missing>, String>,
    show: impl FnOnce(T) -> Response,
) -> Response {
    match made {
        Ok(Ok(it)) => show(it),
        Ok(Err(Missing::Nothing(text))) => missing(headers, &text),
        Ok(Err(Missing::Asked(text))) => refused(headers, StatusCode::BAD_REQUEST, &text),
        Ok(Err(Missing::Store(text))) | Err(text) => refused(headers, StatusCode::SERVICE_UNAVAILABLE, &text),
    }
}

fn csv(text: String) -> Response {
    ([(header::CONTENT_TYPE, "text/csv; charset=utf-8; header=present")], text).into_response()
}

/// What a question about a tub or a space is asked with.
struct Question {
    name: String,
    query: Vec<(String, String)>,
    snapshot: std::sync::Arc<Snapshot>,
    form: Option<String>,
}

impl Question {
    fn of(desk: &Desk, name: String, uri: &Uri, shown: &Shown) -> Question {
        Question { name, query: query_of(uri), snapshot: desk.latest(), form: desk.access.form_token(shown) }
    }

    fn clock(&self) -> Clock {
        Clock { now: self.snapshot.time, timezone: self.snapshot.inner.timezone }
    }

    fn span(&self) -> Result<Span, Missing> {
        Span::parse(&self.query, self.snapshot.inner.timezone, self.snapshot.time).map_err(Missing::Asked)
    }

    /// The chart whose CSV is asked for.
    fn chosen(&self, figures: &[Figure<'_>]) -> Result<String, Missing> {
        let of = self.query.iter().find(|(key, _)| key == "of").map_or("", |(_, value)| value.as_str());
        let found = figures.iter().find(|figure| figure.key == of);
        found.map(Figure::csv).ok_or_else(|| {
            let keys: Vec<&str> = figures.iter().map(|figure| figure.key).collect();
            Missing::Nothing(format!("\"of\" names no chart of this; there are {}.", keys.join(", ")))
        })
    }
}

fn book(reader: &Reader, archive: &dyn Archive) -> Result<Book, Missing> {
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

/// Makes a tub's story and hands it to `tell`.
fn tell_tub<T>(
    archive: &dyn Archive,
    question: &Question,
    tell: impl FnOnce(&page::tub::Story<'_>, &Span) -> Result<T, Missing>,
) -> Result<T, Missing> {
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
    tell(&page::tub::Story { tub, book: &book, setup, view, gathered: &gathered, alerts: &alerts }, &span)
}

/// The warmth line begins at what was collected before the range.
fn raised(mut gathered: Gathered, before: f64) -> Gathered {
    gathered.warmth.lane = gathered.warmth.lane.raised(before);
    gathered
}

/// `GET /tub/NAME`.
pub(super) async fn tub(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Extension(shown): Extension<Shown>,
    uri: Uri,
    headers: HeaderMap,
) -> Response {
    let question = Question::of(&desk, name, &uri, &shown);
    let made = desk.blocking(move |archive| {
        tell_tub(archive, &question, |story, span| {
            Ok(page::tub::page(story, &question.snapshot, span, question.clock(), question.form.as_deref()))
        })
    });
    answer(&headers, made.await, |page| page::answer(StatusCode::OK, page))
}

/// `GET /tub/NAME/chart.csv`.
pub(super) async fn tub_csv(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Extension(shown): Extension<Shown>,
    uri: Uri,
    headers: HeaderMap,
) -> Response {
    let question = Question::of(&desk, name, &uri, &shown);
    let made = desk.blocking(move |archive| {
        tell_tub(archive, &question, |story, span| question.chosen(&page::tub::figures(story, span)))
    });
    answer(&headers, made.await, csv)
}

/// `GET /tub/NAME/log`.
pub(super) async fn log(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Extension(shown): Extension<Shown>,
    uri: Uri,
    headers: HeaderMap,
) -> Response {
    let question = Question::of(&desk, name, &uri, &shown);
    let made = desk.blocking(move |archive| {
        let book = book(&archive.reader()?, archive)?;
        let tub = found(&book, &question.name)?;
        let spaces: Vec<&str> = archive.plan().setup.spaces.iter().map(|space| space.name.as_str()).collect();
        // Ten minutes run by the machine's clock, as entries are dated by it.
        let clock = Clock { now: Stamp::from_time(&chrono::Utc::now()), timezone: archive.plan().timezone };
        Ok(page::log::page(&book, tub, &spaces, clock, question.form.as_deref()))
    });
    answer(&headers, made.await, |page| page::answer(StatusCode::OK, page))
}

/// Makes a space's story and hands it to `tell`.
fn tell_space<T>(
    archive: &dyn Archive,
    question: &Question,
    tell: impl FnOnce(&page::space::Story<'_>, &Span) -> Result<T, Missing>,
) -> Result<T, Missing> {
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
    tell(&page::space::Story { view, setup, gathered: &gathered, alerts: &alerts }, &span)
}

/// `GET /space/NAME`.
pub(super) async fn space(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Extension(shown): Extension<Shown>,
    uri: Uri,
    headers: HeaderMap,
) -> Response {
    let question = Question::of(&desk, name, &uri, &shown);
    let made = desk.blocking(move |archive| {
        tell_space(archive, &question, |story, span| {
            Ok(page::space::page(story, &question.snapshot, span, question.clock()))
        })
    });
    answer(&headers, made.await, |page| page::answer(StatusCode::OK, page))
}

/// `GET /space/NAME/chart.csv`.
pub(super) async fn space_csv(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Extension(shown): Extension<Shown>,
    uri: Uri,
    headers: HeaderMap,
) -> Response {
    let question = Question::of(&desk, name, &uri, &shown);
    let made = desk.blocking(move |archive| {
        tell_space(archive, &question, |story, span| {
            question.chosen(&page::space::figures(story, &question.snapshot, span))
        })
    });
    answer(&headers, made.await, csv)
}
