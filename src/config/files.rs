//! The files a config names: passwords, tokens, headers, certificates, cultures.
//!
//! In: a path as the config writes it, relative to the config's folder. Out: the content, or a fault
//! at the key that names the file. Never quotes the content.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use super::fault::Cause;
use super::plan::Secret;
use super::walk::{Desk, Text};
use super::word::quoted;

/// The largest file that is read, the config included, bytes: a thousand times an ordinary one, so
/// that a wrong path (a device, a log) cannot fill the memory.
pub(super) const FILE_BYTES_MAX: u64 = 1 << 20;

/// Reads a whole regular file of text, or says why not: a fragment that fits after "cannot be read:".
/// The number is the byte at which it stops being text, where that is why.
pub(super) fn read(path: &Path) -> Result<String, (String, usize, Vec<u8>)> {
    let plain = |why: String| (why, 0, Vec::new());
    let meta = std::fs::metadata(path).map_err(|error| plain(reason(&error)))?;
    if !meta.is_file() {
        return Err(plain("it is not a regular file".to_owned()));
    }
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(|error| plain(reason(&error)))?;
    file.take(FILE_BYTES_MAX + 1).read_to_end(&mut bytes).map_err(|error| plain(reason(&error)))?;
    if bytes.len() as u64 > FILE_BYTES_MAX {
        return Err(plain("it is larger than 1 MiB".to_owned()));
    }
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        ("it is not text in UTF-8".to_owned(), at, error.into_bytes())
    })
}

/// An I/O error in plain words.
fn reason(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".to_owned(),
        std::io::ErrorKind::PermissionDenied => "the user that runs tubwatch may not read it".to_owned(),
        _ => error.to_string(),
    }
}

/// Reads the files that one config names.
pub(super) struct Shelf {
    /// The config's folder, absolute.
    pub folder: PathBuf,
    /// Where the service manager has put secrets for this process alone; looked into first.
    pub credentials: Option<PathBuf>,
    /// Whether a file that holds a secret must be readable. A command that tells of tubs does not need
    /// it, and whoever types it may not be allowed to read it: it is then left out.
    pub secrets_needed: bool,
}

impl Shelf {
    /// `path` as the config writes it, made absolute.
    pub fn absolute(&self, path: &str) -> PathBuf {
        self.folder.join(path)
    }

    /// Where the file `path` lies: of a relative one, what the service manager handed over goes first,
    /// under its path with "_" for "/", which is how systemd names the files of a folder of credentials.
    fn place(&self, path: &str) -> PathBuf {
        let handed = self.credentials.as_ref().filter(|_| Path::new(path).is_relative());
        let handed = handed.map(|folder| folder.join(path.trim_start_matches("./").replace('/', "_")));
        handed.filter(|handed| handed.is_file()).unwrap_or_else(|| self.absolute(path))
    }

    /// Whether the secret in the file `path` is left out.
    pub fn leaves_out(&self, path: &Text<'_>) -> bool {
        !self.secrets_needed && File::open(self.place(path.text)).is_err()
    }

    /// The content of the file that `path` names.
    pub fn text(&self, desk: &mut Desk<'_>, path: &Text<'_>) -> Option<String> {
        if path.text.is_empty() {
            desk.fault(path.at, &path.path, Cause::Value, "found an empty text, expected the path of a file");
            return None;
        }
        match read(&self.place(path.text)) {
            Ok(text) => Some(text),
            Err((why, ..)) => {
                self.unreadable(desk, path, &why);
                None
            }
        }
    }

    /// Notes that the file `path` names cannot be read; the place it was looked for is told.
    pub fn unreadable(&self, desk: &mut Desk<'_>, path: &Text<'_>, why: &str) {
        let sentence = format!("the file {:?} cannot be read: {why}", self.absolute(path.text));
        desk.fault(path.at, &path.path, Cause::Unreadable, sentence);
    }

    /// The one line of a file that holds a secret, of at least `at_least` characters.
    pub fn secret(&self, desk: &mut Desk<'_>, path: &Text<'_>, at_least: usize) -> Option<Secret> {
        if self.leaves_out(path) {
            return None;
        }
        let text = self.text(desk, path)?;
        let line = text.strip_suffix('\n').unwrap_or(&text);
        let line = line.strip_suffix('\r').unwrap_or(line);
        let wrong = if line.chars().any(char::is_control) {
            "holds more than one line or a control character, expected one line"
        } else if line.chars().count() < at_least {
            if at_least > 1 {
                "holds fewer than 16 characters, expected at least 16"
            } else {
                "is empty, expected one line"
            }
        } else {
            return Some(Secret(line.to_owned()));
        };
        desk.fault(path.at, &path.path, Cause::Value, format!("the file {} {wrong}", quoted(path.text)));
        None
    }

    /// The content of a PEM file that must hold a block `kind`, `CERTIFICATE` or one ending in
    /// `PRIVATE KEY`.
    pub fn pem(&self, desk: &mut Desk<'_>, path: &Text<'_>, kind: &str) -> Option<String> {
        if kind.ends_with("KEY") && self.leaves_out(path) {
            return None;
        }
        let text = self.text(desk, path)?;
        let head = |line: &str| line.starts_with("-----BEGIN ") && line.trim_end().ends_with(&format!("{kind}-----"));
        if text.lines().any(head) {
            return Some(text);
        }
        let sentence = format!("the file {} holds no {kind}, expected a file in PEM format", quoted(path.text));
        desk.fault(path.at, &path.path, Cause::Value, sentence);
        None
    }
}
