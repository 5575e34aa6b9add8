//! Alerts of a run without a store, brought into the store once it can be opened.
//!
//! In: the store's open alerts, and `standing.json` as such a run left it. Out: the open alerts as they
//! stand, and what is to be written so that the history has them. Pure. An alert keeps its number
//! where that is free; told once more it has the same key, so that a receiver knows it.

use crate::climate::Stamp;
use crate::store::standing::Standing;
use crate::watch::alert::{Alert, AlertState};

/// Alerts that ended while no store could be opened, kept for it. Older ones fall out.
pub const ENDED_MAX: usize = 200;

/// What came of bringing them in.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Brought {
    /// The alerts that stand, by id.
    pub open: Vec<Alert>,
    /// To be written.
    pub changed: Vec<Alert>,
    /// The next alert's number.
    pub next_id: i64,
}

/// Brings what `standing` knows into what is `stored` as open; `newest` is the highest number given in
/// the store. Where a store was written beside it, `standing` knows nothing more.
pub fn bring(stored: Vec<Alert>, standing: &Standing, newest: i64, now: Stamp) -> Brought {
    let mut brought = Brought { open: stored, changed: Vec::new(), next_id: newest + 1 };
    if !standing.is_unstored {
        return brought;
    }
    // Numbers that may be kept are given to nobody else.
    brought.next_id = standing.alerts.iter().map(|alert| alert.id + 1).fold(brought.next_id, i64::max);
    let mut known = Vec::new();
    for alert in &standing.alerts {
        let same = |other: &&mut Alert| {
            other.subject == alert.subject
                && other.watch == alert.watch
                && (other.id == alert.id || other.first_at == alert.first_at)
        };
        match brought.open.iter_mut().find(same) {
            Some(stored) => {
                let id = stored.id;
                known.push(id);
                if *stored != (Alert { id, ..alert.clone() }) {
                    *stored = Alert { id, ..alert.clone() };
                    brought.changed.push(stored.clone());
                }
            }
            None => {
                let is_free = alert.id > newest && !known.contains(&alert.id);
                let id = if is_free { alert.id } else { brought.next_id };
                brought.next_id = brought.next_id.max(id + 1);
                known.push(id);
                brought.open.push(Alert { id, ..alert.clone() });
                brought.changed.push(Alert { id, ..alert.clone() });
            }
        }
    }
    for gone in brought.open.iter_mut().filter(|alert| !known.contains(&alert.id)) {
        gone.state = AlertState::Ended;
        gone.returned_at.get_or_insert(now);
        gone.ended_at = Some(now);
        brought.changed.push(gone.clone());
    }
    brought.open.retain(|alert| alert.state != AlertState::Ended);
    brought.open.sort_by_key(|alert| alert.id);
    brought
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::alert::{Severity, Watch};

    fn alert(id: i64, subject: &str, first_at: i64, state: AlertState) -> Alert {
        Alert {
            id,
            subject: subject.to_owned(),
            watch: Watch::CoreTemperature,
            severity: Severity::Critical,
            state,
            since: Stamp(first_at + 5),
            first_at: Stamp(first_at),
            value: None,
            limit: None,
            text: String::new(),
            returned_at: None,
            acknowledged_at: None,
            ended_at: (state == AlertState::Ended).then_some(Stamp(900)),
            repeat: 0,
        }
    }

    #[test]
    fn each_is_there_once_and_what_ended_has_ended() {
        use AlertState::{Acknowledged, Ended, Unacknowledged};
        let stored = vec![
            alert(3, "tub A", 10, Unacknowledged),
            alert(5, "tub B", 20, Unacknowledged),
            alert(6, "tub C", 30, Unacknowledged),
        ];
        let alerts = vec![
            alert(3, "tub A", 10, Acknowledged), // the grower knew meanwhile
            alert(5, "tub B", 20, Ended),
            alert(7, "tub D", 40, Unacknowledged), // 7 is another's in the store
            alert(12, "tub E", 50, Ended),
            alert(8, "tub F", 60, Ended),  // and so is 8
            alert(11, "tub G", 70, Ended), // ended before 12 did, and listed after it
        ];
        let standing = Standing { alerts, is_unstored: true, ..Standing::default() };
        let brought = bring(stored.clone(), &standing, 8, Stamp(1_000));
        let brief = |alerts: &[Alert]| -> Vec<(i64, String, AlertState)> {
            alerts.iter().map(|alert| (alert.id, alert.subject.clone(), alert.state)).collect()
        };
        let named = |id: i64, subject: &str, state| (id, subject.to_owned(), state);
        assert_eq!(brief(&brought.open), [named(3, "tub A", Acknowledged), named(13, "tub D", Unacknowledged)]);
        let changed = [
            named(3, "tub A", Acknowledged),
            named(5, "tub B", Ended),
            named(13, "tub D", Unacknowledged),
            named(12, "tub E", Ended),
            named(14, "tub F", Ended),
            named(11, "tub G", Ended),
            named(6, "tub C", Ended),
        ];
        assert_eq!((brief(&brought.changed), brought.next_id), (changed.to_vec(), 15));
        // Written beside a store, it knows nothing more.
        let beside = Standing { is_unstored: false, ..standing };
        assert_eq!(bring(stored.clone(), &beside, 8, Stamp(1_000)).open, stored);
    }
}
