//! What the grower asks of the watches for a while: an alert put aside, hands in the tent.
//!
//! In: entries of the logbook, applied by whoever reads it. Out: shelved alerts that come back by
//! themselves, air warnings that wait, both within `watch::limits`. Both are kept by the logbook: after a
//! restart the same entries say the same.

use std::collections::BTreeMap;

use super::Keeper;
use crate::climate::Stamp;
use crate::watch::alert::{AlertEvent, AlertState};
use crate::watch::life::Happening;
use crate::watch::limits::{WORKING_MAX_MS, shelve_max_ms};

/// Where hands are at work, and until when. One entry for each space and one for all.
#[derive(Clone, Debug, Default)]
pub(super) struct Hands(BTreeMap<Option<usize>, (Stamp, Stamp)>);

impl Hands {
    /// Whether somebody works in `space` at `at`.
    #[inline]
    pub(super) fn are_in(&self, space: usize, at: Stamp) -> bool {
        !self.0.is_empty()
            && [None, Some(space)]
                .iter()
                .filter_map(|place| self.0.get(place))
                .any(|(from, until)| *from <= at && at < *until)
    }
}

impl Keeper {
    /// Puts the alert `id` aside from `at` for `for_ms`, cut to what is allowed; false where none such
    /// stands. Nothing is told. When the time is over and it still stands it is raised again.
    pub fn shelve(&mut self, id: i64, at: Stamp, for_ms: i64, events: &mut Vec<AlertEvent>) -> bool {
        let Some(alert) = self.book.by_id(id) else { return false };
        let until = at.plus(for_ms.clamp(0, shelve_max_ms(alert.severity)));
        if !self.book.happen(id, Happening::Shelve, at, events) {
            return false;
        }
        let is_shelved = self.book.by_id(id).is_some_and(|alert| alert.state == AlertState::Shelved);
        if is_shelved {
            self.shelves.insert(id, until);
        }
        is_shelved
    }

    /// Says once more until when an alert of before the start is put aside: the entry that did so. Of
    /// an alert that is not shelved nothing is changed.
    pub fn shelved_before(&mut self, id: i64, at: Stamp, for_ms: i64) {
        if let Some(alert) = self.book.by_id(id).filter(|alert| alert.state == AlertState::Shelved) {
            let until = at.plus(for_ms.clamp(0, shelve_max_ms(alert.severity)));
            self.shelves.insert(id, until);
        }
    }

    /// Until when the alert `id` is put aside, if it is.
    pub fn shelved_until(&self, id: i64) -> Option<Stamp> {
        self.shelves.get(&id).copied()
    }

    /// Hands are in the space called `space` (none: everywhere) from `at` for `for_ms`, at most four
    /// hours: air warnings there wait. Said anew, the later word counts. False where no such space is.
    pub fn working(&mut self, space: Option<&str>, at: Stamp, for_ms: i64) -> bool {
        let place = match space {
            Some(name) => match self.spaces.iter().position(|space| space.setup.name == name) {
                Some(space) => Some(space),
                None => return false,
            },
            None => None,
        };
        let until = at.plus(for_ms.clamp(0, WORKING_MAX_MS));
        self.hands.0.insert(place, (at, until));
        true
    }

    /// Where hands are at work at `now`: the space's name (none: everywhere), and until when.
    pub fn at_work(&self, now: Stamp) -> impl Iterator<Item = (Option<&str>, Stamp)> {
        let named = |place: &Option<usize>| place.map(|space| self.spaces[space].setup.name.as_str());
        let now_at = self.hands.0.iter().filter(move |(_, (from, until))| *from <= now && now < *until);
        now_at.map(move |(place, (_, until))| (named(place), *until))
    }

    /// Tells a standing, unacknowledged alert once more as it is; false where it is not that. For
    /// messengers that repeat until somebody says they know.
    pub fn tell_again(&mut self, id: i64, at: Stamp, events: &mut Vec<AlertEvent>) -> bool {
        self.book.again(id, at, events)
    }

    /// Brings back what was put aside for long enough.
    pub(super) fn tick_shelves(&mut self, now: Stamp, events: &mut Vec<AlertEvent>) {
        let lost: Vec<i64> =
            self.book.iter().filter(|alert| alert.state == AlertState::Shelved).map(|it| it.id).collect();
        for id in lost {
            // One that no entry tells the end of is put aside no longer.
            let until = self.shelves.get(&id).copied().unwrap_or(now);
            if until <= now {
                self.book.happen(id, Happening::ShelfEnds, until, events);
            }
        }
        if !self.shelves.is_empty() {
            let book = &self.book;
            self.shelves.retain(|id, _| book.by_id(*id).is_some_and(|alert| alert.state == AlertState::Shelved));
        }
    }
}
