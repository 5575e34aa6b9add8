//! `alerts` and `acknowledge`.
//!
//! In: the alert table as the daemon keeps it. Out: the alerts that stand, worst first; an entry
//! that says the grower knows, which a running daemon takes up by itself.

use std::cmp::Reverse;

use super::paper;
use super::speak::{Failure, Outcome, Voice, printable};
use super::{Site, wording};
use crate::grow::logbook::Deed;
use crate::grow::moment::local_text;
use crate::watch::alert::{Alert, AlertState};
use crate::watch::view::AlertView;

/// Alerts named in a sentence at most; more would bury it.
const NAMED_MAX: usize = 8;

/// Prints the alerts that have not ended.
pub fn alerts(site: &Site, json: bool) -> Outcome {
    let mut alerts = paper::reader(site)?.alerts(true).map_err(Failure::failed)?;
    alerts.sort_by_key(|alert| (Reverse(alert.severity), alert.since, alert.id));
    let mut voice = Voice::new();
    if json {
        return voice.json(&alerts.iter().map(AlertView::of).collect::<Vec<_>>());
    }
    if alerts.is_empty() {
        return voice.say("no alert stands");
    }
    for alert in &alerts {
        let since = local_text(alert.since, site.plan.timezone);
        let lasted = wording::span(site.now.since(alert.since).max(0));
        let (severity, state) = (alert.severity.word(), alert.state.word());
        voice.say(format!("{} {severity}, {state}, since {since} ({lasted}): {}", alert.id, printable(&alert.text)))?;
    }
    Ok(())
}

/// Says that the grower knows of an alert.
pub fn acknowledge(site: &Site, id: &str) -> Outcome {
    let alert = numbered(site, id)?;
    if alert.state == AlertState::Acknowledged {
        let when =
            alert.acknowledged_at.map_or(String::new(), |at| format!(" since {}", local_text(at, site.plan.timezone)));
        return Err(Failure::Failed(format!("alert {id} is acknowledged already{when}")));
    }
    paper::append(site, |_| Ok(vec![(String::new(), site.now, Deed::Acknowledged { alert: alert.id })]))?;
    Voice::new().say(format!("{} acknowledged; the daemon takes it up within two seconds of running", named(&alert)))
}

/// An alert in a sentence.
pub fn named(alert: &Alert) -> String {
    format!("alert {} ({}, {})", alert.id, printable(&alert.subject), alert.watch.word())
}

/// The alert numbered `id`, as typed, if it has not ended.
///
/// # Errors
/// [`Failure::Usage`] where it is no number, or no alert's; [`Failure::Failed`] where it is over.
pub fn numbered(site: &Site, id: &str) -> Result<Alert, Failure> {
    let id: i64 = id
        .parse()
        .map_err(|_| Failure::Usage(format!("\"{id}\" is no number of an alert; tubwatch alerts prints them")))?;
    let alerts = paper::reader(site)?.alerts(false).map_err(Failure::failed)?;
    standing(&alerts, id, site).cloned()
}

/// The alert `id`, if it has not ended.
fn standing<'a>(alerts: &'a [Alert], id: i64, site: &Site) -> Result<&'a Alert, Failure> {
    let Some(alert) = alerts.iter().find(|alert| alert.id == id) else {
        let open: Vec<String> = alerts
            .iter()
            .filter(|alert| alert.state != AlertState::Ended)
            .take(NAMED_MAX)
            .map(|alert| alert.id.to_string())
            .collect();
        let choice = if open.is_empty() { "none stands".to_owned() } else { format!("there are {}", open.join(", ")) };
        return Err(Failure::Usage(format!("no alert has the number {id}; {choice}")));
    };
    let when = |at: Option<crate::climate::Stamp>| {
        at.map_or(String::new(), |at| format!(" since {}", local_text(at, site.plan.timezone)))
    };
    match alert.state {
        AlertState::Ended => Err(Failure::Failed(format!("alert {id} is over{}", when(alert.ended_at)))),
        _ => Ok(alert),
    }
}
