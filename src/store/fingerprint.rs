//! What a series' answer depends on, told without reading the series.
//!
//! In: a series and a range. Out: a text that stays the same while the sealed readings of the range, their
//! corrections and the newest sample do, and whether samples that are not sealed bear on it. Left out: the
//! count of those, which the running daemon knows; hashing.

use std::fmt::Write;

use super::chunks::{self, ChunkError};
use super::error::StoreError;
use super::reader::Reader;
use crate::climate::{Quantity, Stamp};

/// See [`Reader::fingerprint`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fingerprint {
    /// Of what is sealed. A range that reaches past the newest sample ends there.
    pub text: String,
    /// Samples that are not sealed bear on the range: how many there are counts too.
    pub is_live: bool,
}

impl Reader {
    /// The fingerprint of a series from `from` on and before `to`; none for a probe never heard of.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn fingerprint(
        &self,
        probe: &str,
        quantity: Quantity,
        from: Stamp,
        to: Stamp,
    ) -> Result<Option<Fingerprint>, StoreError> {
        let Some(id) = self.probe_id(probe)? else { return Ok(None) };
        let newest = self.newest(probe)?.map_or(Stamp(i64::MIN), |newest| newest.at);
        let to = to.min(newest.plus(1));
        let mut text = format!("{id} {} {} {}", quantity.word(), from.0, to.0);
        for (since, correction) in self.corrections_of(id, quantity)? {
            let _ = write!(text, " {} {:?}", since.0, correction);
        }
        // Judging looks on after the range, but what it finds there is sealed with the range's own chunk.
        let spans = chunks::spans(&self.connection, id, from.0, to.0, usize::MAX);
        for span in spans.map_err(|error| self.told(ChunkError::Sql(error)))? {
            let _ = write!(text, " {} {} {} {}", span.id, span.first, span.last, span.count);
        }
        let is_live = self.live_from(id, from, to)? < to;
        Ok(Some(Fingerprint { text, is_live }))
    }
}
