//! The logbook commands: what was typed becomes one entry, checked and written in one transaction.
//!
//! In: a command's words. Out: the entry on disk, or nothing and one sentence. Several tubs in one
//! `spawn` are written together or not at all. The running daemon picks entries up by itself.

use super::args::{AmendArgs, Command, FillingArgs, HarvestArgs, SpawnArgs, TubAt};
use super::enter::{Wish, enter_all};
use super::speak::{Failure, Outcome, Voice};
use super::{Site, beside, paper, pasteurise, wording};
use crate::grow::logbook::{Changes, Deed, Known, Resolved, Spawning};
use crate::grow::measures::{DRY_MAX_G, FRESH_MAX_G, mass_g, volume_l};
use crate::grow::moment::{self, Moment, local_day, local_text};
use crate::grow::self_heating::Hump;
use crate::grow::several;
use crate::grow::wrong::Wrong;

/// Writes the entry that `command` stands for and says what it changed.
pub fn log(site: &Site, command: &Command) -> Outcome {
    let anyway = match command {
        Command::Spawn(args) => args.anyway,
        Command::Harvest(args) => args.anyway,
        Command::Amend(args) => args.anyway,
        _ => false,
    };
    let known = Known { anyway, ..site.known() };
    let (ids, resolved) = enter_all(site, &known, &wishes(command, &known)?)?;
    let mut voice = Voice::new();
    for (id, resolved) in ids.into_iter().zip(&resolved) {
        voice.say(confirmation(id, resolved, &known))?;
        for line in beside(resolved) {
            voice.say(line)?;
        }
    }
    for line in resolved.first().map(|resolved| cautions(site, resolved)).unwrap_or_default() {
        voice.say(line)?;
    }
    Ok(())
}

/// The entries a command stands for; one, except where several tubs are spawned.
fn wishes(command: &Command, known: &Known) -> Result<Vec<Wish>, Failure> {
    let one = |tub: &TubAt, deed: Deed| {
        Ok(vec![Wish { tub: tub.tub.clone(), deed, at: moment::parse(&tub.at, known.timezone, known.now)? }])
    };
    match command {
        Command::Spawn(args) => spawnings(args, known),
        Command::Amend(args) => amendment(args, known).map(|wish| vec![wish]),
        Command::Harvest(args) => one(&args.tub, harvest(args)?),
        Command::Looked(tub) => one(tub, Deed::Looked),
        Command::Colonised(tub) => one(tub, Deed::Colonised),
        Command::Open { tub, to } => one(tub, Deed::Opened { to: to.clone() }),
        Command::Close(tub) => one(tub, Deed::Closed),
        Command::Cased(tub) => one(tub, Deed::Cased),
        Command::Pins(tub) => one(tub, Deed::Pins),
        Command::Rest(tub) => one(tub, Deed::Rested),
        Command::Soaked(tub) => one(tub, Deed::Soaked),
        Command::Suspect { tub, what, place } => one(tub, Deed::Suspected { what: what.clone(), place: place.clone() }),
        Command::Discard { tub, because } => one(tub, Deed::Discarded { because: because.clone() }),
        Command::Note { tub, text, photo: None } => one(tub, Deed::Noted { text: text.join(" ") }),
        Command::Note { tub, text, photo: Some(photo) } => {
            let file = std::fs::canonicalize(photo)
                .map_err(|why| Failure::Failed(format!("the photo {} cannot be found: {why}", photo.display())))?;
            let text = Some(text.join(" ")).filter(|text| !text.is_empty());
            one(tub, Deed::Photographed { file: file.display().to_string(), text })
        }
        Command::Move { tub, to } => one(tub, Deed::Moved { to: to.clone() }),
        Command::Core { tub, probe } => {
            let probe = Some(probe.clone()).filter(|probe| probe != "none");
            one(tub, Deed::Core { probe })
        }
        _ => Err(Failure::Usage("that command writes no entry".to_owned())),
    }
}

fn spawnings(args: &SpawnArgs, known: &Known) -> Result<Vec<Wish>, Failure> {
    let names = several::names(&args.tubs)?;
    if args.core.is_some() && names.len() > 1 {
        let sentence = "a core probe is in one tub only; spawn that one by itself, and the others with --like";
        return Err(Failure::Usage(sentence.to_owned()));
    }
    let at = moment::parse(&args.at, known.timezone, known.now)?;
    let [grain_l, bulk_l, dry_bulk_g, dry_grain_g] = amounts(&args.filling)?;
    let spawning = Spawning {
        name: String::new(),
        culture: args.culture.clone(),
        space: args.space.clone(),
        kind: args.kind.clone(),
        core: args.core.clone(),
        like: args.like.clone(),
        grain_l,
        bulk_l,
        dry_bulk_g,
        dry_grain_g,
        run: args.filling.run.clone(),
        strain: args.filling.strain.clone(),
        batch: args.filling.batch.clone(),
        position: args.filling.position.clone(),
    };
    let wish = |name: &String| {
        let spawning = Spawning { name: name.clone(), ..spawning.clone() };
        Wish { tub: name.clone(), deed: Deed::Spawned(Box::new(spawning)), at }
    };
    Ok(names.iter().map(wish).collect())
}

fn harvest(args: &HarvestArgs) -> Result<Deed, Failure> {
    let fresh_g = mass_g("--fresh", &args.fresh, FRESH_MAX_G)?;
    let dry_g = args.dry.as_deref().map(|dry| mass_g("--dry", dry, FRESH_MAX_G)).transpose()?;
    Ok(Deed::Harvested { fresh_g, dry_g, flush: flush(args.flush.as_deref())? })
}

fn flush(text: Option<&str>) -> Result<Option<u32>, Failure> {
    let number = |text: &str| {
        text.parse()
            .map_err(|_| Failure::Usage(format!("--flush: \"{text}\" is no number of a flush; they count from 1")))
    };
    text.map(number).transpose()
}

/// Litres of grain and of bulk, grams of dry bulk and of dry grain.
fn amounts(filling: &FillingArgs) -> Result<[Option<f64>; 4], Wrong> {
    let volume = |what, text: &Option<String>| text.as_deref().map(|text| volume_l(what, text)).transpose();
    let mass = |what, text: &Option<String>| text.as_deref().map(|text| mass_g(what, text, DRY_MAX_G)).transpose();
    Ok([
        volume("--grain", &filling.grain)?,
        volume("--bulk", &filling.bulk)?,
        mass("--dry-bulk", &filling.dry_bulk)?,
        mass("--dry-grain", &filling.dry_grain)?,
    ])
}

fn changes(args: &AmendArgs) -> Result<Changes, Failure> {
    let [grain_l, bulk_l, dry_bulk_g, dry_grain_g] = amounts(&args.filling)?;
    Ok(Changes {
        culture: args.culture.clone(),
        kind: args.kind.clone(),
        grain_l,
        bulk_l,
        dry_bulk_g,
        dry_grain_g,
        run: args.filling.run.clone(),
        strain: args.filling.strain.clone(),
        batch: args.filling.batch.clone(),
        position: args.filling.position.clone(),
        flush: flush(args.flush.as_deref())?,
        because: args.because.clone(),
    })
}

fn amendment(args: &AmendArgs, known: &Known) -> Result<Wish, Failure> {
    let entry: i64 = args.entry.parse().map_err(|_| {
        Failure::Usage(format!("\"{}\" is no number of an entry; tubwatch show TUB prints them", args.entry))
    })?;
    let at = args.at.as_deref().map(|at| moment::parse(at, known.timezone, known.now)).transpose()?;
    let mass = |what, text: &Option<String>| text.as_deref().map(|text| mass_g(what, text, FRESH_MAX_G)).transpose();
    let deed = Deed::Amended {
        entry,
        void: args.void,
        at_ms: at.map(|at| at.at.0),
        fresh_g: mass("--fresh", &args.fresh)?,
        dry_g: mass("--dry", &args.dry)?,
        text: args.text.clone(),
        more: Box::new(changes(args)?),
    };
    Ok(Wish { tub: String::new(), deed, at: at.unwrap_or(Moment::exact(known.now)) })
}

/// What was written, and where the tub stands now.
fn confirmation(id: i64, resolved: &Resolved, known: &Known) -> String {
    let said = wording::deed(&resolved.deed, known.timezone);
    let when = local_text(resolved.at, known.timezone);
    match &resolved.after {
        Some(tub) => format!("{}, {when}: {said}; now {} (entry {id})", tub.id, tub.stage.word()),
        None if resolved.tub.is_empty() => format!("{when}: {said} (entry {id})"),
        None => format!("{}, {when}: {said} (entry {id})", resolved.tub),
    }
}

/// What else follows from the entry.
fn beside(resolved: &Resolved) -> Vec<String> {
    let mut lines = Vec::new();
    if !resolved.implied.is_empty() {
        lines.push(format!(
            "Taken as {} too, since that was not logged; if you know when it was, log it with --at.",
            resolved.implied.join(" and ")
        ));
    }
    for oddity in &resolved.oddities {
        lines.push(format!("Entry {} no longer fits and is passed over: {}.", oddity.entry, oddity.why));
    }
    lines
}

/// What the grower should mind now, in a line or two.
fn cautions(site: &Site, resolved: &Resolved) -> Vec<String> {
    let contaminated = [
        "Keep it closed and do not sniff at it: mask on, carry it outside, then wash hands and tools.",
        "People with asthma or a weak immune system stay away.",
    ];
    let lines: Vec<String> = match &resolved.deed {
        Deed::Spawned(_) => {
            let earliest = local_day(resolved.at.plus(site.plan.setup.due_not_before_ms), site.plan.timezone);
            let mut lines = vec![format!("Leave the lid shut. Earliest look: {earliest}; write that on the lid.")];
            lines.extend(substrate(site, resolved).unwrap_or_default());
            lines
        }
        Deed::Opened { .. } => hump(site, resolved).unwrap_or_default(),
        Deed::Harvested { .. } => vec![
            "Pick before the caps drop spores, wear a mask, vent the room.".to_owned(),
            "Never eat a mushroom you cannot identify for certain; cook what you eat.".to_owned(),
        ],
        Deed::Suspected { .. } => contaminated.map(str::to_owned).to_vec(),
        Deed::Discarded { because } if because == "contaminated" => contaminated.map(str::to_owned).to_vec(),
        _ => Vec::new(),
    };
    lines
}

/// What its heat run says against spawning from it. A store that cannot be read says nothing here: the
/// entry is written, and `heat-runs` tells.
fn substrate(site: &Site, resolved: &Resolved) -> Option<Vec<String>> {
    let name = resolved.after.as_ref()?.heat_run.as_ref()?;
    let reader = paper::reader(site).ok()?;
    let run = pasteurise::runs(site, &reader).ok()?.into_iter().find(|run| run.name == *name)?;
    let report = pasteurise::followed(site, &reader, &run).ok()?;
    let mut lines =
        vec![format!("Substrate of heat run {name}: {}.", pasteurise::summary(&run, &report, site.plan.setup.show))];
    lines.extend(pasteurise::verdict_lines(&report).into_iter().map(str::to_owned));
    if report.cool_at.is_none() && run.is_open() {
        lines.push(format!(
            "It has not been seen below {}: too hot a substrate kills the spawn.",
            site.plan.setup.show.say_set(run.plan.spawn_below_c())
        ));
    }
    Some(lines)
}

/// A tub that still heats itself is opened too early.
fn hump(site: &Site, resolved: &Resolved) -> Option<Vec<String>> {
    let tub = resolved.after.as_ref()?;
    let reader = paper::reader(site).ok()?;
    let heating = beside::heating(site, &reader, tub, resolved.at).ok()??;
    let (last_day_c, show) = (heating.last_day_c?, site.plan.setup.show);
    matches!(heating.hump, Hump::Rising | Hump::Falling).then(|| {
        vec![format!(
            "Its hump of self-heating is not over yet: over the last day its core was {:+.1} {} over air. \
             It may be opened too early; tubwatch close {} if you look and it is not white.",
            show.step(last_day_c),
            show.unit(),
            tub.name
        )]
    })
}
