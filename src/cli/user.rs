//! `user add`: who may publish to an intake.
//!
//! In: the config file, of which only the intakes' `people_file` is read, since a config that names one
//! not made yet is refused as a whole; a password, typed unseen or from standard input. Out: that file
//! with the person's line, made new or in the old one's place. The password itself is kept nowhere.

use std::io::{BufRead, ErrorKind, IsTerminal, Read, Write};
use std::os::fd::AsRawFd;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use nix::sys::termios::{LocalFlags, SetArg, tcgetattr, tcsetattr};
use rand::TryRngCore;
use rand::rngs::OsRng;

use super::speak::{Failure, Outcome, Voice};
use crate::config;
use crate::config::people::{self, PASSWORD_BYTES_MAX, People, SALT_BYTES};
use crate::grow::wrong::unknown;

/// The fewest characters of a password.
const PASSWORD_LEAST: usize = 8;

/// Adds `name`, or gives it another password.
pub fn add(file: Option<&Path>, name: &str, intake: Option<&str>) -> Outcome {
    if let Some(fault) = people::name_fault(name) {
        return Err(Failure::Usage(format!("{name:?} cannot be a name: {fault}")));
    }
    let config = config::find(file).map_err(|none| Failure::Config(none.to_string()))?;
    let text = std::fs::read_to_string(&config)
        .map_err(|error| Failure::Config(format!("cannot read {}: {error}", config.display())))?;
    let named = people_file(&text, intake).map_err(|why| Failure::Config(format!("{}: {why}", config.display())))?;
    let path = config.parent().unwrap_or(Path::new("")).join(named);
    let before = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == ErrorKind::NotFound => String::new(),
        Err(error) => return Err(Failure::Failed(format!("cannot read {}: {error}", path.display()))),
    };
    People::read(&before).map_err(|(line, why)| Failure::Failed(format!("{}, line {line}: {why}", path.display())))?;
    let password = password()?;
    let mut salt = [0; SALT_BYTES];
    OsRng
        .try_fill_bytes(&mut salt)
        .map_err(|error| Failure::Failed(format!("the system gives no random numbers: {error}")))?;
    let line = people::line(name, &password, &salt)
        .ok_or_else(|| Failure::Failed("the password could not be hashed".to_owned()))?;
    let (after, known) = with_line(&before, name, &line);
    replace(&path, &after)?;
    let mut voice = Voice::new();
    let done = if known { "has another password in" } else { "is in" };
    voice.say(format!("{name} {done} {}, readable by its owner alone", path.display()))?;
    voice.say("the daemon must be able to read it, and takes it up when it is started or rereads its config; with the packaged service it belongs in secrets/, as people_file = \"secrets/intake.people\", and wants systemctl restart tubwatch")
}

/// The path of the people's file, as the config has it.
fn people_file(text: &str, intake: Option<&str>) -> Result<PathBuf, String> {
    let root: toml::Table = text.parse().map_err(|error: toml::de::Error| error.message().to_owned())?;
    let all = root.get("intake").and_then(|intakes| intakes.as_array()).cloned().unwrap_or_default();
    let of = |table: &toml::Value, key: &str| table.get(key).and_then(|value| value.as_str()).map(str::to_owned);
    let wanted = all.iter().filter(|table| intake.is_none_or(|intake| of(table, "name").as_deref() == Some(intake)));
    if let Some(intake) = intake.filter(|_| !all.is_empty() && wanted.clone().next().is_none()) {
        let names: Vec<String> = all.iter().filter_map(|table| of(table, "name")).collect();
        return Err(unknown("intake", intake, names.iter().map(String::as_str)));
    }
    let mut files: Vec<String> = wanted.filter_map(|table| of(table, "people_file")).collect();
    files.dedup();
    match files.as_slice() {
        [file] if !file.is_empty() => Ok(PathBuf::from(file)),
        [] if all.is_empty() => Err("there is no [[intake]] to publish to; add one with a people_file".to_owned()),
        [] => Err("that intake names no people_file; add people_file = \"intake.people\" to it".to_owned()),
        [_] => Err("people_file must be the path of a file".to_owned()),
        _ => Err("there are several intakes with a people_file; say which one by --intake NAME".to_owned()),
    }
}

/// `text` with the line of `name` replaced or added, and whether it was there.
fn with_line(text: &str, name: &str, line: &str) -> (String, bool) {
    let is_it = |one: &str| one.trim().split_once(':').is_some_and(|(one, _)| one == name);
    let known = text.lines().any(is_it);
    let mut lines: Vec<&str> = text.lines().map(|one| if is_it(one) { line } else { one }).collect();
    if !known {
        lines.push(line);
    }
    (lines.join("\n") + "\n", known)
}

/// Asks for the password twice on a terminal, or reads the one line of standard input.
fn password() -> Result<Vec<u8>, Failure> {
    let stdin = std::io::stdin();
    let password = if stdin.is_terminal() {
        let first = typed("Password: ")?;
        if typed("Once more: ")? != first {
            return Err(Failure::Failed("the two are not the same; nothing was changed".to_owned()));
        }
        first
    } else {
        let mut text = String::new();
        let most = PASSWORD_BYTES_MAX as u64 + 2;
        let read = stdin.lock().take(most).read_to_string(&mut text);
        read.map_err(|error| Failure::Failed(format!("the password cannot be read from standard input: {error}")))?;
        text
    };
    let password = password.strip_suffix('\n').unwrap_or(&password);
    let password = password.strip_suffix('\r').unwrap_or(password);
    if password.chars().any(char::is_control) || password.len() > PASSWORD_BYTES_MAX {
        return Err(Failure::Failed(format!("a password is one line of at most {PASSWORD_BYTES_MAX} bytes")));
    }
    if password.chars().count() < PASSWORD_LEAST {
        return Err(Failure::Failed(format!(
            "a password has at least {PASSWORD_LEAST} characters; nothing was changed"
        )));
    }
    Ok(password.as_bytes().to_vec())
}

/// One line typed on the terminal, not shown.
fn typed(ask: &str) -> Result<String, Failure> {
    let stdin = std::io::stdin();
    let terminal = stdin.as_raw_fd();
    let unseen = |error| Failure::Failed(format!("the terminal cannot be told not to show the password: {error}"));
    let shown = tcgetattr(terminal).map_err(unseen)?;
    let mut hidden = shown.clone();
    hidden.local_flags.remove(LocalFlags::ECHO);
    tcsetattr(terminal, SetArg::TCSAFLUSH, &hidden).map_err(unseen)?;
    let mut prompt = std::io::stderr();
    // Asking unseen is still asking.
    let _ = write!(prompt, "{ask}").and_then(|()| prompt.flush());
    let mut line = String::new();
    let read = stdin.lock().read_line(&mut line);
    let _ = tcsetattr(terminal, SetArg::TCSAFLUSH, &shown);
    let _ = writeln!(prompt);
    read.map_err(|error| Failure::Failed(format!("the password cannot be read: {error}")))?;
    Ok(line)
}

/// Puts `text` in the file's place, whole or not at all.
fn replace(path: &Path, text: &str) -> Outcome {
    let shown = path.display();
    let mut beside = path.as_os_str().to_owned();
    beside.push(".new");
    let beside = PathBuf::from(beside);
    let failed = |error: std::io::Error| Failure::Failed(format!("cannot write {shown}: {error}"));
    let mut file = std::fs::OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(true)
        .mode(0o600)
        .open(&beside)
        .map_err(failed)?;
    file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(failed)?;
    std::fs::rename(&beside, path).map_err(failed)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn the_file_is_found_where_only_one_is_meant() {
        let one = "[[intake]]\nname = \"door\"\npeople_file = \"a\"\n";
        let two = format!("{one}[[intake]]\nname = \"back\"\npeople_file = \"b\"\n");
        assert_eq!(people_file(one, None).unwrap(), Path::new("a"));
        assert_eq!(people_file(&two, Some("back")).unwrap(), Path::new("b"));
        for (text, intake, part) in [
            ("[site]", None, "no [[intake]]"),
            (&two, None, "--intake"),
            (&two, Some("front"), "no intake is called \"front\"; there are door, back"),
            ("[[intake]]\nname = \"door\"", None, "no people_file"),
            ("[[intake", None, ""),
        ] {
            assert!(people_file(text, intake).unwrap_err().contains(part), "{text}");
        }
    }

    #[test]
    fn a_line_is_added_or_replaced() {
        assert_eq!(with_line("", "a", "a:1"), ("a:1\n".to_owned(), false));
        assert_eq!(with_line("# c\na:1\nb:2", "a", "a:9"), ("# c\na:9\nb:2\n".to_owned(), true));
        assert_eq!(with_line("ab:1\n", "a", "a:9"), ("ab:1\na:9\n".to_owned(), false));
    }
}
