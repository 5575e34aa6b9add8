//! The status endpoint: the latest snapshot as JSON, metrics and a page, and series as CSV. Writes
//! nothing and holds nothing up: readers share an [`Arc`] of the latest snapshot.

mod door;
mod guard;
pub mod heat;
pub mod metrics;
mod page;
mod series;
pub mod snapshot;
pub mod tub;
mod wording;

use std::future::Future;
use std::net::SocketAddr;
use std::sync::Arc;

use axum::Router;
use axum::extract::{Query, State};
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use tokio::net::TcpListener;
use tokio::sync::watch;

pub use door::Limits;
pub use guard::Access;
pub use series::{SeriesFault, SeriesSource};
pub use snapshot::Snapshot;

use guard::{Visitor, sentence};
use metrics::Exposition;
use series::Reader;

/// Serves the status of `snapshots` on `listener` until `stop` is ready, then gives answers under
/// way a second to end. When the sender of `snapshots` is gone, `/health` says so.
pub async fn serve(
    listener: TcpListener,
    snapshots: watch::Receiver<Arc<Snapshot>>,
    access: Access,
    series: Arc<dyn SeriesSource + Send + Sync>,
    stop: impl Future<Output = ()> + Send,
) {
    serve_within(Limits::default(), listener, snapshots, access, series, stop).await;
}

/// [`serve`] with other limits on connections.
pub async fn serve_within(
    limits: Limits,
    listener: TcpListener,
    snapshots: watch::Receiver<Arc<Snapshot>>,
    access: Access,
    series: Arc<dyn SeriesSource + Send + Sync>,
    stop: impl Future<Output = ()> + Send,
) {
    let desk = Desk { snapshots, series: Reader::new(series), bound: listener.local_addr().ok() };
    let router = Router::new()
        .route("/", get(show_page))
        .route("/status.json", get(show_json))
        .route("/metrics", get(show_metrics))
        .route("/health", get(show_health))
        .route("/series.csv", get(show_series))
        .method_not_allowed_fallback(async || not_by_this_method())
        .fallback(nothing_here)
        .with_state(desk);
    let access = Arc::new(access);
    let router_for = |peer: SocketAddr| {
        let visitor = Visitor { peer, access: Arc::clone(&access) };
        router.clone().layer(axum::middleware::from_fn_with_state(visitor, guard::check))
    };
    door::keep(listener, router_for, limits, stop).await;
}

/// What the handlers work from.
#[derive(Clone)]
struct Desk {
    snapshots: watch::Receiver<Arc<Snapshot>>,
    series: Reader,
    bound: Option<SocketAddr>,
}

impl Desk {
    fn latest(&self) -> Arc<Snapshot> {
        Arc::clone(&self.snapshots.borrow())
    }
}

async fn show_page(State(desk): State<Desk>) -> Response {
    let nonce = format!("{:032x}", rand::random::<u128>());
    let policy = format!(
        "default-src 'none'; style-src 'nonce-{nonce}'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
    );
    let page = page::render(&desk.latest(), &nonce, desk.bound);
    let headers =
        [(header::CONTENT_TYPE, "text/html; charset=utf-8"), (header::CONTENT_SECURITY_POLICY, policy.as_str())];
    (headers, page).into_response()
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
    desk.series.answer(&query, snapshot.inner.timezone, now).await
}

async fn nothing_here(method: Method) -> Response {
    if method != Method::GET && method != Method::HEAD {
        return not_by_this_method();
    }
    sentence(
        StatusCode::NOT_FOUND,
        "There is nothing here; there are /, /status.json, /metrics, /health and /series.csv.",
    )
}

fn not_by_this_method() -> Response {
    let answer = sentence(
        StatusCode::METHOD_NOT_ALLOWED,
        "Nothing is changed over HTTP in this release: GET reads; to acknowledge and to log, use the tubwatch command.",
    );
    ([(header::ALLOW, "GET, HEAD")], answer).into_response()
}
