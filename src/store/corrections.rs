//! Which corrections to write down when the config's differ from those stored.
//!
//! In: what is stored, what the config says, which probes have samples. Out: the rows to add. Pure.
//! A change holds from now on; what was measured before keeps the correction it had. The first one
//! of a probe without samples holds since the beginning of time, so that a backlog is corrected too.

use super::DatedCorrection;
use crate::climate::{Quantity, Stamp};
use crate::watch::setup::Correction;

/// The corrections to add so that from `now` on each series has what the config says.
///
/// `wanted` holds each probe's number and its corrections by `Quantity::index`; `has_samples` tells
/// whether anything of a probe is stored.
pub fn to_write(
    stored: &[DatedCorrection],
    wanted: &[(i64, [Correction; 4])],
    has_samples: impl Fn(i64) -> bool,
    now: Stamp,
) -> Vec<DatedCorrection> {
    let mut added = Vec::new();
    for (probe, corrections) in wanted {
        for quantity in Quantity::ALL {
            let of_series = stored.iter().filter(|dated| dated.probe == *probe && dated.quantity == quantity);
            let newest = of_series.max_by_key(|dated| dated.since);
            let correction = corrections[quantity.index()];
            if correction == newest.map_or_else(Correction::default, |dated| dated.correction) {
                continue;
            }
            let since = match newest {
                // Also where the clock has gone back, the newest must be the one in force.
                Some(newest) => now.max(newest.since.plus(1)),
                None if has_samples(*probe) => now,
                None => Stamp(i64::MIN),
            };
            added.push(DatedCorrection { probe: *probe, quantity, since, correction, made: now });
        }
    }
    added
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAIN: Correction = Correction { gain: 1.0, offset: 0.0 };
    const MINUS_TWO: Correction = Correction { gain: 1.0, offset: -2.0 };

    fn humidity(correction: Correction) -> [Correction; 4] {
        [PLAIN, correction, PLAIN, PLAIN]
    }

    fn dated(since: i64, correction: Correction) -> DatedCorrection {
        DatedCorrection { probe: 1, quantity: Quantity::Humidity, since: Stamp(since), correction, made: Stamp(5) }
    }

    #[test]
    fn every_case_of_a_change() {
        let now = Stamp(1_000);
        let added = |stored: &[DatedCorrection], wanted, sampled: bool| -> Vec<(i64, Correction)> {
            let rows = to_write(stored, &[(1, humidity(wanted))], |_| sampled, now);
            assert!(rows.iter().all(|row| row.probe == 1 && row.quantity == Quantity::Humidity && row.made == now));
            rows.iter().map(|row| (row.since.0, row.correction)).collect()
        };
        let first = [dated(i64::MIN, MINUS_TWO)];
        for (stored, wanted, sampled, expected) in [
            (&[][..], PLAIN, false, vec![]),
            (&[][..], MINUS_TWO, false, vec![(i64::MIN, MINUS_TWO)]),
            (&[][..], MINUS_TWO, true, vec![(1_000, MINUS_TWO)]),
            (&first[..], MINUS_TWO, true, vec![]),
            (&first[..], PLAIN, true, vec![(1_000, PLAIN)]), // taken out of the config again
            (&[dated(2_000, MINUS_TWO)][..], PLAIN, true, vec![(2_001, PLAIN)]), // the clock went back
            (&[dated(900, MINUS_TWO), dated(i64::MIN, PLAIN)][..], MINUS_TWO, true, vec![]), // newest of two
        ] {
            assert_eq!(added(stored, wanted, sampled), expected, "{stored:?} {wanted:?} {sampled}");
        }
    }
}
