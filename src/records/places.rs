//! Where each probe was at each time: in a space's air, or in a tub's core.
//!
//! In: the installation and the tubs. Out: the probes worth writing out, and the place of one at a
//! moment. Pure.

use crate::climate::Stamp;
use crate::grow::tub::Tub;
use crate::store::figures::{core_at, space_at};
use crate::watch::setup::Setup;

/// A probe's place at one moment.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Place<'a> {
    /// The space, or empty.
    pub space: &'a str,
    /// The tub whose core it measures.
    pub tub: Option<&'a Tub>,
}

/// A probe, and where it was.
#[derive(Debug)]
pub(super) struct Placed<'a> {
    /// Its name.
    pub name: String,
    /// How often it should report; 0 where it left the config.
    pub every_ms: i64,
    /// The space whose air it measures now.
    air: Option<&'a str>,
    /// The stretches in which it was a tub's core: from, until before, which tub.
    cores: Vec<(Stamp, Stamp, &'a Tub)>,
}

impl<'a> Placed<'a> {
    /// Every probe of the config, in the order of spaces and then of the config, and every other of
    /// `known` (those ever heard of) after them.
    pub fn all(setup: &'a Setup, tubs: &'a [Tub], known: &[String]) -> Vec<Placed<'a>> {
        let airs = setup.spaces.iter().flat_map(|space| space.air.iter().copied());
        let mut names: Vec<&str> = Vec::new();
        let configured = airs.chain(0..setup.probes.len()).filter_map(|position| setup.probes.get(position));
        for name in configured.map(|probe| probe.name.as_str()).chain(known.iter().map(String::as_str)) {
            if !names.contains(&name) {
                names.push(name);
            }
        }
        names.into_iter().map(|name| Placed::new(name, setup, tubs)).collect()
    }

    fn new(name: &str, setup: &'a Setup, tubs: &'a [Tub]) -> Placed<'a> {
        let position = setup.probes.iter().position(|probe| probe.name == name);
        let air = setup.spaces.iter().find(|space| space.air.iter().any(|air| Some(*air) == position));
        let mut cores = Vec::new();
        for tub in tubs {
            let ends = tub.cores.iter().skip(1).map(|since| since.from);
            for (since, next) in tub.cores.iter().zip(ends.chain([Stamp(i64::MAX)])) {
                if since.value.as_deref() == Some(name) {
                    cores.push((since.from, next.min(tub.ended_at.unwrap_or(next)), tub));
                }
            }
        }
        Placed {
            name: name.to_owned(),
            every_ms: position.map_or(0, |position| setup.probes[position].every_ms),
            air: air.map(|space| space.name.as_str()),
            cores,
        }
    }

    /// Where it was at `at`: a tub's core before a space's air, else nowhere that is known.
    pub fn at(&self, at: Stamp) -> Place<'a> {
        match self.cores.iter().find(|(from, until, _)| *from <= at && at < *until) {
            Some((_, _, tub)) => Place { space: space_at(tub, at), tub: Some(*tub) },
            None => Place { space: self.air.unwrap_or_default(), tub: None },
        }
    }

    /// Every moment from which its place may be another than before, in order; the first is the
    /// beginning of time.
    pub fn turns(&self) -> Vec<Stamp> {
        let cores = self.cores.iter().flat_map(|(from, until, tub)| {
            let moves = tub.spaces.iter().map(|since| since.from).filter(|at| from <= at && at < until);
            moves.chain([*from, *until]).collect::<Vec<_>>()
        });
        let mut turns: Vec<Stamp> = cores.chain([Stamp(i64::MIN)]).filter(|at| at.0 < i64::MAX).collect();
        turns.sort();
        turns.dedup();
        turns
    }

    /// Whether it ever was a tub's core.
    pub fn is_core(&self) -> bool {
        !self.cores.is_empty()
    }

    /// Whether what it read at `at` tells of `tub`: its core, or the air around it.
    pub fn concerns(&self, tub: &Tub, tubs: &[Tub], at: Stamp) -> bool {
        let alive = tub.spawned_at <= at && tub.ended_at.is_none_or(|ended| at < ended);
        alive && (core_at(tub, tubs, at) == Some(self.name.as_str()) || self.air == Some(space_at(tub, at)))
    }
}
