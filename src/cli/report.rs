//! `report` and `label`: pages and stickers made from what is stored.
//!
//! In: tubs by name. Out: one file, written whole beside its place and then given its name. Left out: what
//! stands in it (`records`).

use std::path::Path;

use super::args::ReportArgs;
use super::paper;
use super::speak::{Failure, Outcome, Voice};
use super::{Site, beside};
use crate::grow::check::find;
use crate::grow::due::due_window;
use crate::grow::logbook::{Book, fold};
use crate::grow::tub::{Stage, Tub};
use crate::grow::wrong::unknown;
use crate::records::{self, Desk};
use crate::store::figures;

/// Writes a report.
pub fn report(site: &Site, args: &ReportArgs) -> Outcome {
    let reader = paper::reader(site)?;
    let book = fold(&reader.entries().map_err(Failure::failed)?, site.plan.timezone);
    let desk = Desk {
        reader: &reader,
        setup: &site.plan.setup,
        book: &book,
        site: &site.plan.site,
        timezone: site.plan.timezone,
        now: site.now,
    };
    let page = match (&args.tub, &args.compare) {
        (Some(word), _) => records::report(&desk, find(&book, word)?),
        (None, named) => records::compare(&desk, &tubs(site, &book, named.as_deref().unwrap_or_default(), args)?),
    };
    write(&args.out, page.map_err(Failure::failed)?.as_bytes())
}

/// The tubs to set side by side.
fn tubs<'a>(site: &Site, book: &'a Book, named: &[String], args: &ReportArgs) -> Result<Vec<&'a Tub>, Failure> {
    let setup = &site.plan.setup;
    if let Some(culture) = &args.culture
        && setup.cultures.iter().all(|known| known.name != *culture)
    {
        return Err(Failure::Usage(unknown("culture", culture, setup.cultures.iter().map(|it| it.name.as_str()))));
    }
    if let Some(space) = &args.space
        && setup.spaces.iter().all(|known| known.name != *space)
    {
        return Err(Failure::Usage(unknown("space", space, setup.spaces.iter().map(|it| it.name.as_str()))));
    }
    let mut tubs: Vec<&Tub> = Vec::new();
    for word in named {
        let tub = find(book, word)?;
        if tubs.iter().all(|known| known.id != tub.id) {
            tubs.push(tub);
        }
    }
    if args.culture.is_some() || args.space.is_some() {
        let of_culture = |tub: &&Tub| args.culture.as_ref().is_none_or(|culture| tub.culture == *culture);
        let of_space =
            |tub: &&Tub| args.space.as_ref().is_none_or(|space| tub.spaces.iter().any(|stood| stood.value == *space));
        let known: Vec<&str> = tubs.iter().map(|tub| tub.id.as_str()).collect();
        let more = book.tubs.iter().filter(of_culture).filter(of_space).filter(|tub| !known.contains(&tub.id.as_str()));
        tubs = tubs.iter().copied().chain(more).collect();
    }
    if tubs.len() < 2 {
        return Err(Failure::Usage("name at least two tubs to compare, or --culture or --space with two".to_owned()));
    }
    Ok(tubs)
}

/// Writes the label of a tub.
pub fn label(site: &Site, word: &str, out: &Path) -> Outcome {
    let reader = paper::reader(site)?;
    let book = fold(&reader.entries().map_err(Failure::failed)?, site.plan.timezone);
    let tub = find(&book, word)?;
    let culture = site.plan.setup.cultures.iter().find(|culture| culture.name == tub.culture);
    let floor = tub.spawned_at.plus(site.plan.setup.due_not_before_ms);
    let not_before = match culture {
        Some(culture) if tub.stage == Stage::Colonising => {
            let own = beside::lesson_of(site, &reader, &book, tub)?.map(|lesson| lesson.learned.requirement);
            let culture = culture.requiring(own);
            let until = site.now.plus(1);
            let told = figures::exposure(&reader, tub, &book.tubs, &site.plan.setup, &culture, until, false)
                .map_err(Failure::failed)?;
            let (figures, rate) = (told.exposure.figures(site.now), told.exposure.rate_per_hour());
            let ms = site.plan.setup.due_not_before_ms;
            due_window(&figures, &culture.thermal, tub.spawned_at, site.now, rate, ms).earliest
        }
        _ => floor,
    };
    let page = site.plan.status.address.as_ref().map(|address| format!("{address}/tub/{}", tub.id));
    let species = culture.map(|culture| culture.species.as_str());
    let svg = records::label(tub, species, not_before, page.as_deref(), site.plan.timezone).map_err(Failure::failed)?;
    write(out, svg.as_bytes())?;
    if page.is_none() {
        Voice::new().say("Without status.address in the config there is no code on it.")?;
    }
    Ok(())
}

/// Writes a whole new file beside and then gives it its name.
fn write(path: &Path, bytes: &[u8]) -> Outcome {
    let fail = |error: std::io::Error| Failure::Failed(format!("cannot write {}: {error}", path.display()));
    let mut beside = path.as_os_str().to_owned();
    beside.push(format!(".{}.new", std::process::id()));
    let written = std::fs::write(&beside, bytes).and_then(|()| std::fs::rename(&beside, path));
    if let Err(error) = written {
        let _ = std::fs::remove_file(&beside);
        return Err(fail(error));
    }
    Voice::new().say(path.display())
}
