//! The status endpoint: what is now as JSON, metrics, pages and events; series and charts of what was;
//! and the few entries a grower makes from the page. Holds nothing up: readers share an [`Arc`] of the
//! latest snapshot, and what reads or writes the store does so on threads of its own, few at a time.

pub mod archive;
pub mod clash;
mod door;
mod events;
mod form;
mod gather;
mod guard;
pub mod heat;
mod heat_story;
mod limits;
pub mod metrics;
mod pack;
mod page;
mod series;
mod session;
pub mod snapshot;
mod span;
mod story;
mod traces;
pub mod tub;
mod wording;
mod write;

use std::future::Future;
use std::net::SocketAddr;
use std::sync::Arc;

use axum::extract::{DefaultBodyLimit, Path, Query, State};
use axum::http::{HeaderMap, Method, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Extension, Router};
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, broadcast, watch};

pub use archive::{Archive, SeriesFault, SeriesSource};
pub use door::Limits;
pub use guard::Access;
pub use snapshot::Snapshot;

use crate::watch::alert::AlertEvent;
use guard::{Shown, Visitor, sentence};
use metrics::Exposition;
use series::Reader;
use session::Tries;
use story::{Wanted, told_by};
use traces::Traces;
use wording::Clock;

/// Questions to the store at a time, beside series: each holds a thread and a connection.
const QUESTIONS_MAX: usize = 4;

/// What may be asked of the status, for programs (OpenAPI 3.1).
const OPENAPI: &str = include_str!("openapi.json");

/// Where the status takes what it shows from.
pub struct Inlets {
    /// The latest state; when its sender is gone, `/health` says so.
    pub snapshots: watch::Receiver<Arc<Snapshot>>,
    /// Alert events as they happen.
    pub alerts: broadcast::Sender<AlertEvent>,
    /// The settings, the store, and the way into the logbook.
    pub archive: Arc<dyn Archive>,
}

/// Serves the status on `listener` until `stop` is ready, then gives answers under way a second to end.
pub async fn serve(listener: TcpListener, inlets: Inlets, access: Access, stop: impl Future<Output = ()> + Send) {
    serve_within(Limits::default(), listener, inlets, access, stop).await;
}

/// [`serve`] with other limits on connections.
pub async fn serve_within(
    limits: Limits,
    listener: TcpListener,
    inlets: Inlets,
    access: Access,
    stop: impl Future<Output = ()> + Send,
) {
    let Inlets { snapshots, alerts, archive } = inlets;
    let access = Arc::new(access);
    let traces = Traces::default();
    let following = tokio::spawn(traces.clone().follow(snapshots.clone(), Arc::clone(&archive)));
    let (close, closing) = watch::channel(false);
    let desk = Desk {
        events: events::Stage::new(snapshots.clone(), alerts, closing),
        snapshots,
        series: Reader::new(Arc::clone(&archive)),
        archive,
        places: Arc::new(Semaphore::new(QUESTIONS_MAX)),
        access: Arc::clone(&access),
        tries: Arc::default(),
        traces,
        bound: listener.local_addr().ok(),
    };
    let router = routes().with_state(desk);
    let router_for = |peer: SocketAddr| {
        let visitor = Visitor { peer, access: Arc::clone(&access) };
        router.clone().layer(axum::middleware::from_fn_with_state(visitor, guard::check))
    };
    let stop = async {
        stop.await;
        // Streams have no end of their own.
        let _ = close.send(true);
    };
    let tls = access.tls.clone().map(door::acceptor);
    door::keep(listener, tls, router_for, limits, stop).await;
    following.abort();
}

fn routes() -> Router<Desk> {
    Router::new()
        .route("/", get(show_home))
        .route("/tub/{name}", told_by(story::tub, Wanted::Page))
        .route("/tub/{name}/chart.csv", told_by(story::tub, Wanted::Csv))
        .route("/tub/{name}/log", told_by(story::log, Wanted::Page).post(write::log))
        .route("/space/{name}", told_by(story::space, Wanted::Page))
        .route("/space/{name}/chart.csv", told_by(story::space, Wanted::Csv))
        .route("/heat-runs", get(heat_story::list))
        .route("/heat-run/{name}", told_by(heat_story::one, Wanted::Page))
        .route("/heat-run/{name}/chart.csv", told_by(heat_story::one, Wanted::Csv))
        .route("/alert/{id}", get(show_alert))
        .route("/alert/{id}/acknowledge", post(write::acknowledge))
        .route("/alert/{id}/shelve", post(write::shelve))
        .route("/working", post(write::working))
        .route("/sign-in", get(write::show_sign_in).post(write::sign_in))
        .route("/sign-out", post(write::sign_out))
        .route("/status.json", get(show_json))
        .route("/metrics", get(show_metrics))
        .route("/health", get(show_health))
        .route("/series.csv", get(show_series))
        .route("/events", get(async |State(desk): State<Desk>| desk.events.answer()))
        .route("/openapi.json", get(async || ([(header::CONTENT_TYPE, "application/json")], OPENAPI)))
        .method_not_allowed_fallback(not_by_this_method)
        .fallback(nothing_here)
        .layer(DefaultBodyLimit::max(form::BODY_BYTES_MAX))
        .layer(axum::middleware::from_fn(pack::pack))
}

/// What the handlers work from.
#[derive(Clone)]
struct Desk {
    snapshots: watch::Receiver<Arc<Snapshot>>,
    events: events::Stage,
    series: Reader,
    archive: Arc<dyn Archive>,
    places: Arc<Semaphore>,
    access: Arc<Access>,
    tries: Arc<Tries>,
    traces: Traces,
    bound: Option<SocketAddr>,
}

impl Desk {
    fn latest(&self) -> Arc<Snapshot> {
        Arc::clone(&self.snapshots.borrow())
    }

    /// Asks the store on a thread that may wait, few at a time.
    async fn blocking<T: Send + 'static>(
        &self,
        ask: impl FnOnce(&dyn Archive) -> T + Send + 'static,
    ) -> Result<T, String> {
        let Ok(place) = Arc::clone(&self.places).acquire_owned().await else {
            return Err("The daemon is stopping.".to_owned());
        };
        let archive = Arc::clone(&self.archive);
        let asked = tokio::task::spawn_blocking(move || {
            let _place = place;
            ask(archive.as_ref())
        });
        asked.await.map_err(|_| "The store could not be asked; ask again.".to_owned())
    }
}

/// The pairs of a query; none where it cannot be read.
fn query_of(uri: &Uri) -> Vec<(String, String)> {
    Query::<Vec<(String, String)>>::try_from_uri(uri).map(|Query(pairs)| pairs).unwrap_or_default()
}

async fn show_home(State(desk): State<Desk>, Extension(shown): Extension<Shown>) -> Response {
    let form = desk.access.form_token(&shown);
    let seat = page::home::Seat {
        setup: &desk.archive.plan().setup,
        traces: &desk.traces,
        bound: desk.bound,
        form: form.as_deref(),
        may_sign_in: desk.access.token.is_some(),
    };
    page::answer(StatusCode::OK, page::home::page(&desk.latest(), &seat))
}

async fn show_alert(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    Extension(shown): Extension<Shown>,
    headers: HeaderMap,
) -> Response {
    let snapshot = desk.latest();
    let clock = Clock::of(&snapshot);
    match snapshot.alerts.iter().find(|alert| alert.id.to_string() == id) {
        Some(alert) => {
            let form = desk.access.form_token(&shown);
            page::answer(StatusCode::OK, page::alert::page(alert, &snapshot, clock, form.as_deref()))
        }
        None => story::missing(&headers, "No alert that stands has this number; what is over leaves the list."),
    }
}

async fn show_json(State(desk): State<Desk>) -> Response {
    match serde_json::to_vec(desk.latest().as_ref()) {
        Ok(body) => ([(header::CONTENT_TYPE, "application/json")], body).into_response(),
        Err(error) => sentence(StatusCode::INTERNAL_SERVER_ERROR, &format!("The state could not be written: {error}.")),
    }
}

async fn show_metrics(State(desk): State<Desk>, headers: HeaderMap) -> Response {
    let accepts = headers.get_all(header::ACCEPT).iter().filter_map(|value| value.to_str().ok());
    let exposition = Exposition::asked_by(&accepts.collect::<Vec<_>>().join(","));
    let body = metrics::write(&desk.latest(), exposition);
    ([(header::CONTENT_TYPE, exposition.content_type()), (header::VARY, "Accept")], body).into_response()
}

async fn show_health(State(desk): State<Desk>) -> Response {
    let snapshot = desk.latest();
    let mut faults: Vec<String> =
        snapshot.inner.faults.iter().map(|fault| fault.replace(|letter: char| letter.is_control(), " ")).collect();
    if desk.snapshots.has_changed().is_err() {
        faults.push("The watches have ended: restart tubwatch and look at its log.".to_owned());
    }
    let headers = [(header::CONTENT_TYPE, "text/plain; charset=utf-8")];
    if faults.is_empty() {
        return (headers, "ok\n").into_response();
    }
    (StatusCode::SERVICE_UNAVAILABLE, headers, faults.join("\n") + "\n").into_response()
}

async fn show_series(
    State(desk): State<Desk>,
    query: Result<Query<Vec<(String, String)>>, axum::extract::rejection::QueryRejection>,
    headers: HeaderMap,
) -> Response {
    let Ok(Query(query)) = query else {
        return sentence(
            StatusCode::BAD_REQUEST,
            "The query cannot be read: write /series.csv?probe=P&quantity=Q&from=T&to=T.",
        );
    };
    let snapshot = desk.latest();
    // A snapshot is made when something changes: `now` is the machine's clock.
    let now = crate::climate::Stamp::from_time(&chrono::Utc::now()).max(snapshot.time);
    desk.series.answer(&query, &snapshot, now, &headers).await
}

async fn nothing_here(method: Method, headers: HeaderMap) -> Response {
    if method != Method::GET && method != Method::HEAD {
        return not_by_this_method().await;
    }
    story::missing(&headers, "There is nothing here; /openapi.json tells what there is.")
}

async fn not_by_this_method() -> Response {
    let text = "Not by this method: /openapi.json tells what may be asked and sent, and how.";
    sentence(StatusCode::METHOD_NOT_ALLOWED, text)
}
