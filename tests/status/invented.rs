//! Invented states of an invented site.

use tubwatch::climate::Stamp;
use tubwatch::climate::stamp::{DAY_MS, HOUR_MS, SECOND_MS};
use tubwatch::status::Snapshot;
use tubwatch::status::snapshot::{AlertView, DueView, Inner, ProbeView, SourceView, SpaceView, TubView};

/// 2026-11-25T06:00:00Z.
pub const NOW: Stamp = Stamp(1_795_586_400_000);

fn before(ms: i64) -> Stamp {
    NOW.plus(-ms)
}

fn probe(name: &str, health: &'static str, readings: &[(&str, f64)]) -> ProbeView {
    let readings = readings.iter().map(|(column, value)| ((*column).to_owned(), (*value).into())).collect();
    ProbeView { name: name.into(), health, last_at: Some(before(9 * SECOND_MS)), readings, samples: 59_112, refused: 3 }
}

/// The state that `fixtures/status/status.json` shows.
pub fn promised() -> Snapshot {
    Snapshot {
        site: "cellar".into(),
        time: NOW,
        version: "0.1.0",
        spaces: vec![SpaceView {
            name: "shelf".into(),
            probe: Some("shelf-air".into()),
            at: Some(before(12 * SECOND_MS)),
            temperature_c: Some(24.10),
            humidity_pct: Some(88.0),
            co2_ppm: None,
            dew_point_c: Some(21.99),
            vpd_kpa: Some(0.360),
            absolute_humidity_g_m3: Some(19.3),
        }],
        tubs: vec![tub_a1()],
        heat_runs: Vec::new(),
        probes: vec![probe("core-a1", "reporting", &[("temperature_c", 28.4)])],
        alerts: vec![hot()],
        sources: vec![SourceView {
            name: "house".into(),
            state: "connected",
            since: before(5 * HOUR_MS),
            address: None,
        }],
        inner: Inner {
            timezone: chrono_tz::Europe::Lisbon,
            probe_space: vec![None],
            probe_source: vec!["house".into()],
            ..Inner::default()
        },
    }
}

fn tub_a1() -> TubView {
    TubView {
        name: "A1".into(),
        id: "A1-2026-11-18".into(),
        culture: "winter-oyster".into(),
        kind: "tub",
        stage: "colonising",
        space: "shelf".into(),
        spawned_at: Stamp(1_794_996_000_000),
        age_days: 6.83,
        temperature_from: Some("core-a1".into()),
        degree_hours: 2910.4,
        degree_hours_low: 2905.0,
        degree_hours_high: 2919.1,
        heat_stress_degree_hours: 0.1,
        coverage: 0.998,
        equivalent_days: 6.38,
        progress: 0.53,
        requirement: None,
        due: Some(DueView { earliest: Stamp(1_795_892_400_000), latest: Some(Stamp(1_796_223_600_000)) }),
        core_c: Some(28.4),
        core_over_air_k: Some(4.3),
        alerts: vec![17],
    }
}

fn hot() -> AlertView {
    AlertView {
        id: 17,
        subject: "tub A1".into(),
        watch: "core-temperature",
        severity: "warning",
        state: "unacknowledged",
        since: Stamp(1_795_585_280_000),
        value: Some(28.4),
        limit: Some(28.0),
        text: "Tub A1: substrate 28.4 °C, over 28.0 for 48 min, rising 0.2 °C an hour; damage at 33 in about 23 h. \
               Spread the tubs, cool the room, leave the lid shut. Dry hands at switches."
            .into(),
    }
}

/// A fuller site: a tub that is due, one that is fruiting, a silent probe, a source away.
pub fn full() -> Snapshot {
    let mut snapshot = promised();
    let tub = tub_a1();
    snapshot.tubs.push(TubView {
        name: "B2".into(),
        id: "B2-2026-11-10".into(),
        spawned_at: before(15 * DAY_MS),
        age_days: 14.92,
        temperature_from: Some("shelf-air".into()),
        degree_hours: 6012.0,
        degree_hours_low: 5990.2,
        degree_hours_high: 6044.7,
        heat_stress_degree_hours: 0.0,
        coverage: 1.0,
        equivalent_days: 13.2,
        progress: 1.0,
        due: Some(DueView { earliest: before(9 * HOUR_MS), latest: Some(NOW.plus(2 * DAY_MS)) }),
        core_c: None,
        core_over_air_k: None,
        alerts: Vec::new(),
        ..tub.clone()
    });
    snapshot.tubs.push(TubView {
        name: "C3".into(),
        stage: "fruiting",
        space: "tent".into(),
        due: None,
        alerts: vec![],
        ..tub
    });
    snapshot.spaces.push(SpaceView {
        name: "tent".into(),
        probe: Some("tent-air".into()),
        at: Some(before(4 * HOUR_MS)),
        temperature_c: Some(14.2),
        humidity_pct: Some(91.4),
        co2_ppm: Some(870.0),
        dew_point_c: Some(12.83),
        vpd_kpa: Some(0.139),
        absolute_humidity_g_m3: Some(11.1),
    });
    snapshot.spaces.push(SpaceView { name: "attic".into(), ..SpaceView::default() });
    snapshot.probes.push(probe(
        "shelf-air",
        "reporting",
        &[("temperature_c", 24.1), ("humidity_pct", 88.0), ("battery_pct", 71.0)],
    ));
    let mut tent = probe("tent-air", "silent", &[("temperature_c", 14.2), ("humidity_pct", 91.4), ("co2_ppm", 870.0)]);
    tent.last_at = Some(before(4 * HOUR_MS));
    snapshot.probes.push(tent);
    snapshot.sources.push(SourceView { name: "usb".into(), state: "away", since: before(4 * HOUR_MS), address: None });
    let away = AlertView {
        id: 18,
        subject: "source usb".into(),
        watch: "source-down",
        severity: "critical",
        state: "acknowledged",
        value: None,
        limit: None,
        text: "Source usb: away for 4 h; the tent's only probe hangs on it. Look at its cable and its power.".into(),
        ..hot()
    };
    let over = AlertView {
        id: 12,
        subject: "space shelf".into(),
        watch: "temperature",
        severity: "advice",
        state: "returned",
        since: before(20 * HOUR_MS),
        text: "Space shelf: air was 17.4 °C, under 18.0 for 4 h. Now 24.1 °C.".into(),
        ..hot()
    };
    snapshot.alerts.insert(0, away);
    snapshot.alerts.push(over);
    snapshot.inner = Inner {
        probe_space: vec![None, Some("shelf".into()), Some("tent".into())],
        probe_source: vec!["house".into(), "house".into(), "usb".into()],
        samples_by_source: vec![("house".into(), 118_224), ("usb".into(), 59_112)],
        refused_by_source: vec![("house".into(), "malformed", 3), ("usb".into(), "half-line", 1)],
        commit_buckets: [1, 40, 200, 12, 3, 0, 0, 0, 1],
        commit_seconds_sum: 4.25,
        outbox_waiting: vec![("phone".into(), 0), ("bell".into(), 2)],
        written_bytes: Some(23_500_000),
        written_over_ms: 6 * 3_600_000,
        ..snapshot.inner
    };
    snapshot
}
