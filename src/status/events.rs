//! `GET /events`: server-sent events (WHATWG HTML, section 9.2): samples and alert changes as they happen.
//!
//! In: snapshots and alert events. Out: a stream of `sample` events (which probe, when, its readings;
//! at most one a second for each probe, from the snapshot) and `alert` events (the alert as in
//! `/status.json`, with its `event`). A bounded number of streams; a listener that reads slowly loses
//! events, never holds anything up, and is cut by the door.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use http_body_util::channel::{Channel, Sender};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, broadcast, watch};

use super::guard::sentence;
use super::snapshot::Snapshot;
use crate::climate::Stamp;
use crate::watch::alert::AlertEvent;
use crate::watch::view::AlertView;

/// Streams at a time: a page on each of a family's devices and a program or two; it leaves most of
/// the door's places to others.
pub(super) const STREAMS_MAX: usize = 16;
/// Blocks that may wait for a listener.
const WAITING_MAX: usize = 32;
/// A comment is sent when nothing happened for so long: well under the door's patience.
const BEAT: Duration = Duration::from_secs(10);
/// How long a listener waits before it comes back, ms.
const COME_BACK_MS: u32 = 3_000;

/// What streams are made from.
#[derive(Clone)]
pub(super) struct Stage {
    snapshots: watch::Receiver<Arc<Snapshot>>,
    alerts: broadcast::Sender<AlertEvent>,
    closing: watch::Receiver<bool>,
    places: Arc<Semaphore>,
}

/// The stream ended; nothing is told.
#[derive(Debug, thiserror::Error)]
#[error("the stream of events ended")]
struct Ended;

impl Stage {
    pub(super) fn new(
        snapshots: watch::Receiver<Arc<Snapshot>>,
        alerts: broadcast::Sender<AlertEvent>,
        closing: watch::Receiver<bool>,
    ) -> Stage {
        Stage { snapshots, alerts, closing, places: Arc::new(Semaphore::new(STREAMS_MAX)) }
    }

    /// One more stream, if there is room.
    pub(super) fn answer(&self) -> Response {
        let Ok(place) = Arc::clone(&self.places).try_acquire_owned() else {
            let text = format!("All {STREAMS_MAX} streams of events are taken; ask again later.");
            let answer = sentence(StatusCode::SERVICE_UNAVAILABLE, &text);
            return ([(header::RETRY_AFTER, "30")], answer).into_response();
        };
        let (sender, body) = Channel::<Bytes, Ended>::new(WAITING_MAX);
        // Ends with the listener, or when the status stops.
        tokio::spawn(self.clone().tell(sender, self.alerts.subscribe(), place));
        let headers = [(header::CONTENT_TYPE, "text/event-stream"), (header::CACHE_CONTROL, "no-store")];
        (headers, Body::new(body)).into_response()
    }

    async fn tell(
        mut self,
        mut sender: Sender<Bytes, Ended>,
        mut alerts: broadcast::Receiver<AlertEvent>,
        _place: OwnedSemaphorePermit,
    ) {
        let mut told: HashMap<String, Option<Stamp>> = HashMap::new();
        let first = Arc::clone(&self.snapshots.borrow_and_update());
        changed(&first, &mut told);
        let mut text = format!("retry: {COME_BACK_MS}\n\n");
        loop {
            if !text.is_empty() && sender.send_data(Bytes::from(std::mem::take(&mut text))).await.is_err() {
                return;
            }
            tokio::select! {
                biased;
                _ = self.closing.wait_for(|closing| *closing) => return,
                event = alerts.recv() => match event {
                    Ok(event) => text = alert_text(&event),
                    // What was missed is in `/status.json`; say that something was.
                    Err(broadcast::error::RecvError::Lagged(_)) => text = "event: alert\ndata: {}\n\n".to_owned(),
                    Err(broadcast::error::RecvError::Closed) => return,
                },
                fresh = self.snapshots.changed() => {
                    if fresh.is_err() {
                        return;
                    }
                    let snapshot = Arc::clone(&self.snapshots.borrow_and_update());
                    text = changed(&snapshot, &mut told);
                }
                () = tokio::time::sleep(BEAT) => text = ": nothing new\n\n".to_owned(),
            }
        }
    }
}

fn alert_text(event: &AlertEvent) -> String {
    let view = serde_json::to_value(AlertView::of(&event.alert)).ok();
    let Some(serde_json::Value::Object(mut body)) = view else { return String::new() };
    body.insert("event".to_owned(), event.kind.word().into());
    // JSON on one line: control characters are escaped in it.
    format!("event: alert\nid: {}\ndata: {}\n\n", event.alert.id, serde_json::Value::Object(body))
}

/// The probes that were heard since the last time.
fn changed(snapshot: &Snapshot, told: &mut HashMap<String, Option<Stamp>>) -> String {
    let mut text = String::new();
    for probe in &snapshot.probes {
        if told.get(&probe.name) == Some(&probe.last_at) {
            continue;
        }
        told.insert(probe.name.clone(), probe.last_at);
        let Some(at) = probe.last_at else { continue };
        let body = serde_json::json!({ "probe": probe.name, "at": at.rfc3339_exact(), "readings": probe.readings });
        text.push_str(&format!("event: sample\ndata: {body}\n\n"));
    }
    text
}
