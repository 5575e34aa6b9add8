//! The second road from a broker, while the store fails.
//!
//! Nothing is acknowledged then, and a broker stops sending once its window is full (often after 20
//! messages): the watches would go blind. So a second connection, with a session of its own that is
//! gone when it ends, subscribes with QoS 0. Its messages are for the watches only; what is to be
//! stored waits at the broker and comes by the first road when the store is well. Left out: states
//! and refusals, which the first road tells.

use tokio::sync::watch;
use tokio::time::sleep;

use super::{Broker, RECONNECT};
use crate::config::Plan;
use crate::ingest::backoff::Backoff;
use crate::ingest::intake::{Intake, Phase};

impl Broker {
    /// The second road of the broker of the source at position `source`.
    pub(in crate::ingest) fn beside(
        plan: &Plan,
        source: usize,
        intake: Intake,
        phase: watch::Receiver<Phase>,
    ) -> Broker {
        let mut broker = Broker::new(plan, source, &[], intake, phase);
        broker.beside = true;
        if !broker.plan.client.is_empty() {
            broker.plan.client.push_str("-beside");
        }
        broker
    }

    /// Reads whenever `failing` says so, until the daemon stops.
    pub(in crate::ingest) async fn run_beside(mut self, mut failing: watch::Receiver<bool>) {
        let mut phase = self.phase.clone();
        let mut stopped = std::pin::pin!(async {
            // An error is a stop too.
            let _ = phase.wait_for(|phase| *phase != Phase::Run).await;
        });
        let mut over = failing.clone();
        let mut backoff = Backoff::new(Some(RECONNECT.0), RECONNECT.1, RECONNECT.2);
        loop {
            let fails = async { failing.wait_for(|fails| *fails).await.is_ok() };
            let is_told = tokio::select! {
                () = stopped.as_mut() => return,
                is_told = fails => is_told,
            };
            if !is_told {
                // Nobody is left who could say so.
                return stopped.await;
            }
            let over = async { over.wait_for(|fails| !*fails).await.is_ok() };
            let hear = async {
                let _ = self.one_connection().await;
                sleep(backoff.wait(rand::random())).await;
                false
            };
            let is_over = tokio::select! {
                () = stopped.as_mut() => return,
                is_over = over => is_over,
                // A connection cut short needs no farewell: its session ends with it.
                is_over = hear => is_over,
            };
            if is_over {
                backoff.reset();
            }
        }
    }
}
