//! A tub's figures folded reading by reading: slow, plain, and what the fast way is held against.

use tubwatch::climate::statistics::{BandHours, BandLimits, Summary};
use tubwatch::climate::{Quality, Quantity, Stamp};
use tubwatch::grow::culture::Culture;
use tubwatch::grow::self_heating::SelfHeating;
use tubwatch::grow::thermal::{Exposure, Gaps, Preference};
use tubwatch::grow::tub::{Stage, Tub};
use tubwatch::store::Reader;
use tubwatch::watch::origin::{Origin, origin, stress_top_c};
use tubwatch::watch::setup::Setup;

pub struct Figures {
    pub exposure: Exposure,
    pub temperature: Summary,
    pub band: BandHours,
    pub core_over_air_max_k: Option<f64>,
    pub course: Vec<(Stamp, f64)>,
    pub warmth: SelfHeating,
    pub sources: Vec<String>,
    last_at: Option<Stamp>,
}

/// A stretch with one core or none, in one space.
struct Stretch<'a> {
    from: Stamp,
    to: Stamp,
    core: Option<&'a str>,
    space: &'a str,
}

fn stretches<'a>(tub: &'a Tub, from: Stamp, to: Stamp) -> Vec<Stretch<'a>> {
    let mut turns = vec![from, to];
    turns.extend(tub.spaces.iter().map(|since| since.from).chain(tub.cores.iter().map(|since| since.from)));
    turns.retain(|turn| *turn >= from && *turn <= to);
    turns.sort_unstable();
    turns.dedup();
    let mut found: Vec<Stretch<'a>> = Vec::new();
    for ends in turns.windows(2) {
        let core = match origin(tub, None, ends[0]) {
            Origin::Core(core) | Origin::Like(core) => Some(core),
            Origin::Air(_) => None,
        };
        let space = tub.spaces.iter().rfind(|since| since.from <= ends[0]).map_or("", |since| since.value.as_str());
        match found.last_mut() {
            Some(last) if last.core == core && last.space == space => last.to = ends[1],
            _ => found.push(Stretch { from: ends[0], to: ends[1], core, space }),
        }
    }
    found
}

/// From `from` to `end`, of samples before `until`.
pub fn fold(
    reader: &Reader,
    tub: &Tub,
    setup: &Setup,
    culture: &Culture,
    (from, end): (Stamp, Option<Stamp>),
    until: Stamp,
    settled_only: bool,
) -> Figures {
    let mut figures = Figures {
        exposure: Exposure::new(culture.thermal, None, from).ending(end),
        temperature: Summary::new(from, end),
        band: BandHours::new(BandLimits::default(), from, end),
        core_over_air_max_k: None,
        course: Vec::new(),
        warmth: SelfHeating::new(tub.spawned_at),
        sources: Vec::new(),
        last_at: None,
    };
    let stretches = stretches(tub, from, end.map_or(until, |end| end.min(until)));
    for (index, stretch) in stretches.iter().enumerate() {
        let ends_here = index + 1 == stretches.len() && end == Some(stretch.to);
        figures.stretch(reader, tub, setup, culture, stretch, (index == 0, ends_here), settled_only);
    }
    figures
}

impl Figures {
    #[allow(clippy::too_many_arguments)]
    fn stretch(
        &mut self,
        reader: &Reader,
        tub: &Tub,
        setup: &Setup,
        culture: &Culture,
        stretch: &Stretch<'_>,
        (first, ends_here): (bool, bool),
        settled_only: bool,
    ) {
        let place = |name: &str| setup.probes.iter().position(|probe| probe.name == name).unwrap();
        let space = setup.spaces.iter().find(|space| space.name == stretch.space).unwrap();
        let mut sources: Vec<(usize, Gaps)> = Vec::new();
        sources.extend(stretch.core.map(|core| (place(core), Gaps::for_core(setup.probes[place(core)].every_ms))));
        let cores = sources.len();
        let air = space.air.iter().filter(|air| stretch.core != Some(setup.probes[**air].name.as_str()));
        sources.extend(air.map(|air| (*air, Gaps::for_air(setup.probes[*air].every_ms))));
        let names: Vec<&str> = sources.iter().map(|(place, _)| setup.probes[*place].name.as_str()).collect();
        let lead_ms = sources.iter().map(|(_, gaps)| gaps.bridge_ms).max().unwrap();
        let to = if ends_here { stretch.to.plus(lead_ms) } else { stretch.to };
        let mut preference = Preference::new(sources.len() - cores);
        let mut air_now: Option<(Stamp, f64)> = None;
        reader
            .series_of(
                &names,
                Quantity::Temperature,
                stretch.from.plus(-lead_ms),
                to,
                &mut |position, reading, settled| {
                    if reading.quality != Quality::Good || (settled_only && !settled) {
                        return;
                    }
                    let (probe, gaps) = sources[position];
                    let counted = first || reading.at >= stretch.from;
                    if position < cores {
                        if let Some((until, air)) = air_now
                            && reading.at <= until
                            && reading.at >= stretch.from
                            && reading.at < stretch.to
                        {
                            let over = reading.value - air;
                            self.core_over_air_max_k =
                                Some(self.core_over_air_max_k.map_or(over, |most| most.max(over)));
                        }
                        if counted {
                            self.warmth.core(reading.at, reading.value);
                        }
                    } else if preference.take(position - cores, reading.at, gaps.bridge_ms) {
                        if cores > 0 && counted {
                            self.warmth.air(reading.at, reading.value);
                        }
                        air_now = Some((reading.at.plus(gaps.bridge_ms), reading.value));
                    } else {
                        return;
                    }
                    if !counted || (position >= cores && cores > 0) {
                        return;
                    }
                    let begun = self.last_at.replace(reading.at).unwrap_or(reading.at);
                    let stage =
                        tub.stages.iter().rfind(|stage| stage.from <= begun).map_or(Stage::Colonising, |it| it.value);
                    let bands = culture.bands.of(stage).overridden_by(space.bands.of(stage));
                    let (air_low, core_low) = (bands.temperature.low, bands.core_temperature.low);
                    let low = if cores > 0 { core_low.or(air_low) } else { air_low }.map(|low| low.value);
                    let high = stress_top_c(&bands, cores > 0);
                    self.exposure.set_stress_top_c(high);
                    self.band.set_limits(BandLimits { low, high, damage: Some(culture.thermal.damage_c) });
                    self.exposure.push(probe as u32, reading.at, reading.value, gaps);
                    let since = self.course.last().map_or(self.exposure.start(), |(last, _)| *last);
                    if reading.at.since(since) >= tubwatch::climate::stamp::DAY_MS {
                        self.course.push((reading.at, self.exposure.figures(reading.at).degree_hours));
                    }
                    self.temperature.push(probe as u32, reading.at, reading.value, gaps);
                    self.band.push(probe as u32, reading.at, reading.value, gaps);
                    if !self.sources.iter().any(|known| known == names[position]) {
                        self.sources.push(names[position].to_owned());
                    }
                },
            )
            .unwrap();
    }
}
