//! The Debian package: built by its command, and installed, run, upgraded, removed and purged in a
//! copy of this machine's own system that is thrown away (an overlay, in a mount namespace).

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Builds the package with the program under test in it.
fn package(out: &Path, version: &str) -> PathBuf {
    let program = Path::new(env!("CARGO_BIN_EXE_tubwatch"));
    // As a release is: without symbols, which are most of a debug build.
    let bare = out.join("tubwatch");
    assert!(Command::new("strip").arg("-o").arg(&bare).arg(program).status().unwrap().success());
    let mut command = Command::new(root().join("systemd/package"));
    command.args(["--quick", "yes", "--version", version, "--binary"]).arg(&bare).arg("--out").arg(out);
    let pages = program.with_file_name("examples").join("pages");
    if pages.exists() {
        command.arg("--pages").arg(pages);
    }
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    PathBuf::from(String::from_utf8(output.stdout).unwrap().trim())
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// What is done inside; `$1` is the folder of the packages, `set -e` ends it at the first fault.
const LIFE: &str = r#"
set -eu
base="$(mktemp -d)"
mount -t tmpfs tmpfs "$base"
mkdir "$base/upper" "$base/work" "$base/all"
mount -t overlay -o "lowerdir=/,upperdir=$base/upper,workdir=$base/work" overlay "$base/all"
mount -t proc proc "$base/all/proc"
mount --bind /dev "$base/all/dev"
mkdir -p "$base/all/packages"
mount --bind "$1" "$base/all/packages"
# No running systemd is seen in there, as in any chroot.
mount -t tmpfs tmpfs "$base/all/run"
chroot "$base/all" sh -eu -c '
step() { echo "== $1"; }
step install
dpkg --force-unsafe-io --no-triggers -i /packages/tubwatch_0.1.0-1_*.deb
id tubwatch
stat -c "%n %U %G %a" /var/lib/tubwatch /etc/tubwatch/secrets /usr/bin/tubwatch
step files
dpkg -V tubwatch
man -l /usr/share/man/man1/tubwatch-spawn.1.gz | head -3
bash -c ". /usr/share/bash-completion/completions/tubwatch; complete -p tubwatch"
ls /usr/share/doc/tubwatch/examples
step check
tubwatch check
step run
printf "\n[[space]]\nname = \"shelf\"\n" >> /etc/tubwatch/tubwatch.toml
sed -i s/8750/0/ /etc/tubwatch/tubwatch.toml
run() {
  setpriv --reuid=tubwatch --regid=tubwatch --init-groups sh -c "umask 0007; exec tubwatch run" 2> /tmp/log &
  pid=$!
  for n in $(seq 100); do grep -q watching /tmp/log && break; sleep 0.1; done
  grep watching /tmp/log
  kill $pid
  wait $pid
}
run
setpriv --reuid=65000 --regid=65000 --groups=$(id -g tubwatch) tubwatch spawn A1 --culture winter-oyster --space shelf
stat -c "%n %U %G %a" /var/lib/tubwatch/tubwatch.sqlite
step upgrade
dpkg --force-unsafe-io --no-triggers -i /packages/tubwatch_0.1.0-2_*.deb
grep -c shelf /etc/tubwatch/tubwatch.toml
run
tubwatch show A1 | head -1
step remove
dpkg --no-triggers -r tubwatch
test ! -e /usr/bin/tubwatch
test -e /etc/tubwatch/tubwatch.toml
ls /var/lib/tubwatch
step again
dpkg --force-unsafe-io --no-triggers -i /packages/tubwatch_0.1.0-2_*.deb
tubwatch show A1 | head -1
test -L /etc/systemd/system/multi-user.target.wants/tubwatch.service
step purge
dpkg --no-triggers -P tubwatch
test ! -e /etc/tubwatch
test ! -e /var/lib/tubwatch
test ! -L /etc/systemd/system/multi-user.target.wants/tubwatch.service
step over
'
"#;

#[test]
fn a_package_lives_and_is_removed() {
    let out = tempfile::tempdir().unwrap();
    for version in ["0.1.0-1", "0.1.0-2"] {
        let file = package(out.path(), version);
        assert!(file.exists(), "{}", file.display());
    }
    let root = super::accounts::is_root();
    let mut command = Command::new(if root { "unshare" } else { "sudo" });
    if !root {
        command.args(["-n", "unshare"]);
    }
    command.args(["-m", "--propagation", "private", "sh", "-c", LIFE, "sh"]).arg(out.path());
    let output = command.env("LC_ALL", "C.UTF-8").env("DEBIAN_FRONTEND", "noninteractive").output().unwrap();
    let said = said(&output);
    assert!(output.status.success() && said.contains("== over"), "{said}");
    let part = |from: &str, to: &str| {
        let (_, rest) = said.split_once(&format!("== {from}\n")).unwrap();
        rest.split_once(&format!("== {to}\n")).unwrap().0.to_owned()
    };
    let install = part("install", "files");
    assert!(install.contains("/var/lib/tubwatch tubwatch tubwatch 2770"), "{install}");
    assert!(install.contains("/etc/tubwatch/secrets root root 700"), "{install}");
    assert!(install.contains("dialout"), "{install}");
    let files = part("files", "check");
    assert!(files.to_lowercase().contains("tubwatch") && files.contains("-F _tubwatch"), "{files}");
    assert!(part("check", "run").contains("no fault found"));
    let run = part("run", "upgrade");
    assert!(run.contains("tubwatch.sqlite tubwatch tubwatch 660"), "{run}");
    for (from, to) in [("upgrade", "remove"), ("again", "purge")] {
        assert!(part(from, to).contains("A1"), "the tub is still known: {}", part(from, to));
    }
    assert!(part("remove", "again").contains("the history stays in /var/lib/tubwatch"));
    let purge = part("purge", "over");
    assert!(purge.contains("deleting /var/lib/tubwatch") && purge.contains("deleting /etc/tubwatch"), "{purge}");
}
