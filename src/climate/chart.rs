//! A chart of series over time, drawn as text: one SVG element that needs nothing beside it.
//!
//! In: readings in time order, bands, moments to mark. Out: columns that keep every peak (lowest,
//! highest, mean of all readings that fall into one column of the picture), and the SVG. Nothing is
//! told by colour alone: the first line is solid, the others broken each in its way; a band is two thin lines; what
//! is not believed is a cross; where nothing was read the line is broken. Lines take the colour of
//! the text around them. Pure. Left out: which readings are good, local time (labels come in as text).
//!
//! A plotting library was looked for first: those at hand draw pictures of points, and neither keep
//! lowest and highest per column nor leave out colour; one that did would be larger than this file.

use std::fmt::Write;

use super::Stamp;
pub use super::lane::{Column, Lane};

/// Width and height of the picture in its own units; it is scaled to the page.
const WIDTH: f64 = 400.0;
const HEIGHT: f64 = 190.0;
/// The drawn area within it.
const LEFT: f64 = 34.0;
const RIGHT: f64 = 392.0;
const TOP: f64 = 22.0;
const BOTTOM: f64 = 160.0;
/// Columns of a full chart: one for each unit of the drawn area's width.
pub const COLUMNS: usize = 358;
/// Crosses drawn at most: one a column.
const MARKS_MAX: usize = COLUMNS;

/// How the lines of a chart are told apart, by their order: the word for it, and its dashes.
pub const STROKES: [(&str, &str); 4] =
    [("solid", ""), ("dashed", "4 2.5"), ("dotted", "1 2.5"), ("dash and dot", "7 2.5 1 2.5")];

/// One line of a chart.
#[derive(Clone, Debug)]
pub struct Drawn<'a> {
    /// What it is, in a word or two.
    pub name: &'a str,
    /// Its readings.
    pub lane: &'a Lane,
    /// Readings further apart than this are not joined, ms.
    pub bridge_ms: i64,
}

/// Limits over a stretch of time, drawn as thin lines.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// From when.
    pub from: Stamp,
    /// Until when.
    pub to: Stamp,
    /// The low one.
    pub low: Option<f64>,
    /// The high one.
    pub high: Option<f64>,
}

/// A reading that was not believed.
#[derive(Clone, Debug, PartialEq)]
pub struct Doubted {
    /// When.
    pub at: Stamp,
    /// What it said.
    pub value: f64,
    /// Why not, with its time: shown under a pointer.
    pub why: String,
}

/// A chart before it is drawn.
#[derive(Clone, Debug)]
pub struct Chart<'a> {
    /// From when.
    pub from: Stamp,
    /// Until when.
    pub to: Stamp,
    /// What a screen reader says of it.
    pub label: &'a str,
    /// Its lines, each in its stroke.
    pub lines: Vec<Drawn<'a>>,
    /// Its bands.
    pub bands: Vec<Limits>,
    /// Moments to mark with a word (stages).
    pub moments: Vec<(Stamp, String)>,
    /// Stretches to underline with a word (alerts).
    pub stretches: Vec<(Stamp, Stamp, String)>,
    /// What was not believed.
    pub doubted: Vec<Doubted>,
    /// Labels of the time axis.
    pub ticks: Vec<(Stamp, String)>,
}

/// Escapes text for SVG and HTML.
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            letter => out.push(letter),
        }
    }
    out
}

/// Round steps of a value axis from `low` to `high`, at most seven.
pub fn steps(low: f64, high: f64) -> Vec<f64> {
    let span = high - low;
    if !span.is_finite() || span <= 0.0 {
        return vec![low];
    }
    let rough = span / 6.0;
    let power = 10_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|times| times * power).find(|step| *step >= rough);
    let step = step.unwrap_or(rough);
    let first = (low / step).ceil() as i64;
    (first..).map(|number| number as f64 * step).take_while(|value| *value <= high + step * 1e-9).take(7).collect()
}

struct Scale {
    from: Stamp,
    to: Stamp,
    low: f64,
    high: f64,
}

impl Scale {
    fn of(chart: &Chart<'_>) -> Scale {
        let lines = chart.lines.iter().filter_map(|line| line.lane.range()).flat_map(|(low, high)| [low, high]);
        let bands = chart.bands.iter().flat_map(|band| [band.low, band.high]).flatten();
        let (low, high) = lines
            .chain(bands)
            .filter(|value| value.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
        let (low, high) = if low > high { (0.0, 1.0) } else { (low, high) };
        // A flat line stands in the middle, and noise of a tenth is not blown up to the whole height.
        let room = ((high - low) * 0.06).max((0.5 - (high - low)).max(0.0) / 2.0).max(1e-6);
        // What is never negative is not drawn over a negative axis.
        let bottom = if low >= 0.0 { (low - room).max(0.0) } else { low - room };
        Scale { from: chart.from, to: chart.to.max(chart.from.plus(1)), low: bottom, high: high + room }
    }

    fn x(&self, at: Stamp) -> f64 {
        let share = at.since(self.from) as f64 / self.to.since(self.from) as f64;
        LEFT + share.clamp(0.0, 1.0) * (RIGHT - LEFT)
    }

    fn y(&self, value: f64) -> f64 {
        let share = (value - self.low) / (self.high - self.low);
        BOTTOM - share.clamp(0.0, 1.0) * (BOTTOM - TOP)
    }
}

/// `value` rounded to `digits` decimals, no negative zero.
fn rounded(value: f64, digits: i32) -> f64 {
    let scale = 10_f64.powi(digits);
    (value * scale).round() / scale + 0.0
}

/// One decimal is finer than any screen shows.
fn short(value: f64) -> String {
    format!("{}", rounded(value, 1))
}

/// Draws the chart. The classes are for the page's style sheet; without one it is still a chart.
pub fn svg(chart: &Chart<'_>) -> String {
    let scale = Scale::of(chart);
    let mut out = String::with_capacity(16 * 1024);
    let _ = write!(
        out,
        "<svg class=\"chart\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"{}\" fill=\"none\" stroke=\"currentColor\" \
         data-left=\"{LEFT}\" data-right=\"{RIGHT}\" data-width=\"{WIDTH}\" data-from=\"{}\" data-to=\"{}\">",
        escaped(chart.label),
        chart.from.0,
        chart.to.0
    );
    axes(chart, &scale, &mut out);
    for band in &chart.bands {
        for value in [band.low, band.high].into_iter().flatten() {
            let (y, x1, x2) = (short(scale.y(value)), short(scale.x(band.from)), short(scale.x(band.to)));
            let _ = write!(out, "<path class=\"band\" stroke-width=\".7\" d=\"M{x1} {y}H{x2}\"/>");
        }
    }
    for (number, line) in chart.lines.iter().enumerate() {
        draw_line(line, number, &scale, &mut out);
    }
    for doubted in chart.doubted.iter().take(MARKS_MAX) {
        let (x, y) = (short(scale.x(doubted.at) - 2.0), short(scale.y(doubted.value) - 2.0));
        let why = escaped(&doubted.why);
        let _ = write!(out, "<path class=\"doubted\" d=\"M{x} {y}l4 4m-4 0l4-4\"><title>{why}</title></path>");
    }
    out.push_str("</svg>");
    out
}

fn text(out: &mut String, x: f64, y: f64, anchor: &str, words: &str) {
    let (x, y, words) = (short(x), short(y), escaped(words));
    let _ = write!(
        out,
        "<text x=\"{x}\" y=\"{y}\" text-anchor=\"{anchor}\" font-size=\"10.5\" fill=\"currentColor\" stroke=\"none\">{words}</text>"
    );
}

fn axes(chart: &Chart<'_>, scale: &Scale, out: &mut String) {
    for value in steps(scale.low, scale.high) {
        let y = scale.y(value);
        let _ = write!(
            out,
            "<path class=\"grid\" stroke-width=\".3\" stroke-opacity=\".45\" d=\"M{LEFT} {}H{RIGHT}\"/>",
            short(y)
        );
        text(out, LEFT - 4.0, y + 3.5, "end", &format!("{}", rounded(value, 3)));
    }
    let mut free_from = 0.0;
    for (at, words) in &chart.ticks {
        let x = scale.x(*at);
        // Half the width of a label in the larger letters of a small screen.
        let half = words.chars().count() as f64 * 3.4;
        let _ = write!(out, "<path stroke-width=\".7\" d=\"M{} {BOTTOM}v3\"/>", short(x));
        if x - half >= free_from && x + half <= WIDTH {
            text(out, x, BOTTOM + 14.0, "middle", words);
            free_from = x + half + 4.0;
        }
    }
    let mut free_from = 0.0;
    for (at, word) in &chart.moments {
        let x = scale.x(*at);
        let _ = write!(
            out,
            "<path class=\"moment\" stroke-width=\".8\" stroke-dasharray=\"1 2\" d=\"M{} {}V{BOTTOM}\"/>",
            short(x),
            TOP - 8.0
        );
        if x >= free_from {
            let long = word.chars().count() as f64 * 5.6;
            let (anchor, end) = if x + long > WIDTH { ("end", x) } else { ("start", x + long) };
            text(out, x, TOP - 10.0, anchor, word);
            free_from = end + 4.0;
        }
    }
    for (from, to, word) in &chart.stretches {
        let (x1, x2) = (scale.x(*from), scale.x(*to).max(scale.x(*from) + 1.5));
        let y = BOTTOM + 20.0;
        let _ = write!(
            out,
            "<path class=\"alerted\" stroke-width=\"3\" d=\"M{} {y}H{}\"><title>{}</title></path>",
            short(x1),
            short(x2),
            escaped(word)
        );
    }
    if !chart.stretches.is_empty() {
        text(out, 0.0, BOTTOM + 23.5, "start", "alerts");
    }
    let _ = write!(out, "<path stroke-width=\".7\" d=\"M{LEFT} {TOP}V{BOTTOM}H{RIGHT}\"/>");
}

fn draw_line(line: &Drawn<'_>, number: usize, scale: &Scale, out: &mut String) {
    let width = (RIGHT - LEFT) / line.lane.columns.len() as f64;
    let x = |place: usize| LEFT + (place as f64 + 0.5) * width;
    let dashes = match STROKES[number % STROKES.len()].1 {
        "" => String::new(),
        dashes => format!(" stroke-dasharray=\"{dashes}\""),
    };
    let (mut peaks, mut means) = (String::new(), String::new());
    for run in line.lane.runs(line.bridge_ms) {
        for (at, (place, column)) in run.iter().enumerate() {
            let letter = if at == 0 { 'M' } else { 'L' };
            let _ = write!(means, "{letter}{} {}", short(x(*place)), short(scale.y(column.mean())));
            if run.len() == 1 {
                means.push_str("h.1");
            }
            let (low, high) = (scale.y(column.min), scale.y(column.max));
            if low - high > 0.8 {
                let _ = write!(peaks, "M{} {}V{}", short(x(*place)), short(low), short(high));
            }
        }
    }
    let name = escaped(line.name);
    if !peaks.is_empty() {
        let _ = write!(
            out,
            "<path class=\"peaks\" stroke-opacity=\".45\" stroke-width=\"{}\" d=\"{peaks}\"/>",
            short(width.clamp(0.5, 2.0))
        );
    }
    let _ = write!(
        out,
        "<path class=\"line\" stroke-width=\"1.4\" stroke-linecap=\"round\" stroke-linejoin=\"round\"{dashes} d=\"{means}\"><title>{name}</title></path>"
    );
}

/// A small trace with its band as two thin lines, `width` x `height`; empty where nothing was read.
pub fn trace(lane: &Lane, band: Limits, bridge_ms: i64, label: &str) -> String {
    const TRACE_WIDTH: f64 = 240.0;
    const TRACE_HEIGHT: f64 = 36.0;
    let Some((low, high)) = lane.range() else { return String::new() };
    let limits = [band.low, band.high].into_iter().flatten();
    let (low, high) = limits.fold((low, high), |(low, high), value| (low.min(value), high.max(value)));
    let room = ((1.0 - (high - low)) / 2.0).max((high - low) * 0.05);
    let (low, high) = (low - room, high + room);
    let y = |value: f64| ((high - value) / (high - low) * (TRACE_HEIGHT - 2.0) + 1.0).round() as i64;
    let step = TRACE_WIDTH / lane.columns.len() as f64;
    let x = |place: usize| ((place as f64 + 0.5) * step).round() as i64;
    let mut path = String::new();
    for run in lane.runs(bridge_ms) {
        let mut before: Option<(i64, i64)> = None;
        for (place, column) in run {
            let middle = (x(place), y(column.mean()));
            match before {
                Some((x, y)) => drop(write!(path, "l{} {}", middle.0 - x, middle.1 - y)),
                None => drop(write!(path, "M{} {}h1l-1 0", middle.0, middle.1)),
            }
            let (top, bottom) = (y(column.max), y(column.min));
            if bottom - top > 1 {
                // Up to the highest, down to the lowest, back to the mean.
                let _ = write!(path, "v{}v{}v{}", top - middle.1, bottom - top, middle.1 - bottom);
            }
            before = Some(middle);
        }
    }
    let mut lines = String::new();
    for value in [band.low, band.high].into_iter().flatten() {
        let _ = write!(lines, "M0 {}h{TRACE_WIDTH}", y(value));
    }
    format!(
        "<svg class=\"trace\" viewBox=\"0 0 {TRACE_WIDTH} {TRACE_HEIGHT}\" preserveAspectRatio=\"xMinYMid\" role=\"img\" aria-label=\"{}\">\
         <path class=\"band\" d=\"{lines}\"/><path d=\"{path}\"/></svg>",
        escaped(label)
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round_and_few() {
        assert_eq!(steps(17.2, 29.1), [18.0, 20.0, 22.0, 24.0, 26.0, 28.0]);
        assert_eq!(steps(0.0, 1.0), [0.0, 0.2, 0.4, 0.6000000000000001, 0.8, 1.0]);
        assert_eq!(steps(5.0, 5.0), [5.0]);
        for (low, high) in [(0.0, 7_000.0), (-3.0, 0.4), (99.0, 99.5), (0.0, 1e-9)] {
            let steps = steps(low, high);
            assert!((2..=7).contains(&steps.len()), "{low} {high} {steps:?}");
        }
    }

    #[test]
    fn words_in_a_chart_cannot_leave_it() {
        let lane = Lane::new(Stamp(0), Stamp(10), 5);
        let chart = Chart {
            from: Stamp(0),
            to: Stamp(10),
            label: "<b>\"&'",
            lines: vec![Drawn { name: "</svg>", lane: &lane, bridge_ms: 1 }],
            bands: Vec::new(),
            moments: vec![(Stamp(1), "<i>".to_owned())],
            stretches: vec![(Stamp(1), Stamp(2), "<u>".to_owned())],
            doubted: vec![Doubted { at: Stamp(1), value: 0.5, why: "<s>".to_owned() }],
            ticks: vec![(Stamp(1), "<q>".to_owned())],
        };
        let svg = svg(&chart);
        for tag in ["<b>", "<i>", "<u>", "<s>", "<q>"] {
            assert!(!svg.contains(tag), "{tag}");
        }
        assert_eq!(svg.matches("</svg>").count(), 1);
    }
}
