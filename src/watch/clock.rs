//! Whether the machine's clock can be relied on, and what is to be done when it was not.
//!
//! In: readings of the wall clock beside the time since boot, the kernel's word on whether it is
//! synchronised, and what earlier runs knew of this boot. Out: stretches (runs of time in which the
//! wall clock went on evenly), how far each is to be trusted, and by how much what was dated in one is
//! to be moved. Pure: whoever calls it reads the clocks and writes the samples.
//!
//! A step is a change of over [`STEP_MS`] against the time since boot. What was dated in a stretch
//! that nobody had confirmed is moved with the next step, since who sets a clock sets it right; what
//! was dated by a confirmed clock stays. A clock that is known to be wrong moves nothing.

use crate::climate::Stamp;
use crate::climate::stamp::{DAY_MS, MINUTE_MS, SECOND_MS};

/// A clock that moved by more than this was set; less is followed.
pub const STEP_MS: i64 = 2 * SECOND_MS;

/// 2026-01-01T00:00:00Z: no version of this program is older, so no clock that is right shows less.
pub const RELEASED: Stamp = Stamp(1_767_225_600_000);

/// The newest stored sample may be ahead of the clock by this: clocks of probes set over a network
/// are seconds apart, not minutes (as `watch::dating` has it).
const AHEAD_MS: i64 = 2 * MINUTE_MS;

/// A step must last this long before it is believed: who sets a clock may do so in two moves.
const SETTLED_MS: i64 = SECOND_MS;

/// A followed clock is noted anew when it has gone this far from what was noted.
const NOTED_MS: i64 = SECOND_MS / 2;

/// Both clocks at one moment.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sight {
    /// What the wall clock shows.
    pub wall: Stamp,
    /// Milliseconds since the machine started, sleep included.
    pub since_boot_ms: i64,
    /// The machine's name for this boot.
    pub boot: String,
    /// Whether the kernel holds the wall clock for synchronised; `None` where it does not say.
    pub is_synchronised: Option<bool>,
}

impl Sight {
    /// The wall clock less the time since boot, ms: the same as long as nobody sets the clock.
    pub fn offset_ms(&self) -> i64 {
        self.wall.0.saturating_sub(self.since_boot_ms)
    }
}

/// How far a stretch of the clock is to be trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trust {
    /// The kernel said that it was synchronised.
    Right,
    /// Nothing speaks against it, nobody confirmed it: a shed without internet never does better.
    Plausible,
    /// It cannot be right, or was set away from what was right.
    Wrong,
}

impl Trust {
    /// The word in the store.
    pub fn word(self) -> &'static str {
        match self {
            Trust::Right => "right",
            Trust::Plausible => "plausible",
            Trust::Wrong => "wrong",
        }
    }

    /// What `word` stands for, if anything.
    pub fn from_word(word: &str) -> Option<Trust> {
        [Trust::Right, Trust::Plausible, Trust::Wrong].into_iter().find(|trust| trust.word() == word)
    }
}

/// A run of time in which the wall clock went on evenly.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Its number; samples name it. From 1 on.
    pub id: u32,
    /// The boot it is of.
    pub boot: String,
    /// When it was first seen, by itself.
    pub since: Stamp,
    /// The wall clock less the time since boot, ms.
    pub offset_ms: i64,
    /// How far to trust it.
    pub trust: Trust,
    /// Why it is wrong; empty where it is not.
    pub why: String,
}

/// What was dated in one stretch is to be moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Move {
    /// The stretch.
    pub stretch: u32,
    /// When it began, by itself.
    pub since: Stamp,
    /// By so many ms.
    pub by_ms: i64,
}

/// What a start, or a step, comes to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Begun {
    /// The stretch that holds from now on.
    pub stretch: Stretch,
    /// How far this boot's last stretch was trusted until now.
    pub last: Option<Trust>,
    /// The clock was set by so many ms since this boot's last stretch.
    pub stepped_ms: Option<i64>,
    /// What is to be moved.
    pub moves: Vec<Move>,
    /// The stretch is not noted as it stands here, or something is to be moved.
    pub is_changed: bool,
    /// What others of this boot dated waits for a clock that is right: this one is wrong.
    pub waits: bool,
}

/// The stretches of this boot that a step may still move: those that nobody confirmed.
pub fn movable<'a>(known: &'a [Stretch], boot: &'a str) -> impl Iterator<Item = &'a Stretch> {
    known.iter().filter(move |it| it.boot == boot && it.trust != Trust::Right)
}

/// Whether the last of `known` holds at `sight` still.
pub fn goes_on(known: &[Stretch], sight: &Sight) -> bool {
    let last = known.last().filter(|last| last.boot == sight.boot);
    last.is_some_and(|last| sight.offset_ms().saturating_sub(last.offset_ms).abs() <= STEP_MS)
}

/// Finds the stretch that holds at `sight`: the last one of `known` (in the order of their numbers)
/// where the clock went on evenly since, or a new one. `newest` is the newest stored sample that is
/// dated and in none of the [`movable`] stretches. What the others of this boot dated is moved to it
/// unless it is wrong, also what an earlier start could not write.
pub fn begin(known: &[Stretch], sight: &Sight, newest: Option<Stamp>) -> Begun {
    let last = known.last().filter(|last| last.boot == sight.boot);
    let stepped_ms = last.map(|last| sight.offset_ms().saturating_sub(last.offset_ms));
    let goes_on = goes_on(known, sight);
    let (stretch, is_changed) = match last {
        Some(last) if goes_on => {
            let mut stretch = last.clone();
            let is_settled = settle(&mut stretch, sight);
            stretch.offset_ms = sight.offset_ms();
            (stretch, is_settled || (sight.offset_ms() - last.offset_ms).abs() >= NOTED_MS)
        }
        _ => {
            let (trust, why) = judge(known, sight, newest, stepped_ms);
            let id = known.iter().map(|it| it.id).max().unwrap_or(0) + 1;
            let (boot, offset_ms) = (sight.boot.clone(), sight.offset_ms());
            (Stretch { id, boot, since: sight.wall, offset_ms, trust, why }, true)
        }
    };
    let to = |it: &Stretch| Move { stretch: it.id, since: it.since, by_ms: stretch.offset_ms - it.offset_ms };
    let others: Vec<Move> = movable(known, &sight.boot).filter(|it| it.id != stretch.id).map(to).collect();
    let waits = stretch.trust == Trust::Wrong && !others.is_empty();
    let moves = if waits { Vec::new() } else { others };
    let is_changed = is_changed || !moves.is_empty();
    let last = last.map(|last| last.trust);
    Begun { stretch, last, stepped_ms: stepped_ms.filter(|_| !goes_on), moves, is_changed, waits }
}

fn judge(known: &[Stretch], sight: &Sight, newest: Option<Stamp>, stepped_ms: Option<i64>) -> (Trust, String) {
    if sight.wall < RELEASED {
        return (Trust::Wrong, format!("it shows {}, before this program was made", day(sight.wall)));
    }
    if sight.is_synchronised == Some(true) {
        return (Trust::Right, String::new());
    }
    if let Some(newest) = newest.filter(|newest| newest.since(sight.wall) > AHEAD_MS) {
        let behind = span(newest.since(sight.wall));
        return (Trust::Wrong, format!("it is {behind} behind the newest stored sample"));
    }
    let near = |it: &&Stretch| it.boot == sight.boot && (it.offset_ms - sight.offset_ms()).abs() <= STEP_MS;
    if known.iter().filter(near).any(|it| it.trust == Trust::Right) {
        return (Trust::Right, String::new());
    }
    // Away from what was right, or on from there.
    let was_right = known.iter().rev().find(|it| it.boot == sight.boot && it.trust == Trust::Right);
    if let (Some(right), Some(_)) = (was_right, stepped_ms) {
        let by_ms = sight.offset_ms() - right.offset_ms;
        let way = if by_ms > 0 { "forward" } else { "back" };
        return (Trust::Wrong, format!("it was set {way} by {} and nothing confirms that", span(by_ms.abs())));
    }
    (Trust::Plausible, String::new())
}

/// Takes the kernel's word for it; true where that changed something.
fn settle(stretch: &mut Stretch, sight: &Sight) -> bool {
    if stretch.trust == Trust::Right || sight.is_synchronised != Some(true) || sight.wall < RELEASED {
        return false;
    }
    stretch.trust = Trust::Right;
    stretch.why.clear();
    true
}

fn day(at: Stamp) -> String {
    at.rfc3339().chars().take(10).collect()
}

/// A span in the two largest units that say something.
pub fn span(ms: i64) -> String {
    let (days, seconds) = (ms / DAY_MS, ms / SECOND_MS);
    match seconds {
        ..120 => format!("{seconds} s"),
        120..7_200 => format!("{} min", seconds / 60),
        7_200..172_800 => format!("{} h", seconds / 3_600),
        _ if days < 730 => format!("{days} days"),
        _ => format!("{} years", days / 365),
    }
}

/// What looking at the clocks came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Seen {
    /// Nothing new.
    Even,
    /// The stretch is to be noted anew.
    Changed,
    /// The clock was set, or is confirmed now and something waits for that: [`begin`] tells what it comes to.
    Stepped,
}

/// How the clock stands, for whoever must be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing<'a> {
    /// Right, or nothing speaks against it and the kernel does not say.
    Well,
    /// Nobody confirms it.
    Unconfirmed,
    /// It cannot be relied on, and why.
    Wrong(&'a str),
}

/// The clock as it is watched from one step to the next.
#[derive(Clone, Debug)]
pub struct Lookout {
    stretch: Stretch,
    noted_ms: i64,
    apart_since_ms: Option<i64>,
    is_unconfirmed: bool,
    /// What others dated waits for this one to be confirmed.
    waits: bool,
}

impl Lookout {
    /// Watches the stretch that was begun, as if it were noted as it stands.
    pub fn new(begun: Begun) -> Lookout {
        let Begun { stretch, waits, .. } = begun;
        Lookout { noted_ms: stretch.offset_ms, stretch, apart_since_ms: None, is_unconfirmed: false, waits }
    }

    /// The stretch that holds.
    pub fn stretch(&self) -> &Stretch {
        &self.stretch
    }

    /// Takes the next sight of both clocks. A little is followed; a step is told once it has lasted.
    pub fn look(&mut self, sight: &Sight) -> Seen {
        let by_ms = sight.offset_ms().saturating_sub(self.stretch.offset_ms);
        if by_ms.abs() > STEP_MS {
            let since = *self.apart_since_ms.get_or_insert(sight.since_boot_ms);
            return if sight.since_boot_ms - since >= SETTLED_MS { Seen::Stepped } else { Seen::Even };
        }
        self.apart_since_ms = None;
        self.stretch.offset_ms = sight.offset_ms();
        self.is_unconfirmed = self.stretch.trust == Trust::Plausible && sight.is_synchronised == Some(false);
        let is_settled = settle(&mut self.stretch, sight);
        if self.waits && self.stretch.trust == Trust::Right {
            return Seen::Stepped;
        }
        if is_settled || (self.stretch.offset_ms - self.noted_ms).abs() >= NOTED_MS {
            self.noted_ms = self.stretch.offset_ms;
            return Seen::Changed;
        }
        Seen::Even
    }

    /// How it stands.
    pub fn standing(&self) -> Standing<'_> {
        match self.stretch.trust {
            Trust::Wrong => Standing::Wrong(&self.stretch.why),
            _ if self.is_unconfirmed => Standing::Unconfirmed,
            _ => Standing::Well,
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::climate::stamp::HOUR_MS;

    /// 2026-11-25T06:00:00Z.
    const NOW: i64 = 1_795_586_400_000;
    /// 2019-06-01T00:00:00Z.
    const LONG_AGO: i64 = 1_559_347_200_000;

    fn sight(wall: i64, since_boot_ms: i64, is_synchronised: bool) -> Sight {
        Sight { wall: Stamp(wall), since_boot_ms, boot: "one".to_owned(), is_synchronised: Some(is_synchronised) }
    }

    /// What a sight led to: trust, step, and moves (stretch, by).
    type Led = (Trust, Option<i64>, Vec<(u32, i64)>);

    /// Steps from sight to sight.
    fn walk(sights: &[(i64, i64, bool)]) -> Vec<Led> {
        let mut known: Vec<Stretch> = Vec::new();
        let mut told = Vec::new();
        for (wall, since_boot_ms, is_synchronised) in sights {
            let begun = begin(&known, &sight(*wall, *since_boot_ms, *is_synchronised), None);
            known.retain(|it| it.id != begun.stretch.id && !begun.moves.iter().any(|gone| gone.stretch == it.id));
            let moves = begun.moves.iter().map(|it| (it.stretch, it.by_ms)).collect();
            told.push((begun.stretch.trust, begun.stepped_ms, moves));
            known.push(begun.stretch);
        }
        told
    }

    #[test]
    fn what_each_step_comes_to() {
        use Trust::{Plausible, Right, Wrong};
        let (hour, min) = (HOUR_MS, MINUTE_MS);
        // Wrong by years at the start, then set by the network.
        let years = NOW + min - (LONG_AGO + min);
        assert_eq!(
            walk(&[(LONG_AGO, 0, false), (NOW + min, min, true)]),
            [(Wrong, None, vec![]), (Right, Some(years), vec![(1, years)])]
        );
        // The same, set by hand: nobody confirms it, and still it is moved.
        let by_hand = walk(&[(LONG_AGO, 0, false), (NOW + min, min, false)]);
        assert_eq!(by_hand[1], (Plausible, Some(years), vec![(1, years)]));
        // Never confirmed, an hour forward and back again: all goes with it, and comes back.
        assert_eq!(
            walk(&[(NOW, 0, false), (NOW + hour, 0, false), (NOW, 0, false)]),
            [
                (Plausible, None, vec![]),
                (Plausible, Some(hour), vec![(1, hour)]),
                (Plausible, Some(-hour), vec![(2, -hour)])
            ]
        );
        // Confirmed, set away and back: only what came between is moved.
        for back_confirmed in [true, false] {
            assert_eq!(
                walk(&[(NOW, 0, true), (NOW + hour, 0, false), (NOW, 0, back_confirmed)]),
                [(Right, None, vec![]), (Wrong, Some(hour), vec![]), (Right, Some(-hour), vec![(2, -hour)])]
            );
        }
        // Set to long ago: what was dated before stays, what is dated then comes back.
        assert_eq!(
            walk(&[(NOW, 0, false), (LONG_AGO, 0, false), (NOW, 0, false)])[1..],
            [
                (Wrong, Some(LONG_AGO - NOW), vec![]),
                (Plausible, Some(NOW - LONG_AGO), vec![(1, 0), (2, NOW - LONG_AGO)])
            ]
        );
        // Under two seconds is no step, however often it is looked.
        assert_eq!(
            walk(&[(NOW, 0, false), (NOW + 2_000, 0, false), (NOW + 4_000, 0, true)])[1..],
            [(Plausible, None, vec![]), (Right, None, vec![])]
        );
    }

    #[test]
    fn what_an_earlier_start_left_is_moved_once_the_clock_is_not_wrong() {
        let stretch = |id, offset_ms, trust| {
            let (boot, since) = ("one".to_owned(), Stamp(offset_ms));
            Stretch { id, boot, since, offset_ms, trust, why: String::new() }
        };
        let hour = HOUR_MS;
        for (trust, confirmed, waits) in [
            (Trust::Plausible, false, false),
            (Trust::Right, false, false),
            (Trust::Wrong, true, false),
            (Trust::Wrong, false, true),
        ] {
            let known = [stretch(3, NOW + hour, Trust::Plausible), stretch(4, NOW, trust)];
            let begun = begin(&known, &sight(NOW + 500, 500, confirmed), None);
            let moves: Vec<_> = begun.moves.iter().map(|it| (it.stretch, it.by_ms)).collect();
            assert_eq!((begun.stretch.id, begun.stepped_ms, begun.waits), (4, None, waits), "{trust:?}");
            assert_eq!(moves, if waits { vec![] } else { vec![(3, -hour)] }, "{trust:?}");
            assert_eq!(begun.is_changed, !waits);
            if waits {
                let mut lookout = Lookout::new(begun);
                assert_eq!(lookout.look(&sight(NOW + 1_000, 1_000, false)), Seen::Even);
                // Until it was done.
                for ms in [2_000, 3_000] {
                    assert_eq!(lookout.look(&sight(NOW + ms, ms, true)), Seen::Stepped);
                }
            }
        }
        // Alone it waits for nothing.
        let begun = begin(&[stretch(4, NOW, Trust::Wrong)], &sight(NOW, 0, false), None);
        assert!(!begun.waits && !begun.is_changed);
        assert_eq!(Lookout::new(begun).look(&sight(NOW, 0, true)), Seen::Changed);
    }

    #[test]
    fn another_boot_moves_nothing_and_the_newest_sample_tells_a_clock_that_is_behind() {
        let before = begin(&[], &sight(NOW, 5_000, false), None).stretch;
        let next = Sight { boot: "two".to_owned(), ..sight(NOW - 3 * HOUR_MS, 9_000, false) };
        let begun = begin(std::slice::from_ref(&before), &next, Some(Stamp(NOW)));
        assert_eq!((begun.stretch.trust, begun.stretch.id, begun.moves.len()), (Trust::Wrong, 2, 0));
        assert_eq!(begun.stretch.why, "it is 3 h behind the newest stored sample");
        assert_eq!(begun.stepped_ms, None);
        // Two minutes are a probe's own clock.
        let near = Sight { wall: Stamp(NOW - 2 * MINUTE_MS), ..next.clone() };
        assert_eq!(begin(&[], &near, Some(Stamp(NOW))).stretch.trust, Trust::Plausible);
        // The kernel knows better.
        let confirmed = Sight { is_synchronised: Some(true), ..next };
        assert_eq!(begin(&[], &confirmed, Some(Stamp(NOW))).stretch.trust, Trust::Right);
    }

    #[test]
    fn a_little_is_followed_and_a_step_is_told_once_it_has_lasted() {
        let mut lookout = Lookout::new(begin(&[], &sight(NOW, 0, false), None));
        assert_eq!(lookout.look(&sight(NOW + 1_000, 1_000, false)), Seen::Even);
        assert_eq!(lookout.standing(), Standing::Unconfirmed);
        assert_eq!(lookout.look(&sight(NOW + 3_900, 2_000, false)), Seen::Changed);
        assert_eq!(lookout.stretch().offset_ms, NOW + 1_900);
        let away = |ms: i64| sight(NOW + 1_900 + 2_001 + ms, ms, false);
        assert_eq!(lookout.look(&away(3_000)), Seen::Even);
        assert_eq!(lookout.look(&away(3_999)), Seen::Even);
        assert_eq!(lookout.look(&away(4_000)), Seen::Stepped);
        // Back before anybody saw it.
        assert_eq!(lookout.look(&sight(NOW + 1_900 + 5_000, 5_000, false)), Seen::Even);
        assert_eq!(lookout.look(&sight(NOW + 1_900 + 6_000, 6_000, true)), Seen::Changed);
        assert_eq!(lookout.standing(), Standing::Well);
        // A kernel that no longer says so takes nothing away; one that says nothing is no advice.
        assert_eq!(lookout.look(&sight(NOW + 1_900 + 7_000, 7_000, false)), Seen::Even);
        assert_eq!(lookout.standing(), Standing::Well);
        let silent = |wall, ms| Sight { is_synchronised: None, ..sight(wall, ms, false) };
        let mut lookout = Lookout::new(begin(&[], &silent(NOW, 0), None));
        lookout.look(&silent(NOW, 0));
        assert_eq!(lookout.standing(), Standing::Well);
    }

    #[test]
    fn spans_are_told_in_words() {
        let said = [3_000, 5 * MINUTE_MS, 3 * HOUR_MS, 9 * DAY_MS, 2_737 * DAY_MS].map(span);
        assert_eq!(said, ["3 s", "5 min", "3 h", "9 days", "7 years"]);
    }
}
