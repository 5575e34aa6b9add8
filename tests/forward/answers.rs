//! A database that answers as told: what is tried again, what is given up and named, in which order.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::sync::{Arc, Mutex};
use std::time::Instant;

use crate::harness::daemon::{Daemon, Site};
use crate::harness::{PATIENCE, Wire, wait_until};

type Answers = dyn Fn(usize, &str) -> String + Send + Sync;

/// Takes requests, unpacks their lines and answers what `answers` says of the number of the request
/// and its lines.
struct Scripted {
    address: String,
    requests: Arc<Mutex<Vec<String>>>,
}

impl Scripted {
    fn start(answers: Box<Answers>) -> Scripted {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap().to_string();
        let requests = Arc::new(Mutex::new(Vec::new()));
        let taken = Arc::clone(&requests);
        std::thread::spawn(move || {
            for stream in listener.incoming().map_while(Result::ok) {
                let mut writer = stream.try_clone().unwrap();
                let mut reader = BufReader::new(stream);
                let mut head = String::new();
                while !head.ends_with("\r\n\r\n") {
                    if reader.read_line(&mut head).unwrap_or(0) == 0 {
                        break;
                    }
                }
                let head = head.to_ascii_lowercase();
                let Some((_, length)) = head.split_once("content-length:") else { continue };
                assert!(head.contains("content-encoding: gzip"), "{head}");
                assert!(head.contains("authorization: token sesame"), "{head}");
                let mut body = vec![0; length.lines().next().unwrap().trim().parse().unwrap()];
                reader.read_exact(&mut body).unwrap();
                let mut lines = String::new();
                flate2::read::GzDecoder::new(body.as_slice()).read_to_string(&mut lines).unwrap();
                let number = taken.lock().unwrap().len();
                let answer = answers(number, &lines);
                taken.lock().unwrap().push(lines);
                let _ = writer.write_all(answer.as_bytes());
            }
        });
        Scripted { address, requests }
    }

    fn requests(&self) -> Vec<String> {
        self.requests.lock().unwrap().clone()
    }
}

fn answer(code: u16, more: &str, words: &str) -> String {
    format!("HTTP/1.1 {code} Answer\r\nConnection: close\r\n{more}Content-Length: {}\r\n\r\n{words}", words.len())
}

/// A site with one probe on a wire, forwarding to `address` in seconds.
fn site(wire: &Wire, address: &str) -> Site {
    let site = Site::new(&format!(
        r#"
[site]
name = "cellar"
timezone = "Europe/Lisbon"

[store]
path = "state"
commit_every = "100ms"

[status]
listen = "127.0.0.1:0"

[[port]]
name = "usb"
device = "{}"
baud = 115200
protocol = "lines"

[[probe]]
name = "core"
from = "usb"
format = "json"
every = "10s"
reads = {{ temperature = "/t" }}
time = {{ at = "/ts", unit = "s" }}

[[forward]]
name = "farm"
url = "http://{address}/write?u=tubwatch&p=open-sesame&precision=s"
headers_file = "farm.headers"
"#,
        wire.path().display()
    ));
    std::fs::write(site.folder.path().join("farm.headers"), "Authorization: Token sesame\n").unwrap();
    site
}

fn samples(wire: &mut Wire, from: i64, count: i64) {
    for n in from..from + count {
        wire.send(format!("{{\"t\": {}, \"ts\": {}}}\n", 20.0 + n as f64 / 1000.0, 1_790_000_000 + n * 10));
    }
}

fn said(daemon: &Daemon, part: &str) -> usize {
    daemon.log_lines().iter().filter(|line| line.contains(part)).count()
}

#[test]
fn a_busy_database_is_given_time_and_nothing_is_lost() {
    let mut wire = Wire::plugged();
    let scripted = Scripted::start(Box::new(|number, _| match number {
        0 => answer(503, "", "warming up"),
        1 => answer(429, "Retry-After: 1\r\n", ""),
        2 => answer(500, "", "timeout"),
        _ => answer(204, "", ""),
    }));
    let site = site(&wire, &scripted.address);
    let began = Instant::now();
    let daemon = site.run();
    samples(&mut wire, 0, 40);
    let all = |requests: &[String]| {
        let taken = requests.iter().skip(3).flat_map(|lines| lines.lines().map(str::to_owned)).collect::<Vec<_>>();
        taken.iter().filter(|line| line.starts_with("climate")).count() >= 40
    };
    wait_until(PATIENCE, "all is sent", || all(&scripted.requests()));
    assert!(began.elapsed().as_secs_f64() >= 1.0, "it asked for a second");
    let requests = scripted.requests();
    assert_eq!(requests[0], requests[1], "the same batch again");
    assert_eq!(requests[1], requests[2]);
    let lines: Vec<&str> = requests.iter().skip(3).flat_map(|lines| lines.lines()).collect();
    let lines: Vec<&str> = lines.into_iter().filter(|line| line.starts_with("climate")).collect();
    assert_eq!(lines[0], "climate,site=cellar,probe=core temperature=20 1790000000");
    let times: Vec<i64> = lines.iter().map(|line| line.split(' ').next_back().unwrap().parse().unwrap()).collect();
    assert!(times.is_sorted(), "in order: {times:?}");
    // Said once when it began, once when it was over, however often it was tried; and no password.
    assert_eq!(said(&daemon, "answered 503"), 1, "{:#?}", daemon.log_lines());
    assert_eq!(said(&daemon, "answered 429") + said(&daemon, "answered 500"), 0);
    wait_until(PATIENCE, "the end is said", || said(&daemon, "takes what is sent again") == 1);
    assert_eq!(said(&daemon, "sesame"), 0);
    daemon.terminate();
}

#[test]
fn refused_points_are_named_and_the_rest_goes() {
    let mut wire = Wire::plugged();
    // One point is never taken: as part of a batch, and by itself.
    let scripted = Scripted::start(Box::new(|_, lines| {
        if lines.contains("temperature=20.013 ") {
            answer(400, "", r#"{"error":"unable to parse: so it says"}"#)
        } else if lines.contains("temperature=20.3 ") {
            answer(400, "", r#"{"error":"partial write: points beyond retention policy dropped=1"}"#)
        } else {
            answer(204, "", "")
        }
    }));
    let site = site(&wire, &scripted.address);
    let daemon = site.run();
    samples(&mut wire, 0, 320);
    let metric = |name: &str| {
        let (_, _, text) = daemon.get("/metrics");
        let line = text.lines().find(|line| line.starts_with(name)).map(str::to_owned);
        line.and_then(|line| line.split(' ').next_back()?.parse::<u64>().ok()).unwrap_or(0)
    };
    wait_until(PATIENCE, "everything was answered", || {
        metric("tubwatch_forward_points_total") >= 318 && metric("tubwatch_forward_points_refused_total") >= 2
    });
    let taken: Vec<String> = scripted.requests();
    let alone = taken.iter().filter(|lines| lines.lines().count() == 1 && lines.contains("=20.013 ")).count();
    assert!(alone >= 1, "narrowed down to the one line");
    for n in (0..320).filter(|n| *n != 13) {
        let value = format!("temperature={} ", 20.0 + f64::from(n) / 1000.0);
        let good = |lines: &&String| lines.contains(&value) && !lines.contains("=20.013 ");
        assert!(taken.iter().any(|lines| good(&lines)), "{value} went without the wrong one");
    }
    assert!(said(&daemon, "so it says") >= 1 && said(&daemon, "beyond retention policy") >= 1);
    daemon.terminate();
}
