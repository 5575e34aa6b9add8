//! Unpacks the chunks that are wanted next, on two processors where there are two.
//!
//! In: chunks as they lie in the file, in the order they are wanted. Out: their columns, in that order.
//! Unpacking is most of the work of reading years, and needs nothing but the bytes: a helper takes what
//! waits first, and whoever wants a chunk that is not unpacked yet works along instead of waiting.
//! A short read has no helper. Memory holds the chunks that were asked for, no more than the asker wills.

use std::cell::Cell;
use std::num::NonZero;
use std::thread::{self, Scope};

use crossbeam_channel::{Receiver, Sender, unbounded};

use super::chunk::Fault;
use super::chunks::{Blobs, ChunkError, Columns, Span};

/// So many chunks wait before a helper is worth its start.
const HELPED_FROM: usize = 4;

/// A chunk to be unpacked, and where to.
struct Job {
    number: u64,
    span: Span,
    blobs: Blobs,
    columns: Columns,
    done: Sender<Done>,
}

struct Done {
    number: u64,
    span: Span,
    columns: Columns,
    fault: Option<Fault>,
}

impl Job {
    fn work(mut self) {
        let fault = self.columns.unpack(self.span, &self.blobs.borrowed()).err();
        // Nobody wants it any more where the reading was broken off.
        let _ = self.done.send(Done { number: self.number, span: self.span, columns: self.columns, fault });
    }
}

/// What waits to be unpacked, for all who read together.
pub(super) struct Unpacking<'scope, 'env> {
    scope: &'scope Scope<'scope, 'env>,
    jobs: Sender<Job>,
    waiting: Receiver<Job>,
    is_helped: Cell<bool>,
}

impl<'scope, 'env> Unpacking<'scope, 'env> {
    /// A helper is started in `scope` once there is enough to do, and ends when this is dropped.
    pub fn new(scope: &'scope Scope<'scope, 'env>) -> Unpacking<'scope, 'env> {
        let (jobs, waiting) = unbounded();
        Unpacking { scope, jobs, waiting, is_helped: Cell::new(false) }
    }

    fn add(&self, job: Job) {
        // The other end is held here.
        let _ = self.jobs.send(job);
        if self.waiting.len() >= HELPED_FROM && !self.is_helped.replace(true) {
            self.get_help();
        }
    }

    /// Where none can be had it goes on alone.
    fn get_help(&self) {
        if thread::available_parallelism().map_or(1, NonZero::get) < 2 {
            return;
        }
        let waiting = self.waiting.clone();
        let helper = thread::Builder::new().name("store-unpack".to_owned());
        let _ = helper.spawn_scoped(self.scope, move || waiting.into_iter().for_each(Job::work));
    }
}

/// The chunks of one reader: asked for ahead, taken in the same order.
pub(super) struct Ahead {
    asked: u64,
    taken: u64,
    done: (Sender<Done>, Receiver<Done>),
    early: Vec<Done>,
    spare: Vec<Columns>,
}

impl Ahead {
    /// None is asked for yet.
    pub fn new() -> Ahead {
        Ahead { asked: 0, taken: 0, done: unbounded(), early: Vec::new(), spare: Vec::new() }
    }

    /// Asks for the next one.
    pub fn ask(&mut self, unpacking: &Unpacking<'_, '_>, span: Span, blobs: Blobs) {
        let columns = self.spare.pop().unwrap_or_default();
        unpacking.add(Job { number: self.asked, span, blobs, columns, done: self.done.0.clone() });
        self.asked += 1;
    }

    /// How many are asked for and not taken.
    pub fn len(&self) -> usize {
        usize::try_from(self.asked - self.taken).unwrap_or(usize::MAX)
    }

    /// The next of those asked for, unpacked, with what it covers; none where all are taken.
    ///
    /// # Errors
    /// Its blobs are damaged.
    pub fn take(&mut self, unpacking: &Unpacking<'_, '_>) -> Result<Option<(Span, Columns)>, ChunkError> {
        if self.taken == self.asked {
            return Ok(None);
        }
        let number = self.taken;
        self.taken += 1;
        loop {
            if let Some(place) = self.early.iter().position(|done| done.number == number) {
                let Done { span, columns, fault, .. } = self.early.swap_remove(place);
                return fault.map_or(Ok(Some((span, columns))), |fault| Err(ChunkError::Blob(span, fault)));
            }
            if let Ok(done) = self.done.1.try_recv() {
                self.early.push(done);
            } else if let Ok(job) = unpacking.waiting.try_recv() {
                job.work();
            } else {
                // The helper is at it.
                self.early.extend(self.done.1.recv());
            }
        }
    }

    /// Columns that are no longer needed: their memory is used again.
    pub fn give_back(&mut self, columns: Columns) {
        self.spare.push(columns);
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use rusqlite::Connection;

    use super::super::chunk::Row;
    use super::super::open::Store;
    use super::super::{Timing, chunks};
    use super::*;

    const CHUNKS: usize = 60;

    fn store(folder: &std::path::Path) -> (Connection, Vec<Span>) {
        let mut store = Store::open(folder).unwrap();
        store.probe_ids(&["a"]).unwrap();
        for chunk in 0..CHUNKS as i64 {
            let row = |n: i64| Row {
                at: chunk * 1_000 + n,
                values: [n as f64 / 100.0, f64::NAN, f64::NAN, f64::NAN],
                arrival: 0,
                judged: 0,
                timing: Timing::SETTLED,
            };
            let rows: Vec<Row> = (0..100).map(row).collect();
            chunks::insert(&store.connection, 1, &rows, None).unwrap();
        }
        let spans = chunks::spans(&store.connection, 1, 0, i64::MAX, usize::MAX).unwrap();
        (store.connection, spans)
    }

    fn ask_for(connection: &Connection, ahead: &mut Ahead, unpacking: &Unpacking<'_, '_>, span: Span) {
        let blobs = Blobs::read(connection, span, [true, false, false, false]).unwrap().unwrap();
        ahead.ask(unpacking, span, blobs);
    }

    #[test]
    fn chunks_come_in_the_order_they_were_asked_for_and_a_damaged_one_in_its_place() {
        let folder = tempfile::tempdir().unwrap();
        let (connection, spans) = store(folder.path());
        let damaged = 20;
        let sql = "UPDATE chunk SET stamps = zeroblob(length(stamps)) WHERE id = ?1";
        assert_eq!(connection.execute(sql, [spans[damaged].id]).unwrap(), 1);
        for at_once in [1, 3, 7, CHUNKS] {
            thread::scope(|scope| {
                let (unpacking, mut ahead, mut asked) = (Unpacking::new(scope), Ahead::new(), spans.iter());
                for (place, span) in spans.iter().enumerate() {
                    for next in asked.by_ref().take(if place == 0 { at_once } else { 1 }) {
                        ask_for(&connection, &mut ahead, &unpacking, *next);
                    }
                    let found = ahead.take(&unpacking);
                    if place == damaged {
                        let fault = found.unwrap_err();
                        assert!(matches!(fault, ChunkError::Blob(of, Fault::Checksum) if of == *span), "{fault:?}");
                        continue;
                    }
                    let (covers, columns) = found.unwrap().unwrap();
                    assert_eq!((covers, columns.stamps.len(), columns.stamps[0]), (*span, 100, span.first));
                    assert_eq!(columns.values[0][37].to_bits(), 0.37_f64.to_bits());
                    ahead.give_back(columns);
                }
                assert!(ahead.take(&unpacking).unwrap().is_none());
            });
        }
    }

    #[test]
    fn a_reading_that_is_broken_off_ends() {
        let folder = tempfile::tempdir().unwrap();
        let (connection, spans) = store(folder.path());
        thread::scope(|scope| {
            let (unpacking, mut ahead) = (Unpacking::new(scope), Ahead::new());
            spans.iter().for_each(|span| ask_for(&connection, &mut ahead, &unpacking, *span));
            assert!(ahead.take(&unpacking).unwrap().is_some());
        });
    }
}
