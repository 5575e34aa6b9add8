//! `GET /series.csv`: one series as CSV, streamed.
//!
//! In: a query, and a `SeriesSource` that hands out judged, corrected readings in time order. Out:
//! `time,value,quality` (a mark stands beside the quality, after a space), or with `every` `time,mean,min,max,count` of the good ones. Times are RFC
//! 3339 in UTC. Memory is bounded by a few blocks however long the series; a reader that stalls ends
//! the reading. Compressed on the way where the reader takes that, and not sent again to who has it: the
//! tag is made of what the answer depends on. Left out: where the readings come from.

use std::ops::ControlFlow;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::http::{HeaderMap, HeaderName, StatusCode, header};
use axum::response::{IntoResponse, Response};
use chrono::{Datelike, NaiveDate};
use chrono_tz::Tz;
use flate2::Compression;
use flate2::write::GzEncoder;
use http_body_util::channel::{Channel, Sender};
use tokio::runtime::Handle;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, oneshot};

use super::archive::{Archive, SeriesFault};
use super::guard::sentence;
use super::pack;
use super::snapshot::Snapshot;
use crate::climate::quantity::with_mark;
use crate::climate::stamp::{DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS};
use crate::climate::{Quantity, Reading, Stamp};
use crate::grow::moment;
use crate::store::summary::{QUARTER_MS, Quarter};

/// Series read at a time: each holds a thread and a read of the store.
const READERS_MAX: usize = 4;
/// Bytes gathered before they are sent: large enough to be cheap, small enough for any machine.
const BLOCK_BYTES: usize = 16 * 1024;
/// Blocks that may wait for the reader.
const BLOCKS_WAITING_MAX: usize = 4;
/// A reader that takes no block for so long is given up, so that the store's read ends.
const READER_PATIENCE: Duration = Duration::from_secs(30);
/// The shortest summary; below it there is nothing to sum up.
const EVERY_MIN_MS: i64 = SECOND_MS;
/// The longest.
const EVERY_MAX_MS: i64 = 366 * DAY_MS;

/// What was asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Ask {
    probe: String,
    quantity: Quantity,
    from: Stamp,
    to: Stamp,
    every_ms: Option<i64>,
}

/// How the reader wants it.
struct Manner {
    /// Tags of answers it has.
    known: Vec<String>,
    /// Samples of the probe that are stored, by the snapshot: at least so many are read.
    samples: Option<u64>,
}

/// What an answer begins with.
enum Opening {
    /// It follows, under this tag where it has one.
    Whole(Option<String>),
    /// The reader has it.
    Known(String),
}

/// Answers from one source, a bounded number at a time.
#[derive(Clone)]
pub(super) struct Reader {
    source: Arc<dyn Archive>,
    places: Arc<Semaphore>,
}

impl Reader {
    pub(super) fn new(source: Arc<dyn Archive>) -> Reader {
        Reader { source, places: Arc::new(Semaphore::new(READERS_MAX)) }
    }

    pub(super) async fn answer(
        &self,
        query: &[(String, String)],
        snapshot: &Snapshot,
        now: Stamp,
        headers: &HeaderMap,
    ) -> Response {
        let timezone = snapshot.inner.timezone;
        let ask = match Ask::parse(query, timezone, now) {
            Ok(ask) => ask,
            Err(wrong) => return sentence(StatusCode::BAD_REQUEST, &wrong),
        };
        let Ok(place) = Arc::clone(&self.places).acquire_owned().await else {
            return sentence(StatusCode::SERVICE_UNAVAILABLE, "The daemon is stopping.");
        };
        let probe = snapshot.probes.iter().find(|probe| probe.name == ask.probe);
        let gzip = pack::takes_gzip(headers);
        let manner = Manner { known: pack::known(headers), samples: probe.map(|probe| probe.samples) };
        let (sender, body) = Channel::new(BLOCKS_WAITING_MAX);
        let (opened, is_open) = oneshot::channel();
        let source = Arc::clone(&self.source);
        let head = if ask.every_ms.is_some() { "time,mean,min,max,count\r\n" } else { "time,value,quality\r\n" };
        let out = Out::new(head, sender, opened, gzip);
        // Ends by itself: at the series' end, or when the answer is dropped.
        tokio::task::spawn_blocking(move || write(&*source, &ask, timezone, &manner, out, place));
        match is_open.await {
            Ok(Ok(opening)) => begun(opening, body, gzip),
            Ok(Err(SeriesFault::Unknown(why))) => sentence(StatusCode::NOT_FOUND, &why),
            Ok(Err(SeriesFault::Store(why))) => sentence(StatusCode::SERVICE_UNAVAILABLE, &why),
            Err(_) => sentence(StatusCode::SERVICE_UNAVAILABLE, "The series could not be read; ask again."),
        }
    }
}

fn begun(opening: Opening, body: Channel<Bytes, SeriesBroken>, gzip: bool) -> Response {
    let (status, tag) = match opening {
        Opening::Whole(tag) => (StatusCode::OK, tag),
        Opening::Known(tag) => (StatusCode::NOT_MODIFIED, Some(tag)),
    };
    let whole = status == StatusCode::OK;
    let tagged = tag.map(|tag| [(header::ETAG, tag), (header::CACHE_CONTROL, "private, no-cache".to_owned())]);
    let content: [Option<(HeaderName, &str)>; 3] = [
        Some((header::VARY, "Accept-Encoding")),
        whole.then_some((header::CONTENT_TYPE, "text/csv; charset=utf-8; header=present")),
        (whole && gzip).then_some((header::CONTENT_ENCODING, "gzip")),
    ];
    let headers = content.into_iter().flatten().map(|(name, value)| (name, value.to_owned()));
    let headers: Vec<_> = headers.chain(tagged.into_iter().flatten()).collect();
    let mut response = if whole { Body::new(body).into_response() } else { status.into_response() };
    for (name, value) in headers {
        if let Ok(value) = value.parse() {
            response.headers_mut().insert(name, value);
        }
    }
    response
}

impl Ask {
    fn parse(query: &[(String, String)], timezone: Tz, now: Stamp) -> Result<Ask, String> {
        const KEYS: [&str; 5] = ["probe", "quantity", "from", "to", "every"];
        for (position, (key, _)) in query.iter().enumerate() {
            if !KEYS.contains(&key.as_str()) {
                return Err(format!("/series.csv knows no \"{key}\"; it takes {}.", KEYS.join(", ")));
            }
            if query[..position].iter().any(|(earlier, _)| earlier == key) {
                return Err(format!("\"{key}\" is given twice; give it once."));
            }
        }
        let given = |key: &str| query.iter().find(|(name, _)| name == key).map(|(_, value)| value.as_str());
        let needed = |key: &str| {
            given(key).filter(|value| !value.is_empty()).ok_or_else(|| {
                format!("\"{key}\" is missing: /series.csv?probe=P&quantity=Q&from=T&to=T, and every=1h if wanted.")
            })
        };
        let probe = needed("probe")?.to_owned();
        let word = needed("quantity")?;
        let quantity = Quantity::from_word(word).ok_or_else(|| {
            format!("No quantity is called \"{word}\"; there are {}.", Quantity::ALL.map(Quantity::word).join(", "))
        })?;
        let time = |key: &str| {
            let text = plus_restored(needed(key)?);
            moment::parse(&text, timezone, now).map(|moment| moment.at).map_err(|wrong| format!("{key}: {wrong}."))
        };
        let (from, to) = (time("from")?, time("to")?);
        if from > to {
            return Err("\"from\" is later than \"to\"; swap them.".to_owned());
        }
        let every_ms = given("every").map(every).transpose()?;
        Ok(Ask { probe, quantity, from, to, every_ms })
    }
}

/// In a query a `+` is a space: `2026-11-20T10:00:00 01:00` was meant to have an offset.
fn plus_restored(text: &str) -> String {
    match text.rsplit_once(' ') {
        Some((time, offset)) if time.contains('T') && offset.contains(':') => format!("{time}+{offset}"),
        _ => text.to_owned(),
    }
}

fn every(text: &str) -> Result<i64, String> {
    let split = text.find(|letter: char| !letter.is_ascii_digit()).unwrap_or(text.len());
    let (count, unit) = text.split_at(split);
    let unit_ms = match unit {
        "s" => Some(SECOND_MS),
        "min" => Some(MINUTE_MS),
        "h" => Some(HOUR_MS),
        "d" => Some(DAY_MS),
        _ => None,
    };
    let every = unit_ms.and_then(|unit_ms| count.parse::<i64>().ok()?.checked_mul(unit_ms));
    every.filter(|ms| (EVERY_MIN_MS..=EVERY_MAX_MS).contains(ms)).ok_or_else(|| {
        format!("\"every\" is \"{text}\"; write a duration from 1s to 366d, such as 10s, 5min, 1h or 1d.")
    })
}

/// The sending end, on the blocking side.
struct Out {
    head: Option<&'static str>,
    block: Vec<u8>,
    /// Where blocks go through, if they are compressed.
    gzip: Option<GzEncoder<Vec<u8>>>,
    tag: Option<String>,
    sender: Sender<Bytes, SeriesBroken>,
    handle: Handle,
    /// Until something is known to be readable: the answer's status depends on it.
    opened: Option<oneshot::Sender<Result<Opening, SeriesFault>>>,
}

/// The store failed in the middle; the answer is cut, so that half a series is not taken for a whole.
#[derive(Debug, thiserror::Error)]
#[error("the series could not be read to its end: {0}")]
struct SeriesBroken(String);

impl Out {
    fn new(
        head: &'static str,
        sender: Sender<Bytes, SeriesBroken>,
        opened: oneshot::Sender<Result<Opening, SeriesFault>>,
        gzip: bool,
    ) -> Out {
        let gzip = gzip.then(|| GzEncoder::new(Vec::new(), Compression::fast()));
        let (head, handle) = (Some(head), Handle::current());
        Out { head, block: Vec::new(), gzip, tag: None, sender, handle, opened: Some(opened) }
    }

    /// The header, if it has not been written.
    fn begin(&mut self) -> ControlFlow<()> {
        if let Some(opened) = self.opened.take()
            && opened.send(Ok(Opening::Whole(self.tag.take()))).is_err()
        {
            return ControlFlow::Break(());
        }
        if let Some(head) = self.head.take() {
            self.block.extend_from_slice(head.as_bytes());
        }
        ControlFlow::Continue(())
    }

    fn line(&mut self, line: std::fmt::Arguments<'_>) -> ControlFlow<()> {
        self.begin()?;
        // Into memory: it cannot fail.
        let _ = std::io::Write::write_fmt(&mut self.block, format_args!("{line}\r\n"));
        if self.block.len() < BLOCK_BYTES {
            return ControlFlow::Continue(());
        }
        let block = std::mem::take(&mut self.block);
        match &mut self.gzip {
            None => self.send(block),
            Some(gzip) => {
                let _ = std::io::Write::write_all(gzip, &block);
                // It gives something every few blocks.
                let packed = std::mem::take(gzip.get_mut());
                if packed.is_empty() { ControlFlow::Continue(()) } else { self.send(packed) }
            }
        }
    }

    /// The last block; if nobody takes it there is nobody to tell.
    fn end(mut self) {
        let mut block = std::mem::take(&mut self.block);
        if let Some(mut gzip) = self.gzip.take() {
            let _ = std::io::Write::write_all(&mut gzip, &block);
            block = gzip.finish().unwrap_or_default();
        }
        let _ = self.send(block);
    }

    fn send(&mut self, block: Vec<u8>) -> ControlFlow<()> {
        let Self { sender, handle, .. } = self;
        let block = Bytes::from(block);
        let sent = handle.block_on(async { tokio::time::timeout(READER_PATIENCE, sender.send_data(block)).await });
        if matches!(sent, Ok(Ok(()))) { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
    }
}

/// The tag of what is asked for, by what it depends on; none where that cannot be told.
fn tag(source: &dyn Archive, ask: &Ask, timezone: Tz, samples: Option<u64>) -> Option<String> {
    let reader = source.reader().ok()?;
    let print = reader.fingerprint(&ask.probe, ask.quantity, ask.from, ask.to).ok().flatten()?;
    let live = if print.is_live { Some(samples?) } else { None };
    let version = env!("CARGO_PKG_VERSION");
    let text = format!("{version} {} {live:?} {:?} {timezone:?}", print.text, ask.every_ms);
    Some(pack::tag_of(text.as_bytes()))
}

fn write(source: &dyn Archive, ask: &Ask, timezone: Tz, manner: &Manner, mut out: Out, _place: OwnedSemaphorePermit) {
    let tag = tag(source, ask, timezone, manner.samples);
    if let Some(tag) = tag.clone().filter(|tag| manner.known.contains(tag)) {
        if let Some(opened) = out.opened.take() {
            drop(opened.send(Ok(Opening::Known(tag))));
        }
        return;
    }
    out.tag = tag;
    let mut window = Window { every_ms: ask.every_ms.unwrap_or_default(), timezone, open: None };
    let mut gone = false;
    let (probe, quantity, from, to) = (&ask.probe, ask.quantity, ask.from, ask.to);
    let mut note = |flow: ControlFlow<()>| {
        gone = flow.is_break();
        flow
    };
    let result = match ask.every_ms {
        None => source.read(probe, quantity, from, to, &mut |Reading { at, value, quality }, clock_unsure| {
            let quality = with_mark(quality, clock_unsure);
            note(out.line(format_args!("{},{},{quality}", at.rfc3339_exact(), Shown(value))))
        }),
        // What no quarter-hour's border cuts is made of quarter-hours.
        Some(every_ms) if every_ms % QUARTER_MS == 0 => source.sums(probe, quantity, from, to, &mut |sum| {
            let closed = window.push(sum);
            note(closed.map_or(ControlFlow::Continue(()), |sum| out.line(format_args!("{sum}"))))
        }),
        Some(_) => source.read(probe, quantity, from, to, &mut |reading, _| {
            let closed = Quarter::of_good(&reading).and_then(|sum| window.push(sum));
            note(closed.map_or(ControlFlow::Continue(()), |sum| out.line(format_args!("{sum}"))))
        }),
    };
    if gone {
        return;
    }
    match result {
        Ok(()) => finish(out, window),
        Err(fault) => match out.opened.take() {
            Some(opened) => drop(opened.send(Err(fault))),
            None => {
                let (SeriesFault::Unknown(why) | SeriesFault::Store(why)) = fault;
                out.sender.abort(SeriesBroken(why));
            }
        },
    }
}

fn finish(mut out: Out, window: Window) {
    let flow = match window.open {
        Some(sum) => out.line(format_args!("{sum}")),
        None => out.begin(),
    };
    if flow.is_continue() {
        out.end();
    }
}

/// A value as it was stored; what was no number is left empty.
struct Shown(f64);

impl std::fmt::Display for Shown {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // A correction leaves binary noise (23.400000000000002); nine decimals keep every real digit.
        let rounded = crate::watch::view::rounded(self.0, 9);
        if rounded.is_finite() { write!(formatter, "{rounded}") } else { Ok(()) }
    }
}

/// Sums readings up: whole days are local calendar days, shorter stretches count from midnight UTC.
struct Window {
    every_ms: i64,
    timezone: Tz,
    open: Option<Sum>,
}

struct Sum {
    end: Stamp,
    of: Quarter,
}

impl Window {
    /// Takes the next reading or quarter-hour; gives the sum before it, if that is complete now.
    fn push(&mut self, part: Quarter) -> Option<Sum> {
        if let Some(sum) = self.open.as_mut().filter(|sum| part.start < sum.end) {
            sum.of.add(&part);
            return None;
        }
        let (start, end) = self.around(part.start);
        self.open.replace(Sum { end, of: Quarter { start, ..part } })
    }

    fn around(&self, at: Stamp) -> (Stamp, Stamp) {
        if self.every_ms % DAY_MS != 0 {
            let start = Stamp(at.0 - at.0.rem_euclid(self.every_ms));
            return (start, start.plus(self.every_ms));
        }
        let days = i32::try_from(self.every_ms / DAY_MS).unwrap_or(i32::MAX);
        let day = moment::local_day(at, self.timezone).num_days_from_ce();
        let first = day - day.rem_euclid(days);
        let midnight =
            |day: i32| NaiveDate::from_num_days_from_ce_opt(day).map(|day| moment::start_of_day(day, self.timezone));
        (midnight(first).unwrap_or(at), midnight(first.saturating_add(days)).unwrap_or(at.plus(self.every_ms)))
    }
}

impl std::fmt::Display for Sum {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Quarter { start, count, min, max, .. } = self.of;
        let mean = crate::watch::view::rounded(self.of.mean(), 4);
        write!(formatter, "{},{},{},{},{count}", start.rfc3339(), Shown(mean), Shown(min), Shown(max))
    }
}
