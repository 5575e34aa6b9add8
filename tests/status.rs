//! The status endpoint over a real socket: what it shows, to whom, and whom it cuts.
#![allow(clippy::unwrap_used, clippy::panic)]

#[path = "status/exposition.rs"]
mod exposition;
mod harness;
#[path = "status/invented.rs"]
mod invented;

use std::net::SocketAddr;
use std::ops::ControlFlow;
use std::sync::Arc;
use std::time::Duration;

use serde_json::Value;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{broadcast, mpsc, oneshot, watch};

use tubwatch::climate::{Quality, Quantity, Reading, Stamp};
use tubwatch::config::Plan;
use tubwatch::config::plan::Secret;
use tubwatch::status::archive::{Unwritten, Wish, Written};
use tubwatch::status::metrics::{self, Exposition};
use tubwatch::status::{Access, Archive, Inlets, Limits, SeriesFault, SeriesSource, Snapshot, serve_within};
use tubwatch::store::Reader;

/// Longer than anything here takes; reached only when a test fails.
const DEADLINE: Duration = Duration::from_secs(20);

type Take<'a> = &'a mut dyn FnMut(Reading, bool) -> ControlFlow<()>;

/// A source whose probe says what it does: `steady`, `endless`, `broken`; anything else is unknown.
struct Invented {
    ended: mpsc::UnboundedSender<&'static str>,
    plan: Plan,
}

impl Archive for Invented {
    fn plan(&self) -> &Plan {
        &self.plan
    }

    fn reader(&self) -> Result<Reader, SeriesFault> {
        Err(SeriesFault::Store("There is no store behind this test.".to_owned()))
    }

    fn write(&self, _: Wish) -> Result<Written, Unwritten> {
        Err(Unwritten::Store("there is no store behind this test".to_owned()))
    }
}

impl SeriesSource for Invented {
    fn read(&self, probe: &str, quantity: Quantity, from: Stamp, to: Stamp, take: Take<'_>) -> Result<(), SeriesFault> {
        assert_eq!(quantity, Quantity::Temperature);
        let reading = |number: i64| Reading {
            at: from.plus(number * 600_250),
            value: 20.0 + number as f64 / 10.0,
            quality: if number == 2 { Quality::Spike } else { Quality::Good },
        };
        let count = match probe {
            "steady" => 13,
            "empty" => 0,
            "broken" => 5_000,
            "endless" => i64::MAX,
            _ => return Err(SeriesFault::Unknown(format!("No probe is called \"{probe}\"; the nearest is steady."))),
        };
        for reading in (0..count).map(reading).take_while(|reading| probe != "steady" || reading.at < to) {
            let clock_unsure = reading.at == from.plus(3 * 600_250);
            if take(reading, clock_unsure).is_break() {
                let _ = self.ended.send("broke off");
                return Ok(());
            }
        }
        if probe == "broken" { Err(SeriesFault::Store("The store cannot be read.".to_owned())) } else { Ok(()) }
    }
}

/// A running endpoint.
struct Served {
    address: SocketAddr,
    snapshots: watch::Sender<Arc<Snapshot>>,
    ended: mpsc::UnboundedReceiver<&'static str>,
    stop: oneshot::Sender<()>,
    task: tokio::task::JoinHandle<()>,
}

async fn served_within(limits: Limits, snapshot: Snapshot) -> Served {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let (snapshots, latest) = watch::channel(Arc::new(snapshot));
    let (tell, ended) = mpsc::unbounded_channel();
    let (stop, stopped) = oneshot::channel::<()>();
    let access = Access { token: Some(Secret("correct".to_owned())), tls: None };
    let stopped = async move { drop(stopped.await) };
    let plan = harness::plan(Vec::new(), Vec::new(), Vec::new());
    let archive = Arc::new(Invented { ended: tell, plan });
    let inlets = Inlets { snapshots: latest, alerts: broadcast::channel(8).0, archive };
    let task = tokio::spawn(serve_within(limits, listener, inlets, access, stopped));
    Served { address, snapshots, ended, stop, task }
}

async fn served(snapshot: Snapshot) -> Served {
    served_within(Limits::default(), snapshot).await
}

/// One answer, read to its end.
struct Answer {
    status: u16,
    head: String,
    body: String,
}

impl Served {
    async fn send(&self, request: &str) -> TcpStream {
        let mut stream = TcpStream::connect(self.address).await.unwrap();
        stream.write_all(request.as_bytes()).await.unwrap();
        stream
    }

    async fn ask_with(&self, method: &str, path: &str, headers: &str) -> Answer {
        read_whole(self.send(&format!("{method} {path} HTTP/1.1\r\nconnection: close\r\n{headers}\r\n")).await).await
    }

    async fn get(&self, path: &str) -> Answer {
        self.ask_with("GET", path, "host: localhost\r\n").await
    }
}

async fn read_whole(mut stream: TcpStream) -> Answer {
    let mut bytes = Vec::new();
    tokio::time::timeout(DEADLINE, stream.read_to_end(&mut bytes)).await.expect("an answer in time").unwrap();
    let text = String::from_utf8(bytes).unwrap();
    let (head, body) = text.split_once("\r\n\r\n").expect("a head");
    let status = head.split(' ').nth(1).unwrap().parse().unwrap();
    let head = head.to_lowercase();
    let body = if head.contains("transfer-encoding: chunked") { unchunked(body) } else { body.to_owned() };
    Answer { status, head, body }
}

/// Joins the chunks; a body that was cut ends in `(cut)`.
fn unchunked(mut body: &str) -> String {
    let mut whole = String::new();
    while let Some((length, rest)) = body.split_once("\r\n") {
        let length = usize::from_str_radix(length, 16).unwrap();
        if length == 0 {
            return whole;
        }
        let Some((chunk, rest)) = rest.split_at_checked(length) else { break };
        whole.push_str(chunk);
        body = rest.strip_prefix("\r\n").unwrap_or("");
    }
    whole + "(cut)"
}

#[tokio::test]
async fn the_state_is_as_promised() {
    let served = served(invented::promised()).await;
    let answer = served.get("/status.json").await;
    assert_eq!(answer.status, 200);
    assert!(answer.head.contains("content-type: application/json"), "{}", answer.head);
    let promised: Value = serde_json::from_str(include_str!("../fixtures/status/status.json")).unwrap();
    assert_eq!(serde_json::from_str::<Value>(&answer.body).unwrap(), promised);
    // The keys in the promised order too: people read it.
    assert_eq!(answer.body, serde_json::to_string(&promised).unwrap());
}

#[tokio::test]
async fn what_was_never_read_is_null() {
    let served = served(invented::full()).await;
    let state: Value = serde_json::from_str(&served.get("/status.json").await.body).unwrap();
    let attic = &state["spaces"][2];
    for key in
        ["probe", "at", "temperature_c", "humidity_pct", "co2_ppm", "dew_point_c", "vpd_kpa", "absolute_humidity_g_m3"]
    {
        assert_eq!(attic.get(key), Some(&Value::Null), "{key}");
    }
    assert_eq!(state["tubs"][1]["core_c"], Value::Null);
    assert_eq!(state["tubs"][2]["due"], Value::Null);
}

#[tokio::test]
async fn health_names_what_does_not_work() {
    let served = served(invented::promised()).await;
    let answer = served.get("/health").await;
    assert_eq!((answer.status, answer.body.as_str()), (200, "ok\n"));
    served.snapshots.send_modify(|latest| {
        Arc::make_mut(latest).inner.faults = vec!["The store cannot be written.".into(), "Samples\nwait.".into()];
    });
    let answer = served.get("/health").await;
    assert_eq!((answer.status, answer.body.as_str()), (503, "The store cannot be written.\nSamples wait.\n"));
    let Served { address, snapshots, ended, stop, task } = served;
    let (other, _) = watch::channel(Arc::new(Snapshot::default()));
    drop(snapshots);
    let served = Served { address, snapshots: other, ended, stop, task };
    assert!(served.get("/health").await.body.contains("The watches have ended"));
}

#[test]
fn the_test_s_own_reader_of_expositions_is_right() {
    let table = include_str!("../fixtures/status/openmetrics_expositions.csv");
    let mut rows = 0;
    for line in table.lines().skip(1) {
        let (verdict, rest) = line.split_once(',').unwrap();
        let quoted = &rest[rest.find("\"\"\"").unwrap() + 1..rest.rfind('"').unwrap()];
        let text: String = serde_json::from_str(&quoted.replace("\"\"", "\"")).unwrap();
        let read = exposition::read(&text, true);
        assert_eq!(read.is_ok(), verdict == "valid", "{line}: {read:?}");
        rows += 1;
    }
    assert_eq!(rows, 22);
}

fn value(
    samples: &std::collections::BTreeMap<exposition::Key, f64>,
    name: &str,
    labels: &[(&str, &str)],
) -> Option<f64> {
    let labels = labels.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect();
    samples.get(&(name.to_owned(), labels)).copied()
}

#[test]
fn both_expositions_say_the_same_and_keep_the_rules() {
    let mut snapshot = invented::full();
    let hostile = "A\"1\\\n\r{x=\"1\"} é";
    snapshot.tubs[0].name = hostile.to_owned();
    let classic = exposition::read(&metrics::write(&snapshot, Exposition::Classic), false).unwrap();
    let open = exposition::read(&metrics::write(&snapshot, Exposition::Open), true).unwrap();
    assert_eq!(classic, open);
    let shelf = [("space", "shelf"), ("probe", "shelf-air")];
    for (name, labels, expected) in [
        ("tubwatch_temperature_celsius", &shelf[..], 24.1),
        ("tubwatch_relative_humidity_ratio", &shelf, 0.88),
        ("tubwatch_dew_point_celsius", &shelf, 21.99),
        ("tubwatch_vapour_pressure_deficit_pascals", &shelf, 360.0),
        ("tubwatch_tub_core_celsius", &[("tub", hostile)], 28.4),
        ("tubwatch_tub_thermal_time_celsius_seconds", &[("tub", hostile)], 10_477_440.0),
        ("tubwatch_tub_progress_ratio", &[("tub", "B2")], 1.0),
        ("tubwatch_tub_coverage_ratio", &[("tub", hostile)], 0.998),
        ("tubwatch_alerts_active", &[("severity", "critical")], 1.0),
        ("tubwatch_alerts_active", &[("severity", "warning")], 1.0),
        ("tubwatch_alerts_active", &[("severity", "advice")], 0.0), // returned: its condition is over
        ("tubwatch_samples_total", &[("source", "house")], 118_224.0),
        ("tubwatch_samples_refused_total", &[("source", "usb"), ("reason", "half-line")], 1.0),
        ("tubwatch_commit_seconds_bucket", &[("le", "1.0")], 256.0),
        ("tubwatch_commit_seconds_bucket", &[("le", "+Inf")], 257.0),
        ("tubwatch_commit_seconds_count", &[], 257.0),
        ("tubwatch_commit_seconds_sum", &[], 4.25),
        ("tubwatch_outbox_waiting", &[("messenger", "bell")], 2.0),
        ("tubwatch_written_bytes_total", &[], 23_500_000.0),
    ] {
        assert_eq!(value(&open, name, labels), Some(expected), "{name} {labels:?}");
    }
    // The tent's probe is silent: its last reading must not pass for the present one.
    assert!(!open.keys().any(|(_, labels)| labels.contains(&("space".to_owned(), "tent".to_owned()))));
    // With the tent heard there is carbon dioxide to tell.
    snapshot.probes[2].health = "reporting";
    let open = exposition::read(&metrics::write(&snapshot, Exposition::Open), true).unwrap();
    assert_eq!(value(&open, "tubwatch_co2_ppm", &[("space", "tent"), ("probe", "tent-air")]), Some(870.0));
    assert!(exposition::read(&metrics::write(&Snapshot::default(), Exposition::Open), true).is_ok());
}

#[tokio::test]
async fn the_exposition_is_the_one_asked_for() {
    let served = served(invented::full()).await;
    for (accept, is_open) in [
        ("", false),
        ("accept: text/plain\r\n", false),
        ("accept: application/openmetrics-text;version=1.0.0;q=0.8,text/plain;q=0.5\r\n", true),
        ("accept: application/openmetrics-text;q=0,text/plain\r\n", false),
        ("accept: text/html\r\naccept: application/openmetrics-text\r\n", true),
    ] {
        let answer = served.ask_with("GET", "/metrics", &format!("host: localhost\r\n{accept}")).await;
        let kind = if is_open { metrics::OPEN_TYPE } else { metrics::CLASSIC_TYPE };
        assert!(answer.head.contains(&format!("content-type: {kind}")), "{accept}: {}", answer.head);
        assert!(exposition::read(&answer.body, is_open).is_ok(), "{accept}");
    }
}

#[tokio::test]
async fn the_page_says_in_words_what_is_and_asks_for_nothing_else() {
    let mut snapshot = invented::full();
    snapshot.tubs[2].name = "<script>alert(1)</script>\"'&".to_owned();
    let served = served(snapshot).await;
    let answer = served.get("/").await;
    let mut from = 0;
    for heading in ["Wrong now", "Air", "Tubs", "Doubtful probes", "This machine"] {
        from += answer.body[from..].find(&format!("<h2>{heading}</h2>")).unwrap_or_else(|| panic!("{heading}"));
    }
    for said in [
        "Warning: <a href=\"/tub/A1-2026-11-18\">tub A1</a>",
        "Over (advice): <a href=\"/space/shelf\">space shelf</a>",
        "Last known: 14.2 °C",
        "Dry hands at switches.",
        "href=\"/alert/17\"",
        "Time to look, since Tue 24 Nov, 21:00.",
        "53 % of the warmth it needs",
        "tent-air: silent, last reading 4 h ago. Its source usb is not connected: begin there.",
        "Never read yet.",
        "no safety device: every heater needs its own thermostat and its own thermal cut-out",
        "&lt;script&gt;",
        "bell: 2 messages wait",
        "It writes about 94 MB a day to the card.",
    ] {
        assert!(answer.body.contains(said), "{said}");
    }
    for unsaid in ["100 %", "<script>alert", "src=", "https://", "@import", "url("] {
        assert!(!answer.body.contains(unsaid), "{unsaid}");
    }
    assert!(answer.head.contains("script-src 'sha256-") && !answer.head.contains("unsafe-inline"), "{}", answer.head);
}

#[tokio::test]
async fn only_an_untroubled_site_is_told_that_nothing_is_wrong() {
    let mut snapshot = invented::promised();
    snapshot.alerts.clear();
    let served = served(snapshot).await;
    assert!(served.get("/").await.body.contains("Nothing is wrong."));
    let changes: [fn(&mut Snapshot); 3] = [
        |snapshot| snapshot.probes[0].health = "stuck",
        |snapshot| snapshot.inner.faults.push("The store cannot be written.".into()),
        |snapshot| snapshot.probes[0].health = "reporting",
    ];
    for change in changes {
        served.snapshots.send_modify(|latest| change(Arc::make_mut(latest)));
        assert!(!served.get("/").await.body.contains("Nothing is wrong."));
    }
}

#[tokio::test]
async fn every_answer_carries_the_security_headers() {
    let served = served(invented::promised()).await;
    for path in ["/", "/status.json", "/nothing"] {
        let head = served.get(path).await.head;
        for header in [
            "content-security-policy: default-src 'none'",
            "x-content-type-options: nosniff",
            "referrer-policy: same-origin",
            if path == "/nothing" { "cache-control: no-store" } else { "cache-control: private, no-cache" },
        ] {
            assert_eq!(head.matches(header).count(), 1, "{path}: {head}");
        }
    }
}

#[tokio::test]
async fn what_is_not_there_and_what_is_not_done() {
    let served = served(invented::promised()).await;
    let local = "host: localhost\r\n";
    for (method, path, status) in [
        ("GET", "/nothing", 404),
        ("POST", "/", 405),
        ("GET", "/alert/17/acknowledge", 405),
        ("POST", "/alert/17/acknowledge", 401),
        ("POST", "/tub/A1/log", 401),
        ("DELETE", "/status.json", 405),
        ("POST", "/nothing", 405),
        ("HEAD", "/", 200),
    ] {
        let answer = served.ask_with(method, path, local).await;
        assert_eq!(answer.status, status, "{method} {path}");
        assert!(status == 200 || (answer.body.lines().count() == 1 && answer.body.ends_with(".\n")), "{}", answer.body);
        assert_eq!(answer.head.contains("www-authenticate: bearer"), status == 401, "{}", answer.head);
    }
}

#[tokio::test]
async fn a_name_of_elsewhere_pointed_here_reads_nothing() {
    let served = served(invented::promised()).await;
    for (headers, status) in [
        ("host: 127.0.0.1:8750\r\n", 200),
        ("host: [::1]:8750\r\n", 200),
        ("host: example.invalid\r\n", 403),
        ("host: example.invalid\r\nauthorization: Bearer wrong\r\n", 403),
        ("host: example.invalid\r\nauthorization: Bearer correct\r\n", 200),
        ("host: example.invalid\r\nauthorization: bearer correct\r\n", 200),
        ("host: localhost\r\nhost: localhost\r\n", 400),
        ("host: localhost\r\nHOST: example.invalid\r\n", 400),
        ("host: example.invalid\r\nhost: localhost\r\nauthorization: Bearer correct\r\n", 400),
    ] {
        let answer = served.ask_with("GET", "/status.json", headers).await;
        assert_eq!(answer.status, status, "{headers}");
        assert!(status == 200 || !answer.body.contains("cellar"));
    }
}

const SPAN: &str = "from=2026-11-25T00:00:00Z&to=2026-11-25T12:00:00Z";

#[tokio::test]
async fn a_series_is_rows_or_summaries() {
    let served = served(invented::promised()).await;
    let ask = |probe: &str, more: &str| format!("/series.csv?probe={probe}&quantity=temperature&{SPAN}{more}");
    let answer = served.get(&ask("steady", "")).await;
    let lines: Vec<&str> = answer.body.split_terminator("\r\n").collect();
    assert_eq!(lines.len(), 14);
    assert_eq!(
        lines[..3],
        ["time,value,quality", "2026-11-25T00:00:00Z,20,good", "2026-11-25T00:10:00.250Z,20.1,good"]
    );
    assert_eq!(lines[3], "2026-11-25T00:20:00.500Z,20.2,spike");
    assert_eq!(lines[4], "2026-11-25T00:30:00.750Z,20.3,good clock-unsure");
    // By hand: 20.0, 20.1, 20.3, 20.4, 20.5 (the spike left out) in the first hour, 20.6 to 21.1 in the next, then 21.2.
    let answer = served.get(&ask("steady", "&every=1h")).await;
    let hours = "2026-11-25T00:00:00Z,20.26,20,20.5,5\r\n2026-11-25T01:00:00Z,20.85,20.6,21.1,6\r\n2026-11-25T02:00:00Z,21.2,21.2,21.2,1\r\n";
    assert_eq!(answer.body, format!("time,mean,min,max,count\r\n{hours}"));
    // A local day of New York begins at 05:00 UTC in winter; all of it here is the day before.
    served.snapshots.send_modify(|latest| Arc::make_mut(latest).inner.timezone = chrono_tz::America::New_York);
    let answer = served.get(&ask("steady", "&every=1d")).await;
    assert!(answer.body.starts_with("time,mean,min,max,count\r\n2026-11-24T05:00:00Z,"), "{}", answer.body);
    assert_eq!(served.get(&ask("empty", "")).await.body, "time,value,quality\r\n");
}

#[tokio::test]
async fn a_wrong_question_is_answered_in_one_sentence() {
    let served = served(invented::promised()).await;
    let whole = format!("probe=steady&quantity=temperature&{SPAN}");
    for (query, status, said) in [
        ("", 400, "\"probe\" is missing"),
        ("probe=steady&quantity=warmth", 400, "No quantity is called \"warmth\""),
        ("probe=steady&quantity=temperature&from=soon&to=now", 400, "from: \"soon\" is no time"),
        ("probe=steady&quantity=temperature&from=now&to=2026-11-20", 400, "swap them"),
        (&format!("{whole}&every=often"), 400, "\"every\" is \"often\""),
        (&format!("{whole}&every=0s"), 400, "\"every\" is \"0s\""),
        (&format!("{whole}&every=99999999999999999999d"), 400, "write a duration"),
        (&format!("{whole}&evry=1h"), 400, "knows no \"evry\""),
        (&format!("{whole}&probe=other"), 400, "given twice"),
        (&whole.replace("steady", "stedy"), 404, "the nearest is steady"),
        (&whole.replace("Z&", "+01:00&"), 200, "time,value,quality"),
        ("probe=%ff%00&quantity=temperature&from=now&to=now", 404, "No probe"),
    ] {
        let answer = served.get(&format!("/series.csv?{query}")).await;
        assert_eq!(answer.status, status, "{query}: {}", answer.body);
        assert!(answer.body.contains(said), "{query}: {}", answer.body);
        assert!(status == 200 || answer.body.lines().count() == 1, "{}", answer.body);
    }
}

#[tokio::test]
async fn a_series_that_breaks_in_the_middle_does_not_look_whole() {
    let served = served(invented::promised()).await;
    let answer = served.get(&format!("/series.csv?probe=broken&quantity=temperature&{SPAN}")).await;
    assert_eq!(answer.status, 200);
    assert!(answer.body.ends_with("(cut)"));
}

#[tokio::test]
async fn a_reader_that_stalls_or_leaves_ends_the_reading() {
    let limits = Limits { idle: Duration::from_millis(200), ..Limits::default() };
    let mut served = served_within(limits, invented::promised()).await;
    let request =
        format!("GET /series.csv?probe=endless&quantity=temperature&{SPAN} HTTP/1.1\r\nhost: localhost\r\n\r\n");
    let stalled = served.send(&request).await;
    let ended = tokio::time::timeout(DEADLINE, served.ended.recv()).await;
    assert_eq!(ended.expect("the stalled reading ends"), Some("broke off"));
    drop(stalled);
    let mut leaving = served.send(&request).await;
    leaving.read_exact(&mut [0; 100]).await.unwrap();
    drop(leaving);
    let ended = tokio::time::timeout(DEADLINE, served.ended.recv()).await;
    assert_eq!(ended.expect("the left reading ends"), Some("broke off"));
}

#[tokio::test]
async fn a_head_that_does_not_end_is_cut() {
    let limits = Limits { head: Duration::from_millis(100), ..Limits::default() };
    let served = served_within(limits, invented::promised()).await;
    let mut slow = served.send("GET /status.json HTTP/1.1\r\nhost: loc").await;
    let mut rest = Vec::new();
    tokio::time::timeout(DEADLINE, slow.read_to_end(&mut rest)).await.expect("it is cut").unwrap();
    assert!(!String::from_utf8_lossy(&rest).contains("cellar"));
    let mut huge = served.send(&format!("GET / HTTP/1.1\r\nhost: localhost\r\nx: {}", "x".repeat(64 * 1024))).await;
    rest.clear();
    let ended = tokio::time::timeout(DEADLINE, huge.read_to_end(&mut rest)).await.expect("it is cut");
    assert!(ended.is_err() || String::from_utf8_lossy(&rest).starts_with("HTTP/1.1 431"));
}

#[tokio::test]
async fn connections_are_bounded_and_the_stillest_gives_up_its_place() {
    let limits = Limits { connections: 2, spare: Duration::from_secs(3600), ..Limits::default() };
    let served = served_within(limits, invented::promised()).await;
    let (first, _second) = (served.send("GET /").await, served.send("GET /").await);
    let mut third = served.send("GET /health HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n").await;
    let mut one = [0];
    let early = tokio::time::timeout(Duration::from_millis(200), third.read_exact(&mut one)).await;
    assert!(early.is_err(), "a third was answered beside two");
    drop(first);
    tokio::time::timeout(DEADLINE, third.read_exact(&mut one)).await.expect("its turn comes").unwrap();

    let limits = Limits { spare: Duration::from_millis(50), ..limits };
    let served = served_within(limits, invented::promised()).await;
    let _stalled = (served.send("GET /").await, served.send("GET /").await, served.send("GET /").await);
    assert_eq!(served.get("/health").await.status, 200);
}

#[tokio::test]
async fn stopping_ends_in_time_with_a_stalled_reader_there() {
    let limits = Limits { stop: Duration::from_millis(50), ..Limits::default() };
    let served = served_within(limits, invented::promised()).await;
    let _half = served.send("GET /status.json HT").await;
    let request =
        format!("GET /series.csv?probe=endless&quantity=temperature&{SPAN} HTTP/1.1\r\nhost: localhost\r\n\r\n");
    let mut stalled = served.send(&request).await;
    stalled.read_exact(&mut [0; 100]).await.unwrap();
    served.stop.send(()).unwrap();
    tokio::time::timeout(DEADLINE, served.task).await.expect("it stops").unwrap();
}
