//! The logbook commands: what was typed becomes one entry, checked and written in one transaction.
//!
//! In: a command's words. Out: the entry on disk, or nothing and one sentence. Several tubs in one
//! `spawn` are written together or not at all. The running daemon picks entries up by itself.

use super::args::{AmendArgs, Command, HarvestArgs, SpawnArgs, TubAt};
use super::paper;
use super::speak::{Failure, Outcome, Voice};
use super::{Site, wording};
use crate::climate::Stamp;
use crate::grow::logbook::{Deed, Entry, Known, Resolved, Spawning, check};
use crate::grow::measures::{DRY_MAX_G, FRESH_MAX_G, mass_g, volume_l};
use crate::grow::moment::{self, Moment, local_day, local_text};
use crate::grow::wrong::Wrong;

/// One entry the grower wants written.
struct Wish {
    tub: String,
    deed: Deed,
    at: Moment,
}

/// Writes the entry that `command` stands for and says what it changed.
pub fn log(site: &Site, command: &Command) -> Outcome {
    let anyway = match command {
        Command::Spawn(args) => args.anyway,
        Command::Harvest(args) => args.anyway,
        _ => false,
    };
    let known = Known { anyway, ..site.known() };
    let (ids, resolved) = write(site, &known, &wishes(command, &known)?)?;
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

/// Writes one entry that somebody other than a command wishes.
pub(super) fn enter(site: &Site, tub: &str, deed: Deed, at: Stamp) -> Outcome {
    enter_at(site, tub, deed, Moment::exact(at), false).map(|_| ())
}

/// Writes one entry, and gives its number; `anyway`: the grower insists.
pub(super) fn enter_at(site: &Site, tub: &str, deed: Deed, at: Moment, anyway: bool) -> Result<i64, Failure> {
    let known = Known { anyway, ..site.known() };
    let wish = Wish { tub: tub.to_owned(), deed, at };
    let (ids, _) = write(site, &known, &[wish])?;
    Ok(ids.first().copied().unwrap_or_default())
}

/// Checks and writes the wishes in one transaction: their ids, and what they became.
fn write(site: &Site, known: &Known, wishes: &[Wish]) -> Result<(Vec<i64>, Vec<Resolved>), Failure> {
    let mut resolved = Vec::new();
    let ids = paper::append(site, |so_far| {
        resolved = decide(so_far, known, wishes)?;
        Ok(resolved.iter().map(|one| (one.tub.clone(), one.at, one.deed.clone())).collect())
    })?;
    Ok((ids, resolved))
}

/// Checks the wishes one after the other, each against the logbook with those before it.
fn decide(so_far: &[Entry], known: &Known, wishes: &[Wish]) -> Result<Vec<Resolved>, Wrong> {
    let mut entries = so_far.to_vec();
    let mut all = Vec::with_capacity(wishes.len());
    for wish in wishes {
        let resolved = check(&entries, &wish.tub, &wish.deed, wish.at, known)?;
        let id = entries.iter().map(|entry| entry.id).max().unwrap_or(0) + 1;
        let (tub, deed) = (resolved.tub.clone(), resolved.deed.clone());
        entries.push(Entry { id, written_at: known.now, at: resolved.at, tub, deed });
        all.push(resolved);
    }
    Ok(all)
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
        Command::Note { tub, text } => one(tub, Deed::Noted { text: text.join(" ") }),
        Command::Move { tub, to } => one(tub, Deed::Moved { to: to.clone() }),
        Command::Core { tub, probe } => {
            let probe = Some(probe.clone()).filter(|probe| probe != "none");
            one(tub, Deed::Core { probe })
        }
        _ => Err(Failure::Usage("that command writes no entry".to_owned())),
    }
}

fn spawnings(args: &SpawnArgs, known: &Known) -> Result<Vec<Wish>, Failure> {
    if args.core.is_some() && args.tubs.len() > 1 {
        let sentence = "a core probe is in one tub only; spawn that one by itself, and the others with --like";
        return Err(Failure::Usage(sentence.to_owned()));
    }
    let volume = |what: &str, text: &Option<String>| text.as_deref().map(|text| volume_l(what, text)).transpose();
    let mass =
        |what: &str, text: &Option<String>| text.as_deref().map(|text| mass_g(what, text, DRY_MAX_G)).transpose();
    let at = moment::parse(&args.at, known.timezone, known.now)?;
    let spawning = Spawning {
        name: String::new(),
        culture: args.culture.clone(),
        space: args.space.clone(),
        kind: args.kind.clone(),
        core: args.core.clone(),
        like: args.like.clone(),
        grain_l: volume("--grain", &args.grain)?,
        bulk_l: volume("--bulk", &args.bulk)?,
        dry_bulk_g: mass("--dry-bulk", &args.dry_bulk)?,
        dry_grain_g: mass("--dry-grain", &args.dry_grain)?,
        run: args.run.clone(),
        strain: args.strain.clone(),
        batch: args.batch.clone(),
        position: args.position.clone(),
    };
    let wish = |name: &String| {
        let spawning = Spawning { name: name.clone(), ..spawning.clone() };
        Wish { tub: name.clone(), deed: Deed::Spawned(Box::new(spawning)), at }
    };
    Ok(args.tubs.iter().map(wish).collect())
}

fn harvest(args: &HarvestArgs) -> Result<Deed, Failure> {
    let fresh_g = mass_g("--fresh", &args.fresh, FRESH_MAX_G)?;
    let dry_g = args.dry.as_deref().map(|dry| mass_g("--dry", dry, FRESH_MAX_G)).transpose()?;
    let number = |text: &str| {
        text.parse()
            .map_err(|_| Failure::Usage(format!("--flush: \"{text}\" is no number of a flush; they count from 1")))
    };
    Ok(Deed::Harvested { fresh_g, dry_g, flush: args.flush.as_deref().map(number).transpose()? })
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
    };
    Ok(Wish { tub: String::new(), deed, at: at.unwrap_or(Moment::exact(known.now)) })
}

/// What was written, and where the tub stands now.
fn confirmation(id: i64, resolved: &Resolved, known: &Known) -> String {
    let said = wording::deed(&resolved.deed, known.timezone);
    let when = local_text(resolved.at, known.timezone);
    match &resolved.after {
        Some(tub) => format!("{}, {when}: {said}; now {} (entry {id})", tub.id, tub.stage.word()),
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
            vec![format!("Leave the lid shut. Earliest look: {earliest}; write that on the lid.")]
        }
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
