//! A tub's self-heating from what is stored: its own core over the air of the space it stood in.
//!
//! In: a tub, the installation, a moment. Out: the gathered [`SelfHeating`], and by day for charts. Only the
//! tub's own core counts: another's that stands in says nothing of this one.

use super::error::StoreError;
use super::figures::space_at;
use super::reader::Reader;
use crate::climate::{Quality, Quantity, Reading, Stamp};
use crate::grow::self_heating::SelfHeating;
use crate::grow::thermal::{Gaps, Preference};
use crate::grow::tub::Tub;
use crate::watch::setup::Setup;

/// From spawning to `until` (or the tub's end); none where it never had a core of its own.
///
/// # Errors
/// When the store cannot be read.
pub fn gather(reader: &Reader, tub: &Tub, setup: &Setup, until: Stamp) -> Result<Option<SelfHeating>, StoreError> {
    if tub.cores.iter().all(|core| core.value.is_none()) {
        return Ok(None);
    }
    let mut heating = SelfHeating::new(tub.spawned_at);
    let until = tub.ended_at.map_or(until, |ended| ended.min(until));
    // Day by day, core and air together: only the last three days' hours can still be added to.
    let mut from = tub.spawned_at;
    while from < until {
        let to = from.plus(crate::climate::stamp::DAY_MS).min(until);
        stretch(reader, tub, setup, from, to, &mut heating)?;
        from = to;
    }
    Ok(Some(heating))
}

fn stretch(
    reader: &Reader,
    tub: &Tub,
    setup: &Setup,
    from: Stamp,
    to: Stamp,
    heating: &mut SelfHeating,
) -> Result<(), StoreError> {
    let mut turns: Vec<Stamp> = tub.spaces.iter().map(|since| since.from).collect();
    turns.extend(tub.cores.iter().map(|since| since.from));
    turns.retain(|turn| *turn > from && *turn < to);
    turns.extend([from, to]);
    turns.sort_unstable();
    turns.dedup();
    for ends in turns.windows(2) {
        let (from, to) = (ends[0], ends[1]);
        let begun = tub.cores.partition_point(|core| core.from <= from);
        let core = begun.checked_sub(1).and_then(|place| tub.cores[place].value.as_deref());
        let Some(core) = core else { continue };
        let space = setup.spaces.iter().find(|space| space.name == space_at(tub, from));
        let air: Vec<(&str, i64)> = space
            .map_or(&[][..], |space| &space.air)
            .iter()
            .filter_map(|position| setup.probes.get(*position))
            .map(|probe| (probe.name.as_str(), Gaps::for_air(probe.every_ms).bridge_ms))
            .collect();
        let names: Vec<&str> = [core].into_iter().chain(air.iter().map(|(name, _)| *name)).collect();
        let mut preference = Preference::new(air.len());
        let mut visit = |position: usize, reading: Reading, _: bool| {
            if reading.quality != Quality::Good {
                return;
            }
            if position == 0 {
                heating.core(reading.at, reading.value);
            } else if preference.take(position - 1, reading.at, air[position - 1].1) {
                heating.air(reading.at, reading.value);
            }
        };
        reader.series_of(&names, Quantity::Temperature, from, to, &mut visit)?;
    }
    Ok(())
}
