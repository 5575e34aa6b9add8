//! The logbook folded: from dated entries to the tubs they tell of.
//!
//! In: all entries, in any order. Out: a [`Book`]: every filling ever, ended ones included, every
//! line as it stands, and the lines that do not fit. Amendments come first, then the lines apply
//! in order of (time, id), a spawning before anything else of the same moment. Lenient: a line that
//! does not fit is passed over and said, never a panic.

use std::collections::HashMap;

use chrono_tz::Tz;

use super::amend::{self, Line};
use super::heat_book::{self, Heats, Run};
use super::life::Life;
use super::logbook::{Deed, Entry};
use super::moment::{local_day, local_text};
use super::tub::Tub;
use crate::climate::Stamp;

/// A line that does not fit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Oddity {
    /// The entry passed over.
    pub entry: i64,
    /// Why, in one plain sentence.
    pub why: String,
}

/// What the whole logbook tells.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Book {
    /// Every filling, in the order of spawning.
    pub tubs: Vec<Tub>,
    /// Every entry as it stands, in the order of ids.
    pub lines: Vec<Line>,
    /// Every heat run, in the order they began.
    pub heat_runs: Vec<Run>,
    /// The flush under way of each of `tubs`, from 1.
    pub(super) flushes: Vec<u32>,
}

impl Book {
    /// The tub meant by `word`: a filling's id, else the bare name of the one that is alive, else
    /// the latest filling of that name.
    pub fn find(&self, word: &str) -> Option<&Tub> {
        let named = || self.tubs.iter().filter(|tub| tub.name == word);
        self.tubs
            .iter()
            .find(|tub| tub.id == word)
            .or_else(|| named().rfind(|tub| tub.is_alive()))
            .or_else(|| named().next_back())
    }

    /// The lines of one filling (amendments of them included), in order of time.
    pub fn log(&self, id: &str) -> Vec<&Line> {
        let mut lines: Vec<&Line> = self.lines.iter().filter(|line| line.entry.tub == id).collect();
        lines.sort_by_key(|line| order(&line.entry));
        lines
    }

    /// The lines that do not fit, in the order of ids.
    pub fn oddities(&self) -> Vec<Oddity> {
        let odd = |line: &Line| line.oddity.clone().map(|why| Oddity { entry: line.entry.id, why });
        self.lines.iter().filter_map(odd).collect()
    }
}

/// Every filling the entries tell of, in the order of spawning, ended ones included.
pub fn tubs(entries: &[Entry], timezone: Tz) -> Vec<Tub> {
    fold(entries, timezone).tubs
}

/// Folds the whole logbook.
pub fn fold(entries: &[Entry], timezone: Tz) -> Book {
    let mut lines = amend::lines(entries);
    let mut turns: Vec<usize> = (0..lines.len()).filter(|&place| lines[place].void_by.is_none()).collect();
    turns.sort_by_key(|&place| order(&lines[place].entry));
    let to_come = turns.iter().filter_map(|&place| filling(&lines[place].entry, timezone)).collect();
    let mut shelf = Shelf {
        lives: Vec::new(),
        by_id: HashMap::new(),
        to_come,
        probes: HashMap::new(),
        heats: Heats::default(),
        timezone,
    };
    for place in turns {
        if let Err(why) = shelf.take(&lines[place].entry) {
            lines[place].oddity.get_or_insert(why);
        }
    }
    let heat_runs = heat_book::runs(&lines);
    let flushes = shelf.lives.iter().map(Life::flush_under_way).collect();
    Book { tubs: shelf.lives.into_iter().map(|life| life.tub).collect(), lines, heat_runs, flushes }
}

/// Time, then spawnings first, then the order of writing.
fn order(entry: &Entry) -> (Stamp, bool, i64) {
    (entry.at, !matches!(entry.deed, Deed::Spawned(_)), entry.id)
}

/// The id of the filling a spawning begins, and when. It is fixed when the entry is written:
/// amending the day of spawning does not rename the tub.
fn filling(entry: &Entry, timezone: Tz) -> Option<(String, Stamp)> {
    let Deed::Spawned(spawning) = &entry.deed else { return None };
    let id = if entry.tub.is_empty() {
        format!("{}-{}", spawning.name, local_day(entry.at, timezone))
    } else {
        entry.tub.clone()
    };
    Some((id, entry.at))
}

/// The tubs while the fold goes on.
struct Shelf {
    lives: Vec<Life>,
    by_id: HashMap<String, usize>,
    /// When each filling is spawned: for the sentence about what is dated before.
    to_come: HashMap<String, Stamp>,
    /// Which tub holds which probe as its core.
    probes: HashMap<String, usize>,
    /// The heat runs, and what they borrowed from which tub.
    heats: Heats,
    timezone: Tz,
}

impl Shelf {
    fn take(&mut self, entry: &Entry) -> Result<(), String> {
        match &entry.deed {
            Deed::Spawned(_) => self.spawn(entry),
            Deed::Amended { .. } | Deed::Renamed(_) => Ok(()),
            wish if wish.is_wish() => Ok(()),
            Deed::HeatBegan(start) => {
                self.heats.begin(start, entry.at, self.timezone)?;
                self.lend(start, entry.at);
                Ok(())
            }
            Deed::HeatEnded { run } => {
                let lent = self.heats.end(run, entry.at, self.timezone)?;
                self.give_back(lent, entry.at);
                Ok(())
            }
            deed => self.deed(entry, deed),
        }
    }

    fn spawn(&mut self, entry: &Entry) -> Result<(), String> {
        let (Deed::Spawned(spawning), Some((id, _))) = (&entry.deed, filling(entry, self.timezone)) else {
            return Ok(());
        };
        if let Some(&taken) = self.by_id.get(&id) {
            let since = local_text(self.lives[taken].tub.spawned_at, self.timezone);
            return Err(format!("tub {id} was already spawned on {since}"));
        }
        let place = self.lives.len();
        self.by_id.insert(id.clone(), place);
        self.lives.push(Life::new(id, entry.at, spawning));
        match &spawning.core {
            Some(probe) => self.core(place, entry.at, Some(probe)),
            None => Ok(()),
        }
    }

    fn deed(&mut self, entry: &Entry, deed: &Deed) -> Result<(), String> {
        let Some(&place) = self.by_id.get(&entry.tub) else {
            return Err(match self.to_come.get(&entry.tub) {
                Some(&spawned) => {
                    let when = local_text(spawned, self.timezone);
                    format!("tub {} was spawned on {when}; nothing can be logged before that", entry.tub)
                }
                None => format!("no tub {} was spawned", entry.tub),
            });
        };
        let name = self.lives[place].tub.name.clone();
        if let Deed::Core { probe: Some(probe) } = deed {
            self.holder_allows(place, probe)?;
        }
        self.lives[place].take(entry.at, deed, self.timezone).map_err(|why| format!("tub {name} {why}"))?;
        match deed {
            Deed::Core { probe } => {
                self.heats.forget(place);
                self.hand_over(place, probe.as_deref());
            }
            Deed::Discarded { .. } => self.hand_over(place, None),
            _ => {}
        }
        Ok(())
    }

    fn core(&mut self, place: usize, at: Stamp, probe: Option<&str>) -> Result<(), String> {
        if let Some(probe) = probe {
            self.holder_allows(place, probe)?;
        }
        self.lives[place].core(at, probe);
        self.hand_over(place, probe);
        Ok(())
    }

    /// A core probe that goes into the substrate of a heat run is in no tub meanwhile.
    fn lend(&mut self, start: &super::heat_book::HeatStart, at: Stamp) {
        for probe in &start.probes {
            if let Some(place) = self.probes.remove(probe) {
                self.lives[place].core(at, None);
                self.heats.lent(&start.run, place, probe);
            }
        }
    }

    /// After the run it is in its tub again, unless the grower said otherwise meanwhile.
    fn give_back(&mut self, lent: Vec<(usize, String)>, at: Stamp) {
        for (place, probe) in lent {
            let tub = &self.lives[place].tub;
            if tub.is_alive() && tub.core().is_none() && !self.probes.contains_key(&probe) {
                self.lives[place].core(at, Some(&probe));
                self.probes.insert(probe, place);
            }
        }
    }

    fn holder_allows(&self, place: usize, probe: &str) -> Result<(), String> {
        if let Some(run) = self.heats.holder(probe) {
            return Err(format!(
                "probe {probe} is in the heat run {run}; end that first: tubwatch pasteurise {run} --end"
            ));
        }
        match self.probes.get(probe) {
            Some(&holder) if holder != place => {
                let name = &self.lives[holder].tub.name;
                Err(format!(
                    "probe {probe} is the core of tub {name}; take it out there first: tubwatch core {name} none"
                ))
            }
            _ => Ok(()),
        }
    }

    fn hand_over(&mut self, place: usize, probe: Option<&str>) {
        self.probes.retain(|_, holder| *holder != place);
        if let Some(probe) = probe {
            self.probes.insert(probe.to_owned(), place);
        }
    }
}
