//! A message on its way: dated, refused if already stored, judged, and handed to the store.

use crate::climate::{Quality, Stamp};
use crate::engine::tally::Refused;
use crate::engine::{Engine, clock::Clock};
use crate::ingest::{Message, Receipt};
use crate::store::{Change, Sample, Timing};
use crate::watch::dating::{self, Dated};
use crate::watch::judge;
use crate::wire::{Decoded, Refusal};

/// What rides along while a message waits to be dated.
#[derive(Debug)]
pub struct Riding {
    decoded: Decoded,
    receipt: Option<Receipt>,
}

impl Engine {
    /// Takes one decoded message of one probe.
    pub(super) fn message(&mut self, message: Message) {
        if message.carriage.beside {
            return self.beside(&message);
        }
        let probe = message.probe;
        let mut received = message.received;
        if let (Clock::Samples(_), Some(own)) = (&self.clock, message.decoded.time) {
            // On the samples' clock a message arrives when it was measured.
            self.clock.saw(own);
            received = self.clock.now();
        }
        let arrival = dating::Arrival {
            own: message.decoded.time,
            received,
            carriage: dating::Carriage {
                retained: message.carriage.retained,
                repeat: message.carriage.repeat,
                connection: message.carriage.connection,
                resumed: message.carriage.resumed,
            },
            payload: Riding { decoded: message.decoded, receipt: message.receipt },
        };
        let mut dated = std::mem::take(&mut self.dated);
        self.dating[probe].arrive(arrival, &mut dated);
        for one in dated.drain(..) {
            self.dated(probe, one);
        }
        self.dated = dated;
    }

    /// Takes a second copy of a message, which comes while the store fails: for the watches only. The
    /// first waits at the broker, is stored when the store is well, and makes the figures right again.
    fn beside(&mut self, message: &Message) {
        let now = self.clock.now();
        let at = message.decoded.time.filter(dating::was_set).unwrap_or(message.received);
        let known = self.seen.contains(self.probe_ids[message.probe], at);
        if message.carriage.retained || message.carriage.repeat || self.is_future(at, now) || known {
            return;
        }
        let values = message.decoded.values;
        let mut quality = [Quality::Good; 4];
        for quantity in crate::climate::Quantity::ALL {
            if let Some(value) = values[quantity.index()] {
                quality[quantity.index()] = judge::on_arrival(quantity, value);
            }
        }
        self.keeper.sample(message.probe, at, &values, quality, now, &mut self.events);
        self.changed = true;
    }

    fn is_future(&self, at: Stamp, now: Stamp) -> bool {
        match &self.timekeeping {
            Some(kept) => kept.is_future(at, now),
            None => at > now.plus(dating::FUTURE_MS),
        }
    }

    /// Lets go of a message that waited to see whether it belongs to a backlog.
    pub(super) fn release_held(&mut self, probe: usize, now: Stamp, at_once: bool) {
        let mut dated = Vec::new();
        if at_once {
            self.dating[probe].finish(&mut dated)
        } else {
            self.dating[probe].tick(now, &mut dated)
        }
        for one in dated {
            self.dated(probe, one);
        }
    }

    fn dated(&mut self, probe: usize, dated: Dated<Riding>) {
        let id = self.probe_ids[probe];
        let now = self.clock.now();
        self.round.receipts.extend(dated.payload.receipt);
        // Two messages that were dated by their arrival are two messages, however close.
        let at = if dated.own_time { dated.at } else { self.seen.next_free(id, dated.at) };
        if !self.seen.insert(id, at) {
            let refused = Refused {
                source: self.plan.probes[probe].source,
                probe: Some(probe),
                reason: Refusal::Duplicate,
                count: 1,
                excerpt: "",
            };
            self.tally.refuse(&self.plan, &refused, now);
            return;
        }
        let values = dated.payload.decoded.values;
        let (timing, known) = match &self.timekeeping {
            Some(kept) => kept.timing(dated.own_time, dated.quality),
            None => (Timing::SETTLED, dated.quality),
        };
        let mut quality = [Quality::Good; 4];
        for quantity in crate::climate::Quantity::ALL {
            if let Some(value) = values[quantity.index()] {
                quality[quantity.index()] =
                    if known == Quality::Good { judge::on_arrival(quantity, value) } else { known };
            }
        }
        // What a late sample makes stale is asked for at the next tick, all in one.
        self.keeper.sample(probe, at, &values, quality, now, &mut self.events);
        self.forwarding.saw(at);
        self.round.changes.push(Change::Sample(Sample { probe: id, at, values, quality, timing }));
        self.round.stored.push(probe);
    }
}
