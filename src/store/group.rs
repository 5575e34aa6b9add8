//! What goes into one commit.
//!
//! In: changes in the order they were handed over. Out: the same, and the oldest samples nobody waits
//! for where too many are held. Left out: when it is committed.

use std::collections::VecDeque;

use super::Change;
use super::rows::SampleRow;
use super::writer::QUEUE_SAMPLES;
use crate::climate::Stamp;

/// Given up at once when too many wait, so that this is not done for each single sample.
pub(super) const GIVEN_UP_AT_ONCE: usize = QUEUE_SAMPLES / 16;

/// Changes that go into one commit.
#[derive(Debug, Default)]
pub(super) struct Group {
    pub samples: VecDeque<SampleRow>,
    pub others: VecDeque<Change>,
    pub acks: usize,
}

impl Group {
    pub fn is_empty(&self) -> bool {
        self.samples.is_empty() && self.others.is_empty()
    }

    pub fn append(&mut self, mut later: Group) {
        if self.is_empty() {
            *self = later;
            return;
        }
        self.samples.append(&mut later.samples);
        self.others.append(&mut later.others);
        self.acks += later.acks;
    }

    /// Takes out the oldest samples nobody waits for where more than [`QUEUE_SAMPLES`] are here;
    /// tells how many of them were among the first `front`.
    pub fn give_up(&mut self, front: usize, dropped: &mut Vec<(i64, Stamp)>, more: &mut u64) -> usize {
        if self.samples.len() <= QUEUE_SAMPLES {
            return 0;
        }
        let mut left = self.samples.len() - QUEUE_SAMPLES + GIVEN_UP_AT_ONCE;
        let (mut index, mut of_front) = (0, 0);
        self.samples.retain(|row| {
            let keep = row.awaited || left == 0;
            if !keep {
                left -= 1;
                of_front += usize::from(index < front);
                if dropped.len() < QUEUE_SAMPLES { dropped.push((row.probe, Stamp(row.at))) } else { *more += 1 }
            }
            index += 1;
            keep
        });
        of_front
    }
}
