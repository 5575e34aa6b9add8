//! What a start takes from the store: the keeper as it stood, the duplicate index, what waits to be told.
//!
//! In: the plan. Out: [`Restored`]. Where the store cannot be opened, what stands is taken from
//! `standing.json`, or from the config's spaces alone, and the fault is said. Blocks: called on a
//! thread that may.

use std::ops::ControlFlow;
use std::path::Path;
use std::time::{Duration, Instant};

use tracing::{error, info, warn};

use crate::climate::Stamp;
use crate::climate::stamp::{DAY_MS, HOUR_MS};
use crate::config::Plan;
use crate::engine::backups;
use crate::engine::brought::{self, Brought};
use crate::engine::clock::Clock;
use crate::engine::forwarding::Forwarding;
use crate::engine::timekeeping::{self, Timekeeping};
use crate::engine::wishes;
use crate::grow::logbook::{self, Entry};
use crate::grow::rename::{self, Named, Renaming};
use crate::store::history::Form;
use crate::store::open::FILE;
use crate::store::standing::Standing;
use crate::store::{Change, Known, OutboxItem, Reader, Store, StoreError, ToldLately, corrections, figures, standing};
use crate::watch::alert::{Alert, AlertState};
use crate::watch::keeper::Keeper;

/// So much history of every probe is judged again, for the delays and trends of the watches.
const WARM_MS: i64 = 12 * HOUR_MS;

/// What was told of alerts that ended longer ago than this bears on nothing any more.
const TOLD_MS: i64 = 7 * DAY_MS;

/// So long a start waits for this process's own last writer to let go of the store, and how often it looks.
const HELD_WAIT: Duration = Duration::from_secs(3);
const HELD_LOOK: Duration = Duration::from_millis(50);

/// Why the daemon must not start.
#[derive(Debug, thiserror::Error)]
pub enum RestoreError {
    /// Another daemon runs on it, or it was written by a later version.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// The state a daemon carries on from.
pub struct Restored {
    /// The keeper as it stood.
    pub keeper: Keeper,
    /// The logbook.
    pub entries: Vec<Entry>,
    /// The last entry that had been applied.
    pub applied_up_to: i64,
    /// Numbers of the plan's probes in the store, by position.
    pub probe_ids: Vec<i64>,
    /// The duplicate index.
    pub seen: Known,
    /// Messages stored of each of the plan's probes.
    pub stored_by_probe: Vec<u64>,
    /// Messages of each of the plan's probes that were not taken.
    pub refused_by_probe: Vec<u64>,
    /// What waits for a messenger.
    pub outbox_waiting: Vec<OutboxItem>,
    /// What was told lately; `None` where no store knows.
    pub told: Option<ToldLately>,
    /// The next outbox item's number.
    pub next_outbox_id: i64,
    /// To be written first: corrections that changed with the config.
    pub changes: Vec<Change>,
    /// The store, to be written; none where it could not be opened.
    pub store: Option<Store>,
    /// A connection to poll the logbook with.
    pub reader: Option<Reader>,
    /// How far each target of the plan has been sent.
    pub forwarding: Forwarding,
    /// When the newest backup was made, as far as the store knows.
    pub backup_newest: Option<Stamp>,
    /// The machine's clock, where that is the one the daemon runs on.
    pub timekeeping: Option<Timekeeping>,
    /// Alerts that ended while no store could be opened.
    pub unstored: Vec<Alert>,
    /// Alerts of a run without a store are among `changes`.
    pub is_bringing: bool,
    /// Why there is no store.
    pub fault: Option<String>,
}

/// Whether the store can be opened by now. Leaves it closed.
pub fn can_open(plan: &Plan) -> bool {
    Store::open(&plan.store.folder).is_ok()
}

/// What was renamed, by the store's logbook; nothing where it cannot be read.
pub fn renamings(plan: &Plan) -> Vec<Renaming> {
    if !plan.store.folder.join(FILE).exists() {
        return Vec::new();
    }
    let entries = Reader::open(&plan.store.folder).and_then(|reader| reader.entries()).unwrap_or_default();
    rename::all(&entries).into_iter().map(|(_, renaming)| renaming.clone()).collect()
}

/// Takes everything a start needs from the store, or what there is without it, by the time of `clock`. With
/// `is_again` this process ran on it before: its own writer may still hang on the disk.
///
/// # Errors
/// Another daemon runs on the store, or a later version wrote it: then nothing may be started.
pub fn restore(plan: &Plan, clock: &Clock, is_again: bool) -> Result<Restored, RestoreError> {
    match open(&plan.store.folder, is_again).and_then(|store| from_store(plan, store, clock)) {
        Ok(restored) => Ok(restored),
        Err(why @ (StoreError::AlreadyRunning { .. } | StoreError::Newer { .. } | StoreError::Entry { .. })) => {
            Err(why.into())
        }
        Err(why) => {
            error!("{why}. The watches run without it; nothing is kept, and no broker is told \"received\"");
            Ok(without_store(plan, clock, &why))
        }
    }
}

fn open(folder: &Path, is_again: bool) -> Result<Store, StoreError> {
    let deadline = Instant::now() + HELD_WAIT;
    loop {
        match Store::open(folder) {
            Err(StoreError::AlreadyRunning { .. }) if is_again => {
                if Instant::now() >= deadline {
                    return Err(StoreError::StillHeld { folder: folder.to_owned() });
                }
                std::thread::sleep(HELD_LOOK);
            }
            other => return other,
        }
    }
}

fn from_store(plan: &Plan, mut store: Store, clock: &Clock) -> Result<Restored, StoreError> {
    let names: Vec<&str> = plan.probes.iter().map(|probe| probe.name.as_str()).collect();
    let probe_ids = store.probe_ids(&names)?;
    let forwards: Vec<&str> = plan.forwards.iter().map(|forward| forward.name.as_str()).collect();
    let renamings: Vec<Renaming> = gone(plan, &store.reader()?.entries()?);
    store.follow_names(&renamings)?;
    let mut forwarding = Forwarding::restore(&store.reader()?, &forwards, &renamings)?;
    let timekeeping = timekeeping::begin(&mut store, clock, &mut forwarding)?;
    let now = clock.now();
    let reader = store.reader()?;
    let seen = reader.known()?;
    let entries = reader.entries()?;
    let newest = reader.newest_ids()?;
    let refused = reader.refused()?;
    let stored_by_probe: Vec<u64> = probe_ids.iter().map(|id| seen.count(*id)).collect();
    let refused_of = |id: &i64| refused.iter().find(|(probe, _)| probe == id).map_or(0, |(_, count)| *count);
    let wanted: Vec<_> = probe_ids.iter().zip(&plan.setup.probes).map(|(id, probe)| (*id, probe.correction)).collect();
    let changed = corrections::to_write(&reader.corrections()?, &wanted, |id| seen.count(id) > 0, now);
    let mut told = reader.told_lately(now.plus(-TOLD_MS))?;
    let Brought { open, changed: brought, next_id } =
        brought::bring(reader.alerts(true)?, &what_stood(plan), newest.alert, now);
    told.alerts.retain(|alert| !brought.iter().any(|new| new.id == alert.id));
    told.alerts.extend(open.iter().filter(|alert| brought.iter().any(|new| new.id == alert.id)).cloned());
    let mut keeper = keeper(plan, &entries, open, next_id, now);
    warm(&mut keeper, &reader, &names, now)?;
    fill_figures(&mut keeper, plan, &reader, now)?;
    info!(
        samples = stored_by_probe.iter().sum::<u64>(),
        entries = entries.len(),
        "store opened: {}",
        store.file().display()
    );
    Ok(Restored {
        keeper,
        applied_up_to: reader.applied_up_to()?,
        refused_by_probe: probe_ids.iter().map(refused_of).collect(),
        stored_by_probe,
        seen,
        entries,
        outbox_waiting: reader.outbox_waiting()?,
        told: Some(told),
        next_outbox_id: newest.outbox + 1,
        unstored: Vec::new(),
        is_bringing: !brought.is_empty(),
        changes: (timekeeping.iter().filter_map(Timekeeping::unwritten))
            .chain(changed.into_iter().map(Change::Correction))
            .chain(brought.into_iter().map(Change::Alert))
            .collect(),
        probe_ids,
        forwarding,
        timekeeping,
        backup_newest: reader.fact(backups::NEWEST)?.and_then(|ms| ms.parse().ok()).map(Stamp),
        reader: Some(reader),
        store: Some(store),
        fault: None,
    })
}

/// `standing.json`, as far as it can be read.
fn what_stood(plan: &Plan) -> Standing {
    standing::read(&plan.store.folder)
        .unwrap_or_else(|why| {
            warn!("{why}");
            None
        })
        .unwrap_or_default()
}

/// The renamings whose old name nothing bears by now.
fn gone(plan: &Plan, entries: &[Entry]) -> Vec<Renaming> {
    let is_gone = |renaming: &&Renaming| match renaming.what {
        Named::Probe => plan.probes.iter().all(|probe| probe.name != renaming.old),
        Named::Space => plan.setup.spaces.iter().all(|space| space.name != renaming.old),
    };
    rename::all(entries).into_iter().map(|(_, renaming)| renaming).filter(is_gone).cloned().collect()
}

fn without_store(plan: &Plan, clock: &Clock, why: &StoreError) -> Restored {
    let now = clock.now();
    let standing = what_stood(plan);
    let next_alert_id = standing.alerts.iter().map(|alert| alert.id).max().unwrap_or(0).max(standing.newest_alert) + 1;
    let (unstored, open): (Vec<Alert>, Vec<Alert>) =
        standing.alerts.into_iter().partition(|alert| alert.state == AlertState::Ended);
    Restored {
        keeper: keeper(plan, &standing.entries, open, next_alert_id, now),
        unstored,
        is_bringing: false,
        applied_up_to: standing.entries.last().map_or(0, |entry| entry.id),
        entries: standing.entries,
        // Only this run knows them: nothing is stored under them.
        probe_ids: (1..).take(plan.probes.len()).collect(),
        seen: Known::new(),
        stored_by_probe: vec![0; plan.probes.len()],
        refused_by_probe: vec![0; plan.probes.len()],
        outbox_waiting: Vec::new(),
        told: None,
        next_outbox_id: 1,
        changes: Vec::new(),
        store: None,
        forwarding: Forwarding::default(),
        timekeeping: Timekeeping::without_store(clock),
        backup_newest: None,
        reader: None,
        fault: Some(why.to_string()),
    }
}

fn keeper(plan: &Plan, entries: &[Entry], open: Vec<Alert>, next_alert_id: i64, now: Stamp) -> Keeper {
    let book = logbook::fold(entries, plan.timezone);
    for oddity in book.oddities() {
        warn!("logbook entry {}: {}", oddity.entry, oddity.why);
    }
    let mut keeper = Keeper::new(plan.setup.clone(), book.tubs, open, next_alert_id, now);
    // Nothing was watched before, so nothing is told.
    keeper.heat_runs_changed(&book.heat_runs, now, &mut Vec::new());
    wishes::recall(&mut keeper, &rename::in_todays_names(entries), now);
    keeper
}

/// Lets the judges, delays and trends of the watches see the last hours once more.
fn warm(keeper: &mut Keeper, reader: &Reader, names: &[&str], now: Stamp) -> Result<(), StoreError> {
    // The keeper judges in context itself; it wants what was known on arrival.
    reader.history(names, now.plus(-WARM_MS), now.plus(1), Form::Unjudged, &mut |probe, message| {
        keeper.warm(probe, message.at, &message.values, message.quality);
        ControlFlow::Continue(())
    })
}

/// Every live tub's figures, from its spawning on.
fn fill_figures(keeper: &mut Keeper, plan: &Plan, reader: &Reader, now: Stamp) -> Result<(), StoreError> {
    let tubs: Vec<_> = keeper.tubs().cloned().collect();
    let mut wanted = Vec::new();
    for tub in &tubs {
        match plan.setup.cultures.iter().find(|culture| culture.name == tub.culture) {
            Some(culture) => wanted.push((tub, culture)),
            None => {
                warn!(
                    "tub {}: the config knows no culture {:?}; its figures wait until it does",
                    tub.name, tub.culture
                );
            }
        }
    }
    let pasts = figures::pasts(reader, &wanted, &tubs, &plan.setup, now.plus(1))?;
    for ((tub, _), past) in wanted.iter().zip(pasts) {
        keeper.begin_rebuild(&tub.id);
        keeper.know_past(&tub.id, past.stage, past.figures.warmth);
        keeper.finish_rebuild(&tub.id, past.figures.exposure);
    }
    Ok(())
}

/// Entries that ask for something and were not applied yet: wishes written while nobody ran.
pub fn not_applied(entries: &[Entry], applied_up_to: i64) -> impl Iterator<Item = &Entry> {
    entries.iter().filter(move |entry| entry.id > applied_up_to && entry.deed.is_wish())
}
