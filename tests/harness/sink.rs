//! A webhook's receiver: takes POSTs, answers as told, keeps what it took.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread;

use serde_json::Value;

/// One POST as it came.
#[derive(Clone, Debug)]
pub struct Post {
    pub headers: Vec<(String, String)>,
    pub body: Value,
}

impl Post {
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(key, _)| key.eq_ignore_ascii_case(name)).map(|(_, value)| value.as_str())
    }
}

/// The receiver; lives as long as the test.
pub struct Sink {
    pub address: String,
    posts: Arc<Mutex<Vec<Post>>>,
    answer: Arc<Mutex<u16>>,
}

impl Sink {
    pub fn start() -> Sink {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let sink = Sink {
            address: listener.local_addr().unwrap().to_string(),
            posts: Arc::default(),
            answer: Arc::new(Mutex::new(200)),
        };
        let (posts, answer) = (Arc::clone(&sink.posts), Arc::clone(&sink.answer));
        thread::spawn(move || {
            for stream in listener.incoming().map_while(Result::ok) {
                let (posts, answer) = (Arc::clone(&posts), Arc::clone(&answer));
                thread::spawn(move || serve(stream, &posts, &answer));
            }
        });
        sink
    }

    pub fn url(&self) -> String {
        format!("http://{}/hook", self.address)
    }

    /// What every further POST is answered with.
    pub fn answer(&self, code: u16) {
        *self.answer.lock().unwrap() = code;
    }

    /// Everything taken so far, refused ones too.
    pub fn posts(&self) -> Vec<Post> {
        self.posts.lock().unwrap().clone()
    }
}

fn serve(stream: TcpStream, posts: &Mutex<Vec<Post>>, answer: &Mutex<u16>) -> Option<()> {
    let mut writer = stream.try_clone().ok()?;
    let mut reader = BufReader::new(stream);
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).ok().filter(|count| *count > 0)?;
        let mut headers = Vec::new();
        loop {
            let mut line = String::new();
            reader.read_line(&mut line).ok()?;
            let Some((key, value)) = line.trim_end().split_once(':') else { break };
            headers.push((key.to_owned(), value.trim().to_owned()));
        }
        let length = headers.iter().find(|(key, _)| key.eq_ignore_ascii_case("content-length"))?.1.parse().ok()?;
        let mut body = vec![0; length];
        reader.read_exact(&mut body).ok()?;
        posts.lock().unwrap().push(Post { headers, body: serde_json::from_slice(&body).unwrap_or(Value::Null) });
        let code = *answer.lock().unwrap();
        write!(writer, "HTTP/1.1 {code} Answer\r\nContent-Length: 0\r\n\r\n").ok()?;
    }
}
