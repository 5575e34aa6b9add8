//! Reads the published tables of `fixtures/physics`: RFC 4180 with a header row.

use std::collections::HashMap;
use std::path::Path;

use tubwatch::climate::Stamp;

/// One row of a table, by column name.
pub struct Row(HashMap<String, String>);

impl Row {
    /// The text of a column; the table must have it.
    pub fn text(&self, column: &str) -> &str {
        self.0.get(column).unwrap_or_else(|| panic!("no column {column}"))
    }

    /// The number of a column; `None` where the cell is empty.
    pub fn maybe(&self, column: &str) -> Option<f64> {
        let text = self.text(column);
        (!text.is_empty()).then(|| text.parse().unwrap_or_else(|_| panic!("{column}: {text:?} is no number")))
    }

    /// The number of a column; the cell must hold one.
    pub fn number(&self, column: &str) -> f64 {
        self.maybe(column).unwrap_or_else(|| panic!("{column} is empty"))
    }

    /// The moment of a column: RFC 3339, or `2015-02-02 14:19:00` taken as UTC.
    pub fn stamp(&self, column: &str) -> Stamp {
        let text = self.text(column);
        if let Ok(time) = chrono::DateTime::parse_from_rfc3339(text) {
            return Stamp::from_time(&time);
        }
        let naive = chrono::NaiveDateTime::parse_from_str(text, "%Y-%m-%d %H:%M:%S").unwrap();
        Stamp::from_time(&naive.and_utc())
    }
}

/// All rows of `fixtures/physics/NAME.csv`; never none.
pub fn table(name: &str) -> Vec<Row> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/physics").join(format!("{name}.csv"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let mut lines = text.lines();
    let header = cells(lines.next().unwrap());
    let rows: Vec<Row> = lines
        .map(|line| {
            let cells = cells(line);
            assert_eq!(cells.len(), header.len(), "{name}: {line}");
            Row(header.iter().cloned().zip(cells).collect())
        })
        .collect();
    assert!(!rows.is_empty(), "{name} has no rows");
    rows
}

/// The cells of one line; none of the tables has a line break in a cell.
fn cells(line: &str) -> Vec<String> {
    let mut cells = vec![String::new()];
    let mut quoted = false;
    for character in line.chars() {
        match character {
            '"' => quoted = !quoted,
            ',' if !quoted => cells.push(String::new()),
            _ => cells.last_mut().unwrap().push(character),
        }
    }
    cells
}

/// Fails unless `found` is within `tolerance` of `expected`.
#[track_caller]
pub fn assert_near(found: f64, expected: f64, tolerance: f64, what: &str) {
    let difference = (found - expected).abs();
    assert!(difference <= tolerance, "{what}: {found}, expected {expected} within {tolerance}");
}
