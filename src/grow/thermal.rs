//! Thermal time: degree-hours and heat stress of one tub, with their coverage and bounds.
//!
//! In: good, corrected temperatures of the tub's core, or of its space's air, in time order. Out:
//! [`Figures`]. The same accumulator runs live and over stored samples, so both give the same figures.
//! Left out: which readings are good (judged before), and what is done with the figures (`due`).
//!
//! The rate of growth is taken as f(T) = 0 up to the culture's base, T - base up to its cap, cap - base
//! from there on (the "horizontal cutoff" of F. G. Zalom and others, Degree-days: the calculation and
//! use of heat units in pest management, UC DANR Leaflet 21373, 1983), and 0 at or over its damage limit.

use std::collections::VecDeque;

use super::culture::Thermal;
use crate::climate::Stamp;
use crate::climate::run::{Block, Run};
pub use crate::climate::series::Gaps;
use crate::climate::series::{Line, Piece, coverage};
use crate::climate::stamp::{DAY_MS, HOUR_MS};

/// How much measured time the present rate is taken over.
const RATE_SPAN_MS: i64 = 2 * DAY_MS;
/// Marks kept of it: one each measured hour, one before them, one spare.
const MARKS_MAX: usize = (RATE_SPAN_MS / HOUR_MS) as usize + 2;

/// The rate of growth at `t_c`, in °C over base (degree-hours per hour).
pub fn rate_c(thermal: &Thermal, t_c: f64) -> f64 {
    if t_c >= thermal.damage_c { 0.0 } else { (t_c.min(thermal.cap_c) - thermal.base_c).max(0.0) }
}

/// The exact integral of f(T) over one straight piece, °C·h: crossings of base, cap and damage limit
/// are solved, not sampled. Makes sense for base < cap <= damage.
#[inline]
pub fn degree_hours(piece: &Piece, thermal: &Thermal) -> f64 {
    let Thermal { base_c, cap_c, damage_c, .. } = *thermal;
    let (low, high) = piece.range();
    if high <= base_c || low >= damage_c {
        return 0.0;
    }
    if low >= base_c && high <= cap_c && high < damage_c {
        return (piece.mean() - base_c) * piece.hours();
    }
    let plateau = (cap_c - base_c).max(0.0);
    if low >= cap_c && high < damage_c {
        return plateau * piece.hours();
    }
    // On a straight line, time between two temperatures is proportional to their distance: the part
    // from `foot` to `knee` rises with the temperature, the part from there to `edge` is level.
    let foot = base_c.max(low);
    let edge = damage_c.min(high);
    let knee = cap_c.max(foot).min(edge);
    let hours_per_degree = piece.hours() / (high - low);
    let rising = (knee - foot) * (0.5 * (foot + knee) - base_c);
    (rising + (edge - knee) * plateau) * hours_per_degree
}

/// The same integral over a block; `None` where it crosses base, cap or damage limit.
fn block_degree_hours(block: &Block<'_>, thermal: &Thermal) -> Option<f64> {
    let Thermal { base_c, cap_c, damage_c, .. } = *thermal;
    let (low, high) = block.range();
    if high <= base_c || low >= damage_c {
        Some(0.0)
    } else if low >= base_c && high <= cap_c && high < damage_c {
        Some(block.integral_over(base_c))
    } else if low >= cap_c && high < damage_c {
        Some((cap_c - base_c).max(0.0) * block.hours())
    } else {
        None
    }
}

/// One tub's thermal time up to a moment.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Figures {
    /// °C·h over base, capped; unbridged time adds nothing.
    pub degree_hours: f64,
    /// °C·h that are certain: bridged gaps over the doubtful limit add nothing either. Never over `degree_hours`.
    pub low: f64,
    /// °C·h if all unbridged time had been spent at the optimum. Never under `degree_hours`.
    pub high: f64,
    /// °C·h over the top of the band.
    pub heat_stress: f64,
    /// Hours covered by readings or bridged between them.
    pub hours_measured: f64,
    /// Hours since the start, up to the moment asked for.
    pub hours_elapsed: f64,
    /// When `degree_hours` reached the low end of the requirement.
    pub reached_low: Option<Stamp>,
    /// When `degree_hours` reached the high end of the requirement.
    pub reached_high: Option<Stamp>,
}

impl Figures {
    /// Hours measured over hours elapsed, 0..=1; 1 when nothing has elapsed.
    pub fn coverage(&self) -> f64 {
        coverage(self.hours_measured, self.hours_elapsed)
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Mark {
    measured_ms: i64,
    degree_hours: f64,
}

/// Gathers one tub's thermal time from its temperatures, in time order. Bounded memory, about 1.5 kB.
#[derive(Clone, Debug, PartialEq)]
pub struct Exposure {
    thermal: Thermal,
    stress_top_c: Option<f64>,
    line: Line,
    degree_hours: f64,
    low: f64,
    heat_stress: f64,
    reached_low: Option<Stamp>,
    reached_high: Option<Stamp>,
    marks: VecDeque<Mark>,
}

impl Exposure {
    /// Counts from `start` (when the tub was spawned); `stress_top_c` is the top of its band, °C:
    /// without one there is no heat stress.
    pub fn new(thermal: Thermal, stress_top_c: Option<f64>, start: Stamp) -> Exposure {
        let mut marks = VecDeque::with_capacity(MARKS_MAX);
        marks.push_back(Mark { measured_ms: 0, degree_hours: 0.0 });
        Exposure {
            thermal,
            stress_top_c,
            line: Line::new(start, None),
            degree_hours: 0.0,
            low: 0.0,
            heat_stress: 0.0,
            reached_low: None,
            reached_high: None,
            marks,
        }
    }

    /// The same, but counting no further than `end` (`None`: without an end). Set it before readings
    /// past it are pushed; what has been counted stays.
    #[must_use]
    pub fn ending(mut self, end: Option<Stamp>) -> Exposure {
        self.line.set_end(end);
        self
    }

    /// Another top of the band from here on, °C (the stage or the source changed): the piece that
    /// leads to the next reading is judged by it.
    pub fn set_stress_top_c(&mut self, stress_top_c: Option<f64>) {
        self.stress_top_c = stress_top_c;
    }

    /// Takes the next good, corrected temperature, °C, in time order, and the straight piece that
    /// leads to it from the last one.
    ///
    /// `source` marks where it was measured (any number that differs between probes): time between
    /// readings of different sources is never bridged, for it may be another place, and counts as not
    /// measured. Of a piece that begins before the start only the part after it counts. A reading at or
    /// before the last one's time is ignored, so where two sources read in the same millisecond the one
    /// to be believed is pushed first.
    #[inline]
    pub fn push(&mut self, source: u32, at: Stamp, temperature_c: f64, gaps: Gaps) {
        let Some(piece) = self.line.push(source, at, temperature_c, gaps) else { return };
        let gained = degree_hours(&piece, &self.thermal);
        let before = self.degree_hours;
        self.degree_hours += gained;
        if !piece.doubtful {
            self.low += gained;
        }
        if let Some(top) = self.stress_top_c {
            self.heat_stress += piece.excess_over(top);
        }
        let requirement = self.thermal.requirement;
        if self.reached_low.is_none() && self.degree_hours >= requirement.low {
            self.reached_low = Some(moment_reached(&piece, &self.thermal, requirement.low - before));
        }
        if self.reached_high.is_none() && self.degree_hours >= requirement.high {
            self.reached_high = Some(moment_reached(&piece, &self.thermal, requirement.high - before));
        }
        self.mark();
    }

    /// Takes many readings of one source in time order; the same as pushing them one by one, faster.
    pub fn push_run(&mut self, source: u32, run: Run<'_>, gaps: Gaps) {
        if let Some((at, value)) = run.first() {
            self.push(source, at, value, gaps);
        }
        let mut rest = run;
        // None reaches beyond a mark, so that none has to be parted.
        while let Some(block) = rest.next_block(self.until_mark_ms().unwrap_or(i64::MAX)) {
            self.take_block(source, &block, gaps);
        }
    }

    /// Measured time until the next mark is due.
    fn until_mark_ms(&self) -> Option<i64> {
        let until_ms = HOUR_MS - self.line.measured_ms() + self.marks.back()?.measured_ms;
        (until_ms > 0).then_some(until_ms)
    }

    /// Takes a block that begins with the last reading pushed; the same as pushing its later readings.
    pub fn push_block(&mut self, source: u32, block: &Block<'_>, gaps: Gaps) {
        if let Some(until_mark_ms) = self.until_mark_ms()
            && until_mark_ms < block.span_ms()
            && let Some((before, after)) = block.split_after(until_mark_ms)
        {
            self.take_block(source, &before, gaps);
            self.push_block(source, &after, gaps);
        } else {
            self.take_block(source, block, gaps);
        }
    }

    /// Of a block with a mark at its end at most.
    fn take_block(&mut self, source: u32, block: &Block<'_>, gaps: Gaps) {
        let gained = block_degree_hours(block, &self.thermal);
        let stress = self.stress_top_c.map_or(Some(0.0), |top| block.excess_over(top));
        if let (Some(gained), Some(stress)) = (gained, stress)
            && self.reaches_nothing(gained)
            && self.line.take(source, block, gaps)
        {
            self.degree_hours += gained;
            self.low += gained;
            self.heat_stress += stress;
            self.mark();
        } else if let Some((before, after)) = block.halves() {
            self.take_block(source, &before, gaps);
            self.take_block(source, &after, gaps);
        } else {
            block.later().iter().for_each(|(at, value)| self.push(source, at, value, gaps));
        }
    }

    /// Whether `gained` more reaches neither end of the requirement.
    fn reaches_nothing(&self, gained: f64) -> bool {
        let (total, requirement) = (self.degree_hours + gained, self.thermal.requirement);
        (self.reached_low.is_some() || total < requirement.low)
            && (self.reached_high.is_some() || total < requirement.high)
    }

    /// Remembers the figure once each measured hour, for the rate.
    fn mark(&mut self) {
        let measured_ms = self.line.measured_ms();
        let is_due = self.marks.back().is_none_or(|mark| measured_ms - mark.measured_ms >= HOUR_MS);
        if !is_due {
            return;
        }
        self.marks.push_back(Mark { measured_ms, degree_hours: self.degree_hours });
        // The newest mark that is old enough stays, and those after it.
        while self.marks.get(1).is_some_and(|mark| measured_ms - mark.measured_ms >= RATE_SPAN_MS) {
            self.marks.pop_front();
        }
    }

    /// The figures at `now`. Time from the last reading to `now` is not measured (yet): it adds to the
    /// hours elapsed and to the high bound. A `now` before the last reading counts as that reading's time.
    ///
    /// A bridged piece adds its straight line to the figure and to the high bound, a doubtful one too;
    /// only the low bound leaves a doubtful one out. So the high bound is the figure plus
    /// (cap - base) for each hour not measured.
    pub fn figures(&self, now: Stamp) -> Figures {
        let hours_measured = self.line.hours_measured();
        let hours_elapsed = self.line.hours_elapsed(now);
        let missing = (hours_elapsed - hours_measured).max(0.0);
        Figures {
            degree_hours: self.degree_hours,
            low: self.low,
            high: self.degree_hours + missing * (self.thermal.cap_c - self.thermal.base_c).max(0.0),
            heat_stress: self.heat_stress,
            hours_measured,
            hours_elapsed,
            reached_low: self.reached_low,
            reached_high: self.reached_high,
        }
    }

    /// Degree-hours gained per hour over the last two days of measured time (two days and up to an
    /// hour, or what there is). `None` before one hour has been measured.
    pub fn rate_per_hour(&self) -> Option<f64> {
        let oldest = self.marks.front()?;
        let measured_ms = self.line.measured_ms() - oldest.measured_ms;
        let hours = measured_ms as f64 / HOUR_MS as f64;
        (measured_ms >= HOUR_MS).then(|| (self.degree_hours - oldest.degree_hours) / hours)
    }

    /// When it began to count.
    pub fn start(&self) -> Stamp {
        self.line.start()
    }

    /// When the last reading was.
    pub fn last_at(&self) -> Option<Stamp> {
        self.line.last_at()
    }
}

/// The moment on `piece`, to the millisecond, by which it has gained `wanted` degree-hours.
fn moment_reached(piece: &Piece, thermal: &Thermal, wanted: f64) -> Stamp {
    let (mut before, mut reached) = (piece.from.0, piece.to.0);
    while reached - before > 1 {
        let middle = before + (reached - before) / 2;
        let gained = piece.within(piece.from, Stamp(middle)).map_or(0.0, |part| degree_hours(&part, thermal));
        if gained >= wanted {
            reached = middle;
        } else {
            before = middle;
        }
    }
    Stamp(reached)
}

/// Which of a space's air probes speaks: the first listed that gave a good reading of late. Whole
/// runs are taken in `speaking.rs`.
///
/// Feed it every good temperature reading of the space's air probes in time order, readings of the
/// same millisecond in the order of the list. It looks only back, so that the live daemon and a
/// reading of the store decide alike.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Preference {
    pub(super) speaks_until: Vec<Option<Stamp>>,
}

impl Preference {
    /// Among `probes` probes, the space's air probes in the config's order.
    pub fn new(probes: usize) -> Preference {
        Preference { speaks_until: vec![None; probes] }
    }

    /// Whether the good reading at `at` of the probe at position `rank` of the list counts: it does
    /// where no earlier-listed probe gave one within its own bridge limit before it (or at the same
    /// time). `bridge_ms` is the limit of the probe that reads now, [`Gaps::bridge_ms`]. A rank
    /// outside the list never counts.
    pub fn take(&mut self, rank: usize, at: Stamp, bridge_ms: i64) -> bool {
        let Some(own) = self.speaks_until.get_mut(rank) else { return false };
        *own = (*own).max(Some(at.plus(bridge_ms)));
        !self.speaks_until[..rank].iter().flatten().any(|until| *until >= at)
    }
}
