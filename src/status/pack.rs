//! Answers made smaller: nothing where the reader has it already, gzip where it is taken.
//!
//! In: a request's `If-None-Match` and `Accept-Encoding`, and a whole answer. Out: 304 without a body,
//! or the same body under an entity tag, compressed where that pays (RFC 9110, sections 8.8.3, 12.5.3
//! and 13.1.2). Left out: streams, which have no end to take a tag of (`series` has one of its own).

use std::io::Write;

use axum::body::{Body, HttpBody};
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use flate2::Compression;
use flate2::write::GzEncoder;

/// Smaller bodies fit one packet as they are.
const GZIP_FROM_BYTES: usize = 1_200;
/// Larger ones are not held in memory; none of ours is.
const WHOLE_BYTES_MAX: usize = 8 * 1024 * 1024;

/// Answers a GET as briefly as the reader allows.
pub(super) async fn pack(request: Request, next: Next) -> Response {
    let asks = request.method() == Method::GET;
    let (knows, gzip) = (known(request.headers()), takes_gzip(request.headers()));
    let response = next.run(request).await;
    let size = response.body().size_hint().exact();
    let whole = size.is_some_and(|size| size > 0 && size <= WHOLE_BYTES_MAX as u64);
    if !asks || response.status() != StatusCode::OK || !whole {
        return response;
    }
    let (mut parts, body) = response.into_parts();
    let Ok(bytes) = axum::body::to_bytes(body, WHOLE_BYTES_MAX).await else {
        return StatusCode::INTERNAL_SERVER_ERROR.into_response();
    };
    let tag = tag_of(&bytes);
    if let Ok(value) = HeaderValue::from_str(&tag) {
        parts.headers.insert(header::ETAG, value);
    }
    parts.headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("private, no-cache"));
    parts.headers.append(header::VARY, HeaderValue::from_static("Accept-Encoding"));
    if knows.iter().any(|known| known == "*" || *known == tag) {
        parts.status = StatusCode::NOT_MODIFIED;
        parts.headers.remove(header::CONTENT_TYPE);
        parts.headers.remove(header::CONTENT_LENGTH);
        return Response::from_parts(parts, Body::empty());
    }
    if gzip && bytes.len() >= GZIP_FROM_BYTES {
        let mut encoder = GzEncoder::new(Vec::with_capacity(bytes.len() / 3), Compression::fast());
        if encoder.write_all(&bytes).is_ok()
            && let Ok(packed) = encoder.finish()
        {
            parts.headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
            parts.headers.remove(header::CONTENT_LENGTH);
            return Response::from_parts(parts, Body::from(packed));
        }
    }
    Response::from_parts(parts, Body::from(bytes))
}

/// An entity tag; weak: the same whether compressed or not.
pub(super) fn tag_of(bytes: &[u8]) -> String {
    let digest = ring::digest::digest(&ring::digest::SHA256, bytes);
    let tag: String = digest.as_ref()[..12].iter().map(|byte| format!("{byte:02x}")).collect();
    format!("W/\"{tag}\"")
}

/// The tags of answers that the reader has.
pub(super) fn known(headers: &HeaderMap) -> Vec<String> {
    let all = headers.get_all(header::IF_NONE_MATCH).iter().filter_map(|value| value.to_str().ok());
    let tags = all.flat_map(|line| line.split(',')).map(str::trim);
    tags.map(|tag| if tag.starts_with('"') { format!("W/{tag}") } else { tag.to_owned() }).collect()
}

/// Whether the reader takes gzip.
pub(super) fn takes_gzip(headers: &HeaderMap) -> bool {
    let all = headers.get_all(header::ACCEPT_ENCODING).iter().filter_map(|value| value.to_str().ok());
    all.flat_map(|line| line.split(',')).any(|part| {
        let (name, weight) = part.split_once(';').unwrap_or((part, ""));
        let refused = weight.replace(' ', "").strip_prefix("q=").is_some_and(|q| q.parse::<f64>() == Ok(0.0));
        name.trim().eq_ignore_ascii_case("gzip") && !refused
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn gzip_only_for_who_takes_it() {
        for (text, expected) in [
            ("gzip", true),
            ("br, gzip;q=0.5", true),
            ("gzip;q=0", false),
            ("gzip; q=0.0", false),
            ("", false),
            ("identity", false),
        ] {
            let mut headers = HeaderMap::new();
            headers.insert(header::ACCEPT_ENCODING, HeaderValue::from_str(text).unwrap());
            assert_eq!(takes_gzip(&headers), expected, "{text}");
        }
    }
}
