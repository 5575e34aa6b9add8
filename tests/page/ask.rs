//! HTTP as plain text over a socket, so that every header is what the test says.
#![allow(dead_code)] // the bench asks less of an answer than the tests do

use std::io::{Read, Write};
use std::net::TcpStream;

use crate::harness::PATIENCE;

/// One answer, read to its end.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub head: String,
    pub body: Vec<u8>,
}

impl Answer {
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    /// The value of a header, by its name in small letters.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|line| {
            let (key, value) = line.split_once(':')?;
            key.eq_ignore_ascii_case(name).then(|| value.trim())
        })
    }
}

/// Sends one request of `address` and reads the whole answer.
pub fn ask(address: &str, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> Answer {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let mut request = format!("{method} {path} HTTP/1.1\r\nhost: {address}\r\nconnection: close\r\n");
    for (name, value) in headers {
        request.push_str(&format!("{name}: {value}\r\n"));
    }
    if !body.is_empty() {
        request.push_str(&format!("content-length: {}\r\n", body.len()));
        if !headers.iter().any(|(name, _)| name.eq_ignore_ascii_case("content-type")) {
            request.push_str("content-type: application/x-www-form-urlencoded\r\n");
        }
    }
    write!(stream, "{request}\r\n{body}").unwrap();
    let mut bytes = Vec::new();
    // A server that refuses a body may close before it has read all of it.
    let _ = stream.read_to_end(&mut bytes);
    let end = bytes.windows(4).position(|window| window == b"\r\n\r\n").expect("an answer with a head");
    let head = String::from_utf8(bytes[..end].to_vec()).unwrap();
    let status = head.split(' ').nth(1).unwrap().parse().unwrap();
    Answer { status, head, body: bytes[end + 4..].to_vec() }
}
