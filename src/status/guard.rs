//! Who may read, who may write, and the headers every answer carries.
//!
//! In: a request, and where it came from. Out: the request passed on with how its sender is known, or
//! 401 or 403 in one plain sentence (a page with the sign-in form where a person reads). This machine
//! reads freely; any other reader shows the token, or has signed in with it. A reader on this machine
//! must have asked for this machine by name: a page from elsewhere whose name was pointed at
//! 127.0.0.1 (DNS rebinding) has not. Left out: what a form carries (`session`).

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::page;
use super::session;
use super::write::inside;
use crate::config::plan::Secret;

/// Who may read from where.
#[derive(Clone, Debug, Default)]
pub struct Access {
    /// What a reader from elsewhere must show, and everybody who writes; without it nobody from
    /// elsewhere reads and nobody writes.
    pub token: Option<Secret>,
    /// The server's side of TLS, where connections speak it.
    pub tls: Option<Arc<rustls::ServerConfig>>,
}

/// One peer before the door.
#[derive(Clone)]
pub(super) struct Visitor {
    pub(super) peer: SocketAddr,
    pub(super) access: Arc<Access>,
}

/// How the sender of a request is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Shown {
    /// By nothing: may read, where the guard let it through.
    Nothing,
    /// By the token itself, in a header that no other site's page can set.
    Token,
    /// By this session's cookie, which a browser sends by itself: a form must carry more.
    Session(String),
}

/// Lets the request through or answers it, and puts the security headers on the answer.
pub(super) async fn check(State(visitor): State<Visitor>, mut request: Request, next: Next) -> Response {
    let shown = visitor.access.shown(request.headers());
    let mut response = match ambiguous(request.headers()).or_else(|| visitor.refusal(&request, &shown)) {
        Some(refusal) => refusal,
        None => {
            request.extensions_mut().insert(shown);
            next.run(request).await
        }
    };
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    response
}

/// The answer to a request that names more than one host, be they the same (RFC 9112, section 3.2): what
/// reads another of them than we do would be led round the check of names.
fn ambiguous(headers: &HeaderMap) -> Option<Response> {
    let several = headers.get_all(header::HOST).iter().count() > 1;
    several.then(|| sentence(StatusCode::BAD_REQUEST, "The request has more than one Host header; send one."))
}

/// Pages set a policy of their own that lets in their one style sheet and their one script.
const HEADERS: [(HeaderName, &str); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "same-origin"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    (header::CACHE_CONTROL, "no-store"),
];

/// Where the sign-in form sends the token.
pub(super) const SIGN_IN: &str = "/sign-in";

impl Access {
    /// How the sender of these headers is known.
    pub(super) fn shown(&self, headers: &HeaderMap) -> Shown {
        // An empty token file opens nothing.
        let Some(token) = self.token.as_ref().filter(|token| !token.0.is_empty()) else { return Shown::Nothing };
        let bearer = headers.get(header::AUTHORIZATION).and_then(|value| value.to_str().ok());
        if let Some((scheme, shown)) = bearer.and_then(|value| value.split_once(' '))
            && scheme.eq_ignore_ascii_case("Bearer")
            && same(shown.trim().as_bytes(), token.0.as_bytes())
        {
            return Shown::Token;
        }
        let now_s = chrono::Utc::now().timestamp();
        let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
        let named = cookies.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
        let mut ours = named.filter(|(name, _)| *name == session::COOKIE).map(|(_, value)| value);
        ours.find(|value| session::holds(token, value, now_s))
            .map_or(Shown::Nothing, |value| Shown::Session(value.to_owned()))
    }

    /// Whether `shown` is the token.
    pub(super) fn is_token(&self, shown: &str) -> bool {
        self.token.as_ref().is_some_and(|token| !token.0.is_empty() && same(shown.as_bytes(), token.0.as_bytes()))
    }

    /// What a cookie of ours carries beside its value: over TLS it never goes another way.
    pub(super) fn cookie_ends(&self) -> &'static str {
        if self.tls.is_some() { "HttpOnly; SameSite=Strict; Secure" } else { "HttpOnly; SameSite=Strict" }
    }

    /// What the forms of a page shown to this sender carry; none where they may not write.
    pub(super) fn form_token(&self, shown: &Shown) -> Option<String> {
        match (shown, &self.token) {
            (Shown::Session(cookie), Some(token)) => Some(session::form_token(token, cookie)),
            _ => None,
        }
    }
}

impl Visitor {
    fn refusal(&self, request: &Request, shown: &Shown) -> Option<Response> {
        if *shown != Shown::Nothing {
            return None;
        }
        if !self.peer.ip().to_canonical().is_loopback() {
            let signs_in = self.access.token.is_some() && request.uri().path() == SIGN_IN;
            return (!signs_in).then(|| self.unknown(request));
        }
        if names_this_machine(request) {
            return None;
        }
        Some(sentence(
            StatusCode::FORBIDDEN,
            "Without the token this is read under the name localhost, 127.0.0.1 or [::1] only: ask for it by one of these.",
        ))
    }

    /// The answer to a stranger from elsewhere.
    fn unknown(&self, request: &Request) -> Response {
        let answer = if self.access.token.is_some() && request.method() == Method::GET && wants_page(request.headers())
        {
            page::answer(StatusCode::UNAUTHORIZED, page::sign::in_form(&inside(Some(request.uri().path())), None))
        } else {
            sentence(
                StatusCode::UNAUTHORIZED,
                "Reading from another machine needs the header \"Authorization: Bearer TOKEN\" with the token of [status] token_file.",
            )
        };
        ([(header::WWW_AUTHENTICATE, "Bearer realm=\"tubwatch\"")], answer).into_response()
    }
}

/// Whether a person reads the answer.
pub(super) fn wants_page(headers: &HeaderMap) -> bool {
    headers.get(header::ACCEPT).and_then(|value| value.to_str().ok()).is_some_and(|value| value.contains("text/html"))
}

/// Whether a browser sent this from a page of ours. Browsers say where a request began
/// (`Sec-Fetch-Site`; older ones `Origin`); what says neither is no browser of late years, and is
/// then held to what its form carries alone.
pub(super) fn is_from_here(headers: &HeaderMap) -> bool {
    let text = |name: &str| headers.get(name).map(|value| value.to_str().unwrap_or("?"));
    if let Some(site) = text("sec-fetch-site") {
        return site == "same-origin";
    }
    let Some(origin) = text("origin") else { return true };
    let origin = origin.parse::<Uri>().ok();
    let host = text("host").unwrap_or("");
    origin.and_then(|uri| uri.authority().map(|authority| authority.as_str() == host)).unwrap_or(false)
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
            let access = Arc::new(Access { token: token.map(|token| Secret(token.to_owned())), tls: None });
            let visitor = Visitor { peer: peer.parse().unwrap(), access };
            let request = Request::builder().header(header::HOST, "127.0.0.1").header(header::AUTHORIZATION, shown);
            let request = request.body(axum::body::Body::empty()).unwrap();
            let refusal = visitor.refusal(&request, &visitor.access.shown(request.headers()));
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

    #[tokio::test]
    async fn the_form_for_strangers_leads_nowhere_else() {
        for (path, expected) in [("//example.invalid/x", "href=\"/\""), ("/tub/A1", "href=\"/tub/A1\"")] {
            let access = Arc::new(Access { token: Some(Secret("correct".to_owned())), tls: None });
            let visitor = Visitor { peer: "192.0.2.1:5".parse().unwrap(), access };
            let request = Request::builder().uri(path).header(header::ACCEPT, "text/html");
            let request = request.body(axum::body::Body::empty()).unwrap();
            let refusal = visitor.refusal(&request, &Shown::Nothing).unwrap();
            let page = axum::body::to_bytes(refusal.into_body(), 1 << 20).await.unwrap();
            let page = String::from_utf8(page.to_vec()).unwrap();
            assert!(page.contains(expected) && !page.contains("example.invalid"), "{page}");
        }
    }

    #[test]
    fn a_write_begins_on_a_page_of_ours() {
        for (headers, expected) in [
            (&[][..], true),
            (&[("sec-fetch-site", "same-origin")], true),
            (&[("sec-fetch-site", "same-site")], false),
            (&[("sec-fetch-site", "cross-site")], false),
            (&[("sec-fetch-site", "none")], false),
            (&[("origin", "http://192.0.2.7:8750")], true),
            (&[("origin", "http://192.0.2.7:8751")], false),
            (&[("origin", "https://example.invalid")], false),
            (&[("origin", "null")], false),
            (&[("origin", "http://192.0.2.7:8750"), ("sec-fetch-site", "cross-site")], false),
        ] {
            let mut map = HeaderMap::new();
            map.insert("host", HeaderValue::from_static("192.0.2.7:8750"));
            for (name, value) in headers {
                map.insert(*name, HeaderValue::from_static(value));
            }
            assert_eq!(is_from_here(&map), expected, "{headers:?}");
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
