//! Single facts beside the history, and what a forwarder reads on from.
//!
//! In: a fact's key, an alert's number. Out: what stands there. Written by `Change::Fact`.

use rusqlite::OptionalExtension;

use super::error::StoreError;
use super::reader::Reader;
use super::rows;
use crate::watch::alert::Alert;

impl Reader {
    /// What the fact called `key` says, if it was ever written.
    ///
    /// # Errors
    /// When the store cannot be read; so for every method here.
    pub fn fact(&self, key: &str) -> Result<Option<String>, StoreError> {
        let found = self.connection.query_row("SELECT value FROM meta WHERE key = ?1", [key], |row| row.get(0));
        found.optional().map_err(|error| self.fail(error))
    }

    /// Alerts numbered `first` and on, by number.
    pub fn alerts_from(&self, first: i64) -> Result<Vec<Alert>, StoreError> {
        let sql = format!("SELECT {} FROM alert WHERE id >= ?1 ORDER BY id", rows::ALERT_COLUMNS);
        let read = || self.connection.prepare_cached(&sql)?.query_map([first], rows::alert)?.collect();
        let alerts: rusqlite::Result<Vec<Alert>> = read();
        alerts.map_err(|error| self.fail(error))
    }
}
