//! Signing in: the one form that takes the token.

use maud::html;

use super::Page;
use crate::status::guard::SIGN_IN;

/// The form; `next` is where it leads, `wrong` what was wrong the last time.
pub(in crate::status) fn in_form(next: &str, wrong: Option<&str>) -> Page {
    let main = html! {
        h1 { "Sign in" }
        @if let Some(wrong) = wrong { p role="alert" { strong { (wrong) } } }
        p { "Whoever holds the token may log, acknowledge and move tubs. It stands in the file that [status] token_file names; " code { "tubwatch token new" } " makes one." }
        form method="post" action=(SIGN_IN) {
            input type="hidden" name="next" value=(next);
            label for="token" { "Token" }
            input id="token" name="token" type="password" autocomplete="current-password" required;
            p { button.first.large type="submit" { "Sign in" } }
        }
        p { a href=(next) { "Go on without signing in" } }
    };
    Page { title: "Sign in".to_owned(), main, is_live: false }
}

/// There is no token: nobody writes.
pub(in crate::status) fn no_token() -> Page {
    let main = html! {
        h1 { "Sign in" }
        p { "There is no token yet, so nothing can be written from here. On the machine itself, " code { "tubwatch token new" } " makes one and says how to use it." }
        p { a.key href="/" { "Back" } }
    };
    Page { title: "Sign in".to_owned(), main, is_live: false }
}
