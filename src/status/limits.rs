//! The band that a tub's or a space's readings are held against, for drawing.
//!
//! In: the settings, a tub's stage and place. Out: bands, as the watches take them: the culture's for
//! the stage, under the space's own, the high limits lower where no core is measured. Left out:
//! delays and severities.

use crate::climate::Quantity;
use crate::grow::culture::{Band, Culture, StageBands};
use crate::grow::tub::Stage;
use crate::watch::origin::stricter;
use crate::watch::setup::{Setup, SpaceSetup};

/// The culture called `name`.
pub(super) fn culture<'a>(setup: &'a Setup, name: &str) -> Option<&'a Culture> {
    setup.cultures.iter().find(|culture| culture.name == name)
}

/// The space called `name`.
pub(super) fn space<'a>(setup: &'a Setup, name: &str) -> Option<&'a SpaceSetup> {
    setup.spaces.iter().find(|space| space.name == name)
}

/// All bands of a culture's tub in `stage`, standing in `space_name`.
pub(super) fn stage_bands(setup: &Setup, culture_name: &str, stage: Stage, space_name: &str) -> StageBands {
    let own = culture(setup, culture_name).map(|culture| culture.bands.of(stage)).unwrap_or_default();
    let over = space(setup, space_name).map(|space| space.bands.of(stage)).unwrap_or_default();
    own.overridden_by(over)
}

/// The band of one quantity of the air.
pub(super) fn of_air(bands: &StageBands, quantity: Quantity, without_core: bool) -> Band {
    match quantity {
        Quantity::Temperature if without_core => stricter(bands.temperature),
        Quantity::Temperature => bands.temperature,
        Quantity::Humidity => bands.humidity,
        Quantity::Co2 => bands.co2,
        Quantity::Battery => Band::default(),
    }
}

/// The stage called `word`.
pub(super) fn stage(word: &str) -> Option<Stage> {
    [Stage::Colonising, Stage::Ripening, Stage::Pinning, Stage::Fruiting, Stage::Resting, Stage::Ended]
        .into_iter()
        .find(|stage| stage.word() == word)
}

/// The narrowest of several bands: the highest low limit and the lowest high ones.
pub(super) fn narrowest(bands: impl IntoIterator<Item = Band>) -> Band {
    let mut narrow = Band::default();
    for band in bands {
        if band.low.is_some_and(|low| narrow.low.is_none_or(|held| low.value > held.value)) {
            narrow.low = band.low;
        }
        if band.high.is_some_and(|high| narrow.high.is_none_or(|held| high.value < held.value)) {
            narrow.high = band.high;
        }
    }
    narrow
}
