//! One alert, and one large key: where a message on the phone leads.
//!
//! In: the alert as the snapshot shows it. Out: a page.

use maud::{Markup, html};

use super::Page;
use super::home::subject_link;
use crate::climate::stamp::HOUR_MS;
use crate::status::snapshot::{AlertView, Snapshot};
use crate::status::wording::Clock;

/// The page. `form` is what the forms carry; without it the reader is asked to sign in.
pub(in crate::status) fn page(alert: &AlertView, snapshot: &Snapshot, clock: Clock, form: Option<&str>) -> Page {
    let main = html! {
        p { a href="/" { (snapshot.site) } }
        h1 { (severity(alert.severity)) ": " (subject_link(&alert.subject, snapshot)) }
        p { (alert.text) }
        p.small { "Raised " (clock.short(alert.since)) ". " (state(alert, snapshot, clock)) }
        (keys(alert, clock, form))
    };
    Page { title: format!("{}: {}", severity(alert.severity), alert.subject), main, is_live: false }
}

/// What may be done about it.
fn keys(alert: &AlertView, clock: Clock, form: Option<&str>) -> Markup {
    let Some(form) = form else {
        return html! {
            p { a.key.large href=(format!("/sign-in?next=/alert/{}", alert.id)) { "Sign in to acknowledge" } }
            p.small { "Or on the machine itself: " code { "tubwatch acknowledge " (alert.id) } }
        };
    };
    html! {
        @if alert.state != "acknowledged" {
            form method="post" action=(format!("/alert/{}/acknowledge", alert.id)) {
                input type="hidden" name="form" value=(form);
                button.first.large type="submit" { "Acknowledge" }
            }
        }
        @if matches!(alert.state, "unacknowledged" | "acknowledged" | "shelved") {
            h2 { "Put aside" }
            p.small { "It is told again if it gets worse, or still stands then." }
            div.row {
                @for hours in quiet_hours(alert.severity) {
                    form method="post" action=(format!("/alert/{}/shelve", alert.id)) {
                        input type="hidden" name="form" value=(form);
                        input type="hidden" name="for" value=(format!("{hours}h"));
                        button type="submit" { "Quiet until " (clock.short(clock.now.plus(hours * HOUR_MS))) }
                    }
                }
            }
        }
    }
}

/// How long it may be put aside, hours.
fn quiet_hours(severity: &str) -> &'static [i64] {
    if severity == "critical" { &[1] } else { &[1, 4, 12] }
}

/// The severity as the first word.
pub(in crate::status) fn severity(word: &str) -> &'static str {
    match word {
        "critical" => "Critical",
        "warning" => "Warning",
        _ => "Advice",
    }
}

/// The state in a sentence.
pub(in crate::status) fn state(alert: &AlertView, snapshot: &Snapshot, clock: Clock) -> String {
    let until = snapshot.inner.shelved_until.iter().find(|(id, _)| *id == alert.id).map(|(_, until)| *until);
    match (alert.state, until) {
        ("acknowledged", _) => "Acknowledged.".to_owned(),
        ("returned", _) => "It is over, and nobody has acknowledged it yet.".to_owned(),
        ("shelved", Some(until)) => format!("Quiet until {}.", clock.short(until)),
        ("shelved", None) => "Put aside for a while.".to_owned(),
        ("suppressed", _) => "Another alert explains it.".to_owned(),
        _ => "Nobody has acknowledged it yet.".to_owned(),
    }
}
