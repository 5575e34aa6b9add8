//! An invented installation, and a keeper with its clock.

pub use tubwatch::climate::{Quality, Quantity, Stamp};
pub use tubwatch::grow::culture::{Band, Bands, Culture, Limit, Requirement, StageBands, Thermal};
pub use tubwatch::grow::tub::{Kind, Since, Stage, Tub};
pub use tubwatch::watch::alert::{AlertEvent, AlertState, EventKind, Severity, Watch};
pub use tubwatch::watch::judge::on_arrival;
pub use tubwatch::watch::keeper::{Health, Keeper, Taken};
pub use tubwatch::watch::setup::{Correction, ProbeSetup, Setup, SourceSetup, SpaceSetup};

pub const SECOND: i64 = 1_000;
pub const MIN: i64 = 60 * SECOND;
pub const HOUR: i64 = 60 * MIN;
/// 2026-11-18T10:00:00Z.
pub const START: i64 = 1_794_996_000_000;

pub const SHELF_AIR: usize = 0;
pub const CORE_A1: usize = 1;
pub const TENT_AIR: usize = 2;
pub const SHELF_SPARE: usize = 3;

pub fn band(low: f64, high: f64, critical: Option<f64>) -> Band {
    Band { low: Some(Limit::plain(low)), high: Some(Limit::plain(high)), critical_high: critical.map(Limit::plain) }
}

pub fn culture() -> Culture {
    let colonising = StageBands {
        core_temperature: band(20.0, 28.0, Some(31.0)),
        temperature: band(18.0, 26.0, Some(30.0)),
        ..StageBands::default()
    };
    let fruiting = StageBands {
        temperature: band(10.0, 18.0, Some(28.0)),
        humidity: band(85.0, 98.0, None),
        co2: Band { high: Some(Limit::plain(1000.0)), ..Band::default() },
        ..StageBands::default()
    };
    Culture {
        name: "winter-oyster".into(),
        species: "Pleurotus ostreatus".into(),
        thermal: Thermal {
            base_c: 5.0,
            cap_c: 25.0,
            damage_c: 33.0,
            usual_c: 24.0,
            requirement: Requirement { low: 4560.0, usual: 5472.0, high: 6384.0 },
        },
        sources: vec!["common practice, no source".into()],
        bands: Bands { colonising: Some(colonising), fruiting: Some(fruiting), ..Bands::default() },
    }
}

pub fn probe(name: &str, source: usize, every_s: i64) -> ProbeSetup {
    ProbeSetup {
        name: name.into(),
        source,
        every_ms: every_s * SECOND,
        reads: [true, true, true, false],
        correction: [Correction::default(); 4],
    }
}

pub fn setup() -> Setup {
    let space =
        |name: &str, air: Vec<usize>, heated| SpaceSetup { name: name.into(), air, heated, bands: Bands::default() };
    Setup {
        sources: vec![
            SourceSetup { name: "house".into(), kind: "broker" },
            SourceSetup { name: "usb".into(), kind: "port" },
        ],
        probes: vec![
            probe("shelf-air", 0, 30),
            probe("core-a1", 1, 10),
            probe("tent-air", 0, 30),
            probe("shelf-spare", 1, 30),
        ],
        spaces: vec![space("shelf", vec![SHELF_AIR, SHELF_SPARE], true), space("tent", vec![TENT_AIR], false)],
        cultures: vec![culture()],
        due_not_before_ms: 10 * 24 * HOUR,
        timezone: chrono_tz::UTC,
        show: Default::default(),
    }
}

pub fn tub(name: &str, space: &str, stage: Stage, core: Option<&str>) -> Tub {
    let from = Stamp(START - 7 * 24 * HOUR);
    Tub {
        name: name.into(),
        id: format!("{name}-2026-11-11"),
        kind: Kind::Tub,
        culture: "winter-oyster".into(),
        stage,
        stages: vec![Since { from, value: stage }],
        spawned_at: from,
        looked_at: None,
        colonised_at: None,
        opened_at: None,
        pins_at: None,
        ended_at: None,
        ended_because: None,
        contaminated_at: None,
        spaces: vec![Since { from, value: space.into() }],
        cores: core.map(|probe| Since { from, value: Some(probe.into()) }).into_iter().collect(),
        like: None,
        grain_l: None,
        bulk_l: None,
        dry_bulk_g: None,
        dry_grain_g: None,
        strain: None,
        batch: None,
        heat_run: None,
        position: None,
        harvests: Vec::new(),
        flushes: Vec::new(),
    }
}

/// A keeper with its clock, and all that it told.
pub struct Bench {
    pub keeper: Keeper,
    pub now: Stamp,
    pub told: Vec<AlertEvent>,
}

impl Bench {
    pub fn new(tubs: Vec<Tub>) -> Bench {
        Bench::with(setup(), tubs)
    }

    pub fn with(setup: Setup, tubs: Vec<Tub>) -> Bench {
        let now = Stamp(START);
        let sources = setup.sources.len();
        let mut bench = Bench { keeper: Keeper::new(setup, tubs, Vec::new(), 1, now), now, told: Vec::new() };
        for source in 0..sources {
            bench.keeper.source(source, true, now, "", &mut bench.told);
        }
        bench
    }

    pub fn at(&mut self, probe: usize, at: Stamp, values: [Option<f64>; 4]) -> Taken {
        let mut quality = [Quality::Good; 4];
        for quantity in Quantity::ALL {
            if let Some(value) = values[quantity.index()] {
                quality[quantity.index()] = on_arrival(quantity, value);
            }
        }
        self.keeper.sample(probe, at, &values, quality, self.now, &mut self.told)
    }

    pub fn temperature(&mut self, probe: usize, value: f64) -> Taken {
        self.at(probe, self.now, [Some(value), None, None, None])
    }

    /// `ms` pass in steps of ten seconds; every thirty seconds the air probes report, every ten the
    /// core, as `air`, `core` and `tent` say for the milliseconds gone by; none: it says nothing.
    pub fn run(
        &mut self,
        ms: i64,
        air: impl Fn(i64) -> Option<f64>,
        core: impl Fn(i64) -> Option<f64>,
        tent: impl Fn(i64) -> Option<[Option<f64>; 4]>,
    ) {
        let begin = self.now;
        while self.now.since(begin) < ms {
            self.now = self.now.plus(10 * SECOND);
            let gone = self.now.since(begin);
            if gone % (30 * SECOND) == 0 {
                if let Some(value) = air(gone) {
                    self.temperature(SHELF_AIR, value);
                    self.temperature(SHELF_SPARE, value + 0.3);
                }
                if let Some(values) = tent(gone) {
                    self.at(TENT_AIR, self.now, values);
                }
            }
            if let Some(value) = core(gone) {
                self.temperature(CORE_A1, value);
            }
            self.keeper.tick(self.now, &mut self.told);
        }
    }

    /// The same of one watch alone; the others' are forgotten.
    pub fn take_of(&mut self, watch: Watch) -> Vec<(EventKind, String, Severity, i64)> {
        let brief = |event: AlertEvent| {
            (event.kind, event.alert.subject, event.alert.severity, event.at.since(Stamp(START)) / MIN)
        };
        self.told.drain(..).filter(|event| event.alert.watch == watch).map(brief).collect()
    }

    /// The open alert of one watch.
    pub fn standing(&self, watch: Watch) -> Option<tubwatch::watch::alert::Alert> {
        self.keeper.alerts().find(|alert| alert.watch == watch).cloned()
    }

    /// Everything as it should be, but for `core`.
    pub fn run_core(&mut self, ms: i64, core: impl Fn(i64) -> Option<f64>) {
        self.run(ms, |_| Some(23.0), core, |_| Some(FINE));
    }

    /// Kind, subject, severity, minutes after the start, of what was told since the last asking; but for
    /// what watches beside the limits tell of tubs, which has tests of its own.
    pub fn take(&mut self) -> Vec<(EventKind, String, Severity, i64)> {
        let beside = [Watch::CoreOverAir, Watch::HeatingAhead, Watch::HeatStress, Watch::Stalled];
        self.told.retain(|event| !beside.contains(&event.alert.watch));
        let brief = |event: AlertEvent| {
            (event.kind, event.alert.subject, event.alert.severity, event.at.since(Stamp(START)) / MIN)
        };
        self.told.drain(..).map(brief).collect()
    }
}

/// A tent in order.
pub const FINE: [Option<f64>; 4] = [Some(15.0), Some(92.0), Some(700.0), None];

pub fn one(kind: EventKind, subject: &str, severity: Severity, minute: i64) -> (EventKind, String, Severity, i64) {
    (kind, subject.to_owned(), severity, minute)
}

pub fn colonising() -> Vec<Tub> {
    vec![tub("A1", "shelf", Stage::Colonising, Some("core-a1"))]
}
