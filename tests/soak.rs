//! A long life in a bad shed: 200 probes, a broker that restarts, ports that are pulled, a disk that
//! fills, messengers and a database that are dead, a clock that is set forward and back, reloads and
//! kills. In the end every sample that was acknowledged is there once and has been forwarded, every
//! alert was delivered, nothing is dated in the future, and memory and file handles are as they were.
//!
//! Seconds by default; by hand `TUBWATCH_SOAK_MINUTES=60 cargo test --test soak -- --nocapture`.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

mod faults;
mod harness;

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use faults::Clocks;
use harness::daemon::{Daemon, Site, named};
use harness::farm::Farm;
use harness::sink::Sink;
use harness::{Mosquitto, Wire, now_ms, wait_until};
use serde_json::json;

/// Probes over MQTT, each once in a cycle, and over wires.
const PROBES: usize = 196;
const WIRES: usize = 4;
/// A cycle of publishing; something goes wrong in each.
const CYCLE: Duration = Duration::from_millis(500);
/// What is caught up in the end may take so long on a busy machine.
const CATCH_UP: Duration = Duration::from_secs(120);
/// However short the run is, so many cycles have kills.
const KILLED_AT_LEAST_UNTIL: i64 = 22;
/// Cycles in which everything that goes wrong has gone wrong once.
const ROUND: i64 = 24;
/// The disk of the store.
const DISK_MB: usize = 512;

/// A small disk of its own, taken off again in the end.
struct Disk(PathBuf);

impl Disk {
    fn mount(at: &Path) -> Disk {
        std::fs::create_dir_all(at).unwrap();
        let size = format!("size={DISK_MB}m,mode=0777");
        let done = as_root("mount").args(["-t", "tmpfs", "-o", &size, "tmpfs"]).arg(at).status().unwrap();
        assert!(done.success(), "mounting a small disk needs root, or sudo without a password");
        Disk(at.to_owned())
    }

    fn fill(&self) {
        use std::io::Write as _;
        let mut file = std::fs::File::create(self.0.join("other-things")).unwrap();
        let block = vec![7_u8; 1 << 20];
        while file.write_all(&block).is_ok() {}
        while file.write_all(&block[..512]).is_ok() {}
    }

    fn clean(&self) {
        let _ = std::fs::remove_file(self.0.join("other-things"));
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = as_root("umount").args(["-l"]).arg(&self.0).status();
    }
}

fn as_root(program: &str) -> Command {
    let root = Command::new("id").arg("-u").output().unwrap().stdout.trim_ascii() == b"0";
    let mut command = Command::new(if root { program } else { "sudo" });
    if !root {
        command.args(["-n", program]);
    }
    command
}

fn config(port: u16, wires: &[Wire], sinks: [&Sink; 2], farm: &Farm, extra: bool) -> String {
    let mut text = format!(
        "[site]\nname = \"soak\"\ntimezone = \"Europe/Lisbon\"\n[store]\npath = \"state\"\ncommit_every = \"1s\"\n\
         [status]\nlisten = \"127.0.0.1:0\"\n[[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:{port}\"\n"
    );
    for probe in 0..PROBES {
        let _ = write!(
            text,
            "[[probe]]\nname = \"p{probe}\"\nfrom = \"house\"\ntopic = \"soak/{probe}\"\nformat = \"json\"\nevery = \"5min\"\n\
             reads = {{ temperature = \"/t\" }}\ntime = {{ at = \"/ts\", unit = \"ms\" }}\n"
        );
    }
    for (number, wire) in wires.iter().enumerate() {
        let _ = write!(
            text,
            "[[port]]\nname = \"usb{number}\"\ndevice = \"{}\"\nbaud = 115200\nprotocol = \"lines\"\n\
             [[probe]]\nname = \"w{number}\"\nfrom = \"usb{number}\"\nformat = \"number\"\nevery = \"5min\"\nreads = {{ temperature = \"it\" }}\n",
            wire.path().display()
        );
    }
    text.push_str("[[space]]\nname = \"shelf\"\n");
    if extra {
        text.push_str("[[space]]\nname = \"tent\"\n");
    }
    let _ = write!(text, "[[forward]]\nname = \"farm\"\nurl = \"{}\"\n", farm.url());
    for (name, sink) in ["phone", "hall"].into_iter().zip(sinks) {
        let _ = write!(
            text,
            "[[messenger]]\nname = \"{name}\"\nwebhook = {{ url = \"{}\" }}\nat_least = \"warning\"\n",
            sink.url()
        );
    }
    text
}

/// Resident memory of its own in kB (not what it shares with files), and open file handles.
fn size_of(daemon: &Daemon) -> (u64, usize) {
    let status = std::fs::read_to_string(format!("/proc/{}/status", daemon.pid())).unwrap();
    let resident = status.lines().find_map(|line| line.strip_prefix("RssAnon:")).unwrap();
    let handles = std::fs::read_dir(format!("/proc/{}/fd", daemon.pid())).unwrap().count();
    (resident.trim().split(' ').next().unwrap().parse().unwrap(), handles)
}

struct Shed {
    broker: Mosquitto,
    wires: Vec<Wire>,
    sinks: [Sink; 2],
    farm: Farm,
    clocks: Clocks,
    site: Site,
    disk: Disk,
    daemon: Option<Daemon>,
    published: u64,
    hot: i64,
    extra: bool,
    kills: u32,
}

impl Shed {
    fn new() -> Shed {
        let broker = Mosquitto::start();
        let wires: Vec<Wire> = (0..WIRES).map(|_| Wire::plugged()).collect();
        let sinks = [Sink::start(), Sink::start()];
        let farm = Farm::start();
        let site = Site::new(&config(broker.port(), &wires, [&sinks[0], &sinks[1]], &farm, false));
        let disk = Disk::mount(&site.folder.path().join("state"));
        for tub in 0..4 {
            let (name, core) = (format!("A{tub}"), format!("p{tub}"));
            site.ok(&["spawn", &name, "--culture", "winter-oyster", "--space", "shelf", "--core", &core]);
        }
        let clocks = Clocks::right(site.folder.path());
        clocks.set(0, 0, false);
        let daemon = Some(site.run_as(clocks.program()));
        let (published, hot, extra, kills) = (0, 0, false, 0);
        Shed { broker, wires, sinks, farm, clocks, site, disk, daemon, published, hot, extra, kills }
    }

    fn daemon(&self) -> &Daemon {
        self.daemon.as_ref().unwrap()
    }

    /// One sample of every probe; those of a core may be too hot.
    fn publish(&mut self, cycle: i64) {
        let at = now_ms();
        let temperature = |probe: usize| {
            let hot = i64::try_from(probe).unwrap() < 4 && (cycle / 8) % 4 == i64::try_from(probe).unwrap();
            if hot { 31.8 } else { 24.0 + (cycle % 10) as f64 / 20.0 }
        };
        let message = |probe: usize| {
            (format!("soak/{probe}"), json!({"ts": at, "t": temperature(probe)}).to_string().into_bytes())
        };
        self.broker.publish_many((0..PROBES).map(message), 1, false);
        self.published += PROBES as u64;
        for wire in &mut self.wires {
            wire.send("23.5\n");
        }
        self.hot += 1;
    }

    /// What goes wrong in this cycle; kills only where `kill`.
    fn trouble(&mut self, cycle: i64, kill: bool) {
        match cycle % ROUND {
            2 => self.broker.restart(),
            3 => self.clocks.set(300_000, 0, false),
            4 => self.sinks[0].answer(503),
            6 => self.wires[usize::try_from(cycle / ROUND).unwrap() % WIRES].plug(),
            8 => self.disk.fill(),
            10 | 22 => {
                self.extra = !self.extra;
                let sinks = [&self.sinks[0], &self.sinks[1]];
                self.site.write_config(&config(self.broker.port(), &self.wires, sinks, &self.farm, self.extra));
                self.daemon().signal("HUP");
            }
            9 => self.clocks.set(-600_000, 0, false),
            12 => self.disk.clean(),
            14 if kill => {
                self.daemon.take().unwrap().kill_nine();
                self.daemon = Some(self.site.run_as(self.clocks.program()));
                self.kills += 1;
            }
            13 => self.farm.answer(500),
            15 => self.clocks.set(0, 0, false),
            16 => self.sinks.iter().for_each(|sink| sink.answer(500)),
            17 => self.farm.answer(204),
            18 => self.sinks.iter().for_each(|sink| sink.answer(200)),
            20 if kill && cycle % 48 == 20 => {
                // In the midst of a flood, and while the broker is away.
                self.daemon.take().unwrap().kill_nine();
                self.broker.restart();
                self.daemon = Some(self.site.run_as(self.clocks.program()));
                self.kills += 1;
            }
            _ => {}
        }
    }

    fn calm(&mut self) {
        self.disk.clean();
        self.sinks.iter().for_each(|sink| sink.answer(200));
        self.farm.answer(204);
        self.clocks.set(0, 0, true);
    }

    /// Samples stored of the probes over MQTT, by the status.
    fn stored(&self) -> u64 {
        let status = self.daemon().status();
        (0..PROBES).map(|probe| named(&status, "probes", &format!("p{probe}"))["samples"].as_u64().unwrap()).sum()
    }
}

#[test]
fn nothing_is_lost_in_a_bad_shed() {
    let minutes = std::env::var("TUBWATCH_SOAK_MINUTES").ok().map(|text| text.parse::<f64>().unwrap());
    let length = minutes.map_or(Duration::from_secs(16), |minutes| Duration::from_secs_f64(minutes * 60.0));
    let mut shed = Shed::new();
    shed.daemon().status_when("connected", |status| named(status, "sources", "house")["state"] == "connected");
    let (began, mut cycle) = (Instant::now(), 0_i64);
    // Killed in the first third, and in the first cycles; then one process has to last. Its size is that of a
    // whole round of troubles: a reading of the store or a message under way has handles of its own.
    let mut early: Option<(u64, usize)> = None;
    let mut looks = 0;
    while began.elapsed() < length {
        let turn = Instant::now();
        let kill = began.elapsed() < length / 3 || cycle < KILLED_AT_LEAST_UNTIL;
        shed.publish(cycle);
        shed.trouble(cycle, kill);
        if !kill && looks < ROUND && began.elapsed() > length / 2 {
            looks += 1;
            let (kb, handles) = size_of(shed.daemon());
            early = Some(early.map_or((kb, handles), |(most_kb, most)| (most_kb.max(kb), most.max(handles))));
        }
        cycle += 1;
        std::thread::sleep(CYCLE.saturating_sub(turn.elapsed()));
    }
    let (early_kb, early_handles) = early.unwrap();
    println!("at most {early_kb} kB and {early_handles} handles in {looks} looks at half of the time");
    shed.calm();
    wait_until(CATCH_UP, "every acknowledged sample is stored", || shed.stored() >= shed.published);
    assert_eq!(shed.stored(), shed.published);

    let doubted = || shed.site.query("SELECT count(*) FROM clock WHERE trust <> 'right'")[0][0] != "0";
    wait_until(CATCH_UP, "the clock is right, and with it what it had dated", || !doubted());
    wait_until(CATCH_UP, "everything is forwarded", || shed.farm.count("p") >= shed.published);
    let outbox = || shed.site.query("SELECT count(*) FROM outbox WHERE delivered_at IS NULL")[0][0] == "0";
    wait_until(CATCH_UP, "every message is delivered", outbox);
    // One that is lost never comes back.
    let given_back = || size_of(shed.daemon()).1 <= early_handles;
    wait_until(CATCH_UP, &format!("no more than {early_handles} file handles"), given_back);
    let (late_kb, late_handles) = size_of(shed.daemon());
    println!(
        "{} cycles, {} samples, {} kills; memory {early_kb} kB then {late_kb} kB, handles {early_handles} then {late_handles}",
        cycle, shed.published, shed.kills
    );

    let raised: Vec<String> = shed.site.query("SELECT id FROM alert WHERE severity <> 'advice'").concat();
    assert!(shed.kills > 0 && !raised.is_empty(), "{} kills, {} alerts", shed.kills, raised.len());
    for sink in &shed.sinks {
        let told: BTreeSet<String> = sink.posts().iter().map(|post| post.body["id"].to_string()).collect();
        let missing: Vec<_> = raised.iter().filter(|id| !told.contains(*id)).collect();
        assert!(missing.is_empty(), "alerts {missing:?} of {} were never delivered", raised.len());
    }

    let (ended, _) = shed.daemon.take().unwrap().terminate();
    assert!(ended.success());
    let file = shed.site.folder.path().join("all.lp");
    shed.site.ok(&["export", "--every", "raw", "--line-protocol", file.to_str().unwrap()]);
    let mut seen = BTreeSet::new();
    let mut count = 0_u64;
    for line in std::fs::read_to_string(&file).unwrap().lines() {
        let probe = line.split(',').find_map(|tag| tag.strip_prefix("probe=")).unwrap();
        let probe = probe.split([',', ' ']).next().unwrap().to_owned();
        if probe.starts_with('p') {
            count += 1;
            seen.insert((probe, line.rsplit(' ').next().unwrap().to_owned()));
        }
    }
    assert_eq!((count, seen.len() as u64), (shed.published, shed.published), "each once");
    assert_eq!(shed.farm.count("p"), shed.published, "forwarded as often");
    let dated = ["SELECT at FROM sample", "SELECT last FROM chunk"].map(|sql| shed.site.query(sql).concat());
    let latest = dated.concat().iter().map(|at| at.parse::<i64>().unwrap()).max();
    assert!(latest.unwrap() <= now_ms(), "nothing is dated in the future");

    // The duplicate index of what is not sealed yet grows with the samples: 4 bytes each are allowed for.
    let allowed_kb = early_kb + 8_000 + shed.published * 4 / 1024;
    assert!(late_kb <= allowed_kb, "memory grows: {early_kb} kB, then {late_kb} kB");
    // Whatever it reads anew after a kill or a step of the clock: a window of it at a time.
    assert!(late_kb < 48_000, "{late_kb} kB are too much for 200 probes");
}
