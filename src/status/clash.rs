//! Tubs in one space whose bands of the air exclude each other.
//!
//! In: the settings, the living tubs and where they stand. Out: one sentence for each space and quantity in
//! which nobody can please all of them. Pure. Left out: cores, which each tub has for itself.

use super::limits;
use crate::climate::Quantity;
use crate::grow::tub::Stage;
use crate::watch::setup::Setup;

/// A living tub, as far as it matters here.
#[derive(Clone, Copy, Debug)]
pub struct Placed<'a> {
    /// Its bare name.
    pub name: &'a str,
    /// Its culture's.
    pub culture: &'a str,
    /// Where it is in its life.
    pub stage: Stage,
    /// The space's name.
    pub space: &'a str,
    /// No core is measured for it: it is judged from the air, more strictly.
    pub is_from_air: bool,
}

/// What stands in the way, a sentence each.
pub fn clashes(setup: &Setup, tubs: &[Placed<'_>]) -> Vec<String> {
    let mut all = Vec::new();
    for space in &setup.spaces {
        let here: Vec<&Placed<'_>> = tubs.iter().filter(|tub| tub.space == space.name).collect();
        for quantity in [Quantity::Temperature, Quantity::Humidity, Quantity::Co2] {
            let band = |tub: &Placed<'_>| {
                let bands = limits::stage_bands(setup, tub.culture, tub.stage, tub.space);
                limits::of_air(&bands, quantity, tub.is_from_air)
            };
            let low = here.iter().filter_map(|tub| Some((band(tub).low?.value, *tub)));
            let high = here.iter().filter_map(|tub| Some((band(tub).high.or(band(tub).critical_high)?.value, *tub)));
            let (low, high) = (low.max_by(|a, b| a.0.total_cmp(&b.0)), high.min_by(|a, b| a.0.total_cmp(&b.0)));
            if let (Some((low, wants_more)), Some((high, wants_less))) = (low, high)
                && low >= high
                && wants_more.name != wants_less.name
            {
                all.push(sentence(setup, quantity, (low, wants_more), (high, wants_less)));
            }
        }
    }
    all
}

fn sentence(
    setup: &Setup,
    quantity: Quantity,
    (low, more): (f64, &Placed<'_>),
    (high, less): (f64, &Placed<'_>),
) -> String {
    let say = |value: f64| match quantity {
        Quantity::Temperature => setup.show.say_set(value),
        Quantity::Co2 => format!("{value} ppm CO2"),
        _ => format!("{value} % humidity"),
    };
    format!(
        "In {} the bands exclude each other: {} ({}) wants the air at {} or more, {} ({}) at {} or less. Whatever you do one \
         of them is told of; move one, or give the space limits of its own.",
        more.space,
        more.name,
        more.stage.word(),
        say(low),
        less.name,
        less.stage.word(),
        say(high)
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::grow::culture::{Band, Bands, Culture, Limit, Requirement, StageBands, Thermal};
    use crate::watch::setup::SpaceSetup;

    fn culture(name: &str, low: f64, high: f64) -> Culture {
        let band = Band { low: Some(Limit::plain(low)), high: Some(Limit::plain(high)), critical_high: None };
        let bands = StageBands { temperature: band, ..StageBands::default() };
        Culture {
            name: name.to_owned(),
            species: String::new(),
            thermal: Thermal {
                base_c: 4.0,
                cap_c: 26.0,
                damage_c: 36.0,
                usual_c: 22.0,
                requirement: Requirement { low: 1.0, usual: 2.0, high: 3.0 },
            },
            sources: Vec::new(),
            bands: Bands { colonising: Some(bands), fruiting: Some(bands), ..Bands::default() },
        }
    }

    #[test]
    fn two_that_cannot_both_be_pleased_are_told_of_once() {
        let space =
            |name: &str| SpaceSetup { name: name.to_owned(), air: vec![], heated: false, bands: Bands::default() };
        let setup = Setup {
            spaces: vec![space("shelf"), space("tent")],
            cultures: vec![culture("warm", 20.0, 28.0), culture("cool", 8.0, 18.0), culture("mild", 15.0, 22.0)],
            ..Setup::default()
        };
        let tub =
            |name, culture, space, is_from_air| Placed { name, culture, stage: Stage::Fruiting, space, is_from_air };
        let told = |tubs: &[Placed<'_>]| clashes(&setup, tubs);
        let both =
            [tub("G1", "warm", "shelf", false), tub("E1", "cool", "shelf", false), tub("E2", "cool", "shelf", false)];
        let said = told(&both);
        assert!(said.len() == 1 && said[0].starts_with("In shelf "), "{said:?}");
        assert!(
            said[0].contains("G1 (fruiting) wants the air at 20 °C or more, E1 (fruiting) at 18 °C or less"),
            "{said:?}"
        );
        assert!(told(&[both[0], tub("E1", "cool", "tent", false)]).is_empty(), "apart");
        assert!(told(&[both[0], tub("M1", "mild", "shelf", false)]).is_empty(), "between 20 and 22");
        // Judged from the air its high limit is 2 °C lower.
        assert_eq!(told(&[both[0], tub("M1", "mild", "shelf", true)]).len(), 1);
    }
}
