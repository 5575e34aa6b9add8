//! When a sample was measured, as far as its message tells.
//!
//! In: one probe's messages in the order they arrived, each with its own time (or none), the time
//! of arrival and how it came. Out: the same messages with the time they are stored under, and
//! good, undated or future as the quality known so far. A payload rides along untouched.
//! Left out: whether the probe and time are already stored; the store's index knows.
//!
//! A message without a time of its own is dated by its arrival, unless that says nothing: the
//! broker had kept it, it is marked as a repeat, or it belongs to the backlog that a broker hands
//! over when a session goes on. A backlog comes faster than the probe speaks, so each message after
//! the first shows it by its distance; the first is held for a moment to see what follows.

use crate::climate::stamp::{MINUTE_MS, SECOND_MS};
use crate::climate::{Quality, Stamp};

/// A time of its own later than arrival by more than this is of the future. Clocks of probes set
/// over a network are seconds apart, not minutes.
pub const FUTURE_MS: i64 = 2 * MINUTE_MS;
/// 2000-01-01T00:00:00Z. An earlier time is a clock that was never set (they start at 1970, some
/// at 1980): no time at all.
const CLOCK_UNSET_BEFORE: Stamp = Stamp(946_684_800_000);

/// Whether a probe's own time is one at all: the clock that gave it was set.
pub fn was_set(own: &Stamp) -> bool {
    *own >= CLOCK_UNSET_BEFORE
}

/// Two messages nearer than this are a burst however seldom the probe is expected: a probe that
/// speaks oftener than its `every` says must not be taken for a backlog for ever.
const BURST_MS_MAX: i64 = 5 * SECOND_MS;
/// Arrivals this near after one already given out move on by a millisecond instead.
const SAME_MOMENT_MS: i64 = SECOND_MS;

/// How a message came, where that bears on its dating.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Carriage {
    /// The broker had kept it (MQTT retain flag).
    pub retained: bool,
    /// Marked as a repeat (MQTT dup flag).
    pub repeat: bool,
    /// Which connection of its source brought it, counted from 1.
    pub connection: u64,
    /// That connection found the broker's session still there, so a backlog may come first.
    pub resumed: bool,
}

/// One message to be dated.
#[derive(Clone, Debug, PartialEq)]
pub struct Arrival<T> {
    /// Its own time, if it carries one.
    pub own: Option<Stamp>,
    /// When it arrived, by the machine's clock.
    pub received: Stamp,
    /// How it came.
    pub carriage: Carriage,
    /// What rides along.
    pub payload: T,
}

/// One message, dated.
#[derive(Clone, Debug, PartialEq)]
pub struct Dated<T> {
    /// The time it is stored under.
    pub at: Stamp,
    /// `Good`, `Undated` or `Future`.
    pub quality: Quality,
    /// True where `at` is the message's own time, so that the same time again is the same message.
    pub own_time: bool,
    /// When it arrived.
    pub received: Stamp,
    /// What rode along.
    pub payload: T,
}

/// The dating of one probe's messages.
#[derive(Debug)]
pub struct Dating<T> {
    every_ms: i64,
    /// The connection being looked at; 0 before the first.
    connection: u64,
    /// A backlog may still be coming in.
    in_backlog: bool,
    /// Arrival of the message before, of those without a time of their own on this connection.
    before: Option<Stamp>,
    /// The first message after a resumed connection. At most one is ever held.
    held: Option<Arrival<T>>,
    /// The last time given out by arrival.
    given: Option<Stamp>,
}

impl<T> Dating<T> {
    /// For a probe expected to report every `every_ms` milliseconds.
    pub fn new(every_ms: i64) -> Dating<T> {
        Dating { every_ms, connection: 0, in_backlog: false, before: None, held: None, given: None }
    }

    /// Messages nearer than this are a burst: a quarter of `every`, at most 5 s.
    fn burst_ms(&self) -> i64 {
        (self.every_ms / 4).min(BURST_MS_MAX)
    }

    /// How long the first message waits. Half a burst's distance: were the broker to stop sending
    /// until it is told of the held ones, the next would still be seen to belong to a burst.
    fn hold_ms(&self) -> i64 {
        self.burst_ms() / 2
    }

    /// Takes the next message and appends what is dated by now, in order.
    pub fn arrive(&mut self, arrival: Arrival<T>, out: &mut Vec<Dated<T>>) {
        if arrival.carriage.connection != self.connection {
            self.finish(out); // what follows comes another way, so what was held cannot be told any more
            self.connection = arrival.carriage.connection;
            self.in_backlog = arrival.carriage.resumed;
            self.before = None;
        }
        if let Some(own) = arrival.own.filter(was_set) {
            let future = own.since(arrival.received) > FUTURE_MS;
            let quality = if future { Quality::Future } else { Quality::Good };
            let Arrival { received, payload, .. } = arrival;
            out.push(Dated { at: own, quality, own_time: true, received, payload });
            return;
        }
        if arrival.carriage.retained || arrival.carriage.repeat {
            self.give(arrival, Quality::Undated, out);
            return;
        }
        let distance = self.before.map(|before| arrival.received.since(before).max(0));
        self.before = Some(arrival.received);
        if !self.in_backlog {
            self.give(arrival, Quality::Good, out);
            return;
        }
        match distance {
            None => self.held = Some(arrival),
            Some(distance) if distance < self.burst_ms() => {
                self.finish(out);
                self.give(arrival, Quality::Undated, out);
            }
            Some(_) => {
                self.in_backlog = false;
                self.release(Quality::Good, out);
                self.give(arrival, Quality::Good, out);
            }
        }
    }

    /// Gives out a held message once nothing has followed it for long enough: then it was live.
    pub fn tick(&mut self, now: Stamp, out: &mut Vec<Dated<T>>) {
        // A clock that was set back must not hold a message for ever, hence the absolute distance.
        if self.held.as_ref().is_some_and(|held| now.since(held.received).abs() >= self.hold_ms()) {
            self.release(Quality::Good, out);
        }
    }

    /// When [`Dating::tick`] is next of use.
    pub fn due(&self) -> Option<Stamp> {
        self.held.as_ref().map(|held| held.received.plus(self.hold_ms()))
    }

    /// Gives out what is held, as undated: at the end, or where it cannot be told any more.
    pub fn finish(&mut self, out: &mut Vec<Dated<T>>) {
        self.release(Quality::Undated, out);
    }

    fn release(&mut self, quality: Quality, out: &mut Vec<Dated<T>>) {
        if let Some(held) = self.held.take() {
            self.give(held, quality, out);
        }
    }

    /// By arrival, moved on by a millisecond where that moment was just given out.
    fn give(&mut self, arrival: Arrival<T>, quality: Quality, out: &mut Vec<Dated<T>>) {
        let Arrival { received, payload, .. } = arrival;
        let at = match self.given {
            Some(given) if received <= given && given.since(received) < SAME_MOMENT_MS => given.plus(1),
            _ => received,
        };
        self.given = Some(at);
        out.push(Dated { at, quality, own_time: false, received, payload });
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// 2026-11-25T06:00:00Z.
    const START: i64 = 1_795_586_400_000;

    fn message(ms: i64, own: Option<i64>, carriage: Carriage) -> Arrival<i64> {
        Arrival { own: own.map(Stamp), received: Stamp(START + ms), carriage, payload: ms }
    }

    /// (payload, time after START, quality) of what came out.
    fn brief(out: &[Dated<i64>]) -> Vec<(i64, i64, Quality)> {
        out.iter().map(|dated| (dated.payload, dated.at.0 - START, dated.quality)).collect()
    }

    const LIVE: Carriage = Carriage { retained: false, repeat: false, connection: 1, resumed: false };
    const RESUMED: Carriage = Carriage { resumed: true, ..LIVE };

    #[test]
    fn own_time_and_the_lack_of_it() {
        use Quality::{Future, Good, Undated};
        let retained = Carriage { retained: true, ..LIVE };
        let repeat = Carriage { repeat: true, ..LIVE };
        for (what, own, carriage, at, quality) in [
            ("live", None, LIVE, 0, Good),
            ("kept by the broker", None, retained, 0, Undated),
            ("a repeat", None, repeat, 0, Undated),
            ("its own time", Some(START - 90_000), LIVE, -90_000, Good),
            ("its own time, kept by the broker", Some(START - 90_000), retained, -90_000, Good),
            ("its own time in a backlog", Some(START - 90_000), RESUMED, -90_000, Good),
            ("a little fast", Some(START + 120_000), LIVE, 120_000, Good),
            ("of the future", Some(START + 120_001), LIVE, 120_001, Future),
            ("a clock never set", Some(12_000), LIVE, 0, Good),
            ("a clock never set, kept by the broker", Some(12_000), retained, 0, Undated),
        ] {
            let (mut dating, mut out) = (Dating::new(10_000), Vec::new());
            dating.arrive(message(0, own, carriage), &mut out);
            assert_eq!(brief(&out), [(0, at, quality)], "{what}");
            assert_eq!(out[0].own_time, own.is_some_and(|own| own > 1_000_000_000), "{what}");
        }
    }

    #[test]
    fn a_backlog_is_undated_and_what_follows_it_is_not() {
        let (mut dating, mut out) = (Dating::new(10_000), Vec::new());
        dating.arrive(message(0, None, RESUMED), &mut out);
        assert!(out.is_empty());
        for ms in [2, 2, 3] {
            dating.arrive(message(ms, None, RESUMED), &mut out);
        }
        let undated = Quality::Undated;
        assert_eq!(brief(&out), [(0, 0, undated), (2, 2, undated), (2, 3, undated), (3, 4, undated)]);
        out.clear();
        for ms in [9_000, 9_100, 19_000] {
            dating.arrive(message(ms, None, RESUMED), &mut out);
        }
        assert!(out.iter().all(|dated| dated.quality == Quality::Good), "{out:?}");
    }

    #[test]
    fn the_first_after_a_resumed_connection_is_live_once_nothing_follows() {
        let (mut dating, mut out) = (Dating::new(10_000), Vec::new());
        dating.arrive(message(0, None, RESUMED), &mut out);
        let due = dating.due().unwrap();
        assert_eq!(due.0 - START, 1_250);
        dating.tick(Stamp(due.0 - 1), &mut out);
        assert!(out.is_empty());
        dating.tick(due, &mut out);
        assert_eq!(brief(&out), [(0, 0, Quality::Good)]);
        // A broker that had waited for it to be acknowledged goes on with its backlog.
        dating.arrive(message(1_300, None, RESUMED), &mut out);
        assert_eq!(out[1].quality, Quality::Undated);
        dating.arrive(message(11_300, None, RESUMED), &mut out);
        assert_eq!(out[2].quality, Quality::Good);
    }

    #[test]
    fn a_connection_without_a_session_has_no_backlog() {
        let (mut dating, mut out) = (Dating::new(10_000), Vec::new());
        for ms in [0, 1, 2] {
            dating.arrive(message(ms, None, LIVE), &mut out);
        }
        assert!(out.iter().all(|dated| dated.quality == Quality::Good));
    }

    #[test]
    fn a_held_message_is_undated_when_the_connection_breaks_or_all_ends() {
        let (mut dating, mut out) = (Dating::new(10_000), Vec::new());
        dating.arrive(message(0, None, RESUMED), &mut out);
        dating.arrive(message(100, None, Carriage { connection: 2, ..RESUMED }), &mut out);
        assert_eq!(brief(&out), [(0, 0, Quality::Undated)]);
        dating.finish(&mut out);
        assert_eq!(brief(&out)[1], (100, 100, Quality::Undated));
    }

    #[test]
    fn a_clock_set_back_does_not_move_the_time_of_arrival() {
        let (mut dating, mut out) = (Dating::new(10_000), Vec::new());
        dating.arrive(message(0, None, LIVE), &mut out);
        dating.arrive(message(-3_600_000, None, LIVE), &mut out);
        assert_eq!(out[1].at.0 - START, -3_600_000);
    }
}
