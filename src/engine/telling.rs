//! Telling, as the engine sees it: what goes to the messengers and when, how they do, the morning
//! list, and whether all works.
//!
//! In: alert events and outcomes of tries. Out: outbox items for the store and the messengers, facts
//! for the watches. The rules are `deliver::Teller`'s and `deliver::morning`'s.

use tokio::sync::oneshot;
use tracing::warn;

use crate::climate::Stamp;
use crate::climate::stamp::{DAY_MS, MINUTE_MS};
use crate::config::Plan;
use crate::deliver::morning::{self, Doubtful, Facts, Past, Worked};
use crate::deliver::{Letterhead, Outcome, Teller};
use crate::engine::Engine;
use crate::status::snapshot::Snapshot;
use crate::store::{Change, OutboxItem, ToldLately};
use crate::watch::alert::{Alert, AlertEvent, AlertState, Watch};
use crate::watch::view::AlertView;

/// When no messenger has worked for so long though something waits, nobody hears from us: then the
/// sign of life is withheld, so that somebody else asks.
const OUTBOX_STUCK_MS: i64 = 10 * MINUTE_MS;

/// How one messenger does.
#[derive(Clone, Debug)]
struct Doing {
    name: String,
    accepted_at: Option<Stamp>,
    /// Since when no try was accepted, and why the last was not.
    fault: Option<(Stamp, String)>,
}

/// What the engine keeps of telling.
pub(super) struct Telling {
    pub(super) teller: Teller,
    head: Letterhead,
    next_outbox_id: i64,
    doing: Vec<Doing>,
    last_morning: Option<String>,
    last_morning_at: Option<Stamp>,
    /// What of the backlog was in a list already.
    past_told: Vec<Past>,
    /// What was last shown of what stands: id, severity, state.
    shown: Vec<(i64, &'static str, &'static str)>,
}

/// Whether a watch only says that it is time for something.
fn is_due(watch: &str) -> bool {
    [Watch::Due.word(), Watch::PickSoon.word()].contains(&watch)
}

impl Telling {
    /// Carries on from what was told before; `stands` is what stands where no store knows.
    pub(super) fn new<'a>(
        plan: &Plan,
        told: Option<ToldLately>,
        stands: impl Iterator<Item = &'a Alert>,
        next_outbox_id: i64,
    ) -> Telling {
        let teller = match &told {
            Some(told) => Teller::new(plan, told),
            None => Teller::without_store(plan, stands.cloned()),
        };
        let told = told.unwrap_or_default();
        let accepted_at = |name: &str| told.accepted.iter().find(|(of, _)| of == name).map(|(_, at)| *at);
        let doing = plan.messengers.iter().map(|messenger| Doing {
            name: messenger.name.clone(),
            accepted_at: accepted_at(&messenger.name),
            fault: None,
        });
        Telling {
            teller,
            head: Letterhead::of(plan),
            next_outbox_id,
            doing: doing.collect(),
            last_morning: told.last_morning,
            last_morning_at: told.last_morning_at,
            past_told: Vec::new(),
            shown: Vec::new(),
        }
    }
}

impl Engine {
    /// At each tick: what waited for its time, the morning list, what stands.
    pub(super) fn tell_what_is_due(&mut self) {
        self.tell();
        self.tell_morning();
    }

    /// Tells what is to be told at once of one event.
    pub(super) fn tell_event(&mut self, event: &AlertEvent) {
        let now = self.clock.now();
        let items = self.telling.teller.event(event, now, &mut self.telling.next_outbox_id);
        self.hand_over(items);
    }

    /// Tells what waited for its time, and what stands.
    pub(super) fn tell(&mut self) {
        if self.telling.teller.has_waiting() {
            let now = self.clock.now();
            let next_id = &mut self.telling.next_outbox_id;
            let items = self.telling.teller.due(now, self.keeper.alerts(), next_id);
            self.hand_over(items);
        }
        if self.outlets.deliverer.publishes() {
            let now: Vec<_> =
                self.keeper.alerts().map(|alert| (alert.id, alert.severity.word(), alert.state.word())).collect();
            if now != self.telling.shown {
                let alerts: Vec<&Alert> = self.keeper.alerts().collect();
                self.outlets.deliverer.stands(alerts.into_iter());
                self.telling.shown = now;
            }
        }
    }

    /// Items go to the store and, after their commit or a moment, to their messengers.
    fn hand_over(&mut self, items: Vec<OutboxItem>) {
        for item in items {
            let (told, committed) = oneshot::channel::<()>();
            self.round.changes.push(Change::Outbox(item.clone()));
            self.round.told.push(told);
            self.round.at_once = true;
            self.outlets.deliverer.hand_over(item, async {
                if committed.await.is_err() {
                    // Never committed: it must not be dropped from memory in favour of the store.
                    std::future::pending::<()>().await;
                }
            });
        }
    }

    /// Takes what came of one try.
    pub(super) fn outcome(&mut self, outcome: &Outcome) {
        let at = self.clock.now();
        let doing = self.telling.doing.iter_mut().find(|doing| doing.name == outcome.messenger);
        match &outcome.result {
            Ok(()) => {
                self.round.changes.push(Change::Delivered { id: outcome.id, at });
                self.round.at_once = true;
                if let Some(doing) = doing {
                    *doing = Doing { accepted_at: Some(at), fault: None, ..doing.clone() };
                }
                let name = &outcome.messenger;
                self.keeper.machine_state(Watch::MessengerFailing, name, true, "", at, &mut self.events);
            }
            Err(why) => {
                self.round.changes.push(Change::Tried { id: outcome.id, tries: outcome.tries, error: why.clone() });
                if let Some(doing) = doing {
                    let since = doing.fault.as_ref().map_or(at, |(since, _)| *since);
                    doing.fault = Some((since, why.clone()));
                }
                let name = &outcome.messenger;
                self.keeper.machine_state(Watch::MessengerFailing, name, false, why, at, &mut self.events);
            }
        }
        self.changed = true;
    }

    fn tell_morning(&mut self) {
        let Some(plan) = self.plan.morning.clone() else { return };
        let now = self.clock.now();
        let Some(day) = morning::day_due(now, plan.at, self.plan.timezone) else { return };
        let key = morning::key(&self.plan.site, day);
        if self.telling.last_morning.as_ref() == Some(&key) {
            return;
        }
        let facts = self.facts(now);
        let mut items = Vec::new();
        for messenger in &plan.to {
            let id = self.telling.next_outbox_id;
            self.telling.next_outbox_id += 1;
            items.push(morning::item(&self.telling.head, messenger, &facts, day, id, now));
        }
        self.hand_over(items);
        self.telling.last_morning = Some(key);
        self.telling.last_morning_at = Some(now);
        self.telling.past_told = facts.past;
    }

    fn facts(&self, now: Stamp) -> Facts {
        let snapshot = self.snapshot(now);
        let since = self.telling.last_morning_at.unwrap_or(now.plus(-DAY_MS)).max(now.plus(-7 * DAY_MS));
        let stands = |alert: &&AlertView| !["returned", "suppressed"].contains(&alert.state);
        let standing = snapshot.alerts.iter().filter(stands);
        Facts {
            due: self.due(&snapshot, now),
            past: self.went_by(since),
            standing: standing.filter(|alert| !is_due(alert.watch)).cloned().collect(),
            doubtful: snapshot
                .probes
                .iter()
                .filter(|probe| probe.health != "reporting")
                .map(|probe| Doubtful { probe: probe.name.clone(), health: probe.health })
                .collect(),
            messengers: self
                .telling
                .doing
                .iter()
                .map(|doing| Worked {
                    name: doing.name.clone(),
                    last_accepted_at: doing.accepted_at,
                    fault: doing.fault.as_ref().map(|(_, why)| why.clone()),
                })
                .collect(),
            since,
        }
    }

    /// What the watches say is due, and tubs whose window opens within a day.
    fn due(&self, snapshot: &Snapshot, now: Stamp) -> Vec<String> {
        let told: Vec<&AlertView> = snapshot.alerts.iter().filter(|alert| is_due(alert.watch)).collect();
        let mut due: Vec<String> = told.iter().map(|alert| alert.text.clone()).collect();
        for tub in &snapshot.tubs {
            let Some(window) = tub.due.as_ref().filter(|window| window.earliest <= now.plus(DAY_MS)) else { continue };
            let subject = format!("tub {}", tub.name);
            if told.iter().all(|alert| alert.subject != subject) {
                let local = |at: Stamp| self.telling.head.local(at);
                let until = window.latest.map_or(String::new(), |latest| format!(" until {}", local(latest)));
                due.push(format!("Tub {}: look from {}{until}.", tub.name, local(window.earliest)));
            }
        }
        due
    }

    /// Alerts that came and went since then, and what a backlog told afterwards.
    fn went_by(&self, since: Stamp) -> Vec<Past> {
        let stored = match &self.reader {
            Some(reader) => reader.alerts_since(since).unwrap_or_else(|why| {
                warn!("the morning list is without what went by: {why}");
                Vec::new()
            }),
            None => self.keeper.alerts().cloned().collect(),
        };
        let mut past: Vec<Past> = stored
            .iter()
            .filter(|alert| matches!(alert.state, AlertState::Returned | AlertState::Ended))
            .filter_map(|alert| {
                let to = alert.returned_at.or(alert.ended_at)?;
                (to >= since).then(|| Past {
                    from: alert.since,
                    to,
                    subject: alert.subject.clone(),
                    watch: alert.watch.word(),
                    severity: alert.severity.word(),
                })
            })
            .collect();
        let backlog = self.keeper.past().map(|past| Past {
            from: past.from,
            to: past.to,
            subject: past.subject.clone(),
            watch: past.watch.word(),
            severity: past.severity.word(),
        });
        past.extend(backlog.filter(|one| !self.telling.past_told.contains(one)));
        past.sort_by_key(|past| past.from);
        past
    }

    /// What does not work of samples, watches, store and outbox, each in a sentence.
    pub(super) fn faults(&self) -> Vec<String> {
        let mut faults: Vec<String> = self.store_fault.iter().map(|why| format!("store: {why}")).collect();
        let now = self.clock.now();
        let stuck = |doing: &Doing| doing.fault.as_ref().is_some_and(|(since, _)| now.since(*since) > OUTBOX_STUCK_MS);
        if let Some((_, why)) = self.telling.doing.first().and_then(|doing| doing.fault.as_ref())
            && self.telling.doing.iter().all(stuck)
        {
            faults.push(format!("outbox: no messenger has worked for more than 10 minutes: {why}"));
        }
        faults
    }
}
