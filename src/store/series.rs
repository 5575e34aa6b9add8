//! One quantity of one probe, column by column: the fast way through years.
//!
//! In: a series and a range. Out: its readings, judged and corrected, in time order. What lies in
//! chunks and no unsealed sample is near is given as it was judged when it was sealed, without
//! touching other quantities; the rest goes the way of `history.rs`.

use std::collections::HashSet;
use std::ops::ControlFlow;

use super::chunks::{self, ChunkError, Columns};
use super::error::StoreError;
use super::history::{Beside, Dated, in_force};
use super::reader::Reader;
use super::seal::EACH;
use crate::climate::{Quality, Quantity, Reading, Stamp};
use crate::watch::setup::Correction;

/// Takes a reading, and what is known beside; breaks to end the reading.
pub(super) type Visit<'a> = dyn FnMut(Reading, Beside) -> ControlFlow<()> + 'a;

/// Chunks looked up in the index at a time.
const AT_ONCE: usize = 32 * EACH;

impl Reader {
    /// The sealed readings of one series from `from` on and before `to`, where all judgement holds.
    pub(super) fn sealed_series(
        &self,
        probe: i64,
        quantity: Quantity,
        (from, to): (Stamp, Stamp),
        corrections: &[Dated],
        visit: &mut Visit<'_>,
    ) -> Result<ControlFlow<()>, StoreError> {
        let wrong = self.wrong_stretches()?;
        let known = Known { corrections, wrong: &wrong };
        self.try_sealed(probe, quantity, (from.0, to.0), known, visit).map_err(|error| self.told(error))
    }

    fn try_sealed(
        &self,
        probe: i64,
        quantity: Quantity,
        (mut from, to): (i64, i64),
        known: Known<'_>,
        visit: &mut Visit<'_>,
    ) -> Result<ControlFlow<()>, ChunkError> {
        let mut wanted = [false; 4];
        wanted[quantity.index()] = true;
        let mut columns = Columns::default();
        while from < to {
            let spans = chunks::spans(&self.connection, probe, from, to, AT_ONCE)?;
            if spans.is_empty() {
                break;
            }
            for span in spans {
                if !columns.load(&self.connection, span, wanted)? {
                    // Sealed anew meanwhile: asked for once more, from here on.
                    break;
                }
                if columns.visit(quantity, (from, to), known, visit).is_break() {
                    return Ok(ControlFlow::Break(()));
                }
                from = span.last.saturating_add(1);
            }
        }
        Ok(ControlFlow::Continue(()))
    }
}

/// What holds for the whole series.
#[derive(Clone, Copy)]
pub(super) struct Known<'a> {
    pub corrections: &'a [Dated],
    pub wrong: &'a HashSet<u32>,
}

impl Columns {
    /// Gives out the readings of one quantity within the range.
    pub(super) fn visit(
        &self,
        quantity: Quantity,
        (from, to): (i64, i64),
        Known { corrections, wrong }: Known<'_>,
        visit: &mut Visit<'_>,
    ) -> ControlFlow<()> {
        let values = &self.values[quantity.index()];
        let start = self.stamps.partition_point(|at| *at < from);
        let end = self.stamps.partition_point(|at| *at < to);
        let Some((first, last)) = self.stamps.get(start).zip(self.stamps[..end].last()) else {
            return ControlFlow::Continue(());
        };
        let correction = in_force(corrections, Stamp(*first));
        let one_correction = !corrections.iter().any(|(since, _)| since.0 > *first && since.0 <= *last);
        let mut begin = 0;
        for run in &self.quality {
            let places = begin.max(start)..(begin + run.length).min(end);
            begin += run.length;
            let code = (run.judged >> (4 * quantity.index())) & 0xF;
            let known = Quality::from_code(code as u8).unwrap_or(Quality::Sentinel);
            let settled = (run.judged >> (16 + quantity.index())) & 1 == 0;
            let beside = Beside { settled, clock_unsure: run.timing.is_unsure(wrong) };
            let is_named = (run.arrival >> (4 * quantity.index())) & 0xF != 0;
            for place in places {
                let (at, value) = (Stamp(self.stamps[place]), values.get(place).copied().unwrap_or(f64::NAN));
                if value.is_nan() && !is_named {
                    continue;
                }
                let correction = if one_correction { correction } else { in_force(corrections, at) };
                visit(corrected(Reading { at, value, quality: known }, correction), beside)?;
            }
        }
        ControlFlow::Continue(())
    }
}

/// Corrected, where it was measured at all.
fn corrected(mut reading: Reading, correction: Correction) -> Reading {
    if !matches!(reading.quality, Quality::Sentinel | Quality::OutOfRange) {
        reading.value = correction.apply(reading.value);
    }
    reading
}
