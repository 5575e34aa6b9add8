//! Receipts: how the engine says that a message is on disk, so that its broker may forget it.
//!
//! In: receipts given. Out: acknowledgements to send, in [`Acks`], which the broker's task empties.
//! A receipt that is dropped without being given acknowledges nothing: the broker sends the message
//! again. So does one of an earlier connection, whose numbers mean other messages by now.

use std::sync::atomic::{AtomicU32, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::Notify;

/// One message to acknowledge.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ack {
    /// Which connection brought it, counted from 1.
    pub connection: u64,
    /// Its packet identifier.
    pub message: u16,
    /// It came with QoS 2, which is answered by another packet.
    pub exactly_once: bool,
}

/// The acknowledgements of one source that wait to be sent. Bounded by what a connection can have in
/// flight: 65,535 packet identifiers, each free again only once it was acknowledged.
#[derive(Debug, Default)]
pub struct Acks {
    waiting: Mutex<Vec<Ack>>,
    /// How soon they are wanted, where somebody cannot wait for the usual commit.
    within: Option<Duration>,
    connection: AtomicU64,
    given: Notify,
}

impl Acks {
    /// Acknowledgements that are wanted `within` this time of a message's arrival.
    pub fn wanted_within(within: Duration) -> Acks {
        Acks { within: Some(within), ..Acks::default() }
    }

    /// A new connection begins: what waits for earlier ones is dropped, and what comes for them too.
    pub fn begin(&self, connection: u64) {
        self.connection.store(connection, Ordering::Release);
        self.lock().clear();
    }

    /// Receipts for one message, one for each of its `readers`.
    pub fn receipts(self: &Arc<Self>, ack: Ack, readers: u32) -> impl Iterator<Item = Receipt> + use<> {
        let left = (readers > 1).then(|| Arc::new(AtomicU32::new(readers)));
        let acks = Arc::clone(self);
        (0..readers).map(move |_| Receipt { acks: Arc::clone(&acks), ack, left: left.clone() })
    }

    /// Adds an acknowledgement, unless it is for an earlier connection.
    pub fn push(&self, ack: Ack) {
        if ack.connection == self.connection.load(Ordering::Acquire) {
            self.lock().push(ack);
            self.given.notify_one();
        }
    }

    /// Takes all that wait.
    pub fn take(&self) -> Vec<Ack> {
        std::mem::take(&mut *self.lock())
    }

    /// Waits until some were given since the last call.
    pub async fn given(&self) {
        self.given.notified().await;
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Vec<Ack>> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A claim to be told that a sample is stored. Several probes may read one message: the broker is
/// told once all their receipts were given.
#[derive(Debug)]
#[must_use = "the broker sends the message again unless the receipt is given"]
pub struct Receipt {
    acks: Arc<Acks>,
    ack: Ack,
    /// Receipts not given yet, where the message has several.
    left: Option<Arc<AtomicU32>>,
}

impl Receipt {
    /// How soon it is wanted; `None`: when its commit comes anyway.
    pub fn within(&self) -> Option<Duration> {
        self.acks.within
    }

    /// Says that the sample is on stable storage. Never waits.
    pub fn give(self) {
        if self.left.is_none_or(|left| left.fetch_sub(1, Ordering::AcqRel) == 1) {
            self.acks.push(self.ack);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ack(connection: u64, message: u16) -> Ack {
        Ack { connection, message, exactly_once: false }
    }

    #[test]
    fn the_broker_is_told_once_all_readers_have_it() {
        let acks = Arc::new(Acks::default());
        acks.begin(1);
        let mut receipts: Vec<Receipt> = acks.receipts(ack(1, 7), 3).collect();
        receipts.drain(1..).for_each(Receipt::give);
        assert_eq!(acks.take(), []);
        receipts.drain(..).for_each(Receipt::give);
        assert_eq!(acks.take(), [ack(1, 7)]);
    }

    #[test]
    fn a_dropped_receipt_and_one_of_an_earlier_connection_acknowledge_nothing() {
        let acks = Arc::new(Acks::default());
        acks.begin(1);
        drop(acks.receipts(ack(1, 1), 1).collect::<Vec<_>>());
        let mut two: Vec<Receipt> = acks.receipts(ack(1, 2), 2).collect();
        two.drain(..1).for_each(Receipt::give);
        drop(two);
        let stale: Vec<Receipt> = acks.receipts(ack(1, 3), 1).collect();
        acks.push(ack(1, 4));
        acks.begin(2);
        stale.into_iter().for_each(Receipt::give);
        assert_eq!(acks.take(), []);
    }
}
