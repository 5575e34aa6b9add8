//! The logbook on a page: its lines, and the forms that add one, with keys for wet hands.
//!
//! In: a tub and the logbook. Out: forms that work without scripts. Left out: what the logbook
//! allows, which is checked when it is written.

use maud::{Markup, html};

use super::Page;
use crate::climate::Stamp;
use crate::climate::stamp::MINUTE_MS;
use crate::grow::amend::Line;
use crate::grow::check::REASONS;
use crate::grow::fold::Book;
use crate::grow::logbook::Deed;
use crate::grow::tub::{Stage, Tub};
use crate::grow::words;
use crate::status::wording::{Clock, path};

/// So long an entry can be taken back with one key.
pub(in crate::status) const TAKE_BACK_MS: i64 = 10 * MINUTE_MS;

/// Whether `written_at` is so recent that one key takes the entry back at `now`.
pub(in crate::status) fn is_recent(written_at: Stamp, now: Stamp) -> bool {
    (-MINUTE_MS..=TAKE_BACK_MS).contains(&now.since(written_at))
}

/// The tub's lines, newest first.
pub(in crate::status) fn lines(book: &Book, tub: &Tub, clock: Clock, form: Option<&str>) -> Markup {
    let mut lines = book.log(&tub.id);
    lines.reverse();
    list(&lines, tub, clock, form)
}

fn list(lines: &[&Line], tub: &Tub, clock: Clock, form: Option<&str>) -> Markup {
    html! {
        ul.log { @for line in lines { (one_line(line, tub, clock, form)) } }
    }
}

fn one_line(line: &Line, tub: &Tub, clock: Clock, form: Option<&str>) -> Markup {
    let entry = &line.entry;
    let said = words::deed(&entry.deed, clock.timezone);
    let void = line.void_by.is_some();
    let may = !void && is_recent(entry.written_at, clock.now) && !matches!(entry.deed, Deed::Amended { .. });
    html! {
        li {
            time datetime=(entry.at.rfc3339()) { (clock.short(entry.at)) } ": "
            @if void { span.void { (said) } " (taken back)" } @else { (said) }
            @if let Some(oddity) = &line.oddity { " It does not fit and is passed over: " (oddity) "." }
            @if let Some(form) = form.filter(|_| may) {
                form method="post" action=(path("tub", &tub.id) + "/log") {
                    input type="hidden" name="form" value=(form);
                    input type="hidden" name="deed" value="take-back";
                    input type="hidden" name="entry" value=(entry.id);
                    button type="submit" { "Take back: " (entry.deed.word()) }
                }
            }
        }
    }
}

/// The page of forms.
pub(in crate::status) fn page(book: &Book, tub: &Tub, spaces: &[&str], clock: Clock, form: Option<&str>) -> Page {
    let action = path("tub", &tub.id) + "/log";
    let mut all = book.log(&tub.id);
    all.sort_by_key(|line| std::cmp::Reverse(line.entry.id));
    let (fresh, rest): (Vec<&Line>, Vec<&Line>) =
        all.into_iter().partition(|line| is_recent(line.entry.written_at, clock.now));
    let main = html! {
        p { a href=(path("tub", &tub.id)) { "Back to " (tub.name) } }
        h1 { "Log: " (tub.name) ", " (tub.stage.word()) }
        @if !fresh.is_empty() { h2 { "Just written" } (list(&fresh, tub, clock, form)) }
        @match form {
            None => { p { a.key.large href=(format!("/sign-in?next={action}")) { "Sign in to log" } } }
            Some(form) if tub.is_alive() => {
                @if tub.stage != Stage::Colonising { (harvest(&action, form)) (deeds(&action, form, tub.stage)) }
                @else { (deeds(&action, form, tub.stage)) (harvest(&action, form)) }
                (note(&action, form))
                (elsewhere(&action, form, tub, spaces))
                (trouble(&action, form))
            }
            Some(form) => { p { "It has ended; only a note can be added." } (note(&action, form)) }
        }
        @if !rest.is_empty() { h2 { "Before" } (list(&rest, tub, clock, form)) }
    };
    Page { title: format!("Log: {}", tub.name), main, is_live: false }
}

fn hidden(form: &str, deed: &str) -> Markup {
    html! {
        input type="hidden" name="form" value=(form);
        input type="hidden" name="deed" value=(deed);
    }
}

fn harvest(action: &str, form: &str) -> Markup {
    html! {
        h2 { "Harvest" }
        form method="post" action=(action) {
            (hidden(form, "harvested"))
            label for="fresh" { "Fresh, grams" }
            input.grams id="fresh" name="fresh" inputmode="decimal" autocomplete="off" required;
            div.digits data-digits="fresh" {}
            details id="harvest-more" {
                summary { "Dry mass, flush" }
                label for="dry" { "Dried, grams" }
                input id="dry" name="dry" inputmode="decimal" autocomplete="off";
                label for="flush" { "Flush, if it is not the one under way" }
                input id="flush" name="flush" inputmode="numeric" autocomplete="off";
            }
            p.small { "Pick before the caps drop spores, wear a mask, vent the room. Never eat a mushroom you cannot identify for certain; cook what you eat." }
            button.first.large type="submit" { "Log the harvest" }
        }
    }
}

fn deeds(action: &str, form: &str, stage: Stage) -> Markup {
    let offered: &[(&str, &str)] = match stage {
        Stage::Colonising => &[("looked", "Looked"), ("colonised", "Colonised"), ("opened", "Opened")],
        Stage::Ripening => &[("looked", "Looked"), ("opened", "Opened"), ("cased", "Cased")],
        _ => &[
            ("looked", "Looked"),
            ("pins", "Pins seen"),
            ("cased", "Cased"),
            ("closed", "Closed"),
            ("opened", "Opened"),
            ("rested", "Resting"),
            ("soaked", "Soaked"),
        ],
    };
    html! {
        h2 { "What happened" }
        div.row {
            @for (deed, said) in offered {
                form method="post" action=(action) { (hidden(form, deed)) button.large type="submit" { (said) } }
            }
        }
    }
}

fn note(action: &str, form: &str) -> Markup {
    html! {
        h2 { "Note" }
        form method="post" action=(action) {
            (hidden(form, "noted"))
            label for="text" { "What you saw" }
            textarea id="text" name="text" rows="3" required {}
            p { button.large type="submit" { "Log the note" } }
        }
    }
}

fn elsewhere(action: &str, form: &str, tub: &Tub, spaces: &[&str]) -> Markup {
    let others: Vec<&&str> = spaces.iter().filter(|space| **space != tub.space()).collect();
    html! {
        @if !others.is_empty() {
            h2 { "Move" }
            form method="post" action=(action) {
                (hidden(form, "moved"))
                label for="to" { "It stands in " (tub.space()) "; it goes to" }
                select id="to" name="to" { @for space in others { option value=(space) { (space) } } }
                p { button.large type="submit" { "Log the move" } }
            }
        }
    }
}

fn trouble(action: &str, form: &str) -> Markup {
    html! {
        h2 { "Trouble, or the end" }
        p { "Mould: keep it closed and do not sniff at it. Mask on, carry it outside, then wash hands and tools. People with asthma or a weak immune system stay away." }
        details id="trouble" {
            summary { "Mould suspected" }
            form method="post" action=(action) {
                (hidden(form, "suspected"))
                label for="what" { "Colour or kind" }
                input id="what" name="what" autocomplete="off";
                label for="where" { "Where" }
                input id="where" name="where" autocomplete="off";
                p { button.large type="submit" { "Log it" } }
            }
        }
        details id="end" {
            summary { "End this tub" }
            form method="post" action=(action) {
                (hidden(form, "discarded"))
                label for="because" { "Because it is" }
                select id="because" name="because" { @for reason in REASONS { option value=(reason) { (reason) } } }
                p { button.large type="submit" { "End it" } }
            }
        }
    }
}
