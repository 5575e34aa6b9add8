//! The daemon's own backups: a folder a day on another disk, with everything needed to go on elsewhere.
//!
//! In: `[backup]`, the store's folder, the config. Out: dated folders with the store's copy, the config and
//! the cultures; files with secrets are left out and listed. Whole or not there at all; older ones than are to
//! be kept are taken away. Left out: putting one back (`tubwatch restore`).

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use chrono::{NaiveDateTime, TimeZone, Utc};
use tokio::sync::mpsc;
use tracing::{info, warn};

use crate::climate::Stamp;
use crate::climate::stamp::{DAY_MS, MINUTE_MS};
use crate::config::Plan;
use crate::store::backup;

/// A folder of one backup begins with this; the time in UTC follows.
const NAME: &str = "tubwatch-";
const TIME: &str = "%Y-%m-%dT%H%MZ";
/// A folder that is not whole yet ends with this.
const UNFINISHED: &str = ".new";
/// How often it is looked whether one is due; a disk that was away is tried again as soon.
const LOOK: Duration = Duration::from_secs(60);
/// The store needs its first samples and the grower a minute before the first copy.
const FIRST_AFTER: Duration = Duration::from_secs(5);
/// A backup older than this is told of.
const OLD_MS: i64 = 7 * DAY_MS;

/// The store's fact that says when the newest was made, ms; where none was yet, since when one is to be.
pub const NEWEST: &str = "backup:newest";

/// How the backups stand.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Standing {
    /// When the newest was made; where none was yet, since when one is to be.
    pub newest: Stamp,
    /// The newest is young enough.
    pub is_ok: bool,
    /// Why not, in one plain sentence.
    pub why: String,
}

/// Makes backups as they fall due, until the task is aborted. Every look is told to `standings`. `newest` is
/// what [`NEWEST`] says: a disk that is away does not tell, and a daemon that is often started must know.
pub async fn keep(plan: Arc<Plan>, newest: Option<Stamp>, standings: mpsc::UnboundedSender<Standing>) {
    let mut said = String::new();
    let mut wait = FIRST_AFTER;
    let mut newest = newest.unwrap_or_else(now);
    loop {
        tokio::time::sleep(wait).await;
        wait = LOOK;
        let work = Arc::clone(&plan);
        let looked = tokio::task::spawn_blocking(move || look(&work, now())).await;
        let standing = match looked {
            Ok(Ok((made, at))) => {
                if let Some(made) = made {
                    info!("backup: {}", made.display());
                    said.clear();
                }
                newest = at;
                Standing { newest, is_ok: true, why: String::new() }
            }
            Ok(Err((why, found))) => {
                if why != said {
                    warn!("{why}");
                    said.clone_from(&why);
                }
                newest = found.unwrap_or(newest);
                Standing { newest, is_ok: now().since(newest) < OLD_MS, why }
            }
            // Only at the end of the process.
            Err(_) => return,
        };
        if standings.send(standing).is_err() {
            return;
        }
    }
}

fn now() -> Stamp {
    Stamp::from_time(&Utc::now())
}

/// Makes a backup if one is due; its folder, and when the newest was made. The error comes with the latter
/// as far as it is known.
fn look(plan: &Plan, now: Stamp) -> Result<(Option<PathBuf>, Stamp), (String, Option<Stamp>)> {
    let Some(wanted) = &plan.backup else { return Ok((None, now)) };
    let fail = |why: String, newest| (format!("no backup could be made in {}: {why}", wanted.folder.display()), newest);
    let kept = kept(&wanted.folder)
        .map_err(|error| fail(format!("{error}; is the disk plugged in and the folder there?"), None))?;
    let newest = newest(kept.iter().map(|(at, _)| *at), now);
    if let Some(newest) = newest.filter(|newest| now.since(*newest) < wanted.every_ms) {
        return Ok((None, newest));
    }
    let made = make(plan, &wanted.folder, now).map_err(|why| fail(why, newest))?;
    let surplus = (kept.len() + 1).saturating_sub(wanted.keep);
    for (_, old) in kept.iter().take(surplus) {
        if let Err(error) = fs::remove_dir_all(old) {
            warn!("the old backup {} could not be taken away: {error}", old.display());
        }
    }
    Ok((Some(made), now))
}

/// The newest of backups made at `kept`. One of the future was made by a clock that was wrong: it must
/// neither stop others for years nor make each look take another.
fn newest(kept: impl Iterator<Item = Stamp>, now: Stamp) -> Option<Stamp> {
    kept.filter(|at| *at <= now.plus(MINUTE_MS)).max()
}

/// The whole backups in `folder`, oldest first. Remains of one that was cut short are taken away.
fn kept(folder: &Path) -> std::io::Result<Vec<(Stamp, PathBuf)>> {
    let mut kept = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name().to_string_lossy().into_owned();
        let Some(time) = name.strip_prefix(NAME) else { continue };
        if let Some(whole) = time.strip_suffix(UNFINISHED) {
            if NaiveDateTime::parse_from_str(whole, TIME).is_ok() {
                fs::remove_dir_all(entry.path())?;
            }
        } else if let Ok(at) = NaiveDateTime::parse_from_str(time, TIME) {
            kept.push((Stamp::from_time(&Utc.from_utc_datetime(&at)), entry.path()));
        }
    }
    kept.sort();
    Ok(kept)
}

fn make(plan: &Plan, folder: &Path, now: Stamp) -> Result<PathBuf, String> {
    let target = folder.join(format!("{NAME}{}", now.utc().format(TIME)));
    let new = folder.join(format!("{NAME}{}{UNFINISHED}", now.utc().format(TIME)));
    let done = fill(plan, &new).and_then(|()| {
        let placed = fs::rename(&new, &target).and_then(|()| File::open(folder)?.sync_all());
        placed.map_err(|error| error.to_string())
    });
    if done.is_err() {
        let _ = fs::remove_dir_all(&new);
    }
    done.map(|()| target)
}

fn fill(plan: &Plan, new: &Path) -> Result<(), String> {
    let io = |error: std::io::Error| error.to_string();
    fs::create_dir(new).map_err(io)?;
    backup::copy(&plan.store.folder, &new.join(crate::store::open::FILE)).map_err(|why| why.to_string())?;
    let config = fs::read_to_string(&plan.file).map_err(io)?;
    put(&new.join("tubwatch.toml"), &config)?;
    let named = named(&config);
    if let Some(cultures) = &named.cultures {
        let from = plan.file.parent().unwrap_or(Path::new("")).join(cultures);
        let text = fs::read_to_string(&from).map_err(|error| format!("{}: {error}", from.display()))?;
        let name = from.file_name().map_or_else(|| PathBuf::from("cultures.toml"), PathBuf::from);
        put(&new.join(name), &text)?;
    }
    put(&new.join("READ-ME.txt"), &told(plan, &named))
}

fn put(path: &Path, text: &str) -> Result<(), String> {
    let written = fs::write(path, text).and_then(|()| File::open(path)?.sync_all());
    written.map_err(|error| format!("{}: {error}", path.display()))
}

/// The files with secrets that the config in `file` names, as it names them: no backup holds them.
pub fn left_out(file: &Path) -> Vec<String> {
    let text = fs::read_to_string(file).unwrap_or_default();
    named(&text).secrets.into_iter().map(|(_, file)| file).collect()
}

/// Files that a config names.
#[derive(Default)]
struct Named {
    cultures: Option<String>,
    /// Key and file, of secrets.
    secrets: Vec<(String, String)>,
}

fn named(config: &str) -> Named {
    let mut named = Named::default();
    if let Ok(table) = config.parse::<toml::Table>() {
        walk(&table, "", &mut named);
    }
    named
}

fn walk(table: &toml::Table, path: &str, named: &mut Named) {
    for (key, value) in table {
        let path = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
        match value {
            toml::Value::String(file) if path == "site.cultures" => named.cultures = Some(file.clone()),
            toml::Value::String(file) if key.ends_with("_file") => named.secrets.push((path, file.clone())),
            toml::Value::Table(inner) => walk(inner, &path, named),
            toml::Value::Array(list) => {
                for inner in list.iter().filter_map(toml::Value::as_table) {
                    walk(inner, &path, named);
                }
            }
            _ => {}
        }
    }
}

fn told(plan: &Plan, named: &Named) -> String {
    let mut text = format!(
        "A backup of the tubwatch site {}.\n\nTo go on with it on another card: install tubwatch, put tubwatch.toml (and the cultures \
         beside it, if\nthere are any) where its config belongs, then\n\n    tubwatch restore tubwatch.sqlite\n    tubwatch run\n\n\
         Left out, because they are secret; make them anew:\n",
        plan.site
    );
    if named.secrets.is_empty() {
        text.push_str("  (none)\n");
    }
    for (key, file) in &named.secrets {
        text.push_str(&format!("  {key} = {file}\n"));
    }
    text.push_str("\nAddresses in tubwatch.toml may be secret too: keep this folder as you keep a key.\n");
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_of_the_future_is_not_the_newest() {
        let now = Stamp(100 * DAY_MS);
        let newest = |days: &[i64]| newest(days.iter().map(|day| Stamp(day * DAY_MS)), now).map(|at| at.0 / DAY_MS);
        assert_eq!(newest(&[98, 99, 4_000]), Some(99));
        assert_eq!(newest(&[98, 100]), Some(100));
        assert_eq!((newest(&[4_000]), newest(&[])), (None, None));
    }
}
