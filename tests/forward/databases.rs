//! Real databases as processes of their own, each on a free port with a folder of its own.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};

use serde_json::Value;
use tempfile::TempDir;

use crate::harness::{PATIENCE, free_port, wait_until};

/// A sample's field as a database has it: probe, field, time in ms; its values with their tags.
pub type Points = BTreeMap<(String, String, i64), Vec<(String, f64)>>;

/// Which program it is.
#[derive(Clone, Copy, PartialEq)]
pub enum Kind {
    Influx,
    Victoria,
}

pub struct Database {
    kind: Kind,
    folder: TempDir,
    port: u16,
    child: Option<Child>,
}

impl Database {
    pub fn start(kind: Kind) -> Database {
        let mut database = Database { kind, folder: TempDir::new().unwrap(), port: free_port(), child: None };
        database.launch();
        database
    }

    /// Ends it; its points stay in its folder.
    pub fn stop(&mut self) {
        let Some(mut child) = self.child.take() else { return };
        assert!(Command::new("kill").arg(child.id().to_string()).status().unwrap().success());
        child.wait().unwrap();
    }

    pub fn launch(&mut self) {
        let at = format!("127.0.0.1:{}", self.port);
        let folder = self.folder.path().display().to_string();
        let mut command = match self.kind {
            Kind::Influx => {
                let mut command = Command::new("influxd");
                command.args(["run", "-config", "/dev/null"]);
                for (key, value) in [
                    ("REPORTING_DISABLED", "true"),
                    ("BIND_ADDRESS", &format!("127.0.0.1:{}", free_port())),
                    ("HTTP_BIND_ADDRESS", &at),
                    ("META_DIR", &format!("{folder}/meta")),
                    ("DATA_DIR", &format!("{folder}/data")),
                    ("DATA_WAL_DIR", &format!("{folder}/wal")),
                    ("MONITOR_STORE_ENABLED", "false"),
                ] {
                    command.env(format!("INFLUXDB_{key}"), value);
                }
                command
            }
            Kind::Victoria => {
                let mut command = Command::new("victoria-metrics");
                command.args(["-storageDataPath", &folder, "-httpListenAddr", &at, "-retentionPeriod", "100y"]);
                command.args(["-memory.allowedBytes", "64MB"]);
                command
            }
        };
        let child = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
        let missing = "install it (Debian: influxdb, victoria-metrics; tests/run does)";
        self.child = Some(child.unwrap_or_else(|why| panic!("{command:?}: {why}; {missing}")));
        wait_until(PATIENCE, "the database answers", || {
            self.try_ask("GET", "/health").is_some_and(|(code, _)| code < 500)
        });
        if self.kind == Kind::Influx {
            let (code, said) = self.ask("POST", &format!("/query?q={}", encoded("CREATE DATABASE climate")));
            assert_eq!(code, 200, "{said}");
        }
    }

    /// Where line protocol is posted.
    pub fn url(&self) -> String {
        match self.kind {
            Kind::Influx => format!("http://127.0.0.1:{}/write?db=climate&precision=ms", self.port),
            Kind::Victoria => format!("http://127.0.0.1:{}/write?precision=ns", self.port),
        }
    }

    /// Every point of `climate`.
    pub fn climate(&self) -> Points {
        let mut points = Points::new();
        for (tags, field, at, value) in self.points("climate") {
            let probe = tags.get("probe").cloned().unwrap_or_default();
            points.entry((probe, field, at)).or_default().push((format!("{tags:?}"), value));
        }
        points
    }

    /// Every numeric point of `measurement`: tags, field, time in ms, value.
    pub fn points(&self, measurement: &str) -> Vec<(BTreeMap<String, String>, String, i64, f64)> {
        match self.kind {
            Kind::Influx => self.influx(measurement),
            Kind::Victoria => self.victoria(measurement),
        }
    }

    fn influx(&self, measurement: &str) -> Vec<(BTreeMap<String, String>, String, i64, f64)> {
        let query = encoded(&format!("SELECT * FROM {measurement} GROUP BY *"));
        let (code, said) = self.ask("GET", &format!("/query?db=climate&epoch=ms&q={query}"));
        assert_eq!(code, 200, "{said}");
        let answer: Value = serde_json::from_str(&said).unwrap();
        let mut points = Vec::new();
        for series in answer["results"][0]["series"].as_array().into_iter().flatten() {
            let tags = series["tags"].as_object().unwrap().iter().filter(|(_, value)| *value != "");
            let tags: BTreeMap<_, _> =
                tags.map(|(key, value)| (key.clone(), value.as_str().unwrap().to_owned())).collect();
            let columns = series["columns"].as_array().unwrap();
            for row in series["values"].as_array().unwrap() {
                let at = row[0].as_i64().unwrap();
                for (column, value) in columns.iter().zip(row.as_array().unwrap()).skip(1) {
                    if let Some(value) = value.as_f64() {
                        points.push((tags.clone(), column.as_str().unwrap().to_owned(), at, value));
                    }
                }
            }
        }
        points
    }

    fn victoria(&self, measurement: &str) -> Vec<(BTreeMap<String, String>, String, i64, f64)> {
        let _ = self.ask("GET", "/internal/force_flush");
        let wanted = encoded(&format!("{{__name__=~\"{measurement}_.*\"}}"));
        let (code, said) = self.ask("GET", &format!("/api/v1/export?match[]={wanted}&start=0"));
        assert_eq!(code, 200, "{said}");
        let mut points = Vec::new();
        for line in said.lines() {
            let series: Value = serde_json::from_str(line).unwrap();
            let mut tags: BTreeMap<String, String> = serde_json::from_value(series["metric"].clone()).unwrap();
            tags.remove("db");
            let name = tags.remove("__name__").unwrap();
            let field = name.strip_prefix(&format!("{measurement}_")).unwrap();
            let times = series["timestamps"].as_array().unwrap();
            // The export gives what was written twice twice, until it is merged: the same value at the same time.
            let mut once = BTreeMap::new();
            for (at, value) in times.iter().zip(series["values"].as_array().unwrap()) {
                let (at, value) = (at.as_i64().unwrap(), value.as_f64().unwrap());
                let before = once.insert(at, value);
                assert!(before.is_none_or(|before| before == value), "{tags:?} {field} {at}: {before:?} and {value}");
            }
            points.extend(once.into_iter().map(|(at, value)| (tags.clone(), field.to_owned(), at, value)));
        }
        points
    }

    fn ask(&self, method: &str, path: &str) -> (u16, String) {
        self.try_ask(method, path).unwrap_or_else(|| panic!("{method} {path}: no answer"))
    }

    fn try_ask(&self, method: &str, path: &str) -> Option<(u16, String)> {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).ok()?;
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        write!(stream, "{method} {path} HTTP/1.0\r\nHost: database\r\nContent-Length: 0\r\n\r\n").ok()?;
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).ok()?;
        let answer = String::from_utf8(answer).ok()?;
        let (head, body) = answer.split_once("\r\n\r\n")?;
        Some((head.split(' ').nth(1)?.parse().ok()?, body.to_owned()))
    }
}

impl Drop for Database {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// Percent-encoding of everything but letters and digits.
fn encoded(text: &str) -> String {
    let one =
        |byte: u8| if byte.is_ascii_alphanumeric() { char::from(byte).to_string() } else { format!("%{byte:02X}") };
    text.bytes().map(one).collect()
}
