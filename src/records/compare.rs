//! `report --compare`: several tubs side by side, climate against yield, with counts and spread.
//!
//! In: the store, the logbook folded, the tubs. Out: one self-contained page. A rank correlation is shown with its
//! n and never without saying that it proves no cause. Left out: one tub in full (`report`).

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::export::{Every, Material, Options, Stopped};
use super::flush_climate::FlushClimate;
use super::paper::{self, Facts, cell};
use super::report::Desk;
use super::scatter::{self, Point};
use crate::climate::rank::spearman;
use crate::climate::stamp::DAY_MS;
use crate::climate::statistics::median;
use crate::grow::tub::Tub;
use crate::grow::yields::{Filling, Yields};
use crate::store::{StoreError, figures};

/// Fewer tubs than this say nothing together.
const TUBS_MIN: usize = 3;

/// A figure of the climate, or of the outcome.
struct Measure {
    title: &'static str,
    digits: usize,
    of: fn(&Row<'_>) -> Option<f64>,
}

struct Row<'a> {
    tub: &'a Tub,
    facts: Option<Facts>,
    yields: Yields,
    days: Option<f64>,
    humidity: Option<f64>,
    vpd: Option<f64>,
    co2: Option<f64>,
    air: Option<f64>,
    flush_coverage: Option<f64>,
}

/// Climate, each with the share of time it was measured in beside it.
const CLIMATE: [Measure; 9] = [
    Measure { title: "Days to colonise", digits: 1, of: |row| row.days },
    Measure { title: "Mean °C colonising", digits: 1, of: |row| row.facts.as_ref()?.mean_c },
    Measure { title: "Highest °C colonising", digits: 1, of: |row| row.facts.as_ref()?.max_c },
    Measure { title: "Most core over air, K", digits: 1, of: |row| row.facts.as_ref()?.max_core_over_air_k },
    Measure {
        title: "Hours over band",
        digits: 1,
        of: |row| row.facts.as_ref().filter(|f| f.measured).map(|f| f.hours_over),
    },
    Measure { title: "Air °C, first flush", digits: 1, of: |row| row.air },
    Measure { title: "RH %, first flush", digits: 0, of: |row| row.humidity },
    Measure { title: "VPD kPa, first flush", digits: 3, of: |row| row.vpd },
    Measure { title: "CO2 ppm, first flush", digits: 0, of: |row| row.co2 },
];

const OUTCOME: [Measure; 3] = [
    Measure { title: "Fresh g", digits: 0, of: |row| picked(row).then_some(row.yields.fresh_total_g) },
    Measure {
        title: "Biol. eff. %",
        digits: 1,
        of: |row| picked(row).then_some(row.yields.biological_efficiency_pct)?,
    },
    Measure { title: "g a tub-day", digits: 1, of: |row| picked(row).then_some(row.yields.grams_per_tub_day)? },
];

fn picked(row: &Row<'_>) -> bool {
    !row.tub.harvests.is_empty() || !row.tub.is_alive()
}

/// The page of several tubs.
///
/// # Errors
/// When the store cannot be read.
pub fn compare(desk: &Desk<'_>, tubs: &[&Tub]) -> Result<String, StoreError> {
    let rows = tubs.iter().map(|tub| row(desk, tub)).collect::<Result<Vec<Row<'_>>, StoreError>>()?;
    let cultures: std::collections::BTreeSet<&str> = tubs.iter().map(|tub| tub.culture.as_str()).collect();
    let title = format!("{} tubs side by side", rows.len());
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
                p.small { (desk.site) ", as of " (desk.say(desk.now)) "." }
                @if cultures.len() > 1 {
                    p { "Several cultures stand here together; what differs between species is no effect of the climate." }
                }
                h2 { "Climate and yield" }
                (beside(&rows, cultures.len() > 1))
                h2 { "Counts and spread" }
                (spread(&rows))
                h2 { "Climate against yield" }
                (against(&rows))
                (paper::footer())
            }
        }
    };
    Ok(page.into_string())
}

fn row<'a>(desk: &Desk<'_>, tub: &'a Tub) -> Result<Row<'a>, StoreError> {
    let until = tub.ended_at.unwrap_or(desk.now);
    let to = tub.colonised_at.unwrap_or(until);
    let culture = desk.setup.cultures.iter().find(|culture| culture.name == tub.culture);
    let facts = match culture {
        Some(culture) => {
            let told = figures::over(desk.reader, tub, &desk.book.tubs, desk.setup, culture, tub.spawned_at, to)?;
            Some(Facts::of(told, culture.thermal, to))
        }
        None => None,
    };
    let options = Options { now: desk.now, every: Every::Hourly, ..Options::default() };
    let material = Material { reader: desk.reader, setup: desk.setup, tubs: &desk.book.tubs, options: &options };
    let flush = match tub.flushes.first() {
        Some(flush) => {
            Some((FlushClimate::of(&material, tub, flush.from, flush.to).map_err(Stopped::into_store)?, flush.to))
        }
        None => None,
    };
    Ok(Row {
        tub,
        facts,
        yields: Yields::of(&Filling::of(tub), &tub.harvests, tub.spawned_at, until),
        days: tub.colonised_at.map(|at| at.since(tub.spawned_at) as f64 / DAY_MS as f64),
        humidity: flush.as_ref().and_then(|(air, _)| air.humidity.mean()),
        vpd: flush.as_ref().and_then(|(air, _)| air.vpd.mean()),
        co2: flush.as_ref().and_then(|(air, _)| air.co2.mean()),
        air: flush.as_ref().and_then(|(air, _)| air.temperature.mean()),
        flush_coverage: flush.as_ref().map(|(air, to)| air.coverage(*to)),
    })
}

fn beside(rows: &[Row<'_>], with_culture: bool) -> Markup {
    let share = |share: Option<f64>| share.map_or("–".to_owned(), |share| format!("{:.0} %", share * 100.0));
    html! {
        div.scroll {
            table.wide {
                thead {
                    tr {
                        th scope="col" { "Tub" }
                        @if with_culture { th scope="col" { "Culture" } }
                        @for measure in CLIMATE.iter().chain(&OUTCOME) { th scope="col" { (measure.title) } }
                        th scope="col" { "Measured, colonising" } th scope="col" { "Measured, first flush" } th scope="col" { "Ended" }
                    }
                }
                tbody {
                    @for row in rows {
                        tr {
                            td { (row.tub.id) }
                            @if with_culture { td { (row.tub.culture) } }
                            @for measure in CLIMATE.iter().chain(&OUTCOME) { td { (cell((measure.of)(row), measure.digits)) } }
                            td { (share(row.facts.as_ref().map(|facts| facts.coverage))) }
                            td { (share(row.flush_coverage)) }
                            td { (row.tub.ended_because.as_deref().unwrap_or("–")) }
                        }
                    }
                }
            }
        }
    }
}

fn spread(rows: &[Row<'_>]) -> Markup {
    let lines: Vec<[String; 5]> = CLIMATE
        .iter()
        .chain(&OUTCOME)
        .filter_map(|measure| {
            let mut values: Vec<f64> = rows.iter().filter_map(measure.of).collect();
            let low = values.iter().copied().min_by(f64::total_cmp)?;
            let high = values.iter().copied().max_by(f64::total_cmp)?;
            let n = values.len();
            let show = |value| cell(Some(value), measure.digits);
            Some([
                measure.title.to_owned(),
                n.to_string(),
                show(low),
                cell(median(&mut values), measure.digits),
                show(high),
            ])
        })
        .collect();
    let contaminated = rows.iter().filter(|row| row.tub.contaminated_at.is_some()).count();
    html! {
        (paper::table(&["Figure", "n", "Lowest", "Median", "Highest"], &lines))
        p { (format!("{contaminated} of {} tubs were suspected of mould or ended by it.", rows.len())) }
    }
}

/// Small charts of each climate figure against the yield: by biological efficiency where three tubs have it.
fn against(rows: &[Row<'_>]) -> Markup {
    let has = |measure: &Measure| rows.iter().filter(|row| (measure.of)(row).is_some()).count();
    let outcome = if has(&OUTCOME[1]) >= TUBS_MIN { &OUTCOME[1] } else { &OUTCOME[0] };
    let mut charts: Vec<(String, String)> = Vec::new();
    let mut same: Vec<&str> = Vec::new();
    for measure in &CLIMATE {
        let points: Vec<Point<'_>> = rows
            .iter()
            .filter_map(|row| Some(Point { name: &row.tub.id, x: (measure.of)(row)?, y: (outcome.of)(row)? }))
            .collect();
        if points.len() < TUBS_MIN {
            continue;
        }
        // The same to the digits shown is no difference to set a yield against.
        if points.iter().all(|point| cell(Some(point.x), measure.digits) == cell(Some(points[0].x), measure.digits)) {
            same.push(measure.title);
            continue;
        }
        let pairs: Vec<(f64, f64)> = points.iter().map(|point| (point.x, point.y)).collect();
        let rank = spearman(&pairs).map_or("All yields are the same: no rank correlation.".to_owned(), |rank| {
            format!("Rank correlation {rank:+.2}, n = {}. It proves no cause.", pairs.len())
        });
        charts.push((scatter::svg(&points, measure.title, outcome.title), rank));
    }
    html! {
        @if charts.is_empty() {
            p { (format!("At least {TUBS_MIN} tubs with both a climate and a yield are needed to set one against the other.")) }
        } @else {
            div.pair {
                @for (chart, rank) in &charts {
                    figure {
                        (PreEscaped(chart))
                        p.small { (rank) }
                    }
                }
            }
            p {
                "A rank correlation tells whether one figure rose with the other among these tubs, from -1 to +1. It proves no cause: with \
                 few tubs it is often large by chance, and warm tubs may differ in more than warmth. Change one thing at a time, in \
                 several tubs, to learn more."
            }
            @if !same.is_empty() { p.small { "The same in all of them, and so left out: " (same.join("; ")) "." } }
            p.small { "Upward: " (outcome.title) ". Each point is a tub; point at it to see which." }
        }
    }
}
