//! A tub that moves, whose core changes hands, over samples sealed, unsealed and late.

use std::path::Path;
use std::time::Duration;

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use tubwatch::climate::stamp::{DAY_MS, HOUR_MS};
use tubwatch::climate::{Quality, Quantity, Stamp};
use tubwatch::grow::culture::{Band, Bands, Culture, Limit, Requirement, StageBands, Thermal};
use tubwatch::grow::logbook::{Deed, Entry, Spawning, tubs};
use tubwatch::grow::tub::{Since, Stage, Tub};
use tubwatch::store::*;
use tubwatch::watch::setup::{Correction, ProbeSetup, Setup, SourceSetup, SpaceSetup};

use super::{near, near_or_none, one_by_one, same_band, same_exposure, same_summary};

const START: i64 = 1_794_996_000_000;
const EVERY_MS: i64 = 150_000;
const DAYS: i64 = 9;

fn culture() -> Culture {
    let band = |low, high| Band { low: Some(Limit::plain(low)), high: Some(Limit::plain(high)), critical_high: None };
    let colonising =
        StageBands { core_temperature: band(20.0, 26.0), temperature: band(18.0, 26.0), ..StageBands::default() };
    let fruiting = StageBands { temperature: band(10.0, 24.0), ..StageBands::default() };
    Culture {
        name: "round".to_owned(),
        species: "Pleurotus inventus".to_owned(),
        thermal: Thermal {
            base_c: 5.0,
            cap_c: 24.5,
            damage_c: 33.0,
            usual_c: 24.0,
            requirement: Requirement { low: 400.0, usual: 1_000.0, high: 3_000.0 },
        },
        sources: Vec::new(),
        bands: Bands { colonising: Some(colonising), fruiting: Some(fruiting), ..Bands::default() },
    }
}

const NAMES: [&str; 5] = ["air-1", "air-2", "core-1", "core-2", "tent-air"];

fn setup() -> Setup {
    let probe = |name: &str| ProbeSetup {
        name: name.to_owned(),
        source: 0,
        every_ms: EVERY_MS,
        reads: [true; 4],
        correction: [Correction::default(); 4],
    };
    let space =
        |name: &str, air: Vec<usize>| SpaceSetup { name: name.to_owned(), air, heated: true, bands: Bands::default() };
    Setup {
        sources: vec![SourceSetup { name: "house".to_owned(), kind: "broker" }],
        probes: NAMES.map(probe).to_vec(),
        spaces: vec![space("shelf", vec![0, 1]), space("tent", vec![4, 0])],
        cultures: vec![culture()],
        due_not_before_ms: 0,
        timezone: chrono_tz::UTC,
        show: Default::default(),
    }
}

fn tub(random: &mut StdRng) -> Tub {
    let hours = |random: &mut StdRng| Stamp(START + random.random_range(0..DAYS * 24 * 60) * HOUR_MS / 60);
    let mut turns: Vec<Stamp> = (0..6).map(|_| hours(random)).collect();
    turns.sort_unstable();
    let since = |from, value: Option<&str>| Since { from, value: value.map(str::to_owned) };
    let spawned_at = Stamp(START + random.random_range(-3..30) * HOUR_MS);
    let mut cores = Vec::new();
    if random.random_bool(0.7) {
        cores.extend([since(turns[0], Some("core-1")), since(turns[2], Some("core-2")), since(turns[4], None)]);
    }
    let spawning = Spawning {
        name: "A1".to_owned(),
        culture: "round".to_owned(),
        space: "shelf".to_owned(),
        ..Spawning::default()
    };
    let deed = Deed::Spawned(Box::new(spawning));
    let spawned = Entry { id: 1, written_at: spawned_at, at: spawned_at, tub: "A1-2026-11-18".to_owned(), deed };
    Tub {
        spaces: vec![
            Since { from: spawned_at, value: "shelf".to_owned() },
            Since { from: turns[3].max(spawned_at), value: "tent".to_owned() },
        ],
        cores,
        stages: vec![
            Since { from: spawned_at, value: Stage::Colonising },
            Since { from: turns[5].max(spawned_at.plus(1)), value: Stage::Fruiting },
        ],
        colonised_at: random.random_bool(0.5).then_some(turns[5].max(spawned_at.plus(1))),
        ..tubs(&[spawned], chrono_tz::UTC).remove(0)
    }
}

/// Nine days of five probes, which fall silent, jump, err, and repeat a value for hours.
fn samples(random: &mut StdRng) -> Vec<Sample> {
    let mut all = Vec::new();
    for probe in 1..=NAMES.len() as i64 {
        let mut at = START - DAY_MS + probe * 7;
        let mut t = 24.0_f64;
        while at < START + DAYS * DAY_MS {
            at += match random.random_range(0..500) {
                0 => random.random_range(0..5 * HOUR_MS),
                1 => random.random_range(0..20 * HOUR_MS),
                _ => EVERY_MS + random.random_range(-25..26),
            };
            t += f64::from(random.random_range(-4..5)) / 100.0 + (24.0 - t) / 200.0;
            let (mut value, mut quality) = ((t * 100.0).round() / 100.0, Quality::Good);
            match random.random_range(0..200) {
                0 => value += 30.0,
                1 => (value, quality) = (-127.0, Quality::Sentinel),
                2 => t += 6.0,
                3 => quality = Quality::Undated,
                _ => {}
            }
            let reads = random.random_range(0..300) != 0;
            let values = [reads.then_some(value), Some(80.0), None, None];
            all.push(Sample {
                probe,
                at: Stamp(at),
                values,
                quality: [quality, Quality::Good, Quality::Good, Quality::Good],
                timing: Default::default(),
            });
        }
    }
    all.sort_by_key(|sample| sample.at);
    all
}

fn write(folder: &Path, changes: Vec<Change>) {
    let writer = Writer::start(Store::open(folder).unwrap(), Duration::from_secs(3600), |_| {}).unwrap();
    writer.write(changes, Urgency::WhenDue, 0);
    writer.flush_and_stop(Duration::from_secs(60)).unwrap();
}

fn compare(reader: &Reader, random: &mut StdRng) {
    let (setup, culture, tub) = (setup(), culture(), tub(random));
    let tubs = [tub.clone()];
    let until = Stamp(START + DAYS * DAY_MS).plus(-random.random_range(0..DAY_MS));
    let end = tub.colonised_at.or(tub.ended_at);
    let check = |fast: &figures::TubFigures, slow: &one_by_one::Figures| {
        same_exposure(&fast.exposure, &slow.exposure, until);
        same_summary(&fast.temperature, &slow.temperature);
        same_band(&fast.band, &slow.band);
        near_or_none(fast.core_over_air_max_k, slow.core_over_air_max_k, "core over air");
        assert_eq!(fast.sources, slow.sources);
        assert_eq!(fast.course.len(), slow.course.len());
        for (one, other) in fast.course.iter().zip(&slow.course) {
            assert_eq!(one.0, other.0);
            near(one.1, other.1, "course");
        }
        let (one, other) = (fast.warmth.report(until), slow.warmth.report(until));
        near_or_none(one.excess_c, other.excess_c, "excess");
        near_or_none(one.last_day_c, other.last_day_c, "last day");
        assert_eq!((one.hump, one.hours_measured), (other.hump, other.hours_measured));
    };
    for settled_only in [false, true] {
        let fast = figures::exposure(reader, &tub, &tubs, &setup, &culture, until, settled_only).unwrap();
        let whole = (tub.spawned_at, end);
        check(&fast, &one_by_one::fold(reader, &tub, &setup, &culture, whole, until, settled_only));
    }
    let (from, to) = (tub.spawned_at.plus(DAY_MS + 777), tub.spawned_at.plus(5 * DAY_MS + 1));
    let fast = figures::over(reader, &tub, &tubs, &setup, &culture, from, to).unwrap();
    check(&fast, &one_by_one::fold(reader, &tub, &setup, &culture, (from, Some(to)), to, false));
    // For a start: several tubs in one pass, each with its present stage.
    let other = self::tub(random);
    let wanted = [(&tub, &culture), (&other, &culture), (&tub, &culture)];
    let pasts = figures::pasts(reader, &wanted, &tubs, &setup, until).unwrap();
    for ((tub, _), past) in wanted.iter().zip(&pasts) {
        let whole = (tub.spawned_at, tub.colonised_at.or(tub.ended_at));
        check(&past.figures, &one_by_one::fold(reader, tub, &setup, &culture, whole, until, true));
        let begun = (tub.stages.last().unwrap().from, None);
        same_band(&past.stage, &one_by_one::fold(reader, tub, &setup, &culture, begun, until, true).band);
    }
}

#[test]
fn a_tubs_figures_are_those_of_its_readings_wherever_they_lie() {
    for seed in 0..4 {
        let random = &mut StdRng::seed_from_u64(seed);
        let folder = tempfile::tempdir().unwrap();
        Store::open(folder.path()).unwrap().probe_ids(&NAMES).unwrap();
        let correction = |since: i64, offset| {
            let correction = Correction { gain: 1.01, offset };
            let (quantity, made) = (Quantity::Temperature, Stamp(START));
            Change::Correction(DatedCorrection { probe: 3, quantity, since: Stamp(since), correction, made })
        };
        let mut changes = vec![correction(i64::MIN, -0.3), correction(START + 3 * DAY_MS + 12_345, -0.5)];
        let all = samples(random);
        let unsealed = START + (DAYS - 1) * DAY_MS;
        let (sealed, fresh): (Vec<Sample>, Vec<Sample>) = all.iter().partition(|sample| sample.at.0 < unsealed);
        // Some come late: into what is sealed already.
        let (late, early): (Vec<Sample>, Vec<Sample>) = sealed.into_iter().partition(|_| random.random_bool(0.02));
        changes.extend(early.into_iter().map(Change::Sample));
        write(folder.path(), changes);
        Store::open(folder.path()).unwrap().seal().unwrap();
        let reader = Reader::open(folder.path()).unwrap();
        compare(&reader, random);
        write(folder.path(), fresh.into_iter().map(Change::Sample).collect());
        compare(&reader, random);
        write(folder.path(), late.into_iter().map(Change::Sample).collect());
        compare(&reader, random);
        Store::open(folder.path()).unwrap().seal().unwrap();
        compare(&reader, random);
    }
}
