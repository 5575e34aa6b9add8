//! The hold's clock of a heat run: what the probes together earned, span by span.
//!
//! In: spans in time order, in each of which the coldest and the hottest valid probe stay on one side of
//! every limit. Out: milliseconds earned, proven, unknown, and the events of hold and cooling.
//! Left out: which probe is valid when (`heat_run`).

use super::heat_plan::{LOST_AFTER_MS, Plan};
use super::heat_report::{Event, Phase, Verdict};
use crate::climate::Stamp;

/// Ready to spawn ends only this far over the spawning temperature, °C.
const WARM_AGAIN_C: f64 = 1.0;
/// The heat has gone when the hottest probe has fallen by this, °C …
const FALL_C: f64 = 10.0;
/// … until it has risen by this again, °C. (Both common practice, no source.)
const RISE_C: f64 = 5.0;

/// One probe in a span.
#[derive(Clone, Copy, Debug)]
pub(super) struct Here {
    pub probe: usize,
    /// In the middle, which says on which side of a limit the whole span is, °C.
    pub middle_c: f64,
    /// At the end, °C.
    pub end_c: f64,
}

/// A stretch of time in which nothing crosses a limit.
#[derive(Clone, Copy, Debug)]
pub(super) struct Span {
    pub from: Stamp,
    pub to: Stamp,
    pub coldest: Option<Here>,
    pub hottest: Option<Here>,
    /// Probes of the run without a line here.
    pub missing: usize,
}

/// Tells a run that has lost its heat from one still heating.
#[derive(Clone, Copy, Debug)]
struct Swing {
    extreme_c: f64,
    is_falling: bool,
}

impl Swing {
    fn step(&mut self, hottest_c: f64) {
        let turned =
            if self.is_falling { hottest_c - self.extreme_c >= RISE_C } else { self.extreme_c - hottest_c >= FALL_C };
        if turned {
            self.is_falling = !self.is_falling;
            self.extreme_c = hottest_c;
        } else if self.is_falling {
            self.extreme_c = self.extreme_c.min(hottest_c);
        } else {
            self.extreme_c = self.extreme_c.max(hottest_c);
        }
    }
}

/// What the spans so far amount to.
#[derive(Clone, Debug)]
pub(super) struct Clock {
    target_c: f64,
    hold_ms: i64,
    spawn_below_c: f64,
    pub earned_ms: i64,
    pub proven_ms: i64,
    pub unknown_ms: i64,
    pub pauses: u32,
    pub paused_ms: i64,
    pub began_at: Option<Stamp>,
    pub reached_at: Option<Stamp>,
    pub proven_at: Option<Stamp>,
    pub cool_at: Option<Stamp>,
    under_since: Option<Stamp>,
    /// The hold was told to be lost, under the target since then.
    told_since: Option<Stamp>,
    is_cool: bool,
    last_hottest_c: Option<f64>,
    swing: Swing,
}

impl Clock {
    pub fn new(plan: &Plan) -> Clock {
        Clock {
            target_c: plan.hold_at_c(),
            hold_ms: plan.hold_for_ms(),
            spawn_below_c: plan.spawn_below_c(),
            earned_ms: 0,
            proven_ms: 0,
            unknown_ms: 0,
            pauses: 0,
            paused_ms: 0,
            began_at: None,
            reached_at: None,
            proven_at: None,
            cool_at: None,
            under_since: None,
            told_since: None,
            is_cool: false,
            last_hottest_c: None,
            swing: Swing { extreme_c: f64::NEG_INFINITY, is_falling: false },
        }
    }

    /// The temperatures a span must not cross, °C.
    pub fn limits(&self) -> [f64; 3] {
        [self.target_c, self.spawn_below_c, self.spawn_below_c + WARM_AGAIN_C]
    }

    /// Counts the next span.
    pub fn step(&mut self, span: &Span, events: &mut Vec<Event>) {
        match span.coldest {
            None => self.unknown_ms += span.to.since(span.from),
            Some(coldest) if coldest.middle_c >= self.target_c => self.earn(span, events),
            Some(coldest) => self.miss(span, coldest, events),
        }
        if let Some(hottest) = span.hottest {
            self.swing.step(hottest.end_c);
            self.last_hottest_c = Some(hottest.end_c);
            self.cool(span, hottest, events);
        }
    }

    fn earn(&mut self, span: &Span, events: &mut Vec<Event>) {
        if self.began_at.is_none() {
            self.began_at = Some(span.from);
            events.push(Event::HoldBegan { at: span.from });
        }
        self.under_since = None;
        if self.told_since.is_some_and(|since| span.from >= since) {
            self.told_since = None;
            events.push(Event::HoldResumed { at: span.from, earned_ms: self.earned_ms });
        }
        let length_ms = span.to.since(span.from);
        // The moment within this span at which a sum that stands at `sum_ms` gets to the whole hold.
        let full_at = |sum_ms: i64| (sum_ms + length_ms >= self.hold_ms).then(|| span.from.plus(self.hold_ms - sum_ms));
        let was_reached = self.reached_at.is_some();
        let was_proven = self.proven_at.is_some();
        self.reached_at = self.reached_at.or(full_at(self.earned_ms));
        if span.missing == 0 {
            self.proven_at = self.proven_at.or(full_at(self.proven_ms));
            self.proven_ms += length_ms;
        }
        self.earned_ms += length_ms;
        match (self.reached_at, self.proven_at) {
            (Some(at), proven) if !was_reached => events.push(Event::HoldReached { at, proven: proven == Some(at) }),
            (_, Some(at)) if !was_proven => events.push(Event::HoldProven { at }),
            _ => {}
        }
    }

    fn miss(&mut self, span: &Span, coldest: Here, events: &mut Vec<Event>) {
        if !self.is_holding() {
            return;
        }
        let since = *self.under_since.get_or_insert_with(|| {
            self.pauses += 1;
            span.from
        });
        self.paused_ms += span.to.since(span.from);
        self.lose(since, span.to, coldest.probe, coldest.end_c, events);
    }

    /// Begun and not over.
    fn is_holding(&self) -> bool {
        self.began_at.is_some() && self.reached_at.is_none()
    }

    /// Says once that the hold is lost, when a probe has been under the target from `since` to `until`
    /// for long enough.
    pub fn lose(&mut self, since: Stamp, until: Stamp, probe: usize, value_c: f64, events: &mut Vec<Event>) {
        let since = self.began_at.map_or(since, |began| began.max(since));
        if self.is_holding() && self.told_since.is_none() && until.since(since) >= LOST_AFTER_MS {
            self.told_since = Some(since);
            events.push(Event::HoldLost { at: since.plus(LOST_AFTER_MS), since, probe, value_c });
        }
    }

    fn cool(&mut self, span: &Span, hottest: Here, events: &mut Vec<Event>) {
        if !self.is_cool && self.began_at.is_some() && hottest.middle_c < self.spawn_below_c {
            self.is_cool = true;
            self.cool_at = Some(span.from);
            let hold_reached = self.reached_at.is_some();
            events.push(Event::CoolEnough { at: span.from, hold_reached, everywhere: span.missing == 0 });
        } else if self.is_cool && hottest.middle_c > self.spawn_below_c + WARM_AGAIN_C {
            self.is_cool = false;
            self.cool_at = None;
            events.push(Event::WarmAgain { at: span.from, probe: hottest.probe, value_c: hottest.end_c });
        }
    }

    pub fn is_paused(&self) -> bool {
        self.is_holding() && self.under_since.is_some()
    }

    pub fn phase(&self) -> Phase {
        let is_gone = self.swing.is_falling && self.last_hottest_c.is_some_and(|hottest| hottest < self.target_c);
        match (self.reached_at, self.began_at) {
            (Some(_), _) if self.is_cool => Phase::Ready,
            (Some(_), _) => Phase::Cooling,
            _ if is_gone => Phase::Cooling,
            (None, Some(_)) => Phase::Hold,
            (None, None) => Phase::Heating,
        }
    }

    /// Held where all probes together were there for the whole hold; short only where even all unknown
    /// time at the target would not have made it.
    pub fn verdict(&self) -> Verdict {
        if self.proven_at.is_some() {
            Verdict::Held
        } else if self.earned_ms + self.unknown_ms >= self.hold_ms {
            Verdict::Unproven
        } else {
            Verdict::Short
        }
    }
}
