//! Probe messages with the final quality of each of their values.
//!
//! In: one probe's stored messages in time order. Out: the same, judged in context, in time order.
//! Pure. A message waits until every value of it is final; what never becomes final (nothing
//! follows) is given in the end with the quality it then has.

use std::collections::VecDeque;

use super::{Sample, Timing};
use crate::climate::{Quality, Quantity, Reading, Stamp, quantity::Values};
use crate::watch::judge::Judge;

/// Messages of one probe that may wait for a judgement. One value of a quantity that is then never
/// read again must not hold up the others for ever.
const WAITING_MAX: usize = 1024;

/// One probe message as it is believed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JudgedMessage {
    /// When it was measured.
    pub at: Stamp,
    /// What it read; corrected where that was asked for.
    pub values: Values,
    /// How far to believe each, by `Quantity::index`; good where nothing was read.
    pub quality: [Quality; 4],
    /// False where a later message may still change a quality.
    pub settled: bool,
    /// How it came by its time.
    pub timing: Timing,
    /// The mark that stands beside the quality and excludes nothing: its time comes from a clock that
    /// was wrong, and could not be put right afterwards.
    pub clock_unsure: bool,
}

impl JudgedMessage {
    /// The value of `quantity`, where it was read and is good.
    pub fn good(&self, quantity: Quantity) -> Option<f64> {
        let index = quantity.index();
        self.values[index].filter(|_| self.quality[index] == Quality::Good)
    }

    /// The reading of `quantity`, where there is one.
    pub fn reading(&self, quantity: Quantity) -> Option<Reading> {
        let index = quantity.index();
        self.values[index].map(|value| Reading { at: self.at, value, quality: self.quality[index] })
    }

    /// The quality that speaks for the whole message: the one with the highest code, so that a
    /// message from the future is told as that whatever it reads.
    pub fn worst(&self) -> Quality {
        self.quality.into_iter().max().unwrap_or_default()
    }
}

/// Judges one probe's messages, all quantities side by side.
#[derive(Clone, Debug)]
pub(super) struct MessageJudge {
    judges: [Judge; 4],
    waiting: VecDeque<Waiting>,
    settled: Vec<Reading>,
}

#[derive(Clone, Copy, Debug)]
struct Waiting {
    message: JudgedMessage,
    open: [bool; 4],
}

impl MessageJudge {
    pub fn new() -> MessageJudge {
        MessageJudge { judges: Quantity::ALL.map(Judge::new), waiting: VecDeque::new(), settled: Vec::new() }
    }

    /// Takes the next message in time order and appends those that are final now.
    pub fn push(&mut self, sample: &Sample, out: &mut Vec<JudgedMessage>) {
        let Sample { at, values, quality, timing, .. } = *sample;
        let message = JudgedMessage { at, values, quality, settled: true, timing, clock_unsure: false };
        self.waiting.push_back(Waiting { message, open: values.map(|value| value.is_some()) });
        for index in 0..values.len() {
            let Some(value) = values[index] else { continue };
            self.judges[index].push(Reading { at, value, quality: quality[index] }, &mut self.settled);
            for reading in self.settled.drain(..) {
                close(&mut self.waiting, index, reading);
            }
        }
        if self.waiting.len() > WAITING_MAX {
            self.settle_first_as_it_is();
        }
        while let Some(first) = self.waiting.front()
            && first.open == [false; 4]
        {
            out.push(first.message);
            self.waiting.pop_front();
        }
    }

    /// When the first message that is not final was measured.
    pub fn waits_since(&self) -> Option<Stamp> {
        self.waiting.front().map(|first| first.message.at)
    }

    /// Appends what still waits, with the quality it has if nothing follows.
    pub fn finish(&mut self, out: &mut Vec<JudgedMessage>) {
        while !self.waiting.is_empty() {
            self.settle_first_as_it_is();
            out.extend(self.waiting.pop_front().map(|first| first.message));
        }
    }

    fn settle_first_as_it_is(&mut self) {
        let Some(first) = self.waiting.front_mut() else { return };
        for index in 0..first.open.len() {
            if !std::mem::take(&mut first.open[index]) {
                continue;
            }
            let reading = self.judges[index].pending().find(|reading| reading.at == first.message.at);
            if let Some(reading) = reading {
                first.message.quality[index] = reading.quality;
            }
            first.message.settled = false;
        }
    }
}

fn close(waiting: &mut VecDeque<Waiting>, index: usize, reading: Reading) {
    // Nearly always the newest; one that was let go before is not found.
    let place = match waiting.back() {
        Some(last) if last.message.at == reading.at => Ok(waiting.len() - 1),
        _ => waiting.binary_search_by_key(&reading.at, |waiting| waiting.message.at),
    };
    if let Ok(place) = place
        && let Some(found) = waiting.get_mut(place)
    {
        found.message.quality[index] = reading.quality;
        found.open[index] = false;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(at: i64, temperature: Option<f64>, co2: Option<f64>) -> Sample {
        let values = [temperature, None, co2, None];
        let (at, quality) = (Stamp(at * 10_000), [Quality::Good; 4]);
        Sample { probe: 1, at, values, quality, timing: Timing::SETTLED }
    }

    #[test]
    fn a_message_waits_for_its_last_value_and_order_is_kept() {
        let (mut judge, mut out) = (MessageJudge::new(), Vec::new());
        for at in 0..10 {
            judge.push(&sample(at, Some(24.0), Some(800.0)), &mut out);
        }
        assert_eq!(out.len(), 10);
        judge.push(&sample(10, Some(24.0), Some(9000.0)), &mut out); // a lone spike of CO2
        assert_eq!(out.len(), 10, "waits although its temperature is settled");
        assert_eq!(judge.waits_since(), Some(Stamp(100_000)));
        judge.push(&sample(11, Some(24.0), Some(800.0)), &mut out);
        assert_eq!(out.len(), 12);
        assert_eq!(out[10].quality, [Quality::Good, Quality::Good, Quality::Spike, Quality::Good]);
        assert!(out[10].settled && out[10].good(Quantity::Temperature).is_some());
        assert!(out.is_sorted_by_key(|message| message.at));
    }

    #[test]
    fn what_nothing_follows_is_given_in_the_end_and_nothing_waits_for_ever() {
        let (mut judge, mut out) = (MessageJudge::new(), Vec::new());
        for at in 0..10 {
            judge.push(&sample(at, Some(24.0), Some(800.0)), &mut out);
        }
        judge.push(&sample(10, Some(24.0), Some(9000.0)), &mut out);
        for at in 11..11 + 2 * WAITING_MAX as i64 {
            judge.push(&sample(at, Some(24.0), None), &mut out);
        }
        assert!(out.len() > WAITING_MAX);
        assert_eq!((out[10].quality[2], out[10].settled), (Quality::Spike, false));
        judge.finish(&mut out);
        assert_eq!(out.len(), 11 + 2 * WAITING_MAX);
    }
}
