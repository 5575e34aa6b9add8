//! Puts samples into the chunks they belong in, and judges anew what their coming may have changed.
//!
//! In: samples of one probe in time order, not too many, and an open transaction. Out: chunks, new
//! ones and those that were written anew, with their summaries. Left out: which samples, and when.
//!
//! How far a sample's coming reaches: a judgement looks back half an hour (`watch::judge`) and on
//! until a good reading follows, so everything within [`CONTEXT_MS`] of it is judged anew, from a
//! start as long again before. Chunks whose judgement stays the same are left as they are.

use rusqlite::Transaction;

use super::chunk::Row;
use super::chunks::{self, ChunkError, Columns, Span};
use super::history::CONTEXT_MS;
use super::seal::EACH;
use super::summary;
use crate::climate::stamp::DAY_MS;
use crate::climate::{Quality, Quantity, Reading, Stamp};
use crate::watch::judge::Judge;

/// Samples further apart are put in their chunks one group after the other, so that few are held.
const APART_MS: i64 = DAY_MS;

/// A group spans no more than this, ms, and holds no more than so many.
const GROUP_MS: i64 = 2 * DAY_MS;
const GROUP_MAX: usize = 2 * EACH;

/// Chunks under this are joined with what comes next to them.
const SMALL: usize = EACH / 2;

/// Samples in time order, cut into groups that are put in their chunks one after the other.
pub(super) fn clusters(rows: &[Row]) -> impl Iterator<Item = &[Row]> {
    let mut rest = rows;
    std::iter::from_fn(move || {
        let first = rest.first()?;
        let ends = |pair: &[Row]| pair[1].at - pair[0].at > APART_MS || pair[1].at - first.at > GROUP_MS;
        let end = rest.windows(2).take(GROUP_MAX - 1).position(ends).map_or(rest.len().min(GROUP_MAX), |last| last + 1);
        let (group, later) = rest.split_at(end);
        rest = later;
        Some(group)
    })
}

/// A sample, and the chunk it was in.
struct Placed {
    row: Row,
    /// Position among the chunks loaded.
    chunk: Option<usize>,
}

/// A chunk that is there already.
struct Known {
    span: Span,
    is_dirty: bool,
}

/// Puts `new` into chunks.
pub(super) fn into_chunks(transaction: &Transaction<'_>, probe: i64, new: &[Row]) -> Result<(), ChunkError> {
    let (Some(first), Some(last)) = (new.first(), new.last()) else { return Ok(()) };
    let (from, to) = (first.at.saturating_sub(2 * CONTEXT_MS), last.at.saturating_add(CONTEXT_MS));
    let mut spans = chunks::spans(transaction, probe, from, to, usize::MAX)?;
    let mut judge_from = first.at.saturating_sub(CONTEXT_MS);
    if let Some((before, open_from)) = chunks::last_before_open(transaction, probe, first.at)? {
        if (before.count < SMALL || open_from.is_some()) && !spans.contains(&before) {
            spans.insert(0, before);
        }
        judge_from = judge_from.min(open_from.unwrap_or(judge_from));
    }
    let (mut known, mut placed) = load(transaction, &spans)?;
    placed.extend(new.iter().map(|row| Placed { row: *row, chunk: None }));
    // What is stored already stays; the same once more is left out.
    placed.sort_by_key(|placed| (placed.row.at, placed.chunk.is_none()));
    placed.dedup_by_key(|placed| placed.row.at);

    judge_anew(&mut placed, &mut known, judge_from);
    mark_touched(&placed, &mut known);
    for chunk in known.iter().filter(|chunk| chunk.is_dirty) {
        chunks::remove(transaction, chunk.span.id)?;
    }
    let is_kept = |placed: &Placed| placed.chunk.is_some_and(|chunk| !known[chunk].is_dirty);
    for piece in placed.chunk_by(|one, next| is_kept(one) == is_kept(next)) {
        if piece.first().is_none_or(is_kept) {
            continue;
        }
        let rows: Vec<Row> = piece.iter().map(|placed| placed.row).collect();
        let parts = if rows.len() > 2 * EACH { rows.len().div_ceil(EACH + EACH / 2) } else { 1 };
        for part in rows.chunks(rows.len().div_ceil(parts)) {
            let open = |row: &&Row| row.judged >> 16 != 0;
            let id = chunks::insert(transaction, probe, part, part.iter().find(open).map(|row| row.at))?;
            summary::insert(transaction, probe, id, part)?;
        }
    }
    Ok(())
}

/// The samples of the chunks of `spans`. One that is damaged is left as it is, beside the new.
fn load(transaction: &Transaction<'_>, spans: &[Span]) -> Result<(Vec<Known>, Vec<Placed>), ChunkError> {
    let (mut known, mut placed) = (Vec::new(), Vec::new());
    let mut columns = Columns::default();
    for span in spans {
        match columns.load(transaction, *span, [true; 4]) {
            Ok(true) => {
                let chunk = Some(known.len());
                placed.extend(columns.rows(i64::MIN, i64::MAX).map(|row| Placed { row, chunk }));
                known.push(Known { span: *span, is_dirty: false });
            }
            Ok(false) | Err(ChunkError::Blob(..)) => {}
            Err(error) => return Err(error),
        }
    }
    Ok((known, placed))
}

/// Judges all of it, and takes over what holds from `from` on.
fn judge_anew(placed: &mut [Placed], known: &mut [Known], from: i64) {
    let before: Vec<u32> = placed.iter().map(|placed| placed.row.judged).collect();
    for quantity in Quantity::ALL {
        let index = quantity.index();
        let mut judge = Judge::new(quantity);
        let mut settled = Vec::new();
        let mut waiting = std::collections::VecDeque::new();
        for at in 0..placed.len() {
            let Some(reading) = reading(&placed[at].row, index) else { continue };
            waiting.push_back(at);
            judge.push(reading, &mut settled);
            for reading in settled.drain(..) {
                // Settled in the order they were pushed.
                if let Some(at) = waiting.pop_front() {
                    note(&mut placed[at].row, index, reading.quality, false, from);
                }
            }
        }
        for (at, reading) in waiting.into_iter().zip(judge.pending()) {
            note(&mut placed[at].row, index, reading.quality, true, from);
        }
    }
    for (placed, before) in placed.iter().zip(before) {
        if let Some(chunk) = placed.chunk {
            known[chunk].is_dirty |= placed.row.judged != before;
        }
    }
}

/// The reading as it came, where there is one.
fn reading(row: &Row, index: usize) -> Option<Reading> {
    let code = (row.arrival >> (4 * index)) & 0xF;
    let value = row.values[index];
    if value.is_nan() && code == 0 {
        return None;
    }
    let quality = Quality::from_code(code as u8).unwrap_or(Quality::Sentinel);
    Some(Reading { at: Stamp(row.at), value, quality })
}

fn note(row: &mut Row, index: usize, quality: Quality, is_open: bool, from: i64) {
    if row.at < from {
        return;
    }
    row.judged &= !(0xF << (4 * index)) & !(1 << (16 + index));
    row.judged |= (quality as u32) << (4 * index) | u32::from(is_open) << (16 + index);
}

/// Marks the chunks that new samples came into, and small ones beside new samples.
fn mark_touched(placed: &[Placed], known: &mut [Known]) {
    for placed in placed.iter().filter(|placed| placed.chunk.is_none()) {
        let at = placed.row.at;
        for chunk in known.iter_mut() {
            chunk.is_dirty |= chunk.span.first < at && at < chunk.span.last;
        }
    }
    for pair in placed.windows(2) {
        let (old, new) = match (pair[0].chunk, pair[1].chunk) {
            (Some(old), None) | (None, Some(old)) => (old, true),
            _ => (0, false),
        };
        if new && known[old].span.count < SMALL {
            known[old].is_dirty = true;
        }
    }
}
