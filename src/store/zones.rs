//! Where in the heap which times are: so that a range is read without an index and without
//! scanning everything.
//!
//! In: the heap's rows in order of arrival. Out: the runs of rows that may hold a range of time.
//! Rows arrive nearly in time order, so a zone of a few thousand rows spans little time; a late
//! sample only makes its zone span more. Costs 32 bytes for every [`ZONE_ROWS`] rows, and one scan
//! of the heap when a reader first asks for samples (about 5 million rows a second).

use rusqlite::Connection;

use crate::climate::Stamp;

/// Rows in one zone: half an hour of 20 probes every 10 s.
const ZONE_ROWS: i64 = 4096;

/// A run of rows and the times in it.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Zone {
    first: i64,
    last: i64,
    earliest: i64,
    latest: i64,
}

/// All zones of the heap, in order of arrival.
#[derive(Debug, Default)]
pub(super) struct Zones {
    zones: Vec<Zone>,
}

impl Zones {
    /// Takes in the rows that have come since the last time.
    pub fn refresh(&mut self, connection: &Connection) -> rusqlite::Result<()> {
        let newest: Option<i64> = connection.query_row("SELECT max(rowid) FROM sample", [], |row| row.get(0))?;
        let known = self.zones.last().map_or(i64::MIN, |zone| zone.last);
        match newest {
            None => self.zones.clear(),
            Some(newest) if newest == known => return Ok(()),
            // Rows were taken away and numbers given again: what is known is worth nothing.
            Some(newest) if newest < known => self.zones.clear(),
            Some(_) => {}
        }
        let known = self.zones.last().map_or(i64::MIN, |zone| zone.last);
        let mut rows = connection.prepare_cached("SELECT rowid, at FROM sample WHERE rowid > ?1 ORDER BY rowid")?;
        let mut rows = rows.query([known])?;
        while let Some(row) = rows.next()? {
            self.add(row.get(0)?, row.get(1)?);
        }
        Ok(())
    }

    fn add(&mut self, row: i64, at: i64) {
        match self.zones.last_mut() {
            Some(zone) if row - zone.first < ZONE_ROWS => {
                zone.last = row;
                zone.earliest = zone.earliest.min(at);
                zone.latest = zone.latest.max(at);
            }
            _ => self.zones.push(Zone { first: row, last: row, earliest: at, latest: at }),
        }
    }

    /// The runs of rows (first, last) that may hold times from `from` until before `to`.
    pub fn runs(&self, from: Stamp, to: Stamp) -> Vec<(i64, i64)> {
        let mut runs: Vec<(i64, i64)> = Vec::new();
        let mut before = None;
        for (index, zone) in self.zones.iter().enumerate() {
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

    /// The next stretch of time worth reading from `from` on, until before `to`: it begins where
    /// there may be rows, and ends before many more than `rows` of them must be held, but not
    /// before `least_ms` are covered. `None` when there is nothing more.
    pub fn window(&self, from: Stamp, to: Stamp, rows: i64, least_ms: i64) -> Option<(Stamp, Stamp)> {
        let mut zones: Vec<&Zone> =
            self.zones.iter().filter(|zone| zone.latest >= from.0 && zone.earliest < to.0).collect();
        zones.sort_unstable_by_key(|zone| zone.earliest);
        let start = from.max(Stamp(zones.first()?.earliest));
        let least = start.plus(least_ms);
        let mut held = 0;
        for zone in zones {
            held += zone.last - zone.first + 1;
            if held > rows && zone.earliest > least.0 {
                return Some((start, Stamp(zone.earliest).min(to)));
            }
        }
        Some((start, to))
    }

    /// Zones by their latest time, newest first: (first row, last row, latest).
    pub fn newest_first(&self) -> Vec<(i64, i64, Stamp)> {
        let mut zones: Vec<_> = self.zones.iter().map(|zone| (zone.first, zone.last, Stamp(zone.latest))).collect();
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
        assert_eq!(zones.zones.len(), 4);
        assert_eq!(zones.runs(Stamp(0), Stamp(10)), vec![(ZONE_ROWS * 3 + 1, ZONE_ROWS * 3 + 1)]);
        let middle = Stamp((ZONE_ROWS + 10) * 1000);
        assert_eq!(zones.runs(middle, middle.plus(1)), vec![(ZONE_ROWS + 1, ZONE_ROWS * 2)]);
        let all = zones.runs(Stamp(0), Stamp(i64::MAX));
        assert_eq!(all, vec![(1, ZONE_ROWS * 3 + 1)], "neighbours are read in one run");
    }

    #[test]
    fn windows_follow_each_other_and_end() {
        let zones = zones();
        let (mut from, to) = (Stamp(0), Stamp(i64::MAX));
        let mut windows = Vec::new();
        while let Some((start, end)) = zones.window(from, to, ZONE_ROWS, 1000) {
            assert!(start >= from && end > start);
            windows.push((start, end));
            from = end;
        }
        assert_eq!(windows.first().unwrap().0, Stamp(5));
        assert_eq!(windows.last().unwrap().1, to);
        assert!(windows.len() >= 3, "{windows:?}");
    }
}
