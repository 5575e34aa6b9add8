//! The air a tub stood in while a flush grew.
//!
//! In: the air probes of the spaces it stood in, between two moments. Out: means, extremes and hours
//! out of band, with what was measured. Each quantity is taken from the first listed probe that read
//! it of late. Hours out of band are those in which temperature, humidity or CO2 was outside the
//! band of the tub's stage: of the time between two readings the share of their ends that was.

use std::ops::ControlFlow;

use super::export::{Material, Stopped};
use crate::climate::series::Gaps;
use crate::climate::stamp::HOUR_MS;
use crate::climate::statistics::{Histogram, Summary};
use crate::climate::{Quantity, Stamp, humidity};
use crate::grow::culture::{Band, Bands, Culture, StageBands};
use crate::grow::thermal::Preference;
use crate::grow::tub::{Stage, Tub};
use crate::store::JudgedMessage;
use crate::store::figures::space_at;
use crate::store::history::Form;

/// Climate of one window.
pub(super) struct FlushClimate {
    /// °C.
    pub temperature: Summary,
    /// %RH.
    pub humidity: Summary,
    /// kPa, of messages that read both.
    pub vpd: Summary,
    /// ppm.
    pub co2: Summary,
    /// Readings of CO2, for percentiles.
    pub co2_readings: Histogram,
    out: OutOfBand,
    from: Stamp,
    to: Stamp,
}

/// How long at least one quantity was outside its band.
#[derive(Default)]
struct OutOfBand {
    /// Each quantity's last reading: whether it was outside, and until when that is taken to hold.
    quantities: [(bool, Stamp); 3],
    last: Option<(Stamp, bool)>,
    out_ms: f64,
    banded: bool,
}

impl FlushClimate {
    /// Of `tub`'s air from `from` to `to`.
    pub fn of(material: &Material<'_>, tub: &Tub, from: Stamp, to: Stamp) -> Result<FlushClimate, Stopped> {
        let summary = || Summary::new(from, Some(to));
        let mut climate = FlushClimate {
            temperature: summary(),
            humidity: summary(),
            vpd: summary(),
            co2: summary(),
            co2_readings: Histogram::for_co2(),
            out: OutOfBand::default(),
            from,
            to,
        };
        let moves = tub.spaces.iter().map(|since| since.from).filter(|at| *at > from && *at < to);
        let mut starts: Vec<Stamp> = std::iter::once(from).chain(moves).collect();
        starts.push(to);
        for (index, pair) in starts.windows(2).enumerate() {
            climate.read_space(material, tub, (pair[0], pair[1]), index == 0, index + 2 == starts.len())?;
        }
        Ok(climate)
    }

    fn read_space(
        &mut self,
        material: &Material<'_>,
        tub: &Tub,
        (from, to): (Stamp, Stamp),
        first: bool,
        last: bool,
    ) -> Result<(), Stopped> {
        let setup = material.setup;
        let Some(space) = setup.spaces.iter().find(|space| space.name == space_at(tub, from)) else { return Ok(()) };
        let culture = setup.cultures.iter().find(|culture| culture.name == tub.culture);
        let probes: Vec<(usize, &str, Gaps)> = space
            .air
            .iter()
            .filter_map(|position| setup.probes.get(*position).map(|probe| (*position, probe)))
            .map(|(position, probe)| (position, probe.name.as_str(), Gaps::for_air(probe.every_ms)))
            .collect();
        let names: Vec<&str> = probes.iter().map(|(_, name, _)| *name).collect();
        let lead_ms = probes.iter().map(|(_, _, gaps)| gaps.bridge_ms).max().unwrap_or(0);
        let mut preferences = Quantity::ALL.map(|_| Preference::new(probes.len()));
        let mut vpd_preference = Preference::new(probes.len());
        let until = if last { to.plus(lead_ms) } else { to };
        let mut visit = |rank: usize, message: &JudgedMessage| {
            let (position, _, gaps) = probes[rank];
            let counted = first || message.at >= from;
            let speaks = |preference: &mut Preference, value: Option<f64>| {
                value.filter(|_| preference.take(rank, message.at, gaps.bridge_ms) && counted)
            };
            let [t, rh, co2] = [Quantity::Temperature, Quantity::Humidity, Quantity::Co2]
                .map(|quantity| speaks(&mut preferences[quantity.index()], message.good(quantity)));
            let both = message.good(Quantity::Temperature).zip(message.good(Quantity::Humidity));
            let vpd = speaks(&mut vpd_preference, both.and_then(|(t, rh)| humidity::vpd_kpa(t, rh)));
            for (summary, value) in
                [(&mut self.temperature, t), (&mut self.humidity, rh), (&mut self.co2, co2), (&mut self.vpd, vpd)]
            {
                if let Some(value) = value {
                    summary.push(position as u32, message.at, value, gaps);
                }
            }
            if let Some(co2) = co2.filter(|_| message.at >= self.from && message.at < self.to) {
                self.co2_readings.push(co2);
            }
            if t.or(rh).or(co2).is_some() {
                let bands = bands_at(tub, culture, &space.bands, message.at);
                let span = (self.from, self.to);
                self.out.push(&[bands.temperature, bands.humidity, bands.co2], [t, rh, co2], message.at, gaps, span);
            }
            ControlFlow::Continue(())
        };
        material.reader.history(&names, from.plus(-lead_ms), until, Form::Corrected, &mut visit)?;
        Ok(())
    }

    /// Hours out of band; none where there is no band or no reading.
    pub fn hours_out(&self) -> Option<f64> {
        let read = self.out.banded && self.out.last.is_some();
        read.then_some(self.out.out_ms / HOUR_MS as f64)
    }

    /// The share of the window that was measured, of the quantity measured least among those read
    /// at all; 0 where none was.
    pub fn coverage(&self, now: Stamp) -> f64 {
        [&self.temperature, &self.humidity, &self.co2]
            .into_iter()
            .filter(|summary| summary.count() > 0)
            .map(|summary| summary.coverage(now))
            .min_by(f64::total_cmp)
            .unwrap_or(0.0)
    }
}

fn bands_at(tub: &Tub, culture: Option<&Culture>, space: &Bands, at: Stamp) -> StageBands {
    let held = tub.stages.partition_point(|since| since.from <= at);
    let stage = held.checked_sub(1).map_or(Stage::Colonising, |index| tub.stages[index].value);
    culture.map(|culture| culture.bands.of(stage)).unwrap_or_default().overridden_by(space.of(stage))
}

impl OutOfBand {
    fn push(&mut self, bands: &[Band; 3], values: [Option<f64>; 3], at: Stamp, gaps: Gaps, (from, to): (Stamp, Stamp)) {
        self.banded |= bands.iter().any(|band| !band.is_empty());
        for (index, value) in values.into_iter().enumerate() {
            if let Some(value) = value {
                self.quantities[index] = (is_out(&bands[index], value), at.plus(gaps.bridge_ms));
            }
        }
        let out = self.quantities.iter().any(|(out, until)| *out && at <= *until);
        if let Some((before, was_out)) = self.last
            && at.since(before) <= gaps.bridge_ms
        {
            let span_ms = at.min(to).since(before.max(from)).max(0) as f64;
            self.out_ms += span_ms * (f64::from(u8::from(out)) + f64::from(u8::from(was_out))) / 2.0;
        }
        self.last = Some((at, out));
    }
}

fn is_out(band: &Band, value: f64) -> bool {
    band.low.is_some_and(|low| value < low.value) || band.high.is_some_and(|high| value > high.value)
}
