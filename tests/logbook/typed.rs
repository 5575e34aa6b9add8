//! A logbook under construction, and the deeds that go into it.

use chrono_tz::Europe::Lisbon;

use tubwatch::climate::Stamp;
use tubwatch::grow::logbook::{Deed, Entry, Known, KnownProbe, Spawning, fold, tubs};
use tubwatch::grow::moment::{Moment, parse};
use tubwatch::grow::tub::Tub;

pub const NOW: &str = "2027-02-01 12:00";

/// Any local time, unchecked against a clock.
pub fn at(text: &str) -> Stamp {
    moment(text).at
}

pub fn moment(text: &str) -> Moment {
    parse(text, Lisbon, Stamp(0)).unwrap()
}

/// A logbook under construction; ids count from 1.
#[derive(Clone, Default)]
pub struct Typed(pub Vec<Entry>);

impl Typed {
    pub fn add(&mut self, tub: &str, when: &str, deed: Deed) -> i64 {
        let id = self.0.len() as i64 + 1;
        let at = at(when);
        self.0.push(Entry { id, written_at: at, at, tub: tub.to_owned(), deed });
        id
    }

    /// A1, spawned on 18 November 2026 at ten.
    pub fn spawned() -> Typed {
        let mut typed = Typed::default();
        typed.add("A1-2026-11-18", "2026-11-18 10:00", spawning("A1", None));
        typed
    }

    pub fn log(&mut self, when: &str, deed: Deed) -> i64 {
        self.add("A1-2026-11-18", when, deed)
    }

    pub fn tub(&self) -> Tub {
        tubs(&self.0, Lisbon).into_iter().next().unwrap()
    }

    pub fn odd(&self) -> Vec<i64> {
        fold(&self.0, Lisbon).oddities().iter().map(|oddity| oddity.entry).collect()
    }
}

pub fn spawning(name: &str, core: Option<&str>) -> Deed {
    Deed::Spawned(Box::new(Spawning {
        name: name.to_owned(),
        culture: "winter-oyster".to_owned(),
        space: "shelf".to_owned(),
        kind: "tub".to_owned(),
        core: core.map(str::to_owned),
        ..Spawning::default()
    }))
}

pub fn harvest(fresh_g: f64, flush: Option<u32>) -> Deed {
    Deed::Harvested { fresh_g, dry_g: None, flush }
}

pub fn amend(entry: i64) -> Deed {
    Deed::Amended { entry, void: false, at_ms: None, fresh_g: None, dry_g: None, text: None, more: Box::default() }
}

pub fn void(entry: i64) -> Deed {
    Deed::Amended { entry, void: true, at_ms: None, fresh_g: None, dry_g: None, text: None, more: Box::default() }
}

pub fn amend_at(entry: i64, when: &str) -> Deed {
    Deed::Amended {
        entry,
        void: false,
        at_ms: Some(at(when).0),
        fresh_g: None,
        dry_g: None,
        text: None,
        more: Box::default(),
    }
}

pub fn amend_fresh(entry: i64, fresh_g: f64) -> Deed {
    Deed::Amended {
        entry,
        void: false,
        at_ms: None,
        fresh_g: Some(fresh_g),
        dry_g: None,
        text: None,
        more: Box::default(),
    }
}

pub fn discard(because: &str) -> Deed {
    Deed::Discarded { because: because.to_owned() }
}

pub const OPEN: Deed = Deed::Opened { to: None };

pub fn known() -> Known {
    let probe = |name: &str, reads_temperature, air_of: Option<&str>| KnownProbe {
        name: name.to_owned(),
        reads_temperature,
        reads_humidity: false,
        air_of: air_of.map(str::to_owned),
    };
    Known {
        now: at(NOW),
        timezone: Lisbon,
        cultures: vec!["winter-oyster".to_owned(), "shiitake".to_owned()],
        spaces: vec!["shelf".to_owned(), "tent".to_owned()],
        anyway: false,
        probes: vec![
            probe("shelf-air", true, Some("shelf")),
            probe("core-a1", true, None),
            probe("core-a2", true, None),
            probe("damp", false, None),
        ],
    }
}

/// A1 with a core, opened, picked once; B1 ended; B2 alive.
pub fn shelf() -> Typed {
    let mut typed = Typed::default();
    typed.add("A1-2026-11-18", "2026-11-18 10:00", spawning("A1", Some("core-a1")));
    typed.add("B1-2026-11-01", "2026-11-01 10:00", spawning("B1", None));
    typed.add("B1-2026-11-01", "2026-11-10 10:00", discard("contaminated"));
    typed.add("B2-2026-11-02", "2026-11-02 10:00", spawning("B2", None));
    typed.log("2026-12-01 10:00", OPEN);
    typed.log("2026-12-10 10:00", harvest(100.0, None));
    typed.add("", "2026-12-11 10:00", Deed::Acknowledged { alert: 3 });
    typed
}

pub fn spawn_with(change: impl FnOnce(&mut Spawning)) -> Deed {
    let Deed::Spawned(mut spawning) = spawning("", None) else { unreachable!("made above") };
    change(&mut spawning);
    Deed::Spawned(spawning)
}
