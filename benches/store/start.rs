//! Five years of 42 series, a day of them in rows, six living tubs of a month each: what a start costs.

use std::time::Duration;

use rusqlite::Connection;
use tubwatch::climate::Stamp;
use tubwatch::climate::stamp::DAY_MS;
use tubwatch::config::load::parse;
use tubwatch::engine::clock::Clock;
use tubwatch::engine::restore::restore;
use tubwatch::grow::culture::{Band, Bands, Culture, Limit, Requirement, StageBands, Thermal};
use tubwatch::grow::logbook::{Deed, Entry, Spawning, tubs};
use tubwatch::grow::tub::Tub;
use tubwatch::store::*;
use tubwatch::watch::setup::{Correction, ProbeSetup, Setup, SourceSetup, SpaceSetup};

use super::{BEGIN, Climate, EVERY_MS, best, bytes, open, wait};

pub fn culture() -> Culture {
    let band = |low, high| Band { low: Some(Limit::plain(low)), high: Some(Limit::plain(high)), critical_high: None };
    let bands =
        StageBands { core_temperature: band(20.0, 28.0), temperature: band(18.0, 26.0), ..StageBands::default() };
    Culture {
        name: "round".to_owned(),
        species: "Pleurotus inventus".to_owned(),
        thermal: Thermal {
            base_c: 5.0,
            cap_c: 25.0,
            damage_c: 33.0,
            usual_c: 24.0,
            requirement: Requirement { low: 4560.0, usual: 5472.0, high: 6384.0 },
        },
        sources: Vec::new(),
        bands: Bands { colonising: Some(bands), ..Bands::default() },
    }
}

pub fn setup(names: &[&str]) -> Setup {
    let probe = |name: &&str| ProbeSetup {
        name: (*name).to_owned(),
        source: 0,
        every_ms: EVERY_MS,
        reads: [true, true, true, false],
        correction: [Correction::default(); 4],
    };
    Setup {
        sources: vec![SourceSetup { name: "house".to_owned(), kind: "broker" }],
        probes: names.iter().map(probe).collect(),
        spaces: vec![SpaceSetup { name: "shelf".to_owned(), air: vec![], heated: true, bands: Bands::default() }],
        cultures: vec![culture()],
        due_not_before_ms: 0,
        timezone: chrono_tz::UTC,
        show: Default::default(),
    }
}

fn entry(name: &str, core: Option<&str>, at: Stamp) -> Entry {
    let spawning = Spawning {
        name: name.to_owned(),
        culture: "winter-oyster".to_owned(),
        space: "shelf".to_owned(),
        kind: "tub".to_owned(),
        core: core.map(str::to_owned),
        ..Spawning::default()
    };
    let deed = Deed::Spawned(Box::new(spawning));
    Entry { id: at.0, written_at: at, at, tub: format!("{name}-2023-11-15"), deed }
}

pub fn spawned(named: &[(&str, Option<&str>, Stamp)]) -> Vec<Tub> {
    let entries: Vec<Entry> = named.iter().map(|(name, core, at)| entry(name, *core, *at)).collect();
    tubs(&entries, chrono_tz::UTC)
}

fn config(folder: &std::path::Path, names: &[String]) -> String {
    let mut text = format!(
        "[site]\nname = \"bench\"\ntimezone = \"Etc/UTC\"\n[store]\npath = {folder:?}\n[[broker]]\nname = \"house\"\nurl = \"mqtt://127.0.0.1:1\"\n"
    );
    for name in names {
        text += &format!(
            "[[probe]]\nname = \"{name}\"\nfrom = \"house\"\ntopic = \"{name}\"\nformat = \"json\"\nevery = \"10s\"\nreads = {{ temperature = \"/t\", humidity = \"/h\", co2 = \"/c\" }}\n"
        );
    }
    text + "[[space]]\nname = \"shelf\"\nair = [\"p10\", \"p11\"]\n"
}

/// Five years of 14 probes with 3 quantities: one year packed, its rows copied for the others.
pub fn start() {
    let folder = tempfile::tempdir().unwrap();
    let names: Vec<String> = (0..14).map(|n| format!("p{n}")).collect();
    let (writer, committed) = super::writer(open(folder.path(), &names.iter().map(String::as_str).collect::<Vec<_>>()));
    let mut climate = Climate::of(1, EVERY_MS);
    for _ in 0..32 {
        let changes = (0..8_640).map(|_| Change::Sample(climate.next())).collect();
        wait(&committed, writer.write(changes, Urgency::AtOnce, 0));
    }
    writer.flush_and_stop(Duration::from_secs(60)).unwrap();
    Store::open(folder.path()).unwrap().seal().unwrap();
    let connection = Connection::open(folder.path().join(tubwatch::store::open::FILE)).unwrap();
    connection.execute_batch(&format!(
        "WITH RECURSIVE probe(p) AS (SELECT 1 UNION ALL SELECT p + 1 FROM probe WHERE p < 14),
           back(b) AS (SELECT 1 UNION ALL SELECT b + 1 FROM back WHERE b < 57)
         INSERT INTO chunk (probe, first, last, count, quality, stamps, temperature, humidity, co2)
         SELECT p, first - b * {0}, last - b * {0}, count, quality, stamps, temperature, humidity, co2 FROM chunk, probe, back;
         WITH RECURSIVE probe(p) AS (SELECT 2 UNION ALL SELECT p + 1 FROM probe WHERE p < 14)
         INSERT INTO chunk (probe, first, last, count, quality, stamps, temperature, humidity, co2)
         SELECT p, first, last, count, quality, stamps, temperature, humidity, co2 FROM chunk, probe WHERE probe = 1 AND first >= {BEGIN} - 1000",
        32 * DAY_MS
    )).unwrap();
    // And a day that is not sealed yet.
    let (writer, committed) = super::writer(Store::open(folder.path()).unwrap());
    let mut climates: Vec<Climate> = (1..=14).map(|probe| Climate::of(probe, EVERY_MS)).collect();
    for climate in &mut climates {
        climate.n = 32 * 8_640;
        wait(
            &committed,
            writer.write((0..8_000).map(|_| Change::Sample(climate.next())).collect(), Urgency::AtOnce, 0),
        );
    }
    drop(writer);
    let now = Stamp(BEGIN + (32 * 8_640 + 8_000) * EVERY_MS);
    let mut access = Access::open(folder.path()).unwrap();
    for (name, core) in [("A1", "p0"), ("A2", "p1"), ("A3", "p2"), ("B1", "p3"), ("B2", ""), ("B3", "")] {
        let Entry { at, tub, deed, .. } =
            entry(name, Some(core).filter(|core| !core.is_empty()), now.plus(-30 * DAY_MS));
        entries::append(&mut access, at, at, &tub, deed, |_| Ok::<(), std::fmt::Error>(())).unwrap();
    }
    drop(access);
    let (chunks, samples): (i64, i64) = connection
        .query_row("SELECT count(*), sum(count) FROM chunk", [], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap();
    drop(connection);
    let file = folder.path().join("bench.toml");
    let plan = parse(&config(folder.path(), &names), &file).unwrap_or_else(|faults| panic!("{faults}"));
    let whole = best(|| {
        let restored = restore(&plan, &Clock::samples(now), false).unwrap();
        let store = restored.store.unwrap_or_else(|| panic!("{:?}", restored.fault));
        let (writer, _) = super::writer(store);
        writer.flush_and_stop(Duration::from_secs(60)).unwrap();
    });
    let file = folder.path().join(tubwatch::store::open::FILE);
    println!(
        "a start on {samples} sealed messages in {chunks} chunks, a day of 14 probes in rows and 6 living tubs of a month, from the open to the running writer: {whole}; file {:.0} MB",
        bytes(&file) / 1e6
    );
    let known = best(|| {
        let reader = Reader::open(folder.path()).unwrap();
        assert!(reader.known().unwrap().count(1) > 10_000_000);
    });
    let tubs = spawned(&[("A1", Some("p0"), now.plus(-30 * DAY_MS)), ("B2", None, now.plus(-30 * DAY_MS))]);
    let one = best(|| {
        let reader = Reader::open(folder.path()).unwrap();
        let pasts = figures::pasts(&reader, &[(&tubs[0], &plan.setup.cultures[0])], &tubs, &plan.setup, now).unwrap();
        assert_eq!(pasts.len(), 1);
    });
    let mut samples_in_chunks = 0;
    let plain = best(|| {
        // What a plain table would have to do for the same: count its rows, which no chunk's row saves it.
        let rows = Connection::open(&file).unwrap();
        samples_in_chunks = rows.query_row("SELECT count(*) FROM sample", [], |row| row.get(0)).unwrap();
    });
    println!(
        "of that the duplicates' index: {known}; figures of one tub: {one}; counting {samples_in_chunks} plain rows alone: {plain}, for {samples} rows {:.0} s",
        plain.cpu / samples_in_chunks as f64 * samples as f64 / 1e3
    );
}
