//! What a tub's figures are set beside: yields, what past tubs teach, self-heating, its heat run.
//!
//! In: the store, the logbook, one tub. Out: plain lines and stable JSON. Left out: the thermal time itself
//! (`heat`), and reports (`records`).

use serde_json::{Value, json};

use super::pasteurise::{followed, summary};
use super::speak::{Failure, printable};
use super::{Site, wording};
use crate::climate::Stamp;
use crate::climate::degrees::Degrees;
use crate::grow::heat_run::Report as HeatReport;
use crate::grow::learning::DueError;
use crate::grow::logbook::{Book, Run};
use crate::grow::self_heating::{Hump, Report as Heating};
use crate::grow::tub::Tub;
use crate::grow::yields::{Filling, Yields};
use crate::status::heat::HeatRunView;
use crate::status::snapshot::rounded;
use crate::store::past::{Lesson, lesson, past_tubs};
use crate::store::{Reader, self_heating};

/// All of it for one tub.
pub struct Beside {
    /// What past tubs teach of it.
    pub lesson: Option<Lesson>,
    /// Core over air.
    pub heating: Option<Heating>,
    /// What it gave.
    pub yields: Yields,
    /// The heat run of its substrate.
    pub heat_run: Option<(Run, HeatReport)>,
}

impl Beside {
    /// Of `tub`, from what is stored now.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn of(site: &Site, reader: &Reader, book: &Book, tub: &Tub) -> Result<Beside, Failure> {
        let until = tub.ended_at.unwrap_or(site.now);
        let run = book.heat_runs.iter().find(|run| Some(&run.name) == tub.heat_run.as_ref());
        let heat_run = match run {
            Some(run) => Some((run.clone(), followed(site, reader, run)?)),
            None => None,
        };
        Ok(Beside {
            lesson: lesson_of(site, reader, book, tub)?,
            heating: heating(site, reader, tub, site.now)?,
            yields: Yields::of(&Filling::of(tub), &tub.harvests, tub.spawned_at, until),
            heat_run,
        })
    }

    /// In words, a line each.
    pub fn lines(&self, show: Degrees) -> Vec<String> {
        let mut lines = Vec::new();
        lines.extend(self.lesson.as_ref().map(lesson_line));
        lines.extend(
            self.lesson.as_ref().and_then(|lesson| lesson.error.as_ref()).map(|error| error_line(error, &self.lesson)),
        );
        lines.extend(self.heating.as_ref().and_then(|heating| heating_line(heating, show)));
        if let Some((run, report)) = &self.heat_run {
            lines.push(format!("heat run {}: {}", printable(&run.name), summary(run, report, show)));
        }
        lines.extend(yield_line(&self.yields));
        lines
    }

    /// Stable fields, to be merged into `show --json`.
    pub fn json(&self) -> Result<Value, Failure> {
        let heat_run = self.heat_run.as_ref().map(|(run, report)| HeatRunView::of(run, report));
        Ok(json!({
            "learned": self.lesson.as_ref().map(lesson_json),
            "self_heating": self.heating.as_ref().map(heating_json),
            "yield": yield_json(&self.yields),
            "heat_run_report": serde_json::to_value(heat_run).map_err(Failure::failed)?,
        }))
    }
}

/// What past tubs teach of `tub`, if there are enough of them.
///
/// # Errors
/// When the store cannot be read.
pub fn lesson_of(site: &Site, reader: &Reader, book: &Book, tub: &Tub) -> Result<Option<Lesson>, Failure> {
    let setup = &site.plan.setup;
    let Some(culture) = setup.cultures.iter().find(|culture| culture.name == tub.culture) else { return Ok(None) };
    let past = past_tubs(reader, &book.tubs, setup, culture).map_err(Failure::failed)?;
    Ok(lesson(&past, tub, &book.tubs, culture))
}

/// Its core over its air at `now`; none without a core of its own.
///
/// # Errors
/// When the store cannot be read.
pub fn heating(site: &Site, reader: &Reader, tub: &Tub, now: Stamp) -> Result<Option<Heating>, Failure> {
    let gathered = self_heating::gather(reader, tub, &site.plan.setup, now.plus(1)).map_err(Failure::failed)?;
    Ok(gathered.map(|heating| heating.report(tub.ended_at.unwrap_or(now))).filter(|report| report.hours_measured > 0))
}

fn lesson_line(lesson: &Lesson) -> String {
    let it = &lesson.learned;
    format!(
        "held to your own tubs: {:.0} °C·h ({:.0} to {:.0}), the median and spread of {} colonised before, alike in recipe and probe",
        it.requirement.usual, it.requirement.low, it.requirement.high, it.tubs
    )
}

fn error_line(error: &DueError, lesson: &Option<Lesson>) -> String {
    let handbook = lesson.as_ref().and_then(|lesson| lesson.handbook_error.as_ref());
    let beside = handbook.map_or(String::new(), |it| format!("; by the handbook {:.1} d", it.median_days));
    format!(
        "due date of those {} tubs, each predicted from the others: off by {:.1} d in the middle, {:+.1} d at worst{beside}",
        error.tubs, error.median_days, error.worst_days
    )
}

fn heating_line(heating: &Heating, show: Degrees) -> Option<String> {
    let now =
        heating.excess_c.map_or(String::new(), |over| format!("core {:+.1} {} over air", show.step(over), show.unit()));
    let trend = heating
        .trend_c_per_h
        .map_or(String::new(), |slope| format!(", {:+.1} {} a day", show.step(slope * 24.0), show.unit()));
    let peak = heating.peak.map_or(String::new(), |(day, over)| {
        format!(", highest on day {day} ({:+.1} {})", show.step(over), show.unit())
    });
    let hump = match heating.hump {
        Hump::Unknown => "too little measured in the last day to say more",
        Hump::NotSeen => "no hump of self-heating yet",
        Hump::Rising => "its hump is still rising",
        Hump::Falling => "its hump is not over yet",
        Hump::Over => "its hump is over",
    };
    let text = format!("{now}{trend}{peak}; {hump}");
    Some(text.trim_start_matches([',', ';', ' ']).to_owned())
}

/// The word for where a hump stands, in JSON.
pub fn hump_word(hump: Hump) -> &'static str {
    match hump {
        Hump::Unknown => "unknown",
        Hump::NotSeen => "not-seen",
        Hump::Rising => "rising",
        Hump::Falling => "falling",
        Hump::Over => "over",
    }
}

fn yield_line(yields: &Yields) -> Option<String> {
    if yields.flushes.is_empty() {
        return None;
    }
    let shares: Vec<String> = yields
        .flushes
        .iter()
        .filter_map(|flush| Some(format!("flush {} {:.0} %", flush.flush, flush.share_pct?)))
        .collect();
    let efficiency = yields.biological_efficiency_pct.zip(yields.dry_mass).map_or(
        "no biological efficiency without --dry-bulk".to_owned(),
        |(pct, dry)| {
            format!("biological efficiency {pct:.0} % of {} dry {}", wording::mass(dry.grams), dry.basis.word())
        },
    );
    let a_day = yields.grams_per_tub_day.map_or(String::new(), |grams| format!(", {grams:.1} g a tub-day"));
    Some(format!("{} fresh in all ({}); {efficiency}{a_day}", wording::mass(yields.fresh_total_g), shares.join(", ")))
}

fn error_json(error: &DueError) -> Value {
    json!({
        "tubs": error.tubs,
        "median_days": rounded(error.median_days, 2),
        "bias_days": rounded(error.bias_days, 2),
        "worst_days": rounded(error.worst_days, 2),
        "of_each": error.of_each.iter().map(|(id, days)| json!({ "id": id, "days": rounded(*days, 2) })).collect::<Vec<_>>(),
    })
}

fn lesson_json(lesson: &Lesson) -> Value {
    let it = &lesson.learned;
    json!({
        "tubs": it.tubs,
        "requirement": {
            "low": rounded(it.requirement.low, 0),
            "usual": rounded(it.requirement.usual, 0),
            "high": rounded(it.requirement.high, 0),
        },
        "quartiles": [rounded(it.quartiles.0, 0), rounded(it.quartiles.1, 0)],
        "due_error": lesson.error.as_ref().map(error_json),
        "handbook_due_error": lesson.handbook_error.as_ref().map(error_json),
    })
}

fn heating_json(heating: &Heating) -> Value {
    json!({
        "core_over_air_k": heating.excess_c.map(|value| rounded(value, 2)),
        "trend_k_per_day": heating.trend_c_per_h.map(|value| rounded(value * 24.0, 2)),
        "last_day_k": heating.last_day_c.map(|value| rounded(value, 2)),
        "peak_day": heating.peak.map(|(day, _)| day),
        "peak_k": heating.peak.map(|(_, over)| rounded(over, 2)),
        "hump": hump_word(heating.hump),
        "hours_measured": heating.hours_measured,
    })
}

fn yield_json(yields: &Yields) -> Value {
    json!({
        "fresh_total_g": yields.fresh_total_g,
        "dry_total_g": yields.dry_total_g,
        "dry_substrate_g": yields.dry_mass.map(|dry| dry.grams),
        "biological_efficiency_pct": yields.biological_efficiency_pct.map(|pct| rounded(pct, 2)),
        "biological_efficiency_basis": yields.dry_mass.map(|dry| dry.basis.word()),
        "grams_per_tub_day": yields.grams_per_tub_day.map(|grams| rounded(grams, 2)),
        "flushes": yields.flushes.iter().map(|flush| json!({
            "flush": flush.flush,
            "pickings": flush.pickings,
            "fresh_g": flush.fresh_g,
            "dry_g": flush.dry_g,
            "share_pct": flush.share_pct.map(|pct| rounded(pct, 2)),
            "biological_efficiency_pct": flush.biological_efficiency_pct.map(|pct| rounded(pct, 2)),
        })).collect::<Vec<_>>(),
    })
}
