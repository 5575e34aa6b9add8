//! `token new`: the secret that a reader from elsewhere must show.
//!
//! In: the config file, of which only `[status] token_file` is read, since a config that names a
//! token not made yet is refused as a whole. Out: that file, new, readable by its owner alone. An
//! old token is never overwritten: whoever uses it would be locked out unasked.

use std::fs::OpenOptions;
use std::io::{ErrorKind, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use rand::TryRngCore;
use rand::rngs::OsRng;

use super::speak::{Failure, Outcome, Voice};
use crate::config;

/// Random bytes in a token: beyond guessing.
const TOKEN_BYTES: usize = 32;
/// Where the token goes when the config does not say.
const DEFAULT_FILE: &str = "status.token";

/// Makes the token's file.
pub fn new(file: Option<&Path>) -> Outcome {
    let config = config::find(file).map_err(|none| Failure::Config(none.to_string()))?;
    let text = std::fs::read_to_string(&config)
        .map_err(|error| Failure::Config(format!("cannot read {}: {error}", config.display())))?;
    let named = token_file(&text).map_err(|why| Failure::Config(format!("{}: {why}", config.display())))?;
    let folder = config.parent().unwrap_or(Path::new(""));
    let path = folder.join(named.as_deref().unwrap_or(Path::new(DEFAULT_FILE)));
    write_new(&path, &token()?)?;
    let mut voice = Voice::new();
    voice.say(format!("made {}, readable by its owner alone", path.display()))?;
    if named.is_none() {
        voice
            .say(format!("to use it, write under [status] in {}: token_file = \"{DEFAULT_FILE}\"", config.display()))?;
    }
    voice.say("the daemon must be able to read it, and takes it up when it is started or rereads its config; with the packaged service it belongs in secrets/, as token_file = \"secrets/status.token\", and wants systemctl restart tubwatch")
}

/// The path that the config gives the token, if it gives one.
fn token_file(text: &str) -> Result<Option<PathBuf>, String> {
    let root: toml::Table = text.parse().map_err(|error: toml::de::Error| error.message().to_owned())?;
    match root.get("status").and_then(|status| status.get("token_file")) {
        None => Ok(None),
        Some(toml::Value::String(path)) if !path.is_empty() => Ok(Some(PathBuf::from(path))),
        Some(_) => Err("status.token_file must be the path of a file, in quotes".to_owned()),
    }
}

/// A new token: 64 hexadecimal digits.
fn token() -> Result<String, Failure> {
    let mut bytes = [0_u8; TOKEN_BYTES];
    OsRng
        .try_fill_bytes(&mut bytes)
        .map_err(|error| Failure::Failed(format!("the system gives no random numbers: {error}")))?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

fn write_new(path: &Path, token: &str) -> Outcome {
    let shown = path.display();
    let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path).map_err(|error| {
        Failure::Failed(match error.kind() {
            ErrorKind::AlreadyExists => format!("{shown} is there already; move it away first if its token is to end"),
            _ => format!("cannot make {shown}: {error}"),
        })
    })?;
    writeln!(file, "{token}")
        .and_then(|()| file.sync_all())
        .map_err(|error| Failure::Failed(format!("cannot write {shown}: {error}")))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn only_the_tokens_path_is_read() {
        assert_eq!(token_file("[status]\ntoken_file = \"a.token\"\nnonsense = 1").unwrap(), Some("a.token".into()));
        assert_eq!(token_file("[site]\nname = \"cellar\"").unwrap(), None);
        assert!(token_file("[status]\ntoken_file = 3").is_err());
        assert!(token_file("[status").is_err());
    }

    #[test]
    fn tokens_differ_and_are_long() {
        let (one, other) = (token().unwrap(), token().unwrap());
        assert_eq!(one.len(), 64);
        assert_ne!(one, other);
    }
}
