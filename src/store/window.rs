//! Samples of several probes in time order, rows and chunks alike, a window at a time.
//!
//! In: which probes and quantities, a range. Out: windows of samples, each read in one short
//! transaction, so that a sample that is being sealed meanwhile is seen once. Memory holds a window,
//! whatever the range. Left out: judging what is not sealed (`history.rs`).

use std::collections::HashMap;

use super::chunk::Row;
use super::chunks::{self, ChunkError, Columns};
use super::error::StoreError;
use super::history::CONTEXT_MS;
use super::reader::Reader;
use super::rows::{self, SampleRow};
use crate::climate::Stamp;
use crate::climate::stamp::MINUTE_MS;

/// Samples held at once while a range is read: 1 MB.
const WINDOW_ROWS: usize = 1 << 14;

/// A window covers at least so much time, however many probes report, since every chunk in it is
/// unpacked once more for each: 200 probes once a second then hold 2 MB.
const WINDOW_LEAST_MS: i64 = 2 * MINUTE_MS;

/// Where a window ends, and its samples with the position of their probe.
pub(super) type Window = (Stamp, Vec<(usize, Row)>);

/// Some samples, and the times they lie in.
#[derive(Clone, Copy, Debug)]
pub(super) struct Block {
    pub earliest: i64,
    pub latest: i64,
    pub rows: usize,
}

impl Block {
    /// About how many of its samples lie before `end` and from `start` on.
    fn within(&self, start: i64, end: i64) -> f64 {
        let span = self.latest.saturating_sub(self.earliest).saturating_add(1) as f64;
        let part = end.min(self.latest.saturating_add(1)).saturating_sub(start.max(self.earliest));
        if part <= 0 { 0.0 } else { self.rows as f64 * (part as f64 / span) }
    }
}

/// The next stretch of time worth reading from `from` on, until before `to`: it begins where there
/// are samples, and ends before many more than [`WINDOW_ROWS`] must be held, but not before
/// [`WINDOW_LEAST_MS`] are covered. `None` when there is nothing more.
fn stretch(blocks: &[Block], from: i64, to: i64) -> Option<(i64, i64)> {
    let start = from.max(blocks.iter().map(|block| block.earliest).min()?);
    let latest = blocks.iter().map(|block| block.latest).max()?;
    let mut end = to.min(latest.saturating_add(1)).max(start.saturating_add(1));
    let rows = |end: i64| blocks.iter().map(|block| block.within(start, end)).sum::<f64>();
    while rows(end) > WINDOW_ROWS as f64 {
        let shorter = (end.saturating_sub(start) / 2).max(WINDOW_LEAST_MS);
        if start.saturating_add(shorter) >= end {
            break;
        }
        end = start.saturating_add(shorter);
    }
    Some((start, end))
}

impl Reader {
    /// The next window of the samples of the probes in `wanted`, from `from` on and before `to`: by
    /// time, then by the position that `wanted` gives, each once; and where the window ends. Values
    /// of quantities that are not asked for may be left out. `None` when there is nothing more.
    pub(super) fn window(
        &self,
        wanted: &HashMap<i64, usize>,
        quantities: [bool; 4],
        from: Stamp,
        to: Stamp,
    ) -> Result<Option<Window>, StoreError> {
        if from >= to {
            return Ok(None);
        }
        self.try_window(wanted, quantities, from.0, to.0).map_err(|error| self.told(error))
    }

    fn try_window(
        &self,
        wanted: &HashMap<i64, usize>,
        quantities: [bool; 4],
        from: i64,
        to: i64,
    ) -> Result<Option<Window>, ChunkError> {
        let connection = &self.connection;
        // Ends with this window: nothing it has not read yet may change under it.
        let _one_moment = connection.unchecked_transaction()?;
        self.zones.borrow_mut().refresh(connection)?;
        let zones = self.zones.borrow();
        let mut blocks = zones.blocks(from, to);
        let (mut spans, mut cut) = (Vec::new(), to);
        for probe in wanted.keys() {
            let of_probe = chunks::spans(connection, *probe, from, to, WINDOW_ROWS)?;
            if of_probe.iter().map(|span| span.count).sum::<usize>() > WINDOW_ROWS
                && let Some(last) = of_probe.last()
            {
                // There may be more after it.
                cut = cut.min(last.last.saturating_add(1));
            }
            spans.extend(of_probe);
        }
        blocks.extend(spans.iter().map(|span| Block { earliest: span.first, latest: span.last, rows: span.count }));
        let Some((start, end)) = stretch(&blocks, from, cut) else { return Ok(None) };

        let mut samples: Vec<(usize, Row)> = Vec::new();
        let mut columns = Columns::default();
        for span in spans.into_iter().filter(|span| span.first < end && span.last >= start) {
            let Some(position) = wanted.get(&span.probe) else { continue };
            if columns.load(connection, span, quantities)? {
                samples.extend(columns.rows(start, end).map(|row| (*position, row)));
            }
        }
        let sealed = rows::sealing(connection)?;
        let mut statement = connection.prepare_cached(HEAP_RANGE)?;
        for (first, last) in zones.runs(Stamp(start), Stamp(end)) {
            let mut rows = statement.query((first, last, start, end))?;
            while let Some(row) = rows.next()? {
                let probe: i64 = row.get(0)?;
                let Some(position) = wanted.get(&probe) else { continue };
                if sealed.get(&probe).is_some_and(|through| row.get(7).is_ok_and(|number: i64| number <= *through)) {
                    continue;
                }
                let SampleRow { at, values, quality, timing, .. } = SampleRow::new(&rows::sample(row)?, false);
                samples.push((*position, Row { at, values, arrival: quality, judged: quality.into(), timing }));
            }
        }
        samples.sort_unstable_by_key(|(position, row)| (row.at, *position));
        samples.dedup_by_key(|(position, row)| (row.at, *position));
        Ok(Some((Stamp(end), samples)))
    }

    /// From when on, in a range, the judgement that is stored with a probe's chunks may not hold,
    /// because samples that are not sealed yet lie near: there it is made when reading.
    pub(super) fn live_from(&self, probe: i64, from: Stamp, to: Stamp) -> Result<Stamp, StoreError> {
        let find = || -> rusqlite::Result<Stamp> {
            self.zones.borrow_mut().refresh(&self.connection)?;
            let (from, to) = (from.plus(-CONTEXT_MS), to.plus(CONTEXT_MS));
            let blocks = self.zones.borrow().blocks(from.0, to.0);
            let Some(earliest) = blocks.iter().map(|block| block.earliest.max(from.0)).min() else {
                return Ok(Stamp(i64::MAX));
            };
            let reach = Stamp(earliest).plus(-CONTEXT_MS);
            // What was open when it was sealed may be settled by what came since.
            let newest = chunks::last_before_open(&self.connection, probe, i64::MAX)?;
            let open_from = newest.and_then(|(_, open_from)| open_from).map_or(reach, Stamp);
            // A probe that fell silent with a reading in doubt would be judged anew for ever.
            Ok(if open_from < reach && self.has_rows(probe)? { open_from } else { reach })
        };
        find().map_err(|error| self.fail(error))
    }

    fn has_rows(&self, probe: i64) -> rusqlite::Result<bool> {
        let mut one = self.connection.prepare_cached("SELECT 1 FROM sample WHERE probe = ?1 LIMIT 1")?;
        one.exists([probe])
    }

    /// The sealed times of a probe around `at`: of the chunk it lies in, or none for the gap it
    /// lies in; and from and up to when they are all.
    pub(super) fn sealed_around(&self, probe: i64, at: Stamp) -> Result<(i64, i64, Vec<i64>), StoreError> {
        let find = || -> Result<(i64, i64, Vec<i64>), ChunkError> {
            let connection = &self.connection;
            let _one_moment = connection.unchecked_transaction()?;
            let spans = chunks::spans(connection, probe, at.0, at.0.saturating_add(1), usize::MAX)?;
            if spans.is_empty() {
                let edge = |sql: &str| connection.query_row(sql, (probe, at.0), |row| row.get::<_, Option<i64>>(0));
                let before = edge("SELECT max(last) FROM chunk WHERE probe = ?1 AND last < ?2")?;
                let after = edge("SELECT min(first) FROM chunk WHERE probe = ?1 AND last > ?2")?;
                let from = before.map_or(i64::MIN, |before| before + 1);
                return Ok((from, after.map_or(i64::MAX, |after| after - 1), Vec::new()));
            }
            let (mut from, mut to, mut stamps) = (i64::MIN, i64::MAX, Vec::new());
            let mut columns = Columns::default();
            for span in spans {
                if columns.load(connection, span, [false; 4])? {
                    stamps.append(&mut columns.stamps);
                }
                (from, to) = (from.max(span.first), to.min(span.last));
            }
            stamps.sort_unstable();
            Ok((from, to, stamps))
        };
        find().map_err(|error| self.told(error))
    }
}

const HEAP_RANGE: &str = "SELECT probe, at, temperature, humidity, co2, battery, quality, rowid FROM sample
    WHERE rowid BETWEEN ?1 AND ?2 AND at >= ?3 AND at < ?4";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stretches_follow_each_other_and_end() {
        let day = 86_400_000;
        let blocks: Vec<Block> =
            (0..400).map(|n| Block { earliest: n * day, latest: (n + 1) * day - 10_000, rows: 8640 }).collect();
        let (mut from, to, mut count) = (i64::MIN, i64::MAX, 0);
        loop {
            let ahead: Vec<Block> = blocks.iter().filter(|block| block.latest >= from).copied().collect();
            let Some((start, end)) = stretch(&ahead, from, to) else { break };
            assert!(start >= from && end > start);
            let rows: f64 = blocks.iter().map(|block| block.within(start, end)).sum();
            assert!(rows <= WINDOW_ROWS as f64 && rows > 100.0, "{rows}");
            (from, count) = (end, count + 1);
        }
        assert!((400 * 8640 / WINDOW_ROWS..=400).contains(&count), "{count}");
    }

    #[test]
    fn one_late_sample_among_many_does_not_stop_it() {
        let blocks = [Block { earliest: 5, latest: 5, rows: 1 }, Block { earliest: 1 << 40, latest: 1 << 41, rows: 9 }];
        assert_eq!(stretch(&blocks, 0, i64::MAX), Some((5, (1 << 41) + 1)));
        assert_eq!(stretch(&[], 0, i64::MAX), None);
    }
}
