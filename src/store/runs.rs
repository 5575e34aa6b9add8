//! The good readings of one quantity of several probes, column by column: what figures are made of.
//!
//! In: probes and a range. Out: stretches of time that follow each other, each with the good, corrected
//! readings of every probe in it as columns. What is sealed, and no unsealed sample is near, is unpacked
//! a chunk of each probe at a time, into memory that is used again; the rest goes the way of
//! `history.rs`. Memory holds a chunk of each probe, whatever the range. Left out: what is not good.

use std::collections::VecDeque;
use std::ops::ControlFlow;

use super::ahead::{Ahead, Unpacking};
use super::chunks::{self, Blobs, ChunkError, Columns, Span};
use super::error::StoreError;
use super::history::{Dated, Form, in_force};
use super::judged::JudgedMessage;
use super::reader::Reader;
use super::seal::EACH;
use crate::climate::run::Run;
use crate::climate::{Quality, Quantity, Stamp};
use crate::watch::setup::Correction;

/// Takes a stretch: the readings of each probe in it, by its position. No reading of a later stretch
/// comes before one of an earlier.
pub type Take<'a> = dyn FnMut(&[Run<'_>]) + 'a;

/// Chunks looked up in the index at a time.
const AT_ONCE: usize = 32 * EACH;

/// Chunks unpacked before they are wanted, of all probes together where they are few: 1.5 MB.
const AHEAD: usize = 6;

/// Readings that are not sealed in one stretch: 1 MB.
const LIVE_AT_ONCE: usize = 1 << 16;

/// Which readings are asked for.
#[derive(Clone, Copy, Debug)]
pub struct Asked<'a> {
    /// Of these probes, by name, each once.
    pub probes: &'a [&'a str],
    /// Of this quantity.
    pub quantity: Quantity,
    /// Only those whose quality no later sample may change.
    pub settled_only: bool,
}

impl Reader {
    /// All of them from `from` on and before `to`.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn good_runs(
        &self,
        asked: Asked<'_>,
        (from, to): (Stamp, Stamp),
        take: &mut Take<'_>,
    ) -> Result<(), StoreError> {
        let live = self.all_live_from(asked.probes, from, to)?.clamp(from, to.max(from));
        self.sealed_runs(asked, (from, live), take)?;
        self.live_runs(asked, (live, to), take)
    }

    /// From when on one of the probes must be judged when it is read.
    pub(super) fn all_live_from(&self, probes: &[&str], from: Stamp, to: Stamp) -> Result<Stamp, StoreError> {
        let mut live = Stamp(i64::MAX);
        for probe in probes {
            if let Some(id) = self.probe_id(probe)? {
                live = live.min(self.live_from(id, from, to)?);
            }
        }
        Ok(live)
    }

    /// What is sealed, in a range where all judgement holds.
    pub(super) fn sealed_runs(
        &self,
        asked: Asked<'_>,
        (from, to): (Stamp, Stamp),
        take: &mut Take<'_>,
    ) -> Result<(), StoreError> {
        let mut cursors = Vec::with_capacity(asked.probes.len());
        for probe in asked.probes {
            let probe = self.probe_id(probe)?;
            let corrections = probe.map_or_else(|| Ok(Vec::new()), |id| self.corrections_of(id, asked.quantity))?;
            cursors.push(Cursor::new(probe, asked, corrections, from.0, to.0));
        }
        self.try_sealed_runs(&mut cursors, to.0, take).map_err(|error| self.told(error))
    }

    fn try_sealed_runs(&self, cursors: &mut [Cursor], to: i64, take: &mut Take<'_>) -> Result<(), ChunkError> {
        let ahead = (AHEAD / cursors.len().max(1)).max(1);
        std::thread::scope(|scope| {
            let unpacking = Unpacking::new(scope);
            loop {
                for cursor in cursors.iter_mut() {
                    if cursor.is_spent() {
                        cursor.advance(self, &unpacking, ahead)?;
                    }
                }
                let end = cursors.iter().map(|cursor| cursor.end).min().unwrap_or(to);
                let runs: Vec<Run<'_>> = cursors.iter().map(|cursor| cursor.before(end)).collect();
                if runs.iter().any(|run| !run.is_empty()) {
                    take(&runs);
                }
                let taken: Vec<usize> = runs.iter().map(Run::len).collect();
                for (cursor, taken) in cursors.iter_mut().zip(taken) {
                    cursor.place += taken;
                    cursor.from = cursor.from.max(end);
                }
                if end >= to {
                    return Ok(());
                }
            }
        })
    }

    /// What must be judged when it is read.
    pub(super) fn live_runs(
        &self,
        asked: Asked<'_>,
        (from, to): (Stamp, Stamp),
        take: &mut Take<'_>,
    ) -> Result<(), StoreError> {
        if from >= to {
            return Ok(());
        }
        let mut columns: Vec<(Vec<i64>, Vec<f64>)> = vec![Default::default(); asked.probes.len()];
        let mut held = 0;
        let mut give = |columns: &mut Vec<(Vec<i64>, Vec<f64>)>| {
            let runs: Vec<Run<'_>> = columns.iter().map(|(stamps, values)| Run::new(stamps, values)).collect();
            take(&runs);
            columns.iter_mut().for_each(|(stamps, values)| {
                stamps.clear();
                values.clear();
            });
        };
        let mut visit = |position: usize, message: &JudgedMessage| {
            if let Some(value) = message.good(asked.quantity).filter(|_| message.settled || !asked.settled_only) {
                columns[position].0.push(message.at.0);
                columns[position].1.push(value);
                held += 1;
            }
            if held >= LIVE_AT_ONCE {
                give(&mut columns);
                held = 0;
            }
            ControlFlow::Continue(())
        };
        self.run(asked.probes, Some(asked.quantity), from, to, Form::Corrected, &mut visit)?;
        give(&mut columns);
        Ok(())
    }
}

/// One probe's sealed readings, the good ones of a chunk at a time.
struct Cursor {
    probe: Option<i64>,
    quantity: Quantity,
    settled_only: bool,
    corrections: Vec<Dated>,
    /// Everything before it has been given out.
    from: i64,
    to: i64,
    /// Chunks that are still to be asked for, and from when on there may be more.
    spans: VecDeque<Span>,
    more_from: i64,
    ahead: Ahead,
    stamps: Vec<i64>,
    values: Vec<f64>,
    /// Of the next to be given out, and after the last.
    place: usize,
    last: usize,
    /// Everything before it is unpacked, if not given out yet.
    end: i64,
}

impl Cursor {
    fn new(probe: Option<i64>, asked: Asked<'_>, corrections: Vec<Dated>, from: i64, to: i64) -> Cursor {
        Cursor {
            probe,
            quantity: asked.quantity,
            settled_only: asked.settled_only,
            corrections,
            from,
            to,
            spans: VecDeque::new(),
            more_from: from,
            ahead: Ahead::new(),
            stamps: Vec::new(),
            values: Vec::new(),
            place: 0,
            last: 0,
            end: from,
        }
    }

    fn is_spent(&self) -> bool {
        self.from >= self.end && self.end < self.to
    }

    fn before(&self, end: i64) -> Run<'_> {
        let rest = Run::new(&self.stamps[self.place..self.last], &self.values[self.place..self.last]);
        rest.within(Stamp(i64::MIN), Stamp(end))
    }

    /// Takes the next chunk, with `ahead` more asked for.
    fn advance(&mut self, reader: &Reader, unpacking: &Unpacking<'_, '_>, ahead: usize) -> Result<(), ChunkError> {
        (self.place, self.last) = (0, 0);
        while self.ahead.len() <= ahead && self.ask_for_next(reader, unpacking)? {}
        let Some((span, mut columns)) = self.ahead.take(unpacking)? else {
            self.end = self.to;
            return Ok(());
        };
        self.take_good(&mut columns);
        self.ahead.give_back(columns);
        self.end = span.last.saturating_add(1).min(self.to);
        Ok(())
    }

    /// False where there are no more.
    fn ask_for_next(&mut self, reader: &Reader, unpacking: &Unpacking<'_, '_>) -> Result<bool, ChunkError> {
        let Some(probe) = self.probe else { return Ok(false) };
        let mut wanted = [false; 4];
        wanted[self.quantity.index()] = true;
        loop {
            if self.spans.is_empty() && self.more_from < self.to {
                self.spans = chunks::spans(&reader.connection, probe, self.more_from, self.to, AT_ONCE)?.into();
            }
            let Some(span) = self.spans.pop_front() else {
                self.more_from = self.to;
                return Ok(false);
            };
            if let Some(blobs) = Blobs::read(&reader.connection, span, wanted)? {
                self.ahead.ask(unpacking, span, blobs);
                self.more_from = self.more_from.max(span.last.saturating_add(1));
                return Ok(true);
            }
            // Sealed anew meanwhile: looked up once more, from here on.
            self.spans.clear();
        }
    }

    /// Takes over the good ones of a chunk, corrected.
    fn take_good(&mut self, columns: &mut Columns) {
        let index = self.quantity.index();
        let begin = columns.stamps.partition_point(|at| *at < self.from);
        let end = columns.stamps.partition_point(|at| *at < self.to);
        if columns.values[index].is_empty() {
            return;
        }
        let is_good = |judged: u32| {
            let is_settled = (judged >> (16 + index)) & 1 == 0;
            (judged >> (4 * index)) & 0xF == Quality::Good as u32 && (is_settled || !self.settled_only)
        };
        if columns.is_full[index] && columns.quality.iter().all(|run| is_good(run.judged)) {
            std::mem::swap(&mut self.stamps, &mut columns.stamps);
            std::mem::swap(&mut self.values, &mut columns.values[index]);
            (self.place, self.last) = (begin, end);
        } else {
            self.stamps.clear();
            self.values.clear();
            let mut first = 0;
            for run in &columns.quality {
                let places = first.max(begin)..(first + run.length).min(end);
                first += run.length;
                if !is_good(run.judged) || places.is_empty() {
                    continue;
                }
                let (stamps, values) = (&columns.stamps[places.clone()], &columns.values[index][places]);
                if columns.is_full[index] {
                    self.stamps.extend_from_slice(stamps);
                    self.values.extend_from_slice(values);
                } else {
                    let there = || values.iter().zip(stamps).filter(|(value, _)| !value.is_nan());
                    self.stamps.extend(there().map(|(_, at)| *at));
                    self.values.extend(there().map(|(value, _)| *value));
                }
            }
            (self.place, self.last) = (0, self.stamps.len());
        }
        self.correct();
    }

    fn correct(&mut self) {
        let (stamps, values) = (&self.stamps[self.place..self.last], &mut self.values[self.place..self.last]);
        let (Some(first), Some(last)) = (stamps.first(), stamps.last()) else { return };
        if self.corrections.iter().any(|(since, _)| since.0 > *first && since.0 <= *last) {
            for (at, value) in stamps.iter().zip(values) {
                *value = in_force(&self.corrections, Stamp(*at)).apply(*value);
            }
            return;
        }
        let correction = in_force(&self.corrections, Stamp(*first));
        if correction != Correction::default() {
            values.iter_mut().for_each(|value| *value = correction.apply(*value));
        }
    }
}
