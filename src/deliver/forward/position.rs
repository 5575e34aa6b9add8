//! How far one target has been sent, and with which tags: what makes a re-send the same points.
//!
//! In: moments up to which the store is complete, places of probes, samples that came late. Out: the
//! stretches still to be sent, and each probe's tags at a moment. Pure; kept as JSON in the store,
//! in the commit that makes it true.
//!
//! Tags are fixed for a stretch before it is first sent. A logbook entry that is later written into
//! that stretch changes nothing there: else one sample would be two points.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::climate::Stamp;
use crate::climate::stamp::{HOUR_MS, MINUTE_MS};
use crate::grow::rename::{Named, Renaming};

/// Stretches kept apart; beyond it the nearest two become one, and what lies between is sent again.
const STRETCHES_MAX: usize = 64;

/// Late samples nearer than this to each other are one stretch.
const NEAR_MS: i64 = 10 * MINUTE_MS;

/// A late sample may change what its neighbours are taken for; so far around it is sent again.
const AROUND_MS: i64 = 15 * MINUTE_MS;

/// A judgement is final at the latest so long after its sample.
const DOUBT_MS: i64 = 6 * HOUR_MS;

/// From its first moment on, before its last.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stretch(pub i64, pub i64);

/// How far one target has been sent.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Position {
    /// Samples measured before this have been sent, the stretches below aside.
    pub sent: i64,
    /// Tags are fixed before this, and a sample from before it that comes now is late.
    pub fixed: i64,
    /// Stretches that late samples came into.
    pub late: Vec<Stretch>,
    /// Stretches that are being sent again.
    pub again: Vec<Stretch>,
    /// Stretches that were sent while what follows could still change a judgement in them.
    pub doubtful: Vec<Stretch>,
    /// The last logbook entry sent.
    pub entry: i64,
    /// Every alert before this one has ended and was sent.
    pub alert: i64,
    /// Points taken by the target.
    pub points: u64,
    /// Points it will never take.
    pub refused: u64,
}

impl Position {
    /// The key it is kept under in the store.
    pub fn key(target: &str) -> String {
        format!("forward:{target}")
    }

    /// Notes a sample of `at` that is about to be committed; true where it is late.
    pub fn saw(&mut self, at: Stamp) -> bool {
        let late = at.0 < self.fixed;
        if late {
            add(&mut self.late, Stretch(at.0, at.0.saturating_add(1)));
        }
        late
    }

    /// Every sample before `now` that is not late is handed to the store: fixes tags up to there and
    /// takes up what came late.
    pub fn fix(&mut self, now: Stamp) {
        self.fixed = self.fixed.max(now.0);
        let mut due = std::mem::take(&mut self.late);
        self.doubtful.retain(|doubt| {
            let over = doubt.1.saturating_add(DOUBT_MS) < now.0;
            if over {
                due.push(*doubt);
            }
            !over
        });
        for stretch in due {
            let around =
                Stretch(stretch.0.saturating_sub(AROUND_MS), stretch.1.saturating_add(AROUND_MS).min(self.fixed));
            add(&mut self.again, around);
        }
    }

    /// The clock was set: what lies between `from` and `now` may have been dated anew, and a position
    /// in the future would hold up everything until then.
    pub fn clock_set(&mut self, from: Option<Stamp>, now: Stamp) {
        self.fixed = self.fixed.min(now.0);
        self.sent = self.sent.min(now.0);
        if let Some(from) = from.filter(|from| from.0 < self.sent) {
            add(&mut self.late, Stretch(from.0, self.sent));
        }
    }

    /// Notes that what was measured at `at` was sent before its judgement was final.
    pub fn doubt(&mut self, at: Stamp) {
        add(&mut self.doubtful, Stretch(at.0, at.0.saturating_add(1)));
    }
}

/// Puts `new` into stretches that are kept apart and in order.
fn add(stretches: &mut Vec<Stretch>, new: Stretch) {
    let mut whole = new;
    stretches.retain(|other| {
        let apart = other.1.saturating_add(NEAR_MS) < whole.0 || whole.1.saturating_add(NEAR_MS) < other.0;
        if !apart {
            whole = Stretch(whole.0.min(other.0), whole.1.max(other.1));
        }
        apart
    });
    let place = stretches.partition_point(|other| other.0 < whole.0);
    stretches.insert(place, whole);
    if stretches.len() > STRETCHES_MAX {
        let gap = |index: &usize| stretches[index + 1].0 - stretches[*index].1;
        if let Some(nearest) = (0..stretches.len() - 1).min_by_key(gap) {
            let next = stretches.remove(nearest + 1);
            stretches[nearest].1 = next.1;
        }
    }
}

/// Where a probe was from a moment on, as its points are tagged.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Piece {
    /// From this moment on, until the next piece.
    pub from: i64,
    /// The space, or empty.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub space: String,
    /// The tub whose core it is, or empty.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub tub: String,
}

/// The fixed tags of every probe, by its name.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tags(pub BTreeMap<String, Vec<Piece>>);

impl Tags {
    /// The key they are kept under in the store.
    pub fn key(target: &str) -> String {
        format!("forward-tags:{target}")
    }

    /// Fixes the tags of `probe` from where they are fixed already (`fixed`; a new probe: from the
    /// beginning) by `pieces`, which tell of all time in order. True where something was added.
    pub fn fix(&mut self, probe: &str, fixed: Stamp, pieces: &[Piece]) -> bool {
        let known = self.0.get(probe).is_some_and(|pieces| !pieces.is_empty());
        let from = if known { fixed.0 } else { i64::MIN };
        let mine = self.0.entry(probe.to_owned()).or_default();
        let before = mine.clone();
        // What was foreseen but not sent yet may have turned out otherwise.
        mine.retain(|piece| piece.from < from);
        for (index, piece) in pieces.iter().enumerate() {
            let until = pieces.get(index + 1).map_or(i64::MAX, |next| next.from);
            let same = mine.last().is_some_and(|last| last.space == piece.space && last.tub == piece.tub);
            if until > from && !same {
                mine.push(Piece { from: piece.from.max(from), ..piece.clone() });
            }
        }
        *mine != before
    }

    /// What is fixed goes on under the new names. What was sent keeps the old ones, as the database has it.
    pub fn follow(&mut self, renamings: &[Renaming]) {
        for Renaming { what, old, new } in renamings {
            match what {
                Named::Probe => {
                    if let Some(pieces) = self.0.remove(old) {
                        self.0.entry(new.clone()).or_insert(pieces);
                    }
                }
                Named::Space => {
                    for piece in self.0.values_mut().flatten().filter(|piece| piece.space == *old) {
                        piece.space.clone_from(new);
                    }
                }
            }
        }
    }

    /// The piece that holds for `probe` at `at`.
    pub fn at(&self, probe: &str, at: Stamp) -> Option<&Piece> {
        let pieces = self.0.get(probe)?;
        let held = pieces.partition_point(|piece| piece.from <= at.0);
        pieces.get(held.saturating_sub(1))
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const MIN: i64 = MINUTE_MS;

    fn piece(from: i64, space: &str, tub: &str) -> Piece {
        Piece { from, space: space.to_owned(), tub: tub.to_owned() }
    }

    #[test]
    fn late_samples_become_few_stretches_and_are_sent_again_once() {
        let mut position = Position { fixed: 1_000 * MIN, sent: 1_000 * MIN, ..Position::default() };
        assert!(!position.saw(Stamp(1_000 * MIN)), "not before what is fixed");
        for minute in [100, 105, 103, 500, 98] {
            assert!(position.saw(Stamp(minute * MIN)));
        }
        assert_eq!(position.late, [Stretch(98 * MIN, 105 * MIN + 1), Stretch(500 * MIN, 500 * MIN + 1)]);
        position.fix(Stamp(1_010 * MIN));
        assert_eq!(position.fixed, 1_010 * MIN);
        assert!(position.late.is_empty());
        assert_eq!(position.again, [Stretch(83 * MIN, 120 * MIN + 1), Stretch(485 * MIN, 515 * MIN + 1)]);
        // A clock that went back fixes nothing less.
        position.fix(Stamp(0));
        assert_eq!(position.fixed, 1_010 * MIN);
        // One that was set back is no longer ahead of it, and what was dated anew goes once more.
        let mut set = Position { fixed: 1_000 * MIN, sent: 990 * MIN, ..Position::default() };
        set.clock_set(Some(Stamp(300 * MIN)), Stamp(400 * MIN));
        assert_eq!((set.fixed, set.sent, set.late), (400 * MIN, 400 * MIN, vec![Stretch(300 * MIN, 400 * MIN)]));
        let kept = serde_json::to_string(&position).unwrap();
        assert_eq!(serde_json::from_str::<Position>(&kept).unwrap(), position);
    }

    #[test]
    fn stretches_are_bounded_and_forget_nothing() {
        let mut position = Position { fixed: i64::MAX, ..Position::default() };
        for n in 0..10_000 {
            position.saw(Stamp((n * 7_919 % 10_000) * HOUR_MS));
        }
        assert!(position.late.len() <= STRETCHES_MAX);
        let holds = |at: i64| position.late.iter().any(|stretch| stretch.0 <= at && at < stretch.1);
        assert!((0..10_000).all(|n| holds(n * HOUR_MS)));
        assert!(position.late.is_sorted_by_key(|stretch| stretch.0));
    }

    #[test]
    fn what_was_doubtful_is_sent_again_when_it_is_final() {
        let mut position = Position::default();
        position.doubt(Stamp(10 * MIN));
        position.fix(Stamp(10 * MIN + DOUBT_MS));
        assert!(position.again.is_empty());
        position.fix(Stamp(11 * MIN + DOUBT_MS));
        assert_eq!((position.again.len(), position.doubtful.len()), (1, 0));
    }

    #[test]
    fn a_later_entry_does_not_change_fixed_tags() {
        let mut tags = Tags::default();
        assert!(tags.fix("core-a1", Stamp(0), &[piece(i64::MIN, "shelf", "")]));
        // Fixed up to 100; then the logbook says it was in A1 since 50, and in the tent since 150.
        let told = [piece(i64::MIN, "shelf", ""), piece(50, "shelf", "A1"), piece(150, "tent", "A1")];
        assert!(tags.fix("core-a1", Stamp(100), &told));
        let tub = |at: i64| tags.at("core-a1", Stamp(at)).map(|piece| (piece.space.as_str(), piece.tub.as_str()));
        assert_eq!(tub(-5), Some(("shelf", "")));
        assert_eq!(tub(60), Some(("shelf", "")));
        assert_eq!(tub(100), Some(("shelf", "A1")));
        assert_eq!(tub(150), Some(("tent", "A1")));
        let mut same = tags.clone();
        assert!(!same.fix("core-a1", Stamp(200), &told));
        assert_eq!(same, tags);
        assert_eq!(tags.at("nobody", Stamp(0)), None);
    }
}
