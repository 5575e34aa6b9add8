//! Series summed up by quarter-hours, of which longer stretches are made: hours, days, columns of a chart.
//!
//! In: a series and a range. Out: count, sum, lowest and highest of its good, corrected readings. What
//! is sealed is taken from the summaries, the rest from the readings themselves, so that the sums are
//! exact whatever came late. A correction that begins within a quarter-hour makes that one be read.

use std::ops::ControlFlow;

use rusqlite::types::ValueRef;

use super::chunk::Fault;
use super::chunks::{ChunkError, Span};
use super::error::StoreError;
use super::history::{Dated, Form, in_force};
use super::reader::Reader;
use super::summary::{self, QUARTER_MS, Quarter, number};
use crate::climate::stamp::DAY_MS;
use crate::climate::{Quantity, Stamp};
use crate::watch::setup::Correction;

/// Summaries held at once: 0.4 MB, whatever the range.
const AT_ONCE_MS: i64 = 100 * DAY_MS;

impl Reader {
    /// The quarter-hours of UTC that have good readings, in time order: those that begin at or
    /// after `from` (taken back to its quarter's beginning) and before `to`.
    ///
    /// # Errors
    /// When the store cannot be read; so for every method here.
    pub fn quarters(
        &self,
        probe: &str,
        quantity: Quantity,
        from: Stamp,
        to: Stamp,
        visit: &mut dyn FnMut(&Quarter),
    ) -> Result<(), StoreError> {
        self.quarters_of(&[probe], quantity, (from, to), &mut |_, quarter| visit(quarter))
    }

    /// The same of several probes: each's in time order, with its position in `probes`. What is not
    /// sealed is read once for all of them.
    pub fn quarters_of(
        &self,
        probes: &[&str],
        quantity: Quantity,
        (from, to): (Stamp, Stamp),
        visit: &mut dyn FnMut(usize, &Quarter),
    ) -> Result<(), StoreError> {
        let from = Stamp(number(from.0).saturating_mul(QUARTER_MS));
        let to = Stamp(number(to.0.saturating_add(QUARTER_MS - 1)).saturating_mul(QUARTER_MS));
        let live = self.all_live_from(probes, from, to)?;
        let live = Stamp(number(live.0).saturating_mul(QUARTER_MS)).clamp(from, to.max(from));
        let mut open: Vec<Option<Quarter>> = vec![None; probes.len()];
        let mut give = |position: usize, quarter: Quarter| match &mut open[position] {
            Some(before) if before.start == quarter.start => before.add(&quarter),
            Some(before) => visit(position, &std::mem::replace(before, quarter)),
            none => *none = Some(quarter),
        };
        for (position, probe) in probes.iter().enumerate() {
            let Some(id) = self.probe_id(probe)? else { continue };
            let corrections = self.corrections_of(id, quantity)?;
            let mut give = |quarter| give(position, quarter);
            self.sealed_quarters(id, probe, quantity, (from, live), &corrections, &mut give)?;
        }
        self.read_quarters(probes, quantity, live, to, &mut give)?;
        for (position, last) in open.iter().enumerate() {
            if let Some(last) = last {
                visit(position, last);
            }
        }
        Ok(())
    }

    /// The sums of all good readings in `range`, in time order, none over a quarter-hour's border, until
    /// `take` breaks: whole quarters, and the readings before the first and after the last of them.
    pub fn sums(
        &self,
        probe: &str,
        quantity: Quantity,
        (from, to): (Stamp, Stamp),
        take: &mut dyn FnMut(Quarter) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let border = |at: i64| Stamp(number(at).saturating_mul(QUARTER_MS));
        let begin = border(from.0.saturating_add(QUARTER_MS - 1)).min(to);
        let end = border(to.0).max(begin);
        let mut flow = ControlFlow::Continue(());
        for (from, to) in [(from, begin), (begin, end), (end, to)] {
            if from >= to || flow.is_break() {
                continue;
            }
            if (from, to) == (begin, end) {
                let mut give = |quarter: &Quarter| {
                    if flow.is_continue() {
                        flow = take(*quarter);
                    }
                };
                self.quarters(probe, quantity, from, to, &mut give)?;
            } else {
                self.readings(probe, quantity, from, to, &mut |reading, _| {
                    flow = Quarter::of_good(&reading).map_or(ControlFlow::Continue(()), &mut *take);
                    flow
                })?;
            }
        }
        Ok(())
    }

    fn sealed_quarters(
        &self,
        id: i64,
        probe: &str,
        quantity: Quantity,
        (from, to): (Stamp, Stamp),
        corrections: &[Dated],
        give: &mut dyn FnMut(Quarter),
    ) -> Result<(), StoreError> {
        let mut from = from;
        while from < to
            && let Some(first) = self.first_summary(id, quantity, from, to).map_err(|error| self.fail(error))?
        {
            let end = first.max(from).plus(AT_ONCE_MS).min(to);
            for quarter in self.merged(id, quantity, first.max(from), end).map_err(|error| self.told(error))? {
                let end = quarter.start.plus(QUARTER_MS);
                if corrections.iter().any(|(since, _)| *since > quarter.start && *since < end) {
                    self.read_quarters(&[probe], quantity, quarter.start, end, &mut |_, quarter| give(quarter))?;
                } else {
                    give(corrected(quarter, in_force(corrections, quarter.start)));
                }
            }
            from = end;
        }
        Ok(())
    }

    /// The first quarter of those summed up together that reach to `from` or beyond, before `to`.
    fn first_summary(&self, id: i64, quantity: Quantity, from: Stamp, to: Stamp) -> rusqlite::Result<Option<Stamp>> {
        let sql = "SELECT min(first) FROM summary WHERE probe = ?1 AND quantity = ?2 AND last >= ?3 AND first < ?4";
        let mut first = self.connection.prepare_cached(sql)?;
        let first = first.query_row((id, quantity.word(), from.0, to.0), |row| row.get::<_, Option<i64>>(0))?;
        Ok(first.map(Stamp))
    }

    /// What the summaries say, each quarter once.
    fn merged(&self, id: i64, quantity: Quantity, from: Stamp, to: Stamp) -> Result<Vec<Quarter>, ChunkError> {
        let sql = "SELECT first, last, quarters FROM summary WHERE probe = ?1 AND quantity = ?2 AND last >= ?3
            AND first < ?4 ORDER BY last";
        let mut statement = self.connection.prepare_cached(sql)?;
        let mut rows = statement.query((id, quantity.word(), from.0, to.0))?;
        let mut found: Vec<Quarter> = Vec::new();
        let mut is_sorted = true;
        while let Some(row) = rows.next()? {
            let span = Span { id: 0, probe: id, first: row.get(0)?, last: row.get(1)?, count: 0 };
            let ValueRef::Blob(blob) = row.get_ref(2)? else { return Err(ChunkError::Blob(span, Fault::Content)) };
            for quarter in summary::unpack(blob).map_err(|fault| ChunkError::Blob(span, fault))? {
                if quarter.start < from || quarter.start >= to {
                    continue;
                }
                match found.last_mut() {
                    Some(last) if last.start == quarter.start => last.add(&quarter),
                    Some(last) if last.start > quarter.start => {
                        is_sorted = false;
                        found.push(quarter);
                    }
                    _ => found.push(quarter),
                }
            }
        }
        if !is_sorted {
            found.sort_by_key(|quarter| quarter.start);
            let mut merged: Vec<Quarter> = Vec::with_capacity(found.len());
            for quarter in found {
                match merged.last_mut() {
                    Some(last) if last.start == quarter.start => last.add(&quarter),
                    _ => merged.push(quarter),
                }
            }
            return Ok(merged);
        }
        Ok(found)
    }

    fn read_quarters(
        &self,
        probes: &[&str],
        quantity: Quantity,
        from: Stamp,
        to: Stamp,
        give: &mut dyn FnMut(usize, Quarter),
    ) -> Result<(), StoreError> {
        if from >= to {
            return Ok(());
        }
        self.run(probes, Some(quantity), from, to, Form::Corrected, &mut |position, message| {
            if let Some(sum) = message.reading(quantity).as_ref().and_then(Quarter::of_good) {
                give(position, Quarter { start: Stamp(number(sum.start.0) * QUARTER_MS), ..sum });
            }
            ControlFlow::Continue(())
        })
    }
}

/// A straight line through the values keeps sums and extremes; one that falls turns these round.
fn corrected(quarter: Quarter, correction: Correction) -> Quarter {
    let Correction { gain, offset } = correction;
    let (one, other) = (correction.apply(quarter.min), correction.apply(quarter.max));
    let sum = gain * quarter.sum + offset * quarter.count as f64;
    Quarter { sum, min: one.min(other), max: one.max(other), ..quarter }
}
