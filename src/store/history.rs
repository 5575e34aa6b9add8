//! Stored samples in time order, judged in context and corrected.
//!
//! In: probes and a range of time. Out: their messages, one after the other, in time order over all
//! probes, in bounded memory. Judging begins some hours before the range and looks on after it, so
//! that a message is judged alike whatever range is asked for. Corrections: the one in force at the
//! sample's time, applied after judging; error codes and impossible values stay as they were sent.

use std::collections::{HashMap, HashSet};
use std::ops::ControlFlow;

use super::chunk::Row;
use super::error::StoreError;
use super::judged::{JudgedMessage, MessageJudge};
use super::reader::Reader;
use super::{DatedCorrection, Sample};
use crate::climate::stamp::{DAY_MS, HOUR_MS};
use crate::climate::{Quality, Quantity, Reading, Stamp};
use crate::watch::judge::LEAD_IN_MS;
use crate::watch::setup::Correction;

/// So long before a range judging begins, and so far past it a judgement is looked for.
pub(super) const CONTEXT_MS: i64 = if LEAD_IN_MS > 6 * HOUR_MS { LEAD_IN_MS } else { 6 * HOUR_MS };

/// Messages kept back because an earlier one of another probe is not final yet: 7 MB, or five minutes
/// of 200 probes once a second. Beyond it that one is taken as it stands.
const HELD_MAX: usize = 1 << 16;

/// Messages judged before those that are final are given out: a window is not held a second time.
const RELEASED_AT: usize = 2048;

/// How far back a last good reading is looked for.
const LAST_GOOD_DAYS: i64 = 30;

/// What is known of a reading beside its quality.
#[derive(Clone, Copy, Debug)]
pub(super) struct Beside {
    /// Its quality is final.
    pub settled: bool,
    /// The mark clock-unsure.
    pub clock_unsure: bool,
}

/// A correction, and from when it holds.
pub(super) type Dated = (Stamp, Correction);

/// Whether values are given corrected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// By the correction in force at the sample's time.
    Corrected,
    /// As the probe sent them, judged.
    Raw,
    /// As the probe sent them, with the quality known on arrival and none of them settled: for whoever
    /// judges them anew, such as live watches that carry on after a restart.
    Unjudged,
}

impl Reader {
    /// One series from `from` on and before `to`: judged, corrected, in time order. A probe that
    /// was never heard of has none.
    ///
    /// # Errors
    /// When the store cannot be read; so for every method here.
    pub fn series(
        &self,
        probe: &str,
        quantity: Quantity,
        from: Stamp,
        to: Stamp,
        visit: &mut dyn FnMut(Reading),
    ) -> Result<(), StoreError> {
        self.series_of(&[probe], quantity, from, to, &mut |_, reading, _| visit(reading))
    }

    /// One quantity of several probes in one order of time: the probe's position in `probes`, the
    /// reading, and whether its quality is final. Readings of one moment come in `probes`' order.
    pub fn series_of(
        &self,
        probes: &[&str],
        quantity: Quantity,
        from: Stamp,
        to: Stamp,
        visit: &mut dyn FnMut(usize, Reading, bool),
    ) -> Result<(), StoreError> {
        let mut go_on = |position: usize, reading: Reading, known: Beside| {
            visit(position, reading, known.settled);
            ControlFlow::Continue(())
        };
        self.run_series(probes, quantity, from, to, &mut go_on)
    }

    /// One series, as [`Reader::series`], until `visit` breaks off. It is told beside each reading
    /// whether it bears the mark clock-unsure.
    ///
    /// # Errors
    /// As there.
    pub fn readings(
        &self,
        probe: &str,
        quantity: Quantity,
        from: Stamp,
        to: Stamp,
        visit: &mut dyn FnMut(Reading, bool) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        self.run_series(&[probe], quantity, from, to, &mut |_, reading, known| visit(reading, known.clock_unsure))
    }

    fn run_series(
        &self,
        probes: &[&str],
        quantity: Quantity,
        from: Stamp,
        to: Stamp,
        visit: &mut dyn FnMut(usize, Reading, Beside) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let mut from = from;
        if let [probe] = probes
            && let Some(id) = self.probe_id(probe)?
        {
            let live = self.live_from(id, from, to)?.min(to);
            let corrections = self.corrections_of(id, quantity)?;
            let mut visit = |reading: Reading, known: Beside| visit(0, reading, known);
            if self.sealed_series(id, quantity, (from, live), &corrections, &mut visit)?.is_break() {
                return Ok(());
            }
            from = from.max(live);
        }
        let mut go_on = |position: usize, message: &JudgedMessage| match message.reading(quantity) {
            Some(reading) => {
                let known = Beside { settled: message.settled, clock_unsure: message.clock_unsure };
                visit(position, reading, known)
            }
            None => ControlFlow::Continue(()),
        };
        if from >= to { Ok(()) } else { self.run(probes, Some(quantity), from, to, Form::Corrected, &mut go_on) }
    }

    /// The corrections of one series, by the time they hold from.
    pub(super) fn corrections_of(&self, probe: i64, quantity: Quantity) -> Result<Vec<Dated>, StoreError> {
        let of_series = |dated: &DatedCorrection| dated.probe == probe && dated.quantity == quantity;
        let all = self.corrections()?.into_iter().filter(of_series);
        Ok(all.map(|dated| (dated.since, dated.correction)).collect())
    }

    /// One probe's messages from `from` on and before `to`: judged, corrected, in time order.
    pub fn messages(
        &self,
        probe: &str,
        from: Stamp,
        to: Stamp,
        visit: &mut dyn FnMut(&JudgedMessage),
    ) -> Result<(), StoreError> {
        self.history(&[probe], from, to, Form::Corrected, &mut |_, message| {
            visit(message);
            ControlFlow::Continue(())
        })
    }

    /// The messages of several different probes in one order of time, those of one moment in
    /// `probes`' order, until `visit` breaks off. `visit` is given the position in `probes`.
    pub fn history(
        &self,
        probes: &[&str],
        from: Stamp,
        to: Stamp,
        form: Form,
        visit: &mut dyn FnMut(usize, &JudgedMessage) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        self.run(probes, None, from, to, form, visit)
    }

    /// The last good reading of each quantity of a probe (by `Quantity::index`), corrected, up to
    /// its newest sample and at most 30 days before that.
    pub fn last_good(&self, probe: &str) -> Result<[Option<Reading>; 4], StoreError> {
        let mut last = [None; 4];
        let Some(newest) = self.newest(probe)? else { return Ok(last) };
        let mut to = newest.at.plus(1);
        let mut days = 1;
        while days <= LAST_GOOD_DAYS && last.contains(&None) {
            let from = newest.at.plus(-days * DAY_MS);
            let mut found = [None; 4];
            self.messages(probe, from, to, &mut |message| {
                for quantity in Quantity::ALL {
                    if message.good(quantity).is_some() {
                        found[quantity.index()] = message.reading(quantity);
                    }
                }
            })?;
            for (last, found) in last.iter_mut().zip(found) {
                *last = last.or(found);
            }
            to = from;
            days *= 2;
        }
        Ok(last)
    }

    pub(super) fn run(
        &self,
        probes: &[&str],
        only: Option<Quantity>,
        from: Stamp,
        to: Stamp,
        form: Form,
        visit: &mut dyn FnMut(usize, &JudgedMessage) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let mut positions = HashMap::new();
        for (position, probe) in probes.iter().enumerate() {
            if let Some(id) = self.probe_id(probe)? {
                positions.entry(id).or_insert(position);
            }
        }
        let corrections = match form {
            Form::Corrected => self.corrections()?,
            Form::Raw | Form::Unjudged => Vec::new(),
        };
        let mut pass = Pass {
            judges: vec![MessageJudge::new(); probes.len()],
            live_from: vec![Stamp(i64::MAX); probes.len()],
            corrections: vec![Default::default(); probes.len()],
            held: Vec::new(),
            settled: Vec::new(),
            wrong: self.wrong_stretches()?,
            judged: form != Form::Unjudged,
            only,
            from,
            to,
        };
        for dated in corrections {
            if let Some(position) = positions.get(&dated.probe) {
                pass.corrections[*position][dated.quantity.index()].push((dated.since, dated.correction));
            }
        }
        for (id, position) in &positions {
            if pass.judged {
                pass.live_from[*position] = self.live_from(*id, from, to)?;
            }
        }
        let _ = self.pass(&mut pass, &positions, visit)?;
        Ok(())
    }

    fn pass(
        &self,
        pass: &mut Pass,
        wanted: &HashMap<i64, usize>,
        visit: &mut dyn FnMut(usize, &JudgedMessage) -> ControlFlow<()>,
    ) -> Result<ControlFlow<()>, StoreError> {
        let quantities = pass.wanted();
        // Where judging begins within the range, it is led in from before.
        let live = pass.live_from.iter().min().map_or(pass.from, |live| pass.from.max(*live));
        let mut cursor = pass.from.min(live.plus(-CONTEXT_MS));
        while let Some((end, samples)) = self.window(wanted, quantities, cursor, pass.to)? {
            for some in samples.chunks(RELEASED_AT) {
                for (position, row) in some {
                    pass.push(*position, row);
                }
                // What comes next in the window is no earlier than the last of these.
                let reached = some.last().map_or(end, |(_, row)| Stamp(row.at));
                if pass.release(reached, visit).is_break() {
                    return Ok(ControlFlow::Break(()));
                }
            }
            if pass.release(end, visit).is_break() {
                return Ok(ControlFlow::Break(()));
            }
            cursor = end;
        }
        // Some at the end of the range may be judged by what follows.
        cursor = cursor.max(pass.to);
        while pass.earliest_open().is_some_and(|at| at < pass.to)
            && let Some((end, samples)) = self.window(wanted, quantities, cursor, pass.to.plus(CONTEXT_MS))?
        {
            for (position, row) in &samples {
                pass.push(*position, row);
            }
            cursor = end;
        }
        for position in 0..pass.judges.len() {
            pass.finish(position);
        }
        Ok(pass.release(Stamp(i64::MAX), visit))
    }
}

/// One passing over a range.
struct Pass {
    judges: Vec<MessageJudge>,
    /// By position: before it the judgement made when sealing holds, from there on it is made here.
    live_from: Vec<Stamp>,
    corrections: Vec<[Vec<Dated>; 4]>,
    /// Final, but an earlier one of another probe may not be.
    held: Vec<(Stamp, usize, JudgedMessage)>,
    settled: Vec<JudgedMessage>,
    /// Stretches of the clock that were wrong.
    wrong: HashSet<u32>,
    judged: bool,
    only: Option<Quantity>,
    from: Stamp,
    to: Stamp,
}

impl Pass {
    fn push(&mut self, position: usize, row: &Row) {
        let mut sample = row.sample(0);
        let wanted = self.wanted();
        for quantity in Quantity::ALL {
            let index = quantity.index();
            if !wanted[index] {
                sample.values[index] = None;
                sample.quality[index] = Quality::Good;
            }
        }
        if self.only.is_some() && sample.values == [None; 4] {
            return;
        }
        let Sample { at, values, quality, timing, .. } = sample;
        let message = |quality, settled| JudgedMessage { at, values, quality, settled, timing, clock_unsure: false };
        if !self.judged {
            self.keep(position, message(quality, false));
            return;
        }
        let live = self.live_from[position];
        if at < live {
            let judged = row.judged();
            let known = |index: usize| if values[index].is_some() { judged[index] } else { Quality::Good };
            let quality = [0, 1, 2, 3].map(known);
            self.keep(position, message(quality, !row.is_open(wanted)));
        }
        if at >= live.plus(-CONTEXT_MS) {
            self.judges[position].push(&sample, &mut self.settled);
            self.keep_settled(position);
        }
    }

    fn wanted(&self) -> [bool; 4] {
        self.only.map_or([true; 4], |only| Quantity::ALL.map(|quantity| quantity == only))
    }

    fn keep(&mut self, position: usize, message: JudgedMessage) {
        if message.at >= self.from && message.at < self.to {
            self.held.push((message.at, position, message));
        }
    }

    fn finish(&mut self, position: usize) {
        self.judges[position].finish(&mut self.settled);
        self.keep_settled(position);
    }

    fn keep_settled(&mut self, position: usize) {
        let (from, to) = (self.from.max(self.live_from[position]), self.to);
        let wanted = self.settled.drain(..).filter(|message| message.at >= from && message.at < to);
        self.held.extend(wanted.map(|message| (message.at, position, message)));
    }

    fn earliest_open(&self) -> Option<Stamp> {
        self.judges.iter().filter_map(MessageJudge::waits_since).min()
    }

    /// Gives out what nothing earlier can come before: everything up to `end` is in.
    fn release(
        &mut self,
        end: Stamp,
        visit: &mut dyn FnMut(usize, &JudgedMessage) -> ControlFlow<()>,
    ) -> ControlFlow<()> {
        self.held.sort_by_key(|(at, position, _)| (*at, *position));
        loop {
            let open = self.earliest_open();
            let mark = open.map_or(end, |at| at.min(end));
            // At the very end of time nothing is later.
            let free = if end == Stamp(i64::MAX) && open.is_none() {
                self.held.len()
            } else {
                self.held.partition_point(|(at, ..)| *at < mark)
            };
            for (at, position, message) in &mut self.held[..free] {
                correct(&self.corrections[*position], *at, message);
                message.clock_unsure = message.timing.is_unsure(&self.wrong);
                visit(*position, message)?;
            }
            self.held.drain(..free);
            if self.held.len() <= HELD_MAX || open.is_none() {
                return ControlFlow::Continue(());
            }
            let slowest = (0..self.judges.len()).filter(|position| self.judges[*position].waits_since() == open).min();
            if let Some(position) = slowest {
                self.finish(position);
            }
            self.held.sort_by_key(|(at, position, _)| (*at, *position));
        }
    }
}

/// Applies the corrections in force at `at`.
fn correct(corrections: &[Vec<(Stamp, Correction)>; 4], at: Stamp, message: &mut JudgedMessage) {
    for quantity in Quantity::ALL {
        let index = quantity.index();
        let measured = !matches!(message.quality[index], Quality::Sentinel | Quality::OutOfRange);
        if let Some(value) = &mut message.values[index]
            && measured
        {
            *value = in_force(&corrections[index], at).apply(*value);
        }
    }
}

/// Of corrections in the order of the time they hold from, the one in force at `at`.
pub(super) fn in_force(corrections: &[Dated], at: Stamp) -> Correction {
    let held = corrections.partition_point(|(since, _)| *since <= at);
    held.checked_sub(1).map_or_else(Correction::default, |newest| corrections[newest].1)
}

/// The correction of one probe's quantity in force at `at`, of all that are stored in any order.
pub fn correction_at(corrections: &[DatedCorrection], probe: i64, quantity: Quantity, at: Stamp) -> Correction {
    let of_series = corrections.iter().filter(|dated| dated.probe == probe && dated.quantity == quantity);
    let held = of_series.filter(|dated| dated.since <= at).max_by_key(|dated| dated.since);
    held.map_or_else(Correction::default, |dated| dated.correction)
}
