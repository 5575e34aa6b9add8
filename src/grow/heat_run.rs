//! Follows one pasteurisation: heating, hold, cooling, ready.
//!
//! In: readings of one or several probes in the substrate (corrected, with whether they are believed),
//! and ticks of time. Out: [`Event`]s as they happen and a [`Report`] at any time. A pure fold: feed it
//! the stored readings in time order and it gives the same again, so a restart or a late reading costs
//! nothing but another fold ([`Report::late_readings`] says when one is due).
//!
//! The hold is earned by the coldest probe that can be believed: an interval counts where every probe
//! with a line through it is at or over the target, crossings solved on the line. It pauses below and is
//! never set back. A silence of over [`GAP_MS`] is no line: a lost probe earns nothing. What was earned
//! while a probe was missing counts as earned but not as proven.
//! Left out: wording, delivery, how heat is made.

use std::collections::VecDeque;

use super::heat_clock::{Clock, Here, Span};
use super::heat_plan::{LOST_AFTER_MS, Plan};
pub use super::heat_report::{Event, Phase, ProbeReport, Report, Verdict, Voice};
use crate::climate::Stamp;
use crate::climate::lethality::Scale;
use crate::climate::series::{Gaps, Line, Piece};
use crate::climate::stamp::{HOUR_MS, MINUTE_MS, SECOND_MS};
use crate::climate::trend::Thinner;

/// A silence longer than this is a gap, ms: nothing is earned over it, and its probe is lost.
pub const GAP_MS: i64 = 5 * MINUTE_MS;
/// Over this only a note is made, °C: overcooked coir loses little (common practice, no source).
pub const CEILING_C: f64 = 80.0;
/// Readings of substrate outside this are not believed whatever the caller says, °C.
pub const PLAUSIBLE_C: std::ops::RangeInclusive<f64> = -20.0..=115.0;
/// Readings of one probe closer than this are shown but make no line of their own, ms: it bounds what
/// waits for a slower probe to at most GAP_MS / 1 s pieces a probe.
const STEP_MS: i64 = SECOND_MS;
/// The present slope is taken over this long, h.
const SLOPE_HOURS: f64 = 0.25;
/// A forecast further off than this says nothing, min.
const FORECAST_MAX_MIN: f64 = 48.0 * 60.0;

/// One probe's course.
#[derive(Clone, Debug)]
struct Track {
    line: Line,
    now: Option<(Stamp, f64)>,
    implausible: bool,
    lost: bool,
    over_ceiling: bool,
    /// Not yet counted, for another probe is behind.
    pieces: VecDeque<Piece>,
    trend: Thinner,
    peak: Option<(Stamp, f64)>,
    units: f64,
    at_target_h: f64,
    under_since: Option<Stamp>,
    gaps: u32,
    longest_gap_ms: i64,
    unmeasured_ms: i64,
}

impl Track {
    fn new(started_at: Stamp) -> Track {
        Track {
            line: Line::new(started_at, None),
            now: None,
            implausible: false,
            lost: false,
            over_ceiling: false,
            pieces: VecDeque::new(),
            trend: Thinner::new(1, 120),
            peak: None,
            units: 0.0,
            at_target_h: 0.0,
            under_since: None,
            gaps: 0,
            longest_gap_ms: 0,
            unmeasured_ms: 0,
        }
    }

    /// The last moment its line reaches; the start before its first reading.
    fn known_to(&self) -> Stamp {
        self.line.last_at().map_or(self.line.start(), |last| last.max(self.line.start()))
    }

    fn silence(&mut self, gap_ms: i64) {
        if gap_ms > GAP_MS {
            self.gaps += 1;
            self.longest_gap_ms = self.longest_gap_ms.max(gap_ms);
            self.unmeasured_ms += gap_ms;
        }
    }

    /// Takes a good reading that is later than the last one.
    fn take(&mut self, at: Stamp, value_c: f64, target_c: f64, scale: Scale) {
        self.implausible = false;
        self.now = Some((at, value_c));
        self.trend.push(at, value_c);
        if at < self.line.start() {
            self.line.push(0, at, value_c, GAPS);
            return;
        }
        if self.peak.is_none_or(|(_, peak)| value_c > peak) {
            self.peak = Some((at, value_c));
        }
        if self.line.last_at().is_some_and(|last| at.since(last) < STEP_MS) {
            return;
        }
        self.silence(at.since(self.known_to()));
        let piece = self.line.push(0, at, value_c, GAPS);
        let was_under = self.under_since.take();
        if value_c < target_c {
            let crossed = piece.and_then(|piece| crossing(&piece, target_c));
            self.under_since = was_under.filter(|_| piece.is_some()).or(crossed).or(Some(at));
        }
        if let Some(piece) = piece {
            self.units += scale.units(&piece);
            self.at_target_h += piece.hours_at_or_over(target_c);
            self.pieces.push_back(piece);
        }
    }

    fn voice(&self) -> Voice {
        match self.now {
            _ if self.lost => Voice::Lost,
            _ if self.implausible => Voice::Implausible,
            None => Voice::Unheard,
            Some(_) => Voice::Reading,
        }
    }
}

/// A silence of up to [`GAP_MS`] is bridged; none of these pieces is doubtful.
const GAPS: Gaps = Gaps { bridge_ms: GAP_MS, doubtful_ms: GAP_MS };

/// Where a piece crosses `limit`, to the millisecond, if it does.
fn crossing(piece: &Piece, limit: f64) -> Option<Stamp> {
    if (piece.from_value < limit) == (piece.to_value < limit) {
        return None;
    }
    let share = (limit - piece.from_value) / (piece.to_value - piece.from_value);
    Some(piece.from.plus((piece.to.since(piece.from) as f64 * share).round() as i64))
}

/// Follows one run. Memory is bounded: some 300 pieces and 120 means for each of at most 16 probes.
#[derive(Clone, Debug)]
pub struct HeatRun {
    plan: Plan,
    scale: Scale,
    started_at: Stamp,
    ended_at: Option<Stamp>,
    ticked: Stamp,
    tracks: Vec<Track>,
    /// Up to here the probes have been counted together.
    settled: Stamp,
    clock: Clock,
    late_readings: u32,
}

impl HeatRun {
    /// A run that begins at `started_at`; its lethality counts on `scale`
    /// ([`Scale::PASTEURISATION`] is the usual one).
    pub fn new(plan: Plan, scale: Scale, started_at: Stamp) -> HeatRun {
        let tracks = plan.probes().iter().map(|_| Track::new(started_at)).collect();
        let clock = Clock::new(&plan);
        let ended_at = None;
        HeatRun {
            plan,
            scale,
            started_at,
            ended_at,
            ticked: started_at,
            tracks,
            settled: started_at,
            clock,
            late_readings: 0,
        }
    }

    /// What it is to reach.
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// When it began.
    pub fn started_at(&self) -> Stamp {
        self.started_at
    }

    /// Takes one corrected reading, °C, of the probe at place `probe` of the plan's list; `good` false, no
    /// number or a value outside [`PLAUSIBLE_C`]: it is noted and earns nothing. Each probe's readings come
    /// in time order; one at or before its last is left out. Nothing is taken after the end. Events come in
    /// the order they happened.
    pub fn reading(&mut self, probe: usize, at: Stamp, value_c: f64, good: bool) -> Vec<Event> {
        let mut events = Vec::new();
        let now = self.ticked.max(self.known_to());
        let Some(track) = self.tracks.get_mut(probe).filter(|_| self.ended_at.is_none()) else { return events };
        if let Some((last, _)) = track.now.filter(|(last, _)| at <= *last) {
            self.late_readings += u32::from(at < last);
            return events;
        }
        if !good || !PLAUSIBLE_C.contains(&value_c) {
            track.implausible = true;
            // Its time counts, though: a probe that says nonsense for long enough is lost.
            self.ticked = self.ticked.max(at);
            self.go_on(&mut events);
            return events;
        }
        self.late_readings += u32::from(at <= self.settled && track.known_to() < self.settled);
        // A backlog catches up silently: its probe is back when its readings are fresh.
        if track.lost && now.since(at) <= GAP_MS {
            track.lost = false;
            events.push(Event::ProbeBack { at, probe });
        }
        if value_c > CEILING_C && !track.over_ceiling && at >= self.started_at {
            track.over_ceiling = true;
            events.push(Event::OverCeiling { at, probe, value_c });
        }
        track.take(at, value_c, self.plan.hold_at_c(), self.scale);
        self.go_on(&mut events);
        if let Some(since) = self.tracks[probe].under_since.filter(|since| at.since(*since) >= LOST_AFTER_MS) {
            // Without waiting for the slower probes: this one alone is cold enough to say so.
            self.clock.lose(since, at, probe, value_c, &mut events);
        }
        events.sort_by_key(Event::at);
        events
    }

    /// Tells what time it is, so that a silence is noticed. A time before the last reading's is taken as
    /// that; a clock that jumps ahead loses the probes until they are heard again, and no hold.
    pub fn tick(&mut self, now: Stamp) -> Vec<Event> {
        let mut events = Vec::new();
        if self.ended_at.is_none() {
            self.ticked = now;
            self.go_on(&mut events);
            events.sort_by_key(Event::at);
        }
        events
    }

    /// Ends the run. Nothing counts after `at`; feed it only readings up to then.
    pub fn end(&mut self, at: Stamp) -> Vec<Event> {
        let mut events = Vec::new();
        if self.ended_at.is_some() {
            return events;
        }
        let known_to = self.known_to();
        self.settle(known_to, &mut events);
        let at = at.max(known_to);
        if at.since(known_to) > GAP_MS {
            self.clock.step(
                &Span { from: known_to, to: at, coldest: None, hottest: None, missing: self.tracks.len() },
                &mut events,
            );
        }
        for track in &mut self.tracks {
            track.silence(at.since(track.known_to()));
        }
        self.ended_at = Some(at);
        events
    }

    /// The last moment any probe's line reaches.
    fn known_to(&self) -> Stamp {
        self.tracks.iter().map(Track::known_to).max().unwrap_or(self.started_at)
    }

    /// Finds lost probes, then counts as far as all others are known.
    fn go_on(&mut self, events: &mut Vec<Event>) {
        let known_to = self.known_to();
        let now = self.ticked.max(known_to);
        for (probe, track) in self.tracks.iter_mut().enumerate() {
            if !track.lost && now.since(track.known_to()) > GAP_MS {
                track.lost = true;
                let last_at = track.now.map(|(last, _)| last);
                events.push(Event::ProbeLost { at: track.known_to().plus(GAP_MS), probe, last_at });
            }
        }
        let slowest = self.tracks.iter().filter(|track| !track.lost).map(Track::known_to).min();
        self.settle(slowest.unwrap_or(known_to), events);
    }

    /// Counts all probes together up to `to`.
    fn settle(&mut self, to: Stamp, events: &mut Vec<Event>) {
        if to <= self.settled {
            return;
        }
        let mut cuts = vec![self.settled, to];
        let limits = self.clock.limits();
        for piece in self.tracks.iter().flat_map(|track| &track.pieces) {
            cuts.extend([piece.from, piece.to]);
            cuts.extend(limits.iter().filter_map(|limit| crossing(piece, *limit)));
        }
        cuts.retain(|cut| (self.settled..=to).contains(cut));
        cuts.sort_unstable();
        cuts.dedup();
        for ends in cuts.windows(2) {
            let span = span(&mut self.tracks, ends[0], ends[1]);
            self.clock.step(&span, events);
        }
        self.settled = to;
    }

    /// Readings that came too late to count.
    pub fn late_readings(&self) -> u32 {
        self.late_readings
    }

    /// The run as it stands.
    pub fn report(&self) -> Report {
        let clock = &self.clock;
        let speaking = || {
            let heard = |track: &Track| track.now.filter(|_| track.voice() == Voice::Reading);
            self.tracks
                .iter()
                .enumerate()
                .filter_map(move |(probe, track)| heard(track).map(|(_, value)| (probe, value)))
        };
        Report {
            phase: clock.phase(),
            verdict: clock.verdict(),
            paused: clock.is_paused(),
            earned_ms: clock.earned_ms,
            proven_ms: clock.proven_ms,
            unknown_ms: clock.unknown_ms,
            pauses: clock.pauses,
            paused_ms: clock.paused_ms,
            began_at: clock.began_at,
            reached_at: clock.reached_at,
            cool_at: clock.cool_at,
            ended_at: self.ended_at,
            coldest: speaking().min_by(|a, b| a.1.total_cmp(&b.1)),
            hottest: speaking().max_by(|a, b| a.1.total_cmp(&b.1)),
            scale: self.scale,
            least_units: self.tracks.iter().map(|track| track.units).fold(f64::INFINITY, f64::min),
            over_ceiling: self.tracks.iter().any(|track| track.over_ceiling),
            late_readings: self.late_readings,
            probes: self.plan.probes().iter().zip(&self.tracks).map(|(name, track)| self.probe(name, track)).collect(),
        }
    }

    fn probe(&self, name: &str, track: &Track) -> ProbeReport {
        let slope = track.trend.slope_per_hour(SLOPE_HOURS).filter(|_| track.voice() == Voice::Reading);
        let (target_c, spawn_below_c) = (self.plan.hold_at_c(), self.plan.spawn_below_c());
        // A silence still under way, or before the first reading, is a gap too; after the end it is counted already.
        let silent_ms = self.ticked.max(self.known_to()).since(track.known_to());
        let open_gap_ms = if self.ended_at.is_none() && silent_ms > GAP_MS { silent_ms } else { 0 };
        ProbeReport {
            name: name.to_owned(),
            voice: track.voice(),
            now: track.now,
            slope_c_per_h: slope,
            minutes_to_target: track.now.and_then(|(_, now_c)| forecast_min(target_c - now_c, slope)),
            minutes_to_spawn: track
                .now
                .and_then(|(_, now_c)| forecast_min(now_c - spawn_below_c, slope.map(|slope| -slope))),
            at_target_ms: (track.at_target_h * HOUR_MS as f64).round() as i64,
            peak: track.peak,
            units: track.units,
            gaps: track.gaps + u32::from(open_gap_ms > 0),
            longest_gap_ms: track.longest_gap_ms.max(open_gap_ms),
            unmeasured_ms: track.unmeasured_ms + open_gap_ms,
        }
    }
}

/// Minutes until `missing_c` °C have been made good at `slope` °C/h; 0 where none are missing.
fn forecast_min(missing_c: f64, slope: Option<f64>) -> Option<f64> {
    if missing_c <= 0.0 {
        return Some(0.0);
    }
    let minutes = missing_c / slope.filter(|slope| *slope > 0.0)? * 60.0;
    (minutes <= FORECAST_MAX_MIN).then_some(minutes)
}

/// What the probes together show between two moments, taken in the middle; drops the pieces before.
fn span(tracks: &mut [Track], from: Stamp, to: Stamp) -> Span {
    let middle = from.plus(to.since(from) / 2);
    let mut span = Span { from, to, coldest: None, hottest: None, missing: 0 };
    for (probe, track) in tracks.iter_mut().enumerate() {
        while track.pieces.front().is_some_and(|piece| piece.to <= from) {
            track.pieces.pop_front();
        }
        let Some(piece) = track.pieces.front().filter(|piece| piece.from <= from) else {
            span.missing += 1;
            continue;
        };
        let here = Here { probe, middle_c: piece.value_at(middle), end_c: piece.value_at(to) };
        span.coldest =
            Some(span.coldest.map_or(here, |coldest| if here.middle_c < coldest.middle_c { here } else { coldest }));
        span.hottest =
            Some(span.hottest.map_or(here, |hottest| if here.middle_c > hottest.middle_c { here } else { hottest }));
    }
    span
}
