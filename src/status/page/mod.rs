//! The pages a person reads, from top to bottom, on a phone, with wet hands.
//!
//! In: a snapshot, what is stored. Out: HTML that works without scripts and asks for nothing else: its
//! one style sheet and its one script stand inside it, and the content security policy lets in exactly
//! these two, by their SHA-256 (CSP level 2). Words carry the meaning, not colours.

pub(super) mod alert;
pub(super) mod charts;
mod evening;
pub(super) mod heat;
pub(super) mod home;
pub(super) mod log;
pub(super) mod sign;
pub(super) mod space;
pub(super) mod tub;

use std::sync::LazyLock;

use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("script.js");

/// How often a page without scripts reads itself anew, seconds.
const READ_ANEW_S: u32 = 60;

/// Lets in the style sheet and the script of these pages, forms that lead back here, and nothing else.
static POLICY: LazyLock<String> = LazyLock::new(|| {
    format!(
        "default-src 'none'; style-src 'sha256-{}'; script-src 'sha256-{}'; connect-src 'self'; img-src data:; \
         form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
        digest(STYLE),
        digest(SCRIPT)
    )
});

fn digest(text: &str) -> String {
    base64(ring::digest::digest(&ring::digest::SHA256, text.as_bytes()).as_ref())
}

/// RFC 4648, section 4.
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::new();
    for group in bytes.chunks(3) {
        let joined = group.iter().fold(0_u32, |joined, byte| joined << 8 | u32::from(*byte)) << (8 * (3 - group.len()));
        for place in 0..4 {
            let letter = LETTERS[(joined >> (18 - 6 * place) & 63) as usize];
            out.push(if place <= group.len() { char::from(letter) } else { '=' });
        }
    }
    out
}

/// A page's text before it becomes an answer.
pub(super) struct Page {
    /// The title.
    pub(super) title: String,
    /// Everything the reader reads.
    pub(super) main: Markup,
    /// It is of now: it reads itself anew.
    pub(super) is_live: bool,
}

/// The page as an answer.
pub(super) fn answer(status: StatusCode, page: Page) -> Response {
    let headers = [
        (header::CONTENT_TYPE, "text/html; charset=utf-8"),
        (header::CONTENT_SECURITY_POLICY, POLICY.as_str()),
        (header::VARY, "Cookie"),
    ];
    (status, headers, whole(&page)).into_response()
}

fn whole(page: &Page) -> String {
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                @if page.is_live { noscript { meta http-equiv="refresh" content=(READ_ANEW_S); } }
                title { (page.title) }
                link rel="icon" href="data:,";
                style { (PreEscaped(STYLE)) }
            }
            body {
                main data-live[page.is_live] { (page.main) }
                footer {
                    p { "tubwatch is a monitor, no safety device: every heater needs its own thermostat and its own thermal cut-out. Local codes and licensed practice come first." }
                    p.small { "For programs: " a href="/openapi.json" { "what may be asked" } ", " a href="/status.json" { "status" } ", " a href="/metrics" { "metrics" } ", " a href="/health" { "health" } "." }
                }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    };
    markup.into_string()
}

/// A page of one sentence.
pub(super) fn sentence(title: &str, text: &str, back: &str) -> Page {
    let main = html! {
        h1 { (title) }
        p { (text) }
        p { a.key href=(back) { "Back" } }
    };
    Page { title: title.to_owned(), main, is_live: false }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_as_in_rfc_4648_section_10() {
        for (text, expected) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(text.as_bytes()), expected);
        }
    }
}
