//! What past tubs teach: their degree-hours from spawning to colonised, from what is stored.
//!
//! In: the logbook's tubs and the tub it is for. Out: the requirement learnt from tubs alike, if there are
//! enough, and how far its due dates would have been off. Left out: what "alike" means (`grow::learning`).
//! Cost: one reading of each past tub's time; only tubs of the culture, the newest fifty at most.

use super::error::StoreError;
use super::figures::{self, core_at};
use super::reader::Reader;
use crate::grow::culture::Culture;
use crate::grow::learning::{
    DueError, Learned, PastTub, Recipe, Source, TUBS_MAX, TUBS_MIN, alike, error_of, learn, leave_one_out,
};
use crate::grow::tub::Tub;
use crate::grow::yields::Filling;
use crate::watch::setup::Setup;

/// What the past says of one tub.
#[derive(Clone, Debug, PartialEq)]
pub struct Lesson {
    /// The requirement.
    pub learned: Learned,
    /// The error of the due date by it, each tub predicted from the others.
    pub error: Option<DueError>,
    /// The same by the handbook's requirement.
    pub handbook_error: Option<DueError>,
}

/// The tub's recipe.
pub fn recipe(tub: &Tub) -> Recipe {
    Recipe { kind: tub.kind, strain: tub.strain.clone(), spawn_rate_pct: Filling::of(tub).spawn_rate_pct() }
}

/// Where the tub's figures come from for most of its colonising: asked at the middle of it, or at its
/// spawning while it is not colonised.
pub fn source(tub: &Tub, tubs: &[Tub]) -> Source {
    let middle = tub.colonised_at.map_or(tub.spawned_at, |end| tub.spawned_at.plus(end.since(tub.spawned_at) / 2));
    if core_at(tub, tubs, middle).is_some() { Source::Core } else { Source::Air }
}

/// The past tubs of `culture` that were logged as colonised and not found contaminated before, newest first.
///
/// # Errors
/// When the store cannot be read.
pub fn past_tubs(reader: &Reader, tubs: &[Tub], setup: &Setup, culture: &Culture) -> Result<Vec<PastTub>, StoreError> {
    let sound = |tub: &&Tub| tub.contaminated_at.is_none_or(|found| tub.colonised_at.is_some_and(|end| found > end));
    let mut known: Vec<&Tub> =
        tubs.iter().filter(|tub| tub.culture == culture.name && tub.colonised_at.is_some()).filter(sound).collect();
    if known.len() < TUBS_MIN {
        return Ok(Vec::new());
    }
    known.sort_by_key(|tub| std::cmp::Reverse(tub.colonised_at));
    known.truncate(TUBS_MAX);
    let mut past = Vec::with_capacity(known.len());
    for tub in known {
        let Some(colonised_at) = tub.colonised_at else { continue };
        let told = figures::over(reader, tub, tubs, setup, culture, tub.spawned_at, colonised_at)?;
        let figures = told.exposure.figures(colonised_at);
        past.push(PastTub {
            id: tub.id.clone(),
            culture: tub.culture.clone(),
            recipe: recipe(tub),
            source: source(tub, tubs),
            spawned_at: tub.spawned_at,
            colonised_at,
            degree_hours: figures.degree_hours,
            coverage: figures.coverage(),
            course: told.course,
        });
    }
    Ok(past)
}

/// What `past` (of its culture) teaches of `tub`; the tub itself is left out.
pub fn lesson(past: &[PastTub], tub: &Tub, tubs: &[Tub], culture: &Culture) -> Option<Lesson> {
    let others: Vec<PastTub> = past.iter().filter(|other| other.id != tub.id).cloned().collect();
    let alike = alike(&others, &tub.culture, &recipe(tub), source(tub, tubs));
    let learned = learn(&alike)?;
    Some(Lesson {
        learned,
        error: leave_one_out(&alike),
        handbook_error: error_of(&alike, culture.thermal.requirement.usual),
    })
}
