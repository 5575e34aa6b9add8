//! Open alerts and what was told of them, dated anew with a step of the clock, as the samples are.
//!
//! In: the moves of `watch::clock`. Out: times of alerts and of the outbox, moved. No row names the stretch
//! it was dated in: each stretch has a window by its own clock, and a time that lies in it goes with it, once.

use std::ops::RangeInclusive;

use rusqlite::{Row, Transaction};

use super::rows::word;
use crate::climate::Stamp;
use crate::watch::alert::Watch;
use crate::watch::clock::{Begun, Move, Trust};

/// Watches that run on the machine's clock: their open alerts go with every step, also with one to a clock
/// that is wrong, by which nothing else is moved. So they need not go with what such a clock left.
const ON_THE_CLOCK: [Watch; 7] = [
    Watch::ProbeSilent,
    Watch::SourceDown,
    Watch::Store,
    Watch::Clock,
    Watch::MessengerFailing,
    Watch::BackupOld,
    Watch::Config,
];

/// What one stretch dated, and by how much it is moved.
struct Window {
    dated: RangeInclusive<i64>,
    by_ms: i64,
}

struct Windows {
    windows: Vec<Window>,
    /// What the stretch that holds now dated: it is right.
    own: Option<RangeInclusive<i64>>,
}

impl Windows {
    /// Each stretch ended when the next began.
    fn of(begun: &Begun, now: Stamp) -> Windows {
        let nexts = begun.moves.iter().skip(1).map(|next| (next.since, next.by_ms)).chain([(begun.stretch.since, 0)]);
        let window = |(one, (next, next_by_ms)): (&Move, (Stamp, i64))| {
            let until = next.plus(next_by_ms).plus(-one.by_ms);
            Window { dated: one.since.0..=until.0, by_ms: one.by_ms }
        };
        Windows {
            windows: begun.moves.iter().zip(nexts).map(window).collect(),
            // A step is written before the new stretch has dated anything, but for one made good later.
            own: begun.stepped_ms.is_none().then_some(begun.stretch.since.0..=now.0),
        }
    }

    fn moved(&self, at: i64) -> i64 {
        if self.own.as_ref().is_some_and(|own| own.contains(&at)) {
            return at;
        }
        let window = self.windows.iter().find(|window| window.dated.contains(&at));
        window.map_or(at, |window| at.saturating_add(window.by_ms))
    }
}

/// Moves open alerts, and what was told or waits to be, as `begun` at `now` has it.
pub(super) fn told(transaction: &Transaction<'_>, begun: &Begun, now: Stamp) -> rusqlite::Result<()> {
    let windows = Windows::of(begun, now);
    if begun.stepped_ms.is_none() && windows.windows.is_empty() {
        return Ok(());
    }
    alerts(transaction, begun, &windows)?;
    let Some(earliest) = windows.windows.iter().map(|window| *window.dated.start()).min() else { return Ok(()) };
    let changed = changed(
        transaction,
        "SELECT id, created_at, delivered_at FROM outbox WHERE max(created_at, ifnull(delivered_at, 0)) >= ?1",
        [earliest],
        |row| Ok([row.get(1)?, row.get(2)?].map(|at: Option<i64>| (at, at.map(|at| windows.moved(at))))),
    )?;
    let mut write = transaction.prepare("UPDATE outbox SET created_at = ?2, delivered_at = ?3 WHERE id = ?1")?;
    for (id, [created_at, delivered_at]) in changed {
        write.execute((id, created_at, delivered_at))?;
    }
    Ok(())
}

fn alerts(transaction: &Transaction<'_>, begun: &Begun, windows: &Windows) -> rusqlite::Result<()> {
    let changed = changed(
        transaction,
        "SELECT id, watch, since, first_at, returned_at, acknowledged_at FROM alert WHERE state <> 'ended'",
        [],
        |row| {
            let watch = word(row, 1, Watch::from_word)?;
            let moved = |at: i64| match (begun.last, begun.stepped_ms) {
                _ if !ON_THE_CLOCK.contains(&watch) => windows.moved(at),
                // Each by its own stretch, also where an earlier step could not be written.
                (Some(Trust::Plausible), _) | (Some(Trust::Right), None) if !begun.moves.is_empty() => {
                    windows.moved(at)
                }
                (_, by_ms) => at.saturating_add(by_ms.unwrap_or(0)),
            };
            Ok([row.get(2)?, row.get(3)?, row.get(4)?, row.get(5)?].map(|at: Option<i64>| (at, at.map(moved))))
        },
    )?;
    let sql = "UPDATE alert SET since = ?2, first_at = ?3, returned_at = ?4, acknowledged_at = ?5 WHERE id = ?1";
    let mut write = transaction.prepare(sql)?;
    for (id, [since, first_at, returned_at, acknowledged_at]) in changed {
        write.execute((id, since, first_at, returned_at, acknowledged_at))?;
    }
    Ok(())
}

/// The rows, by their number, of which `times` (as it is, as it is to be) are to change.
fn changed<const N: usize>(
    transaction: &Transaction<'_>,
    sql: &str,
    with: impl rusqlite::Params,
    times: impl Fn(&Row<'_>) -> rusqlite::Result<[(Option<i64>, Option<i64>); N]>,
) -> rusqlite::Result<Vec<(i64, [Option<i64>; N])>> {
    let mut read = transaction.prepare(sql)?;
    let mut read = read.query(with)?;
    let mut changed = Vec::new();
    while let Some(row) = read.next()? {
        let times = times(row)?;
        if times.iter().any(|(old, new)| old != new) {
            changed.push((row.get(0)?, times.map(|(_, new)| new)));
        }
    }
    Ok(changed)
}
