//! One tub's life: what each deed does to it.
//!
//! In: deeds in time order. Out: the [`Tub`], or why a deed does not fit, as the second half of a
//! sentence. Left out: amendments (`amend`), and who holds which probe (`fold`).

use chrono_tz::Tz;

use super::logbook::{Deed, Spawning};
use super::moment::local_text;
use super::tub::{Flush, Harvest, Kind, Since, Stage, Tub};
use crate::climate::Stamp;

/// A tub and what the fold must remember of it beside.
pub(super) struct Life {
    pub tub: Tub,
    /// The flush under way, from 1.
    flush: u32,
    /// Something was picked in it.
    picked: bool,
    /// It was opened for this flush.
    opened: Option<Stamp>,
    /// The rest or soak that ended the flush before.
    rested: Option<Stamp>,
    /// The entry before this flush's first pins or harvest.
    before: Option<Stamp>,
    /// The latest entry that is more than a note.
    latest: Stamp,
    /// Since when the deeds say that it must have been colonised.
    must_be_colonised: Option<Stamp>,
    /// That it is colonised follows from what was logged; nobody said so.
    is_implied: bool,
}

impl Life {
    /// A new filling.
    pub fn new(id: String, at: Stamp, spawning: &Spawning) -> Life {
        let tub = Tub {
            name: spawning.name.clone(),
            id,
            kind: Kind::from_word(&spawning.kind).unwrap_or(Kind::Tub),
            culture: spawning.culture.clone(),
            stage: Stage::Colonising,
            stages: vec![Since { from: at, value: Stage::Colonising }],
            spawned_at: at,
            looked_at: None,
            colonised_at: None,
            opened_at: None,
            pins_at: None,
            ended_at: None,
            ended_because: None,
            contaminated_at: None,
            spaces: vec![Since { from: at, value: spawning.space.clone() }],
            cores: Vec::new(),
            like: spawning.like.clone(),
            grain_l: spawning.grain_l,
            bulk_l: spawning.bulk_l,
            dry_bulk_g: spawning.dry_bulk_g,
            dry_grain_g: spawning.dry_grain_g,
            strain: spawning.strain.clone(),
            batch: spawning.batch.clone(),
            heat_run: spawning.run.clone(),
            position: spawning.position.clone(),
            harvests: Vec::new(),
            flushes: Vec::new(),
        };
        Life {
            tub,
            flush: 1,
            picked: false,
            opened: None,
            rested: None,
            before: None,
            latest: at,
            must_be_colonised: None,
            is_implied: false,
        }
    }

    /// Takes one deed. The error reads after "tub A1 ".
    pub fn take(&mut self, at: Stamp, deed: &Deed, timezone: Tz) -> Result<(), String> {
        if let Some(ended) = self.tub.ended_at
            && !deed.is_remark()
        {
            return Err(format!("ended on {}; only a note can follow", local_text(ended, timezone)));
        }
        match deed {
            Deed::Colonised => self.colonised(at, timezone)?,
            Deed::Opened { to } => self.opened(at, to.as_deref(), timezone)?,
            Deed::Closed => self.closed(at)?,
            Deed::Pins => self.pins(at),
            Deed::Harvested { fresh_g, dry_g, flush } => self.harvested(at, *fresh_g, *dry_g, *flush),
            Deed::Rested if self.tub.opened_at.is_none() => {
                return Err("has not been opened yet, so there is no flush to rest from".to_owned());
            }
            Deed::Rested | Deed::Soaked => self.rested(at),
            Deed::Suspected { .. } => self.contaminated(at),
            Deed::Discarded { because } => self.discarded(at, because),
            Deed::Moved { to } => self.moved(at, to),
            Deed::Core { probe } => self.core(at, probe.as_deref()),
            Deed::Looked => self.tub.looked_at = Some(at),
            Deed::Cased | Deed::Noted { .. } | Deed::Photographed { .. } => {}
            Deed::Spawned(_) | Deed::Amended { .. } => {}
            Deed::Acknowledged { .. } | Deed::Shelved { .. } | Deed::Working { .. } => {}
            Deed::HeatBegan(_) | Deed::HeatEnded { .. } | Deed::Renamed(_) => {}
        }
        if !deed.is_remark() {
            self.latest = at;
        }
        Ok(())
    }

    /// Its core probe from now on.
    pub fn core(&mut self, at: Stamp, probe: Option<&str>) {
        if self.tub.core() != probe {
            self.tub.cores.push(Since { from: at, value: probe.map(str::to_owned) });
        }
    }

    /// The flush that a harvest logged now would belong to.
    pub fn flush_under_way(&self) -> u32 {
        self.flush
    }

    fn stage(&mut self, at: Stamp, stage: Stage) {
        if self.tub.stage != stage {
            self.tub.stage = stage;
            self.tub.stages.push(Since { from: at, value: stage });
        }
    }

    fn colonised(&mut self, at: Stamp, timezone: Tz) -> Result<(), String> {
        if let Some(since) = self.tub.colonised_at {
            if self.is_implied {
                let since = local_text(since, timezone);
                return Err(format!(
                    "is colonised since {since}, as what was logged then says; if it was earlier, say so with --at"
                ));
            }
            return Err(format!("is colonised since {}; amend that entry to change it", local_text(since, timezone)));
        }
        self.tub.colonised_at = Some(at);
        if self.tub.stage == Stage::Colonising {
            self.stage(at, Stage::Ripening);
        }
        Ok(())
    }

    fn opened(&mut self, at: Stamp, to: Option<&str>, timezone: Tz) -> Result<(), String> {
        // After a picking a new opening starts the next flush; else it must be closed or resting.
        let open_since = self.tub.stages.iter().rev().find(|since| since.value == self.tub.stage);
        if matches!(self.tub.stage, Stage::Pinning | Stage::Fruiting) && !self.picked {
            let since = open_since.map_or(self.tub.spawned_at, |since| since.from);
            return Err(format!("is {} since {}; close it first", self.tub.stage.word(), local_text(since, timezone)));
        }
        self.next_flush();
        self.opened = Some(at);
        self.tub.opened_at.get_or_insert(at);
        self.must_be_colonised.get_or_insert(at);
        self.stage(at, Stage::Pinning);
        if let Some(to) = to {
            self.moved(at, to);
        }
        Ok(())
    }

    fn closed(&mut self, at: Stamp) -> Result<(), String> {
        if !self.tub.stage.is_opened() {
            return Err("is not open".to_owned());
        }
        if self.tub.colonised_at.is_some() {
            self.stage(at, Stage::Ripening);
        } else {
            // Opened too early: that opening says nothing of when it was colonised.
            self.must_be_colonised = None;
            self.stage(at, Stage::Colonising);
        }
        Ok(())
    }

    fn pins(&mut self, at: Stamp) {
        self.before.get_or_insert(self.latest);
        self.must_be_colonised.get_or_insert(at);
        self.tub.pins_at = Some(at);
        self.stage(at, Stage::Fruiting);
    }

    fn harvested(&mut self, at: Stamp, fresh_g: f64, dry_g: Option<f64>, flush: Option<u32>) {
        let number = flush.unwrap_or(self.flush);
        if number > self.flush {
            self.next_flush();
            self.flush = number;
        }
        let own = number == self.flush;
        let from = if own {
            let before = *self.before.get_or_insert(self.latest);
            self.opened.or(self.rested).unwrap_or(before)
        } else {
            self.latest
        };
        self.picked |= own;
        let since = *self.must_be_colonised.get_or_insert(at);
        self.is_implied |= self.tub.colonised_at.is_none();
        self.tub.colonised_at.get_or_insert(since);
        self.tub.opened_at.get_or_insert(at);
        self.stage(at, Stage::Fruiting);
        let harvest = Harvest { at, flush: number, fresh_g, dry_g };
        self.tub.harvests.push(harvest.clone());
        let flushes = &mut self.tub.flushes;
        match flushes.binary_search_by_key(&number, |flush| flush.number) {
            Ok(place) => {
                flushes[place].to = at;
                flushes[place].harvests.push(harvest);
            }
            Err(place) => flushes.insert(place, Flush { number, from, to: at, harvests: vec![harvest] }),
        }
    }

    fn rested(&mut self, at: Stamp) {
        if self.picked {
            self.next_flush();
            self.rested = Some(at);
        }
        self.stage(at, Stage::Resting);
    }

    /// Starts the next flush if the one under way has been picked.
    fn next_flush(&mut self) {
        if self.picked {
            self.flush += 1;
            self.picked = false;
            self.opened = None;
            self.rested = None;
            self.before = None;
        }
    }

    fn contaminated(&mut self, at: Stamp) {
        self.tub.contaminated_at.get_or_insert(at);
    }

    fn discarded(&mut self, at: Stamp, because: &str) {
        if because == "contaminated" {
            self.contaminated(at);
        }
        self.tub.ended_at = Some(at);
        self.tub.ended_because = Some(because.to_owned());
        self.stage(at, Stage::Ended);
    }

    fn moved(&mut self, at: Stamp, to: &str) {
        if self.tub.space() != to {
            self.tub.spaces.push(Since { from: at, value: to.to_owned() });
        }
    }
}
