//! What the tree of dependencies holds, against `deny.toml` and `rust-version`: licences, duplicates, banned crates,
//! sources, the oldest Rust. `cargo deny` checks the same and advisories where it is installed; this runs anywhere.
#![allow(clippy::unwrap_used, clippy::panic)]

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

use serde_json::Value;

/// The tree for the machines of `deny.toml`, by package: what cargo says of it.
struct Tree {
    packages: Vec<Value>,
    deny: toml::Table,
}

impl Tree {
    fn read() -> Tree {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let deny: toml::Table = std::fs::read_to_string(root.join("deny.toml")).unwrap().parse().unwrap();
        let mut cargo = Command::new(env!("CARGO"));
        cargo.args(["metadata", "--locked", "--offline", "--format-version", "1"]).current_dir(root);
        for target in deny["graph"]["targets"].as_array().unwrap() {
            cargo.args(["--filter-platform", target.as_str().unwrap()]);
        }
        let output = cargo.output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let mut said: Value = serde_json::from_slice(&output.stdout).unwrap();
        let used = shipped(&said["resolve"]);
        let mut packages = said["packages"].as_array_mut().unwrap().split_off(0);
        packages.retain(|package| used.contains(package["id"].as_str().unwrap()));
        assert!(packages.len() > 100, "only {} packages", packages.len());
        Tree { packages, deny }
    }

    /// The texts of a list in `deny.toml`; of tables their `crate`.
    fn listed(&self, table: &str, key: &str) -> BTreeSet<&str> {
        let list = self.deny[table][key].as_array().unwrap();
        list.iter().map(|value| value.get("crate").unwrap_or(value).as_str().unwrap()).collect()
    }
}

/// The packages that the program is made of and by: tests and benches may bring others.
fn shipped(resolve: &Value) -> BTreeSet<String> {
    let nodes = resolve["nodes"].as_array().unwrap();
    let node = |id: &str| nodes.iter().find(|node| node["id"] == id).unwrap();
    let mut used = BTreeSet::new();
    let mut open = vec![resolve["root"].as_str().unwrap().to_owned()];
    while let Some(id) = open.pop() {
        let for_us = |dep: &&Value| dep["dep_kinds"].as_array().unwrap().iter().any(|kind| kind["kind"] != "dev");
        let deps = node(&id)["deps"].as_array().unwrap();
        open.extend(
            deps.iter()
                .filter(for_us)
                .map(|dep| dep["pkg"].as_str().unwrap().to_owned())
                .filter(|id| !used.contains(id)),
        );
        used.insert(id);
    }
    used
}

fn text<'a>(package: &'a Value, key: &str) -> &'a str {
    package[key].as_str().unwrap_or("")
}

/// Whether an SPDX expression can be met with `allowed`. `/` is how OR was written before.
fn is_met(expression: &str, allowed: &BTreeSet<&str>) -> bool {
    let spaced = expression.replace('(', " ( ").replace(')', " ) ").replace('/', " OR ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let mut at = 0;
    let met = any(&words, &mut at, allowed);
    assert_eq!(at, words.len(), "{expression}: not read to its end");
    met
}

fn any(words: &[&str], at: &mut usize, allowed: &BTreeSet<&str>) -> bool {
    let mut met = all(words, at, allowed);
    while words.get(*at) == Some(&"OR") {
        *at += 1;
        met |= all(words, at, allowed);
    }
    met
}

fn all(words: &[&str], at: &mut usize, allowed: &BTreeSet<&str>) -> bool {
    let mut met = one(words, at, allowed);
    while words.get(*at) == Some(&"AND") {
        *at += 1;
        met &= one(words, at, allowed);
    }
    met
}

fn one(words: &[&str], at: &mut usize, allowed: &BTreeSet<&str>) -> bool {
    let word = words[*at];
    *at += 1;
    if word == "(" {
        let met = any(words, at, allowed);
        *at += 1;
        return met;
    }
    if words.get(*at) == Some(&"WITH") {
        *at += 2;
        return allowed.contains(format!("{word} WITH {}", words[*at - 1]).as_str());
    }
    allowed.contains(word)
}

#[test]
fn expressions_are_read_as_spdx_has_them() {
    let allowed = BTreeSet::from(["MIT", "ISC", "Apache-2.0 WITH LLVM-exception"]);
    for (expression, met) in [
        ("MIT", true),
        ("GPL-3.0-only", false),
        ("MIT OR GPL-3.0-only", true),
        ("MIT/GPL-3.0-only", true),
        ("MIT AND GPL-3.0-only", false),
        ("MIT AND (GPL-3.0-only OR ISC)", true),
        ("(MIT OR ISC) AND GPL-3.0-only", false),
        ("GPL-3.0-only OR MIT AND ISC", true),
        ("Apache-2.0 WITH LLVM-exception", true),
        ("Apache-2.0", false),
    ] {
        assert_eq!(is_met(expression, &allowed), met, "{expression}");
    }
}

#[test]
fn every_licence_is_one_that_is_allowed() {
    let tree = Tree::read();
    let allowed = tree.listed("licenses", "allow");
    for package in &tree.packages {
        let licence = text(package, "license");
        assert!(!licence.is_empty(), "{} says no licence", text(package, "name"));
        assert!(is_met(licence, &allowed), "{}: {licence}", text(package, "name"));
    }
}

#[test]
fn nothing_comes_twice_or_is_banned_unless_it_is_named() {
    let tree = Tree::read();
    let mut versions: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for package in &tree.packages {
        versions.entry(text(package, "name")).or_default().insert(text(package, "version"));
        let source = text(package, "source");
        let is_ours = text(package, "name") == "tubwatch";
        assert!(is_ours || source == "registry+https://github.com/rust-lang/crates.io-index", "{source}");
    }
    let twice: BTreeSet<&str> = versions.iter().filter(|(_, of)| of.len() > 1).map(|(name, _)| *name).collect();
    assert_eq!(twice, tree.listed("bans", "skip"), "what comes twice, and what deny.toml says of it");
    for banned in tree.listed("bans", "deny") {
        assert!(!versions.contains_key(banned), "{banned} is in the tree");
    }
}

#[test]
fn the_oldest_rust_that_is_promised_is_one_that_every_dependency_takes() {
    let tree = Tree::read();
    let number = |version: &str| {
        let mut parts = version.split('.').map(|part| part.parse::<u32>().unwrap());
        (parts.next().unwrap_or(0), parts.next().unwrap_or(0))
    };
    let ours = tree.packages.iter().find(|package| text(package, "name") == "tubwatch").unwrap();
    let promised = number(text(ours, "rust_version"));
    for package in &tree.packages {
        let wanted = text(package, "rust_version");
        assert!(wanted.is_empty() || number(wanted) <= promised, "{} wants {wanted}", text(package, "name"));
    }
}
