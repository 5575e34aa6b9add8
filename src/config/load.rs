//! From a file to a checked [`Plan`]: the order in which the tables are read, and where the file is.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use super::backup::backup;
use super::cultures;
use super::fault::{Cause, Fault, Faults};
use super::files::{self, Shelf};
use super::forwards::forwards;
use super::messengers::messengers;
use super::morning::{morning, sign_of_life};
use super::plan::Plan;
use super::probes::probes;
use super::site;
use super::sources::sources;
use super::spaces::spaces;
use super::syntax;
use super::walk::{Desk, Section, Text};
use crate::grow::culture::Culture;
use crate::watch::setup::{Setup, SourceSetup};

/// The environment variable that names the config.
pub const VARIABLE: &str = "TUBWATCH_CONFIG";

/// The folder in which systemd hands secrets to a service (`LoadCredential=`).
const CREDENTIALS: &str = "CREDENTIALS_DIRECTORY";

/// Where the config is looked for without one.
const PLACES: [&str; 2] = ["config/tubwatch.toml", "/etc/tubwatch/tubwatch.toml"];

const TABLES: [&str; 15] = [
    "site",
    "store",
    "backup",
    "status",
    "broker",
    "intake",
    "port",
    "local",
    "probe",
    "correction",
    "space",
    "messenger",
    "morning",
    "sign_of_life",
    "forward",
];

/// No config was found in any of the usual places.
#[derive(Debug, thiserror::Error)]
#[error(
    "no config found: there is neither ./config/tubwatch.toml nor /etc/tubwatch/tubwatch.toml; name one with \
     --config FILE or in TUBWATCH_CONFIG"
)]
pub struct NoConfig;

/// The config to read: `explicit`, else `$TUBWATCH_CONFIG` (unless empty), else
/// `./config/tubwatch.toml`, else `/etc/tubwatch/tubwatch.toml`. Looks at the environment and the
/// working folder. A named file is not looked for here: [`load`] says why it cannot be read.
///
/// # Errors
/// [`NoConfig`] when none is named and neither usual place has one.
pub fn find(explicit: Option<&Path>) -> Result<PathBuf, NoConfig> {
    find_among(explicit, std::env::var_os(VARIABLE), &PLACES.map(Path::new))
}

fn find_among(explicit: Option<&Path>, named: Option<OsString>, places: &[&Path]) -> Result<PathBuf, NoConfig> {
    if let Some(path) = explicit {
        return Ok(path.to_owned());
    }
    if let Some(path) = named.filter(|path| !path.is_empty()) {
        return Ok(path.into());
    }
    places.iter().find(|path| path.exists()).map(|path| path.to_path_buf()).ok_or(NoConfig)
}

/// Reads and checks the config `path`, and the files it names.
///
/// # Errors
/// Everything that is wrong with it, at once.
pub fn load(path: &Path) -> Result<Plan, Faults> {
    load_with(path, true)
}

/// As [`load`], for whoever may not read the files that hold secrets: those that cannot be read are
/// left out, and the plan may be used for nothing that needs them.
///
/// # Errors
/// Everything else that is wrong with it, at once.
pub fn load_for_commands(path: &Path) -> Result<Plan, Faults> {
    load_with(path, false)
}

fn load_with(path: &Path, secrets_needed: bool) -> Result<Plan, Faults> {
    match files::read(path) {
        Ok(text) => parse_with(&text, path, secrets_needed),
        Err((why, at, bytes)) => {
            let readable = String::from_utf8_lossy(&bytes[..at.min(bytes.len())]);
            let mut desk = Desk::new(&readable, path);
            desk.fault(readable.len(), "(file)", Cause::Unreadable, format!("it cannot be read: {why}"));
            Err(told(desk.faults))
        }
    }
}

/// The faults of a config that has some.
fn told(faults: Vec<Fault>) -> Faults {
    Faults::from_findings(faults).expect("called with at least one fault")
}

/// Checks `text` as the config `file`: reads the files that it names, relative to the folder of
/// `file`, which itself is not read.
///
/// # Errors
/// Everything that is wrong with it, at once.
pub fn parse(text: &str, file: &Path) -> Result<Plan, Faults> {
    parse_with(text, file, true)
}

fn parse_with(text: &str, file: &Path, secrets_needed: bool) -> Result<Plan, Faults> {
    let absolute = std::path::absolute(file).unwrap_or_else(|_| file.to_owned());
    let folder = absolute.parent().map_or_else(PathBuf::new, Path::to_owned);
    let credentials = std::env::var_os(CREDENTIALS).filter(|path| !path.is_empty()).map(PathBuf::from);
    let shelf = Shelf { folder, credentials, secrets_needed };
    // A byte order mark is no part of the first line.
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut desk = Desk::new(text, file);
    let plan = syntax::with_root(&mut desk, text, |desk, root| read(desk, root, &shelf, absolute));
    Faults::from_findings(desk.faults).map_or(Ok(plan), Err)
}

fn read(desk: &mut Desk<'_>, root: &Section<'_>, shelf: &Shelf, file: PathBuf) -> Plan {
    root.only(desk, &TABLES);
    let site = site::site(desk, root);
    let store = site::store(desk, root, shelf);
    let backup = backup(desk, root, shelf);
    let status = site::status(desk, root, shelf);
    let name = site.name.unwrap_or_default();
    let sources = sources(desk, root, shelf, &name);
    let probes = probes(desk, root, &sources);
    let spaces = spaces(desk, root, &probes);
    let forwards = forwards(desk, root, shelf);
    let messengers = messengers(desk, root, shelf, &sources);
    let (morning, sign_of_life) = (morning(desk, root, &messengers.names), sign_of_life(desk, root));
    let messengers = messengers.plans;
    let own = site.cultures.map_or_else(Vec::new, |path| own_cultures(desk, &path, shelf));
    let brokers = sources.brokers.iter().map(|broker| SourceSetup { name: broker.name.clone(), kind: "broker" });
    let ports = sources.ports.iter().map(|port| SourceSetup { name: port.name.clone(), kind: "port" });
    let intakes = sources.intakes.iter().map(|intake| SourceSetup { name: intake.name.clone(), kind: "intake" });
    let locals = sources.locals.iter().map(|local| SourceSetup { name: local.name.clone(), kind: "local" });
    let setup = Setup {
        sources: brokers.chain(ports).chain(intakes).chain(locals).collect(),
        probes: probes.setups,
        spaces,
        cultures: cultures::merged(cultures::built_in(), own),
        due_not_before_ms: site.due_not_before_ms,
        timezone: site.timezone,
        show: site.show,
    };
    Plan {
        file,
        site: name,
        timezone: site.timezone,
        altitude_m: site.altitude_m,
        store,
        backup,
        status,
        brokers: sources.brokers,
        ports: sources.ports,
        intakes: sources.intakes,
        locals: sources.locals,
        probes: probes.plans,
        messengers,
        forwards,
        morning,
        sign_of_life,
        setup,
    }
}

/// The site's own cultures; their faults are told at their own file.
fn own_cultures(desk: &mut Desk<'_>, path: &Text<'_>, shelf: &Shelf) -> Vec<Culture> {
    let shown = desk.file.with_file_name(path.text);
    match files::read(&shelf.absolute(path.text)) {
        Ok(text) => {
            let mut own = Desk::new(&text, &shown);
            let cultures = cultures::read(&mut own, &text);
            desk.faults.append(&mut own.faults);
            cultures
        }
        Err((why, ..)) => {
            shelf.unreadable(desk, path, &why);
            Vec::new()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_config_is_found_in_order() {
        let here = Path::new(file!());
        let nowhere = Path::new("no/such/file.toml");
        let find = |explicit: Option<&str>, named: Option<&str>, places: &[&Path]| {
            find_among(explicit.map(Path::new), named.map(OsString::from), places).ok()
        };
        assert_eq!(find(Some("a.toml"), Some("b.toml"), &[here]), Some("a.toml".into()));
        assert_eq!(find(None, Some("b.toml"), &[here]), Some("b.toml".into()));
        assert_eq!(find(None, Some(""), &[nowhere, here]), Some(here.to_owned()));
        assert_eq!(find(None, None, &[nowhere]), None);
    }
}
