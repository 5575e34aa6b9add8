//! A window on what arrives: a Unix socket in the store's folder, for `tubwatch arrivals`.
//!
//! In: whoever may open the socket (the daemon's own user, and who shares its folder). Out: one JSON object a
//! line and arrival. A looker-on that does not keep up is told how many were passed over; it never holds up a source.

use std::io::ErrorKind;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use serde_json::{Map, Value, json};
use tokio::io::AsyncWriteExt;
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinSet;
use tokio::time::{sleep, timeout};

use super::intake::Phase;
use super::{Arrival, Tap};
use crate::climate::Quantity;
use crate::config::Plan;

/// The socket's name in the store's folder.
const NAME: &str = "arrivals.sock";
/// Lookers-on at a time: a person has one or two terminals open.
const LOOKERS_MAX: usize = 4;
/// One that does not read for so long is given up.
const WRITE_WITHIN: Duration = Duration::from_secs(10);
/// The wait after the machine had no room for a connection.
const NO_ROOM_WAIT: Duration = Duration::from_millis(200);

/// Where the window of the daemon with this store is.
pub fn path(plan: &Plan) -> PathBuf {
    plan.store.folder.join(NAME)
}

/// One arrival as the line says it; `names` are the probes'.
pub fn line(arrival: &Arrival, source: &str, names: &[String]) -> Value {
    let name = |probe: usize| names.get(probe).cloned().unwrap_or_default();
    let read = arrival.read.iter().map(|(probe, decoded)| {
        let mut values = Map::new();
        values.insert("probe".to_owned(), name(*probe).into());
        for quantity in Quantity::ALL {
            if let Some(value) = decoded.values[quantity.index()] {
                // Not a number gives null.
                values.insert(quantity.word().to_owned(), value.into());
            }
        }
        Value::Object(values)
    });
    json!({
        "source": source, "at": arrival.at.0, "by": arrival.by, "text": arrival.text,
        "read": read.collect::<Vec<_>>(),
        "probe": arrival.refused.and_then(|(probe, _)| probe).map(name),
        "why": arrival.refused.map(|(_, reason)| reason.word()),
    })
}

/// The open window; closed when dropped.
pub(super) struct Window {
    listener: UnixListener,
    path: PathBuf,
    tap: Tap,
    sources: Vec<String>,
    probes: Vec<String>,
}

impl Window {
    /// Opens the window of a daemon that holds the store's lock. `None` where it cannot be; that is
    /// said, and everything else goes on.
    pub(super) fn open(plan: &Plan, tap: Tap) -> Option<Window> {
        let path = path(plan);
        let listener = match listen(&path) {
            Ok(listener) => listener,
            Err(error) => {
                let shown = path.display();
                tracing::warn!("tubwatch arrivals cannot look on: {shown} cannot be made ({error})");
                return None;
            }
        };
        let sources = plan.setup.sources.iter().map(|source| source.name.clone()).collect();
        let probes = plan.setup.probes.iter().map(|probe| probe.name.clone()).collect();
        Some(Window { listener, path, tap, sources, probes })
    }

    /// Serves until the daemon stops.
    pub(super) async fn run(self, mut phase: watch::Receiver<Phase>) {
        let window = Arc::new(self);
        let places = Arc::new(Semaphore::new(LOOKERS_MAX));
        let mut lookers = JoinSet::new();
        loop {
            let stream = tokio::select! {
                biased;
                () = stopping(&mut phase) => break,
                Some(_) = lookers.join_next(), if !lookers.is_empty() => continue,
                accepted = window.listener.accept() => match accepted {
                    Ok((stream, _)) => stream,
                    Err(_) => {
                        sleep(NO_ROOM_WAIT).await;
                        continue;
                    }
                },
            };
            if let Ok(place) = Arc::clone(&places).try_acquire_owned() {
                let window = Arc::clone(&window);
                lookers.spawn(async move {
                    window.show(stream).await;
                    drop(place);
                });
            }
        }
        lookers.abort_all();
    }

    /// Shows what arrives to one looker-on until it goes.
    async fn show(&self, mut stream: UnixStream) {
        let mut arrivals = self.tap.listen();
        loop {
            let line = match arrivals.recv().await {
                Ok(arrival) => {
                    let source = self.sources.get(arrival.source).map_or("", String::as_str);
                    line(&arrival, source, &self.probes)
                }
                Err(RecvError::Lagged(count)) => json!({ "passed_over": count }),
                Err(RecvError::Closed) => return,
            };
            let text = format!("{line}\n");
            if !matches!(timeout(WRITE_WITHIN, stream.write_all(text.as_bytes())).await, Ok(Ok(()))) {
                return;
            }
        }
    }
}

impl Drop for Window {
    fn drop(&mut self) {
        // It may be gone already; a stale one is replaced at the next start.
        let _ = std::fs::remove_file(&self.path);
    }
}

fn listen(path: &Path) -> std::io::Result<UnixListener> {
    match std::fs::remove_file(path) {
        Err(error) if error.kind() != ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let listener = UnixListener::bind(path)?;
    // As with the store: where the folder's group may write in it, it may look on too.
    let of_folder = path.parent().map(std::fs::metadata).transpose()?.map_or(0, |folder| folder.permissions().mode());
    let mode = if of_folder & 0o020 != 0 { 0o660 } else { 0o600 };
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode))?;
    Ok(listener)
}

/// Waits until the daemon stops.
async fn stopping(phase: &mut watch::Receiver<Phase>) {
    // An error means that whoever could stop us is gone, which is a stop too.
    let _ = phase.wait_for(|phase| *phase != Phase::Run).await;
}
