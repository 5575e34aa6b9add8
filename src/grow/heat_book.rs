//! Heat runs as the logbook tells them: when each began and ended, by which probes, to what plan.
//!
//! In: the logbook's lines as they stand. Out: the [`Run`]s; and, while the logbook is folded, which run
//! holds which probe and from which tub it borrowed it ([`Heats`]). Left out: what was measured (`heat_run`).

use std::collections::HashMap;

use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

use super::amend::Line;
use super::heat_plan::{Plan, PlanError, SPAWN_BELOW_C, Window, window};
use super::heat_run::HeatRun;
use super::logbook::Deed;
use super::moment::local_text;
use crate::climate::Stamp;
use crate::climate::lethality::Scale;

/// What is said when a heat run begins.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct HeatStart {
    /// The run's name, never used for another.
    pub run: String,
    /// The probes in the substrate.
    pub probes: Vec<String>,
    /// °C.
    pub hold_at_c: f64,
    /// Milliseconds.
    pub hold_for_ms: i64,
    /// °C; the usual where none was said.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub spawn_below_c: Option<f64>,
    /// The published window the target was taken from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub window: Option<String>,
}

impl HeatStart {
    /// What it is to reach.
    ///
    /// # Errors
    /// No probe, one twice, or a figure out of range.
    pub fn plan(&self) -> Result<Plan, PlanError> {
        let spawn_below_c = self.spawn_below_c.unwrap_or(SPAWN_BELOW_C);
        Plan::new(self.probes.clone(), self.hold_at_c, self.hold_for_ms, spawn_below_c)
    }
}

/// One heat run as the logbook tells it.
#[derive(Clone, Debug, PartialEq)]
pub struct Run {
    /// Its name.
    pub name: String,
    /// The entry that began it.
    pub entry: i64,
    /// When it began.
    pub started_at: Stamp,
    /// When the grower ended it.
    pub ended_at: Option<Stamp>,
    /// What it is to reach.
    pub plan: Plan,
    /// The published window its target was taken from.
    pub window: Option<&'static Window>,
}

impl Run {
    /// The run with nothing measured yet, on the brewers' scale of pasteurisation units.
    pub fn begin(&self) -> HeatRun {
        HeatRun::new(self.plan.clone(), Scale::PASTEURISATION, self.started_at)
    }

    /// Not ended by the grower.
    pub fn is_open(&self) -> bool {
        self.ended_at.is_none()
    }
}

/// Every heat run the lines tell of that was begun soundly, in the order they began.
pub(super) fn runs(lines: &[Line]) -> Vec<Run> {
    let stands = |line: &&Line| line.void_by.is_none() && line.oddity.is_none();
    let mut standing: Vec<&Line> = lines.iter().filter(stands).collect();
    standing.sort_by_key(|line| (line.entry.at, line.entry.id));
    let mut runs: Vec<Run> = Vec::new();
    for line in standing {
        match &line.entry.deed {
            Deed::HeatBegan(start) => {
                let Ok(plan) = start.plan() else { continue };
                runs.push(Run {
                    name: start.run.clone(),
                    entry: line.entry.id,
                    started_at: line.entry.at,
                    ended_at: None,
                    plan,
                    window: start.window.as_deref().and_then(window),
                });
            }
            Deed::HeatEnded { run } => {
                if let Some(run) = runs.iter_mut().find(|known| known.name == *run) {
                    run.ended_at = Some(line.entry.at);
                }
            }
            _ => {}
        }
    }
    runs
}

struct Heat {
    began: Stamp,
    ended: Option<Stamp>,
    probes: Vec<String>,
    /// Which tub's place each probe was borrowed from.
    lent: Vec<(usize, String)>,
}

/// The heat runs while the logbook is folded.
#[derive(Default)]
pub(super) struct Heats(HashMap<String, Heat>);

impl Heats {
    /// The open run that has `probe`.
    pub fn holder(&self, probe: &str) -> Option<&str> {
        let has = |heat: &Heat| heat.ended.is_none() && heat.probes.iter().any(|known| known == probe);
        self.0.iter().find(|(_, heat)| has(heat)).map(|(name, _)| name.as_str())
    }

    pub fn begin(&mut self, start: &HeatStart, at: Stamp, timezone: Tz) -> Result<(), String> {
        if let Some(known) = self.0.get(&start.run) {
            let began = local_text(known.began, timezone);
            return Err(format!("a heat run {} began on {began} already; choose another name", start.run));
        }
        start.plan().map_err(|why| why.to_string())?;
        for probe in &start.probes {
            if let Some(run) = self.holder(probe) {
                return Err(format!(
                    "probe {probe} is in the heat run {run}; end that first: tubwatch pasteurise {run} --end"
                ));
            }
        }
        let heat = Heat { began: at, ended: None, probes: start.probes.clone(), lent: Vec::new() };
        self.0.insert(start.run.clone(), heat);
        Ok(())
    }

    /// Ends a run; gives what it had borrowed.
    pub fn end(&mut self, run: &str, at: Stamp, timezone: Tz) -> Result<Vec<(usize, String)>, String> {
        let Some(heat) = self.0.get_mut(run) else { return Err(format!("no heat run {run} had begun by then")) };
        if let Some(ended) = heat.ended {
            return Err(format!("the heat run {run} was ended on {} already", local_text(ended, timezone)));
        }
        heat.ended = Some(at);
        Ok(std::mem::take(&mut heat.lent))
    }

    pub fn lent(&mut self, run: &str, place: usize, probe: &str) {
        if let Some(heat) = self.0.get_mut(run) {
            heat.lent.push((place, probe.to_owned()));
        }
    }

    /// The grower decided about this tub's core meanwhile: nothing is given back to it.
    pub fn forget(&mut self, place: usize) {
        for heat in self.0.values_mut() {
            heat.lent.retain(|(from, _)| *from != place);
        }
    }
}
