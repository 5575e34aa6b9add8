//! Bytes from outside made safe for a log: bounded, one line, nothing a terminal would obey.

use std::fmt::Write;

/// The start of `bytes` as text of at most `max` bytes (plus `…` where it was cut). Control
/// characters, marks that turn the writing direction, and backslashes are escaped; bytes that are no
/// UTF-8 are written `\xFF`.
pub fn printable(bytes: &[u8], max: usize) -> String {
    let mut out = String::new();
    let mut piece = String::new();
    // No byte gives less than one byte of text, so what lies past `max` cannot be shown.
    let shown = &bytes[..bytes.len().min(max + 4)];
    for chunk in shown.utf8_chunks() {
        for c in chunk.valid().chars() {
            piece.clear();
            if is_unsafe(c) {
                piece.extend(c.escape_default())
            } else {
                piece.push(c)
            }
            if out.len() + piece.len() > max {
                out.push('…');
                return out;
            }
            out.push_str(&piece);
        }
        for byte in chunk.invalid() {
            if out.len() + 4 > max {
                out.push('…');
                return out;
            }
            write!(out, "\\x{byte:02X}").expect("writing to a string cannot fail");
        }
    }
    out
}

/// What may not reach a log as it is.
fn is_unsafe(c: char) -> bool {
    c.is_control()
        || c == '\\'
        || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}')
}
