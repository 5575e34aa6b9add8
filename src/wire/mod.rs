//! Bytes to readings. Pure: no clock, no I/O; any bytes give an answer, never a panic.
//!
//! In: a probe's [`Recipe`] and the bytes of one message or line. Out: [`Decoded`] readings, or the
//! [`Refusal`] that says why there are none. Left out: what a reading is worth (`watch`), when it
//! counts (`engine`), units stuck to numbers and decimal commas.
//!
//! What a field holds is read by one rule in every format:
//!
//! - a number, or text that is one (`"23.41"`), is that number, exactly as written; one too large
//!   for 64 bits (`1e999`) is NaN;
//! - a field that is absent, or JSON `null`, was not sent: no value;
//! - a field that is there but holds no number (`nan`, `error`, nothing at all, a list) is NaN: the
//!   probe spoke and had nothing to say, which is worth storing;
//! - but a message in which not one field asked for is a number or a known word for "no number" is
//!   [`Refusal::Malformed`]: boot chatter happens to have columns too.
//!
//! A time is read by [`TimeUnit`]; one that is there and cannot be read refuses the message.

pub mod checksum;
mod csv;
mod fields;
pub mod guess;
mod json;
mod line_protocol;
mod lines;
mod moment;
pub mod mqtt;
mod number;
mod pairs;
mod printable;
pub mod recipe;
pub mod registers;
pub mod rtu;
pub mod topic;
mod value;

pub use lines::{LINE_BYTES_MAX, Lines, Piece};
pub use printable::printable;
pub use recipe::{Decoded, Format, Recipe, Refusal, TimeField, TimeUnit};

/// Decodes one message or line by `recipe` and appends what it says to `out`: one [`Decoded`], or
/// with line protocol one for each line that is this probe's.
///
/// # Errors
/// The reason why nothing was taken; [`Refusal::NobodyReads`] where the message is well written but
/// `select` names another probe. A payload of several lines can give both: readings in `out`, and an
/// error for the first line that could not be read.
pub fn decode(recipe: &Recipe, payload: &[u8], out: &mut Vec<Decoded>) -> Result<(), Refusal> {
    let checked = match &recipe.checksum {
        Some(checksum) => checksum.checked(payload.trim_ascii()).ok_or(Refusal::Checksum)?,
        None => payload,
    };
    let text = text(checked)?;
    let decoded = match recipe.format {
        Format::Json => fields::read(recipe, &json::Document::parse(text)?)?,
        Format::Number => fields::read(recipe, &number::Number(text))?,
        Format::Pairs => fields::read(recipe, &pairs::Pairs::parse(text)?)?,
        Format::Csv => {
            let row = csv::Row::parse(text)?;
            if row.is_header(&recipe.columns) {
                return Err(Refusal::Header);
            }
            fields::read(recipe, &row)?
        }
        Format::LineProtocol => return line_protocol::read(recipe, text, out),
    };
    out.push(decoded);
    Ok(())
}

/// The payload as text, without what boards put round it: line ends, the zero that ends a C string,
/// zero bytes of a line at rest, a byte order mark. Tabs stay: they part columns.
fn text(payload: &[u8]) -> Result<&str, Refusal> {
    let text = std::str::from_utf8(payload).map_err(|_| Refusal::NotText)?;
    let text = text.trim_matches([' ', '\r', '\n', '\0', '\u{feff}']);
    if text.trim().is_empty() { Err(Refusal::Empty) } else { Ok(text) }
}
