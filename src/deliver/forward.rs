//! Sending line protocol to a time-series database over HTTP, and what its answers mean.
//!
//! In: a batch of lines. Out: how many were taken and how many refused for good, with the server's
//! words, once it has answered. A batch is gzipped; what a server is too busy for, or cannot be
//! reached for, is tried again for ever with growing pauses, nothing being given up. Points are made
//! unique by their tags and time, so that one sent twice is there once. Left out: what is sent and
//! in which order (`position`, and the engine's forwarding).

pub mod position;

use std::io::Write;
use std::time::Duration;

use axum::body::Bytes;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, Request, Response, StatusCode, Uri, header};
use flate2::Compression;
use flate2::write::GzEncoder;
use http_body_util::{BodyExt, Full};
use rand::Rng;

use super::http::{HttpClient, client, origin, unreached};
use crate::config::plan::ForwardPlan;

/// The longest one batch may take, answer included: a database on a card is slow.
const ONE_TRY: Duration = Duration::from_secs(60);
/// The first pause after a failure; doubled each time, shortened by up to half at random.
const PAUSE_FIRST: Duration = Duration::from_secs(1);
/// The longest pause: how late the end of an outage may be noticed.
const PAUSE_LONGEST: Duration = Duration::from_secs(60);
/// The longest pause that a server may ask for.
const RETRY_AFTER_LONGEST: Duration = Duration::from_secs(60 * 60);
/// What is read of an answer's body: its words on what was refused.
const ANSWER_BYTES_MAX: usize = 16 * 1024;
/// Different reasons for refused points that are told of one batch.
const REASONS_MAX: usize = 4;
/// Characters of the server's words that are repeated in the log.
const WORDS_MAX: usize = 300;

/// Lines that go in one request.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Batch {
    /// The lines, each ended by a newline.
    pub lines: Vec<u8>,
    /// How many.
    pub count: u64,
}

/// What became of a batch.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Taken {
    /// Points that are in the database.
    pub points: u64,
    /// Points that it will never take.
    pub refused: u64,
    /// Its words on them, each once, a few at most.
    pub words: Vec<String>,
}

enum Answer {
    Taken,
    /// All but so many are in.
    Partly(u64, String),
    /// Too large, or a line in it is wrong: smaller pieces may go.
    TooMuch(String),
    /// Later.
    Later(String, Option<Duration>),
}

/// One target, ready to be posted to.
pub struct Target {
    uri: Uri,
    headers: HeaderMap,
    client: HttpClient,
}

impl Target {
    /// Prepares a target; reads the machine's own roots where its address is https.
    ///
    /// # Errors
    /// One plain sentence where its address or a header cannot be used.
    pub fn new(plan: &ForwardPlan) -> Result<Target, String> {
        let uri: Uri = plan.url.0.parse().map_err(|_| "its address is no URL; mend url".to_owned())?;
        let mut headers = HeaderMap::new();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/plain; charset=utf-8"));
        headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
        headers.insert(header::USER_AGENT, HeaderValue::from_static(concat!("tubwatch/", env!("CARGO_PKG_VERSION"))));
        for (name, value) in &plan.headers {
            let name = HeaderName::from_bytes(name.as_bytes()).map_err(|_| "headers_file: a name is no header's")?;
            let mut value = HeaderValue::from_str(&value.0)
                .map_err(|_| format!("headers_file: the value of {name} has a letter that a header cannot carry"))?;
            value.set_sensitive(true);
            headers.insert(name, value);
        }
        let client = client(uri.scheme_str() == Some("https"))?;
        Ok(Target { uri, headers, client })
    }

    /// Sends `batch` until it is answered for good. `trouble` is told why each time it must wait.
    pub async fn send(&self, batch: Batch, mut trouble: impl FnMut(&str)) -> Taken {
        let mut taken = Taken::default();
        // Halves of what was too much, the earliest last.
        let mut pieces = vec![batch];
        let mut pause = PAUSE_FIRST;
        while let Some(piece) = pieces.pop() {
            match self.post(&piece).await {
                Answer::Taken => taken.points += piece.count,
                Answer::Partly(refused, words) => {
                    let refused = refused.clamp(1, piece.count);
                    taken.points += piece.count - refused;
                    taken.refuse(refused, words);
                }
                Answer::TooMuch(words) if piece.count <= 1 => taken.refuse(piece.count, words),
                Answer::TooMuch(_) => pieces.extend(halves(&piece)),
                Answer::Later(why, asked) => {
                    trouble(&why);
                    let jittered = pause.mul_f64(rand::rng().random_range(0.5..=1.0));
                    // Who asks for no pause at all is given one all the same.
                    let asked = asked.unwrap_or_default().min(RETRY_AFTER_LONGEST);
                    tokio::time::sleep(asked.max(jittered)).await;
                    pause = (pause * 2).min(PAUSE_LONGEST);
                    pieces.push(piece);
                    continue;
                }
            }
            pause = PAUSE_FIRST;
        }
        taken
    }

    async fn post(&self, batch: &Batch) -> Answer {
        let mut request = Request::new(Full::new(Bytes::from(gzipped(&batch.lines))));
        *request.method_mut() = Method::POST;
        *request.uri_mut() = self.uri.clone();
        *request.headers_mut() = self.headers.clone();
        let exchange = async {
            let answer = self.client.request(request).await.map_err(|error| unreached(&self.uri, &error))?;
            Ok((answer.status(), answer.headers().get(header::RETRY_AFTER).cloned(), words(answer).await))
        };
        match tokio::time::timeout(ONE_TRY, exchange).await {
            Ok(Ok((status, retry_after, words))) => self.judge(status, retry_after.as_ref(), &words, batch.count),
            Ok(Err(why)) => Answer::Later(why, None),
            Err(_) => {
                Answer::Later(format!("{} gave no answer within {} s", origin(&self.uri), ONE_TRY.as_secs()), None)
            }
        }
    }

    fn judge(&self, status: StatusCode, retry_after: Option<&HeaderValue>, words: &str, count: u64) -> Answer {
        if status.is_success() {
            return Answer::Taken;
        }
        let said = format!("{} answered {status}{}", origin(&self.uri), shown(words));
        match status {
            StatusCode::BAD_REQUEST | StatusCode::UNPROCESSABLE_ENTITY if words.contains("partial write") => {
                // The rest is in; how many are not stands in its words, else it cannot be known.
                Answer::Partly(dropped(words).unwrap_or(count), said)
            }
            StatusCode::BAD_REQUEST | StatusCode::UNPROCESSABLE_ENTITY | StatusCode::PAYLOAD_TOO_LARGE => {
                Answer::TooMuch(said)
            }
            _ => {
                let seconds = retry_after.and_then(|value| value.to_str().ok()?.trim().parse().ok());
                let hint = match status {
                    StatusCode::UNAUTHORIZED | StatusCode::FORBIDDEN => "; look at the password or the headers_file",
                    StatusCode::NOT_FOUND => "; look at the url, and whether its database is there",
                    _ => "",
                };
                Answer::Later(format!("{said}{hint}"), seconds.map(Duration::from_secs))
            }
        }
    }
}

impl Taken {
    fn refuse(&mut self, count: u64, words: String) {
        self.refused += count;
        if self.words.len() < REASONS_MAX && !self.words.contains(&words) {
            self.words.push(words);
        }
    }
}

/// The two halves of `batch`, the later one first.
fn halves(batch: &Batch) -> [Batch; 2] {
    let lines: Vec<&[u8]> = batch.lines.split_inclusive(|byte| *byte == b'\n').collect();
    let (first, second) = lines.split_at(lines.len() / 2);
    [second, first].map(|lines| Batch { lines: lines.concat(), count: lines.len() as u64 })
}

fn gzipped(lines: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::with_capacity(lines.len() / 8), Compression::fast());
    // Writing to memory cannot fail.
    let _ = encoder.write_all(lines);
    encoder.finish().unwrap_or_default()
}

async fn words<B: axum::body::HttpBody<Data = Bytes> + Unpin>(answer: Response<B>) -> String {
    let mut body = answer.into_body();
    let mut bytes = Vec::new();
    while let Some(Ok(frame)) = body.frame().await {
        bytes.extend(frame.data_ref().into_iter().flatten());
        if bytes.len() >= ANSWER_BYTES_MAX {
            break;
        }
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

/// The server's own words, cut and printable; empty where it said nothing.
fn shown(words: &str) -> String {
    let plain: String = words.trim().chars().filter(|letter| !letter.is_control()).take(WORDS_MAX).collect();
    if plain.is_empty() { plain } else { format!(": {plain}") }
}

/// The number after "dropped=".
fn dropped(words: &str) -> Option<u64> {
    let (_, rest) = words.split_once("dropped=")?;
    let digits: String = rest.chars().take_while(char::is_ascii_digit).collect();
    digits.parse().ok().filter(|count| *count > 0)
}
