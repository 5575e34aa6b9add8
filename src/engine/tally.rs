//! Counts for the status and the metrics, and a bounded voice for what was refused.
//!
//! In: refusals and commits as they happen. Out: totals by source and reason, a histogram of
//! commits, and at most one log line a minute for each source and reason.

use std::collections::BTreeMap;

use tracing::warn;

use crate::climate::Stamp;
use crate::climate::stamp::MINUTE_MS;
use crate::config::Plan;
use crate::status::snapshot::COMMIT_BUCKETS_S;
use crate::store::Change;
use crate::wire::Refusal;

/// One log line a minute for each source and reason: enough to find the fault, too little to fill a card.
const SPEAK_EVERY_MS: i64 = MINUTE_MS;

#[derive(Debug, Default)]
struct Voice {
    total: u64,
    untold: u64,
    told_at: Option<Stamp>,
}

/// What was counted since the daemon started.
#[derive(Debug, Default)]
pub struct Tally {
    refused: BTreeMap<(usize, Refusal), Voice>,
    refused_by_probe: Vec<u64>,
    refused_stored: Vec<u64>,
    refused_stored_at: Option<Stamp>,
    /// Messages stored since the store began, by the probe's position.
    pub stored_by_probe: Vec<u64>,
    /// Commits by duration, see [`COMMIT_BUCKETS_S`].
    pub commit_buckets: [u64; COMMIT_BUCKETS_S.len() + 1],
    /// Seconds spent in commits.
    pub commit_seconds_sum: f64,
}

impl Tally {
    /// For probes of which so many messages each are stored already, and so many were not taken.
    pub fn new(stored_by_probe: Vec<u64>, refused_by_probe: Vec<u64>) -> Tally {
        Tally { refused_stored: refused_by_probe.clone(), refused_by_probe, stored_by_probe, ..Tally::default() }
    }

    /// What the store must be told of refused messages; at most once in [`SPEAK_EVERY_MS`].
    pub fn refused_changes(&mut self, probe_ids: &[i64], wall: Stamp) -> Vec<Change> {
        if self.refused_stored_at.is_some_and(|stored_at| wall.since(stored_at) < SPEAK_EVERY_MS) {
            return Vec::new();
        }
        self.refused_stored_at = Some(wall);
        let mut changes = Vec::new();
        for (probe, count) in self.refused_by_probe.iter().enumerate() {
            if self.refused_stored[probe] != *count {
                self.refused_stored[probe] = *count;
                changes.push(Change::Refused { probe: probe_ids[probe], count: *count });
            }
        }
        changes
    }

    /// Counts something that was not taken, and says so at a bounded rate.
    pub fn refuse(&mut self, plan: &Plan, what: &Refused<'_>, now: Stamp) {
        // A repeat of what is stored says nothing against the probe.
        if let (Some(probe), false) = (what.probe, what.reason == Refusal::Duplicate) {
            self.refused_by_probe[probe] += what.count;
        }
        let voice = self.refused.entry((what.source, what.reason)).or_default();
        voice.total += what.count;
        voice.untold += what.count;
        if what.reason == Refusal::Duplicate {
            return;
        }
        if voice.told_at.is_none_or(|told_at| now.since(told_at) >= SPEAK_EVERY_MS) {
            warn!(
                source = plan.setup.sources[what.source].name,
                probe = what.probe.map(|probe| plan.probes[probe].name.as_str()),
                reason = what.reason.word(),
                count = voice.untold,
                total = voice.total,
                "not taken: {}",
                what.excerpt
            );
            voice.told_at = Some(now);
            voice.untold = 0;
        }
    }

    /// Counts a commit.
    pub fn commit(&mut self, seconds: f64) {
        let bucket = COMMIT_BUCKETS_S.iter().position(|bound| seconds <= *bound).unwrap_or(COMMIT_BUCKETS_S.len());
        self.commit_buckets[bucket] += 1;
        self.commit_seconds_sum += seconds;
    }

    /// Messages of a probe that were not taken.
    pub fn refused_of(&self, probe: usize) -> u64 {
        self.refused_by_probe[probe]
    }

    /// Totals of what was refused, by source and reason.
    pub fn refusals(&self) -> impl Iterator<Item = (usize, Refusal, u64)> + '_ {
        self.refused.iter().map(|((source, reason), voice)| (*source, *reason, voice.total))
    }
}

/// Something that was not taken.
pub struct Refused<'a> {
    /// Position of the source.
    pub source: usize,
    /// Position of the probe it was meant for, where that is known.
    pub probe: Option<usize>,
    /// Why.
    pub reason: Refusal,
    /// How many.
    pub count: u64,
    /// The start of it, printable.
    pub excerpt: &'a str,
}
