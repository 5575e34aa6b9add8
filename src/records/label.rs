//! `label TUB`: the dated label to stick on the lid, as one SVG picture with a QR code of the tub's page.
//!
//! In: a tub, its culture's Latin name, the earliest look, the page's address. Out: SVG in millimetres, 90 x 50,
//! black on white. Left out: printing. Pure.

use chrono_tz::Tz;
use qrcode::{Color, EcLevel, QrCode};

use crate::climate::Stamp;
use crate::climate::chart::escaped;
use crate::grow::moment::local_day;
use crate::grow::tub::Tub;
use crate::grow::words::printable;

/// Side of the code without its quiet zone, mm.
const CODE_MM: f64 = 30.0;
/// The quiet zone a reader needs, modules (ISO/IEC 18004).
const QUIET: usize = 4;
/// How wide a letter is at most on average, as a share of its height (common practice, no source).
const LETTER: f64 = 0.56;

/// Why there is no label. `Display` is one plain sentence.
#[derive(Debug, thiserror::Error)]
pub enum LabelError {
    /// The address is too long for a code that can be read from a lid.
    #[error("the address {address} is too long for a code on a label; shorten status.address")]
    TooLong {
        /// The tub's page.
        address: String,
    },
}

/// The label. `page` is the address of the tub's page; without one there is no code on it.
///
/// # Errors
/// The address does not fit a code.
pub fn label(
    tub: &Tub,
    species: Option<&str>,
    not_before: Stamp,
    page: Option<&str>,
    timezone: Tz,
) -> Result<String, LabelError> {
    let code = page.map(code).transpose()?;
    let day = |at: Stamp| local_day(at, timezone).to_string();
    let wide_mm: f64 = if code.is_some() { 50.0 } else { 82.0 };
    let text = |y: f64, size: f64, weight: &str, words: &str| {
        format!(
            "<text x=\"4\" y=\"{y}\" font-size=\"{size}\" font-weight=\"{weight}\">{}</text>",
            escaped(&cut(&printable(words), (wide_mm / (LETTER * size)) as usize))
        )
    };
    let mut out = String::from(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"90mm\" height=\"50mm\" viewBox=\"0 0 90 50\" \
         font-family=\"sans-serif\" fill=\"#000\"><rect width=\"90\" height=\"50\" fill=\"#fff\"/>",
    );
    // A name of many letters is written smaller, never cut: it is what the label is for.
    let letters = tub.name.chars().count().max(1) as f64;
    let name_mm = (wide_mm / (0.66 * letters)).clamp(2.6, 11.0);
    out.push_str(&format!(
        "<text x=\"4\" y=\"14\" font-size=\"{name_mm:.2}\" font-weight=\"700\">{}</text>",
        escaped(&printable(&tub.name))
    ));
    out.push_str(&text(20.5, 4.2, "600", &tub.culture));
    if let Some(species) = species {
        out.push_str(&format!("<g font-style=\"italic\">{}</g>", text(25.0, 3.4, "400", species)));
    }
    out.push_str(&text(31.5, 4.0, "400", &format!("spawned {}", day(tub.spawned_at))));
    out.push_str(&text(37.0, 4.0, "700", "do not open before"));
    out.push_str(&text(43.0, 5.6, "700", &day(not_before)));
    out.push_str(&text(48.0, 2.8, "400", &tub.id));
    if let Some(code) = code {
        out.push_str(&code);
    }
    out.push_str("</svg>\n");
    Ok(out)
}

fn cut(words: &str, room: usize) -> String {
    if words.chars().count() <= room {
        return words.to_owned();
    }
    words.chars().take(room - 1).chain(['…']).collect()
}

/// The code as one path, in its place on the label.
fn code(page: &str) -> Result<String, LabelError> {
    let too_long = || LabelError::TooLong { address: page.to_owned() };
    let code = QrCode::with_error_correction_level(page, EcLevel::M).map_err(|_| too_long())?;
    let side = code.width();
    // Over 57 modules one is under half a millimetre: a damp lid and an old phone need more.
    if side > 57 {
        return Err(too_long());
    }
    let module = CODE_MM / side as f64;
    let (left, top) = (90.0 - CODE_MM - QUIET as f64 * module, QUIET as f64 * module);
    let mut path = String::new();
    for (place, _) in code.to_colors().iter().enumerate().filter(|(_, color)| **color == Color::Dark) {
        let (x, y) = (place % side, place / side);
        path.push_str(&format!("M{x} {y}h1v1h-1z"));
    }
    Ok(format!(
        "<path transform=\"translate({left:.3} {top:.3}) scale({module:.5})\" shape-rendering=\"crispEdges\" d=\"{path}\"/>"
    ))
}
