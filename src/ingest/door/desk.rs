//! What the guests of one intake share: its probes, its counters, who is there.

use std::collections::HashMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use rumqttc::Publish;
use tokio::sync::{Semaphore, mpsc, oneshot};

use super::super::intake::Intake;
use super::super::readers::Readers;
use super::super::routes::Routes;
use super::super::{Carriage, Delivery, Message};
use crate::config::plan::IntakePlan;
use crate::wire::Refusal;

/// The longest payload decoded, bytes: as from a broker.
const PAYLOAD_BYTES_MAX: usize = 64 * 1024;

/// The shared part of an intake.
pub(super) struct Desk {
    pub(super) plan: IntakePlan,
    /// One password is examined at a time: each costs several megabytes.
    pub(super) examined: Semaphore,
    /// `None` once nothing more is taken in.
    taking: Mutex<Option<Taking>>,
    guests: Mutex<HashMap<String, (u64, oneshot::Sender<()>)>>,
}

struct Taking {
    intake: Intake,
    routes: Routes,
    readers: Readers,
}

fn lock<T>(of: &Mutex<T>) -> MutexGuard<'_, T> {
    of.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Desk {
    pub(super) fn new(plan: IntakePlan, intake: Intake, routes: Routes, readers: Readers) -> Desk {
        let taking = Mutex::new(Some(Taking { intake, routes, readers }));
        Desk { plan, examined: Semaphore::new(1), taking, guests: Mutex::default() }
    }

    /// Nothing more is taken in.
    pub(super) fn close(&self) {
        *lock(&self.taking) = None;
    }

    /// Does something with the source's own, unless nothing is taken in any more.
    pub(super) fn with_intake<T>(&self, act: impl FnOnce(&mut Intake) -> T) -> Option<T> {
        lock(&self.taking).as_mut().map(|taking| act(&mut taking.intake))
    }

    /// The engine's queue, unless nothing is taken in any more.
    pub(super) fn queue(&self) -> Option<mpsc::Sender<Delivery>> {
        self.with_intake(|intake| intake.queue.clone())
    }

    /// Counts a refusal.
    pub(super) fn refuse(&self, reason: Refusal, by: &str, what: &str) {
        self.with_intake(|intake| intake.refuse(None, reason, by, what.as_bytes()));
    }

    /// Reads one message: what its probes make of it, without receipts. `None` once nothing is taken in.
    pub(super) fn read(&self, publish: &Publish, connection: u64) -> Option<Vec<Message>> {
        let mut taking = lock(&self.taking);
        let Taking { intake, routes, readers } = taking.as_mut()?;
        let refused = if publish.payload.len() > PAYLOAD_BYTES_MAX {
            readers.found.clear();
            Some((None, Refusal::TooLong))
        } else {
            readers.read(routes.of(&publish.topic), &publish.payload)
        };
        intake.seen(&publish.topic, &publish.payload, &readers.found, refused);
        if let Some((probe, reason)) = refused {
            intake.refuse(probe, reason, &publish.topic, &publish.payload);
        }
        let received = (intake.clock)();
        // A board that asks a broker to keep its message has still just sent it.
        let carriage = Carriage { repeat: publish.dup, connection, ..Carriage::default() };
        let found = readers.found.drain(..);
        Some(found.map(|(probe, decoded)| Message { probe, decoded, received, carriage, receipt: None }).collect())
    }

    /// A client is there; one of the same name is sent away (3.1.4-2). Gives what tells it to go.
    pub(super) fn enter(&self, client: &str, connection: u64) -> oneshot::Receiver<()> {
        let (go, told) = oneshot::channel();
        // A dropped sender tells the earlier one as well.
        lock(&self.guests).insert(client.to_owned(), (connection, go));
        told
    }

    /// A client has gone.
    pub(super) fn leave(&self, client: &str, connection: u64) {
        let mut guests = lock(&self.guests);
        if guests.get(client).is_some_and(|(of, _)| *of == connection) {
            guests.remove(client);
        }
    }
}
