//! The rooms of `src/` and what each may import. One direction: nothing upstream knows what is
//! downstream, and the pure rooms touch neither clock, disk, network nor async.
#![allow(clippy::unwrap_used, clippy::panic)]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

const PURE: [&str; 4] = ["climate", "grow", "watch", "wire"];

/// Room, and the rooms it may import besides itself.
const ROOMS: [(&str, &[&str]); 14] = [
    ("climate", &[]),
    ("grow", &["climate"]),
    ("watch", &["climate", "grow"]),
    ("wire", &["climate"]),
    ("config", &PURE),
    ("ingest", &["climate", "wire", "config"]),
    ("store", &PURE),
    ("deliver", &["climate", "grow", "watch", "wire", "store", "config"]),
    ("status", &["climate", "grow", "watch", "wire", "store", "config"]),
    ("records", &["climate", "grow", "watch", "wire", "store"]),
    ("engine", &["climate", "grow", "watch", "wire", "config", "ingest", "store", "deliver", "status", "records"]),
    (
        "daemon",
        &["climate", "grow", "watch", "wire", "config", "ingest", "store", "deliver", "status", "records", "engine"],
    ),
    (
        "cli",
        &[
            "climate", "grow", "watch", "wire", "config", "ingest", "store", "deliver", "status", "records", "engine",
            "daemon",
        ],
    ),
    ("lib", &["*"]),
];

/// Words that only the edges may use.
const IMPURE: [&str; 10] = [
    "tokio::",
    "std::fs",
    "std::net",
    "std::thread",
    "std::process",
    "std::env",
    "SystemTime",
    "Instant::now",
    "Utc::now",
    "Local::now",
];

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
}

/// Every source file with the room it stands in.
fn rooms_and_files() -> Vec<(String, PathBuf)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    sources(&root, &mut files);
    files
        .into_iter()
        .filter_map(|file| {
            let first = file.strip_prefix(&root).unwrap().components().next().unwrap();
            let room = first.as_os_str().to_str().unwrap().trim_end_matches(".rs").to_owned();
            (room != "main").then_some((room, file))
        })
        .collect()
}

/// Source text without comments, so that prose may name what code may not.
fn code(file: &Path) -> String {
    fs::read_to_string(file)
        .unwrap()
        .lines()
        .map(|line| line.split("//").next().unwrap_or(""))
        .collect::<Vec<_>>()
        .join("\n")
}

/// The first path segment after each `crate::`; a group `crate::{a::x, b}` gives each of its heads.
fn imported(code: &str) -> BTreeSet<String> {
    let mut rooms = BTreeSet::new();
    for piece in code.split("crate::").skip(1) {
        if let Some(group) = piece.strip_prefix('{') {
            let (mut depth, mut head, mut at_head) = (0_u32, String::new(), true);
            for letter in group.chars() {
                match letter {
                    '{' => depth += 1,
                    '}' if depth == 0 => break,
                    '}' => depth -= 1,
                    ',' if depth == 0 => {
                        rooms.insert(std::mem::take(&mut head));
                        at_head = true;
                    }
                    _ if depth == 0 && at_head && (letter.is_alphanumeric() || letter == '_') => head.push(letter),
                    ':' => at_head = false,
                    _ => {}
                }
            }
            rooms.insert(head);
        } else {
            rooms.insert(piece.chars().take_while(|letter| letter.is_alphanumeric() || *letter == '_').collect());
        }
    }
    rooms.remove("");
    rooms
}

#[test]
fn imports_go_one_way() {
    let allowed: BTreeMap<&str, BTreeSet<&str>> =
        ROOMS.iter().map(|(room, may)| (*room, may.iter().copied().collect())).collect();
    let mut wrong = Vec::new();
    for (room, file) in rooms_and_files() {
        let Some(may) = allowed.get(room.as_str()) else {
            panic!("{} stands in no room of the table in this test", file.display());
        };
        if may.contains("*") {
            continue;
        }
        for other in imported(&code(&file)) {
            if other != room && !may.contains(other.as_str()) {
                wrong.push(format!("{}: {room} may not import {other}", file.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_core_is_pure() {
    let mut wrong = Vec::new();
    for (room, file) in rooms_and_files() {
        if !PURE.contains(&room.as_str()) {
            continue;
        }
        let code = code(&file);
        for word in IMPURE.iter().filter(|word| code.contains(**word)) {
            wrong.push(format!("{}: {word} has no place in the pure room {room}", file.display()));
        }
        if code.contains("async fn") {
            wrong.push(format!("{}: async has no place in the pure room {room}", file.display()));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_file_says_what_it_is_for_and_stays_readable() {
    const LINES_MAX: usize = 500;
    let mut wrong = Vec::new();
    for (_, file) in rooms_and_files() {
        let text = fs::read_to_string(&file).unwrap();
        if !text.starts_with("//!") {
            wrong.push(format!("{}: opens without a line on what it is for", file.display()));
        }
        let lines = text.lines().count();
        if lines > LINES_MAX {
            wrong.push(format!("{}: {lines} lines; at {LINES_MAX} a file becomes a folder", file.display()));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn this_test_can_fail() {
    assert_eq!(imported("use crate::store::Reader;"), BTreeSet::from(["store".to_owned()]));
    assert_eq!(
        imported("use crate::{climate::{Stamp, Quality}, store, watch::alert};"),
        BTreeSet::from(["climate".to_owned(), "store".to_owned(), "watch".to_owned()])
    );
    assert_eq!(imported("let x = crate::engine::run();"), BTreeSet::from(["engine".to_owned()]));
}
