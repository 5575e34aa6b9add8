//! The export against cells computed by hand, and line protocol against the published rules.

#![allow(clippy::unwrap_used, clippy::panic)]

use std::collections::HashMap;
use std::fs;
use std::path::Path;
use std::time::Duration;

use tubwatch::climate::stamp::{HOUR_MS, MINUTE_MS};
use tubwatch::climate::{Quality, Stamp};
use tubwatch::grow::culture::{Band, Bands, Culture, Limit, Requirement, StageBands, Thermal};
use tubwatch::grow::logbook::{Deed, Entry, Spawning, tubs};
use tubwatch::grow::tub::Tub;
use tubwatch::records::{Every, Options, export, line_protocol};
use tubwatch::store::entries::append;
use tubwatch::store::{Access, Change, Reader, Sample, Store, Urgency, Writer, figures};
use tubwatch::watch::alert::{Alert, AlertState, Severity, Watch};
use tubwatch::watch::setup::{Correction, ProbeSetup, Setup, SourceSetup, SpaceSetup};

/// 2026-11-18T10:00:00Z.
const START: i64 = 1_794_996_000_000;
const EVERY: i64 = 10 * MINUTE_MS;
const ZONE: chrono_tz::Tz = chrono_tz::Europe::Berlin;

fn band(low: f64, high: f64) -> Band {
    Band { low: Some(Limit::plain(low)), high: Some(Limit::plain(high)), critical_high: None }
}

/// An invented culture: round numbers.
fn culture() -> Culture {
    let colonising =
        StageBands { core_temperature: band(20.0, 28.0), temperature: band(18.0, 26.0), ..StageBands::default() };
    let fruiting = StageBands { temperature: band(10.0, 18.0), humidity: band(85.0, 98.0), ..StageBands::default() };
    Culture {
        name: "round".to_owned(),
        species: "Pleurotus inventus".to_owned(),
        thermal: Thermal {
            base_c: 5.0,
            cap_c: 25.0,
            damage_c: 33.0,
            usual_c: 24.0,
            requirement: Requirement { low: 400.0, usual: 456.0, high: 500.0 },
        },
        sources: Vec::new(),
        bands: Bands { colonising: Some(colonising), fruiting: Some(fruiting), ..Bands::default() },
    }
}

fn setup() -> Setup {
    let probe = |name: &str| ProbeSetup {
        name: name.to_owned(),
        source: 0,
        every_ms: EVERY,
        reads: [true, true, true, false],
        correction: [Correction::default(); 4],
    };
    let shelf = SpaceSetup { name: "shelf".to_owned(), air: vec![0, 2], heated: true, bands: Bands::default() };
    Setup {
        sources: vec![SourceSetup { name: "house".to_owned(), kind: "broker" }],
        probes: vec![probe("shelf-air"), probe("core-a1"), probe("spare-air")],
        spaces: vec![shelf],
        cultures: vec![culture()],
        due_not_before_ms: 0,
        timezone: chrono_tz::UTC,
        show: Default::default(),
    }
}

/// Two days: the core stands at 24 °C and the air at 20 °C and 80 %, a reading every 10 min. After
/// an hour the core reads -127 once, after two the air jumps to 50 for one reading.
fn samples() -> Vec<Change> {
    let mut changes = Vec::new();
    for step in 0..=288 {
        let at = Stamp(START + step * EVERY);
        let mut sample = |probe: i64, values, first| {
            let quality = [first, Quality::Good, Quality::Good, Quality::Good];
            changes.push(Change::Sample(Sample { probe, at, values, quality, timing: Default::default() }));
        };
        let (core, quality) = if step == 6 { (-127.0, Quality::Sentinel) } else { (24.0, Quality::Good) };
        sample(2, [Some(core), None, None, None], quality);
        let air = if step == 12 { 50.0 } else { 20.0 };
        sample(1, [Some(air), Some(80.0), Some(900.0), None], Quality::Good);
    }
    changes
}

fn deeds() -> Vec<(i64, &'static str, Deed)> {
    let spawning = |name: &str, core: Option<&str>| {
        Deed::Spawned(Box::new(Spawning {
            name: name.to_owned(),
            culture: "round".to_owned(),
            space: "shelf".to_owned(),
            kind: "tub".to_owned(),
            core: core.map(str::to_owned),
            grain_l: Some(1.0),
            bulk_l: Some(2.0),
            dry_bulk_g: Some(650.0),
            dry_grain_g: core.map(|_| 400.0),
            strain: Some("=SUM(A1:A9)".to_owned()),
            ..Spawning::default()
        }))
    };
    vec![
        (0, "A1-2026-11-18", spawning("A1", Some("core-a1"))),
        (0, "B2-2026-11-18", spawning("B2", None)),
        (24, "A1-2026-11-18", Deed::Colonised),
        (24, "A1-2026-11-18", Deed::Opened { to: None }),
        (30, "A1-2026-11-18", Deed::Noted { text: "-2 degrees, \"cold\"\nnight".to_owned() }),
        (40, "A1-2026-11-18", Deed::Pins),
        (47, "A1-2026-11-18", Deed::Harvested { fresh_g: 300.0, dry_g: Some(30.0), flush: None }),
        (48, "A1-2026-11-18", Deed::Harvested { fresh_g: 112.0, dry_g: Some(10.0), flush: None }),
    ]
}

struct House {
    folder: tempfile::TempDir,
    tubs: Vec<Tub>,
    entries: Vec<Entry>,
}

fn house() -> House {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path()).unwrap();
    assert_eq!(store.probe_ids(&["shelf-air", "core-a1", "spare-air"]).unwrap(), [1, 2, 3]);
    let writer = Writer::start(store, Duration::from_secs(3600), |_| {}).unwrap();
    let mut changes = samples();
    changes.push(Change::Alert(Alert {
        id: 17,
        subject: "tub A1".to_owned(),
        watch: Watch::CoreTemperature,
        severity: Severity::Warning,
        state: AlertState::Returned,
        since: Stamp(START + HOUR_MS),
        first_at: Stamp(START),
        value: Some(28.4),
        limit: Some(28.0),
        text: "Tub A1: substrate 28.4 °C, over 28.0.".to_owned(),
        returned_at: Some(Stamp(START + 2 * HOUR_MS)),
        acknowledged_at: None,
        ended_at: None,
        repeat: 0,
    }));
    writer.write(changes, Urgency::WhenDue, 0);
    writer.flush_and_stop(Duration::from_secs(30)).unwrap();
    let mut access = Access::open(folder.path()).unwrap();
    for (hours, tub, deed) in deeds() {
        let at = Stamp(START + hours * HOUR_MS);
        append(&mut access, at, at, tub, deed, |_| Ok::<(), String>(())).unwrap();
    }
    let entries = access.reader().unwrap().entries().unwrap();
    let tubs = tubs(&entries, ZONE);
    assert_eq!(tubs.len(), 2);
    House { folder, tubs, entries }
}

fn options(every: Every) -> Options {
    Options { every, now: Stamp(START + 48 * HOUR_MS), ..Options::default() }
}

/// RFC 4180, read strictly.
fn parse(text: &str) -> Vec<Vec<String>> {
    let (mut rows, mut row, mut cell, mut quoted) = (Vec::new(), Vec::new(), String::new(), false);
    let mut letters = text.chars().peekable();
    while let Some(letter) = letters.next() {
        match letter {
            '"' if quoted && letters.peek() == Some(&'"') => cell.extend(letters.next()),
            '"' => quoted = !quoted,
            ',' if !quoted => row.push(std::mem::take(&mut cell)),
            '\r' if !quoted => {
                assert_eq!(letters.next(), Some('\n'), "CRLF ends a row");
                row.push(std::mem::take(&mut cell));
                rows.push(std::mem::take(&mut row));
            }
            '\n' if !quoted => panic!("a bare line feed outside quotes"),
            other => cell.push(other),
        }
    }
    assert!(row.is_empty() && cell.is_empty() && !quoted, "the last row ends with CRLF");
    rows
}

type Row = HashMap<String, String>;

fn rows(folder: &Path, name: &str, header: &str) -> Vec<Row> {
    let text = fs::read_to_string(folder.join(name)).unwrap();
    let mut parsed = parse(&text).into_iter();
    let names = parsed.next().unwrap();
    assert_eq!(names.join(","), header, "{name}");
    parsed
        .map(|row| {
            assert_eq!(row.len(), names.len(), "{name}: {row:?}");
            names.iter().cloned().zip(row).collect()
        })
        .collect()
}

fn exported(house: &House, options: &Options) -> tempfile::TempDir {
    let out = tempfile::tempdir().unwrap();
    let reader = Reader::open(house.folder.path()).unwrap();
    export(&reader, &setup(), &house.tubs, &house.entries, ZONE, options, out.path()).unwrap();
    out
}

fn check(row: &Row, expected: &[(&str, &str)]) {
    for (name, value) in expected {
        assert_eq!(row[*name], *value, "{name} of {row:?}");
    }
}

fn near(row: &Row, name: &str, expected: f64, within: f64) {
    let value: f64 = row[name].parse().unwrap_or_else(|_| panic!("{name} of {row:?}"));
    assert!((value - expected).abs() <= within, "{name} is {value}, not {expected}");
}

const CLIMATE: &str =
    "time,space,probe,temperature_c,humidity_pct,co2_ppm,dew_point_c,vpd_kpa,absolute_humidity_g_m3,coverage";

#[test]
fn climate_is_hourly_in_order_with_its_coverage() {
    let house = house();
    let out = exported(&house, &options(Every::Hourly));
    let rows = rows(out.path(), "climate.csv", CLIMATE);
    // Two probes, 48 hours and the last reading's own.
    assert_eq!(rows.len(), 2 * 49);
    check(&rows[0], &[("time", "2026-11-18T11:00:00+01:00"), ("probe", "shelf-air"), ("space", "shelf")]);
    check(&rows[0], &[("temperature_c", "20"), ("humidity_pct", "80"), ("co2_ppm", "900"), ("coverage", "1")]);
    // Saturation pressure at 20 °C: 2.338 kPa (FAO Irrigation and Drainage Paper 56, annex 2, table
    // 2.3); a fifth of it is missing at 80 %.
    near(&rows[0], "vpd_kpa", 2.338 / 5.0, 0.001);
    // The temperature whose saturation pressure is 0.8 x 2.338 = 1.870 kPa: between 16.0 °C (1.818)
    // and 16.5 °C (1.877) of the same table, on the line between them.
    near(&rows[0], "dew_point_c", 16.0 + 0.5 * (1.870 - 1.818) / (1.877 - 1.818), 0.02);
    check(&rows[1], &[("probe", "core-a1"), ("space", "shelf"), ("temperature_c", "24"), ("humidity_pct", "")]);
    check(&rows[1], &[("dew_point_c", ""), ("coverage", "1")]);
    // -127 and the spike are in no mean; the line over them counts as measured for the core (up to
    // an hour is bridged) but not for the air, where 20 min are over 15 min but not over 2 x every.
    check(&rows[3], &[("probe", "core-a1"), ("temperature_c", "24"), ("coverage", "1")]);
    check(&rows[4], &[("probe", "shelf-air"), ("temperature_c", "20"), ("coverage", "1")]);
    check(&rows[96], &[("time", "2026-11-20T11:00:00+01:00"), ("temperature_c", "20"), ("coverage", "0")]);
    let order: Vec<&String> = rows.iter().map(|row| &row["time"]).collect();
    assert!(order.is_sorted());
}

#[test]
fn raw_climate_has_every_sample_with_its_quality() {
    let house = house();
    let out = exported(&house, &options(Every::Raw));
    let rows = rows(out.path(), "climate.csv", &format!("{CLIMATE},quality"));
    assert_eq!(rows.len(), 2 * 289);
    let bad: Vec<&Row> = rows.iter().filter(|row| row["quality"] != "good").collect();
    assert_eq!(bad.len(), 2);
    check(bad[0], &[("probe", "core-a1"), ("temperature_c", "-127"), ("quality", "sentinel"), ("coverage", "")]);
    check(bad[1], &[("probe", "shelf-air"), ("temperature_c", "50"), ("humidity_pct", "80"), ("dew_point_c", "")]);
    check(bad[1], &[("quality", "spike"), ("time", "2026-11-18T13:00:00+01:00")]);
    let one = Options {
        from: Some(Stamp(START + HOUR_MS)),
        to: Some(Stamp(START + 2 * HOUR_MS)),
        tub: Some("B2-2026-11-18".to_owned()),
        ..options(Every::Raw)
    };
    let out = exported(&house, &one);
    let rows = self::rows(out.path(), "climate.csv", &format!("{CLIMATE},quality"));
    assert_eq!(rows.len(), 6, "the air around B2 for an hour");
    assert!(rows.iter().all(|row| row["probe"] == "shelf-air"));
}

#[test]
fn tubs_beside_their_climate_as_computed_by_hand() {
    let house = house();
    let out = exported(&house, &options(Every::Hourly));
    let header = "tub,id,kind,culture,strain,batch,heat_run,position,space,spawned_at,colonised_at,opened_at,\
        ended_at,ended_because,contaminated_on_day,grain_l,bulk_l,spawn_rate_pct,dry_bulk_g,dry_grain_g,\
        days_to_colonise,degree_hours,coverage,equivalent_days,temperature_from,heat_stress_degree_hours,\
        mean_temperature_c,max_temperature_c,max_core_over_air_k,hours_over_band,hours_under_band,\
        hours_over_damage,fresh_total_g,biological_efficiency_pct,biological_efficiency_basis";
    let rows = rows(out.path(), "tubs.csv", header);
    assert_eq!(rows.len(), 2);
    check(
        &rows[0],
        &[
            ("tub", "A1"),
            ("id", "A1-2026-11-18"),
            ("kind", "tub"),
            ("culture", "round"),
            ("strain", "'=SUM(A1:A9)"),
            ("space", "shelf"),
            ("spawned_at", "2026-11-18T11:00:00+01:00"),
            ("colonised_at", "2026-11-19T11:00:00+01:00"),
            ("opened_at", "2026-11-19T11:00:00+01:00"),
            ("ended_at", ""),
            ("contaminated_on_day", ""),
            ("spawn_rate_pct", "50"),
            ("days_to_colonise", "1"),
            ("degree_hours", "456"), // (24 - 5) x 24 h
            ("coverage", "1"),
            ("equivalent_days", "1"),
            ("temperature_from", "core-a1"),
            ("heat_stress_degree_hours", "0"),
            ("mean_temperature_c", "24"),
            ("max_temperature_c", "24"),
            ("max_core_over_air_k", "4"),
            ("hours_over_band", "0"),
            ("hours_under_band", "0"),
            ("hours_over_damage", "0"),
            ("fresh_total_g", "412"),
            ("biological_efficiency_pct", "39.2381"), // 412 / (650 + 400)
            ("biological_efficiency_basis", "bulk+grain"),
        ],
    );
    // Without a core, from the air; not colonised, so up to now; not picked, so no yield yet.
    check(
        &rows[1],
        &[
            ("tub", "B2"),
            ("colonised_at", ""),
            ("days_to_colonise", ""),
            ("degree_hours", "720"), // (20 - 5) x 48 h
            ("coverage", "1"),
            ("temperature_from", "shelf-air"),
            ("max_core_over_air_k", ""),
            ("hours_over_band", "0"),
            ("fresh_total_g", ""),
            ("biological_efficiency_pct", ""),
            ("biological_efficiency_basis", ""),
        ],
    );
}

#[test]
fn flushes_with_the_climate_of_their_own_window() {
    let house = house();
    let out = exported(&house, &options(Every::Hourly));
    let header = "tub,id,flush,from,to,harvested_at,fresh_g,dry_g,biological_efficiency_pct,\
        biological_efficiency_basis,temperature_mean_c,temperature_min_c,temperature_max_c,humidity_mean_pct,\
        humidity_min_pct,vpd_mean_kpa,co2_mean_ppm,co2_p95_ppm,hours_out_of_band,coverage";
    let rows = rows(out.path(), "flushes.csv", header);
    assert_eq!(rows.len(), 1);
    check(
        &rows[0],
        &[
            ("tub", "A1"),
            ("flush", "1"),
            ("from", "2026-11-19T11:00:00+01:00"),
            ("to", "2026-11-20T11:00:00+01:00"),
            ("harvested_at", "2026-11-20T10:00:00+01:00"),
            ("fresh_g", "412"),
            ("dry_g", "40"),
            ("biological_efficiency_pct", "39.2381"),
            ("temperature_mean_c", "20"),
            ("temperature_min_c", "20"),
            ("temperature_max_c", "20"),
            ("humidity_mean_pct", "80"),
            ("humidity_min_pct", "80"),
            ("co2_mean_ppm", "900"),
            ("co2_p95_ppm", "900"),
            ("hours_out_of_band", "24"), // 20 °C over 18, 80 % under 85, all day
            ("coverage", "1"),
        ],
    );
    near(&rows[0], "vpd_mean_kpa", 2.338 / 5.0, 0.001);
}

#[test]
fn log_and_alerts_and_nothing_left_beside() {
    let house = house();
    let out = exported(&house, &options(Every::Hourly));
    let log = rows(
        out.path(),
        "log.csv",
        "entry,at,written_at,tub,id,deed,culture,space,probe,fresh_g,dry_g,flush,what,where,because,text,alert,amends,void,new_at",
    );
    assert_eq!(log.len(), 8);
    check(&log[0], &[("deed", "spawned"), ("tub", "A1"), ("probe", "core-a1"), ("space", "shelf")]);
    check(&log[4], &[("deed", "noted"), ("text", "'-2 degrees, \"cold\"\nnight")]);
    check(&log[7], &[("deed", "harvested"), ("fresh_g", "112"), ("dry_g", "10"), ("id", "A1-2026-11-18")]);
    let alerts = rows(
        out.path(),
        "alerts.csv",
        "id,subject,watch,severity,state,since,first_at,returned_at,acknowledged_at,ended_at,value,limit,repeat,text",
    );
    check(&alerts[0], &[("id", "17"), ("watch", "core-temperature"), ("since", "2026-11-18T12:00:00+01:00")]);
    check(&alerts[0], &[("value", "28.4"), ("limit", "28"), ("acknowledged_at", "")]);
    // Of one tub only what concerns it.
    let ids = house.tubs.iter().map(|tub| tub.id.clone());
    let of_each = ids.map(|id| {
        let out = exported(&house, &Options { tub: Some(id.clone()), ..options(Every::Hourly) });
        (id[..2].to_owned(), fs::read_to_string(out.path().join("alerts.csv")).unwrap().lines().count() - 1)
    });
    assert_eq!(of_each.collect::<Vec<_>>(), [("A1".to_owned(), 1), ("B2".to_owned(), 0)]);
    let mut names: Vec<_> = fs::read_dir(out.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(
        names,
        ["alerts.csv", "climate.csv", "datapackage.json", "flushes.csv", "heat_runs.csv", "log.csv", "tubs.csv"]
    );
}

#[test]
fn an_export_that_cannot_be_written_says_where_and_leaves_nothing() {
    let house = house();
    let reader = Reader::open(house.folder.path()).unwrap();
    let run = |options: &Options, dir: &Path| {
        export(&reader, &setup(), &house.tubs, &house.entries, ZONE, options, dir).unwrap_err().to_string()
    };
    let told = run(&options(Every::Hourly), Path::new("/proc/self"));
    assert!(told.starts_with("cannot write /proc/self:"), "{told}");
    let out = tempfile::tempdir().unwrap();
    fs::create_dir(out.path().join("flushes.csv")).unwrap(); // in the way
    let told = run(&options(Every::Hourly), out.path());
    assert!(told.contains("flushes.csv"), "{told}");
    let hidden = fs::read_dir(out.path()).unwrap().any(|e| e.unwrap().file_name().to_string_lossy().starts_with('.'));
    assert!(!hidden);
    let unknown = Options { tub: Some("Z9".to_owned()), ..options(Every::Raw) };
    assert!(run(&unknown, out.path()).contains("no tub has the id \"Z9\""));
}

#[test]
fn lines_as_the_contract_has_them() {
    let house = house();
    let reader = Reader::open(house.folder.path()).unwrap();
    let lines = |options: &Options| {
        let mut out = Vec::new();
        let count = line_protocol(&reader, &setup(), &house.tubs, "cellar no 2", options, &mut out).unwrap();
        let text = String::from_utf8(out).unwrap();
        assert_eq!(text.lines().count() as u64, count);
        text
    };
    let text = lines(&options(Every::Hourly));
    assert_eq!(text.lines().count(), 2 * 289 - 1, "the core's -127 has no line, the air's spike keeps its others");
    let nanos = START * 1_000_000;
    let first: Vec<&str> = text.lines().take(2).collect();
    assert_eq!(
        first,
        [
            format!(
                "climate,site=cellar\\ no\\ 2,space=shelf,probe=shelf-air temperature=20,humidity=80,co2=900 {nanos}"
            ),
            format!("climate,site=cellar\\ no\\ 2,space=shelf,probe=core-a1,tub=A1 temperature=24 {nanos}"),
        ]
    );
    let spike = (START + 12 * EVERY) * 1_000_000;
    assert!(text.contains(&format!("probe=shelf-air humidity=80,co2=900 {spike}\n")));
    let raw = lines(&options(Every::Raw));
    assert_eq!(raw.lines().count(), 2 * 289);
    assert!(raw.contains("probe=core-a1,tub=A1,quality=sentinel temperature=-127 "));
    assert!(raw.contains(",quality=spike temperature=50,humidity=80,co2=900 "));
}

#[test]
fn figures_follow_core_space_and_stand_in() {
    let house = house();
    let reader = Reader::open(house.folder.path()).unwrap();
    let (setup, culture) = (setup(), culture());
    let until = Stamp(START + 48 * HOUR_MS + 1);
    let hours = |tub: &Tub, settled_only: bool| {
        figures::exposure(&reader, tub, &house.tubs, &setup, &culture, until, settled_only).unwrap()
    };
    let (a1, b2) = (&house.tubs[0], &house.tubs[1]);
    // A1 counts until it was colonised, and a restart carries on from what is settled.
    assert!((hours(a1, true).exposure.figures(until).degree_hours - 456.0).abs() < 1e-9);
    assert!((hours(b2, true).exposure.figures(until).degree_hours - 720.0).abs() < 1e-9);
    assert_eq!(hours(b2, false).temperature_from.as_deref(), Some("shelf-air"));
    // With A1's core standing in it is the core's temperature.
    let alike = Tub { like: Some(a1.id.clone()), ..b2.clone() };
    let figures = hours(&alike, false);
    assert!((figures.exposure.figures(until).degree_hours - 19.0 * 48.0).abs() < 1e-9);
    assert_eq!(figures.sources, ["core-a1"]);
    // A core from the twelfth hour on: no line leads from the air to it.
    let since =
        tubwatch::grow::tub::Since { from: Stamp(START + 12 * HOUR_MS + MINUTE_MS), value: Some("core-a1".to_owned()) };
    let later = Tub { cores: vec![since], ..b2.clone() };
    let figures = hours(&later, false);
    let told = figures.exposure.figures(Stamp(START + 48 * HOUR_MS));
    // Air to 12:00, core from 12:10.
    assert!((told.degree_hours - (15.0 * 12.0 + 19.0 * (36.0 - 1.0 / 6.0))).abs() < 1e-9, "{told:?}");
    assert_eq!(figures.sources, ["shelf-air", "core-a1"]);
    assert!((told.hours_measured - (48.0 - 1.0 / 6.0)).abs() < 1e-9);
}
