//! JSON, fields by JSON Pointer (RFC 6901). A key that stands twice: the last one counts. Nesting is
//! bounded by the parser (128 levels).
//!
//! Probes print what their float library prints: `{"t":nan}` is no JSON but is sent all the same, and
//! so is `1e999`. Where the text is no JSON, such tokens are put in quotes and it is read once more.

use serde_json::Value;

use super::fields::{Fields, Raw};
use super::recipe::Refusal;

/// A message.
pub(super) struct Document(Value);

impl Document {
    /// Parses `text`; only an object or a list is a message.
    pub(super) fn parse(text: &str) -> Result<Document, Refusal> {
        let value = match serde_json::from_str::<Value>(text) {
            Ok(value) => value,
            Err(_) => {
                let mended = quote_non_numbers(text).ok_or(Refusal::Malformed)?;
                serde_json::from_str(&mended).map_err(|_| Refusal::Malformed)?
            }
        };
        if value.is_object() || value.is_array() { Ok(Document(value)) } else { Err(Refusal::Malformed) }
    }
}

impl Fields for Document {
    fn field(&self, at: &str) -> Option<Raw<'_>> {
        match self.0.pointer(at)? {
            Value::Null => None,
            Value::Number(number) => Some(Raw::Number(number.as_f64().unwrap_or(f64::NAN))),
            Value::String(text) => Some(Raw::Text(text)),
            Value::Bool(_) | Value::Array(_) | Value::Object(_) => Some(Raw::Other),
        }
    }

    fn says(&self, at: &str, text: &str) -> bool {
        match self.0.pointer(at) {
            Some(Value::String(found)) => found == text,
            Some(Value::Bool(found)) => text == if *found { "true" } else { "false" },
            // Whole numbers by their digits: an identifier of 64 bits does not fit a float.
            Some(Value::Number(found)) if found.is_f64() => text.parse::<f64>().ok() == found.as_f64(),
            Some(Value::Number(found)) => found.to_string() == text,
            _ => false,
        }
    }
}

/// `text` with every bare `nan`, `inf` and number too large for 64 bits put in quotes; `None` where
/// there are none.
fn quote_non_numbers(text: &str) -> Option<String> {
    let mut out = String::with_capacity(text.len() + 16);
    let mut mended = false;
    let mut rest = text;
    while let Some(next) = rest.chars().next() {
        let end = if next == '"' {
            string_end(rest)
        } else if is_word(next) {
            rest.find(|c| !is_word(c)).unwrap_or(rest.len())
        } else {
            next.len_utf8()
        };
        let (token, after) = rest.split_at(end);
        if is_word(next) && token.parse::<f64>().is_ok_and(|number| !number.is_finite()) {
            out.push_str("\"nan\"");
            mended = true;
        } else {
            out.push_str(token);
        }
        rest = after;
    }
    mended.then_some(out)
}

/// What a number or a bare word is made of.
fn is_word(c: char) -> bool {
    c.is_ascii_alphanumeric() || matches!(c, '+' | '-' | '.')
}

/// Where the quoted string at the start of `text` ends (after its closing quote).
fn string_end(text: &str) -> usize {
    let mut escaped = false;
    for (at, byte) in text.bytes().enumerate().skip(1) {
        match byte {
            _ if escaped => escaped = false,
            b'\\' => escaped = true,
            b'"' => return at + 1,
            _ => {}
        }
    }
    text.len()
}
