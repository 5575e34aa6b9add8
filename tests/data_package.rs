//! The export as a stranger's program finds it: the descriptor by the published schema, every file by the
//! descriptor.
#![allow(clippy::unwrap_used, clippy::panic)]

mod harness;
mod season;

use std::process::Command;

use season::{Season, at};
use serde_json::Value;

/// A season with a bit of everything in it, exported.
fn exported(every: &str) -> (Season, std::path::PathBuf) {
    let season = Season::begin();
    season.write_all("shelf-air", 0.0, 24.0, |hour| [Some(20.0 + hour / 10.0), Some(88.0), Some(900.0), None]);
    season.steady("core-0", 0.0, 24.0, 24.0);
    let begun = at(0.0);
    season.ok(&["pasteurise", "coir-1", "--probe", "core-1", "--hold-at", "coir-60", "--at", &begun]);
    season.ok(&["pasteurise", "coir-1", "--end", "--at", &at(1.0)]);
    season.spawn(
        "A1",
        2.0,
        &["--core", "core-0", "--run", "coir-1", "--dry-bulk", "650g", "--grain", "1L", "--bulk", "3L"],
    );
    season.spawn("A2", 2.0, &["--strain", "=1+1", "--position", "top, left \"corner\""]);
    season.ok(&["note", "A2", "--at", &at(3.0), "one, \"two\""]);
    season.ok(&["harvest", "A1", "--fresh", "412.5g", "--at", &at(20.0)]);
    season.ok(&["suspect", "A2", "--what", "green", "--at", &at(21.0)]);
    season.ok(&["discard", "A2", "--because", "contaminated", "--at", &at(22.0)]);
    let entry = season.show("A1")["log"][0]["entry"].to_string();
    season.ok(&["amend", &entry, "--batch", "g7"]);
    let out = season.site.folder.path().join("out");
    season.ok(&["export", "--out", out.to_str().unwrap(), "--every", every]);
    (season, out)
}

fn cells(line: &str) -> Vec<String> {
    let (mut cells, mut cell, mut quoted) = (Vec::new(), String::new(), false);
    let mut letters = line.chars().peekable();
    while let Some(letter) = letters.next() {
        match letter {
            '"' if quoted && letters.peek() == Some(&'"') => cell.extend(letters.next()),
            '"' => quoted = !quoted,
            ',' if !quoted => cells.push(std::mem::take(&mut cell)),
            letter => cell.push(letter),
        }
    }
    cells.push(cell);
    cells
}

fn fits(kind: &str, cell: &str) -> bool {
    match kind {
        _ if cell.is_empty() => true,
        "string" => true,
        "number" => cell.parse::<f64>().is_ok_and(f64::is_finite) && !cell.contains(['e', 'E', ',']),
        "integer" => cell.parse::<i64>().is_ok(),
        "boolean" => matches!(cell, "true" | "false"),
        "datetime" => chrono::DateTime::parse_from_rfc3339(cell).is_ok(),
        _ => false,
    }
}

#[test]
fn the_descriptor_is_valid_and_tells_the_truth() {
    let schema: Value =
        serde_json::from_str(include_str!("../fixtures/datapackage/tabular-data-package.json")).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    for every in ["1h", "raw"] {
        let (_season, out) = exported(every);
        let descriptor: Value = serde_json::from_slice(&std::fs::read(out.join("datapackage.json")).unwrap()).unwrap();
        let wrong: Vec<String> = validator.iter_errors(&descriptor).map(|error| error.to_string()).collect();
        assert!(wrong.is_empty(), "{wrong:#?}");
        let mut described: Vec<String> = vec!["datapackage.json".to_owned()];
        let mut rows = 0;
        for resource in descriptor["resources"].as_array().unwrap() {
            let path = resource["path"].as_str().unwrap();
            described.push(path.to_owned());
            let text = std::fs::read_to_string(out.join(path)).unwrap();
            let mut lines = text.split("\r\n").filter(|line| !line.is_empty());
            let fields = resource["schema"]["fields"].as_array().unwrap();
            let names: Vec<&str> = fields.iter().map(|field| field["name"].as_str().unwrap()).collect();
            assert_eq!(cells(lines.next().unwrap()), names, "{path}");
            for field in fields {
                assert!(!field["description"].as_str().unwrap().is_empty(), "{path}: {field}");
                let measure = ["_c", "_g", "_l", "_k", "_pct", "_ppm", "_kpa", "_min"]
                    .iter()
                    .any(|end| field["name"].as_str().unwrap().ends_with(end));
                assert!(!measure || field["unit"].is_string(), "{path}: {field}");
            }
            for line in lines {
                rows += 1;
                let found = cells(line);
                assert_eq!(found.len(), names.len(), "{path}: {line}");
                for (cell, field) in found.iter().zip(fields) {
                    assert!(fits(field["type"].as_str().unwrap(), cell), "{path}: {field} {cell:?}");
                }
            }
        }
        assert!(rows > 30, "{rows}");
        let mut files: Vec<String> =
            std::fs::read_dir(&out).unwrap().map(|file| file.unwrap().file_name().into_string().unwrap()).collect();
        files.sort();
        described.sort();
        assert_eq!(files, described, "every file is described, and none that is not there");
        let heat = std::fs::read_to_string(out.join("heat_runs.csv")).unwrap();
        assert!(heat.lines().nth(1).unwrap().contains("coir-60") && heat.contains("A1-"), "{heat}");
        let tubs = std::fs::read_to_string(out.join("tubs.csv")).unwrap();
        assert!(tubs.contains("'=1+1"), "no formula: {tubs}");
    }
}

/// What the frictionless package finds wrong with an export; nothing where all is well.
fn stranger_says(out: &std::path::Path) -> String {
    let program = "import sys, json\nfrom frictionless import Package\n\
                   report = Package(sys.argv[1] + '/datapackage.json').validate()\n\
                   tasks = [[task.name, task.stats.get('rows', 0)] for task in report.tasks]\n\
                   found = report.flatten(['title', 'fieldName', 'rowNumber', 'note'])\n\
                   print(json.dumps({'valid': report.valid, 'found': found[:5], 'tasks': tasks}))";
    let output = Command::new(harness::python()).args(["-c", program]).arg(out).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let report: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(report["tasks"].as_array().unwrap().len(), 6, "every file is read: {report}");
    if report["valid"] == true { String::new() } else { report["found"].to_string() }
}

#[test]
fn the_frictionless_package_takes_every_file_for_what_its_descriptor_says() {
    let (_season, out) = exported("raw");
    assert_eq!(stranger_says(&out), "");
    // And it looks: one cell that is no number is found.
    let tubs = out.join("tubs.csv");
    let text = std::fs::read_to_string(&tubs).unwrap();
    std::fs::write(&tubs, text.replace("412.5", "much")).unwrap();
    assert!(stranger_says(&out).contains("fresh_total_g"));
}
