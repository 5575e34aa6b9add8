//! `tubwatch check`: what would be watched and from where, in plain words.
//!
//! In: a checked plan. Out: text for the grower. Leaves out secrets: of a URL only the host is shown.

use std::io::{self, Write};

use super::{copies, told};
use crate::climate::{Quantity, Stamp};
use crate::config::plan::{BrokerPlan, Plan, PortPlan, ProbePlan};
use crate::config::show_duration;
use crate::grow::culture::{Band, Bands, Limit, StageBands};
use crate::grow::tub::Tub;
use crate::status::clash::{Placed, clashes};
use crate::store::figures::core_at;
use crate::watch::setup::{Correction, ProbeSetup, SpaceSetup};

/// Prints what `plan` would watch, and then what is worth knowing of it and of the `tubs` there are at `now`.
///
/// # Errors
/// Whatever writing to `out` gives.
pub fn check(plan: &Plan, tubs: &[Tub], now: Stamp, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}: no fault found", plan.file.display())?;
    writeln!(out)?;
    writeln!(out, "Site {}, days and times in {}", plan.site, plan.timezone)?;
    writeln!(out, "  no tub is due before {}", show_duration(plan.setup.due_not_before_ms))?;
    writeln!(
        out,
        "  history in {}, written at least every {}",
        plan.store.folder.display(),
        show_duration(plan.store.commit_every.as_millis() as i64)
    )?;
    writeln!(out, "  {}", status(plan))?;
    sources(plan, out)?;
    probes(plan, out)?;
    spaces(plan, out)?;
    let names: Vec<&str> = plan.setup.cultures.iter().map(|culture| culture.name.as_str()).collect();
    heading(out, "Cultures", names.len())?;
    for line in wrapped(&names) {
        writeln!(out, "  {line}")?;
    }
    heading(out, "Messengers", plan.messengers.len())?;
    for messenger in &plan.messengers {
        writeln!(out, "  {}", told::messenger(plan, messenger))?;
    }
    for line in told::daily(plan) {
        writeln!(out, "  {line}")?;
    }
    let copies = copies::lines(plan);
    if !copies.is_empty() {
        writeln!(out)?;
        writeln!(out, "Backup")?;
        for line in copies {
            writeln!(out, "  {line}")?;
        }
    }
    if !plan.forwards.is_empty() {
        heading(out, "Forwarding", plan.forwards.len())?;
        for forward in &plan.forwards {
            writeln!(out, "  {}: what is stored goes to {} as well", forward.name, forward.host())?;
        }
    }
    let mut notes = notes(plan);
    let placed: Vec<Placed<'_>> = tubs
        .iter()
        .filter(|tub| tub.is_alive())
        .map(|tub| Placed {
            name: &tub.name,
            culture: &tub.culture,
            stage: tub.stage,
            space: tub.space(),
            is_from_air: core_at(tub, tubs, now).is_none(),
        })
        .collect();
    notes.extend(clashes(&plan.setup, &placed));
    if !notes.is_empty() {
        heading(out, "Worth knowing", notes.len())?;
        for note in notes {
            writeln!(out, "  - {note}")?;
        }
    }
    Ok(())
}

fn status(plan: &Plan) -> String {
    let Some(listen) = plan.status.listen else { return "no status page".to_owned() };
    let port = if listen.port() == 0 { " (0: any free port)" } else { "" };
    let who = if listen.ip().is_loopback() { "for this machine alone" } else { "for the network, with a token" };
    format!("status page on {}://{listen}/{port}, {who}", plan.status.scheme())
}

fn heading(out: &mut dyn Write, what: &str, count: usize) -> io::Result<()> {
    writeln!(out)?;
    writeln!(out, "{what} ({count})")
}

/// Words in lines of ordinary width.
fn wrapped(words: &[&str]) -> Vec<String> {
    const WIDTH: usize = 90;
    let mut lines: Vec<String> = Vec::new();
    for (position, word) in words.iter().enumerate() {
        let comma = if position + 1 < words.len() { "," } else { "" };
        match lines.last_mut() {
            Some(line) if line.len() + word.len() + 2 <= WIDTH => {
                line.push(' ');
                line.push_str(word);
                line.push_str(comma);
            }
            _ => lines.push(format!("{word}{comma}")),
        }
    }
    lines
}

fn sources(plan: &Plan, out: &mut dyn Write) -> io::Result<()> {
    heading(out, "Sources", plan.setup.sources.len())?;
    for BrokerPlan { name, host, port, tls, username, client, .. } in &plan.brokers {
        let host = if host.contains(':') { format!("[{host}]") } else { host.clone() };
        let scheme = if tls.is_some() { "mqtts" } else { "mqtt" };
        let user = username.as_ref().map_or(String::new(), |user| format!(", user {user}"));
        writeln!(out, "  {name}: broker {scheme}://{host}:{port}, client {client}{user}")?;
    }
    for PortPlan { name, device, baud, modbus, .. } in &plan.ports {
        let how = if *modbus { "asked by Modbus RTU" } else { "line by line" };
        writeln!(out, "  {name}: port {}, {baud} baud, {how}", device.display())?;
    }
    for intake in &plan.intakes {
        let who = match &intake.people {
            Some(people) => format!("{} people with a password", people.len()),
            None => "whoever is on this machine, and nobody else: it has no people_file".to_owned(),
        };
        let tls = if intake.tls.is_some() { " with TLS" } else { "" };
        writeln!(out, "  {}: intake on {}{tls}, for {who}", intake.name, intake.address)?;
    }
    for local in &plan.locals {
        writeln!(out, "  {}: this machine's own sensors under {}", local.name, local.path.display())?;
    }
    Ok(())
}

fn probes(plan: &Plan, out: &mut dyn Write) -> io::Result<()> {
    heading(out, "Probes", plan.probes.len())?;
    for (position, (probe, setup)) in plan.probes.iter().zip(&plan.setup.probes).enumerate() {
        let from = &plan.setup.sources[setup.source].name;
        let topic = probe.topic.as_ref().map_or(String::new(), |topic| format!(" on {topic}"));
        let select: Vec<String> =
            probe.recipe.select.iter().map(|(field, text)| format!("{field} is {text}")).collect();
        let select = if select.is_empty() { String::new() } else { format!(" where {}", select.join(" and ")) };
        let air = plan.setup.spaces.iter().find(|space| space.air.contains(&position));
        let air = air.map_or(String::new(), |space| format!("; air of {}", space.name));
        writeln!(
            out,
            "  {}: {} from {from}{topic}, {}{select}, every {}{air}",
            setup.name,
            read_words(setup).join(", "),
            how(probe),
            show_duration(setup.every_ms)
        )?;
        for quantity in Quantity::ALL {
            let Correction { gain, offset } = setup.correction[quantity.index()];
            if setup.correction[quantity.index()] != Correction::default() {
                writeln!(out, "    {} corrected: {gain} x raw {offset:+}", quantity.word())?;
            }
        }
    }
    Ok(())
}

/// How a probe's readings are come by.
fn how(probe: &ProbePlan) -> String {
    match &probe.registers {
        Some(registers) => {
            let requests = registers.spans().len();
            format!("unit {} asked by {requests} request{}", registers.unit, if requests == 1 { "" } else { "s" })
        }
        None if probe.device.is_some() => format!("device {}", probe.device.as_deref().unwrap_or("")),
        None => format!("as {}", probe.recipe.format.word()),
    }
}

fn read_words(setup: &ProbeSetup) -> Vec<&'static str> {
    Quantity::ALL.into_iter().filter(|quantity| setup.reads(*quantity)).map(Quantity::word).collect()
}

fn spaces(plan: &Plan, out: &mut dyn Write) -> io::Result<()> {
    heading(out, "Spaces", plan.setup.spaces.len())?;
    for space in &plan.setup.spaces {
        let air: Vec<&str> = space.air.iter().map(|probe| plan.setup.probes[*probe].name.as_str()).collect();
        let air = if air.is_empty() { "no air probe".to_owned() } else { format!("air from {}", air.join(", then ")) };
        let heated = if space.heated { ", heated" } else { "" };
        writeln!(out, "  {}: {air}{heated}; tubs in it are judged by their cultures", space.name)?;
        for (stage, bands) in stages(&space.bands) {
            for (what, unit, band) in gauges(bands) {
                if !band.is_empty() {
                    writeln!(out, "    {stage}, limits of its own: {what} {}", limits(band, unit))?;
                }
            }
        }
    }
    Ok(())
}

fn stages(bands: &Bands) -> impl Iterator<Item = (&'static str, &StageBands)> {
    let Bands { colonising, ripening, pinning, fruiting, resting } = bands;
    [
        ("colonising", colonising),
        ("ripening", ripening),
        ("pinning", pinning),
        ("fruiting", fruiting),
        ("resting", resting),
    ]
    .into_iter()
    .filter_map(|(word, bands)| Some((word, bands.as_ref()?)))
}

fn gauges(bands: &StageBands) -> [(&'static str, &'static str, &Band); 4] {
    [
        ("core-temperature", " °C", &bands.core_temperature),
        ("temperature", " °C", &bands.temperature),
        ("humidity", " %", &bands.humidity),
        ("co2", " ppm", &bands.co2),
    ]
}

/// `at least 85 % (for 45min), at most 98 %, critical from 28 °C`.
fn limits(band: &Band, unit: &str) -> String {
    let part = |word: &str, limit: Option<Limit>| {
        let Limit { value, on_delay_ms, off_delay_ms, deadband } = limit?;
        let patience: Vec<String> = [
            on_delay_ms.map(|ms| format!("told after {}", show_duration(ms))),
            off_delay_ms.map(|ms| format!("over after {}", show_duration(ms))),
            deadband.map(|back| format!("when {back} back")),
        ]
        .into_iter()
        .flatten()
        .collect();
        let patience = if patience.is_empty() { String::new() } else { format!(" ({})", patience.join(", ")) };
        Some(format!("{word} {value}{unit}{patience}"))
    };
    [part("at least", band.low), part("at most", band.high), part("critical from", band.critical_high)]
        .into_iter()
        .flatten()
        .collect::<Vec<_>>()
        .join(", ")
}

fn notes(plan: &Plan) -> Vec<String> {
    let mut notes = Vec::new();
    told::notes(plan, &mut notes);
    copies::notes(plan, &mut notes);
    if plan.status.listen.is_none() {
        notes.push(
            "No [status]: nothing listens, so there is no page, no /status.json, no /metrics and no /health."
                .to_owned(),
        );
    }
    if plan.status.tls.is_some() && plan.status.address.as_ref().is_some_and(|address| address.starts_with("http:")) {
        notes.push(
            "The status page speaks TLS, but [status] address begins with http://: links in messages will not open."
                .to_owned(),
        );
    }
    if plan.setup.sources.is_empty() {
        notes.push("No broker and no port: nothing can arrive.".to_owned());
    } else if plan.probes.is_empty() {
        notes.push("No probe: nothing is measured, and only the sources themselves are watched.".to_owned());
    }
    for (position, source) in plan.setup.sources.iter().enumerate() {
        if !plan.probes.is_empty() && plan.probes.iter().all(|probe| probe.source != position) {
            notes.push(format!("No probe comes from the {} {}.", source.kind, source.name));
        }
    }
    if plan.setup.spaces.is_empty() {
        notes.push(
            "No space: no air is judged, and no tub can be placed; probes are stored and held to reporting.".to_owned(),
        );
    }
    for space in &plan.setup.spaces {
        space_notes(plan, space, &mut notes);
    }
    notes
}

fn space_notes(plan: &Plan, space: &SpaceSetup, notes: &mut Vec<String>) {
    let name = &space.name;
    let read = |quantity: Quantity| space.air.iter().any(|probe| plan.setup.probes[*probe].reads(quantity));
    if space.air.is_empty() {
        notes.push(format!("No probe measures the air of {name}: only the cores of its tubs are watched."));
    } else if !read(Quantity::Temperature) {
        notes.push(format!("No probe reads the air temperature of {name}."));
    }
    let named = |pick: fn(&StageBands) -> &Band| stages(&space.bands).any(|(_, bands)| !pick(bands).is_empty());
    for (quantity, limited) in [
        (Quantity::Temperature, named(|bands| &bands.temperature)),
        (Quantity::Humidity, named(|bands| &bands.humidity)),
        (Quantity::Co2, named(|bands| &bands.co2)),
    ] {
        if limited && !read(quantity) {
            notes.push(format!("{name} has limits for {}, but no probe of its air reads it.", quantity.word()));
        }
    }
}
