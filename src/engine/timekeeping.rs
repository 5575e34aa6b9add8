//! The machine's clock, watched: is it right, was it set, and what is to be dated anew.
//!
//! In: both clocks and the kernel's word, looked at with every tick. Out: at a start, everything that
//! an earlier clock of this boot dated wrongly, put right in the store; while running, the `clock`
//! watch, what each sample names as its clock, and the wish for a short restart once the clock was set.
//! The rules are the pure `watch::clock`'s.
//!
//! The engine's own clock is not set: until the restart everything goes on evenly in the old time. So
//! all that is alive is made anew in the new time by the one road there is, from the store.

use std::path::Path;
use std::sync::OnceLock;

use tracing::{error, info, warn};

use crate::climate::stamp::MINUTE_MS;
use crate::climate::{Quality, Stamp};
use crate::engine::Engine;
use crate::engine::clock::{Clock, since_boot_ms};
use crate::engine::forwarding::Forwarding;
use crate::store::{Change, Reader, Store, StoreError, Timing};
use crate::watch::clock::{self, Begun, Lookout, Seen, Sight, Standing, Trust};
use crate::watch::dating::FUTURE_MS;

/// The kernel's name for this boot.
const BOOT_ID: &str = "/proc/sys/kernel/random/boot_id";

/// What a unit that hides the kernel's settings says instead.
const BOOT_ID_TOLD: &str = "TUBWATCH_BOOT_ID";

/// systemd-timesyncd's folder; the file `synchronized` in it is made once the clock was set by it.
const TIME_SERVICE: &str = "/run/systemd/timesync";

/// After a start the clock may be set again at once; so soon a restart would be worth nothing.
const RESTS_MS: i64 = 1_000;

/// What could not be put right is tried again after so long.
const TRIES_AGAIN_MS: i64 = MINUTE_MS;

/// Looks at both clocks.
pub fn sight() -> Sight {
    Sight { wall: Clock::Wall.now(), since_boot_ms: since_boot_ms(), boot: boot(), is_synchronised: is_synchronised() }
}

/// The kernel's name for this boot; where it is not shown, what the unit says; else one of this
/// process's own, which no other bears, so that nothing of another boot is ever moved.
fn boot() -> String {
    static OWN: OnceLock<String> = OnceLock::new();
    let told = std::fs::read_to_string(BOOT_ID).ok().or_else(|| std::env::var(BOOT_ID_TOLD).ok());
    let told = told.map(|text| text.trim().replace('-', "")).filter(|text| !text.is_empty());
    told.unwrap_or_else(|| OWN.get_or_init(|| format!("run {:032x}", rand::random::<u128>())).clone())
}

/// Whether the kernel holds the clock for synchronised. A unit that is shut in may not ask it: then
/// what systemd's time service says, and `None` where that does not run.
fn is_synchronised() -> Option<bool> {
    match kernel_status() {
        Some(status) => Some(status & libc::STA_UNSYNC == 0),
        None => Path::new(TIME_SERVICE).exists().then(|| Path::new(TIME_SERVICE).join("synchronized").exists()),
    }
}

/// The kernel's status bits of its clock; none where it may not be asked.
#[allow(unsafe_code)] // One call that only reads; the crate that wraps it builds on 64 bits alone.
fn kernel_status() -> Option<libc::c_int> {
    // SAFETY: a `timex` is numbers, and all of them may be 0; `modes` 0 asks and sets nothing.
    let mut asked: libc::timex = unsafe { std::mem::zeroed() };
    // SAFETY: the kernel fills in the one `timex` that it is given.
    let state = unsafe { libc::adjtimex(&raw mut asked) };
    (state >= 0).then_some(asked.status)
}

/// The clock as one run of the engine keeps it.
#[derive(Debug)]
pub struct Timekeeping {
    lookout: Lookout,
    boot: String,
    began_ms: i64,
    /// A restart was asked for.
    is_stepped: bool,
    /// What earlier stretches dated could not be moved: it is tried again.
    is_left: bool,
    /// The store does not know of the stretch.
    is_unwritten: bool,
}

impl Timekeeping {
    fn new(begun: Begun, is_written: bool) -> Timekeeping {
        Timekeeping {
            boot: begun.stretch.boot.clone(),
            began_ms: since_boot_ms(),
            is_stepped: false,
            is_left: !is_written && !begun.moves.is_empty(),
            is_unwritten: !is_written,
            lookout: Lookout::new(begun),
        }
    }

    /// Where there is no store to say what was.
    pub fn without_store(clock: &Clock) -> Option<Timekeeping> {
        matches!(clock, Clock::Steady(_)).then(|| Timekeeping::new(clock::begin(&[], &sight(), None), true))
    }

    /// What the store does not know yet. To be written before, or with, the first sample, which names it.
    pub fn unwritten(&self) -> Option<Change> {
        self.is_unwritten.then(|| Change::Clock(self.lookout.stretch().clone()))
    }

    /// What a sample names as its clock, and its quality by that: `is_own` where the time is its own.
    /// A clock that is wrong cannot tell what is of the future.
    pub fn timing(&self, is_own: bool, quality: Quality) -> (Timing, Quality) {
        let stretch = self.lookout.stretch();
        match (stretch.trust, is_own, quality) {
            (Trust::Right, ..) => (Timing::SETTLED, quality),
            (_, false, _) => (Timing::new(stretch.id, false), quality),
            (Trust::Wrong, true, Quality::Future) => (Timing::new(stretch.id, true), Quality::Good),
            (Trust::Plausible, true, Quality::Future) => (Timing::new(stretch.id, true), quality),
            (_, true, _) => (Timing::SETTLED, quality),
        }
    }

    /// Whether a time of its own is of the future, as far as this clock can tell.
    pub fn is_future(&self, at: Stamp, now: Stamp) -> bool {
        self.lookout.stretch().trust != Trust::Wrong && at > now.plus(FUTURE_MS)
    }
}

/// What stands in the store is put right by the clock as it is now; `clock` goes with it. None on a
/// clock that is not the machine's.
///
/// # Errors
/// When the store cannot be read. Where it cannot be written the old times stay, and that is said.
pub fn begin(store: &mut Store, clock: &Clock, forwarding: &mut Forwarding) -> Result<Option<Timekeeping>, StoreError> {
    if !matches!(clock, Clock::Steady(_)) {
        return Ok(None);
    }
    let reader = store.reader()?;
    let (known, sight) = (reader.stretches()?, sight());
    clock.follow(sight.offset_ms());
    let newest = newest(&reader, &known, &sight)?;
    drop(reader);
    let begun = clock::begin(&known, &sight, newest);
    let is_written = !begun.is_changed || put_right(store, &begun, clock.now(), forwarding);
    Ok(Some(Timekeeping::new(begun, is_written)))
}

/// The newest stored sample that no step can move. Asked for only where it may matter.
fn newest(reader: &Reader, known: &[clock::Stretch], sight: &Sight) -> Result<Option<Stamp>, StoreError> {
    if clock::goes_on(known, sight) || sight.is_synchronised == Some(true) || sight.wall < clock::RELEASED {
        return Ok(None);
    }
    let movable = clock::movable(known, &sight.boot);
    let wrong = known.iter().filter(|stretch| stretch.trust == Trust::Wrong);
    reader.newest_but(&movable.chain(wrong).map(|stretch| stretch.id).collect())
}

/// False where the store could not be written.
fn put_right(store: &mut Store, begun: &Begun, now: Stamp, forwarding: &mut Forwarding) -> bool {
    let earliest = begun.moves.iter().map(|one| one.since.plus(one.by_ms.min(0))).min();
    let facts: Vec<Change> = match (begun.stepped_ms, earliest) {
        (None, None) => Vec::new(),
        _ => forwarding.clock_set(earliest, now),
    };
    let moved = match store.redate(begun, now, &facts) {
        Ok(moved) => moved,
        Err(why) => {
            error!("what was dated by the clock of before keeps its old time for now: {why}");
            return false;
        }
    };
    let Some(by_ms) = begun.stepped_ms else {
        if earliest.is_some() {
            info!(samples = moved, "what the machine's clock had dated wrongly before is put right");
        }
        return true;
    };
    let (way, by) = (if by_ms > 0 { "forward" } else { "back" }, clock::span(by_ms.abs()));
    match begun.stretch.trust {
        Trust::Wrong => warn!("the machine's clock was set {way} by {by}: {}", begun.stretch.why),
        _ => {
            info!(samples = moved, "the machine's clock was set {way} by {by}; what it had dated wrongly is put right")
        }
    }
    true
}

impl Engine {
    /// Looks at the clocks, with every tick.
    pub(super) fn look_at_the_clock(&mut self, now: Stamp) {
        let Some(kept) = &mut self.timekeeping else { return };
        let sight = Sight {
            wall: Clock::Wall.now(),
            since_boot_ms: since_boot_ms(),
            boot: kept.boot.clone(),
            is_synchronised: is_synchronised(),
        };
        let runs_ms = sight.since_boot_ms - kept.began_ms;
        let seen = match kept.lookout.look(&sight) {
            _ if kept.is_left && runs_ms >= TRIES_AGAIN_MS => Seen::Stepped,
            seen => seen,
        };
        match seen {
            Seen::Even => {}
            Seen::Changed => self.round.changes.push(Change::Clock(kept.lookout.stretch().clone())),
            // With the store failing there is nothing to put right yet, and much to lose.
            Seen::Stepped if self.outlets.writer.is_some() && self.store_fault.is_some() => {}
            Seen::Stepped => {
                if !kept.is_stepped && runs_ms >= RESTS_MS {
                    kept.is_stepped = true;
                    info!("the machine's clock was set, or can be relied on now; starting again with it");
                    self.outlets.stepped.send_replace(true);
                }
            }
        }
        self.clock.follow(kept.lookout.stretch().offset_ms);
        let (is_ok, is_advice, why) = match kept.lookout.standing() {
            Standing::Well => (true, false, String::new()),
            Standing::Unconfirmed => (false, true, String::new()),
            Standing::Wrong(why) => (false, false, why.to_owned()),
        };
        self.keeper.clock_state(is_ok, is_advice, &why, now, &mut self.events);
    }
}
