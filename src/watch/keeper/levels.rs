//! The limits that one subject's series is held to, each with the tubs it concerns.
//!
//! In: good, corrected values in time order. Out: which limits are broken, the worst of them. Limits
//! shared by several tubs are one limit, so that the work does not grow with the tubs.

use super::book::Wanted;
use crate::climate::Stamp;
use crate::watch::alert::{Alert, AlertState, Severity};
use crate::watch::band::{Side, Trip, Turn};
use crate::watch::table::Weighed;

/// One limit.
#[derive(Clone, Debug)]
pub(super) struct Level {
    pub(super) weighed: Weighed,
    pub(super) trip: Trip,
    /// The tubs it concerns; empty for a core and for a space's own limits.
    pub(super) tubs: Vec<String>,
    /// Lowered, because those tubs have no core.
    pub(super) from_air: bool,
    /// The last value that broke it.
    pub(super) broken_by: Option<(Stamp, f64)>,
    /// It counts as broken by a lone reading that nothing followed in time.
    pub(super) lone: bool,
}

/// A limit that was broken and is not any more.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ended {
    pub(super) severity: Severity,
    pub(super) limit: f64,
    pub(super) from: Stamp,
}

/// All limits of one subject and watch.
#[derive(Clone, Debug, Default)]
pub(super) struct Levels {
    list: Vec<Level>,
    /// The last value.
    pub(super) last: Option<(Stamp, f64)>,
}

impl Levels {
    /// Takes the next value; tells the worst limit that ceased to be broken by it.
    #[inline]
    pub(super) fn step(&mut self, at: Stamp, value: f64, gap_ms: i64) -> Option<Ended> {
        let mut ended: Option<Ended> = None;
        for level in &mut self.list {
            let since = level.trip.since();
            let breaks = level.weighed.rule.is_broken_by(value);
            let turn = level.trip.step(&level.weighed.rule, at, value, gap_ms);
            if breaks && level.trip.since().is_some() {
                (level.broken_by, level.lone) = (Some((at, value)), false);
            } else if turn == Some(Turn::On) {
                level.lone = true;
            }
            if turn == Some(Turn::Off) {
                let this = Ended {
                    severity: level.weighed.severity,
                    limit: level.weighed.rule.limit,
                    from: since.unwrap_or(at),
                };
                ended = Some(ended.filter(|other| other.severity >= this.severity).unwrap_or(this));
            }
        }
        if self.last.is_none_or(|(last, _)| at > last) {
            self.last = Some((at, value));
        }
        ended
    }

    /// Lets time pass; the moment at which a limit became broken by it.
    pub(super) fn lapse(&mut self, now: Stamp) -> Option<Stamp> {
        let mut turned: Option<Stamp> = None;
        for level in &mut self.list {
            if let Some(at) = level.trip.lapse(&level.weighed.rule, now) {
                level.lone = true;
                turned = Some(turned.map_or(at, |turned| turned.max(at)));
            }
        }
        turned
    }

    /// The worst broken limit, the longest broken of equals.
    #[inline]
    pub(super) fn worst(&self) -> Option<&Level> {
        let rank = |level: &&Level| (level.weighed.severity, std::cmp::Reverse(level.trip.since()));
        self.list.iter().filter(|level| level.trip.is_active()).max_by_key(rank)
    }

    /// The broken limits.
    pub(super) fn active(&self) -> impl Iterator<Item = &Level> {
        self.list.iter().filter(|level| level.trip.is_active())
    }

    /// All of them concern `tub` too.
    pub(super) fn concern(&mut self, tub: &str) {
        for level in &mut self.list {
            level.tubs.push(tub.to_owned());
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// What should stand now. The value is the one that offends; where the present one does not, the
    /// last that did.
    #[inline]
    pub(super) fn wanted(&self) -> Option<Wanted> {
        self.worst().map(|worst| self.want(worst))
    }

    /// The same, by the limits alone that do not wait while somebody works there.
    pub(super) fn wanted_at_work(&self) -> Option<Wanted> {
        let rank = |level: &&Level| (level.weighed.severity, std::cmp::Reverse(level.trip.since()));
        let worst = self.active().filter(|level| level.weighed.never_waits).max_by_key(rank)?;
        Some(self.want(worst))
    }

    fn want(&self, worst: &Level) -> Wanted {
        let rule = &worst.weighed.rule;
        let now = self.last.map(|(_, value)| value);
        let offends = now.is_some_and(|value| rule.is_broken_by(value));
        let value = if offends { now } else { worst.broken_by.map(|(_, value)| value).or(now) };
        Wanted {
            severity: worst.weighed.severity,
            step: 0,
            first_at: worst.trip.since().unwrap_or_default(),
            value,
            limit: Some(rule.limit),
            offends,
        }
    }

    /// Puts other limits in place. One that is the same keeps its evidence; one broken under another
    /// value stays broken until the new one is kept.
    pub(super) fn replace(&mut self, mut list: Vec<Level>) {
        let same = |old: &Level, new: &Level| old.weighed == new.weighed;
        let akin = |old: &Level, new: &Level| {
            (old.weighed.severity, old.weighed.rule.side) == (new.weighed.severity, new.weighed.rule.side)
        };
        let kept: Vec<bool> = self.list.iter().map(|old| list.iter().any(|new| same(old, new))).collect();
        for new in &mut list {
            if let Some(old) = self.list.iter().find(|old| same(old, new)) {
                (new.trip, new.broken_by, new.lone) = (old.trip, old.broken_by, old.lone);
            } else if let Some((old, _)) = self.list.iter().zip(&kept).find(|(old, kept)| !**kept && akin(old, new)) {
                new.trip = old.trip.under_another_limit();
            }
        }
        self.list = list;
    }

    /// Takes up an alert that stood before a restart: its limit is still broken.
    pub(super) fn restore(&mut self, alert: &Alert) {
        if alert.state == AlertState::Returned {
            return;
        }
        // The config may have moved the limit meanwhile: the nearest of the same worth takes it up.
        let distance = |level: &Level| alert.limit.map_or(0.0, |limit| (level.weighed.rule.limit - limit).abs());
        let fitting = self.list.iter_mut().filter(|level| level.weighed.severity == alert.severity);
        if let Some(level) = fitting.min_by(|left, right| distance(left).total_cmp(&distance(right))) {
            level.trip = Trip::restored(alert.first_at, alert.since);
        }
    }
}

/// Adds `tub` to the limits in `list`, sharing those that are there already. `from_air`: its high
/// limits are lowered for want of a core.
pub(super) fn add(list: &mut Vec<Level>, weighed: Vec<Weighed>, tub: Option<&str>, from_air: bool) {
    for weighed in weighed {
        let from_air = from_air && weighed.rule.side != Side::Under;
        let shared = list.iter().position(|level| level.weighed == weighed && level.from_air == from_air);
        let index = shared.unwrap_or_else(|| {
            let trip = Trip::default();
            list.push(Level { weighed, trip, tubs: Vec::new(), from_air, broken_by: None, lone: false });
            list.len() - 1
        });
        list[index].tubs.extend(tub.map(str::to_owned));
    }
}
