//! A time-series database as a forwarder sees one: takes line protocol over HTTP, keeps which points it
//! was sent of the measurement `climate`.

use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread;

use flate2::read::MultiGzDecoder;

/// The tag `probe` and the time, as they were written.
pub type Point = (String, String);

/// The database; lives as long as the test.
pub struct Farm {
    address: String,
    points: Arc<Mutex<BTreeSet<Point>>>,
    answer: Arc<Mutex<u16>>,
}

impl Farm {
    pub fn start() -> Farm {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap().to_string();
        let farm = Farm { address, points: Arc::default(), answer: Arc::new(Mutex::new(204)) };
        let (points, answer) = (Arc::clone(&farm.points), Arc::clone(&farm.answer));
        thread::spawn(move || {
            for stream in listener.incoming().map_while(Result::ok) {
                let (points, answer) = (Arc::clone(&points), Arc::clone(&answer));
                thread::spawn(move || serve(stream, &points, &answer));
            }
        });
        farm
    }

    pub fn url(&self) -> String {
        format!("http://{}/write?db=climate&precision=ms", self.address)
    }

    /// What every further request is answered with; 204 takes what it brings.
    pub fn answer(&self, code: u16) {
        *self.answer.lock().unwrap() = code;
    }

    /// Different points taken of probes whose names begin so.
    pub fn count(&self, probe: &str) -> u64 {
        self.points.lock().unwrap().iter().filter(|(of, _)| of.starts_with(probe)).count() as u64
    }
}

fn serve(stream: TcpStream, points: &Mutex<BTreeSet<Point>>, answer: &Mutex<u16>) -> Option<()> {
    let mut writer = stream.try_clone().ok()?;
    let mut reader = BufReader::new(stream);
    loop {
        let (mut length, mut is_packed) = (0_usize, false);
        let mut line = String::new();
        reader.read_line(&mut line).ok().filter(|count| *count > 0)?;
        loop {
            line.clear();
            reader.read_line(&mut line).ok()?;
            let Some((key, value)) = line.trim_end().split_once(':') else { break };
            match key.to_ascii_lowercase().as_str() {
                "content-length" => length = value.trim().parse().ok()?,
                "content-encoding" => is_packed = value.trim() == "gzip",
                _ => {}
            }
        }
        let mut body = vec![0; length];
        reader.read_exact(&mut body).ok()?;
        let code = *answer.lock().unwrap();
        if code == 204 {
            let mut text = String::new();
            let read = if is_packed {
                MultiGzDecoder::new(body.as_slice()).read_to_string(&mut text)
            } else {
                body.as_slice().read_to_string(&mut text)
            };
            read.unwrap();
            points.lock().unwrap().extend(text.lines().filter_map(point));
        }
        write!(writer, "HTTP/1.1 {code} Answer\r\nContent-Length: 0\r\n\r\n").ok()?;
    }
}

/// The names of the test's probes need no escapes.
fn point(line: &str) -> Option<Point> {
    let tags = line.strip_prefix("climate,")?.split(' ').next()?;
    let probe = tags.split(',').find_map(|tag| tag.strip_prefix("probe="))?;
    Some((probe.to_owned(), line.rsplit(' ').next()?.to_owned()))
}
