//! One bare number: `23.41`. It has no fields, so every `reads` means the whole of it, and a `select`
//! never matches.

use super::fields::{Fields, Raw};

/// The message.
pub(super) struct Number<'a>(pub(super) &'a str);

impl Fields for Number<'_> {
    fn field(&self, _at: &str) -> Option<Raw<'_>> {
        Some(Raw::Text(self.0))
    }

    fn says(&self, _at: &str, _text: &str) -> bool {
        false
    }
}
