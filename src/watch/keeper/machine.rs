//! What the keeper watches beside climate, on the machine's clock: silent probes, sources that are
//! away, a store that cannot be written.
//!
//! In: arrivals, source and store states, ticks. Out: alerts by way of the book.

use super::Keeper;
use super::book::{Slot, Wanted, Words};
use super::probes::SILENT_LONG_MS;
use crate::climate::Stamp;
use crate::climate::stamp::{HOUR_MS, MINUTE_MS};
use crate::watch::alert::{AlertEvent, Severity, Watch};
use crate::watch::setup::SourceSetup;
use crate::watch::wording;

/// A source may be away this long: a router starting anew, a cable put over.
const SOURCE_DOWN_MS: i64 = 2 * MINUTE_MS;
/// A store may fail this long: another program holding its lock.
const STORE_FAILING_MS: i64 = MINUTE_MS;
/// From here on history is being lost.
const STORE_CRITICAL_MS: i64 = HOUR_MS;

/// The live state of one source.
#[derive(Clone, Debug)]
pub(super) struct SourceWatch {
    pub(super) setup: SourceSetup,
    pub(super) subject: String,
    pub(super) is_up: bool,
    /// Since when it is up or away.
    pub(super) since: Stamp,
    why: String,
    pub(super) slot: Slot,
}

impl SourceWatch {
    /// Away until it is said to be up.
    pub(super) fn new(setup: SourceSetup, now: Stamp) -> SourceWatch {
        let subject = format!("source {}", setup.name);
        SourceWatch { setup, subject, is_up: false, since: now, why: String::new(), slot: Slot::default() }
    }
}

/// The live state of the store's watch.
#[derive(Clone, Debug, Default)]
pub(super) struct StoreWatch {
    pub(super) failing_since: Option<Stamp>,
    why: String,
    pub(super) slot: Slot,
}

fn plain(severity: Severity, first_at: Stamp) -> Wanted {
    Wanted { severity, first_at, value: None, limit: None, offends: true }
}

impl Keeper {
    /// A source can deliver (`is_up`: open, and every subscription granted) or cannot. `why` in words
    /// where it cannot. The same state said again only renews `why`.
    pub fn source(&mut self, source: usize, is_up: bool, at: Stamp, why: &str, events: &mut Vec<AlertEvent>) {
        let Some(it) = self.sources.get_mut(source) else { return };
        if !is_up && !why.is_empty() {
            it.why = wording::harmless(why);
        }
        if it.is_up == is_up {
            return;
        }
        let away_ms = at.since(it.since);
        it.is_up = is_up;
        it.since = at;
        if is_up {
            it.why.clear();
            let (name, kind) = (&it.setup.name, it.setup.kind);
            self.book.hold(&mut it.slot, (&it.subject, Watch::SourceDown), None, at, events, |_| {
                wording::source_back(name, kind, away_ms)
            });
        }
    }

    /// The store can be written, or cannot and why.
    pub fn store_state(&mut self, is_ok: bool, why: &str, now: Stamp, events: &mut Vec<AlertEvent>) {
        if is_ok {
            let failed_ms = self.store.failing_since.take().map_or(0, |since| now.since(since));
            let slot = &mut self.store.slot;
            self.book.hold(slot, ("store", Watch::Store), None, now, events, |_| wording::store_back(failed_ms));
        } else {
            self.store.failing_since.get_or_insert(now);
            self.store.why = wording::harmless(why);
            self.tick_store(now, events);
        }
    }

    /// Lets time pass, to be called about once a second: silent probes, sources away, a failing store,
    /// a lone critical reading that nothing followed.
    pub fn tick(&mut self, now: Stamp, events: &mut Vec<AlertEvent>) {
        for id in std::mem::take(&mut self.orphans) {
            self.book.gone(Slot::orphan(id), now, events);
        }
        for source in 0..self.sources.len() {
            self.tick_source(source, now, events);
        }
        for probe in 0..self.probes.len() {
            self.tick_silence(probe, now, events);
        }
        self.tick_store(now, events);
        self.tick_heat(now, events);
        for tub in 0..self.tubs.len() {
            self.tick_core(tub, now, events);
        }
    }

    fn tick_store(&mut self, now: Stamp, events: &mut Vec<AlertEvent>) {
        let Some(since) = self.store.failing_since else { return };
        let ms = now.since(since);
        if ms < STORE_FAILING_MS && !self.book.stands(self.store.slot) {
            return;
        }
        let severity = if ms >= STORE_CRITICAL_MS { Severity::Critical } else { Severity::Warning };
        let why = &self.store.why;
        let wanted = Some(plain(severity, since));
        self.book.hold(&mut self.store.slot, ("store", Watch::Store), wanted, now, events, |_| {
            wording::store_failing(why, ms)
        });
    }

    fn tick_source(&mut self, source: usize, now: Stamp, events: &mut Vec<AlertEvent>) {
        let it = &self.sources[source];
        let ms = now.since(it.since);
        if it.is_up || (ms < SOURCE_DOWN_MS && !self.book.stands(it.slot)) {
            return;
        }
        let probes = &self.probes;
        let hangs_on_it = |probe: &usize| probes[*probe].setup.source == source;
        let blind: Vec<String> = self
            .spaces
            .iter()
            .filter(|space| space.setup.heated && !space.guards.is_empty() && space.guards.iter().all(hangs_on_it))
            .map(|space| space.setup.name.clone())
            .collect();
        let severity = if blind.is_empty() { Severity::Warning } else { Severity::Critical };
        let count = probes.iter().filter(|probe| probe.setup.source == source).count();
        let it = &mut self.sources[source];
        let (name, kind, why) = (&it.setup.name, it.setup.kind, &it.why);
        let wanted = Some(plain(severity, it.since));
        self.book.hold(&mut it.slot, (&it.subject, Watch::SourceDown), wanted, now, events, |_| {
            wording::source_away(name, kind, ms, why, count, &blind)
        });
    }

    /// The probe showed that it lives.
    pub(super) fn heard(&mut self, probe: usize, now: Stamp, events: &mut Vec<AlertEvent>) {
        let it = &mut self.probes[probe];
        let silent_ms = now.since(it.quiet_since);
        it.heard_at = Some(now);
        it.quiet_since = now;
        if it.slot.id.is_some() {
            let name = &it.setup.name;
            self.book.hold(&mut it.slot, (&it.subject, Watch::ProbeSilent), None, now, events, |_| {
                wording::heard_again(name, silent_ms)
            });
        }
    }

    fn tick_silence(&mut self, probe: usize, now: Stamp, events: &mut Vec<AlertEvent>) {
        let it = &self.probes[probe];
        let stands = self.book.stands(it.slot);
        if !stands {
            // A source that is away explains the silence of its probes; once it is back they get time.
            let source = self.sources.get(it.setup.source);
            let quiet_from = source.map_or(it.quiet_since, |source| source.since.max(it.quiet_since));
            if source.is_some_and(|source| !source.is_up) || now.since(quiet_from) <= it.silent_ms() {
                return;
            }
        }
        let ms = now.since(it.quiet_since);
        let alone_in = self.alone_in(probe, now);
        let severity = match &alone_in {
            Some(_) => Severity::Critical,
            None if ms >= SILENT_LONG_MS && !it.sits_in.is_empty() => Severity::Warning,
            None => Severity::Advice,
        };
        let wanted = Some(plain(severity, it.quiet_since));
        let it = &mut self.probes[probe];
        let (setup, sits_in, ever) = (&it.setup, &it.sits_in, it.heard_at.is_some());
        self.book.hold(&mut it.slot, (&it.subject, Watch::ProbeSilent), wanted, now, events, |_: Words| {
            wording::silent(&setup.name, ever, ms, setup.every_ms, sits_in, alone_in.as_deref())
        });
    }

    /// The heated space of which no probe has reported for an hour, told by its first probe whose
    /// source is not away: one alert at night, not one for each probe.
    fn alone_in(&self, probe: usize, now: Stamp) -> Option<String> {
        let source_is_up = |index: usize| self.sources.get(self.probes[index].setup.source).is_none_or(|s| s.is_up);
        let heard_of_late = |index: &usize| now.since(self.probes[*index].quiet_since) < SILENT_LONG_MS;
        let is_alone = |space: &&super::spaces::SpaceState| {
            space.setup.heated
                && space.guards.contains(&probe)
                && space.guards.iter().copied().find(|guard| source_is_up(*guard)).unwrap_or(probe) == probe
                && !space.guards.iter().any(heard_of_late)
        };
        self.spaces.iter().find(is_alone).map(|space| space.setup.name.clone())
    }
}
