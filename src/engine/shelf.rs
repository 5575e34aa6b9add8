//! What others may ask of the store while the engine runs: series for the status, outbox items that
//! were left in the store for the messengers. Each question opens a connection of its own.

use std::ops::ControlFlow;
use std::sync::Arc;

use crate::climate::{Quantity, Reading, Stamp};
use crate::config::Plan;
use crate::deliver::Kept;
use crate::status::{SeriesFault, SeriesSource};
use crate::store::{OutboxItem, Reader};

/// The store of a plan, for reading.
pub struct Shelf(Arc<Plan>);

impl Shelf {
    /// Of this plan.
    pub fn new(plan: Arc<Plan>) -> Shelf {
        Shelf(plan)
    }
}

impl SeriesSource for Shelf {
    fn read(
        &self,
        probe: &str,
        quantity: Quantity,
        from: Stamp,
        to: Stamp,
        take: &mut dyn FnMut(Reading) -> ControlFlow<()>,
    ) -> Result<(), SeriesFault> {
        let store = |why: crate::store::StoreError| SeriesFault::Store(format!("{why}."));
        let known = self.0.setup.probes.iter().find(|known| known.name == probe);
        if known.is_some_and(|known| !known.reads(quantity)) {
            return Err(SeriesFault::Unknown(format!("Probe {probe} does not read {}.", quantity.word())));
        }
        let reader = Reader::open(&self.0.store.folder).map_err(store)?;
        if known.is_none() && reader.probe_id(probe).map_err(store)?.is_none() {
            let names: Vec<_> = self.0.setup.probes.iter().map(|probe| probe.name.as_str()).collect();
            return Err(SeriesFault::Unknown(format!("There is no probe {probe}; there are {}.", names.join(", "))));
        }
        reader.readings(probe, quantity, from, to, take).map_err(store)
    }
}

impl Kept for Shelf {
    fn item(&self, id: i64) -> Result<Option<OutboxItem>, String> {
        let reader = Reader::open(&self.0.store.folder).map_err(|why| why.to_string())?;
        let waiting = reader.outbox_waiting().map_err(|why| why.to_string())?;
        Ok(waiting.into_iter().find(|item| item.id == id))
    }
}
