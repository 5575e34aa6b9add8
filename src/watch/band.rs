//! One limit as a machine in sample time: on-delay, off-delay, deadband.
//!
//! In: good, corrected values of one series in time order. Out: whether the limit counts as broken,
//! and the moment that changes. Evidence must be continuous: over a gap longer than the limit given
//! an on-delay and an off-delay start anew, so a silence neither raises nor clears anything.
//! Left out: which limits there are (`table`), and what is made of a broken one (`life`).

use crate::climate::Stamp;

/// Which values break a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Below it.
    Under,
    /// Above it.
    Over,
    /// At it or above.
    AtOrOver,
}

/// What it takes to count as broken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Evidence {
    /// Broken without a break for this long, ms; 0: one reading.
    Lasting(i64),
    /// Two readings in a row, or one that nothing has followed for this long, ms.
    TwoOr(i64),
}

/// A limit and its patience.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rule {
    /// Which values break it.
    pub side: Side,
    /// In the quantity's unit.
    pub limit: f64,
    /// When it counts.
    pub on: Evidence,
    /// How long it must be kept by the deadband before it is over, ms; 0: one reading.
    pub off_ms: i64,
    /// How far inside the limit a value must come back, in the quantity's unit.
    pub deadband: f64,
}

impl Rule {
    /// Whether `value` breaks the limit.
    pub fn is_broken_by(&self, value: f64) -> bool {
        match self.side {
            Side::Under => value < self.limit,
            Side::Over => value > self.limit,
            Side::AtOrOver => value >= self.limit,
        }
    }

    /// Whether `value` has come back by the deadband.
    pub fn is_kept_by(&self, value: f64) -> bool {
        match self.side {
            Side::Under => value >= self.limit + self.deadband,
            Side::Over | Side::AtOrOver => !self.is_broken_by(value) && value <= self.limit - self.deadband,
        }
    }
}

/// A change of a [`Trip`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// The limit counts as broken from now on.
    On,
    /// It is over.
    Off,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Standing {
    Quiet,
    Waiting { since: Stamp },
    Active { since: Stamp, calm: Option<Stamp> },
}

/// Where one limit stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Trip {
    standing: Standing,
    last_at: Option<Stamp>,
}

impl Default for Trip {
    fn default() -> Self {
        Trip { standing: Standing::Quiet, last_at: None }
    }
}

impl Trip {
    /// One that was broken since `since` and known to be at `known_at` (an alert after a restart);
    /// values up to then have been counted already.
    pub fn restored(since: Stamp, known_at: Stamp) -> Trip {
        Trip { standing: Standing::Active { since, calm: None }, last_at: Some(known_at) }
    }

    /// Takes the next value. One not later than the last is ignored. `gap_ms` is the longest silence
    /// that evidence reaches over.
    #[inline]
    pub fn step(&mut self, rule: &Rule, at: Stamp, value: f64, gap_ms: i64) -> Option<Turn> {
        let broken = rule.is_broken_by(value);
        let quiet = self.standing == Standing::Quiet && !broken;
        if self.last_at.is_some_and(|last| at <= last) {
            return None;
        }
        let last = self.last_at.replace(at);
        if quiet {
            return None;
        }
        let gap = last.is_some_and(|last| at.since(last) > gap_ms);
        self.step_on(rule, at, value, gap)
    }

    fn step_on(&mut self, rule: &Rule, at: Stamp, value: f64, gap: bool) -> Option<Turn> {
        let broken = rule.is_broken_by(value);
        match (self.standing, rule.on) {
            // What the clock would have shown had it been asked in between.
            (Standing::Waiting { .. }, Evidence::TwoOr(_)) if self.lapse(rule, at).is_some() => {
                self.settle(rule, at, value, false);
                Some(Turn::On)
            }
            (Standing::Waiting { .. }, _) if !broken => {
                self.standing = Standing::Quiet;
                None
            }
            (Standing::Waiting { since }, Evidence::TwoOr(_)) => {
                self.standing = Standing::Active { since, calm: None };
                Some(Turn::On)
            }
            (Standing::Waiting { since }, Evidence::Lasting(ms)) => self.wait(if gap { at } else { since }, at, ms),
            (Standing::Quiet, Evidence::Lasting(ms)) if broken => self.wait(at, at, ms),
            (Standing::Quiet, Evidence::TwoOr(_)) if broken => {
                self.standing = Standing::Waiting { since: at };
                None
            }
            (Standing::Quiet, _) => None,
            (Standing::Active { .. }, _) => self.settle(rule, at, value, gap),
        }
    }

    fn wait(&mut self, since: Stamp, at: Stamp, ms: i64) -> Option<Turn> {
        if at.since(since) >= ms {
            self.standing = Standing::Active { since, calm: None };
            Some(Turn::On)
        } else {
            self.standing = Standing::Waiting { since };
            None
        }
    }

    /// One step of an active limit.
    fn settle(&mut self, rule: &Rule, at: Stamp, value: f64, gap: bool) -> Option<Turn> {
        let Standing::Active { since, calm } = self.standing else { return None };
        if !rule.is_kept_by(value) {
            self.standing = Standing::Active { since, calm: None };
            return None;
        }
        let calm = if gap { at } else { calm.unwrap_or(at) };
        if at.since(calm) >= rule.off_ms {
            self.standing = Standing::Quiet;
            return Some(Turn::Off);
        }
        self.standing = Standing::Active { since, calm: Some(calm) };
        None
    }

    /// Lets time pass: a lone reading that nothing has followed for long enough counts, from the
    /// moment it was long enough, which is given.
    pub fn lapse(&mut self, rule: &Rule, now: Stamp) -> Option<Stamp> {
        match (self.standing, rule.on) {
            (Standing::Waiting { since }, Evidence::TwoOr(ms)) if now.since(since) >= ms => {
                self.standing = Standing::Active { since, calm: None };
                Some(since.plus(ms))
            }
            _ => None,
        }
    }

    /// Whether the limit counts as broken.
    pub fn is_active(&self) -> bool {
        matches!(self.standing, Standing::Active { .. })
    }

    /// Whether it is active and the last value was back by the deadband.
    pub fn is_calming(&self) -> bool {
        matches!(self.standing, Standing::Active { calm: Some(_), .. })
    }

    /// Whether it waits for more evidence.
    pub fn is_waiting(&self) -> bool {
        matches!(self.standing, Standing::Waiting { .. })
    }

    /// The time of the first value that broke it, while it waits or is active.
    pub fn since(&self) -> Option<Stamp> {
        match self.standing {
            Standing::Quiet => None,
            Standing::Waiting { since } | Standing::Active { since, .. } => Some(since),
        }
    }

    /// The same under another limit: a broken one stays so until it is over, evidence for one not yet
    /// broken is worth nothing.
    #[must_use]
    pub fn under_another_limit(self) -> Trip {
        if self.is_active() { self } else { Trip { standing: Standing::Quiet, ..self } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Turn::{Off, On};

    const MIN: i64 = 60_000;
    /// Minute, value, what changes.
    type Row = (i64, f64, Option<Turn>);

    fn run(rule: Rule, gap_min: i64, rows: &[Row]) {
        let mut trip = Trip::default();
        for (minute, value, expected) in rows {
            let turn = trip.step(&rule, Stamp(minute * MIN), *value, gap_min * MIN);
            assert_eq!(turn, *expected, "at minute {minute}, {value}");
        }
    }

    fn high(on_min: i64, off_min: i64) -> Rule {
        Rule {
            side: Side::Over,
            limit: 28.0,
            on: Evidence::Lasting(on_min * MIN),
            off_ms: off_min * MIN,
            deadband: 1.0,
        }
    }

    #[test]
    fn delays_and_deadband() {
        run(
            high(30, 60),
            60,
            &[
                (0, 28.0, None), // at the limit is not over it
                (10, 28.1, None),
                (39, 28.1, None),
                (40, 28.2, Some(On)), // 30 min
                (50, 27.5, None),     // inside the limit, not by the deadband
                (60, 27.0, None),     // by the deadband: calm begins
                (100, 27.1, None),    // and ends
                (110, 26.9, None),
                (169, 26.9, None),
                (170, 26.9, Some(Off)),
                (171, 28.5, None),
                (180, 27.9, None), // back within the limit: the on-delay starts anew
                (190, 28.5, None),
                (219, 28.5, None),
                (220, 28.5, Some(On)),
            ],
        );
    }

    #[test]
    fn without_delays_one_reading_decides() {
        run(high(0, 0), 15, &[(0, 29.0, Some(On)), (1, 27.5, None), (2, 27.0, Some(Off)), (3, 28.1, Some(On))]);
    }

    #[test]
    fn a_gap_restarts_a_delay_and_clears_nothing() {
        run(
            high(30, 60),
            15,
            &[
                (0, 29.0, None),
                (14, 29.0, None),
                (40, 29.0, None), // 26 min of nothing
                (55, 29.0, None),
                (70, 29.0, Some(On)),
                (80, 26.0, None),
                (200, 26.0, None), // a silence does not show that it stayed calm
                (215, 26.0, None),
                (230, 26.0, None),
                (245, 26.0, None),
                (260, 26.0, Some(Off)),
            ],
        );
    }

    #[test]
    fn under_is_the_mirror_of_over() {
        let rule = Rule { side: Side::Under, limit: 20.0, on: Evidence::Lasting(10 * MIN), off_ms: 0, deadband: 1.0 };
        run(
            rule,
            15,
            &[(0, 20.0, None), (5, 19.9, None), (15, 19.9, Some(On)), (16, 20.9, None), (17, 21.0, Some(Off))],
        );
    }

    #[test]
    fn two_readings_or_a_lone_one() {
        let rule =
            Rule { side: Side::AtOrOver, limit: 31.0, on: Evidence::TwoOr(2 * MIN), off_ms: 30 * MIN, deadband: 1.5 };
        run(rule, 60, &[(0, 31.0, None), (1, 31.2, Some(On))]);
        run(rule, 60, &[(0, 31.0, None), (1, 30.9, None), (2, 31.0, None), (3, 31.0, Some(On))]);
        // Nothing followed within two minutes: the lone one counted, whatever came after.
        run(rule, 60, &[(0, 31.0, None), (10, 25.0, Some(On)), (40, 25.0, Some(Off))]);
        let mut trip = Trip::default();
        assert_eq!(trip.step(&rule, Stamp(0), 33.0, 60 * MIN), None);
        assert_eq!(trip.lapse(&rule, Stamp(2 * MIN - 1)), None);
        assert_eq!(trip.lapse(&rule, Stamp(2 * MIN)), Some(Stamp(2 * MIN)));
        assert_eq!(trip.lapse(&rule, Stamp(3 * MIN)), None);
        assert_eq!(trip.since(), Some(Stamp(0)));
    }

    #[test]
    fn a_value_not_later_than_the_last_is_ignored() {
        run(high(0, 0), 15, &[(5, 27.5, None), (5, 30.0, None), (4, 30.0, None), (6, 30.0, Some(On))]);
        let mut trip = Trip::restored(Stamp(0), Stamp(10 * MIN));
        assert_eq!(trip.step(&high(0, 0), Stamp(9 * MIN), 20.0, 60 * MIN), None);
        assert!(trip.is_active());
    }

    #[test]
    fn a_deadband_of_nothing_still_needs_the_limit_kept() {
        let rule = Rule { side: Side::AtOrOver, limit: 31.0, on: Evidence::Lasting(0), off_ms: 0, deadband: 0.0 };
        run(rule, 15, &[(0, 31.0, Some(On)), (1, 31.0, None), (2, 30.9, Some(Off))]);
    }
}
