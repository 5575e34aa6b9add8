//! Where in the heap which times are: so that a range is read without an index and without
//! scanning everything.
//!
//! In: the heap's rows in order of arrival. Out: the runs of rows that may hold a range of time.
//! Rows arrive nearly in time order, so a zone of a few thousand rows spans little time; a late
//! sample only makes its zone span more. The writer notes each full zone in the table `zone`, in the
//! commit that fills it: a row for every [`ZONE_ROWS`] samples. A reader keeps 32 bytes of each and
//! scans only what came after the last.

use rusqlite::{Connection, OptionalExtension, Transaction};

use super::window::Block;
use crate::climate::Stamp;

/// Rows in one zone: half an hour of 20 probes every 10 s.
const ZONE_ROWS: i64 = 4096;

/// A run of rows and the times in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Zone {
    first: i64,
    last: i64,
    earliest: i64,
    latest: i64,
}

impl Zone {
    fn new(row: i64, at: i64) -> Zone {
        Zone { first: row, last: row, earliest: at, latest: at }
    }

    fn is_full(&self) -> bool {
        self.last - self.first + 1 >= ZONE_ROWS
    }

    fn add(&mut self, row: i64, at: i64) {
        self.last = row;
        self.earliest = self.earliest.min(at);
        self.latest = self.latest.max(at);
    }
}

/// Asks the rows that are left what times lie in the zones of the rows from `first` to `last`; gives the
/// last row of those zones. One whose rows are all gone keeps its times.
pub(super) fn anew(transaction: &Transaction<'_>, first: i64, last: i64) -> rusqlite::Result<Option<i64>> {
    let sql = "UPDATE zone SET
        earliest = ifnull((SELECT min(at) FROM sample WHERE rowid BETWEEN zone.first AND zone.last), earliest),
        latest = ifnull((SELECT max(at) FROM sample WHERE rowid BETWEEN zone.first AND zone.last), latest)
        WHERE last >= ?1 AND first <= ?2 RETURNING last";
    let mut write = transaction.prepare_cached(sql)?;
    let mut ends = write.query_map([first, last], |row| row.get(0))?;
    ends.try_fold(None, |until: Option<i64>, end| Ok(until.max(Some(end?))))
}

/// The zone that the writer is filling.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Filling(Option<Zone>);

impl Filling {
    /// As the file has it: the rows after the last full zone.
    pub fn load(connection: &Connection) -> rusqlite::Result<Filling> {
        let full = connection.query_row("SELECT max(last) FROM zone", [], |row| row.get::<_, Option<i64>>(0));
        let full = full.optional()?.flatten().unwrap_or(i64::MIN);
        let mut zones = Zones::default();
        zones.scan(connection, full)?;
        Ok(Filling(zones.tail.last().copied().filter(|zone| !zone.is_full())))
    }

    /// Rows up to `through` are gone: a zone that began among them begins after them.
    pub fn cut(transaction: &Transaction<'_>, through: i64) -> rusqlite::Result<()> {
        transaction.execute("DELETE FROM zone WHERE last <= ?1", [through])?;
        transaction.execute("UPDATE zone SET first = ?1 + 1 WHERE first <= ?1", [through])?;
        anew(transaction, through.saturating_add(1), through.saturating_add(1))?;
        Ok(())
    }

    /// Takes in a row that was just inserted, and notes its zone where that is full now.
    pub fn add(&mut self, transaction: &Transaction<'_>, row: i64, at: i64) -> rusqlite::Result<()> {
        let zone = match &mut self.0 {
            Some(zone) => {
                zone.add(row, at);
                zone
            }
            none => none.insert(Zone::new(row, at)),
        };
        if zone.is_full() {
            let sql = "INSERT OR REPLACE INTO zone (first, last, earliest, latest) VALUES (?1, ?2, ?3, ?4)";
            let mut note = transaction.prepare_cached(sql)?;
            note.execute((zone.first, zone.last, zone.earliest, zone.latest))?;
            self.0 = None;
        }
        Ok(())
    }
}

/// All zones of the heap, in order of arrival.
#[derive(Debug, Default)]
pub(super) struct Zones {
    /// Those noted in the file.
    full: Vec<Zone>,
    /// Those after them, found by scanning.
    tail: Vec<Zone>,
}

impl Zones {
    /// Takes in the rows that have come since the last time.
    pub fn refresh(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        let end = |which: &str| -> rusqlite::Result<Option<i64>> {
            connection.prepare_cached(which)?.query_row([], |row| row.get(0))
        };
        let (oldest, newest) = (end("SELECT min(rowid) FROM sample")?, end("SELECT max(rowid) FROM sample")?);
        let first = self.all().next().map(|zone| zone.first);
        if oldest.zip(first).is_some_and(|(oldest, first)| first < oldest) {
            // Rows were sealed and taken away.
            *self = Zones::default();
        }
        let known = self.known();
        match newest {
            Some(newest) if newest == known => return Ok(()),
            Some(newest) if newest > known => {}
            // Rows were taken away and numbers given again: what is known is worth nothing.
            _ => *self = Zones::default(),
        }
        let before = self.full.len();
        let noted = self.full.last().map_or(i64::MIN, |zone| zone.last);
        let sql = "SELECT first, last, earliest, latest FROM zone WHERE first > ?1 ORDER BY first";
        let mut zones = connection.prepare_cached(sql)?;
        let mut zones = zones.query([noted])?;
        while let Some(row) = zones.next()? {
            let (first, last, earliest, latest) = (row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?);
            self.full.push(Zone { first, last, earliest, latest });
        }
        if self.full.len() > before {
            self.tail.clear();
        }
        self.scan(connection, self.known())
    }

    fn known(&self) -> i64 {
        self.tail.last().or(self.full.last()).map_or(i64::MIN, |zone| zone.last)
    }

    fn scan(&mut self, connection: &Connection, after: i64) -> rusqlite::Result<()> {
        let mut rows = connection.prepare_cached("SELECT rowid, at FROM sample WHERE rowid > ?1 ORDER BY rowid")?;
        let mut rows = rows.query([after])?;
        while let Some(row) = rows.next()? {
            self.add(row.get(0)?, row.get(1)?);
        }
        Ok(())
    }

    fn add(&mut self, row: i64, at: i64) {
        match self.tail.last_mut() {
            Some(zone) if !zone.is_full() => zone.add(row, at),
            _ => self.tail.push(Zone::new(row, at)),
        }
    }

    fn all(&self) -> impl Iterator<Item = &Zone> {
        self.full.iter().chain(&self.tail)
    }

    /// The runs of rows (first, last) that may hold times from `from` until before `to`.
    pub fn runs(&self, from: Stamp, to: Stamp) -> Vec<(i64, i64)> {
        let mut runs: Vec<(i64, i64)> = Vec::new();
        let mut before = None;
        for (index, zone) in self.all().enumerate() {
            if zone.latest < from.0 || zone.earliest >= to.0 {
                continue;
            }
            match runs.last_mut() {
                Some(run) if before == Some(index.wrapping_sub(1)) => run.1 = zone.last,
                _ => runs.push((zone.first, zone.last)),
            }
            before = Some(index);
        }
        runs
    }

    /// The zones that may hold times from `from` until before `to`.
    pub fn blocks(&self, from: i64, to: i64) -> Vec<Block> {
        let within = self.all().filter(|zone| zone.latest >= from && zone.earliest < to);
        let block = |zone: &Zone| Block {
            earliest: zone.earliest,
            latest: zone.latest,
            rows: usize::try_from(zone.last - zone.first + 1).unwrap_or(usize::MAX),
        };
        within.map(block).collect()
    }

    /// Zones by their latest time, newest first: (first row, last row, latest).
    pub fn newest_first(&self) -> Vec<(i64, i64, Stamp)> {
        let mut zones: Vec<_> = self.all().map(|zone| (zone.first, zone.last, Stamp(zone.latest))).collect();
        zones.sort_unstable_by_key(|zone| std::cmp::Reverse(zone.2));
        zones
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn zones() -> Zones {
        let mut zones = Zones::default();
        for row in 1..=ZONE_ROWS * 3 {
            zones.add(row, row * 1000);
        }
        // A sample from long ago arrives with the newest.
        zones.add(ZONE_ROWS * 3 + 1, 5);
        zones
    }

    #[test]
    fn a_range_is_found_in_its_rows_and_among_late_ones() {
        let zones = zones();
        assert_eq!(zones.tail.len(), 4);
        assert_eq!(zones.runs(Stamp(0), Stamp(10)), vec![(ZONE_ROWS * 3 + 1, ZONE_ROWS * 3 + 1)]);
        let middle = Stamp((ZONE_ROWS + 10) * 1000);
        assert_eq!(zones.runs(middle, middle.plus(1)), vec![(ZONE_ROWS + 1, ZONE_ROWS * 2)]);
        let all = zones.runs(Stamp(0), Stamp(i64::MAX));
        assert_eq!(all, vec![(1, ZONE_ROWS * 3 + 1)], "neighbours are read in one run");
    }

    #[test]
    fn what_the_writer_notes_is_what_a_scan_finds() {
        let mut connection = Connection::open_in_memory().unwrap();
        super::super::schema::migrate(&mut connection, &super::super::schema::STEPS).unwrap();
        let (mut filling, mut polling) = (Filling::default(), Zones::default());
        for commit in 0..13_i64 {
            let transaction = connection.transaction().unwrap();
            for step in 0..1_000 {
                let at = (commit * 1_000 + step) * 7 % 9_001;
                transaction.execute("INSERT INTO sample (probe, at, quality) VALUES (1, ?1, 0)", [at]).unwrap();
                filling.add(&transaction, transaction.last_insert_rowid(), at).unwrap();
            }
            transaction.commit().unwrap();
            assert_eq!(Filling::load(&connection).unwrap(), filling, "as after a restart");
            polling.refresh(&connection).unwrap();
        }
        let mut scanned = Zones::default();
        scanned.scan(&connection, i64::MIN).unwrap();
        let mut fresh = Zones::default();
        fresh.refresh(&connection).unwrap();
        assert_eq!((fresh.full.len(), fresh.tail.len()), (3, 1));
        for zones in [&polling, &fresh] {
            assert!(zones.all().eq(scanned.all()));
        }
        connection.execute_batch("DELETE FROM sample; DELETE FROM zone").unwrap();
        fresh.refresh(&connection).unwrap();
        assert_eq!(fresh.all().count(), 0);
    }
}
