//! `tubs` and `show`: where each tub stands, and one in full with its log.
//!
//! In: the logbook, the stored samples and the alert table, read directly. Out: a table, or JSON
//! with the field names of `/status.json`. The figures are folded from what is stored, so they are
//! those of the daemon up to its last commit.

use std::collections::HashMap;

use chrono::Datelike;
use serde_json::{Value, json};

use super::beside::Beside;
use super::paper;
use super::speak::{Failure, Outcome, Voice, printable, table};
use super::{Site, heat, wording};
use crate::climate::Stamp;
use crate::climate::degrees::Degrees;
use crate::grow::check::find;
use crate::grow::learning::{Learned, PastTub};
use crate::grow::logbook::{Book, Line, fold};
use crate::grow::moment::local_text;
use crate::grow::tub::{Flush, Stage, Tub};
use crate::status::snapshot::{DueView, TubView};
use crate::store::Reader;
use crate::store::past::{lesson, past_tubs};
use crate::watch::alert::Alert;

/// What is read for either command.
struct Desk {
    reader: Reader,
    book: Book,
    alerts: Vec<Alert>,
}

impl Desk {
    fn open(site: &Site) -> Result<Desk, Failure> {
        let reader = paper::reader(site)?;
        let book = fold(&reader.entries().map_err(Failure::failed)?, site.plan.timezone);
        let alerts = reader.alerts(true).map_err(Failure::failed)?;
        Ok(Desk { reader, book, alerts })
    }

    fn view(&self, site: &Site, tub: &Tub, own: Option<&Learned>) -> Result<TubView, Failure> {
        heat::view(site, &self.reader, &self.book, tub, &self.alerts, own)
    }

    /// Every living tub; those of one culture share the reading of its past.
    fn living(&self, site: &Site) -> Result<Vec<TubView>, Failure> {
        let setup = &site.plan.setup;
        let mut past: HashMap<&str, Vec<PastTub>> = HashMap::new();
        let mut views = Vec::new();
        for tub in self.book.tubs.iter().filter(|tub| tub.is_alive()) {
            let culture = setup.cultures.iter().find(|culture| culture.name == tub.culture);
            let own = match culture.filter(|_| tub.stage == Stage::Colonising) {
                Some(culture) => {
                    if !past.contains_key(culture.name.as_str()) {
                        let tubs = past_tubs(&self.reader, &self.book.tubs, setup, culture).map_err(Failure::failed)?;
                        past.insert(&culture.name, tubs);
                    }
                    let known = past.get(culture.name.as_str()).map_or(&[][..], Vec::as_slice);
                    lesson(known, tub, &self.book.tubs, culture)
                }
                None => None,
            };
            views.push(self.view(site, tub, own.as_ref().map(|lesson| &lesson.learned))?);
        }
        Ok(views)
    }
}

/// Prints every living tub.
pub fn tubs(site: &Site, as_json: bool) -> Outcome {
    let desk = Desk::open(site)?;
    let views = desk.living(site)?;
    let mut voice = Voice::new();
    if as_json {
        return voice.json(&views);
    }
    if views.is_empty() {
        return voice.say("no tub is alive; begin one with tubwatch spawn");
    }
    let heading = ["TUB", "STAGE", "DAY", "SPACE", "°C·h", "PROGRESS", "LOOK", "FROM", "COVERAGE", "ALERTS"];
    let mut rows = vec![heading.map(str::to_owned).to_vec()];
    rows.extend(views.iter().map(|view| row(site, view)));
    for line in table(&rows) {
        voice.say(line)?;
    }
    Ok(())
}

fn row(site: &Site, view: &TubView) -> Vec<String> {
    let alerts: Vec<String> = view.alerts.iter().map(i64::to_string).collect();
    vec![
        printable(&view.name),
        view.stage.to_owned(),
        format!("{:.1}", view.age_days),
        printable(&view.space),
        format!("{:.0}", view.degree_hours),
        progress(site, view),
        view.due.map_or("-".to_owned(), |due| window(site, due)),
        source(view, site.plan.setup.show),
        format!("{:.1} %", view.coverage * 100.0),
        if alerts.is_empty() { "-".to_owned() } else { alerts.join(" ") },
    ]
}

/// How far along; what is due says so, since no figure knows that a tub is done.
fn progress(site: &Site, view: &TubView) -> String {
    match view.due {
        None => "-".to_owned(),
        Some(due) if due.earliest <= site.now => "time to look".to_owned(),
        Some(_) => format!("{:.0} %", (view.progress * 100.0).floor().clamp(0.0, 99.0)),
    }
}

/// The due window in local time.
fn window(site: &Site, due: DueView) -> String {
    let say = |at: Stamp| {
        let local = at.utc().with_timezone(&site.plan.timezone);
        let this_year = site.now.utc().with_timezone(&site.plan.timezone).year() == local.year();
        local.format(if this_year { "%-d %b %H:%M" } else { "%-d %b %Y" }).to_string()
    };
    match due.latest {
        Some(latest) => format!("{} to {}", say(due.earliest), say(latest)),
        None => format!("from {}", say(due.earliest)),
    }
}

/// Which probe the figures come from, and what the core reads.
fn source(view: &TubView, show: Degrees) -> String {
    let probe = view.temperature_from.as_deref().map_or("no probe".to_owned(), printable);
    match (view.core_c, view.core_over_air_k) {
        (Some(core), Some(over)) => format!("{probe} {} ({:+.1} over air)", show.say(core, 1), show.step(over)),
        (Some(core), None) => format!("{probe} {}", show.say(core, 1)),
        _ => probe,
    }
}

/// Prints one filling in full.
pub fn show(site: &Site, word: &str, as_json: bool) -> Outcome {
    let desk = Desk::open(site)?;
    let tub = find(&desk.book, word)?;
    let beside = Beside::of(site, &desk.reader, &desk.book, tub)?;
    let view = desk.view(site, tub, beside.lesson.as_ref().map(|lesson| &lesson.learned))?;
    let log = desk.book.log(&tub.id);
    let mut voice = Voice::new();
    if as_json {
        return voice.json(&full(site, tub, &view, &beside, &log)?);
    }
    for line in story(site, tub, &view, &beside) {
        voice.say(line)?;
    }
    let mut rows = vec![["ENTRY", "TIME", "WHAT"].map(str::to_owned).to_vec()];
    rows.extend(log.iter().map(|line| log_row(site, line)));
    voice.say("")?;
    for line in table(&rows) {
        voice.say(line)?;
    }
    Ok(())
}

fn story(site: &Site, tub: &Tub, view: &TubView, beside: &Beside) -> Vec<String> {
    let say = |at: Stamp| local_text(at, site.plan.timezone);
    let mut lines = vec![
        format!("{}, a {} of {} in {}", printable(&tub.id), view.kind, printable(&tub.culture), printable(&view.space)),
        format!(
            "{} since {}, day {:.1}",
            view.stage,
            say(tub.stages.last().map_or(tub.spawned_at, |since| since.from)),
            view.age_days
        ),
    ];
    let dates = [("colonised", tub.colonised_at), ("opened", tub.opened_at), ("mould suspected", tub.contaminated_at)];
    for (what, at) in dates {
        lines.extend(at.map(|at| format!("{what} {}", say(at))));
    }
    if let (Some(ended), Some(because)) = (tub.ended_at, &tub.ended_because) {
        lines.push(format!("ended {}: {}", say(ended), printable(because)));
    }
    lines.push(format!(
        "{:.0} °C·h ({:.0} to {:.0}), {:.1} equivalent days, from {}, {:.1} % of the time covered",
        view.degree_hours,
        view.degree_hours_low,
        view.degree_hours_high,
        view.equivalent_days,
        source(view, site.plan.setup.show),
        view.coverage * 100.0
    ));
    if view.heat_stress_degree_hours > 0.0 {
        lines.push(format!("{:.1} °C·h over the top of its band", view.heat_stress_degree_hours));
    }
    if let Some(due) = view.due {
        lines.push(format!("{}; go and look {}", progress(site, view), window(site, due)));
    }
    for flush in &tub.flushes {
        let dry = flush.dry_g().map_or(String::new(), |dry| format!(", {} dry", wording::mass(dry)));
        let fresh = wording::mass(flush.fresh_g());
        lines.push(format!("flush {}: {fresh} fresh{dry}, {} to {}", flush.number, say(flush.from), say(flush.to)));
    }
    lines.extend(beside.lines(site.plan.setup.show));
    if !view.alerts.is_empty() {
        let alerts: Vec<String> = view.alerts.iter().map(i64::to_string).collect();
        lines.push(format!("alerts that stand: {}", alerts.join(" ")));
    }
    lines
}

fn log_row(site: &Site, line: &Line) -> Vec<String> {
    let mut what = wording::deed(&line.entry.deed, site.plan.timezone);
    if let Some(by) = line.void_by {
        what = format!("[void by entry {by}] {what}");
    } else if !line.amended_by.is_empty() {
        let by: Vec<String> = line.amended_by.iter().rev().map(i64::to_string).collect();
        what = format!("{what} [amended by entry {}]", by.join(", "));
    }
    if let Some(oddity) = &line.oddity {
        what = format!("{what} [does not fit: {}]", printable(oddity));
    }
    vec![line.entry.id.to_string(), local_text(line.entry.at, site.plan.timezone), what]
}

/// The stable form of `show --json`: `tub` as in `/status.json`, then what the logbook adds.
fn full(site: &Site, tub: &Tub, view: &TubView, beside: &Beside, log: &[&Line]) -> Result<Value, Failure> {
    let time = |at: Option<Stamp>| at.map(Stamp::rfc3339);
    let mut full = json!({
        "tub": serde_json::to_value(view).map_err(Failure::failed)?,
        "colonised_at": time(tub.colonised_at),
        "opened_at": time(tub.opened_at),
        "pins_at": time(tub.pins_at),
        "ended_at": time(tub.ended_at),
        "ended_because": tub.ended_because,
        "contaminated_at": time(tub.contaminated_at),
        "like": tub.like,
        "grain_l": tub.grain_l,
        "bulk_l": tub.bulk_l,
        "dry_bulk_g": tub.dry_bulk_g,
        "dry_grain_g": tub.dry_grain_g,
        "heat_run": tub.heat_run,
        "strain": tub.strain,
        "batch": tub.batch,
        "position": tub.position,
        "stages": tub.stages.iter().map(|since| json!({ "stage": Stage::word(since.value), "from": since.from.rfc3339() })).collect::<Vec<_>>(),
        "spaces": tub.spaces.iter().map(|since| json!({ "space": since.value, "from": since.from.rfc3339() })).collect::<Vec<_>>(),
        "cores": tub.cores.iter().map(|since| json!({ "probe": since.value, "from": since.from.rfc3339() })).collect::<Vec<_>>(),
        "flushes": tub.flushes.iter().map(flush_json).collect::<Vec<_>>(),
        "fresh_total_g": tub.harvests.iter().map(|harvest| harvest.fresh_g).sum::<f64>() + 0.0, // of nothing it is -0.0
        "log": log.iter().map(|line| line_json(site, line)).collect::<Result<Vec<_>, _>>()?,
    });
    if let (Value::Object(full), Value::Object(beside)) = (&mut full, beside.json()?) {
        full.extend(beside);
    }
    Ok(full)
}

fn flush_json(flush: &Flush) -> Value {
    json!({
        "flush": flush.number,
        "from": flush.from.rfc3339(),
        "to": flush.to.rfc3339(),
        "fresh_g": flush.fresh_g(),
        "dry_g": flush.dry_g(),
    })
}

fn line_json(site: &Site, line: &Line) -> Result<Value, Failure> {
    Ok(json!({
        "entry": line.entry.id,
        "at": line.entry.at.rfc3339(),
        "written_at": line.entry.written_at.rfc3339(),
        "what": serde_json::to_value(&line.entry.deed).map_err(Failure::failed)?,
        "text": wording::deed(&line.entry.deed, site.plan.timezone),
        "amended_by": line.amended_by,
        "void_by": line.void_by,
        "does_not_fit": line.oddity,
    }))
}
