//! Two accounts on one store: the service's, and the grower's own in its group. And secrets that
//! only the service may read.

use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use super::notify::BARE;
use crate::harness::daemon::Site;
use crate::harness::{PATIENCE, wait_until};

/// Numbers that no account of the machine has; only numbers are needed.
const SERVICE: u32 = 64_801;
const GROWER: u32 = 64_802;
const GROUP: u32 = 64_810;

pub fn is_root() -> bool {
    Command::new("id").arg("-u").output().unwrap().stdout.trim_ascii() == b"0"
}

/// A command that runs as `user` with the service's group, and the umask of that account.
fn as_user(user: u32, umask: &str, program: &Path, words: &[&str]) -> Command {
    let mut command = Command::new(if is_root() { "setpriv" } else { "sudo" });
    if !is_root() {
        command.args(["-n", "setpriv"]);
    }
    command.arg(format!("--reuid={user}")).arg(format!("--regid={}", if user == SERVICE { GROUP } else { user }));
    command.arg(format!("--groups={GROUP}"));
    command.args(["sh", "-c", &format!("umask {umask}; exec \"$@\""), "sh"]).arg(program).args(words);
    command.stdin(Stdio::null());
    command
}

struct Shared {
    folder: tempfile::TempDir,
    program: PathBuf,
    config: PathBuf,
}

impl Shared {
    /// A folder as the unit's StateDirectory makes it, a program and a config that all may read.
    fn new() -> Shared {
        let folder = tempfile::tempdir().unwrap();
        let open = |path: &Path, mode| std::fs::set_permissions(path, PermissionsExt::from_mode(mode)).unwrap();
        open(folder.path(), 0o755);
        let program = folder.path().join("tubwatch");
        std::fs::copy(env!("CARGO_BIN_EXE_tubwatch"), &program).unwrap();
        open(&program, 0o755);
        let config = folder.path().join("tubwatch.toml");
        std::fs::write(&config, format!("{BARE}\n[[space]]\nname = \"shelf\"\n")).unwrap();
        open(&config, 0o644);
        let state = folder.path().join("state");
        std::fs::create_dir(&state).unwrap();
        chown(&state, Some(SERVICE), Some(GROUP)).expect("run by root, as a service's accounts must be made");
        open(&state, 0o2770);
        Shared { folder, program, config }
    }

    fn command(&self, user: u32, umask: &str, words: &[&str]) -> Output {
        let words = [&["--config", self.config.to_str().unwrap()], words].concat();
        as_user(user, umask, &self.program, &words).output().unwrap()
    }

    fn ok(&self, user: u32, umask: &str, words: &[&str]) -> String {
        let output = self.command(user, umask, words);
        assert!(output.status.success(), "{words:?} as {user}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    }

    fn store(&self) -> PathBuf {
        self.folder.path().join("state/tubwatch.sqlite")
    }

    /// Owner, group and mode of the store's file and its folder.
    fn rights(&self) -> Vec<(u32, u32, u32)> {
        let of = |path: PathBuf| std::fs::metadata(path).map(|meta| (meta.uid(), meta.gid(), meta.mode())).unwrap();
        vec![of(self.folder.path().join("state")), of(self.store())]
    }
}

const SPAWN: [&str; 6] = ["spawn", "A1", "--culture", "winter-oyster", "--space", "shelf"];

#[test]
fn the_growers_account_shares_the_services_store() {
    let shared = Shared::new();
    let words = ["--config", shared.config.to_str().unwrap(), "run"];
    let mut daemon = as_user(SERVICE, "0007", &shared.program, &words).stderr(Stdio::null()).spawn().unwrap();
    wait_until(PATIENCE, "the service made its store", || shared.store().exists());
    let before = shared.rights();
    assert_eq!(before[1], (SERVICE, GROUP, 0o100_660));

    // Beside the running service, with a umask that keeps everything to oneself.
    shared.ok(GROWER, "0077", &SPAWN);
    shared.ok(GROWER, "0077", &["note", "A1", "smells fresh"]);
    assert!(shared.ok(GROWER, "0077", &["show", "A1"]).contains("smells fresh"));
    assert_eq!(shared.rights(), before);

    // And while it is away; then the service goes on with what was written.
    let ended = Command::new("kill").arg(daemon.id().to_string()).status().unwrap();
    assert!(ended.success() && daemon.wait().unwrap().success());
    shared.ok(GROWER, "0022", &["note", "A1", "while it was away"]);
    assert_eq!(shared.rights(), before);
    let mut daemon = as_user(SERVICE, "0007", &shared.program, &words).stderr(Stdio::null()).spawn().unwrap();
    shared.ok(SERVICE, "0007", &["note", "A1", "by the service's account"]);
    assert!(shared.ok(GROWER, "0077", &["show", "A1"]).contains("while it was away"));
    Command::new("kill").arg(daemon.id().to_string()).status().unwrap();
    assert!(daemon.wait().unwrap().success());

    // Whoever is not in the group has no business there.
    let stranger = Command::new("setpriv")
        .args(["--reuid=64803", "--regid=64803", "--clear-groups"])
        .arg(&shared.program)
        .args(["--config", shared.config.to_str().unwrap(), "note", "A1", "hello"])
        .output()
        .unwrap();
    assert_eq!(stranger.status.code(), Some(1), "{}", String::from_utf8_lossy(&stranger.stderr));
}

#[test]
fn the_grower_may_make_the_store_before_the_service() {
    let shared = Shared::new();
    shared.ok(GROWER, "0077", &SPAWN);
    assert_eq!(shared.rights()[1].2, 0o100_660, "its group may write it, whatever the umask");
    shared.ok(SERVICE, "0007", &["note", "A1", "by the service's account"]);
    assert!(shared.ok(GROWER, "0077", &["show", "A1"]).contains("by the service's account"));
}

#[test]
fn secrets_come_from_the_service_manager_and_are_no_business_of_commands() {
    let broker = "\n[[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:1883\"\nusername = \"tubwatch\"\n\
                  password_file = \"secrets/mqtt.password\"\n";
    let site = Site::new(&format!("{BARE}{broker}"));
    let refused = site.command(&["check"]);
    assert_eq!(refused.status.code(), Some(78));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("broker[house].password_file"), "{refused:?}");
    // A command that connects to nothing does not ask for the password.
    let tubs = site.command(&["tubs"]);
    assert_eq!(tubs.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&tubs.stderr).starts_with("there is no store"), "{tubs:?}");

    // systemd names the files of a folder of credentials with "_" for "/".
    let credentials = tempfile::tempdir().unwrap();
    std::fs::write(credentials.path().join("secrets_mqtt.password"), "sesame\n").unwrap();
    let checked = Command::new(env!("CARGO_BIN_EXE_tubwatch"))
        .env("CREDENTIALS_DIRECTORY", credentials.path())
        .arg("check")
        .arg("--config")
        .arg(site.config())
        .output()
        .unwrap();
    assert!(checked.status.success(), "{}", String::from_utf8_lossy(&checked.stderr));
}
