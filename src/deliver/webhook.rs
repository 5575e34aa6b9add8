//! One HTTP POST to a webhook, and what its answer means.
//!
//! In: a body and its idempotency key. Out: accepted, or why not in one plain sentence. Bounded in
//! time and in what is read of the answer; follows no redirection. What it says never carries the
//! address's path or query, nor the value of a header. Left out: when to try again (`lane`).

use std::time::Duration;

use axum::body::Bytes; // the same types the client uses, without two more direct dependencies
use axum::http::{HeaderMap, HeaderName, HeaderValue, Request, Response, StatusCode, Uri, header};
use http_body_util::Full;

use super::http::{HttpClient, client, drain, origin, unreached};
use super::message::Message;
use super::refused::Refused;
use crate::config::plan::Secret;
use crate::config::template::Template;

/// How long the rest of an answer may take; the status has said all that counts.
const ANSWER_PATIENCE: Duration = Duration::from_secs(1);
/// Headers that frame the message or name the event; a `headers_file` may not set them.
const OWN_HEADERS: [HeaderName; 5] = [
    header::CONTENT_LENGTH,
    header::TRANSFER_ENCODING,
    header::CONNECTION,
    header::HOST,
    HeaderName::from_static("idempotency-key"),
];

/// A webhook, ready to be posted to.
pub(super) struct Webhook {
    uri: Uri,
    headers: HeaderMap,
    client: HttpClient,
    /// What is posted instead of the alert as JSON.
    body: Option<Template>,
    site: String,
}

impl Webhook {
    /// Prepares a webhook; reads the machine's own roots where its address is https.
    ///
    /// # Errors
    /// One plain sentence where its address or a header cannot be used.
    pub(super) fn new(
        url: &Secret,
        headers: &[(String, Secret)],
        body: Option<Template>,
        site: &str,
    ) -> Result<Webhook, String> {
        let uri: Uri = url.0.parse().map_err(|_| "its address is no URL; mend webhook.url".to_owned())?;
        let host = uri.host().filter(|host| !host.is_empty());
        let (Some("http" | "https"), Some(_), Some(authority)) = (uri.scheme_str(), host, uri.authority()) else {
            return Err("its address is neither http:// nor https:// with a host; mend webhook.url".to_owned());
        };
        if authority.as_str().contains('@') {
            return Err(
                "its address carries a user name; put an Authorization header into headers_file instead".to_owned()
            );
        }
        let is_https = uri.scheme_str() == Some("https");
        let content_type = body.as_ref().map_or("application/json", Template::content_type);
        let headers = all_headers(headers, content_type)?;
        Ok(Webhook { headers, client: client(is_https)?, uri, body, site: site.to_owned() })
    }

    /// Posts `body`; the whole exchange ends within `limit`.
    pub(super) async fn post(&self, body: &str, key: &str, limit: Duration) -> Result<(), Refused> {
        let body = self.body.as_ref().map_or_else(
            || Bytes::copy_from_slice(body.as_bytes()),
            |template| {
                let message = Message::read(body);
                let value = |word: &str| if word == "site" { self.site.clone() } else { message.part(word) };
                Bytes::from(template.fill(value))
            },
        );
        let mut request = Request::new(Full::new(body));
        *request.method_mut() = axum::http::Method::POST;
        *request.uri_mut() = self.uri.clone();
        *request.headers_mut() = self.headers.clone();
        let key = HeaderValue::from_str(key)
            .map_err(|_| Refused::passing("its idempotency key is no header value".to_owned()))?;
        request.headers_mut().insert("idempotency-key", key);
        let exchange = async {
            let answer =
                self.client.request(request).await.map_err(|error| Refused::passing(unreached(&self.uri, &error)))?;
            let judged = self.judge(&answer);
            let _ = tokio::time::timeout(ANSWER_PATIENCE, drain(answer)).await;
            judged
        };
        match tokio::time::timeout(limit, exchange).await {
            Ok(judged) => judged,
            Err(_) => {
                Err(Refused::passing(format!("{} gave no answer within {} s", self.place(), limit.as_secs_f64())))
            }
        }
    }

    fn judge<B>(&self, answer: &Response<B>) -> Result<(), Refused> {
        let status = answer.status();
        if status.is_success() {
            return Ok(());
        }
        let place = self.place();
        if status.is_redirection() {
            let location = answer.headers().get(header::LOCATION).and_then(|value| value.to_str().ok());
            let location = location.map_or("an address it does not name".to_owned(), |to| self.shown(to));
            return Err(Refused::passing(format!(
                "{place} answered {status}: it has moved to {location}, which is not followed; mend webhook.url"
            )));
        }
        let passing = [StatusCode::REQUEST_TIMEOUT, StatusCode::TOO_EARLY, StatusCode::TOO_MANY_REQUESTS];
        let for_good = status.is_client_error() && !passing.contains(&status);
        let hint = match status {
            StatusCode::UNAUTHORIZED | StatusCode::FORBIDDEN => "; look at the token in headers_file",
            StatusCode::NOT_FOUND | StatusCode::GONE | StatusCode::METHOD_NOT_ALLOWED => "; look at webhook.url",
            _ => "",
        };
        let retry_after = answer.headers().get(header::RETRY_AFTER).and_then(|value| value.to_str().ok());
        let retry_after = retry_after.and_then(|text| text.trim().parse().ok()).map(Duration::from_secs);
        Err(Refused { why: format!("{place} answered {status}{hint}"), for_good, retry_after, told_others: false })
    }

    /// Scheme, host and port: what may be said of the address.
    fn place(&self) -> String {
        origin(&self.uri)
    }

    /// Where a redirection leads: without its query, and without its path where that is our own,
    /// which may be a secret.
    fn shown(&self, location: &str) -> String {
        let Ok(to) = location.parse::<Uri>() else { return "an address that is no URL".to_owned() };
        let place = if to.authority().is_some() { origin(&to) } else { self.place() };
        if to.path() == self.uri.path() { format!("{place} (the same path)") } else { format!("{place}{}", to.path()) }
    }
}

fn all_headers(more: &[(String, Secret)], content_type: &'static str) -> Result<HeaderMap, String> {
    let mut headers = HeaderMap::new();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(content_type));
    headers.insert(header::USER_AGENT, HeaderValue::from_static(concat!("tubwatch/", env!("CARGO_PKG_VERSION"))));
    for (name, value) in more {
        let Ok(header) = HeaderName::from_bytes(name.as_bytes()) else {
            return Err(format!("headers_file: \"{}\" is no header's name", name.escape_debug()));
        };
        if OWN_HEADERS.contains(&header) {
            return Err(format!("headers_file sets {header}, which tubwatch sets itself; take it out"));
        }
        let mut value = HeaderValue::from_str(&value.0)
            .map_err(|_| format!("headers_file: the value of {header} has a letter that a header cannot carry"))?;
        value.set_sensitive(true);
        headers.insert(header, value);
    }
    Ok(headers)
}
