//! `pasteurise` and `heat-runs`: a heat run begins, ends, and how each stands.
//!
//! In: a run's name, probes and target. Out: one entry; the running daemon follows it, whatever becomes of
//! the terminal. How a run stands is folded from what is stored. Left out: the telling (the daemon's).

use super::args::{HeatRunsArgs, PasteuriseArgs};
use super::speak::{Failure, Outcome, Voice, printable, table};
use super::{Site, enter, paper};
use crate::climate::Stamp;
use crate::climate::degrees::Degrees;
use crate::climate::stamp::MINUTE_MS;
use crate::grow::heat_plan::{WINDOWS, Window, window};
use crate::grow::heat_run::{Report, Verdict};
use crate::grow::logbook::{Deed, HeatStart, Run, fold};
use crate::grow::measures::{duration_ms, temperature_c};
use crate::grow::moment::{self, local_text};
use crate::grow::wrong::unknown;
use crate::status::heat::HeatRunView;
use crate::store::{Reader, heat};

const SCALDING: &str = "Steam and hot substrate scald: gloves and long sleeves, and never lift a hot barrel alone.";

/// Begins or ends a run.
pub fn pasteurise(site: &Site, args: &PasteuriseArgs) -> Outcome {
    let at = moment::parse(&args.at, site.plan.timezone, site.now)?;
    let show = site.plan.setup.show;
    let mut voice = Voice::new();
    if args.end {
        let entry = enter::enter_at(site, "", Deed::HeatEnded { run: args.run.clone() }, at, args.anyway)?;
        let reader = paper::reader(site)?;
        let runs = runs(site, &reader)?;
        if let Some(run) = runs.iter().find(|run| run.name == args.run) {
            let report = followed(site, &reader, run)?;
            voice.say(format!(
                "heat run {} ended: {} (entry {entry})",
                printable(&run.name),
                summary(run, &report, show)
            ))?;
            for line in verdict_lines(&report) {
                voice.say(line)?;
            }
        }
        return Ok(());
    }
    let (start, window) = start(args)?;
    let plan = start.plan().map_err(|why| Failure::Usage(why.to_string()))?;
    let entry = enter::enter_at(site, "", Deed::HeatBegan(Box::new(start)), at, args.anyway)?;
    voice.say(format!(
        "heat run {} began: hold {} for {} min at the coldest of {}, then cool below {} (entry {entry})",
        printable(&args.run),
        show.say_set(plan.hold_at_c()),
        plan.hold_for_ms() / MINUTE_MS,
        printable(&plan.probes().join(", ")),
        show.say_set(plan.spawn_below_c()),
    ))?;
    if let Some(window) = window {
        voice.say(format!("{}: {} ({})", window.name, window.substrate, window.source))?;
    }
    voice.say("The running daemon follows it, and tells when the hold is reached and when it is cool enough.")?;
    voice.say(SCALDING)
}

fn start(args: &PasteuriseArgs) -> Result<(HeatStart, Option<&'static Window>), Failure> {
    let Some(target) = &args.hold_at else {
        return Err(Failure::Usage(format!("say --hold-at: a temperature such as 65C, or one of {}", window_names())));
    };
    let found = window(target);
    let hold_at_c = match found {
        Some(window) => window.hold_at_c(),
        None if target.starts_with(|letter: char| letter.is_ascii_digit()) => temperature_c("--hold-at", target)?,
        None => return Err(Failure::Usage(unknown("window", target, WINDOWS.map(|window| window.name)))),
    };
    let hold_for_ms = match (&args.hold_for, found) {
        (Some(text), _) => duration_ms("--hold-for", text)?,
        (None, Some(window)) => window.hold_for_ms(),
        (None, None) => return Err(Failure::Usage("say --hold-for: how long, such as 1h or 90min".to_owned())),
    };
    let spawn_below_c = args.spawn_below.as_deref().map(|text| temperature_c("--spawn-below", text)).transpose()?;
    let start = HeatStart {
        run: args.run.clone(),
        probes: args.probe.clone(),
        hold_at_c,
        hold_for_ms,
        spawn_below_c,
        window: found.map(|window| window.name.to_owned()),
    };
    Ok((start, found))
}

fn window_names() -> String {
    WINDOWS.map(|window| window.name).join(", ")
}

/// The heat runs of the logbook.
pub fn runs(site: &Site, reader: &Reader) -> Result<Vec<Run>, Failure> {
    Ok(fold(&reader.entries().map_err(Failure::failed)?, site.plan.timezone).heat_runs)
}

/// The run as the stored readings make it, up to now.
pub fn followed(site: &Site, reader: &Reader, run: &Run) -> Result<Report, Failure> {
    let (mut followed, _) = heat::follow(reader, run, site.now.plus(1), false).map_err(Failure::failed)?;
    if run.is_open() {
        followed.tick(site.now);
    }
    Ok(followed.report())
}

/// Prints every run, or the windows.
pub fn heat_runs(site: &Site, args: &HeatRunsArgs) -> Outcome {
    let mut voice = Voice::new();
    if args.windows {
        return windows(&mut voice);
    }
    let reader = paper::reader(site)?;
    let runs = runs(site, &reader)?;
    let reports = runs.iter().map(|run| followed(site, &reader, run)).collect::<Result<Vec<Report>, Failure>>()?;
    if args.json {
        let views: Vec<HeatRunView> =
            runs.iter().zip(&reports).map(|(run, report)| HeatRunView::of(run, report)).collect();
        return voice.json(&views);
    }
    if runs.is_empty() {
        return voice.say("no heat run has begun; begin one with tubwatch pasteurise");
    }
    let show = site.plan.setup.show;
    for (run, report) in runs.iter().zip(&reports) {
        let say = |at: Stamp| local_text(at, site.plan.timezone);
        let ended = run.ended_at.map_or("running".to_owned(), |ended| format!("ended {}", say(ended)));
        voice.say(format!(
            "{}, {}, {ended}: {}",
            printable(&run.name),
            say(run.started_at),
            summary(run, report, show)
        ))?;
        for line in probe_lines(run, report, show) {
            voice.say(format!("  {line}"))?;
        }
    }
    Ok(())
}

fn windows(voice: &mut Voice) -> Outcome {
    let mut rows = vec![["WINDOW", "°C", "MIN", "SUBSTRATE", "SOURCE"].map(str::to_owned).to_vec()];
    let span = |from: String, to: String| if from == to { from } else { format!("{from}-{to}") };
    for window in &WINDOWS {
        rows.push(vec![
            window.name.to_owned(),
            span(window.from_c.to_string(), window.to_c.to_string()),
            span(window.from_min.to_string(), window.to_min.to_string()),
            window.substrate.to_owned(),
            window.source.to_owned(),
        ]);
    }
    for line in table(&rows) {
        voice.say(line)?;
    }
    voice.say("Each is what its source did or advises; none promises that nothing is left alive.")
}

/// One line: where it stands.
pub fn summary(run: &Run, report: &Report, show: Degrees) -> String {
    let hold_ms = run.plan.hold_for_ms();
    let mut text = if run.is_open() {
        format!("{}{}", report.phase.word(), if report.paused { ", paused" } else { "" })
    } else {
        report.verdict_words().to_owned()
    };
    text.push_str(&format!(
        ", {} of {} min at or over {}, {:.0} pasteurisation units at the least ({})",
        report.earned_ms / MINUTE_MS,
        hold_ms / MINUTE_MS,
        show.say_set(run.plan.hold_at_c()),
        report.least_units,
        report.scale.stated_in(show)
    ));
    text
}

/// What a grower should make of the verdict.
pub fn verdict_lines(report: &Report) -> Vec<&'static str> {
    match report.verdict {
        Verdict::Held if report.probes.len() == 1 => {
            vec!["One probe tells of one place: held where measured. The middle and the corners may have been colder."]
        }
        Verdict::Held => vec![],
        Verdict::Short => vec!["It was not held long enough: heat it again before you spawn."],
        Verdict::Unproven => vec!["A probe was missing for too long: whether it was held cannot be told."],
    }
}

fn probe_lines(run: &Run, report: &Report, show: Degrees) -> Vec<String> {
    let view = HeatRunView::of(run, report);
    let mut rows = Vec::new();
    for probe in &view.probes {
        let minutes =
            |minutes: Option<f64>, to: &str| minutes.filter(|m| *m > 0.0).map(|m| format!("{m:.0} min to {to}"));
        let goes_on = run.is_open() && probe.voice == "reading";
        let forecast = match report.reached_at {
            _ if !goes_on => None,
            None => minutes(probe.minutes_to_target, "the target"),
            Some(_) => minutes(probe.minutes_to_spawn, "spawning"),
        };
        rows.push(vec![
            printable(&probe.name),
            if run.is_open() { probe.voice.to_owned() } else { String::new() },
            probe.temperature_c.filter(|_| run.is_open()).map_or(String::new(), |now| show.say(now, 1)),
            probe.peak_c.map_or("never read".to_owned(), |peak| format!("peak {}", show.say(peak, 1))),
            format!("{:.0} min at target", probe.at_target_min),
            format!("{:.0} units", probe.pasteurisation_units),
            if probe.gaps > 0 {
                format!("{} gaps, {:.0} min unmeasured", probe.gaps, probe.unmeasured_min)
            } else {
                String::new()
            },
            forecast.unwrap_or_default(),
        ]);
    }
    table(&rows)
}
