//! What the keeper watches beside climate, on the machine's clock: silent probes, sources that are
//! away, the parts of the machine itself.
//!
//! In: arrivals, states of sources and parts, ticks. Out: alerts by way of the book; what another
//! alert explains is put aside by design.

use super::Keeper;
use super::book::{Slot, Wanted, Words};
use super::probes::SILENT_LONG_MS;
use crate::climate::Stamp;
use crate::climate::stamp::{HOUR_MS, MINUTE_MS};
use crate::watch::alert::{AlertEvent, Severity, Watch};
use crate::watch::setup::SourceSetup;
use crate::watch::{sentences, wording};

/// A source may be away this long: a router starting anew, a cable put over.
const SOURCE_DOWN_MS: i64 = 2 * MINUTE_MS;
/// A part of the machine may fail this long: another program holding the store's lock, a network
/// that starts anew.
const PART_FAILING_MS: i64 = MINUTE_MS;
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

/// The live state of one part of the machine: the store, the clock, a messenger, the backup, the config.
#[derive(Clone, Debug, Default)]
pub(super) struct PartWatch {
    pub(super) failing_since: Option<Stamp>,
    why: String,
    /// It is worth no more than advice.
    is_advice: bool,
    pub(super) slot: Slot,
}

impl PartWatch {
    /// Where it stood before the start.
    pub(super) fn restored(failing_since: Option<Stamp>, slot: Slot) -> PartWatch {
        PartWatch { failing_since, why: String::new(), is_advice: false, slot }
    }
}

/// Which part: its watch, and its name where there are several of the kind (a messenger's).
pub(super) type Part = (Watch, String);

/// The watches over parts of the machine.
pub(super) const PARTS: [Watch; 5] =
    [Watch::Store, Watch::Clock, Watch::MessengerFailing, Watch::BackupOld, Watch::Config];

/// How an alert on a part is called.
pub(super) fn part_subject((watch, name): &Part) -> String {
    match watch {
        Watch::MessengerFailing => format!("messenger {name}"),
        Watch::BackupOld => "backup".to_owned(),
        other => other.word().to_owned(),
    }
}

/// The part an alert of before the start is on.
pub(super) fn part_of(watch: Watch, subject: &str) -> Option<Part> {
    let name = if watch == Watch::MessengerFailing { subject.strip_prefix("messenger ")? } else { "" };
    let part = (watch, name.to_owned());
    (PARTS.contains(&watch) && part_subject(&part) == subject).then_some(part)
}

/// How long a part may fail before anybody is told. A refused config is a fact at once.
fn part_patience_ms(watch: Watch) -> i64 {
    if watch == Watch::Config { 0 } else { PART_FAILING_MS }
}

fn part_severity(watch: Watch, ms: i64) -> Severity {
    match watch {
        Watch::Store if ms >= STORE_CRITICAL_MS => Severity::Critical,
        Watch::BackupOld | Watch::Config => Severity::Advice,
        _ => Severity::Warning,
    }
}

fn part_words((watch, name): &Part, subject: &str, why: &str, ms: i64, words: Words) -> String {
    match (words, watch) {
        (Words::Over { lasted_ms }, Watch::Store) => wording::store_back(lasted_ms),
        (Words::Over { lasted_ms }, Watch::Config) => sentences::config_taken_over(lasted_ms),
        (Words::Over { lasted_ms }, _) => sentences::machine_well(subject, lasted_ms),
        (Words::Stands, Watch::Store) => wording::store_failing(why, ms),
        (Words::Stands, Watch::Clock) => sentences::clock(why, ms),
        (Words::Stands, Watch::Config) => sentences::config_refused(why),
        (Words::Stands, Watch::MessengerFailing) => sentences::messenger_failing(name, why, ms),
        (Words::Stands, _) => sentences::backup_old(why),
    }
}

fn plain(severity: Severity, first_at: Stamp) -> Wanted {
    Wanted::plain(severity, first_at)
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
        self.machine_state(Watch::Store, "", is_ok, why, now, events);
    }

    /// A part of the machine works, or does not and why. `watch` is store, clock, messenger-failing
    /// (with the messenger's `name`), backup-old or config; any other is passed over. To be said whenever it is
    /// known anew; the same state said again only renews `why`. What does not work for a minute is
    /// raised (a config at once); the clock's and the backup's own patience is the caller's.
    pub fn machine_state(
        &mut self,
        watch: Watch,
        name: &str,
        is_ok: bool,
        why: &str,
        now: Stamp,
        events: &mut Vec<AlertEvent>,
    ) {
        if !PARTS.contains(&watch) {
            return;
        }
        let part = (watch, if watch == Watch::MessengerFailing { name.to_owned() } else { String::new() });
        if is_ok {
            let Some(state) = self.parts.get_mut(&part) else { return };
            if state.failing_since.take().is_none() && state.slot.id.is_none() {
                return;
            }
            let subject = part_subject(&part);
            self.book.hold(&mut state.slot, (&subject, watch), None, now, events, |words| {
                part_words(&part, &subject, "", 0, words)
            });
        } else {
            let state = self.parts.entry(part.clone()).or_default();
            state.failing_since.get_or_insert(now);
            state.why = wording::harmless_within(why, sentences::CONFIG_WHY_MAX);
            self.tick_part(&part, now, events);
        }
    }

    /// Which messengers there are, and whether backups are made: what was told of others is over.
    pub fn parts_are(&mut self, messengers: &[&str], backups: bool, now: Stamp, events: &mut Vec<AlertEvent>) {
        let is_gone = |(watch, name): &Part| match watch {
            Watch::MessengerFailing => !messengers.contains(&name.as_str()),
            Watch::BackupOld => !backups,
            _ => false,
        };
        let gone: Vec<Part> = self.parts.keys().filter(|part| is_gone(part)).cloned().collect();
        for part in gone {
            if let Some(state) = self.parts.remove(&part) {
                self.book.gone(state.slot, now, events);
            }
        }
    }

    /// The machine's clock is right, or cannot be relied on and why; or (`is_advice`) it is only that
    /// nobody confirms it.
    pub fn clock_state(&mut self, is_ok: bool, is_advice: bool, why: &str, now: Stamp, events: &mut Vec<AlertEvent>) {
        if let Some(state) = self.parts.get_mut(&(Watch::Clock, String::new())) {
            state.is_advice = is_advice;
        } else if !is_ok {
            let new = PartWatch { is_advice, ..PartWatch::default() };
            self.parts.insert((Watch::Clock, String::new()), new);
        }
        self.machine_state(Watch::Clock, "", is_ok, why, now, events);
    }

    /// Lets time pass, to be called about once a second: silent probes, sources away, failing parts,
    /// reminders, a lone critical reading that nothing followed, what was put aside for a while.
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
        self.tick_heat(now, events);
        let failing = self.parts.iter().filter(|(_, state)| state.failing_since.is_some());
        let failing: Vec<Part> = failing.map(|(part, _)| part.clone()).collect();
        for part in &failing {
            self.tick_part(part, now, events);
        }
        for tub in 0..self.tubs.len() {
            self.tick_core(tub, now, now, events);
            self.tick_tub(tub, now, events);
        }
        self.tick_shelves(now, events);
        self.explain(now, events);
    }

    fn tick_part(&mut self, part: &Part, now: Stamp, events: &mut Vec<AlertEvent>) {
        let Some(state) = self.parts.get_mut(part) else { return };
        let Some(since) = state.failing_since else { return };
        let ms = now.since(since);
        if ms < part_patience_ms(part.0) && !self.book.stands(state.slot) {
            return;
        }
        let severity = if state.is_advice { Severity::Advice } else { part_severity(part.0, ms) };
        let wanted = Some(plain(severity, since));
        let (subject, why) = (part_subject(part), &state.why);
        self.book.hold(&mut state.slot, (&subject, part.0), wanted, now, events, |words| {
            part_words(part, &subject, why, ms, words)
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
        // A source that is away explains the silence of its probes; once it is back they get time.
        let source = self.sources.get(it.setup.source);
        let quiet_from = source.map_or(it.quiet_since, |source| source.since.max(it.quiet_since));
        if source.is_some_and(|source| !source.is_up) || (!stands && now.since(quiet_from) <= it.silent_ms()) {
            return;
        }
        if it.heard_at.is_none() && self.waits_for_first {
            return;
        }
        let (ms, told_at) = (now.since(it.quiet_since), self.silence_told_at(probe, quiet_from, now));
        let alone_in = self.alone_in(probe, now);
        let severity = match &alone_in {
            Some(_) => Severity::Critical,
            None if ms >= SILENT_LONG_MS && !it.sits_in.is_empty() => Severity::Warning,
            None => Severity::Advice,
        };
        let wanted = Some(plain(severity, it.quiet_since));
        let it = &mut self.probes[probe];
        let (setup, sits_in, ever) = (&it.setup, &it.sits_in, it.heard_at.is_some());
        self.book.hold(&mut it.slot, (&it.subject, Watch::ProbeSilent), wanted, told_at, events, |_: Words| {
            wording::silent(&setup.name, ever, ms, setup.every_ms, sits_in, alone_in.as_deref())
        });
    }

    /// The moment a silence is told with: when it had lasted long enough, by the millisecond after it.
    fn silence_told_at(&self, probe: usize, quiet_from: Stamp, now: Stamp) -> Stamp {
        let it = &self.probes[probe];
        let step = match self.book.get(it.slot) {
            Some(_) => it.quiet_since.plus(SILENT_LONG_MS),
            None => quiet_from.plus(it.silent_ms() + 1),
        };
        // What is known only now, or was known before, is told as of now.
        if step <= now && now.since(step) < 2 * MINUTE_MS { step } else { now }
    }

    /// Puts aside what another alert explains, and takes it up again: the silence of a source's probes
    /// while it is away, and what stands, short of critical, by readings of a probe that is silent.
    fn explain(&mut self, now: Stamp, events: &mut Vec<AlertEvent>) {
        if self.book.iter().next().is_none() {
            return;
        }
        let is_told = |slot: Slot| self.book.stands(slot);
        let away: Vec<bool> = self.sources.iter().map(|it| !it.is_up && is_told(it.slot)).collect();
        let is_away = |probe: usize| away.get(self.probes[probe].setup.source).copied().unwrap_or(false);
        let is_silent = |probe: usize| is_away(probe) || is_told(self.probes[probe].slot);
        let mut slots: Vec<(Slot, bool)> = Vec::new();
        for probe in 0..self.probes.len() {
            slots.push((self.probes[probe].slot, is_away(probe)));
        }
        for tub in &self.tubs {
            let silent = tub.core.as_ref().is_some_and(|core| is_silent(core.probe));
            let by_core = [super::care::OVER_AIR, super::care::AHEAD].map(|index| tub.cares.slots[index]);
            slots.extend([tub.slot].into_iter().chain(by_core).map(|slot| (slot, silent)));
        }
        for space in &self.spaces {
            let silent = !space.setup.air.is_empty() && space.setup.air.iter().all(|probe| is_silent(*probe));
            slots.extend(space.slots.into_iter().chain([space.people_slot]).map(|slot| (slot, silent)));
        }
        for (slot, is_explained) in slots.into_iter().filter(|(slot, _)| slot.id.is_some()) {
            let is_critical = self
                .book
                .get(slot)
                .is_some_and(|alert| alert.severity == Severity::Critical && alert.watch != Watch::ProbeSilent);
            self.book.suppress(slot, is_explained && !is_critical, now, events);
        }
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
