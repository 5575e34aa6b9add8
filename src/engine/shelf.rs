//! What others may ask of the store while the engine runs: series and readers for the status, entries
//! that the page writes, outbox items that were left in the store for the messengers. Each question
//! opens a connection of its own.
//!
//! An entry is checked and appended as a command does it; then the engine is told to look at once.
//! Where the store cannot be written, what concerns an alert is done by the engine unlogged.

use std::ops::ControlFlow;
use std::sync::Arc;

use tokio::sync::{mpsc, oneshot};

use crate::climate::{Quantity, Reading, Stamp};
use crate::config::Plan;
use crate::deliver::Kept;
use crate::grow::check;
use crate::grow::logbook::{Deed, Entry, Resolved, fold};
use crate::status::archive::{Archive, SeriesFault, SeriesSource, Unwritten, Wish, Written};
use crate::store::entries::{AppendError, NewEntry, append_resolved};
use crate::store::summary::Quarter;
use crate::store::{Access, OutboxItem, Reader, StoreError};

/// Questions to the engine that may wait: the page writes one entry at a time or two.
pub const ASKED_MAX: usize = 8;

/// What the page asks of the engine.
#[derive(Debug)]
pub enum Asked {
    /// An entry was written: look now. Told once it has taken effect and is shown.
    Look(oneshot::Sender<()>),
    /// The store cannot be written: do this without an entry.
    Do(Deed, oneshot::Sender<()>),
}

/// The store of a plan, for reading, and for entries of the page.
pub struct Shelf {
    plan: Arc<Plan>,
    engine: mpsc::Sender<Asked>,
}

impl Shelf {
    /// Of this plan; `engine` is told of every entry.
    pub fn new(plan: Arc<Plan>, engine: mpsc::Sender<Asked>) -> Shelf {
        Shelf { plan, engine }
    }

    /// Waits until the engine has done what it is asked; false where it has ended.
    fn ask(&self, asked: impl FnOnce(oneshot::Sender<()>) -> Asked) -> bool {
        let (done, is_done) = oneshot::channel();
        self.engine.blocking_send(asked(done)).is_ok() && is_done.blocking_recv().is_ok()
    }

    fn append(&self, wish: &Wish) -> Result<Written, AppendError<Unwritten>> {
        let mut access = Access::open(&self.plan.store.folder)?;
        let known = self.plan.known(wish.now);
        let mut kept: Option<Resolved> = None;
        let resolve = |entries: &[Entry]| -> Result<Vec<NewEntry>, Unwritten> {
            if wish.deed.is_wish() {
                return Ok(vec![NewEntry { at: wish.at.at, tub: String::new(), deed: wish.deed.clone() }]);
            }
            if !matches!(wish.deed, Deed::Amended { .. }) {
                let book = fold(entries, known.timezone);
                check::find(&book, &wish.tub).map_err(|wrong| Unwritten::NoTub(wrong.text().to_owned()))?;
            }
            let resolved = check::check(entries, &wish.tub, &wish.deed, wish.at, &known).map_err(Unwritten::Wrong)?;
            let entry = NewEntry { at: resolved.at, tub: resolved.tub.clone(), deed: resolved.deed.clone() };
            kept = Some(resolved);
            Ok(vec![entry])
        };
        let ids = append_resolved(&mut access, wish.now, resolve)?;
        Ok(Written { entry: ids.first().copied(), resolved: kept })
    }
}

impl Archive for Shelf {
    fn plan(&self) -> &Plan {
        &self.plan
    }

    fn reader(&self) -> Result<Reader, SeriesFault> {
        Reader::open(&self.plan.store.folder).map_err(unreadable)
    }

    fn write(&self, wish: Wish) -> Result<Written, Unwritten> {
        match self.append(&wish) {
            Ok(written) => {
                // An engine that is ending finds the entry when it starts again.
                self.ask(Asked::Look);
                Ok(written)
            }
            Err(AppendError::Refused(why)) => Err(why),
            Err(AppendError::Store(why)) => {
                if wish.deed.is_wish() && self.ask(|done| Asked::Do(wish.deed, done)) {
                    tracing::warn!("done without an entry in the logbook, which cannot be written: {why}");
                    return Ok(Written { entry: None, resolved: None });
                }
                Err(Unwritten::Store(format!("{why}.")))
            }
        }
    }
}

fn unreadable(why: StoreError) -> SeriesFault {
    SeriesFault::Store(format!("{why}."))
}

impl SeriesSource for Shelf {
    fn read(
        &self,
        probe: &str,
        quantity: Quantity,
        from: Stamp,
        to: Stamp,
        take: &mut dyn FnMut(Reading, bool) -> ControlFlow<()>,
    ) -> Result<(), SeriesFault> {
        let reader = self.reader_of(probe, quantity)?;
        reader.readings(probe, quantity, from, to, take).map_err(unreadable)
    }

    fn sums(
        &self,
        probe: &str,
        quantity: Quantity,
        from: Stamp,
        to: Stamp,
        take: &mut dyn FnMut(Quarter) -> ControlFlow<()>,
    ) -> Result<(), SeriesFault> {
        let reader = self.reader_of(probe, quantity)?;
        reader.sums(probe, quantity, (from, to), take).map_err(unreadable)
    }
}

impl Shelf {
    fn reader_of(&self, probe: &str, quantity: Quantity) -> Result<Reader, SeriesFault> {
        let probes = &self.plan.setup.probes;
        let known = probes.iter().find(|known| known.name == probe);
        if known.is_some_and(|known| !known.reads(quantity)) {
            return Err(SeriesFault::Unknown(format!("Probe {probe} does not read {}.", quantity.word())));
        }
        let reader = self.reader()?;
        if known.is_none() && reader.probe_id(probe).map_err(unreadable)?.is_none() {
            let names: Vec<_> = probes.iter().map(|probe| probe.name.as_str()).collect();
            return Err(SeriesFault::Unknown(format!("There is no probe {probe}; there are {}.", names.join(", "))));
        }
        Ok(reader)
    }
}

impl Kept for Shelf {
    fn item(&self, id: i64) -> Result<Option<OutboxItem>, String> {
        let reader = Reader::open(&self.plan.store.folder).map_err(|why| why.to_string())?;
        reader.outbox_item(id).map_err(|why| why.to_string())
    }
}
