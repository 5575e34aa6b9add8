//! Who may read, and the headers every answer carries.
//!
//! In: a request, and where it came from. Out: the request passed on, or 401 or 403 in one plain
//! sentence. This machine reads freely; any other reader shows the token. A reader on this machine
//! must have asked for this machine by name: a page from elsewhere whose name was pointed at
//! 127.0.0.1 (DNS rebinding) has not.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::{HeaderName, HeaderValue, StatusCode, Uri, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::config::plan::Secret;

/// Who may read from where.
#[derive(Clone, Debug, Default)]
pub struct Access {
    /// What a reader from elsewhere must show; without it nobody from elsewhere reads.
    pub token: Option<Secret>,
}

/// One peer before the door.
#[derive(Clone)]
pub(super) struct Visitor {
    pub(super) peer: SocketAddr,
    pub(super) access: Arc<Access>,
}

/// Lets the request through or answers it, and puts the security headers on the answer.
pub(super) async fn check(State(visitor): State<Visitor>, request: Request, next: Next) -> Response {
    let mut response = match visitor.refusal(&request) {
        Some(refusal) => refusal,
        None => next.run(request).await,
    };
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    response
}

/// The page sets a policy of its own that lets in its one style sheet.
const HEADERS: [(HeaderName, &str); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    (header::CACHE_CONTROL, "no-store"),
];

impl Visitor {
    fn refusal(&self, request: &Request) -> Option<Response> {
        if self.shows_token(request) {
            return None;
        }
        if !self.peer.ip().to_canonical().is_loopback() {
            let answer = sentence(
                StatusCode::UNAUTHORIZED,
                "Reading from another machine needs the header \"Authorization: Bearer TOKEN\" with the token of [status] token_file.",
            );
            return Some(([(header::WWW_AUTHENTICATE, "Bearer realm=\"tubwatch\"")], answer).into_response());
        }
        if names_this_machine(request) {
            return None;
        }
        Some(sentence(
            StatusCode::FORBIDDEN,
            "Without the token this is read under the name localhost, 127.0.0.1 or [::1] only: ask for it by one of these.",
        ))
    }

    fn shows_token(&self, request: &Request) -> bool {
        let Some(token) = &self.access.token else { return false };
        let shown = request.headers().get(header::AUTHORIZATION).and_then(|value| value.to_str().ok());
        let Some((scheme, shown)) = shown.and_then(|value| value.split_once(' ')) else { return false };
        // An empty token file opens nothing.
        scheme.eq_ignore_ascii_case("Bearer")
            && !token.0.is_empty()
            && same(shown.trim().as_bytes(), token.0.as_bytes())
    }
}

/// Compares without telling by its duration how much was right; the length alone may be guessed.
fn same(shown: &[u8], held: &[u8]) -> bool {
    let unlike = held.iter().enumerate().fold(shown.len() ^ held.len(), |unlike, (position, byte)| {
        let other = shown.get(position).copied().unwrap_or(!byte);
        std::hint::black_box(unlike | usize::from(byte ^ other))
    });
    unlike == 0
}

/// Whether the request's host (its target's, or the header's) is this machine, whatever the port;
/// a request without any (HTTP/1.0) comes from no browser and passes.
fn names_this_machine(request: &Request) -> bool {
    let header = request.headers().get(header::HOST).map(|value| value.to_str().unwrap_or("?"));
    let target = request.uri().authority().map(|authority| authority.as_str());
    [header, target].into_iter().flatten().all(|host| host.is_empty() || is_this_machine(host))
}

fn is_this_machine(host: &str) -> bool {
    let Ok(parsed) = format!("http://{host}/").parse::<Uri>() else { return false };
    let Some(name) = parsed.host() else { return false };
    let name = name.strip_prefix('[').and_then(|name| name.strip_suffix(']')).unwrap_or(name);
    let name = name.strip_suffix('.').unwrap_or(name);
    name.eq_ignore_ascii_case("localhost")
        || name.parse::<IpAddr>().is_ok_and(|address| address.to_canonical().is_loopback())
}

/// An answer of one plain sentence.
pub(super) fn sentence(status: StatusCode, text: &str) -> Response {
    let body = format!("{}\n", text.replace(|letter: char| letter.is_control(), " "));
    (status, [(header::CONTENT_TYPE, "text/plain; charset=utf-8")], body).into_response()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn elsewhere_needs_the_token_and_without_one_reads_nothing() {
        let status = |peer: &str, token: Option<&str>, shown: &str| {
            let access = Arc::new(Access { token: token.map(|token| Secret(token.to_owned())) });
            let visitor = Visitor { peer: peer.parse().unwrap(), access };
            let request = Request::builder().header(header::HOST, "127.0.0.1").header(header::AUTHORIZATION, shown);
            let refusal = visitor.refusal(&request.body(axum::body::Body::empty()).unwrap());
            refusal.map(|answer| (answer.status().as_u16(), answer.headers().contains_key(header::WWW_AUTHENTICATE)))
        };
        let refused = Some((401, true));
        for (peer, token, shown, expected) in [
            ("192.0.2.1:5", Some("correct"), "Bearer correct", None),
            ("192.0.2.1:5", Some("correct"), "Bearer wrong", refused),
            ("192.0.2.1:5", Some("correct"), "Basic correct", refused),
            ("192.0.2.1:5", Some("correct"), "", refused),
            ("192.0.2.1:5", Some(""), "Bearer ", refused),
            ("192.0.2.1:5", None, "Bearer correct", refused),
            ("[2001:db8::1]:5", Some("correct"), "Bearer", refused),
            ("127.0.0.1:5", Some("correct"), "", None),
            ("[::ffff:127.0.0.1]:5", None, "", None),
            ("[::ffff:192.0.2.1]:5", None, "", refused),
        ] {
            assert_eq!(status(peer, token, shown), expected, "{peer} {shown}");
        }
    }

    #[test]
    fn only_names_of_this_machine_pass() {
        for host in
            ["localhost", "localhost:8750", "LOCALHOST:1", "127.0.0.1:8750", "127.1.2.3", "[::1]:8750", "localhost."]
        {
            assert!(is_this_machine(host), "{host}");
        }
        for host in [
            "example.invalid",
            "localhost.example.invalid",
            "127.0.0.1.example.invalid",
            "10.0.0.1:8750",
            "[fe80::1]",
            "?",
            "a b",
        ] {
            assert!(!is_this_machine(host), "{host}");
        }
    }

    #[test]
    fn tokens_are_compared_whole() {
        for (shown, held, equal) in [
            ("abc", "abc", true),
            ("ab", "abc", false),
            ("abcd", "abc", false),
            ("", "abc", false),
            ("abd", "abc", false),
        ] {
            assert_eq!(same(shown.as_bytes(), held.as_bytes()), equal, "{shown} {held}");
        }
    }
}
