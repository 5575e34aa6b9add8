//! Readings that are not believed, found without reading all the others.
//!
//! In: a series and a range. Out: its spikes, error codes and the like, corrected as the series is. A
//! chunk whose samples are all good holds no quality at all, and is passed over unread; what is not sealed
//! is read. Left out: those that are believed (`series.rs`, `quarters.rs`).

use std::collections::HashSet;
use std::ops::ControlFlow;

use super::chunks::{self, ChunkError, Columns};
use super::error::StoreError;
use super::history::{Beside, Dated};
use super::reader::Reader;
use super::series::Known;
use crate::climate::{Quality, Quantity, Reading, Stamp};

impl Reader {
    /// The readings of a series from `from` on and before `to` that are not good.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn disbelieved(
        &self,
        probe: &str,
        quantity: Quantity,
        from: Stamp,
        to: Stamp,
        visit: &mut dyn FnMut(Reading),
    ) -> Result<(), StoreError> {
        let Some(id) = self.probe_id(probe)? else { return Ok(()) };
        let live = self.live_from(id, from, to)?.clamp(from, to.max(from));
        let corrections = self.corrections_of(id, quantity)?;
        let mut give = |reading: Reading| {
            if reading.quality != Quality::Good {
                visit(reading);
            }
        };
        let sealed = self.sealed_disbelieved(id, quantity, (from.0, live.0), &corrections, &mut give);
        sealed.map_err(|error| self.told(error))?;
        self.series(probe, quantity, live, to, &mut give)
    }

    fn sealed_disbelieved(
        &self,
        probe: i64,
        quantity: Quantity,
        (mut from, to): (i64, i64),
        corrections: &[Dated],
        give: &mut dyn FnMut(Reading),
    ) -> Result<(), ChunkError> {
        let mut wanted = [false; 4];
        wanted[quantity.index()] = true;
        let mut columns = Columns::default();
        // The mark is not given on, so no stretch is looked up for it.
        let unmarked = HashSet::new();
        let known = Known { corrections, wrong: &unmarked };
        'anew: while from < to {
            for span in chunks::doubtful_spans(&self.connection, probe, from, to, quantity)? {
                if !columns.load(&self.connection, span, wanted)? {
                    // Sealed anew meanwhile: asked for once more, from here on.
                    continue 'anew;
                }
                let mut visit = |reading: Reading, _: Beside| {
                    give(reading);
                    ControlFlow::Continue(())
                };
                let _ = columns.visit(quantity, (from, to), known, &mut visit);
                from = span.last.saturating_add(1);
            }
            break;
        }
        Ok(())
    }
}
