//! Who was told what: read back from the outbox at a start, so that nothing is told twice and nobody
//! who was told of an alert is left without its end.
//!
//! In: the outbox and the alerts. Out: what bears on alerts that are open or ended lately, the last
//! morning list, and when each messenger last accepted something. One scan of the outbox, at a start.

use super::error::StoreError;
use super::reader::Reader;
use super::rows;
use crate::climate::Stamp;
use crate::watch::alert::{Alert, EventKind, Severity};

/// One event of one alert that a messenger was told, or is about to be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Told {
    /// The messenger's name.
    pub messenger: String,
    /// The alert.
    pub alert_id: i64,
    /// What happened to it.
    pub event: EventKind,
    /// When it was handed over.
    pub at: Stamp,
    /// What the alert was worth then.
    pub severity: Severity,
}

/// What a start must know of what was told.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ToldLately {
    /// Open alerts and those that ended lately, by id.
    pub alerts: Vec<Alert>,
    /// What was told of them, in order.
    pub told: Vec<Told>,
    /// Key of the last morning list.
    pub last_morning: Option<String>,
    /// When it was made.
    pub last_morning_at: Option<Stamp>,
    /// When each messenger last accepted something.
    pub accepted: Vec<(String, Stamp)>,
}

impl Reader {
    /// Alerts that were open at `since` or later, by id.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn alerts_since(&self, since: Stamp) -> Result<Vec<Alert>, StoreError> {
        let sql = format!(
            "SELECT {} FROM alert WHERE state <> 'ended' OR max(since, coalesce(ended_at, 0)) >= ?1 ORDER BY id",
            rows::ALERT_COLUMNS
        );
        self.all(&sql, [since.0], rows::alert)
    }

    /// What a start must know of what was told of alerts that were open at `since` or later.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn told_lately(&self, since: Stamp) -> Result<ToldLately, StoreError> {
        // A body that does not say what the alert was worth then says nothing against telling of it.
        let told = "SELECT messenger, alert, event, created_at,
                ifnull(iif(json_valid(body), json_extract(body, '$.severity'), NULL),
                    (SELECT severity FROM alert WHERE alert.id = outbox.alert))
            FROM outbox WHERE event <> 'morning' AND alert IN
                (SELECT id FROM alert WHERE state <> 'ended' OR max(since, coalesce(ended_at, 0)) >= ?1)
            ORDER BY id";
        let told = self.all(told, [since.0], |row| {
            Ok(Told {
                messenger: row.get(0)?,
                alert_id: row.get(1)?,
                event: rows::word(row, 2, EventKind::from_word)?,
                at: Stamp(row.get(3)?),
                severity: rows::word(row, 4, Severity::from_word)?,
            })
        })?;
        let morning = "SELECT idempotency_key, created_at FROM outbox WHERE event = 'morning' ORDER BY id DESC LIMIT 1";
        let morning = self.all(morning, [], |row| Ok((row.get(0)?, Stamp(row.get(1)?))))?.pop();
        let (last_morning, last_morning_at) = morning.unzip();
        let accepted = "SELECT messenger, max(delivered_at) FROM outbox WHERE delivered_at IS NOT NULL GROUP BY 1";
        let accepted = self.all(accepted, [], |row| Ok((row.get(0)?, Stamp(row.get(1)?))))?;
        Ok(ToldLately { alerts: self.alerts_since(since)?, told, last_morning, last_morning_at, accepted })
    }
}
