//! The HTTP client of everything that is told or asked over HTTP.
//!
//! In: requests. Out: a client for HTTP and HTTPS that trusts the machine's own roots, and words for
//! what became of a request, without the address's path or query: they may be a secret.

use std::sync::Arc;

use axum::body::Bytes; // the same types the client uses, without two more direct dependencies
use axum::http::{Response, Uri};
use http_body_util::{BodyExt, Full};
use hyper_rustls::{HttpsConnector, HttpsConnectorBuilder};
use hyper_util::client::legacy::Client;
use hyper_util::client::legacy::connect::HttpConnector;
use hyper_util::rt::TokioExecutor;

use super::refused::root_of;
use crate::config::tls;

/// What is read of an answer's body, only so that the connection ends in good order.
const ANSWER_BYTES_MAX: usize = 4 * 1024;

/// A client for HTTP and HTTPS.
pub(super) type HttpClient = Client<HttpsConnector<HttpConnector>, Full<Bytes>>;

/// Reads the machine's own roots where `is_https`.
pub(super) fn client(is_https: bool) -> Result<HttpClient, String> {
    let roots = if is_https { tls::machines_own()? } else { rustls::RootCertStore::empty() };
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let tls = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| format!("TLS cannot be set up: {error}"))?
        .with_root_certificates(roots)
        .with_no_client_auth();
    let mut plain = HttpConnector::new();
    plain.enforce_http(false);
    plain.set_nodelay(true);
    let connector =
        HttpsConnectorBuilder::new().with_tls_config(tls).https_or_http().enable_http1().wrap_connector(plain);
    // Alerts are rare: a connection kept open would be stale by the next one, and fail it.
    Ok(Client::builder(TokioExecutor::new()).pool_max_idle_per_host(0).build(connector))
}

/// Reads what is left of an answer, up to a bound.
pub(super) async fn drain<B: axum::body::HttpBody<Data = Bytes> + Unpin>(answer: Response<B>) {
    let mut body = answer.into_body();
    let mut read = 0;
    while let Some(Ok(frame)) = body.frame().await {
        read += frame.data_ref().map_or(0, Bytes::len);
        if read >= ANSWER_BYTES_MAX {
            return;
        }
    }
}

/// The address without path and query.
pub(super) fn origin(uri: &Uri) -> String {
    let port = uri.port().map_or(String::new(), |port| format!(":{port}"));
    format!("{}://{}{port}", uri.scheme_str().unwrap_or("http"), uri.host().unwrap_or(""))
}

/// Why a request to `uri` was not answered.
pub(super) fn unreached(uri: &Uri, error: &hyper_util::client::legacy::Error) -> String {
    let what = if error.is_connect() { "cannot be reached" } else { "broke off" };
    format!("{} {what}: {}", origin(uri), root_of(error))
}
