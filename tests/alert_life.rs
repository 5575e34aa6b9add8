//! Every row of the alert's life after IEC 62682 / ANSI/ISA-18.2 (states: normal, unacknowledged,
//! acknowledged, returned to normal unacknowledged, shelved, suppressed by design).
#![allow(clippy::unwrap_used, clippy::panic)]

use tubwatch::climate::Stamp;
use tubwatch::watch::alert::{Alert, AlertState, EventKind, Severity, Watch};
use tubwatch::watch::life::{Happening, apply, step};

#[test]
fn every_row_of_the_alert_table() {
    use AlertState::{Acknowledged, Ended, Returned, Shelved, Suppressed, Unacknowledged};
    use Happening::{Acknowledge, Gone, Over, ShelfEnds, Shelve, Stands, Suppress, Worse};
    let told_acknowledged = Some(EventKind::Acknowledged);
    let told_returned = Some(EventKind::Returned);
    let told_again = Some(EventKind::RaisedAgain);
    let rows = [
        (Unacknowledged, Stands, Unacknowledged, None),
        (Unacknowledged, Worse, Unacknowledged, told_again),
        (Unacknowledged, Over, Returned, told_returned),
        (Unacknowledged, Acknowledge, Acknowledged, told_acknowledged),
        (Unacknowledged, Gone, Ended, told_returned),
        (Acknowledged, Stands, Acknowledged, None),
        (Acknowledged, Worse, Unacknowledged, told_again),
        (Acknowledged, Over, Ended, told_returned),
        (Acknowledged, Acknowledge, Acknowledged, None),
        (Acknowledged, Gone, Ended, told_returned),
        (Returned, Stands, Unacknowledged, told_again),
        (Returned, Worse, Unacknowledged, told_again),
        (Returned, Over, Returned, None),
        (Returned, Acknowledge, Ended, told_acknowledged),
        (Returned, Gone, Ended, told_acknowledged),
        (Shelved, Stands, Shelved, None),
        (Shelved, Worse, Unacknowledged, told_again),
        (Shelved, Over, Ended, told_returned),
        (Shelved, Acknowledge, Acknowledged, told_acknowledged),
        (Shelved, Gone, Ended, told_returned),
        (Suppressed, Stands, Suppressed, None),
        (Suppressed, Worse, Suppressed, None),
        (Suppressed, Over, Ended, told_returned),
        (Suppressed, Acknowledge, Acknowledged, told_acknowledged),
        (Suppressed, Gone, Ended, told_returned),
        (Ended, Stands, Ended, None),
        (Ended, Worse, Ended, None),
        (Ended, Over, Ended, None),
        (Ended, Acknowledge, Ended, None),
        (Ended, Gone, Ended, None),
        (Unacknowledged, Shelve, Shelved, None),
        (Unacknowledged, ShelfEnds, Unacknowledged, None),
        (Unacknowledged, Suppress, Suppressed, None),
        (Acknowledged, Shelve, Shelved, None),
        (Acknowledged, ShelfEnds, Acknowledged, None),
        (Acknowledged, Suppress, Suppressed, None),
        (Returned, Shelve, Returned, None),
        (Returned, ShelfEnds, Returned, None),
        (Returned, Suppress, Returned, None),
        (Shelved, Shelve, Shelved, None),
        (Shelved, ShelfEnds, Unacknowledged, told_again),
        (Shelved, Suppress, Shelved, None),
        (Suppressed, Shelve, Suppressed, None),
        (Suppressed, ShelfEnds, Suppressed, None),
        (Suppressed, Suppress, Suppressed, None),
        (Ended, Shelve, Ended, None),
        (Ended, ShelfEnds, Ended, None),
        (Ended, Suppress, Ended, None),
    ];
    for (before, happening, after, told) in rows {
        assert_eq!(step(before, happening), (after, told), "{before:?} {happening:?}");
    }
    for state in AlertState::ALL {
        for happening in Happening::ALL {
            assert_eq!(rows.iter().filter(|row| (row.0, row.1) == (state, happening)).count(), 1);
        }
    }
}

#[test]
fn times_and_repeats_are_kept() {
    let mut alert = Alert {
        id: 17,
        subject: "tub A1".into(),
        watch: Watch::CoreTemperature,
        severity: Severity::Warning,
        state: AlertState::Unacknowledged,
        since: Stamp(10),
        first_at: Stamp(5),
        value: Some(28.4),
        limit: Some(28.0),
        text: String::new(),
        returned_at: None,
        acknowledged_at: None,
        ended_at: None,
        repeat: 0,
    };
    assert_eq!(apply(&mut alert, Happening::Acknowledge, Stamp(20)), Some(EventKind::Acknowledged));
    assert_eq!(alert.acknowledged_at, Some(Stamp(20)));
    assert_eq!(apply(&mut alert, Happening::Worse, Stamp(30)), Some(EventKind::RaisedAgain));
    assert_eq!((alert.acknowledged_at, alert.repeat), (None, 1));
    assert_eq!(apply(&mut alert, Happening::Over, Stamp(40)), Some(EventKind::Returned));
    assert_eq!((alert.returned_at, alert.ended_at), (Some(Stamp(40)), None));
    assert_eq!(apply(&mut alert, Happening::Stands, Stamp(50)), Some(EventKind::RaisedAgain));
    assert_eq!((alert.returned_at, alert.repeat), (None, 2));
    assert_eq!(apply(&mut alert, Happening::Over, Stamp(60)), Some(EventKind::Returned));
    assert_eq!(apply(&mut alert, Happening::Acknowledge, Stamp(70)), Some(EventKind::Acknowledged));
    assert_eq!((alert.state, alert.ended_at), (AlertState::Ended, Some(Stamp(70))));
    assert_eq!(apply(&mut alert, Happening::Worse, Stamp(80)), None);
    assert_eq!((alert.ended_at, alert.since), (Some(Stamp(70)), Stamp(10)));
}
