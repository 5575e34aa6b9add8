//! The store's tables, and how an older file is brought up to date.
//!
//! One SQLite file, `tubwatch.sqlite`, that any SQLite tool can read (open it read-only while the
//! daemon runs: `sqlite3 -readonly`). `application_id` is 0x54554257 ("TUBW"), `user_version` the
//! schema's number, 3. All times are whole milliseconds since 1970-01-01 UTC; temperatures °C,
//! humidity %RH over water, CO2 ppm.
//!
//! | table | a row is | columns |
//! |---|---|---|
//! | `probe` | a probe ever heard of | `id`; `name` as in the config |
//! | `sample` | one message of one probe, uncorrected, in order of arrival | `probe`; `at`; `temperature`, `humidity`, `co2`, `battery` (NULL: not read, or no number); `quality` |
//! | `zone` | a run of rows of `sample` (by `rowid`) and the times in it; only to read faster | `first`, `last`; `earliest`, `latest` |
//! | `chunk` | samples of one probe that were taken out of `sample` and packed; what the blobs hold stands in `chunk.rs` | `id`; `probe`; `first`, `last` time in it; `count`; `open_from` (from here on a later sample might still have changed a judgement, NULL: nowhere); `quality`; `stamps`; `temperature`, `humidity`, `co2`, `battery`; `clock` (the highest stretch of the clock that a sample in it names, NULL: none) |
//! | `summary` | the quarter-hours of one quantity in one chunk; what the blob holds stands in `summary.rs` | `id`; `chunk`; `probe`; `quantity` (its word); `first`, `last` quarter's beginning; `quarters` |
//! | `sealing` | a probe whose rows of `sample` up to a `rowid` are in chunks already, though still there | `probe`; `row` |
//! | `entry` | a line of the logbook, never changed | `id`; `written_at`; `at` (when it happened); `tub` (its filling's id, or empty); `body` (JSON, `deed` names what happened) |
//! | `alert` | an incident as it stands | `id`; `subject`; `watch`; `severity`; `state`; `since`, `first_at`, `returned_at`, `acknowledged_at`, `ended_at`; `value`; `limit_value`; `text`; `repeat` |
//! | `outbox` | a message for a messenger | `id`; `messenger`; `alert`; `event` (or `morning`, then `alert` is 0); `body` (JSON); `idempotency_key`; `created_at`; `tries`; `error` (of the last try); `delivered_at` (NULL: still waiting) |
//! | `correction` | corrected = gain × raw + offset, from `since` on | `probe`; `quantity` (its word); `since`; `gain`; `offset`; `made` |
//! | `clock` | a stretch in which the machine's clock went on evenly; one whose samples were dated anew goes | `id`; `boot` (the kernel's boot id); `since` (by that clock); `offset` (clock less time since boot, ms); `trust` (right, plausible, wrong); `why` |
//! | `refused` | messages of a probe that were not taken | `probe`; `count` |
//! | `meta` | a single fact | `key`; `value`: `applied_up_to` is the last entry the daemon has applied; `forward:NAME` how far a target has been sent, `forward-tags:NAME` with which tags (JSON) |
//!
//! `quality` holds four bits for each quantity, temperature lowest: 0 good, 1 spike, 2 sentinel,
//! 3 out-of-range, 4 stuck, 5 saturated, 6 undated, 7 future: what was known on arrival (spikes are
//! found when a series is read). A value that is NULL with bits other than 0 was no number; with 0
//! it was not read. SQLite keeps no negative zero: it comes back as 0. Above these 16 bits stands how
//! the sample came by its time: twice the `id` of the `clock` it was dated by, plus 1 where the time is
//! the probe's own and was ahead of that clock; 0 where neither matters. A sample dated by a clock
//! whose `trust` is wrong bears the mark clock-unsure. A step of the clock moves what was dated in
//! stretches of the same boot that are not right: to `at` less their `offset`, plus the new one.
//!
//! A sample is in `sample` or in a `chunk`: a row of `sample` counts only where its `rowid` is over
//! that of its probe in `sealing`. `tubwatch export --every raw` unpacks everything.
//!
//! `sample` has no index on purpose: each would wear the card several times over.

use rusqlite::{Connection, TransactionBehavior};

/// "TUBW".
pub const APPLICATION_ID: i64 = 0x5455_4257;

/// The schema this program writes: the number of [`STEPS`].
pub const VERSION: i64 = STEPS.len() as i64;

/// What takes a file from each version to the next; the first makes an empty file version 1. Never
/// change a step that was released: append one.
pub const STEPS: [&str; 3] = [FIRST, SEALED, TIMED];

const FIRST: &str = "
CREATE TABLE probe (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
) STRICT;
CREATE TABLE sample (
    probe INTEGER NOT NULL,
    at INTEGER NOT NULL,
    temperature REAL,
    humidity REAL,
    co2 REAL,
    battery REAL,
    quality INTEGER NOT NULL
) STRICT;
CREATE TABLE zone (
    first INTEGER PRIMARY KEY,
    last INTEGER NOT NULL,
    earliest INTEGER NOT NULL,
    latest INTEGER NOT NULL
) STRICT;
CREATE TABLE entry (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    written_at INTEGER NOT NULL,
    at INTEGER NOT NULL,
    tub TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT;
CREATE TABLE alert (
    id INTEGER PRIMARY KEY,
    subject TEXT NOT NULL,
    watch TEXT NOT NULL,
    severity TEXT NOT NULL,
    state TEXT NOT NULL,
    since INTEGER NOT NULL,
    first_at INTEGER NOT NULL,
    value REAL,
    limit_value REAL,
    text TEXT NOT NULL,
    returned_at INTEGER,
    acknowledged_at INTEGER,
    ended_at INTEGER,
    repeat INTEGER NOT NULL
) STRICT;
CREATE TABLE outbox (
    id INTEGER PRIMARY KEY,
    messenger TEXT NOT NULL,
    alert INTEGER NOT NULL,
    event TEXT NOT NULL,
    body TEXT NOT NULL,
    idempotency_key TEXT NOT NULL,
    created_at INTEGER NOT NULL,
    tries INTEGER NOT NULL,
    error TEXT,
    delivered_at INTEGER
) STRICT;
CREATE INDEX outbox_waiting ON outbox (id) WHERE delivered_at IS NULL;
CREATE TABLE correction (
    probe INTEGER NOT NULL,
    quantity TEXT NOT NULL,
    since INTEGER NOT NULL,
    gain REAL NOT NULL,
    offset REAL NOT NULL,
    made INTEGER NOT NULL,
    PRIMARY KEY (probe, quantity, since)
) STRICT, WITHOUT ROWID;
CREATE TABLE refused (
    probe INTEGER PRIMARY KEY,
    count INTEGER NOT NULL
) STRICT;
CREATE TABLE meta (
    key TEXT PRIMARY KEY,
    value ANY
) STRICT, WITHOUT ROWID;
";

const SEALED: &str = "
CREATE TABLE chunk (
    id INTEGER PRIMARY KEY,
    probe INTEGER NOT NULL,
    first INTEGER NOT NULL,
    last INTEGER NOT NULL,
    count INTEGER NOT NULL,
    open_from INTEGER,
    quality BLOB,
    stamps BLOB NOT NULL,
    temperature BLOB,
    humidity BLOB,
    co2 BLOB,
    battery BLOB
) STRICT;
CREATE INDEX chunk_of_probe ON chunk (probe, last, first, count);
CREATE TABLE summary (
    id INTEGER PRIMARY KEY,
    chunk INTEGER NOT NULL,
    probe INTEGER NOT NULL,
    quantity TEXT NOT NULL,
    first INTEGER NOT NULL,
    last INTEGER NOT NULL,
    quarters BLOB NOT NULL
) STRICT;
CREATE INDEX summary_of_series ON summary (probe, quantity, last, first);
CREATE INDEX summary_of_chunk ON summary (chunk);
CREATE TABLE sealing (
    probe INTEGER PRIMARY KEY,
    row INTEGER NOT NULL
) STRICT;
";

const TIMED: &str = "
CREATE TABLE clock (
    id INTEGER PRIMARY KEY,
    boot TEXT NOT NULL,
    since INTEGER NOT NULL,
    offset INTEGER NOT NULL,
    trust TEXT NOT NULL,
    why TEXT NOT NULL
) STRICT;
ALTER TABLE chunk ADD COLUMN clock INTEGER;
CREATE INDEX chunk_of_clock ON chunk (probe, clock) WHERE clock IS NOT NULL;
";

/// Cheap reads that fail where a table or its columns are missing, or where the newest end of the
/// file is: what is asked at every start instead of a scan of the whole file.
pub const PROBES: [&str; 13] = [
    "SELECT id, name FROM probe LIMIT 1",
    "SELECT probe, at, temperature, humidity, co2, battery, quality FROM sample ORDER BY rowid DESC LIMIT 1",
    "SELECT first, last, earliest, latest FROM zone ORDER BY first DESC LIMIT 1",
    "SELECT id, probe, first, last, count, open_from, quality, stamps, temperature, humidity, co2, battery, clock
        FROM chunk ORDER BY id DESC LIMIT 1",
    "SELECT id, chunk, probe, quantity, first, last, quarters FROM summary ORDER BY id DESC LIMIT 1",
    "SELECT probe, row FROM sealing LIMIT 1",
    "SELECT id, written_at, at, tub, body FROM entry ORDER BY id DESC LIMIT 1",
    "SELECT id, subject, watch, severity, state, since, first_at, value, limit_value, text, returned_at,
        acknowledged_at, ended_at, repeat FROM alert ORDER BY id DESC LIMIT 1",
    "SELECT id, messenger, alert, event, body, idempotency_key, created_at, tries, error, delivered_at
        FROM outbox ORDER BY id DESC LIMIT 1",
    "SELECT probe, quantity, since, gain, offset, made FROM correction LIMIT 1",
    "SELECT probe, count FROM refused LIMIT 1",
    "SELECT id, boot, since, offset, trust, why FROM clock ORDER BY id DESC LIMIT 1",
    "SELECT key, value FROM meta LIMIT 1",
];

/// The schema's number in the file.
///
/// # Errors
/// As SQLite gives them.
pub fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row("PRAGMA user_version", [], |row| row.get(0))
}

/// Takes the file through those of `steps` that it has not had, in one transaction: after a crash
/// it has had all of them or none.
///
/// # Errors
/// As SQLite gives them; the file is then as it was.
pub fn migrate(connection: &mut Connection, steps: &[&str]) -> rusqlite::Result<()> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let had = usize::try_from(version(&transaction)?).unwrap_or(0);
    for step in steps.iter().skip(had) {
        transaction.execute_batch(step)?;
    }
    if had < steps.len() {
        transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
        transaction.pragma_update(None, "user_version", steps.len() as i64)?;
    }
    transaction.commit()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_taken_once_and_all_or_none() {
        let mut connection = Connection::open_in_memory().unwrap();
        migrate(&mut connection, &STEPS).unwrap();
        assert_eq!(version(&connection).unwrap(), VERSION);
        migrate(&mut connection, &STEPS).unwrap();

        let later = [STEPS[0], STEPS[1], STEPS[2], "ALTER TABLE probe ADD COLUMN note TEXT", "CREATE TABLE broken (("];
        assert!(migrate(&mut connection, &later).is_err());
        assert_eq!(version(&connection).unwrap(), VERSION, "a failed step leaves the version before");
        assert!(connection.prepare("SELECT note FROM probe").is_err());

        migrate(&mut connection, &later[..4]).unwrap();
        assert_eq!(version(&connection).unwrap(), VERSION + 1);
        assert!(connection.prepare("SELECT note FROM probe").is_ok());
    }

    #[test]
    fn the_probes_know_every_table() {
        let mut connection = Connection::open_in_memory().unwrap();
        migrate(&mut connection, &STEPS).unwrap();
        let tables: i64 = connection
            .query_row(
                "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%'",
                [],
                |row| row.get(0),
            )
            .unwrap();
        assert_eq!(tables as usize, PROBES.len());
        for probe in PROBES {
            connection.prepare(probe).unwrap();
        }
    }
}
