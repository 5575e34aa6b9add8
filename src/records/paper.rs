//! What reports share: the style sheet, tables, words for figures, cautions.
//!
//! In: figures. Out: pieces of a page, which needs no file beside it. Pure.

use maud::{Markup, html};

use crate::climate::Stamp;
use crate::climate::stamp::MINUTE_MS;
use crate::grow::culture::Thermal;
use crate::grow::due::equivalent_days;
use crate::grow::heat_run::Report as HeatReport;
use crate::grow::logbook::Run;
use crate::grow::self_heating::{Hump, Report as Heating};
use crate::grow::tub::Tub;
use crate::store::figures::{TubFigures, core_at, space_at};
use crate::watch::alert::Alert;
use crate::watch::concerned::names_tub;

/// Readable on a phone, on a screen and on paper, in one colour.
pub(super) const STYLE: &str = "\
:root{color-scheme:light dark}\
body{font:16px/1.45 system-ui,sans-serif;max-width:60rem;margin:0 auto;padding:1rem;color:#111;background:#fff}\
h1{font-size:1.6rem;margin:.2em 0}h2{font-size:1.15rem;margin:1.6em 0 .4em;border-bottom:1px solid #999;break-after:avoid}\
p{margin:.4em 0}.small{font-size:.85rem;color:#444}\
table{border-collapse:collapse;font-size:.92rem}th,td{text-align:left;vertical-align:top;padding:.2em .8em .2em 0}\
thead th{border-bottom:1px solid #999}tbody tr+tr td{border-top:1px solid #ddd}.facts th{font-weight:600;white-space:nowrap}\
.scroll{overflow-x:auto}figure{margin:.8em 0;break-inside:avoid}figcaption{font-weight:600}\
svg{width:100%;height:auto;display:block}.band{stroke:#555}.charts{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,26rem),1fr));gap:0 1.5rem}\
.wide td,.wide th{padding-right:.6em;font-size:.85rem}.wide td{white-space:nowrap}.pair{display:grid;grid-template-columns:repeat(auto-fit,minmax(15rem,1fr));gap:1rem}\
footer{margin-top:2em;border-top:1px solid #999;padding-top:.5em}\
@media (prefers-color-scheme:dark){body{color:#eee;background:#111}.small{color:#bbb}.band{stroke:#aaa}tbody tr+tr td{border-top-color:#444}}\
@media print{body{max-width:none;padding:0;font-size:10.5pt;color:#000;background:#fff}.scroll{overflow:visible}}";

/// The warmth of a tub from spawning to colonised.
pub(super) struct Facts {
    pub thermal: Thermal,
    pub measured: bool,
    pub degree_hours: f64,
    pub equivalent_days: f64,
    pub coverage: f64,
    pub heat_stress: f64,
    pub sources: String,
    pub mean_c: Option<f64>,
    pub max_c: Option<f64>,
    pub hours_over: f64,
    pub hours_under: f64,
    pub hours_over_damage: f64,
    pub max_core_over_air_k: Option<f64>,
    /// Degree-hours day by day, its end among them.
    pub course: Vec<(Stamp, f64)>,
}

impl Facts {
    pub fn of(told: TubFigures, thermal: Thermal, to: Stamp) -> Facts {
        let figures = told.exposure.figures(to);
        let mut course = told.course;
        course.push((told.exposure.last_at().unwrap_or(to).min(to), figures.degree_hours));
        Facts {
            thermal,
            measured: !told.sources.is_empty(),
            degree_hours: figures.degree_hours,
            equivalent_days: equivalent_days(figures.degree_hours, &thermal),
            coverage: figures.coverage(),
            heat_stress: figures.heat_stress,
            sources: told.sources.join(", "),
            mean_c: told.temperature.mean(),
            max_c: told.temperature.max(),
            hours_over: told.band.hours_over(),
            hours_under: told.band.hours_under(),
            hours_over_damage: told.band.hours_over_damage(),
            max_core_over_air_k: told.core_over_air_max_k,
            course,
        }
    }
}

/// A figure with so many decimals; a dash where it was not measured.
pub(super) fn cell(value: Option<f64>, digits: usize) -> String {
    value.map_or("–".to_owned(), |value| format!("{value:.digits$}"))
}

/// A table with a heading row; it scrolls by itself on a narrow screen.
pub(super) fn table<const N: usize>(heads: &[&str; N], rows: &[[String; N]]) -> Markup {
    html! {
        div.scroll {
            table {
                thead { tr { @for head in heads { th scope="col" { (head) } } } }
                tbody { @for row in rows { tr { @for cell in row { td { (cell) } } } } }
            }
        }
    }
}

/// Whether an alert tells of the tub: its own, that of its core or the one that stands in for it, the
/// space's while it stood there, or another tub's that names it.
pub(super) fn concerns(alert: &Alert, tub: &Tub, tubs: &[Tub], until: Stamp) -> bool {
    if alert.first_at < tub.spawned_at || alert.first_at > until {
        return false;
    }
    let core = tub.cores.iter().filter_map(|core| core.value.as_deref());
    alert.subject == format!("tub {}", tub.name)
        || alert.subject == format!("space {}", space_at(tub, alert.first_at))
        || core.chain(core_at(tub, tubs, alert.first_at)).any(|core| alert.subject == format!("probe {core}"))
        || names_tub(&alert.text, &tub.name)
}

/// The heat run in a line.
pub(super) fn heat_line(run: &Run, report: &HeatReport) -> String {
    format!(
        "heat run {}: {}, {} of {} min at or over {} °C, {:.0} pasteurisation units at the least ({})",
        run.name,
        report.verdict_words(),
        report.earned_ms / MINUTE_MS,
        run.plan.hold_for_ms() / MINUTE_MS,
        run.plan.hold_at_c(),
        report.least_units,
        report.scale.stated()
    )
}

/// Self-heating in a line.
pub(super) fn heating_line(heating: &Heating) -> String {
    let peak = match heating.peak {
        Some((day, over)) => format!("Core over air was highest on day {day}, {over:+.1} °C in that day's mean"),
        None => "Core over air was measured too little to tell its highest day".to_owned(),
    };
    let hump = match heating.hump {
        Hump::Unknown => {
            "too little was measured in the last day before the opening, or now, to say whether the hump was over"
        }
        Hump::NotSeen => "no hump of self-heating was seen",
        Hump::Rising => "the hump was still rising by the opening, or now",
        Hump::Falling => "the hump was not over by the opening, or now",
        Hump::Over => "the hump was over by the opening, or now",
    };
    format!("{peak}; {hump}.")
}

/// The foot of every report.
pub(super) fn footer() -> Markup {
    html! {
        footer.small {
            "Made by tubwatch. A dash or a broken line: not measured. Never eat a mushroom you cannot identify for certain, and \
             cook what you eat; pick before spores fall, mask on, room vented. Local codes and licensed practice come first."
        }
    }
}
