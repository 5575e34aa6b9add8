//! What the status asks of the rest: the settings, a reader of the store, and one entry to be written.
//!
//! In: questions of the pages and wishes of the grower. Out: readers, and what became of a wish.
//! Whoever runs the daemon answers; the status itself holds no connection that could write.

use std::ops::ControlFlow;

use crate::climate::{Quantity, Reading, Stamp};
use crate::config::Plan;
use crate::grow::logbook::{Deed, Resolved};
use crate::grow::moment::Moment;
use crate::grow::wrong::Wrong;
use crate::store::Reader;
use crate::store::summary::Quarter;

/// Where series come from: the store's reader.
pub trait SeriesSource {
    /// Calls `take` with each reading of `probe`'s `quantity` with `from <= at < to`, and whether it
    /// bears the mark clock-unsure, in time order, judged and corrected, until there are no more or `take` breaks. Blocks: called on a thread
    /// that may. It should read in short transactions, since `take` waits for a slow reader.
    ///
    /// # Errors
    /// [`SeriesFault`] where there is no such series or it cannot be read.
    fn read(
        &self,
        probe: &str,
        quantity: Quantity,
        from: Stamp,
        to: Stamp,
        take: &mut dyn FnMut(Reading, bool) -> ControlFlow<()>,
    ) -> Result<(), SeriesFault>;

    /// Calls `take` with the sums of the good readings from `from` on and before `to`, in time order,
    /// none over the border of two quarter-hours: whole quarters where they are at hand, else a reading
    /// each.
    ///
    /// # Errors
    /// As [`SeriesSource::read`].
    fn sums(
        &self,
        probe: &str,
        quantity: Quantity,
        from: Stamp,
        to: Stamp,
        take: &mut dyn FnMut(Quarter) -> ControlFlow<()>,
    ) -> Result<(), SeriesFault> {
        self.read(probe, quantity, from, to, &mut |reading, _| match Quarter::of_good(&reading) {
            Some(sum) => take(sum),
            None => ControlFlow::Continue(()),
        })
    }
}

/// Why a series was not given, each in one plain sentence.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SeriesFault {
    /// There is no such probe, or it does not read that quantity: answered 404.
    Unknown(String),
    /// The store cannot be read: answered 503.
    Store(String),
}

/// One entry the grower wants written.
#[derive(Clone, Debug)]
pub struct Wish {
    /// The word for the tub, or empty where none is meant.
    pub tub: String,
    /// What happened.
    pub deed: Deed,
    /// When.
    pub at: Moment,
    /// The machine's clock.
    pub now: Stamp,
}

/// What became of a wish.
#[derive(Clone, Debug)]
pub struct Written {
    /// The entry's number; none where the store could not be written and the daemon did it unlogged.
    pub entry: Option<i64>,
    /// What it became; none for an entry that tells of no tub.
    pub resolved: Option<Resolved>,
}

/// Why nothing was written.
#[derive(Clone, Debug)]
pub enum Unwritten {
    /// There is no such tub.
    NoTub(String),
    /// The same check as of the commands refused it.
    Wrong(Wrong),
    /// The store cannot be written.
    Store(String),
}

/// The settings and the store behind the status.
pub trait Archive: SeriesSource + Send + Sync {
    /// The settings the daemon runs by.
    fn plan(&self) -> &Plan;

    /// A reader of its own. Blocks.
    ///
    /// # Errors
    /// [`SeriesFault::Store`] where the store cannot be read.
    fn reader(&self) -> Result<Reader, SeriesFault>;

    /// Checks a wish as the commands do, appends it, and returns once the running daemon has taken
    /// it up. Blocks.
    ///
    /// # Errors
    /// [`Unwritten`]; nothing was written then.
    fn write(&self, wish: Wish) -> Result<Written, Unwritten>;
}
