//! Which probes are believed: their doubts held to their neighbours, and told.
//!
//! In: samples that were judged. Out: alerts on the probe; a core probe that is not in its substrate
//! hands its tub over to the air.

use super::Keeper;
use super::book::Words;
use super::doubts::{BATTERY, DOUBTS, FALLEN_OUT, IMPLAUSIBLE, SATURATED, STUCK, moved_enough};
use super::probes::ProbeState;
use crate::climate::{Quantity, Stamp};
use crate::watch::alert::AlertEvent;
use crate::watch::sentences;

impl Keeper {
    /// Looks at what a new sample of `probe` says of the probe itself. `is_fresh`: it may be told.
    pub(super) fn doubt(&mut self, probe: usize, at: Stamp, is_fresh: bool, now: Stamp, events: &mut Vec<AlertEvent>) {
        if self.probes[probe].doubts.is_compare_due(at) {
            self.ask_neighbours(probe, at);
            self.compare_with_air(probe, at, is_fresh, now, events);
        }
        if is_fresh {
            self.hold_doubts(probe, at, events);
        }
    }

    fn hold_doubts(&mut self, probe: usize, at: Stamp, events: &mut Vec<AlertEvent>) {
        let (pending, show) = (self.probes[probe].pending(), self.setup.show);
        let ProbeState { doubts, setup, subject, sits_in, .. } = &mut self.probes[probe];
        for (index, watch) in DOUBTS.into_iter().enumerate() {
            let wanted = doubts.wanted(index, !sits_in.is_empty(), at, pending);
            let mut slot = doubts.slots[index];
            if wanted.is_none() && slot.id.is_none() {
                continue;
            }
            let name = &setup.name;
            self.book.hold(&mut slot, (subject, watch), wanted, at, events, |words| match words {
                Words::Over { .. } if index == BATTERY => sentences::battery_well(name),
                Words::Over { lasted_ms } => sentences::believed_again(name, lasted_ms),
                Words::Stands => match index {
                    STUCK => {
                        let (quantity, value, since) = doubts.stuck().unwrap_or((Quantity::Temperature, 0.0, at));
                        let neighbour = doubts.neighbour.as_ref().map(|(_, name)| name.as_str());
                        sentences::stuck(name, sits_in, quantity, value, at.since(since), neighbour)
                    }
                    IMPLAUSIBLE => {
                        let found = doubts.implausible(pending).unwrap_or((Quantity::Temperature, 0, at, f64::NAN));
                        sentences::implausible(name, sits_in, found.0, found.1, found.3)
                    }
                    SATURATED => {
                        let wet_ms = wanted.map_or(0, |wanted| at.since(wanted.first_at));
                        sentences::saturated(name, wet_ms + crate::watch::still::SATURATED_MS)
                    }
                    FALLEN_OUT => sentences::fallen_out(name, sits_in, show),
                    _ => sentences::battery(name, sits_in, doubts.battery(), doubts.is_percent()),
                },
            });
            doubts.slots[index] = slot;
        }
    }

    /// Whether a neighbour moved while this probe stood still.
    fn ask_neighbours(&mut self, probe: usize, at: Stamp) {
        let state = &self.probes[probe];
        let is_core = !state.sits_in.is_empty();
        let found = Quantity::ALL[..3].iter().find_map(|quantity| {
            let since = state.doubts.still_since(*quantity, at)?;
            let moved = |other: &usize| {
                let other = &self.probes[*other];
                // A core makes its own heat: that it moves says nothing of the air.
                if !is_core && !other.sits_in.is_empty() {
                    return false;
                }
                let enough = moved_enough(*quantity, is_core && other.sits_in.is_empty());
                other.doubts.range_since(*quantity, since) >= enough
            };
            let neighbour = self.neighbours(probe).find(moved)?;
            Some((*quantity, self.probes[neighbour].setup.name.clone()))
        });
        let doubts = &mut self.probes[probe].doubts;
        if found.is_some() {
            doubts.neighbour = found;
        } else if let Some((quantity, _)) = doubts.neighbour
            && doubts.still_since(quantity, at).is_none()
        {
            doubts.neighbour = None;
        }
    }

    /// The other probes of the spaces it bears on.
    fn neighbours(&self, probe: usize) -> impl Iterator<Item = usize> + '_ {
        let state = &self.probes[probe];
        let of_air = state.air_of.iter().map(|(space, _)| *space);
        let of_core = state.core_of.iter().filter_map(|tub| self.tubs[*tub].space);
        let spaces = of_air.chain(of_core).collect::<Vec<_>>();
        let guards = spaces.into_iter().flat_map(|space| self.spaces[space].guards.iter().copied());
        guards.filter(move |other| *other != probe)
    }

    /// Whether a core follows the air of its tub's space.
    fn compare_with_air(&mut self, probe: usize, at: Stamp, is_fresh: bool, now: Stamp, events: &mut Vec<AlertEvent>) {
        let state = &self.probes[probe];
        let own = |tub: &&usize| self.tubs[**tub].core.as_ref().is_some_and(|core| core.of_tub.is_none());
        let space = state.core_of.iter().find(own).and_then(|tub| self.tubs[*tub].space);
        let air = space.and_then(|space| self.spaces[space].speaker(&self.probes, Quantity::Temperature, now));
        let Some(air) = air.filter(|air| *air != probe) else {
            self.probes[probe].doubts.is_out = false;
            return;
        };
        let air_trend = self.probes[air].trend.clone();
        let ProbeState { doubts, trend, .. } = &mut self.probes[probe];
        let before = doubts.is_out;
        doubts.compare(trend, &air_trend, at);
        if doubts.is_out != before {
            self.set_roles();
            if is_fresh {
                self.settle_limits(at, events);
            }
        }
    }
}
