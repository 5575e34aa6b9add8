//! The pictures of a report: temperature, humidity, CO2, degree-hours, core over air.
//!
//! In: what was read of a tub. Out: figures, each with what its lines are. Left out: the drawing
//! (`climate::chart`).

use maud::{Markup, PreEscaped, html};

use super::course::Course;
use super::report::{Desk, Read};
use crate::climate::chart::{Chart, Doubted, Drawn, Lane, Limits, svg};
use crate::climate::stamp::DAY_MS;
use crate::climate::{Quantity, Stamp};
use crate::grow::culture::Band;
use crate::grow::moment::{local_day, start_of_day};
use crate::store::StoreError;
use crate::store::figures::{core_at, space_at};

/// Labels on a time axis.
const TICKS_MAX: i64 = 9;

/// What all charts of the page share.
struct Frame {
    from: Stamp,
    to: Stamp,
    moments: Vec<(Stamp, String)>,
    stretches: Vec<(Stamp, Stamp, String)>,
    ticks: Vec<(Stamp, String)>,
}

struct Picture<'a> {
    title: &'a str,
    legend: String,
    lines: Vec<(&'a str, &'a Lane, i64)>,
    bands: Vec<Limits>,
    doubted: Vec<Doubted>,
    alerts: bool,
}

/// Every chart there is something to draw of.
pub(super) fn charts(desk: &Desk<'_>, read: &Read<'_>) -> Result<Markup, StoreError> {
    let tub = read.tub;
    let (from, to) = (tub.spawned_at, read.until.max(tub.spawned_at.plus(1)));
    let course = Course::of(desk.reader, desk.setup, &desk.book.tubs, tub, from, to)?;
    let frame = frame(desk, read, from, to);
    let (core_ms, air_ms) = (course.core_bridge_ms, course.air_bridge_ms);
    let mut pictures = Vec::new();
    let lines: Vec<_> = [("core", &course.core, core_ms), ("air", &course.air, air_ms)]
        .into_iter()
        .filter(|(_, lane, _)| !lane.is_empty())
        .collect();
    if !lines.is_empty() {
        pictures.push(Picture {
            title: "Temperature, °C",
            legend: legend(&lines, "the band of its stage, of the substrate where it has a core", &course.doubted),
            bands: bands(desk, read, Quantity::Temperature),
            doubted: course.doubted.clone(),
            lines,
            alerts: true,
        });
    }
    let air = |title, name, lane, quantity| {
        let lines = vec![(name, lane, air_ms)];
        let legend = legend(&lines, "the band of its stage", &[]);
        Picture { title, legend, bands: bands(desk, read, quantity), lines, doubted: Vec::new(), alerts: false }
    };
    if !course.humidity.is_empty() {
        pictures.push(air("Humidity of the air, %", "humidity", &course.humidity, Quantity::Humidity));
    }
    if !course.co2.is_empty() {
        pictures.push(air("CO2 of the air, ppm", "CO2", &course.co2, Quantity::Co2));
    }
    let warmth = warmth(read, from, to);
    if let Some((lane, bands)) = &warmth {
        pictures.push(Picture {
            title: "Degree-hours against the requirement, °C·h",
            legend: "Thin lines: the low and the high end of the requirement.".to_owned(),
            lines: vec![("degree-hours", lane, 3 * DAY_MS)],
            bands: bands.clone(),
            doubted: Vec::new(),
            alerts: false,
        });
    }
    if !course.over_air.is_empty() {
        pictures.push(Picture {
            title: "Core over air, °C",
            legend: "Self-heating: a hump that rises and dies away. Grey strokes: lowest to highest.".to_owned(),
            lines: vec![("core over air", &course.over_air, core_ms)],
            bands: Vec::new(),
            doubted: Vec::new(),
            alerts: false,
        });
    }
    Ok(html! {
        h2 { "Climate" }
        @if pictures.is_empty() { p { "Nothing was measured." } }
        div.charts { @for picture in pictures { (figure(picture, &frame)) } }
    })
}

fn figure(picture: Picture<'_>, frame: &Frame) -> Markup {
    let ranges = picture.lines.iter().filter_map(|(name, lane, _)| Some((name, lane.range()?)));
    let said: Vec<String> = ranges.map(|(name, (low, high))| format!("{name} from {low:.1} to {high:.1}")).collect();
    let label = format!("{}: {}", picture.title, said.join("; "));
    let chart = Chart {
        from: frame.from,
        to: frame.to,
        label: &label,
        lines: picture
            .lines
            .iter()
            .map(|(name, lane, bridge_ms)| Drawn { name, lane, bridge_ms: *bridge_ms })
            .collect(),
        bands: picture.bands,
        moments: frame.moments.clone(),
        stretches: if picture.alerts { frame.stretches.clone() } else { Vec::new() },
        doubted: picture.doubted,
        ticks: frame.ticks.clone(),
    };
    html! {
        figure {
            figcaption { (picture.title) }
            (PreEscaped(svg(&chart)))
            p.small { (picture.legend) " Where the line is broken nothing was measured." }
        }
    }
}

fn legend(lines: &[(&str, &Lane, i64)], band: &str, doubted: &[Doubted]) -> String {
    let mut parts = Vec::new();
    if let [(first, ..), (second, ..)] = lines {
        parts.push(format!("Solid: {first}; dashed: {second}."));
    }
    parts.push(format!("Thin lines: {band}."));
    if !doubted.is_empty() {
        parts.push("Crosses: readings that are not believed.".to_owned());
    }
    parts.join(" ")
}

fn frame(desk: &Desk<'_>, read: &Read<'_>, from: Stamp, to: Stamp) -> Frame {
    let moments = read.tub.stages.iter().map(|since| (since.from, since.value.word().to_owned())).collect();
    let over = |alert: &crate::watch::alert::Alert| alert.returned_at.or(alert.ended_at).unwrap_or(to).min(to);
    let stretches = read
        .alerts
        .iter()
        .map(|alert| (alert.first_at, over(alert), format!("{}: {}", alert.watch.word(), alert.text)));
    Frame { from, to, moments, stretches: stretches.collect(), ticks: ticks(desk, from, to) }
}

/// Local midnights, so many days apart that the axis stays readable.
fn ticks(desk: &Desk<'_>, from: Stamp, to: Stamp) -> Vec<(Stamp, String)> {
    let days = to.since(from) / DAY_MS + 1;
    let step = (days + TICKS_MAX - 1) / TICKS_MAX;
    let first = local_day(from, desk.timezone);
    (1..=days)
        .filter(|day| (day - 1) % step == 0)
        .filter_map(|day| first.checked_add_days(chrono::Days::new(day.unsigned_abs())))
        .map(|day| (start_of_day(day, desk.timezone), day.format("%-d %b").to_string()))
        .filter(|(at, _)| *at <= to)
        .collect()
}

/// The limits that held, stage by stage and space by space.
fn bands(desk: &Desk<'_>, read: &Read<'_>, quantity: Quantity) -> Vec<Limits> {
    let tub = read.tub;
    let Some(culture) = desk.setup.cultures.iter().find(|culture| culture.name == tub.culture) else {
        return Vec::new();
    };
    let mut turns: Vec<Stamp> = tub.stages.iter().map(|since| since.from).collect();
    turns.extend(tub.spaces.iter().map(|since| since.from));
    turns.extend(tub.cores.iter().map(|since| since.from));
    turns.retain(|turn| *turn >= tub.spawned_at && *turn < read.until);
    turns.extend([tub.spawned_at, read.until]);
    turns.sort_unstable();
    turns.dedup();
    let mut all = Vec::new();
    for ends in turns.windows(2) {
        let (from, to) = (ends[0], ends[1]);
        let held = tub.stages.partition_point(|since| since.from <= from);
        let Some(stage) = held.checked_sub(1).map(|place| tub.stages[place].value) else { continue };
        let space = desk.setup.spaces.iter().find(|space| space.name == space_at(tub, from));
        let mut bands = culture.bands.of(stage);
        if let Some(space) = space {
            bands = bands.overridden_by(space.bands.of(stage));
        }
        let band: Band = match quantity {
            Quantity::Humidity => bands.humidity,
            Quantity::Co2 => bands.co2,
            _ if core_at(tub, &desk.book.tubs, from).is_some() => bands.core_temperature,
            _ => bands.temperature,
        };
        if band.low.is_some() || band.high.is_some() {
            let value = |limit: Option<crate::grow::culture::Limit>| limit.map(|limit| limit.value);
            all.push(Limits { from, to, low: value(band.low), high: value(band.high) });
        }
    }
    all
}

/// Degree-hours day by day, and the requirement's ends.
fn warmth(read: &Read<'_>, from: Stamp, to: Stamp) -> Option<(Lane, Vec<Limits>)> {
    let facts = read.facts.as_ref().filter(|facts| facts.measured)?;
    let halves = (to.since(from) / DAY_MS * 2).clamp(2, 350) as usize;
    let mut lane = Lane::new(from, to, halves);
    lane.push(from, 0.0);
    for (at, sum) in &facts.course {
        lane.push((*at).min(to.plus(-1)), *sum);
    }
    let requirement = facts.thermal.requirement;
    let until = read.tub.colonised_at.unwrap_or(to).min(to);
    Some((lane, vec![Limits { from, to: until, low: Some(requirement.low), high: Some(requirement.high) }]))
}
