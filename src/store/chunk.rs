//! How sealed samples stand in their blobs: packed, exact to the bit, with a checksum.
//!
//! In and out: one probe's samples in time order. Pure. Each blob is one byte that names its format,
//! what the format says, and at the end the CRC-32 (IEEE 802.3) of all before it, little-endian.
//!
//! | format | holds | body |
//! |---|---|---|
//! | 1 | times | pco of them, in milliseconds |
//! | 17 | values | a byte d, presence, pco of value × 10^d as whole numbers; only where dividing gives back every bit |
//! | 18 | values | presence, pco of the values as doubles |
//! | 33 | quality | runs: length, known on arrival, judged; left out (NULL) where all of both is good |
//! | 34 | quality | the same, with the timing after each run's judged; only where one is not 0 |
//!
//! pco is the standalone format of the `pco` codec. Numbers outside it are LEB128 varints. Presence
//! is the number of runs (0: every sample has a value) and their lengths, present and absent in
//! turn. Known on arrival is as in the column `quality` of the table `sample`; judged is the same
//! with four bits more on top, one a quantity: set where a later sample might still have changed it.
//! The timing is what that column holds above its lowest 16 bits.

use pco::data_types::Number;
use pco::{ChunkConfig, DeltaSpec, ModeSpec};

use super::{Sample, Timing};
use crate::climate::{Quality, Stamp, quantity::Values};

const STAMPS: u8 = 1;
const DECIMALS: u8 = 17;
const FLOATS: u8 = 18;
const QUALITY: u8 = 33;
const TIMED_QUALITY: u8 = 34;

const CHECKSUM_BYTES: usize = 4;

/// Higher levels gain under 1 % on climate series and take longer.
const LEVEL: usize = 8;

/// Places after the point that are tried: a probe that sends more sends noise, better packed as doubles.
const PLACES_MAX: usize = 6;

/// Up to this many places whole numbers always win; beyond, both ways are tried.
const PLACES_SURE: usize = 3;

const POWERS: [f64; PLACES_MAX + 1] = [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6];

/// Whole numbers up to here are exact as doubles.
const WHOLE_MAX: f64 = 9_007_199_254_740_992.0;

/// One sample as it lies in a chunk.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Row {
    /// When it was measured.
    pub at: i64,
    /// NaN where there is none.
    pub values: [f64; 4],
    /// Known on arrival, four bits a quantity.
    pub arrival: u16,
    /// Judged: four bits a quantity, then a bit each for what is not final.
    pub judged: u32,
    /// How it came by its time.
    pub timing: Timing,
}

impl Row {
    /// The values: `None` where nothing was read, NaN where it was no number.
    pub fn values(&self) -> Values {
        let named = |index: usize| (self.arrival >> (4 * index)) & 0xF != 0;
        [0, 1, 2, 3].map(|index| Some(self.values[index]).filter(|value| !value.is_nan() || named(index)))
    }

    /// As probe number `probe` sent it.
    pub fn sample(&self, probe: i64) -> Sample {
        let quality = qualities(self.arrival.into());
        Sample { probe, at: Stamp(self.at), values: self.values(), quality, timing: self.timing }
    }

    /// What the judgement says of each value.
    pub fn judged(&self) -> [Quality; 4] {
        qualities(self.judged)
    }

    /// Whether a value of those asked for was not final when it was sealed.
    pub fn is_open(&self, wanted: [bool; 4]) -> bool {
        (0..4).any(|index| wanted[index] && (self.judged >> (16 + index)) & 1 == 1)
    }
}

fn qualities(codes: u32) -> [Quality; 4] {
    // A code this version does not know is not believed.
    [0, 4, 8, 12].map(|bits| Quality::from_code(((codes >> bits) & 0xF) as u8).unwrap_or(Quality::Sentinel))
}

/// A run of samples with the same qualities.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct QualityRun {
    pub length: usize,
    pub arrival: u16,
    pub judged: u32,
    pub timing: Timing,
}

impl QualityRun {
    /// Of a chunk in which all is good.
    pub fn good(length: usize) -> QualityRun {
        QualityRun { length, arrival: 0, judged: 0, timing: Timing::SETTLED }
    }
}

/// Packed samples.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Packed {
    pub stamps: Vec<u8>,
    pub quality: Option<Vec<u8>>,
    /// By `Quantity::index`; none where nothing was read.
    pub values: [Option<Vec<u8>>; 4],
}

/// Why a blob cannot be unpacked; in words.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub(super) enum Fault {
    #[error("a checksum does not match")]
    Checksum,
    #[error("its format {0} is not known to this version")]
    Format(u8),
    #[error("it does not hold what its row says")]
    Content,
}

/// Packs samples in time order, at least one.
pub(super) fn pack(rows: &[Row]) -> Result<Packed, Fault> {
    let stamps: Vec<i64> = rows.iter().map(|row| row.at).collect();
    let mut values = [const { None }; 4];
    for (index, packed) in values.iter_mut().enumerate() {
        *packed = pack_values(rows, index)?;
    }
    Ok(Packed { stamps: seal(STAMPS, &[], &squeeze(&stamps, whole())?), quality: pack_quality(rows), values })
}

/// How whole numbers are packed: neighbours are near, so differences are.
fn whole() -> ChunkConfig {
    let config = ChunkConfig::default().with_compression_level(LEVEL);
    config.with_mode_spec(ModeSpec::Classic).with_delta_spec(DeltaSpec::TryConsecutive(1))
}

fn squeeze<T: Number>(numbers: &[T], config: ChunkConfig) -> Result<Vec<u8>, Fault> {
    pco::standalone::simple_compress(numbers, &config).map_err(|_| Fault::Content)
}

fn seal(format: u8, head: &[u8], body: &[u8]) -> Vec<u8> {
    let mut blob = Vec::with_capacity(1 + head.len() + body.len() + CHECKSUM_BYTES);
    blob.push(format);
    blob.extend_from_slice(head);
    blob.extend_from_slice(body);
    let sum = crc32fast::hash(&blob);
    blob.extend_from_slice(&sum.to_le_bytes());
    blob
}

/// Format and content of a blob whose checksum is right.
fn unseal(blob: &[u8]) -> Result<(u8, &[u8]), Fault> {
    let end = blob.len().checked_sub(CHECKSUM_BYTES).ok_or(Fault::Checksum)?;
    let (content, sum) = blob.split_at(end);
    if crc32fast::hash(content).to_le_bytes() != sum {
        return Err(Fault::Checksum);
    }
    let (format, content) = content.split_first().ok_or(Fault::Content)?;
    Ok((*format, content))
}

fn pack_values(rows: &[Row], index: usize) -> Result<Option<Vec<u8>>, Fault> {
    let present: Vec<f64> = rows.iter().map(|row| row.values[index]).filter(|value| !value.is_nan()).collect();
    if present.is_empty() {
        return Ok(None);
    }
    let mut runs: Vec<usize> = Vec::new();
    if present.len() < rows.len() {
        let mut is_present = true;
        runs.push(0);
        for row in rows {
            if row.values[index].is_nan() == is_present {
                is_present = !is_present;
                runs.push(0);
            }
            if let Some(last) = runs.last_mut() {
                *last += 1;
            }
        }
    }
    let mut presence = Vec::new();
    put(&mut presence, runs.len() as u64);
    runs.iter().for_each(|run| put(&mut presence, *run as u64));

    let decimals = as_decimals(&present);
    let whole_blob = match &decimals {
        Some((places, numbers)) => {
            let mut head = vec![*places as u8];
            head.extend_from_slice(&presence);
            Some(seal(DECIMALS, &head, &squeeze(numbers, whole())?))
        }
        None => None,
    };
    if let (Some(blob), Some((0..=PLACES_SURE, _))) = (&whole_blob, &decimals) {
        return Ok(Some(blob.clone()));
    }
    let config = ChunkConfig::default().with_compression_level(LEVEL);
    let floats = seal(FLOATS, &presence, &squeeze(&present, config)?);
    Ok(Some(whole_blob.filter(|blob| blob.len() <= floats.len()).unwrap_or(floats)))
}

/// The fewest places after the point with which every value comes back to the bit, and the values
/// as whole numbers of that place.
pub(super) fn as_decimals(values: &[f64]) -> Option<(usize, Vec<i64>)> {
    let mut places = 0;
    let mut numbers = Vec::with_capacity(values.len());
    let mut next = 0;
    while let Some(value) = values.get(next) {
        let scaled = (value * POWERS[places]).round();
        if scaled.abs() < WHOLE_MAX && (scaled / POWERS[places]).to_bits() == value.to_bits() {
            numbers.push(scaled as i64);
            next += 1;
        } else if places < PLACES_MAX {
            places += 1;
            numbers.clear();
            next = 0;
        } else {
            return None;
        }
    }
    Some((places, numbers))
}

fn pack_quality(rows: &[Row]) -> Option<Vec<u8>> {
    let is_timed = rows.iter().any(|row| row.timing != Timing::SETTLED);
    if !is_timed && rows.iter().all(|row| row.arrival == 0 && row.judged == 0) {
        return None;
    }
    let mut runs: Vec<QualityRun> = Vec::new();
    for row in rows {
        let new = QualityRun { length: 1, arrival: row.arrival, judged: row.judged, timing: row.timing };
        match runs.last_mut() {
            Some(run) if (QualityRun { length: 1, ..*run }) == new => run.length += 1,
            _ => runs.push(new),
        }
    }
    let mut body = Vec::new();
    for run in runs {
        put(&mut body, run.length as u64);
        put(&mut body, u64::from(run.arrival));
        put(&mut body, u64::from(run.judged));
        if is_timed {
            put(&mut body, u64::from(run.timing.0));
        }
    }
    Some(seal(if is_timed { TIMED_QUALITY } else { QUALITY }, &[], &body))
}

/// Unpacks the times of `count` samples into `stamps`, replacing what was there.
pub(super) fn unpack_stamps(blob: &[u8], count: usize, stamps: &mut Vec<i64>) -> Result<(), Fault> {
    let (format, content) = unseal(blob)?;
    if format != STAMPS {
        return Err(Fault::Format(format));
    }
    loosen(content, count, stamps)?;
    if stamps.is_sorted_by(|one, next| one < next) { Ok(()) } else { Err(Fault::Content) }
}

fn loosen<T: Number + Default>(content: &[u8], count: usize, numbers: &mut Vec<T>) -> Result<(), Fault> {
    // What stood there before is written over.
    numbers.resize(count, T::default());
    let progress = pco::standalone::simple_decompress_into(content, numbers).map_err(|_| Fault::Content)?;
    if progress.n_processed == count && progress.finished { Ok(()) } else { Err(Fault::Content) }
}

/// Unpacks the values of `count` samples into `values`, NaN where there is none; `whole` is scratch.
/// Whether every sample has one.
pub(super) fn unpack_values(
    blob: &[u8],
    count: usize,
    values: &mut Vec<f64>,
    whole: &mut Vec<i64>,
) -> Result<bool, Fault> {
    let (format, mut content) = unseal(blob)?;
    let power = match format {
        DECIMALS => Some(power(&mut content)?),
        FLOATS => None,
        unknown => return Err(Fault::Format(unknown)),
    };
    let mut runs = Vec::new();
    for _ in 0..take(&mut content)? {
        runs.push(usize::try_from(take(&mut content)?).map_err(|_| Fault::Content)?);
    }
    let total = runs.iter().try_fold(0_usize, |sum, run| sum.checked_add(*run));
    if !runs.is_empty() && total != Some(count) {
        return Err(Fault::Content);
    }
    let present = if runs.is_empty() { count } else { runs.iter().step_by(2).sum() };
    match power {
        Some(power) => {
            loosen(content, present, whole)?;
            values.clear();
            values.extend(whole.iter().map(|number| *number as f64 / power));
        }
        None => loosen(content, present, values)?,
    }
    if !runs.is_empty() {
        let packed = std::mem::take(values);
        let mut packed = packed.into_iter();
        for (turn, run) in runs.iter().enumerate() {
            if turn % 2 == 0 {
                values.extend(packed.by_ref().take(*run));
            } else {
                values.extend(std::iter::repeat_n(f64::NAN, *run));
            }
        }
    }
    Ok(runs.is_empty())
}

/// Unpacks the qualities of `count` samples: one run of good where there is no blob.
pub(super) fn unpack_quality(blob: Option<&[u8]>, count: usize) -> Result<Vec<QualityRun>, Fault> {
    let Some(blob) = blob else { return Ok(vec![QualityRun::good(count)]) };
    let (format, mut content) = unseal(blob)?;
    if format != QUALITY && format != TIMED_QUALITY {
        return Err(Fault::Format(format));
    }
    let mut runs = Vec::new();
    let mut total = 0_usize;
    while !content.is_empty() {
        let length = usize::try_from(take(&mut content)?).map_err(|_| Fault::Content)?;
        let arrival = u16::try_from(take(&mut content)?).map_err(|_| Fault::Content)?;
        let judged = u32::try_from(take(&mut content)?).map_err(|_| Fault::Content)?;
        let timing = if format == TIMED_QUALITY { take(&mut content)? } else { 0 };
        let timing = Timing(u32::try_from(timing).map_err(|_| Fault::Content)?);
        total = total.checked_add(length).ok_or(Fault::Content)?;
        runs.push(QualityRun { length, arrival, judged, timing });
    }
    if total == count { Ok(runs) } else { Err(Fault::Content) }
}

/// Appends a varint.
pub(super) fn put(bytes: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        bytes.push((number as u8) | 0x80);
        number >>= 7;
    }
    bytes.push(number as u8);
}

fn take_byte(bytes: &mut &[u8]) -> Result<u8, Fault> {
    let (first, rest) = bytes.split_first().ok_or(Fault::Content)?;
    *bytes = rest;
    Ok(*first)
}

/// Takes a number of places off the front: ten to that.
pub(super) fn power(content: &mut &[u8]) -> Result<f64, Fault> {
    let places = usize::from(take_byte(content)?);
    POWERS.get(places).copied().ok_or(Fault::Content)
}

/// Takes a varint off the front.
pub(super) fn take(bytes: &mut &[u8]) -> Result<u64, Fault> {
    let mut number = 0_u64;
    for shift in (0..64).step_by(7) {
        let byte = take_byte(bytes)?;
        number |= u64::from(byte & 0x7F) << shift;
        if byte & 0x80 == 0 {
            return Ok(number);
        }
    }
    Err(Fault::Content)
}

/// Packs numbers of the summaries: a format byte, their body, a checksum.
pub(super) fn pack_whole(format: u8, head: &[u8], columns: &[&[i64]], floats: &[&[f64]]) -> Result<Vec<u8>, Fault> {
    let mut body = Vec::new();
    let config = || ChunkConfig::default().with_compression_level(LEVEL);
    let parts = columns.iter().map(|column| squeeze(column, whole()));
    for part in parts.chain(floats.iter().map(|column| squeeze(column, config()))) {
        let part = part?;
        put(&mut body, part.len() as u64);
        body.extend_from_slice(&part);
    }
    Ok(seal(format, head, &body))
}

/// A blob of [`pack_whole`], opened: its format and content.
pub(super) fn open(blob: &[u8]) -> Result<(u8, &[u8]), Fault> {
    unseal(blob)
}

/// Takes a column of `count` numbers off the front.
pub(super) fn take_column<T: Number + Default>(content: &mut &[u8], count: usize) -> Result<Vec<T>, Fault> {
    let length = usize::try_from(take(content)?).map_err(|_| Fault::Content)?;
    let (part, rest) = content.split_at_checked(length).ok_or(Fault::Content)?;
    *content = rest;
    let mut numbers = Vec::new();
    loosen(part, count, &mut numbers)?;
    Ok(numbers)
}

#[cfg(test)]
mod tests;
