//! A chart on a page: the picture, the value under the finger, the table behind it and its CSV.
//!
//! In: lines of gathered columns and what to mark. Out: one `figure`; or the same figures as CSV.

use std::collections::BTreeMap;
use std::fmt::Write;

use maud::{Markup, PreEscaped, html};

use crate::climate::Stamp;
use crate::climate::chart::{Chart, Drawn, Lane, Limits, STROKES, svg};
use crate::climate::degrees::Degrees;
use crate::status::gather::Line;
use crate::status::span::Span;
use crate::status::wording::{Clock, figure};

/// Rows of the table behind a chart at most: enough to read a day by the quarter-hour.
const ROWS_MAX: usize = 96;

/// Mean, lowest and highest of one line in one row; none where nothing was read.
type Cell = Option<(f64, f64, f64)>;

/// What the values of a chart are, for the degrees they are shown in. CSV is in °C always.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(in crate::status) enum Kind {
    /// No temperature.
    #[default]
    Plain,
    /// Temperatures.
    Temperature,
    /// Differences of two.
    Difference,
}

impl Kind {
    /// What a value is taken times and what is added to it.
    fn scale(self, show: Degrees) -> (f64, f64) {
        match self {
            Kind::Plain => (1.0, 0.0),
            Kind::Temperature => (show.step(1.0), show.of(0.0)),
            Kind::Difference => (show.step(1.0), 0.0),
        }
    }
}

/// One row of the table behind a chart.
#[derive(Default)]
struct Row {
    /// By the line.
    cells: Vec<Cell>,
    /// Readings in it that are not believed.
    doubted: u64,
}

/// One chart before it is drawn.
pub(in crate::status) struct Figure<'a> {
    /// Its word in the address of its CSV.
    pub(in crate::status) key: &'static str,
    pub(in crate::status) title: &'static str,
    /// Of its CSV, and where its kind is plain.
    pub(in crate::status) unit: &'static str,
    pub(in crate::status) kind: Kind,
    pub(in crate::status) digits: u32,
    /// An unusual word explained, if there is one.
    pub(in crate::status) explained: Option<&'static str>,
    pub(in crate::status) lines: Vec<(&'a str, &'a Line)>,
    pub(in crate::status) bands: Vec<Limits>,
    /// What the two thin lines are.
    pub(in crate::status) band_words: &'static str,
}

/// What all charts of a page share.
pub(in crate::status) struct Frame<'a> {
    pub(in crate::status) span: &'a Span,
    pub(in crate::status) clock: Clock,
    /// Where the page stands.
    pub(in crate::status) path: String,
    pub(in crate::status) stages: Vec<(Stamp, String)>,
    pub(in crate::status) alerts: Vec<(Stamp, Stamp, String)>,
}

impl Figure<'_> {
    /// Nothing was read of it in the range.
    pub(in crate::status) fn is_empty(&self) -> bool {
        self.lines.iter().all(|(_, line)| line.lane.is_empty() && line.doubted.is_empty())
    }

    fn rows(&self, columns: usize) -> BTreeMap<Stamp, Row> {
        let mut rows: BTreeMap<Stamp, Row> = BTreeMap::new();
        let empty = || Row { cells: vec![None; self.lines.len()], doubted: 0 };
        for (number, (_, line)) in self.lines.iter().enumerate() {
            let thin = line.lane.thinned(columns);
            for (at, column) in thin.filled() {
                let row = rows.entry(at).or_insert_with(empty);
                row.cells[number] = Some((column.mean(), column.min, column.max));
            }
            for (at, doubted) in &line.doubted {
                if let Some(at) = thin.begin_of(*at) {
                    rows.entry(at).or_insert_with(empty).doubted += doubted.count;
                }
            }
        }
        rows
    }

    /// The figures of every column as CSV (RFC 4180).
    pub(in crate::status) fn csv(&self) -> String {
        let mut out = "time".to_owned();
        for (name, _) in &self.lines {
            let name = column(name);
            let _ = write!(out, ",{name}_mean,{name}_min,{name}_max");
        }
        out.push_str(",not_believed\r\n");
        for (at, row) in self.rows(usize::MAX) {
            out.push_str(&at.rfc3339());
            for cell in row.cells {
                match cell {
                    Some((mean, min, max)) => {
                        let digits = self.digits + 2;
                        let _ =
                            write!(out, ",{},{},{}", figure(mean, digits), figure(min, digits), figure(max, digits));
                    }
                    None => out.push_str(",,,"),
                }
            }
            let _ = write!(out, ",{}\r\n", row.doubted);
        }
        out
    }

    /// The figure as it stands on the page.
    pub(in crate::status) fn markup(&self, frame: &Frame<'_>) -> Markup {
        let clock = frame.clock;
        let (times, by) = self.kind.scale(clock.show);
        let lanes: Vec<Lane> = self.lines.iter().map(|(_, line)| line.lane.clone().scaled(times, by)).collect();
        let limit = |limit: Option<f64>| limit.map(|value| value * times + by);
        let unit = match (self.kind, clock.show) {
            (Kind::Plain, _) | (Kind::Difference, Degrees::Celsius) => self.unit,
            _ => clock.show.unit(),
        };
        let said = self.said(&lanes, unit);
        let chart = Chart {
            from: frame.span.from,
            to: frame.span.to,
            label: &said,
            lines: self
                .lines
                .iter()
                .zip(&lanes)
                .map(|((name, line), lane)| Drawn { name, lane, bridge_ms: line.bridge_ms })
                .collect(),
            bands: self
                .bands
                .iter()
                .map(|band| Limits { low: limit(band.low), high: limit(band.high), ..*band })
                .collect(),
            moments: frame.stages.clone(),
            stretches: frame.alerts.clone(),
            doubted: self.lines.iter().flat_map(|(_, line)| line.crosses((times, by), |at| clock.short(at))).collect(),
            ticks: frame.span.ticks(clock.timezone),
        };
        let csv = format!("{}/chart.csv?of={}&{}", frame.path, self.key, frame.span.query());
        html! {
            figure data-chart {
                figcaption { (self.title) ", " (unit) }
                @if let Some(explained) = self.explained { p.small { (explained) } }
                (PreEscaped(svg(&chart)))
                output aria-live="polite" {}
                p.small { (self.legend()) }
                details id=(format!("table-{}", self.key)) {
                    summary { "The figures behind it" }
                    p { a href=(csv) { "All of them as CSV" } }
                    (self.table(clock, unit))
                }
            }
        }
    }

    fn said(&self, lanes: &[Lane], unit: &str) -> String {
        let range = self.lines.iter().zip(lanes).map(|((name, _), lane)| match lane.range() {
            Some((low, high)) => {
                format!("{name} from {} to {} {unit}", figure(low, self.digits), figure(high, self.digits))
            }
            None => format!("{name} not measured"),
        });
        format!("{}: {}", self.title, range.collect::<Vec<_>>().join("; "))
    }

    fn legend(&self) -> String {
        let mut parts = Vec::new();
        if self.lines.len() > 1 {
            let strokes = STROKES.iter().cycle().zip(&self.lines);
            let named: Vec<String> = strokes.map(|((word, _), (name, _))| format!("{name} {word}")).collect();
            parts.push(format!("Lines: {}.", named.join(", ")));
        }
        if !self.bands.is_empty() {
            parts.push(format!("Thin lines: {}.", self.band_words));
        }
        if self.is_doubted() {
            let mut kinds: BTreeMap<&str, u64> = BTreeMap::new();
            for (kind, count) in self.lines.iter().flat_map(|(_, line)| &line.doubts) {
                *kinds.entry(kind).or_default() += count;
            }
            let kinds: Vec<String> = kinds.iter().map(|(kind, count)| format!("{count} {kind}")).collect();
            parts.push(format!("Crosses: readings that are not believed ({}).", kinds.join(", ")));
        }
        parts.push("Where the line is broken nothing was read.".to_owned());
        parts.join(" ")
    }

    fn is_doubted(&self) -> bool {
        self.lines.iter().any(|(_, line)| !line.doubted.is_empty())
    }

    fn table(&self, clock: Clock, unit: &str) -> Markup {
        let scale = self.kind.scale(clock.show);
        let rows = self.rows(ROWS_MAX);
        let is_doubted = self.is_doubted();
        html! {
            div.scroll tabindex="0" role="region" aria-label=(format!("{}: table", self.title)) {
                table {
                    caption { (self.title) ", " (unit) ": mean, and lowest to highest where they differ" }
                    thead { tr {
                        th scope="col" { "time" }
                        @for (name, _) in &self.lines { th scope="col" { (name) } }
                        @if is_doubted { th scope="col" { "not believed" } }
                    } }
                    tbody {
                        @for (at, row) in &rows {
                            tr {
                                td { time datetime=(at.rfc3339()) { (clock.short(*at)) } }
                                @for cell in &row.cells { td { (self.cell(*cell, scale)) } }
                                @if is_doubted { td { @if row.doubted > 0 { (row.doubted) } } }
                            }
                        }
                    }
                }
            }
        }
    }

    fn cell(&self, cell: Cell, (times, by): (f64, f64)) -> String {
        let Some((mean, min, max)) = cell else { return String::new() };
        let say = |value: f64| figure(value * times + by, self.digits);
        if say(min) == say(max) { say(mean) } else { format!("{} ({} to {})", say(mean), say(min), say(max)) }
    }
}

/// The ranges to choose from.
pub(in crate::status) fn ranges(frame: &Frame<'_>, whole: Option<(Stamp, &str)>) -> Markup {
    html! {
        nav aria-label="Range of time" {
            @for (word, said, _) in crate::status::span::OFFERED {
                a href=(format!("{}?range={word}#charts", frame.path)) aria-current=[(frame.span.word == Some(word)).then_some("true")] { (said) }
            }
            @if let Some((from, said)) = whole {
                a href=(format!("{}?from={}#charts", frame.path, from.rfc3339())) { (said) }
            }
        }
    }
}

/// A line's name at the head of a column: a probe may be called anything, and no comma, quote or formula of
/// it must reach a spreadsheet.
fn column(name: &str) -> String {
    let plain = |c: char| if c.is_alphanumeric() || c == '-' { c } else { '_' };
    name.trim_start_matches('-').chars().map(plain).collect()
}

#[cfg(test)]
mod tests {
    #[test]
    fn a_probes_name_is_harmless_at_the_head_of_a_column() {
        let named = ["over air", "core-a1", "a,b\"c", "=1+1", "--x", "Fühler"].map(super::column);
        assert_eq!(named, ["over_air", "core-a1", "a_b_c", "_1_1", "x", "Fühler"]);
    }
}
