//! A small chart of points: one figure against another, a tub a point.
//!
//! In: pairs with their names. Out: one SVG element. Pure. Left out: lines through the points; they would say more
//! than a handful of tubs can.

use std::fmt::Write;

use crate::climate::chart::{escaped, steps};

const WIDTH: f64 = 240.0;
const HEIGHT: f64 = 170.0;
const LEFT: f64 = 40.0;
const RIGHT: f64 = 230.0;
const TOP: f64 = 12.0;
const BOTTOM: f64 = 132.0;

/// One point: its name and where it lies.
pub(super) struct Point<'a> {
    pub name: &'a str,
    pub x: f64,
    pub y: f64,
}

fn range(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let (low, high) =
        values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
    let room = ((high - low) * 0.08).max(high.abs() * 1e-3).max(1e-6);
    (low - room, high + room)
}

fn short(value: f64) -> f64 {
    (value * 10.0).round() / 10.0 + 0.0
}

/// Draws `points`, at least one, with the words of both axes.
pub(super) fn svg(points: &[Point<'_>], across: &str, upward: &str) -> String {
    let (x_low, x_high) = range(points.iter().map(|point| point.x));
    let (y_low, y_high) = range(points.iter().map(|point| point.y));
    let x = |value: f64| LEFT + (value - x_low) / (x_high - x_low) * (RIGHT - LEFT);
    let y = |value: f64| BOTTOM - (value - y_low) / (y_high - y_low) * (BOTTOM - TOP);
    let label = escaped(&format!("{upward} against {across}, {} tubs", points.len()));
    let mut out = format!(
        "<svg class=\"scatter\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"{label}\" fill=\"none\" stroke=\"currentColor\">"
    );
    let text = |out: &mut String, at: (f64, f64), anchor: &str, words: &str| {
        let _ = write!(
            out,
            "<text x=\"{}\" y=\"{}\" text-anchor=\"{anchor}\" font-size=\"9.5\" fill=\"currentColor\" stroke=\"none\">{}</text>",
            short(at.0),
            short(at.1),
            escaped(words)
        );
    };
    let number = |value: f64| format!("{}", (value * 1e4).round() / 1e4 + 0.0);
    for value in steps(y_low, y_high) {
        let _ =
            write!(out, "<path stroke-width=\".3\" stroke-opacity=\".45\" d=\"M{LEFT} {}H{RIGHT}\"/>", short(y(value)));
        text(&mut out, (LEFT - 4.0, y(value) + 3.0), "end", &number(value));
    }
    for value in steps(x_low, x_high).into_iter().step_by(2) {
        let _ = write!(out, "<path stroke-width=\".7\" d=\"M{} {BOTTOM}v3\"/>", short(x(value)));
        text(&mut out, (x(value), BOTTOM + 13.0), "middle", &number(value));
    }
    text(&mut out, (f64::midpoint(LEFT, RIGHT), HEIGHT - 8.0), "middle", across);
    let _ = write!(out, "<path stroke-width=\".7\" d=\"M{LEFT} {TOP}V{BOTTOM}H{RIGHT}\"/>");
    for point in points {
        let name = escaped(point.name);
        let (cx, cy) = (short(x(point.x)), short(y(point.y)));
        let _ = write!(
            out,
            "<circle cx=\"{cx}\" cy=\"{cy}\" r=\"3\" fill=\"currentColor\" stroke=\"none\"><title>{name}: {}, {}</title></circle>",
            number(point.x),
            number(point.y)
        );
    }
    out.push_str("</svg>");
    out
}
