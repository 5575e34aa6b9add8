//! Whether an entry may be written, decided before it is.
//!
//! In: the logbook so far, what the grower typed, and what the config knows. Out: the entry with
//! its tub, time and names resolved, or one sentence with the nearest valid choice. An entry is
//! allowed when the fold takes it and no other line stops fitting because of it: checking and
//! folding cannot disagree. Left out: reading masses (`measures`) and times (`moment`).

use chrono_tz::Tz;

use super::amend;
use super::changes::Changes;
use super::fold::{Book, Oddity, fold};
use super::heat_check;
use super::logbook::{Deed, Entry, Spawning};
use super::measures::FRESH_MAX_G;
use super::moment::{Moment, local_day, local_text};
use super::tub::{Kind, Tub};
use super::wrong::{Wrong, unknown};
use super::yields::{BELIEVABLE_PCT, Filling, biological_efficiency_pct};
use crate::climate::{Stamp, stamp::MINUTE_MS};

/// How far ahead of the clock a typed time may be: a watch read generously.
const FUTURE_TOLERANCE_MS: i64 = 2 * MINUTE_MS;
/// The longest name of a tub: it must fit a label and a path.
const NAME_CHARS_MAX: usize = 32;
/// The longest free text of one entry.
const TEXT_CHARS_MAX: usize = 2_000;
/// The highest number of a flush; more is a slip of the finger.
const FLUSH_MAX: u32 = 30;
/// More grain than so many times the bulk is a slip.
const SWAPPED_FROM: f64 = 2.0;
/// Why a tub may end.
pub const REASONS: [&str; 3] = ["contaminated", "spent", "other"];

/// What the config knows that entries may name.
#[derive(Clone, Debug)]
pub struct Known {
    /// The machine's clock.
    pub now: Stamp,
    /// The site's zone.
    pub timezone: Tz,
    /// Names of the cultures.
    pub cultures: Vec<String>,
    /// Names of the spaces.
    pub spaces: Vec<String>,
    /// The probes.
    pub probes: Vec<KnownProbe>,
    /// The grower insists (`--anyway`): what a grower may know better is let through.
    pub anyway: bool,
}

/// A probe that an entry may name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KnownProbe {
    /// Its name.
    pub name: String,
    /// It reads a temperature.
    pub reads_temperature: bool,
    /// It reads a humidity: heat and steam ruin its element.
    pub reads_humidity: bool,
    /// The space whose air it measures.
    pub air_of: Option<String>,
}

/// An entry that may be written.
#[derive(Clone, Debug, PartialEq)]
pub struct Resolved {
    /// The filling's id; that of the amended entry's tub for an amendment.
    pub tub: String,
    /// When it happened.
    pub at: Stamp,
    /// The deed with its names resolved (`--like` to a filling's id).
    pub deed: Deed,
    /// The tub once the entry is written; none if it voids the spawning.
    pub after: Option<Tub>,
    /// Stages that a harvest implies because they were not logged: `colonised`, `opened`.
    pub implied: Vec<&'static str>,
    /// Other lines that no longer fit after an amendment.
    pub oddities: Vec<Oddity>,
}

/// Checks one entry. `tub` is the word typed for the tub (a name to be given, for a spawning;
/// not heeded for an amendment); `at` is when it happened (for an amendment the new time, heeded
/// where the deed has one).
///
/// # Errors
/// [`Wrong::Word`] for a word or measure that means nothing, [`Wrong::Forbidden`] for what the
/// logbook does not allow.
pub fn check(entries: &[Entry], tub: &str, deed: &Deed, at: Moment, known: &Known) -> Result<Resolved, Wrong> {
    if at.at > known.now.plus(FUTURE_TOLERANCE_MS) {
        let when = local_text(at.at, known.timezone);
        return Err(Wrong::Word(format!("{when} is still to come; the logbook takes what has happened")));
    }
    let book = fold(entries, known.timezone);
    match deed {
        Deed::Spawned(spawning) => check_spawning(entries, &book, tub, spawning, at, known),
        Deed::HeatBegan(start) => heat_check::began(entries, &book, start, at, known),
        Deed::HeatEnded { run } => heat_check::ended(entries, &book, run, at, known),
        Deed::Amended { .. } => check_amendment(entries, &book, deed, at, known),
        _ => check_deed(entries, &book, tub, deed, at, known),
    }
}

fn check_spawning(
    entries: &[Entry],
    book: &Book,
    name: &str,
    spawning: &Spawning,
    at: Moment,
    known: &Known,
) -> Result<Resolved, Wrong> {
    name_is_sound("tub", name)?;
    if let Some(earlier) = book.tubs.iter().rfind(|tub| tub.name == name) {
        let say = |at| local_text(at, known.timezone);
        match earlier.ended_at {
            None => {
                let since = say(earlier.spawned_at);
                return Err(Wrong::Forbidden(format!(
                    "tub {name} is still alive, spawned on {since}; discard it first, or choose another name"
                )));
            }
            Some(ended) if at.at < ended && !at.whole_day => {
                return Err(Wrong::Forbidden(format!(
                    "tub {name} was in use until {}; it can be spawned after that",
                    say(ended)
                )));
            }
            Some(_) => {}
        }
    }
    let mut spawning = spawning.clone();
    name.clone_into(&mut spawning.name);
    one_of("culture", &spawning.culture, &known.cultures)?;
    one_of("space", &spawning.space, &known.spaces)?;
    if Kind::from_word(&spawning.kind).is_none() {
        return Err(Wrong::Word(unknown("kind of container", &spawning.kind, Kind::ALL.map(Kind::word))));
    }
    for text in [&spawning.run, &spawning.strain, &spawning.batch, &spawning.position].into_iter().flatten() {
        text_is_sound(text)?;
    }
    if !known.anyway {
        volumes_are_possible(&spawning)?;
        spawning.run.as_ref().map_or(Ok(()), |run| heat_check::known_run(book, run))?;
    }
    if let Some(probe) = &spawning.core {
        can_be_core(probe, known)?;
    }
    if let Some(like) = &spawning.like {
        spawning.like = Some(stand_in(book, like)?);
    }
    let at = after_that_day(at, known, book.tubs.iter().filter(|tub| tub.name == name).filter_map(|tub| tub.ended_at));
    let day = local_day(at, known.timezone);
    let plain = format!("{name}-{day}");
    let taken = |id: &str| book.tubs.iter().any(|tub| tub.id == id);
    let id = if taken(&plain) {
        // There are no more fillings than tubs, so a free number is found.
        (2..).map(|number| format!("{plain}-{number}")).find(|id| !taken(id)).unwrap_or(plain)
    } else {
        plain
    };
    settle(entries, book, id, at, Deed::Spawned(Box::new(spawning)), known)
}

fn check_deed(
    entries: &[Entry],
    book: &Book,
    word: &str,
    deed: &Deed,
    at: Moment,
    known: &Known,
) -> Result<Resolved, Wrong> {
    let tub = find(book, word)?;
    match deed {
        Deed::Opened { to: Some(space) } | Deed::Moved { to: space } => one_of("space", space, &known.spaces)?,
        Deed::Core { probe: Some(probe) } => can_be_core(probe, known)?,
        Deed::Discarded { because } if !REASONS.contains(&because.as_str()) => {
            return Err(Wrong::Word(unknown("reason", because, REASONS)));
        }
        Deed::Harvested { fresh_g, dry_g, flush } => {
            masses_are_possible(*fresh_g, *dry_g)?;
            if !known.anyway {
                yield_is_believable(tub, *fresh_g)?;
            }
            if let Some(flush) = flush {
                flush_is_possible(book, tub, *flush)?;
            }
        }
        Deed::Suspected { what, place } => {
            for text in [what, place].into_iter().flatten() {
                text_is_sound(text)?;
            }
        }
        Deed::Noted { text } | Deed::Photographed { text: Some(text), .. } => text_is_sound(text)?,
        _ => {}
    }
    let logged = book.log(&tub.id);
    let same_tub = logged.iter().filter(|line| line.void_by.is_none()).filter(|line| is_event(&line.entry.deed));
    let at = after_that_day(at, known, same_tub.map(|line| line.entry.at));
    // A watch shows minutes: the minute of the spawning is not before it.
    let same_minute = local_text(at, known.timezone) == local_text(tub.spawned_at, known.timezone);
    let at = if same_minute { at.max(tub.spawned_at) } else { at };
    let earlier = |other: &&Tub| other.name == tub.name && other.spawned_at <= at;
    if at < tub.spawned_at
        && let Some(earlier) = book.tubs.iter().rfind(earlier)
    {
        let spawned = local_text(tub.spawned_at, known.timezone);
        return Err(Wrong::Forbidden(format!(
            "tub {} was spawned on {spawned}; if the filling before it is meant, name it {}",
            tub.name, earlier.id
        )));
    }
    settle(entries, book, tub.id.clone(), at, deed.clone(), known)
}

fn check_amendment(entries: &[Entry], book: &Book, deed: &Deed, at: Moment, known: &Known) -> Result<Resolved, Wrong> {
    let Deed::Amended { entry: target, void, at_ms, fresh_g, dry_g, text, more } = deed else {
        return Err(Wrong::Word("that is no amendment".to_owned()));
    };
    let Some(line) = book.lines.iter().find(|line| line.entry.id == *target) else {
        let latest = entries.iter().map(|entry| entry.id).max();
        let choice = latest.map_or("the logbook is empty".to_owned(), |latest| format!("the latest is {latest}"));
        return Err(Wrong::Word(format!("there is no entry {target}; {choice}")));
    };
    let Some(root) =
        amend::root(entries, *target).filter(|root| !root.deed.is_wish() && !matches!(root.deed, Deed::Renamed(_)))
    else {
        return Err(Wrong::Forbidden(format!("entry {target} is no line about a tub; it cannot be amended")));
    };
    if let Some(by) = line.void_by {
        return Err(Wrong::Forbidden(format!("entry {target} is void; to bring it back: tubwatch amend {by} --void")));
    }
    if !void && at_ms.is_none() && fresh_g.is_none() && dry_g.is_none() && text.is_none() && more.is_empty() {
        return Err(Wrong::Word(
            "say what to change: --at, --fresh, --dry, --text, --culture and so on, or --void".to_owned(),
        ));
    }
    let misfit = amend::misfit(&root.deed, fresh_g.is_some(), dry_g.is_some(), text.is_some());
    if let Some(why) = misfit.or_else(|| more.misfit(&root.deed)) {
        return Err(Wrong::Word(format!("entry {target} says {}: {why}", root.deed.word())));
    }
    if let Some(text) = text {
        text_is_sound(text)?;
    }
    changes_are_possible(book, &root.tub, more, known)?;
    let standing = book.lines.iter().find(|line| line.entry.id == root.id).map(|line| &line.entry.deed);
    if let Some(Deed::Harvested { fresh_g: fresh, dry_g: dry, .. }) = standing
        && !void
    {
        masses_are_possible(fresh_g.unwrap_or(*fresh), dry_g.or(*dry))?;
    }
    let mut deed = deed.clone();
    if let Deed::Amended { at_ms: Some(at_ms), .. } = &mut deed {
        let spawned = book.tubs.iter().filter(|tub| tub.id == root.tub && !matches!(root.deed, Deed::Spawned(_)));
        *at_ms = after_that_day(at, known, spawned.map(|tub| tub.spawned_at)).0;
    }
    let settled = settle(entries, book, root.tub.clone(), known.now, deed, known)?;
    if let Some(after) = settled.after.as_ref().filter(|_| !known.anyway) {
        let before = book.tubs.iter().find(|tub| tub.id == after.id).and_then(|tub| efficiency_pct(tub, 0.0));
        if let Some(pct) = efficiency_pct(after, 0.0).filter(|pct| before.is_none_or(|before| *pct > before)) {
            is_believable(pct, "that", "masses", after)?;
        }
    }
    Ok(settled)
}

/// The words and numbers that an amendment names.
fn changes_are_possible(book: &Book, tub: &str, more: &Changes, known: &Known) -> Result<(), Wrong> {
    if let Some(culture) = &more.culture {
        one_of("culture", culture, &known.cultures)?;
    }
    if let Some(kind) = more.kind.as_deref().filter(|kind| Kind::from_word(kind).is_none()) {
        return Err(Wrong::Word(unknown("kind of container", kind, Kind::ALL.map(Kind::word))));
    }
    for text in [&more.strain, &more.batch, &more.position].into_iter().flatten() {
        text_is_sound(text)?;
    }
    if let Some(run) = &more.run
        && !known.anyway
    {
        heat_check::known_run(book, run)?;
    }
    if let (Some(flush), Some(tub)) = (more.flush, book.tubs.iter().find(|known| known.id == tub)) {
        flush_is_possible(book, tub, flush)?;
    }
    match &more.because {
        Some(because) if !REASONS.contains(&because.as_str()) => Err(Wrong::Word(unknown("reason", because, REASONS))),
        _ => Ok(()),
    }
}

/// Folds the logbook with the new entry in it, and compares.
pub(super) fn settle(
    entries: &[Entry],
    book: &Book,
    tub: String,
    at: Stamp,
    deed: Deed,
    known: &Known,
) -> Result<Resolved, Wrong> {
    let id = entries.iter().map(|entry| entry.id).max().unwrap_or(0) + 1;
    let entry = Entry { id, written_at: known.now, at, tub: tub.clone(), deed: deed.clone() };
    let with: Vec<Entry> = entries.iter().cloned().chain([entry]).collect();
    let after = fold(&with, known.timezone);
    let odd_before = book.oddities();
    let mut fresh: Vec<Oddity> = after.oddities();
    fresh.retain(|oddity| odd_before.iter().all(|before| before.entry != oddity.entry));
    let amended = match deed {
        Deed::Amended { .. } => amend::root(&with, id).map(|root| root.id),
        _ => None,
    };
    if let Some(own) = fresh.iter().find(|oddity| oddity.entry == id || Some(oddity.entry) == amended) {
        return Err(Wrong::Forbidden(own.why.clone()));
    }
    if amended.is_none()
        && let Some(other) = fresh.first()
    {
        return Err(Wrong::Forbidden(format!(
            "entry {} would no longer fit ({}); amend that one first",
            other.entry, other.why
        )));
    }
    let before = book.tubs.iter().find(|tub_before| tub_before.id == tub);
    let after = after.tubs.into_iter().find(|tub_after| tub_after.id == tub);
    let mut implied = Vec::new();
    if let (Deed::Harvested { .. }, Some(before), Some(after)) = (&deed, before, &after) {
        if before.colonised_at.is_none() && after.colonised_at.is_some() {
            implied.push("colonised");
        }
        if before.opened_at.is_none() && after.opened_at.is_some() {
            implied.push("opened");
        }
    }
    Ok(Resolved { tub, at, deed, after, implied, oddities: fresh })
}

/// The tub meant by `word`.
///
/// # Errors
/// [`Wrong::Word`] naming the nearest tub, living ones first.
pub fn find<'a>(book: &'a Book, word: &str) -> Result<&'a Tub, Wrong> {
    book.find(word).ok_or_else(|| {
        let mut names: Vec<&str> = book.tubs.iter().filter(|tub| tub.is_alive()).map(|tub| tub.name.as_str()).collect();
        if names.is_empty() {
            names = book.tubs.iter().map(|tub| tub.name.as_str()).collect();
            names.dedup();
        }
        if names.is_empty() {
            return Wrong::Word(format!(
                "no tub is called \"{word}\"; there is none yet, begin one with tubwatch spawn"
            ));
        }
        Wrong::Word(unknown("tub", word, names))
    })
}

/// For a day without a time: its first minute, but not before what is logged on that day already.
fn after_that_day(at: Moment, known: &Known, logged: impl Iterator<Item = Stamp>) -> Stamp {
    if !at.whole_day {
        return at.at;
    }
    let day = local_day(at.at, known.timezone);
    logged.filter(|logged| local_day(*logged, known.timezone) == day).fold(at.at, Stamp::max)
}

/// Something that happened to the tub at its own time.
fn is_event(deed: &Deed) -> bool {
    !deed.is_wish() && !deed.is_remark() && !matches!(deed, Deed::Amended { .. })
}

fn one_of(what: &str, word: &str, choices: &[String]) -> Result<(), Wrong> {
    if choices.iter().any(|choice| choice == word) {
        return Ok(());
    }
    Err(Wrong::Word(unknown(what, word, choices.iter().map(String::as_str))))
}

pub(super) fn can_be_core(name: &str, known: &Known) -> Result<(), Wrong> {
    let Some(probe) = known.probes.iter().find(|probe| probe.name == name) else {
        return Err(Wrong::Word(unknown("probe", name, known.probes.iter().map(|probe| probe.name.as_str()))));
    };
    if !probe.reads_temperature {
        return Err(Wrong::Word(format!("probe {name} reads no temperature; a core probe must")));
    }
    match &probe.air_of {
        Some(space) => {
            Err(Wrong::Word(format!("probe {name} measures the air of {space}; it cannot be in substrate too")))
        }
        None => Ok(()),
    }
}

fn stand_in(book: &Book, word: &str) -> Result<String, Wrong> {
    let like = find(book, word)?;
    if !like.is_alive() {
        return Err(Wrong::Forbidden(format!("tub {} has ended; its core cannot stand in", like.name)));
    }
    if like.core().is_none() {
        return Err(Wrong::Forbidden(format!("tub {} has no core probe that could stand in", like.name)));
    }
    Ok(like.id.clone())
}

fn masses_are_possible(fresh_g: f64, dry_g: Option<f64>) -> Result<(), Wrong> {
    if !(fresh_g > 0.0 && fresh_g <= FRESH_MAX_G) {
        return Err(Wrong::Word(format!("{fresh_g} g fresh cannot be; one picking is over 0 and at most 50 kg")));
    }
    match dry_g {
        Some(dry_g) if !(dry_g > 0.0 && dry_g <= fresh_g) => Err(Wrong::Word(format!(
            "{dry_g} g dry of {fresh_g} g fresh cannot be; dried mushrooms weigh something, and less than fresh ones"
        ))),
        _ => Ok(()),
    }
}

/// A picking that would bring the tub beyond any yield that was published is a slip of the finger.
fn yield_is_believable(tub: &Tub, fresh_g: f64) -> Result<(), Wrong> {
    efficiency_pct(tub, fresh_g).map_or(Ok(()), |pct| is_believable(pct, &format!("{fresh_g} g"), "mass", tub))
}

/// With `more_g` picked beside what was.
fn efficiency_pct(tub: &Tub, more_g: f64) -> Option<f64> {
    let so_far: f64 = tub.harvests.iter().map(|harvest| harvest.fresh_g).sum();
    Filling::of(tub).dry_mass().and_then(|dry| biological_efficiency_pct(so_far + more_g, dry))
}

fn is_believable(pct: f64, what: &str, to_check: &str, tub: &Tub) -> Result<(), Wrong> {
    if pct <= BELIEVABLE_PCT {
        return Ok(());
    }
    Err(Wrong::Forbidden(format!(
        "{what} would bring tub {} to a biological efficiency of {pct:.0} %, beyond any published; check the {to_check}, or say --anyway",
        tub.name
    )))
}

/// Spawn is mixed into bulk, one part to one to five (common practice, no source).
fn volumes_are_possible(spawning: &Spawning) -> Result<(), Wrong> {
    match (spawning.grain_l, spawning.bulk_l) {
        (Some(grain_l), Some(bulk_l)) if grain_l > SWAPPED_FROM * bulk_l => Err(Wrong::Forbidden(format!(
            "{grain_l} L of grain in {bulk_l} L of bulk looks swapped; if it is right, say --anyway"
        ))),
        _ => Ok(()),
    }
}

fn flush_is_possible(book: &Book, tub: &Tub, flush: u32) -> Result<(), Wrong> {
    if flush == 0 || flush > FLUSH_MAX {
        return Err(Wrong::Word(format!("flush {flush} cannot be; flushes are numbered from 1 to {FLUSH_MAX}")));
    }
    let place = book.tubs.iter().position(|other| other.id == tub.id);
    let under_way = place.and_then(|place| book.flushes.get(place)).copied().unwrap_or(1);
    // A logbook begun late may start with any flush; afterwards none is left out.
    if !tub.harvests.is_empty() && flush > under_way + 1 {
        return Err(Wrong::Forbidden(format!(
            "flush {flush} of tub {} would leave flushes out; the one under way is {under_way}",
            tub.name
        )));
    }
    Ok(())
}

pub(super) fn name_is_sound(what: &str, name: &str) -> Result<(), Wrong> {
    let letters = name.chars().all(|letter| letter.is_alphanumeric() || "-_.".contains(letter));
    let starts = name.chars().next().is_some_and(char::is_alphanumeric);
    if !letters || !starts || name.chars().count() > NAME_CHARS_MAX {
        return Err(Wrong::Word(format!(
            "\"{name}\" cannot be a {what}'s name; use up to {NAME_CHARS_MAX} letters, digits, - _ and ., beginning with a letter or digit"
        )));
    }
    // Else a name could be mistaken for a filling's id, or for "no probe".
    let dated = name.match_indices('-').any(|(place, _)| {
        name.get(place + 1..place + 11).is_some_and(|day| chrono::NaiveDate::parse_from_str(day, "%Y-%m-%d").is_ok())
    });
    if dated {
        return Err(Wrong::Word(format!("\"{name}\" cannot be a {what}'s name; the date is added to it by itself")));
    }
    Ok(())
}

fn text_is_sound(text: &str) -> Result<(), Wrong> {
    if text.trim().is_empty() {
        return Err(Wrong::Word("the text is empty; say what you saw".to_owned()));
    }
    if text.chars().count() > TEXT_CHARS_MAX {
        return Err(Wrong::Word(format!("the text is longer than {TEXT_CHARS_MAX} letters; make it two entries")));
    }
    Ok(())
}
