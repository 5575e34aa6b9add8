//! A program that is run for each message: a bell, a lamp.
//!
//! In: a message, as JSON on the program's standard input; its arguments are the config's, as they
//! are, never through a shell. Out: accepted where it ends with 0 in time. What it prints is logged,
//! bounded. It and all it started are killed when its time is over.

use std::path::{Path, PathBuf};
use std::process::{ExitStatus, Stdio};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::process::{Child, Command};

use super::refused::{Refused, plainly};

/// What is kept of its output for the log: a sentence or two.
const SHOWN_BYTES: usize = 2 * 1024;
/// A program that prints more than this is broken, and is stopped: a bell has little to say.
const OUTPUT_BYTES_MAX: usize = 1 << 20;
/// How long its output is still read once it has ended: what it started may hold the pipe open.
const LAST_WORDS: Duration = Duration::from_millis(200);

/// A program and its arguments.
pub(super) struct Program {
    path: PathBuf,
    args: Vec<String>,
    messenger: String,
}

/// What came of running it.
enum Ended {
    With(ExitStatus),
    Flooded,
}

impl Program {
    pub(super) fn new(path: &Path, args: &[String], messenger: &str) -> Program {
        Program { path: path.to_owned(), args: args.to_vec(), messenger: messenger.to_owned() }
    }

    /// Runs it once; ends within `limit`.
    pub(super) async fn run(&self, body: &str, limit: Duration) -> Result<(), Refused> {
        let name = self.path.display();
        let child = Command::new(&self.path)
            .args(&self.args)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .kill_on_drop(true)
            .process_group(0)
            .spawn();
        let mut child = child.map_err(|why| Refused::passing(format!("{name} cannot be run: {}", plain(&why))))?;
        let group = Group::of(&child);
        let mut shown = Vec::new();
        let ended = tokio::time::timeout(limit, attend(&mut child, body, &mut shown)).await;
        drop(group);
        let output = String::from_utf8_lossy(&shown);
        let output = output.trim().escape_debug().to_string();
        if !output.is_empty() {
            tracing::info!(messenger = %self.messenger, "{name} printed: {output}");
        }
        match ended {
            Ok(Ok(Ended::With(status))) if status.success() => Ok(()),
            Ok(Ok(Ended::With(status))) => Err(Refused::passing(format!("{name} ended with {status}"))),
            Ok(Ok(Ended::Flooded)) => {
                Err(Refused::passing(format!("{name} printed more than {OUTPUT_BYTES_MAX} bytes and was stopped")))
            }
            Ok(Err(why)) => Err(Refused::passing(format!("{name} cannot be followed: {}", plain(&why)))),
            Err(_) => {
                let seconds = limit.as_secs_f64();
                Err(Refused::passing(format!("{name} had not ended after {seconds} s and was stopped")))
            }
        }
    }
}

/// Feeds and reads the child until it ends.
async fn attend(child: &mut Child, body: &str, shown: &mut Vec<u8>) -> std::io::Result<Ended> {
    let (stdin, stdout, stderr) = (child.stdin.take(), child.stdout.take(), child.stderr.take());
    let feed = async {
        if let Some(mut stdin) = stdin {
            // A program that does not want to know is no fault.
            let _ = stdin.write_all(format!("{body}\n").as_bytes()).await;
            let _ = stdin.shutdown().await;
        }
    };
    let (mut out, mut err) = (vec![0; 4096], vec![0; 4096]);
    let read = async {
        let (mut stdout, mut stderr) = (stdout, stderr);
        let mut total = 0;
        loop {
            let (from_out, count) = tokio::select! {
                count = next(&mut stdout, &mut out) => (true, count),
                count = next(&mut stderr, &mut err) => (false, count),
            };
            let bytes = if from_out { &out[..count] } else { &err[..count] };
            let room = SHOWN_BYTES.saturating_sub(shown.len());
            shown.extend_from_slice(&bytes[..count.min(room)]);
            total += count;
            if total > OUTPUT_BYTES_MAX {
                return true;
            }
            if stdout.is_none() && stderr.is_none() {
                return false;
            }
        }
    };
    let mut feed_and_read = Box::pin(async { tokio::join!(feed, read).1 });
    tokio::select! {
        flooded = &mut feed_and_read => {
            if flooded { Ok(Ended::Flooded) } else { child.wait().await.map(Ended::With) }
        }
        status = child.wait() => {
            let status = status?;
            let flooded = tokio::time::timeout(LAST_WORDS, feed_and_read).await.unwrap_or(false);
            Ok(if flooded { Ended::Flooded } else { Ended::With(status) })
        }
    }
}

/// Reads on; a pipe that has ended is taken away. Never ready once there is none.
async fn next<R: tokio::io::AsyncRead + Unpin>(pipe: &mut Option<R>, buffer: &mut [u8]) -> usize {
    let Some(reader) = pipe else { return std::future::pending().await };
    let count = reader.read(buffer).await.unwrap_or(0);
    if count == 0 {
        *pipe = None;
    }
    count
}

/// The program's process group; killed when dropped.
struct Group(Option<nix::unistd::Pid>);

impl Group {
    fn of(child: &Child) -> Group {
        let pid = child.id().and_then(|pid| i32::try_from(pid).ok());
        Group(pid.map(nix::unistd::Pid::from_raw))
    }
}

impl Drop for Group {
    fn drop(&mut self) {
        if let Some(group) = self.0 {
            // Gone already in the ordinary case.
            let _ = nix::sys::signal::killpg(group, nix::sys::signal::Signal::SIGKILL);
        }
    }
}

fn plain(why: &std::io::Error) -> String {
    match why.kind() {
        std::io::ErrorKind::NotFound => "there is no such program".to_owned(),
        std::io::ErrorKind::PermissionDenied => "the user that runs tubwatch may not run it".to_owned(),
        _ => plainly(&why.to_string()),
    }
}
