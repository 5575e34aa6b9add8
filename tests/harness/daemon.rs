//! The built program as its user runs it: `run` in the background, commands beside it, its status over HTTP.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::os::unix::process::ExitStatusExt;
use std::path::PathBuf;
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use serde_json::Value;

use super::{PATIENCE, wait_until};

/// A folder with a config, and what runs on it.
pub struct Site {
    pub folder: tempfile::TempDir,
}

impl Site {
    /// Writes `config` as the site's config; its store is the folder's `state`.
    pub fn new(config: &str) -> Site {
        let site = Site { folder: tempfile::tempdir().unwrap() };
        site.write_config(config);
        site
    }

    pub fn write_config(&self, config: &str) {
        std::fs::write(self.config(), config).unwrap();
    }

    pub fn config(&self) -> PathBuf {
        self.folder.path().join("tubwatch.toml")
    }

    pub fn store(&self) -> PathBuf {
        self.folder.path().join("state").join("tubwatch.sqlite")
    }

    /// Runs one command to its end.
    pub fn command(&self, words: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_tubwatch"))
            .arg("--config")
            .arg(self.config())
            .args(words)
            .current_dir(self.folder.path())
            .stdin(Stdio::null())
            .output()
            .unwrap()
    }

    /// Runs one command that must succeed, and gives what it printed.
    pub fn ok(&self, words: &[&str]) -> String {
        let output = self.command(words);
        assert!(
            output.status.success(),
            "{words:?} ended with {}: {}{}",
            output.status,
            String::from_utf8_lossy(&output.stdout),
            String::from_utf8_lossy(&output.stderr)
        );
        String::from_utf8(output.stdout).unwrap()
    }

    /// Tub A1 of winter oyster on space `shelf`, with the core `core-a1`, spawned at the time `at`.
    pub fn spawn_a1(&self, at: &str) {
        let words = ["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf", "--core", "core-a1", "--at", at];
        self.ok(&words);
    }

    /// Rows of one query on the store, each cell as text.
    pub fn query(&self, sql: &str) -> Vec<Vec<String>> {
        let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
        let connection = rusqlite::Connection::open_with_flags(self.store(), flags).unwrap();
        let mut statement = connection.prepare(sql).unwrap();
        let columns = statement.column_count();
        let rows = statement.query_map([], |row| {
            (0..columns)
                .map(|column| {
                    Ok(match row.get_ref(column)? {
                        rusqlite::types::ValueRef::Null => String::new(),
                        rusqlite::types::ValueRef::Integer(number) => number.to_string(),
                        rusqlite::types::ValueRef::Real(number) => number.to_string(),
                        rusqlite::types::ValueRef::Text(text) | rusqlite::types::ValueRef::Blob(text) => {
                            String::from_utf8_lossy(text).into_owned()
                        }
                    })
                })
                .collect()
        });
        rows.unwrap().collect::<Result<_, _>>().unwrap()
    }

    /// Starts the daemon and waits until its status answers.
    pub fn run(&self) -> Daemon {
        self.run_with(&[])
    }

    /// As [`Site::run`], with `environment` added to this process's own.
    pub fn run_with(&self, environment: &[(&str, &str)]) -> Daemon {
        let mut program = Command::new(env!("CARGO_BIN_EXE_tubwatch"));
        program.envs(environment.iter().copied());
        self.run_as(program)
    }

    /// The same by `program`, which may have its own environment, or be another that runs the daemon.
    pub fn run_as(&self, mut program: Command) -> Daemon {
        let mut child = program
            .arg("run")
            .arg("--config")
            .arg(self.config())
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let log = Arc::new(Mutex::new(Vec::<String>::new()));
        let stderr = BufReader::new(child.stderr.take().unwrap());
        let lines = Arc::clone(&log);
        thread::spawn(move || {
            for line in stderr.lines().map_while(Result::ok) {
                lines.lock().unwrap().push(line);
            }
        });
        let mut daemon = Daemon { child: Some(child), log, address: String::new() };
        wait_until(PATIENCE, "the daemon is up or has ended", || {
            let address = daemon.log_lines().iter().find_map(|line| {
                let (_, rest) = line.split_once("status page is at http")?;
                let (_, rest) = rest.split_once("://")?;
                Some(rest.split('/').next().unwrap_or("").to_owned())
            });
            daemon.address = address.unwrap_or_default();
            !daemon.address.is_empty() || daemon.has_ended()
        });
        assert!(!daemon.address.is_empty(), "the daemon did not come up: {:#?}", daemon.log_lines());
        daemon
    }
}

/// Lines of a daemon's log that a failed test shows.
const LAST_WORDS: usize = 60;

/// A daemon under test; killed when dropped, with its last words where the test has failed.
pub struct Daemon {
    child: Option<Child>,
    log: Arc<Mutex<Vec<String>>>,
    pub address: String,
}

impl Daemon {
    pub fn log_lines(&self) -> Vec<String> {
        self.log.lock().unwrap().clone()
    }

    pub fn pid(&self) -> u32 {
        self.child.as_ref().unwrap().id()
    }

    pub fn has_ended(&mut self) -> bool {
        self.child.as_mut().is_none_or(|child| child.try_wait().unwrap().is_some())
    }

    pub fn signal(&self, name: &str) {
        let status = Command::new("kill").arg(format!("-{name}")).arg(self.pid().to_string()).status().unwrap();
        assert!(status.success());
    }

    /// As a power cut: no chance to write anything.
    pub fn kill_nine(mut self) {
        self.signal("KILL");
        let status = self.child.take().unwrap().wait().unwrap();
        assert_eq!(status.signal(), Some(9));
    }

    /// SIGTERM, and how it ended and how long that took.
    pub fn terminate(mut self) -> (ExitStatus, Duration) {
        let began = Instant::now();
        self.signal("TERM");
        let mut child = self.child.take().unwrap();
        wait_until(PATIENCE, "the daemon ends", || child.try_wait().unwrap().is_some());
        (child.wait().unwrap(), began.elapsed())
    }

    /// One GET: status code, headers, body.
    pub fn get(&self, path: &str) -> (u16, String, String) {
        get(&self.address, path)
    }

    /// `/status.json`.
    pub fn status(&self) -> Value {
        let (code, _, body) = self.get("/status.json");
        assert_eq!(code, 200, "{body}");
        serde_json::from_str(&body).unwrap()
    }

    /// Waits until the broker `house` has granted every subscription: what is published before is lost.
    pub fn connected(&self) {
        self.status_when("connected", |status| named(status, "sources", "house")["state"] == "connected");
    }

    /// Waits until the status satisfies `wanted`, and gives it.
    pub fn status_when(&self, what: &str, mut wanted: impl FnMut(&Value) -> bool) -> Value {
        let deadline = Instant::now() + PATIENCE;
        loop {
            let status = self.status();
            if wanted(&status) {
                return status;
            }
            assert!(Instant::now() < deadline, "not reached: {what}; last {status:#}; log {:#?}", self.log_lines());
            thread::sleep(Duration::from_millis(20));
        }
    }
}

impl Drop for Daemon {
    #[allow(clippy::print_stderr)] // Beside the failure, where it is looked for.
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            if thread::panicking() {
                let log = self.log.lock().unwrap();
                let last = log[log.len().saturating_sub(LAST_WORDS)..].join("\n");
                eprintln!("the daemon (ended: {:?}) said last:\n{last}", child.try_wait());
            }
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// One GET of a loopback server that asks for a media type: headers and body.
pub fn get_accepting(address: &str, path: &str, media_type: &str) -> (String, String) {
    let (_, head, body) = ask(address, path, &format!("Accept: {media_type}\r\n"));
    (head, body)
}

/// One GET of a loopback server.
pub fn get(address: &str, path: &str) -> (u16, String, String) {
    ask(address, path, "")
}

fn ask(address: &str, path: &str, more: &str) -> (u16, String, String) {
    let question = format!("GET {path} HTTP/1.1\r\nHost: {address}\r\n{more}Connection: close\r\n\r\n");
    let once = || -> std::io::Result<Vec<u8>> {
        let mut stream = TcpStream::connect(address)?;
        stream.set_read_timeout(Some(PATIENCE))?;
        stream.write_all(question.as_bytes())?;
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer)?;
        Ok(answer)
    };
    // A daemon that starts again within its process cuts whom it has not answered yet.
    let deadline = Instant::now() + PATIENCE;
    let answer = loop {
        match once() {
            Ok(answer) if !answer.is_empty() => break answer,
            other => assert!(Instant::now() < deadline, "GET {path} is not answered: {other:?}"),
        }
        thread::sleep(Duration::from_millis(20));
    };
    let answer = String::from_utf8(answer).unwrap();
    let (head, body) = answer.split_once("\r\n\r\n").unwrap();
    let code = head.split(' ').nth(1).unwrap().parse().unwrap();
    let body = if head.to_ascii_lowercase().contains("transfer-encoding: chunked") {
        unchunked(body)
    } else {
        body.to_owned()
    };
    (code, head.to_owned(), body)
}

/// A body that came in chunks (RFC 9112, section 7.1), as one.
pub fn unchunked_bytes(mut rest: &[u8]) -> Vec<u8> {
    let mut whole = Vec::new();
    while let Some(end) = rest.windows(2).position(|pair| pair == b"\r\n") {
        let size = usize::from_str_radix(std::str::from_utf8(&rest[..end]).unwrap().trim(), 16).unwrap();
        if size == 0 {
            break;
        }
        whole.extend_from_slice(&rest[end + 2..end + 2 + size]);
        rest = &rest[end + 2 + size + 2..];
    }
    whole
}

fn unchunked(mut rest: &str) -> String {
    let mut whole = String::new();
    while let Some((size, after)) = rest.split_once("\r\n") {
        let size = usize::from_str_radix(size.trim(), 16).unwrap();
        if size == 0 {
            break;
        }
        whole.push_str(&after[..size]);
        rest = after[size..].trim_start_matches("\r\n");
    }
    whole
}

/// The probe called `name` in a status.
pub fn named<'a>(status: &'a Value, list: &str, name: &str) -> &'a Value {
    status[list].as_array().unwrap().iter().find(|one| one["name"] == name).unwrap_or(&Value::Null)
}
