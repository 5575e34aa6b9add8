//! `report TUB`: one self-contained printable page: the story with its dates, the climate drawn with bands and
//! gaps, degree-hours against the requirement, core over air, alerts, flushes and yields.
//!
//! In: the store (read only), the installation, the logbook folded, one tub. Out: HTML that needs nothing beside
//! it. Left out: several tubs side by side (`compare`), and how a chart is drawn (`climate::chart`).

use chrono_tz::Tz;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::export::{Every, Material, Options};
use super::flush_climate::FlushClimate;
use super::paper::{self, Facts, cell};
use super::report_charts::charts;
use crate::climate::Stamp;
use crate::climate::stamp::DAY_MS;
use crate::grow::heat_run::Report as HeatReport;
use crate::grow::logbook::{Book, Run};
use crate::grow::moment::local_text;
use crate::grow::self_heating::Report as Heating;
use crate::grow::tub::Tub;
use crate::grow::words;
use crate::grow::yields::{Filling, Yields};
use crate::store::past::{Lesson, lesson, past_tubs};
use crate::store::{Reader, StoreError, figures, heat, self_heating};
use crate::watch::alert::Alert;
use crate::watch::setup::Setup;

/// What a report is made from.
pub struct Desk<'a> {
    /// The store.
    pub reader: &'a Reader,
    /// The installation.
    pub setup: &'a Setup,
    /// The logbook.
    pub book: &'a Book,
    /// The site's name.
    pub site: &'a str,
    /// The site's zone.
    pub timezone: Tz,
    /// The machine's clock.
    pub now: Stamp,
}

impl Desk<'_> {
    pub(super) fn say(&self, at: Stamp) -> String {
        local_text(at, self.timezone)
    }
}

/// All that is read for one tub.
pub(super) struct Read<'a> {
    pub tub: &'a Tub,
    pub until: Stamp,
    pub facts: Option<Facts>,
    pub lesson: Option<Lesson>,
    pub heating: Option<Heating>,
    pub heat_run: Option<(Run, HeatReport)>,
    pub yields: Yields,
    pub alerts: Vec<Alert>,
}

/// The page of one tub.
///
/// # Errors
/// When the store cannot be read.
pub fn report(desk: &Desk<'_>, tub: &Tub) -> Result<String, StoreError> {
    let read = read(desk, tub)?;
    let pictures = charts(desk, &read)?;
    let flushes = flushes(desk, tub)?;
    let title = format!("{}, {}", tub.id, tub.culture);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(paper::STYLE)) }
            }
            body {
                h1 { (title) }
                p.small { (desk.site) ", as of " (desk.say(desk.now)) ". Times are local (" (desk.timezone.name()) ")." }
                (story(desk, &read))
                (thermal(&read))
                (pictures)
                (flushes)
                (yielded(&read))
                (alerts(desk, &read))
                (log(desk, tub))
                (paper::footer())
            }
        }
    };
    Ok(page.into_string())
}

fn read<'a>(desk: &Desk<'_>, tub: &'a Tub) -> Result<Read<'a>, StoreError> {
    let until = tub.ended_at.unwrap_or(desk.now);
    let culture = desk.setup.cultures.iter().find(|culture| culture.name == tub.culture);
    let lesson = match culture {
        Some(culture) => {
            lesson(&past_tubs(desk.reader, &desk.book.tubs, desk.setup, culture)?, tub, &desk.book.tubs, culture)
        }
        None => None,
    };
    let facts = match culture {
        Some(culture) => {
            let to = tub.colonised_at.unwrap_or(until);
            let told = figures::over(desk.reader, tub, &desk.book.tubs, desk.setup, culture, tub.spawned_at, to)?;
            let own = lesson.as_ref().map(|lesson| lesson.learned.requirement);
            Some(Facts::of(told, culture.thermal.requiring(own), to))
        }
        None => None,
    };
    // The hump is of the closed tub: what is said of its end is said of the opening.
    let shut_until = tub.opened_at.unwrap_or(until);
    let heating = self_heating::gather(desk.reader, tub, desk.setup, shut_until)?;
    let run = desk.book.heat_runs.iter().find(|run| Some(&run.name) == tub.heat_run.as_ref());
    let heat_run = match run {
        Some(run) => {
            let (mut followed, _) = heat::follow(desk.reader, run, desk.now.plus(1), false)?;
            if run.is_open() {
                followed.tick(desk.now);
            }
            Some((run.clone(), followed.report()))
        }
        None => None,
    };
    let alerts = desk
        .reader
        .alerts(false)?
        .into_iter()
        .filter(|alert| paper::concerns(alert, tub, &desk.book.tubs, until))
        .collect();
    Ok(Read {
        tub,
        until,
        facts,
        lesson,
        heating: heating.map(|heating| heating.report(shut_until)).filter(|report| report.hours_measured > 0),
        heat_run,
        yields: Yields::of(&Filling::of(tub), &tub.harvests, tub.spawned_at, until),
        alerts,
    })
}

fn story(desk: &Desk<'_>, read: &Read<'_>) -> Markup {
    let tub = read.tub;
    let day = |at: Stamp| format!("{} (day {:.1})", desk.say(at), at.since(tub.spawned_at) as f64 / DAY_MS as f64);
    let amount = |value: Option<f64>, unit: &str| value.map(|value| format!("{value} {unit}"));
    let species = desk.setup.cultures.iter().find(|culture| culture.name == tub.culture).map(|it| it.species.clone());
    let rows: Vec<(&str, Option<String>)> = vec![
        ("Species", species),
        ("Container", Some(tub.kind.word().to_owned())),
        ("Stood in", Some(tub.spaces.iter().map(|space| space.value.as_str()).collect::<Vec<_>>().join(", then "))),
        ("Position", tub.position.clone()),
        ("Strain", tub.strain.clone()),
        ("Batch of grain", tub.batch.clone()),
        ("Grain spawn", amount(tub.grain_l, "L")),
        ("Bulk substrate", amount(tub.bulk_l, "L")),
        ("Spawn rate by volume", Filling::of(tub).spawn_rate_pct().map(|pct| format!("{pct:.0} %"))),
        ("Dry bulk substrate", tub.dry_bulk_g.map(words::mass)),
        ("Dry grain", tub.dry_grain_g.map(words::mass)),
        ("Substrate", read.heat_run.as_ref().map(|(run, report)| paper::heat_line(run, report))),
        ("Spawned", Some(desk.say(tub.spawned_at))),
        ("Colonised", tub.colonised_at.map(day)),
        ("Opened", tub.opened_at.map(day)),
        ("Mould suspected", tub.contaminated_at.map(day)),
        ("Ended", tub.ended_at.map(|at| format!("{}, {}", day(at), tub.ended_because.clone().unwrap_or_default()))),
        ("Now", tub.ended_at.is_none().then(|| tub.stage.word().to_owned())),
    ];
    html! {
        h2 { "Story" }
        table.facts {
            @for (what, value) in rows.iter().filter_map(|(what, value)| Some((what, value.as_ref()?))) {
                tr { th scope="row" { (what) } td { (value) } }
            }
        }
    }
}

fn thermal(read: &Read<'_>) -> Markup {
    let Some(facts) = &read.facts else {
        return html! { p { "The config knows this culture no more, so there is nothing to hold its warmth to." } };
    };
    let requirement = facts.thermal.requirement;
    let from = match &read.lesson {
        Some(lesson) => format!("the median and spread of {} tubs of your own", lesson.learned.tubs),
        None => "the handbook".to_owned(),
    };
    let error = read.lesson.as_ref().and_then(|lesson| Some((lesson.error.as_ref()?, lesson.handbook_error.as_ref())));
    html! {
        h2 { "Warmth from spawning to colonised" }
        @if !facts.measured {
            p { "Nothing was measured in that time." }
        } @else {
            p {
                (format!(
                    "{:.0} °C·h ({:.1} equivalent days), of {:.0} ({:.0} to {:.0}) by ",
                    facts.degree_hours, facts.equivalent_days, requirement.usual, requirement.low, requirement.high
                ))
                (from)
                (format!("; from {}, {:.0} % of the time measured.", facts.sources, facts.coverage * 100.0))
            }
            p {
                (format!(
                    "Mean {}, highest {} °C; {} h over its band, {} h under, {} h at or over the damage limit; {} °C·h of heat stress.",
                    cell(facts.mean_c, 1), cell(facts.max_c, 1), cell(Some(facts.hours_over), 1), cell(Some(facts.hours_under), 1),
                    cell(Some(facts.hours_over_damage), 1), cell(Some(facts.heat_stress), 1)
                ))
            }
        }
        @if let Some((error, handbook)) = error {
            p {
                (format!(
                    "Due dates of those {} tubs, each predicted from the others: off by {:.1} days in the middle, {:+.1} at worst",
                    error.tubs, error.median_days, error.worst_days
                ))
                @if let Some(handbook) = handbook { (format!("; by the handbook {:.1} days", handbook.median_days)) }
                "."
            }
        }
        @if let Some(heating) = &read.heating { p { (paper::heating_line(heating)) } }
    }
}

fn flushes(desk: &Desk<'_>, tub: &Tub) -> Result<Markup, StoreError> {
    if tub.flushes.is_empty() {
        return Ok(html! {});
    }
    let options = Options { now: desk.now, every: Every::Hourly, ..Options::default() };
    let material = Material { reader: desk.reader, setup: desk.setup, tubs: &desk.book.tubs, options: &options };
    let mut rows = Vec::new();
    for flush in &tub.flushes {
        let air = FlushClimate::of(&material, tub, flush.from, flush.to).map_err(super::export::Stopped::into_store)?;
        rows.push([
            flush.number.to_string(),
            desk.say(flush.from),
            desk.say(flush.to),
            cell(air.temperature.mean(), 1),
            cell(air.humidity.mean(), 0),
            cell(air.vpd.mean(), 3),
            cell(air.co2.mean(), 0),
            cell(air.hours_out(), 1),
            format!("{:.0} %", air.coverage(flush.to) * 100.0),
        ]);
    }
    let heads = ["Flush", "From", "Last picked", "Air °C", "RH %", "VPD kPa", "CO2 ppm", "h out of band", "Measured"];
    Ok(html! {
        h2 { "Flushes and the air they grew in" }
        (paper::table(&heads, &rows))
    })
}

fn yielded(read: &Read<'_>) -> Markup {
    let yields = &read.yields;
    if yields.flushes.is_empty() {
        return html! {};
    }
    let rows: Vec<[String; 6]> = yields
        .flushes
        .iter()
        .map(|flush| {
            [
                flush.flush.to_string(),
                flush.pickings.to_string(),
                words::mass(flush.fresh_g),
                flush.dry_g.map_or(String::new(), words::mass),
                cell(flush.share_pct, 0),
                cell(flush.biological_efficiency_pct, 1),
            ]
        })
        .collect();
    let basis = yields.dry_mass.map_or("Without --dry-bulk there is no biological efficiency.".to_owned(), |dry| {
        format!(
            "Biological efficiency {} % in all: fresh mass over {} of dry {}.",
            cell(yields.biological_efficiency_pct, 1),
            words::mass(dry.grams),
            dry.basis.word()
        )
    });
    html! {
        h2 { "Yield" }
        (paper::table(&["Flush", "Pickings", "Fresh", "Dried", "Share %", "Biol. eff. %"], &rows))
        p {
            (words::mass(yields.fresh_total_g)) " fresh in all. " (basis)
            @if let Some(grams) = yields.grams_per_tub_day { (format!(" {grams:.1} g fresh a tub-day.")) }
        }
    }
}

fn alerts(desk: &Desk<'_>, read: &Read<'_>) -> Markup {
    let rows: Vec<[String; 5]> = read
        .alerts
        .iter()
        .map(|alert| {
            [
                desk.say(alert.first_at),
                alert.severity.word().to_owned(),
                words::printable(&alert.subject),
                alert.returned_at.or(alert.ended_at).map_or("stands".to_owned(), |at| desk.say(at)),
                words::printable(&alert.text),
            ]
        })
        .collect();
    html! {
        h2 { "Alerts" }
        @if rows.is_empty() { p { "None." } } @else { (paper::table(&["Since", "Worth", "About", "Over", "What"], &rows)) }
    }
}

fn log(desk: &Desk<'_>, tub: &Tub) -> Markup {
    let rows: Vec<[String; 3]> = desk
        .book
        .log(&tub.id)
        .into_iter()
        .map(|line| {
            let void = line.void_by.map_or(String::new(), |by| format!("[void by entry {by}] "));
            let what = format!("{void}{}", words::deed(&line.entry.deed, desk.timezone));
            [line.entry.id.to_string(), desk.say(line.entry.at), what]
        })
        .collect();
    html! {
        h2 { "Logbook" }
        (paper::table(&["Entry", "Time", "What"], &rows))
    }
}
