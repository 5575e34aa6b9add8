//! `GET /events`, and that no number of slow readers delays an alert.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use serde_json::json;

use super::harness::PATIENCE;
use super::scene::{self, now};

fn open(address: &str, request: &str) -> TcpStream {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(Duration::from_millis(50))).unwrap();
    write!(stream, "{request}").unwrap();
    stream
}

/// Reads until `wanted` was in it.
fn read_until(stream: &mut TcpStream, wanted: &[&str]) -> String {
    let (mut text, mut block) = (String::new(), [0; 4096]);
    let deadline = Instant::now() + PATIENCE;
    while !wanted.iter().all(|one| text.contains(one)) {
        assert!(Instant::now() < deadline, "{wanted:?} not in {text}");
        if let Ok(count) = stream.read(&mut block) {
            assert!(count > 0, "the stream ended: {text}");
            text.push_str(&String::from_utf8_lossy(&block[..count]));
        }
    }
    text
}

#[test]
fn samples_and_alerts_come_as_they_happen() {
    let cellar = scene::cellar("");
    let get = "GET /events HTTP/1.1\r\nhost: localhost\r\n\r\n";
    let mut stream = open(&cellar.daemon.address, get);
    read_until(&mut stream, &["200 OK", "text/event-stream", "retry: "]);
    cellar.broker.publish("core-a1", json!({ "ts": now(), "t": 31.9 }).to_string(), 1, false);
    read_until(&mut stream, &["event: sample", "\"probe\":\"core-a1\"", "31.9"]);
    cellar.site.ok(&["acknowledge", &cellar.alert.to_string()]);
    read_until(&mut stream, &["event: alert", "\"event\":\"acknowledged\"", "\"subject\":\"tub A1\""]);
    // Sixteen at most; the rest are told to come back.
    let _others: Vec<TcpStream> = (0..15)
        .map(|_| {
            let mut other = open(&cellar.daemon.address, get);
            read_until(&mut other, &["200 OK"]);
            other
        })
        .collect();
    read_until(&mut open(&cellar.daemon.address, get), &["503 Service Unavailable", "retry-after"]);
    // A daemon with streams open stops in good time all the same.
    let (status, took) = cellar.daemon.terminate();
    assert!(status.success() && took < Duration::from_secs(5), "{status} after {took:?}");
}
