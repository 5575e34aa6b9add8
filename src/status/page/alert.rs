//! One alert, and one large key: where a message on the phone leads.
//!
//! In: the alert as the snapshot shows it. Out: a page.

use maud::{Markup, html};

use super::Page;
use super::home::subject_link;
use crate::status::snapshot::{AlertView, Snapshot};
use crate::status::wording::Clock;

/// The page. `form` is what the forms carry; without it the reader is asked to sign in.
pub(in crate::status) fn page(alert: &AlertView, snapshot: &Snapshot, clock: Clock, form: Option<&str>) -> Page {
    let main = html! {
        p { a href="/" { (snapshot.site) } }
        h1 { (severity(alert.severity)) ": " (subject_link(&alert.subject, snapshot)) }
        p { (alert.text) }
        p.small { "Since " (clock.short(alert.since)) ". " (state(alert.state)) }
        (keys(alert, form))
    };
    Page { title: format!("{}: {}", severity(alert.severity), alert.subject), main, is_live: false }
}

/// What may be done about it.
pub(in crate::status) fn keys(alert: &AlertView, form: Option<&str>) -> Markup {
    let waits = matches!(alert.state, "unacknowledged" | "returned" | "suppressed" | "shelved");
    html! {
        @match form {
            Some(form) => {
                @if waits {
                    form method="post" action=(format!("/alert/{}/acknowledge", alert.id)) {
                        input type="hidden" name="form" value=(form);
                        button.first.large type="submit" { "Acknowledge" }
                    }
                }
            }
            None => {
                p { a.key.large href=(format!("/sign-in?next=/alert/{}", alert.id)) { "Sign in to acknowledge" } }
                p.small { "Or on the machine itself: " code { "tubwatch acknowledge " (alert.id) } }
            }
        }
    }
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
pub(in crate::status) fn state(word: &str) -> &'static str {
    match word {
        "acknowledged" => "Acknowledged.",
        "returned" => "It is over, and nobody has acknowledged it yet.",
        "shelved" => "Put aside for a while.",
        "suppressed" => "Another alert explains it.",
        _ => "Nobody has acknowledged it yet.",
    }
}
