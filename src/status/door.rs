//! The door of the status endpoint: takes connections in, and cuts those that only hold a place.
//!
//! In: a listener, TLS if it is spoken, and a router for each peer. Out: answered connections, in bounded number. A peer
//! that is slow costs its own connection, never the engine and never another reader. Left out: who
//! may read what (`guard`).

use std::collections::HashMap;
use std::future::Future;
use std::net::SocketAddr;
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::task::{Context, Poll};
use std::time::Duration;

use axum::Router;
use hyper_util::rt::{TokioExecutor, TokioIo, TokioTimer};
use hyper_util::server::conn::auto;
use hyper_util::service::TowerToHyperService;
use rustls::ServerConfig;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::{AbortHandle, Id, JoinSet};
use tokio::time::{Instant, Sleep};
use tokio_rustls::TlsAcceptor;

/// The largest request head. A status endpoint is asked short questions; a browser's head is about 1 KiB.
const HEAD_BYTES_MAX: usize = 16 * 1024;

/// How many connections, and how long each may take over what.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Connections at a time. A handful of pages and scrapers is usual; each costs some 30 KiB.
    pub connections: usize,
    /// From the first byte of a request, or the end of the one before, to the end of its head.
    pub head: Duration,
    /// Without a byte moving either way.
    pub idle: Duration,
    /// Of a whole connection: a year of one series over slow wireless stays well under it.
    pub life: Duration,
    /// When every place is taken, a connection that has not moved for so long gives up its place.
    pub spare: Duration,
    /// After the stop signal, for answers that are under way.
    pub stop: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            connections: 64,
            head: Duration::from_secs(10),
            idle: Duration::from_secs(30),
            life: Duration::from_secs(15 * 60),
            spare: Duration::from_secs(1),
            stop: Duration::from_secs(1),
        }
    }
}

/// Takes TLS connections in that speak HTTP/1.1.
pub(super) fn acceptor(config: Arc<ServerConfig>) -> TlsAcceptor {
    let mut config = Arc::unwrap_or_clone(config);
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    TlsAcceptor::from(Arc::new(config))
}

/// Serves until `stop` is ready, then gives answers under way `limits.stop` to end.
pub(super) async fn keep(
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    router_for: impl Fn(SocketAddr) -> Router,
    limits: Limits,
    stop: impl Future<Output = ()>,
) {
    let (stopping, stopped) = watch::channel(false);
    let mut hall = Hall { open: HashMap::new(), tasks: JoinSet::new(), began: Instant::now(), limits };
    let mut stop = pin!(stop);
    loop {
        let full = hall.open.len() >= limits.connections.max(1);
        let spare_at = hall.stillest().map_or_else(|| Instant::now() + limits.spare, |(_, moved)| moved + limits.spare);
        tokio::select! {
            biased;
            () = &mut stop => break,
            Some(ended) = hall.tasks.join_next_with_id(), if !hall.tasks.is_empty() => hall.close(ended),
            () = tokio::time::sleep_until(spare_at), if full => hall.cut_stillest(),
            accepted = listener.accept(), if !full => match accepted {
                Ok((stream, peer)) => hall.open(stream, tls.clone(), router_for(peer), stopped.clone()),
                Err(error) => {
                    // Out of descriptors, or the peer is gone already: others may come when there is room.
                    tracing::debug!(%error, "status: a connection could not be taken");
                    tokio::time::sleep(Duration::from_millis(50)).await;
                }
            },
        }
    }
    drop(listener);
    let _ = stopping.send(true);
    let ended = async { while hall.tasks.join_next().await.is_some() {} };
    if tokio::time::timeout(limits.stop, ended).await.is_err() {
        hall.tasks.shutdown().await;
    }
}

/// The connections that are open.
struct Hall {
    open: HashMap<Id, Open>,
    tasks: JoinSet<()>,
    began: Instant,
    limits: Limits,
}

struct Open {
    task: AbortHandle,
    /// Milliseconds from `Hall::began` to the last byte that moved.
    moved: Arc<AtomicU64>,
    is_cut: bool,
}

impl Hall {
    fn open(&mut self, stream: TcpStream, tls: Option<TlsAcceptor>, router: Router, stopped: watch::Receiver<bool>) {
        // Answers are short: waiting to fill a packet would only delay them.
        let _ = stream.set_nodelay(true);
        let moved = Arc::new(AtomicU64::new(self.now_ms()));
        let stream = Watched {
            stream,
            began: self.began,
            moved: Arc::clone(&moved),
            idle: self.limits.idle,
            deadline: Box::pin(tokio::time::sleep(self.limits.idle)),
        };
        let task = self.tasks.spawn(greet(stream, tls, router, self.limits, stopped));
        self.open.insert(task.id(), Open { task, moved, is_cut: false });
    }

    fn close(&mut self, ended: Result<(Id, ()), tokio::task::JoinError>) {
        let id = match ended {
            Ok((id, ())) => id,
            Err(error) => error.id(),
        };
        self.open.remove(&id);
    }

    fn now_ms(&self) -> u64 {
        u64::try_from(self.began.elapsed().as_millis()).unwrap_or(u64::MAX)
    }

    /// The connection that has not moved for longest, and when it last did.
    fn stillest(&self) -> Option<(&Open, Instant)> {
        let moved = |open: &Open| self.began + Duration::from_millis(open.moved.load(Ordering::Relaxed));
        self.open.values().filter(|open| !open.is_cut).map(|open| (open, moved(open))).min_by_key(|(_, at)| *at)
    }

    /// Cuts the stillest connection, unless it has moved since the wait for it began.
    fn cut_stillest(&mut self) {
        let Some((open, moved)) = self.stillest() else { return };
        if Instant::now() < moved + self.limits.spare {
            return;
        }
        let id = open.task.id();
        if let Some(open) = self.open.get_mut(&id) {
            // Its place is free once the task has ended.
            open.task.abort();
            open.is_cut = true;
        }
    }
}

/// The first byte of a TLS connection: a record of the handshake (RFC 8446, section 5.1).
const HANDSHAKE: u8 = 22;
/// Said to who speaks plain HTTP where TLS is spoken.
const SPEAK_TLS: &str = "This page is served over TLS: ask for https:// instead of http://.\n";

/// Comes to terms with the peer, and answers it.
async fn greet(
    mut stream: Watched,
    tls: Option<TlsAcceptor>,
    router: Router,
    limits: Limits,
    stopped: watch::Receiver<bool>,
) {
    let Some(tls) = tls else { return answer(stream, router, limits, stopped).await };
    let agreed = async {
        let mut first = [0];
        // Looked at, not taken.
        if stream.stream.peek(&mut first).await.ok()? == 0 {
            return None;
        }
        if first == [HANDSHAKE] {
            return tls.accept(stream).await.ok();
        }
        refuse_plain(&mut stream).await;
        None
    };
    if let Ok(Some(stream)) = tokio::time::timeout(limits.head, agreed).await {
        answer(stream, router, limits, stopped).await;
    }
}

async fn refuse_plain(stream: &mut Watched) {
    let head = format!(
        "HTTP/1.1 400 Bad Request\r\ncontent-type: text/plain; charset=utf-8\r\ncontent-length: {}\r\nconnection: close\r\n\r\n",
        SPEAK_TLS.len()
    );
    let said = stream.write_all((head + SPEAK_TLS).as_bytes()).await;
    if said.is_ok() && stream.shutdown().await.is_ok() {
        // What is left unread at the end would take the answer away with it.
        let mut rest = [0; 1024];
        let mut left = HEAD_BYTES_MAX;
        while let Ok(count @ 1..) = stream.read(&mut rest).await
            && left >= count
        {
            left -= count;
        }
    }
}

async fn answer(
    stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
    router: Router,
    limits: Limits,
    mut stopped: watch::Receiver<bool>,
) {
    let mut builder = auto::Builder::new(TokioExecutor::new());
    builder.http1().timer(TokioTimer::new()).header_read_timeout(limits.head).max_buf_size(HEAD_BYTES_MAX);
    let mut connection = pin!(builder.serve_connection(TokioIo::new(stream), TowerToHyperService::new(router)));
    let served = async {
        tokio::select! {
            // A peer that hangs up or is cut is its own business.
            _ = connection.as_mut() => return,
            _ = stopped.wait_for(|stopped| *stopped) => {}
        }
        connection.as_mut().graceful_shutdown();
        let _ = connection.await;
    };
    let _ = tokio::time::timeout(limits.life, served).await;
}

/// A stream that notes when a byte last moved, and fails when none has for too long.
struct Watched {
    stream: TcpStream,
    began: Instant,
    moved: Arc<AtomicU64>,
    idle: Duration,
    deadline: Pin<Box<Sleep>>,
}

impl Watched {
    fn settle<T>(&mut self, polled: Poll<std::io::Result<T>>, context: &mut Context<'_>) -> Poll<std::io::Result<T>> {
        if polled.is_ready() {
            let now = Instant::now();
            let moved = u64::try_from(now.duration_since(self.began).as_millis()).unwrap_or(u64::MAX);
            self.moved.fetch_max(moved, Ordering::Relaxed);
            self.deadline.as_mut().reset(now + self.idle);
            return polled;
        }
        match self.deadline.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(std::io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl AsyncRead for Watched {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<std::io::Result<()>> {
        let polled = Pin::new(&mut self.stream).poll_read(context, into);
        self.settle(polled, context)
    }
}

impl AsyncWrite for Watched {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, from: &[u8]) -> Poll<std::io::Result<usize>> {
        let polled = Pin::new(&mut self.stream).poll_write(context, from);
        self.settle(polled, context)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<std::io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<std::io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        from: &[std::io::IoSlice<'_>],
    ) -> Poll<std::io::Result<usize>> {
        let polled = Pin::new(&mut self.stream).poll_write_vectored(context, from);
        self.settle(polled, context)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }
}
