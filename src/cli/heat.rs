//! A tub's figures for the commands: folded from what is stored, now.
//!
//! In: the logbook and the samples up to the last commit. Out: the tub as the status shows it.

use super::Site;
use super::speak::Failure;
use crate::climate::{Quality, Quantity, Stamp};
use crate::grow::learning::Learned;
use crate::grow::logbook::Book;
use crate::grow::thermal::Gaps;
use crate::grow::tub::Tub;
use crate::status::snapshot::TubView;
use crate::status::tub::{Measured, tub_view};
use crate::store::{Reader, figures};
use crate::watch::alert::Alert;
use crate::watch::concerned::names_tub;

/// The tub as the status shows it, from what is stored; held to `own`, learnt from past tubs, if there is any.
///
/// # Errors
/// When the store cannot be read.
pub fn view(
    site: &Site,
    reader: &Reader,
    book: &Book,
    tub: &Tub,
    alerts: &[Alert],
    own: Option<&Learned>,
) -> Result<TubView, Failure> {
    let setup = &site.plan.setup;
    let culture = setup.cultures.iter().find(|culture| culture.name == tub.culture);
    let mut measured = Measured { alerts: concerning(tub, &book.tubs, alerts, site.now), ..Measured::default() };
    let own = own.map(|learned| (learned.requirement, learned.tubs));
    measured.own_requirement = own;
    if let Some(culture) = culture {
        let culture = &culture.requiring(own.map(|(requirement, _)| requirement));
        // A sample of this very millisecond counts.
        let until = site.now.plus(1);
        let told = figures::exposure(reader, tub, &book.tubs, setup, culture, until, false).map_err(Failure::failed)?;
        measured.figures = told.exposure.figures(tub.ended_at.unwrap_or(site.now));
        measured.rate_per_hour = told.exposure.rate_per_hour();
        measured.temperature_from = told.temperature_from;
    }
    if tub.is_alive() {
        measured.core_c = match figures::core_at(tub, &book.tubs, site.now) {
            Some(core) => latest(site, reader, core, Gaps::for_core)?,
            None => None,
        };
        measured.air_c = air(site, reader, tub)?;
    }
    let thermal = culture.map(|culture| &culture.thermal);
    Ok(tub_view(tub, &measured, thermal, site.now, setup.due_not_before_ms))
}

/// The alerts about this tub or its core probe, and those of its space or of a tub with the same core that
/// name it.
fn concerning(tub: &Tub, tubs: &[Tub], alerts: &[Alert], now: Stamp) -> Vec<i64> {
    let own = format!("tub {}", tub.name);
    let core = figures::core_at(tub, tubs, now).map(|core| format!("probe {core}"));
    let concerns = |alert: &&Alert| {
        alert.subject == own || Some(&alert.subject) == core.as_ref() || names_tub(&alert.text, &tub.name)
    };
    alerts.iter().filter(|_| tub.is_alive()).filter(concerns).map(|alert| alert.id).collect()
}

/// What the first of the space's air probes that reads of late says, °C.
fn air(site: &Site, reader: &Reader, tub: &Tub) -> Result<Option<f64>, Failure> {
    let setup = &site.plan.setup;
    let space = setup.spaces.iter().find(|space| space.name == tub.space());
    for position in space.map_or(&[][..], |space| &space.air) {
        if let Some(probe) = setup.probes.get(*position)
            && let Some(air_c) = latest(site, reader, &probe.name, Gaps::for_air)?
        {
            return Ok(Some(air_c));
        }
    }
    Ok(None)
}

/// The last good temperature of a probe, °C, unless it is older than figures would bridge.
fn latest(site: &Site, reader: &Reader, probe: &str, gaps: fn(i64) -> Gaps) -> Result<Option<f64>, Failure> {
    let setup = site.plan.setup.probes.iter().find(|setup| setup.name == probe);
    let bridge_ms = gaps(setup.map_or(0, |setup| setup.every_ms)).bridge_ms;
    let mut latest: Option<(Stamp, f64)> = None;
    let mut visit = |reading: crate::climate::Reading| {
        if reading.quality == Quality::Good {
            latest = Some((reading.at, reading.value));
        }
    };
    reader
        .series(probe, Quantity::Temperature, site.now.plus(-bridge_ms), site.now.plus(1), &mut visit)
        .map_err(Failure::failed)?;
    Ok(latest.map(|(_, value)| value))
}
