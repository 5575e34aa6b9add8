//! Values that stand still: a probe that says the same for hours, a humidity element that is wet.
//!
//! In: one series' readings in time order, each with its quality so far. Out: `Stuck` or `Saturated`
//! in place of good, by the series alone and looking only back, so that whoever folds the same
//! readings judges alike. Left out: what only the neighbours tell (the keeper).
//!
//! - **Stuck**: bit-identical for six hours, in a series that jittered before: of the 64 readings
//!   before, at least 16 turned back on the one before them. Noise that stops is a cached value or a
//!   hung bus; a coarse probe in still air, or a made-up constant, never jittered and is believed.
//!   Over with the first other value.
//! - **Saturated**: relative humidity at 99.5 % or over for eight hours without a reading under it:
//!   a drop sits on the element. Not believed until it has read under 97 % once. Eight, so that the
//!   watch for wet air has had its six hours.
//!
//! Signs and the 97 % are common practice, no source; the numbers of readings are chosen.

use crate::climate::stamp::{HOUR_MS, MINUTE_MS};
use crate::climate::{Quality, Quantity, Reading, Stamp};

/// So long bit-identical is stuck, ms.
pub const STUCK_MS: i64 = 6 * HOUR_MS;
/// Turns among the last 64 readings that show noise.
const TURNS: u32 = 16;
/// A silence this long ends a run of identical values: what happened in it nobody knows.
const STILL_GAP_MS: i64 = HOUR_MS;
/// At or over this an element may be wet, %RH.
const WET_PCT: f64 = 99.5;
/// Under this it has dried, %RH.
const DRY_PCT: f64 = 97.0;
/// So long wet is saturated, ms.
pub const SATURATED_MS: i64 = 8 * HOUR_MS;
/// A silence this long ends a run of wet readings.
const WET_GAP_MS: i64 = 15 * MINUTE_MS;

/// What one series has been like.
#[derive(Clone, Debug)]
pub(super) struct Still {
    value: f64,
    since: Stamp,
    last_at: Stamp,
    /// The last change went up (1) or down (-1).
    direction: i8,
    /// Readings since the last change.
    same: u32,
    /// One bit a reading up to the last change: it turned back on the one before.
    turns: u64,
    wet_since: Option<Stamp>,
    is_wet: bool,
}

impl Still {
    pub(super) fn new() -> Still {
        Still {
            value: f64::NAN,
            since: Stamp(0),
            last_at: Stamp(i64::MIN),
            direction: 0,
            same: 0,
            turns: 0,
            wet_since: None,
            is_wet: false,
        }
    }

    /// Judges the next reading; one that is not good stays what it is and is nobody's neighbour.
    #[inline]
    pub(super) fn judge(&mut self, quantity: Quantity, reading: &mut Reading) {
        if reading.quality != Quality::Good {
            return;
        }
        let gap = reading.at.since(self.last_at);
        self.last_at = reading.at;
        if quantity == Quantity::Humidity {
            self.wet(reading, gap);
            if self.is_wet {
                reading.quality = Quality::Saturated;
            }
        }
        if self.is_stuck(reading, gap) && reading.quality == Quality::Good {
            reading.quality = Quality::Stuck;
        }
    }

    fn wet(&mut self, reading: &Reading, gap: i64) {
        if reading.value < WET_PCT {
            self.wet_since = None;
            self.is_wet &= reading.value >= DRY_PCT;
            return;
        }
        if gap > WET_GAP_MS {
            self.wet_since = None;
        }
        let since = *self.wet_since.get_or_insert(reading.at);
        self.is_wet |= reading.at.since(since) >= SATURATED_MS;
    }

    fn is_stuck(&mut self, reading: &Reading, gap: i64) -> bool {
        if reading.value.to_bits() == self.value.to_bits() {
            self.same = self.same.saturating_add(1);
            if gap > STILL_GAP_MS {
                self.since = reading.at;
            }
            return reading.at.since(self.since) >= STUCK_MS && self.turns.count_ones() >= TURNS;
        }
        let direction = if reading.value > self.value { 1 } else { -1 };
        let turned = u64::from(direction * self.direction == -1);
        self.turns = self.turns.checked_shl(self.same.saturating_add(1)).unwrap_or(0) | turned;
        (self.direction, self.same) = (direction, 0);
        (self.value, self.since) = (reading.value, reading.at);
        false
    }
}
