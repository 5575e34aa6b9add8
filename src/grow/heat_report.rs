//! What a heat run says: its phases, its verdict, its events, and how it stands.
//!
//! In: nothing; these are the types `heat_run` gives out. Left out: sentences for the grower.

use crate::climate::Stamp;
use crate::climate::lethality::Scale;

/// Where a run stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// The coldest probe has not reached the target yet.
    Heating,
    /// It has, and the hold is not over; it may be paused.
    Hold,
    /// The hold is over, or the heat went before it was.
    Cooling,
    /// The hold is over and the hottest probe is below the spawning temperature.
    Ready,
}

impl Phase {
    /// The word used in pages and JSON.
    pub fn word(self) -> &'static str {
        match self {
            Phase::Heating => "heating",
            Phase::Hold => "hold",
            Phase::Cooling => "cooling",
            Phase::Ready => "ready",
        }
    }
}

/// What can be said of a run's hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Every probe was at or over the target together for the whole hold.
    Held,
    /// It was not held for long enough, whatever went unmeasured.
    Short,
    /// A probe was missing or silent for over five minutes, so that it cannot be told.
    Unproven,
}

impl Verdict {
    /// The word used in pages, JSON and CSV.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Held => "held",
            Verdict::Short => "short",
            Verdict::Unproven => "unproven",
        }
    }
}

/// What happened. `probe` is a place in the plan's list.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs)] // `at` is when it happened, `_c` are °C, `_ms` milliseconds
pub enum Event {
    /// The coldest probe reached the target for the first time.
    HoldBegan { at: Stamp },
    /// The coldest probe has been under the target for [`LOST_AFTER_MS`](super::heat_plan::LOST_AFTER_MS),
    /// since `since`: more heat. What was earned stays earned.
    HoldLost { at: Stamp, since: Stamp, probe: usize, value_c: f64 },
    /// After that, the coldest probe is back at the target.
    HoldResumed { at: Stamp, earned_ms: i64 },
    /// The hold has been earned; `proven` when no probe was missing meanwhile.
    HoldReached { at: Stamp, proven: bool },
    /// It went on, and now all probes together have held it.
    HoldProven { at: Stamp },
    /// The hottest probe fell below the spawning temperature after the hold had begun. `hold_reached`
    /// false: it cooled too early. `everywhere` false: a probe is lost, and may be hotter.
    CoolEnough { at: Stamp, hold_reached: bool, everywhere: bool },
    /// After that, a probe is over 1 °C too warm again.
    WarmAgain { at: Stamp, probe: usize, value_c: f64 },
    /// A probe passed [`CEILING_C`](super::heat_run::CEILING_C) for the first time: a note, nothing is wrong.
    OverCeiling { at: Stamp, probe: usize, value_c: f64 },
    /// A probe has given nothing to believe for over [`GAP_MS`](super::heat_run::GAP_MS).
    ProbeLost { at: Stamp, probe: usize, last_at: Option<Stamp> },
    /// It is back.
    ProbeBack { at: Stamp, probe: usize },
}

impl Event {
    /// When it happened.
    pub fn at(&self) -> Stamp {
        match *self {
            Event::HoldBegan { at }
            | Event::HoldLost { at, .. }
            | Event::HoldResumed { at, .. }
            | Event::HoldReached { at, .. }
            | Event::HoldProven { at }
            | Event::CoolEnough { at, .. }
            | Event::WarmAgain { at, .. }
            | Event::OverCeiling { at, .. }
            | Event::ProbeLost { at, .. }
            | Event::ProbeBack { at, .. } => at,
        }
    }
}

/// Whether a probe speaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Voice {
    /// Nothing heard yet.
    Unheard,
    /// Its last reading is good and fresh.
    Reading,
    /// Its last reading could not be believed.
    Implausible,
    /// Nothing to believe for over [`GAP_MS`](super::heat_run::GAP_MS).
    Lost,
}

/// One probe of a run.
#[derive(Clone, Debug, PartialEq)]
pub struct ProbeReport {
    /// Its name.
    pub name: String,
    /// Whether it speaks.
    pub voice: Voice,
    /// Its last good reading, °C, and when.
    pub now: Option<(Stamp, f64)>,
    /// Robust slope of its last quarter of an hour, °C/h.
    pub slope_c_per_h: Option<f64>,
    /// Minutes to the target at that slope (0 where it is there); none while it is not getting nearer.
    pub minutes_to_target: Option<f64>,
    /// Minutes to the spawning temperature at that slope; cooling slows down, so rather more.
    pub minutes_to_spawn: Option<f64>,
    /// Milliseconds this probe alone was at or over the target.
    pub at_target_ms: i64,
    /// Its hottest good reading, °C, and when.
    pub peak: Option<(Stamp, f64)>,
    /// Lethality of its course, in units of the run's scale; gaps add nothing.
    pub units: f64,
    /// Silences of over [`GAP_MS`](super::heat_run::GAP_MS), the present one too.
    pub gaps: u32,
    /// The longest of them, ms.
    pub longest_gap_ms: i64,
    /// All of them, ms.
    pub unmeasured_ms: i64,
}

/// A run as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Report {
    /// Where it stands.
    pub phase: Phase,
    /// What could be said if it ended now; [`Verdict::Held`] is final.
    pub verdict: Verdict,
    /// The hold is under way and the coldest probe is under the target.
    pub paused: bool,
    /// Milliseconds earned by the coldest valid probe; goes on past the hold.
    pub earned_ms: i64,
    /// Of them, with every probe of the run valid.
    pub proven_ms: i64,
    /// Milliseconds without any valid probe.
    pub unknown_ms: i64,
    /// How often the hold paused.
    pub pauses: u32,
    /// For how long, ms.
    pub paused_ms: i64,
    /// When the hold began.
    pub began_at: Option<Stamp>,
    /// When it was earned.
    pub reached_at: Option<Stamp>,
    /// When it became cool enough to spawn.
    pub cool_at: Option<Stamp>,
    /// When the grower ended it.
    pub ended_at: Option<Stamp>,
    /// The coldest and the hottest probe that speak, with their last reading, °C.
    pub coldest: Option<(usize, f64)>,
    /// See `coldest`.
    pub hottest: Option<(usize, f64)>,
    /// The scale of all units here.
    pub scale: Scale,
    /// The least units of any probe: what the worst measured place has had.
    pub least_units: f64,
    /// A probe passed [`CEILING_C`](super::heat_run::CEILING_C).
    pub over_ceiling: bool,
    /// Readings that came too late to count: fold the run again from the store.
    pub late_readings: u32,
    /// Each probe, in the plan's order.
    pub probes: Vec<ProbeReport>,
}

impl Report {
    /// The verdict in words: of a run with one probe, `held where measured`.
    pub fn verdict_words(&self) -> &'static str {
        if self.verdict == Verdict::Held && self.probes.len() == 1 {
            "held where measured"
        } else {
            self.verdict.word()
        }
    }
}
