//! The commands, through the built program, with a config and a store of their own.

use std::path::Path;
use std::process::{Command, Output, Stdio};

use serde_json::Value;
use tempfile::TempDir;

const CONFIG: &str = r#"
[site]
name = "cellar"
timezone = "Europe/Lisbon"

[store]
path = "state"

[[broker]]
name = "house"
url = "mqtt://127.0.0.1:1883"

[[probe]]
name = "shelf-air"
from = "house"
topic = "tent/shelf/air"
format = "number"
every = "30s"
reads = { temperature = "" }

[[probe]]
name = "core-a1"
from = "house"
topic = "tent/core/a1"
format = "number"
every = "10s"
reads = { temperature = "" }

[[space]]
name = "shelf"
air = ["shelf-air"]

[[space]]
name = "tent"
air = []
"#;

/// A folder with a config in it, gone when dropped.
pub struct House(TempDir);

impl House {
    pub fn new() -> House {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("tubwatch.toml"), CONFIG).unwrap();
        House(folder)
    }

    pub fn path(&self, name: &str) -> std::path::PathBuf {
        self.0.path().join(name)
    }

    /// The program, not started yet, with its words split at spaces.
    pub fn command(&self, line: &str) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tubwatch"));
        command.env_remove("TUBWATCH_CONFIG").current_dir(self.0.path());
        command
            .arg("--config")
            .arg(self.path("tubwatch.toml"))
            .args(line.split(' ').map(|word| word.replace('_', " ")));
        command
    }

    pub fn run(&self, line: &str) -> Output {
        self.command(line).output().unwrap()
    }

    /// Standard output of a command that must succeed.
    pub fn ok(&self, line: &str) -> String {
        let output = self.run(line);
        assert!(output.status.success(), "{line}: {}", String::from_utf8_lossy(&output.stderr));
        assert!(output.stderr.is_empty(), "{line}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    }

    /// Exit code and the one sentence of a command that must fail.
    pub fn refused(&self, line: &str) -> (i32, String) {
        let output = self.run(line);
        assert!(output.stdout.is_empty(), "{line}: {}", String::from_utf8_lossy(&output.stdout));
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(said.lines().count(), 1, "{line}: {said}");
        (output.status.code().unwrap(), said.trim_end().to_owned())
    }

    pub fn json(&self, line: &str) -> Value {
        serde_json::from_str(&self.ok(line)).unwrap()
    }

    pub fn spawn_a1(&self) {
        self.ok("spawn A1 --culture winter-oyster --space shelf --core core-a1 --grain 2L --dry-bulk 650g --at 2024-06-18_10:00");
    }
}

#[test]
fn from_spawning_to_the_second_flush() {
    let house = House::new();
    let said = house.ok("spawn A1 A2 --culture winter-oyster --space shelf --at 2024-06-18_10:00");
    assert!(said.contains("A1-2024-06-18, 2024-06-18 10:00: spawned: winter-oyster in shelf"), "{said}");
    assert!(said.contains("A2-2024-06-18") && said.contains("Earliest look: 2024-06-28"), "{said}");
    house.ok("colonised A1 --at 2024-07-01");
    house.ok("open A1 --to tent --at 2024-07-02_09:00");
    let said = house.ok("harvest A1 --fresh 0.4kg --dry 40g --at 2024-07-12_09:00");
    assert!(said.contains("harvested 400 g fresh, 40 g dry; now fruiting (entry 5)"), "{said}");
    assert!(said.contains("Never eat a mushroom you cannot identify"), "{said}");
    assert!(!said.contains("Taken as"), "{said}");
    house.ok("rest A1 --at 2024-07-13");
    house.ok("harvest A1 --fresh 150 --at 2024-07-25");
    house.ok("amend 5 --fresh 412g");

    let shown = house.json("show A1 --json");
    assert_eq!(shown["tub"]["id"], "A1-2024-06-18");
    assert_eq!((&shown["tub"]["stage"], &shown["tub"]["space"]), (&"fruiting".into(), &"tent".into()));
    assert_eq!(shown["colonised_at"], "2024-06-30T23:00:00Z", "the first minute of a summer's day in Lisbon");
    assert_eq!(shown["fresh_total_g"], 562.0);
    assert_eq!(shown["flushes"].as_array().unwrap().len(), 2);
    assert_eq!(shown["log"].as_array().unwrap().len(), 7);
    let harvest = shown["log"].as_array().unwrap().iter().find(|line| line["entry"] == 5).unwrap();
    assert_eq!((&harvest["what"]["fresh_g"], &harvest["amended_by"]), (&412.0.into(), &serde_json::json!([8])));
    let text = house.ok("show A1");
    assert!(text.contains("harvested 412 g fresh, 40 g dry [amended by entry 8]"), "{text}");

    // A1 discarded: only A2 is left among the living, and the name is free again.
    let said = house.ok("discard A1 --because contaminated");
    assert!(said.contains("do not sniff"), "{said}");
    let tubs = house.json("tubs --json");
    assert_eq!(tubs.as_array().unwrap().len(), 1);
    assert_eq!(tubs[0]["name"], "A2");
    house.ok("spawn A1 --culture winter-oyster --space shelf");
    assert_eq!(house.json("show A1 --json")["tub"]["stage"], "colonising");
    assert_eq!(house.json("show A1-2024-06-18 --json")["ended_because"], "contaminated");
}

#[test]
fn the_json_of_tubs_has_the_fields_of_the_status() {
    let house = House::new();
    house.spawn_a1();
    let tubs = house.json("tubs --json");
    let fields: Vec<&str> = tubs[0].as_object().unwrap().keys().map(String::as_str).collect();
    assert_eq!(
        fields,
        [
            "name",
            "id",
            "culture",
            "kind",
            "stage",
            "space",
            "spawned_at",
            "age_days",
            "temperature_from",
            "degree_hours",
            "degree_hours_low",
            "degree_hours_high",
            "heat_stress_degree_hours",
            "coverage",
            "equivalent_days",
            "progress",
            "due",
            "core_c",
            "core_over_air_k",
            "alerts"
        ]
    );
    assert_eq!(tubs[0]["spawned_at"], "2024-06-18T09:00:00Z");
    assert_eq!((&tubs[0]["degree_hours"], &tubs[0]["coverage"]), (&0.0.into(), &0.0.into()));
    let table = house.ok("tubs");
    assert!(table.starts_with("TUB") && table.contains("colonising"), "{table}");
    assert_eq!(house.ok("alerts --json"), "[]\n");
    assert_eq!(house.ok("alerts"), "no alert stands\n");
}

#[test]
fn a_wrong_word_is_one_sentence_and_writes_nothing() {
    let house = House::new();
    let first = house.refused("harvest A1 --fresh 412g");
    assert_eq!(first, (2, "no tub is called \"A1\"; there is none yet, begin one with tubwatch spawn".to_owned()));
    assert!(!house.path("state").exists(), "a mistyped first command leaves no store behind");
    let (code, said) = house.refused("tubs");
    assert!(code == 1 && said.starts_with("there is no store in "), "{said}");

    house.spawn_a1();
    for (line, code, sentence) in [
        ("harvest A7 --fresh 412g", 2, "no tub is called \"A7\"; the nearest is A1"),
        ("harvest A1 --fresh 412oz", 2, "--fresh: \"412oz\" is no mass; write it like 412g or 0.4kg"),
        ("harvest A1 --fresh -5g", 2, "--fresh: \"-5g\" is no mass; write it like 412g or 0.4kg"),
        ("harvest A1 --fresh 412g --flush two", 2, "--flush: \"two\" is no number of a flush; they count from 1"),
        (
            "looked A1 --at yesterday",
            2,
            "\"yesterday\" is no time; write 2026-11-20 10:00, 2026-11-20, now, or 2026-11-20T10:00:00Z",
        ),
        (
            "spawn B1 --culture winter-oyster --space shelf --grain 2",
            2,
            "--grain: \"2\" is no volume; write it like 2L or 500ml",
        ),
        (
            "spawn B1 B2 --culture winter-oyster --space shelf --core core-a1",
            2,
            "a core probe is in one tub only; spawn that one by itself, and the others with --like",
        ),
        (
            "spawn B1 A1 --culture winter-oyster --space shelf",
            1,
            "tub A1 is still alive, spawned on 2024-06-18 10:00; discard it first, or choose another name",
        ),
        (
            "spawn B1 B1 --culture winter-oyster --space shelf --at 2024-06-20",
            2,
            "B1 is named twice; name each tub once",
        ),
        ("close A1", 1, "tub A1 is not open"),
        ("amend one --void", 2, "\"one\" is no number of an entry; tubwatch show TUB prints them"),
        ("acknowledge 5", 2, "no alert has the number 5; none stands"),
        ("show Z", 2, "no tub is called \"Z\"; there are A1"),
        (
            "harvst A1",
            2,
            "unrecognized subcommand 'harvst'; some similar subcommands exist: 'arrivals', 'rest', 'harvest'; see tubwatch --help",
        ),
        (
            "harvest A1",
            2,
            "the following required arguments were not provided: --fresh <MASS>; see tubwatch harvest --help",
        ),
    ] {
        assert_eq!(house.refused(line), (code, sentence.to_owned()), "{line}");
    }
    assert_eq!(house.json("show A1 --json")["log"].as_array().unwrap().len(), 1);
    assert_eq!(house.json("tubs --json").as_array().unwrap().len(), 1, "B1 was not written without A1");
}

#[test]
fn a_wrong_config_ends_with_78() {
    let house = House::new();
    std::fs::write(house.path("tubwatch.toml"), CONFIG.replace("Europe/Lisbon", "Europe/Lisbn")).unwrap();
    let (code, said) = house.refused("tubs");
    assert_eq!(code, 78);
    assert!(said.contains("tubwatch.toml:4:") && said.contains("Europe/Lisbn"), "{said}");
    let none = Command::new(env!("CARGO_BIN_EXE_tubwatch"))
        .args(["tubs", "--config", "nowhere.toml"])
        .current_dir(house.0.path())
        .output()
        .unwrap();
    assert_eq!(none.status.code(), Some(78));
}

#[test]
fn help_and_version_are_no_failures() {
    let house = House::new();
    assert!(house.ok("--help").contains("harvest"));
    assert!(house.ok("harvest --help").contains("--fresh <MASS>"));
    assert_eq!(house.ok("--version"), format!("tubwatch {}\n", env!("CARGO_PKG_VERSION")));
    assert_eq!(house.refused("renme probe a b").0, 2, "a word that is none");
}

#[test]
fn many_processes_at_once_each_write_once_and_a_name_is_given_once() {
    let house = House::new();
    house.spawn_a1();
    let start = |line: &str| house.command(line).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let notes: Vec<_> = (0..8).map(|number| start(&format!("note A1 note_{number}"))).collect();
    let spawns: Vec<_> = (0..4).map(|_| start("spawn B1 --culture winter-oyster --space shelf")).collect();
    for note in notes {
        let output = note.wait_with_output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    }
    let codes: Vec<i32> =
        spawns.into_iter().map(|spawn| spawn.wait_with_output().unwrap().status.code().unwrap()).collect();
    assert_eq!(codes.iter().filter(|code| **code == 0).count(), 1, "{codes:?}");
    assert_eq!(codes.iter().filter(|code| **code == 1).count(), 3, "{codes:?}");
    assert_eq!(house.json("show A1 --json")["log"].as_array().unwrap().len(), 9);
}

#[test]
fn a_reader_that_went_away_is_a_normal_end() {
    let house = House::new();
    house.spawn_a1();
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    let output =
        house.command("show A1").stdout(writer).stderr(Stdio::piped()).spawn().unwrap().wait_with_output().unwrap();
    assert_eq!((output.status.code(), String::from_utf8_lossy(&output.stderr).as_ref()), (Some(0), ""));
}

#[test]
fn a_new_token_is_its_owners_alone_and_never_overwritten() {
    use std::os::unix::fs::PermissionsExt;
    let house = House::new();
    let config = format!("{CONFIG}\n[status]\ntoken_file = \"door.token\"\n");
    std::fs::write(house.path("tubwatch.toml"), config).unwrap();
    assert_eq!(house.refused("check").0, 78, "a config that names a token not made yet is wrong");
    house.ok("token new");
    let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&house.path("door.token")), 0o600);
    let token = std::fs::read_to_string(house.path("door.token")).unwrap();
    assert_eq!(token.trim().len(), 64);
    let (code, said) = house.refused("token new");
    assert!(code == 1 && said.contains("is there already"), "{said}");
    assert_eq!(std::fs::read_to_string(house.path("door.token")).unwrap(), token);
    house.ok("check");
}

#[test]
fn what_the_logbook_holds_cannot_steer_the_terminal() {
    let house = House::new();
    house.spawn_a1();
    house.ok("note A1 \u{1b}[2Jgone");
    let text = house.ok("show A1");
    assert!(!text.contains('\u{1b}') && text.contains("[2Jgone"), "{text:?}");
}
