//! The page in a real Chromium, and every path under a fuzzer that reads the OpenAPI document.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use super::scene::{self, TOKEN};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Where the tools are; puts them there if they are not.
fn tools() -> PathBuf {
    let installed = Command::new(root().join("tests/browser/install")).stdin(Stdio::null()).output().unwrap();
    let said = String::from_utf8_lossy(&installed.stderr).into_owned();
    assert!(installed.status.success(), "the browser tests' tools cannot be installed (run tests/run): {said}");
    root().join("target/browser")
}

fn must_succeed(what: &str, command: &mut Command) -> String {
    let output = command.stdin(Stdio::null()).output().unwrap_or_else(|why| panic!("{what}: {why}; run tests/run"));
    let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{what} ended with {}:\n{said}", output.status);
    said
}

#[test]
fn the_page_in_a_real_browser() {
    let tools = tools();
    let cellar = scene::cellar("");
    let (_bare_site, bare) = scene::bare();
    let (_many_site, many) = scene::many(60);
    let shots = root().join("target/screenshots");
    let said = must_succeed(
        "the walk through the pages",
        Command::new("node")
            .arg(root().join("tests/browser/walk.mjs"))
            .env("TOOLS", &tools)
            .env("SHOTS", &shots)
            .env("TOKEN", TOKEN)
            .env("CELLAR", format!("http://{}", cellar.daemon.address))
            .env("ALERT", cellar.alert.to_string())
            .env("BARE", format!("http://{}", bare.address))
            .env("MANY", format!("http://{}", many.address)),
    );
    assert!(said.contains("all seen"), "{said}");
    // What was typed into the form is in the logbook, and what was taken back is void.
    let log = cellar.site.ok(&["show", "C3"]);
    assert!(log.contains("harvested 412 g fresh") && log.contains("void"), "{log}");
    assert!(std::fs::read_dir(&shots).unwrap().count() >= 20);
}

#[test]
fn a_fuzzer_that_reads_the_document_finds_no_fault_of_ours() {
    let tools = tools();
    let cellar = scene::cellar("");
    let count = std::env::var("TUBWATCH_FUZZ_EXAMPLES").unwrap_or_else(|_| "12".to_owned());
    // Names that are there, so that what lies behind them is reached too.
    let config = "[[operations]]\ninclude-path-regex = \"^/tub/\"\nparameters = { \"path.name\" = [\"C3\", \"A1\"] }\n\
                  [[operations]]\ninclude-path-regex = \"^/space/\"\nparameters = { \"path.name\" = \"shelf\" }\n\
                  [[operations]]\ninclude-path-regex = \"^/heat-run/\"\nparameters = { \"path.name\" = [\"coir-7\", \"coir-8\"] }\n";
    std::fs::write(cellar.site.folder.path().join("schemathesis.toml"), config).unwrap();
    let mut said = String::new();
    for config in [None, Some("schemathesis.toml")] {
        said += &fuzz(&tools, &cellar, config, &count);
    }
    assert!(!cellar.daemon.log_lines().iter().any(|line| line.contains("panicked")), "{said}");
    assert_eq!(cellar.daemon.get("/health").0, 200);
}

fn fuzz(tools: &Path, cellar: &scene::Cellar, config: Option<&str>, count: &str) -> String {
    let phases = if config.is_some() { "fuzzing" } else { "coverage,fuzzing" };
    // It would take a config that lies there for itself.
    let folder = if config.is_some() { cellar.site.folder.path().to_owned() } else { std::env::temp_dir() };
    must_succeed(
        "the fuzzer",
        Command::new(tools.join("venv/bin/st"))
            .current_dir(folder)
            .arg("run")
            .arg(format!("http://{}/openapi.json", cellar.daemon.address))
            .args(["--header", &format!("Authorization: Bearer {TOKEN}")])
            .args([
                "--checks",
                "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance",
            ])
            .args(["--exclude-path", "/events", "--max-examples", count, "--phases", phases])
            .args(["--no-color", "--generation-deterministic", "--suppress-health-check", "all"]),
    )
}
