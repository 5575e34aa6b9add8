//! Sealed samples summed up by quarter-hours of UTC, from which longer stretches are made, local hours and
//! days of any zone among them: every zone's offset is a whole number of quarter-hours.
//!
//! In: a chunk's samples. Out: for each quantity the quarter-hours in it with the count, sum, lowest
//! and highest of its good values, raw, packed in one blob. A quarter-hour over the border of two
//! chunks stands in both and is the sum of both. Pure but for the table. Left out: corrections, and
//! what is not sealed yet (`quarters.rs` sees to both).
//!
//! Format 49 of a blob: the count of quarters, the places after the point, then pco of each column:
//! the quarter's number since 1970, the count, and sum, lowest and highest times 10 to the places.
//! Format 50: the same without places, the last three as doubles.

use rusqlite::{Connection, params};

use super::chunk::{self, Fault, Row};
use super::chunks::ChunkError;
use crate::climate::stamp::MINUTE_MS;
use crate::climate::{Quality, Quantity, Reading, Stamp};

/// A quarter-hour, ms.
pub const QUARTER_MS: i64 = 15 * MINUTE_MS;

const WHOLE: u8 = 49;
const DOUBLES: u8 = 50;

/// Quarters that a blob may say to hold: more is damage.
const QUARTERS_MAX: usize = 1 << 20;

/// The good values of one quarter-hour, or of several.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quarter {
    /// When it begins.
    pub start: Stamp,
    /// How many good values.
    pub count: u64,
    /// Their sum.
    pub sum: f64,
    /// The lowest.
    pub min: f64,
    /// The highest.
    pub max: f64,
}

impl Quarter {
    /// Of one value.
    pub fn of(start: Stamp, value: f64) -> Quarter {
        Quarter { start, count: 1, sum: value, min: value, max: value }
    }

    /// Of one reading, where that is good: at its own time.
    pub fn of_good(reading: &Reading) -> Option<Quarter> {
        let is_good = reading.quality == Quality::Good && reading.value.is_finite();
        is_good.then(|| Quarter::of(reading.at, reading.value))
    }

    /// Takes in another's values.
    pub fn add(&mut self, other: &Quarter) {
        self.count += other.count;
        self.sum += other.sum;
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
    }

    /// The mean of the values.
    pub fn mean(&self) -> f64 {
        self.sum / self.count as f64
    }
}

/// The number of the quarter-hour around `at`.
pub(super) fn number(at: i64) -> i64 {
    at.div_euclid(QUARTER_MS)
}

/// Writes the summaries of the chunk numbered `id`, which holds `rows`.
pub(super) fn insert(connection: &Connection, probe: i64, id: i64, rows: &[Row]) -> Result<(), ChunkError> {
    let sql = "INSERT INTO summary (chunk, probe, quantity, first, last, quarters) VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
    for quantity in Quantity::ALL {
        let good = good_values(rows, quantity.index());
        let (Some(first), Some(last)) = (good.first(), good.last()) else { continue };
        let (first, last) = (first.0 * QUARTER_MS, last.0 * QUARTER_MS);
        let span = super::chunks::Span { id, probe, first, last, count: rows.len() };
        let blob = pack(&good).map_err(|fault| ChunkError::Blob(span, fault))?;
        let mut statement = connection.prepare_cached(sql)?;
        statement.execute(params![id, probe, quantity.word(), first, last, blob])?;
    }
    Ok(())
}

/// Quarter's number and value of each good one.
fn good_values(rows: &[Row], index: usize) -> Vec<(i64, f64)> {
    let good = |row: &&Row| (row.judged >> (4 * index)) & 0xF == Quality::Good as u32 && row.values[index].is_finite();
    rows.iter().filter(good).map(|row| (number(row.at), row.values[index])).collect()
}

fn pack(good: &[(i64, f64)]) -> Result<Vec<u8>, Fault> {
    let values: Vec<f64> = good.iter().map(|(_, value)| *value).collect();
    let groups: Vec<&[(i64, f64)]> = good.chunk_by(|one, next| one.0 == next.0).collect();
    let numbers: Vec<i64> = groups.iter().map(|group| group[0].0).collect();
    let counts: Vec<i64> = groups.iter().map(|group| group.len() as i64).collect();
    let mut head = Vec::new();
    chunk::put(&mut head, groups.len() as u64);
    let lengths = groups.iter().map(|group| group.len());
    if let Some((places, whole)) = chunk::as_decimals(&values)
        && whole.iter().all(|number| number.unsigned_abs() < 1 << 40)
    {
        let mut columns = [Vec::new(), Vec::new(), Vec::new()];
        let mut start = 0;
        for length in lengths {
            let group = &whole[start..start + length];
            start += length;
            columns[0].push(group.iter().sum::<i64>());
            columns[1].push(group.iter().copied().min().unwrap_or(0));
            columns[2].push(group.iter().copied().max().unwrap_or(0));
        }
        head.push(places as u8);
        return chunk::pack_whole(WHOLE, &head, &[&numbers, &counts, &columns[0], &columns[1], &columns[2]], &[]);
    }
    let mut columns = [Vec::new(), Vec::new(), Vec::new()];
    for group in groups {
        let values = || group.iter().map(|(_, value)| *value);
        columns[0].push(values().sum::<f64>());
        columns[1].push(values().fold(f64::INFINITY, f64::min));
        columns[2].push(values().fold(f64::NEG_INFINITY, f64::max));
    }
    chunk::pack_whole(DOUBLES, &head, &[&numbers, &counts], &[&columns[0], &columns[1], &columns[2]])
}

/// The quarters in a blob, in time order.
pub(super) fn unpack(blob: &[u8]) -> Result<Vec<Quarter>, Fault> {
    let (format, mut content) = chunk::open(blob)?;
    let count = usize::try_from(chunk::take(&mut content)?).ok().filter(|count| *count <= QUARTERS_MAX);
    let count = count.ok_or(Fault::Content)?;
    let power = match format {
        WHOLE => Some(chunk::power(&mut content)?),
        DOUBLES => None,
        unknown => return Err(Fault::Format(unknown)),
    };
    let numbers: Vec<i64> = chunk::take_column(&mut content, count)?;
    let counts: Vec<i64> = chunk::take_column(&mut content, count)?;
    let mut column = || -> Result<Vec<f64>, Fault> {
        match power {
            Some(power) => {
                let whole: Vec<i64> = chunk::take_column(&mut content, count)?;
                Ok(whole.iter().map(|number| *number as f64 / power).collect())
            }
            None => chunk::take_column(&mut content, count),
        }
    };
    let (sums, lowest, highest) = (column()?, column()?, column()?);
    let quarters = (0..count).map(|at| Quarter {
        start: Stamp(numbers[at].saturating_mul(QUARTER_MS)),
        count: counts[at].unsigned_abs(),
        sum: sums[at],
        min: lowest[at],
        max: highest[at],
    });
    Ok(quarters.collect())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn quarters_hold_what_the_values_say_and_nothing_bad() {
        for noise in [0.0, 1e-9] {
            let rows: Vec<Row> = (0..500_i64)
                .map(|n| {
                    let value = (2000 + n * 7 % 31) as f64 / 100.0 + noise * (n as f64).sqrt();
                    let judged = u32::from(n == 17);
                    Row {
                        at: n * 10_000 - 3_333,
                        values: [value, f64::NAN, 1.0, f64::NAN],
                        arrival: 0,
                        judged,
                        timing: Default::default(),
                    }
                })
                .collect();
            let quarters = unpack(&pack(&good_values(&rows, 0)).unwrap()).unwrap();
            assert_eq!(quarters.iter().map(|quarter| quarter.count).sum::<u64>(), 499);
            assert_eq!(quarters[0].start, Stamp(-QUARTER_MS));
            for quarter in quarters {
                let of = |row: &&Row| row.judged == 0 && number(row.at) * QUARTER_MS == quarter.start.0;
                let values: Vec<f64> = rows.iter().filter(of).map(|row| row.values[0]).collect();
                assert_eq!(quarter.count, values.len() as u64);
                assert_eq!(quarter.min, values.iter().copied().fold(f64::INFINITY, f64::min));
                assert_eq!(quarter.max, values.iter().copied().fold(f64::NEG_INFINITY, f64::max));
                assert!((quarter.sum - values.iter().sum::<f64>()).abs() < 1e-9);
            }
            assert!(good_values(&rows, 1).is_empty());
        }
    }
}
