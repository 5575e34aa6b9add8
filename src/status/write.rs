//! Writing from the page: signing in, acknowledging, logging, taking back.
//!
//! In: POST requests. Out: an entry, written by the same check as the commands, or one sentence why
//! not; a person is led back to a page, a program gets JSON. Everything here needs the token: in the
//! `Authorization` header, which no other site's page can send, or by a session's cookie together
//! with what our own form carries and a request that began here.

use std::time::Instant;

use axum::Extension;
use axum::extract::{Path, Request, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::json;

use super::Desk;
use super::archive::{Unwritten, Wish, Written};
use super::form::{self, Asked, Fields};
use super::guard::{Shown, is_from_here, sentence, wants_page};
use super::{page, session};
use crate::climate::Stamp;
use crate::config::duration_ms;
use crate::grow::logbook::Deed;
use crate::grow::moment::{Moment, local_text};
use crate::grow::words;
use crate::grow::wrong::{Wrong, unknown};
use crate::watch::alert::{AlertState, Severity};
use crate::watch::limits::{Unwished, may_shelve, may_work};

/// A request whose sender may write, with what it says.
struct Permitted {
    fields: Fields,
    is_person: bool,
    back: String,
}

/// A refusal: a person gets a page, a program one line.
fn refusal(status: StatusCode, is_person: bool, text: &str, back: &str) -> Response {
    if is_person { page::answer(status, page::sentence("Not done", text, back)) } else { sentence(status, text) }
}

/// A sentence of the checks, which begin small and end without a full stop.
fn whole(text: &str) -> String {
    let mut letters = text.trim_end_matches('.').chars();
    let first: String = letters.next().into_iter().flat_map(char::to_uppercase).collect();
    format!("{first}{}.", letters.as_str())
}

/// Lets through who may write.
async fn permit(desk: &Desk, shown: &Shown, request: Request, back: String) -> Result<Permitted, Response> {
    let headers = request.headers().clone();
    let is_person = wants_page(&headers);
    if desk.access.token.is_none() {
        let text =
            "Nothing can be written from here without a token; tubwatch token new makes one and says how to use it.";
        return Err(refusal(StatusCode::FORBIDDEN, is_person, text, &back));
    }
    match shown {
        Shown::Nothing if is_person => {
            return Err(page::answer(StatusCode::UNAUTHORIZED, page::sign::in_form(&back, Some("Sign in first."))));
        }
        Shown::Nothing => {
            let text =
                "Writing needs the header \"Authorization: Bearer TOKEN\" with the token of [status] token_file.";
            let answer = sentence(StatusCode::UNAUTHORIZED, text);
            return Err(([(header::WWW_AUTHENTICATE, "Bearer realm=\"tubwatch\"")], answer).into_response());
        }
        Shown::Session(_) if !is_from_here(&headers) => {
            let text = "This was sent by a page of another site, and is not done.";
            return Err(refusal(StatusCode::FORBIDDEN, is_person, text, &back));
        }
        Shown::Session(_) | Shown::Token => {}
    }
    let fields = Fields::read(request)
        .await
        .map_err(|wrong| refusal(StatusCode::BAD_REQUEST, is_person, &whole(wrong.text()), &back))?;
    if let (Shown::Session(cookie), Some(token)) = (shown, &desk.access.token)
        && !session::is_form_token(token, cookie, fields.get("form").unwrap_or(""))
    {
        let text = "The form is not of this session; go back, load the page again and repeat it.";
        return Err(refusal(StatusCode::FORBIDDEN, is_person, text, &back));
    }
    Ok(Permitted { fields, is_person, back })
}

/// `GET /sign-in`.
pub(super) async fn show_sign_in(State(desk): State<Desk>, request: Request) -> Response {
    let next = super::query_of(request.uri()).into_iter().find(|(name, _)| name == "next").map(|(_, next)| next);
    if desk.access.token.is_none() {
        return page::answer(StatusCode::OK, page::sign::no_token());
    }
    page::answer(StatusCode::OK, page::sign::in_form(&inside(next.as_deref()), None))
}

/// A path of this site; anything else becomes `/`.
pub(super) fn inside(next: Option<&str>) -> String {
    let sound = |path: &&str| {
        path.starts_with('/')
            && !path.starts_with("//")
            && !path.contains('\\')
            && path.bytes().all(|byte| byte.is_ascii_graphic())
    };
    next.filter(sound).unwrap_or("/").to_owned()
}

/// `POST /sign-in`.
pub(super) async fn sign_in(State(desk): State<Desk>, request: Request) -> Response {
    let Some(token) = desk.access.token.clone() else {
        return page::answer(StatusCode::FORBIDDEN, page::sign::no_token());
    };
    if !is_from_here(request.headers()) {
        return refusal(StatusCode::FORBIDDEN, true, "This was sent by a page of another site, and is not done.", "/");
    }
    if !desk.tries.may(Instant::now()) {
        let text = "Too many wrong tokens in the last minute; wait a minute.";
        return refusal(StatusCode::TOO_MANY_REQUESTS, true, text, "/sign-in");
    }
    let fields = match Fields::read(request).await {
        Ok(fields) => fields,
        Err(wrong) => return refusal(StatusCode::BAD_REQUEST, true, &whole(wrong.text()), "/sign-in"),
    };
    let next = inside(fields.get("next"));
    if !desk.access.is_token(fields.get("token").unwrap_or("")) {
        desk.tries.failed(Instant::now());
        return page::answer(StatusCode::UNAUTHORIZED, page::sign::in_form(&next, Some("That is not the token.")));
    }
    let cookie = format!(
        "{}={}; Path=/; Max-Age={}; {}",
        session::COOKIE,
        session::begin(&token, chrono::Utc::now().timestamp()),
        session::LASTS_S,
        desk.access.cookie_ends()
    );
    ([(header::SET_COOKIE, cookie)], see(&next)).into_response()
}

/// `POST /sign-out`.
pub(super) async fn sign_out(
    State(desk): State<Desk>,
    Extension(shown): Extension<Shown>,
    request: Request,
) -> Response {
    if let Err(refused) = permit(&desk, &shown, request, "/".to_owned()).await {
        return refused;
    }
    let cookie = format!("{}=; Path=/; Max-Age=0; {}", session::COOKIE, desk.access.cookie_ends());
    ([(header::SET_COOKIE, cookie)], see("/")).into_response()
}

/// Leads a browser on with a GET.
fn see(path: &str) -> Response {
    (StatusCode::SEE_OTHER, [(header::LOCATION, path.to_owned())]).into_response()
}

fn now() -> Stamp {
    Stamp::from_time(&chrono::Utc::now())
}

/// `POST /alert/ID/acknowledge`.
pub(super) async fn acknowledge(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    Extension(shown): Extension<Shown>,
    request: Request,
) -> Response {
    let back = if id.parse::<i64>().is_ok() { format!("/alert/{id}") } else { "/".to_owned() };
    let permitted = match permit(&desk, &shown, request, back).await {
        Ok(permitted) => permitted,
        Err(refused) => return refused,
    };
    let snapshot = desk.latest();
    let found = id.parse::<i64>().ok().and_then(|id| snapshot.alerts.iter().find(|alert| alert.id == id));
    let Some(alert) = found else {
        let text = format!("No alert that stands has the number {}.", words::printable(&id));
        return refusal(StatusCode::NOT_FOUND, permitted.is_person, &text, "/");
    };
    if alert.state == "acknowledged" {
        return refusal(StatusCode::CONFLICT, permitted.is_person, "It is acknowledged already.", &permitted.back);
    }
    let deed = Deed::Acknowledged { alert: alert.id };
    let said = format!("alert {} acknowledged", alert.id);
    write(&desk, permitted, String::new(), deed, Moment::exact(now()), "/", said).await
}

/// `POST /alert/ID/shelve?for=2h`.
pub(super) async fn shelve(
    State(desk): State<Desk>,
    Path(id): Path<String>,
    Extension(shown): Extension<Shown>,
    request: Request,
) -> Response {
    let back = if id.parse::<i64>().is_ok() { format!("/alert/{id}") } else { "/".to_owned() };
    let permitted = match permit(&desk, &shown, request, back.clone()).await {
        Ok(permitted) => permitted,
        Err(refused) => return refused,
    };
    let snapshot = desk.latest();
    let Some(alert) = snapshot.alerts.iter().find(|alert| alert.id.to_string() == id) else {
        let text = format!("No alert that stands has the number {}.", words::printable(&id));
        return refusal(StatusCode::NOT_FOUND, permitted.is_person, &text, "/");
    };
    let refused = match how_long(&permitted.fields) {
        Err(why) => Err((StatusCode::BAD_REQUEST, why)),
        Ok(for_ms) => {
            let severity = Severity::from_word(alert.severity).unwrap_or(Severity::Critical);
            let state = AlertState::from_word(alert.state).unwrap_or(AlertState::Returned);
            may_shelve("this alert", severity, state, for_ms).map(|()| for_ms).map_err(|why| match why {
                Unwished::Asked(_) => (StatusCode::BAD_REQUEST, whole(&why.to_string())),
                Unwished::Stands(_) => (StatusCode::CONFLICT, whole(&why.to_string())),
            })
        }
    };
    match refused {
        Ok(for_ms) => {
            let deed = Deed::Shelved { alert: alert.id, for_ms };
            let said = words::deed(&deed, desk.archive.plan().timezone);
            write(&desk, permitted, String::new(), deed, Moment::exact(now()), "/", said).await
        }
        Err((status, why)) => refusal(status, permitted.is_person, &why, &back),
    }
}

/// `POST /working?for=1h`, and `space` if it is one only.
pub(super) async fn working(
    State(desk): State<Desk>,
    Extension(shown): Extension<Shown>,
    request: Request,
) -> Response {
    let permitted = match permit(&desk, &shown, request, "/".to_owned()).await {
        Ok(permitted) => permitted,
        Err(refused) => return refused,
    };
    let plan = desk.archive.plan();
    let space = permitted.fields.get("space").map(str::to_owned);
    let spaces = || plan.setup.spaces.iter().map(|space| space.name.as_str());
    let unknown_space = space.as_deref().filter(|space| spaces().all(|known| known != *space));
    let for_ms = how_long(&permitted.fields);
    let for_ms = for_ms.and_then(|for_ms| may_work(for_ms).map(|()| for_ms).map_err(|why| whole(&why.to_string())));
    let why = match (for_ms, unknown_space) {
        (Err(why), _) => why,
        (_, Some(space)) => whole(&unknown("space", space, spaces())),
        (Ok(for_ms), None) => {
            let deed = Deed::Working { space, for_ms };
            let said = words::deed(&deed, plan.timezone);
            return write(&desk, permitted, String::new(), deed, Moment::exact(now()), "/", said).await;
        }
    };
    refusal(StatusCode::BAD_REQUEST, permitted.is_person, &why, "/")
}

/// The span of time in the field `for`.
fn how_long(fields: &Fields) -> Result<i64, String> {
    let text = fields.get("for").unwrap_or("");
    duration_ms(text).filter(|ms| *ms > 0).ok_or_else(|| {
        format!("\"for\" is \"{}\": no span of time; write it like 30min or 2h.", words::printable(text))
    })
}

/// `POST /tub/NAME/log`.
pub(super) async fn log(
    State(desk): State<Desk>,
    Path(name): Path<String>,
    Extension(shown): Extension<Shown>,
    request: Request,
) -> Response {
    let back = inside(Some(request.uri().path()));
    let permitted = match permit(&desk, &shown, request, back.clone()).await {
        Ok(permitted) => permitted,
        Err(refused) => return refused,
    };
    let timezone = desk.archive.plan().timezone;
    let deed = match form::asked(&permitted.fields, timezone, now()) {
        Ok(Asked::Log(deed, at)) => Ok((deed, at)),
        Ok(Asked::TakeBack(entry)) => {
            taken_back(&desk, name.clone(), entry).await.map(|deed| (deed, Moment::exact(now())))
        }
        Err(wrong) => Err((StatusCode::BAD_REQUEST, whole(wrong.text()))),
    };
    match deed {
        Ok((deed, at)) => {
            let said = words::deed(&deed, timezone);
            write(&desk, permitted, name, deed, at, &back, said).await
        }
        Err((status, why)) => refusal(status, permitted.is_person, &why, &back),
    }
}

/// The amendment that makes an entry of the last minutes void.
async fn taken_back(desk: &Desk, name: String, entry: i64) -> Result<Deed, (StatusCode, String)> {
    let found = desk.blocking(move |archive| {
        let reader = archive.reader().map_err(|_| "The logbook cannot be read.".to_owned())?;
        let entries = reader.entries().map_err(|why| format!("{why}."))?;
        let book = crate::grow::fold::fold(&entries, archive.plan().timezone);
        let tub = book.find(&name).map(|tub| tub.id.clone()).unwrap_or_default();
        Ok(entries.iter().find(|one| one.id == entry && one.tub == tub).map(|one| one.written_at))
    });
    match found.await.and_then(|found: Result<_, String>| found) {
        Err(why) => Err((StatusCode::SERVICE_UNAVAILABLE, why)),
        Ok(None) => Err((StatusCode::NOT_FOUND, format!("This tub has no entry {entry}."))),
        Ok(Some(at)) if !page::log::is_recent(at, now()) => Err((
            StatusCode::CONFLICT,
            format!("Entry {entry} is older than ten minutes; to take it back now: tubwatch amend {entry} --void."),
        )),
        Ok(Some(_)) => Ok(Deed::Amended {
            entry,
            void: true,
            at_ms: None,
            fresh_g: None,
            dry_g: None,
            text: None,
            more: Box::default(),
        }),
    }
}

/// Writes the entry and answers.
async fn write(
    desk: &Desk,
    permitted: Permitted,
    tub: String,
    deed: Deed,
    at: Moment,
    next: &str,
    said: String,
) -> Response {
    let wish = Wish { tub, deed, at, now: now() };
    let written = match desk.blocking(move |archive| archive.write(wish)).await {
        Ok(written) => written,
        Err(why) => return refusal(StatusCode::SERVICE_UNAVAILABLE, permitted.is_person, &why, &permitted.back),
    };
    let Permitted { is_person, back, .. } = permitted;
    match written {
        Ok(_) if is_person => see(next),
        Ok(written) => {
            let body = told(&written, &said, desk.archive.plan().timezone);
            (StatusCode::CREATED, [(header::CONTENT_TYPE, "application/json")], body.to_string()).into_response()
        }
        Err(Unwritten::NoTub(text)) => refusal(StatusCode::NOT_FOUND, is_person, &whole(&text), "/"),
        Err(Unwritten::Wrong(Wrong::Word(text))) => refusal(StatusCode::BAD_REQUEST, is_person, &whole(&text), &back),
        Err(Unwritten::Wrong(Wrong::Forbidden(text))) => refusal(StatusCode::CONFLICT, is_person, &whole(&text), &back),
        Err(Unwritten::Store(text)) => refusal(StatusCode::SERVICE_UNAVAILABLE, is_person, &whole(&text), &back),
    }
}

fn told(written: &Written, said: &str, timezone: chrono_tz::Tz) -> serde_json::Value {
    let resolved = written.resolved.as_ref();
    json!({
        "entry": written.entry,
        "said": said,
        "tub": resolved.map(|resolved| resolved.tub.clone()),
        "at": resolved.map(|resolved| resolved.at.rfc3339()),
        "local": resolved.map(|resolved| local_text(resolved.at, timezone)),
        "stage": resolved.and_then(|resolved| resolved.after.as_ref()).map(|tub| tub.stage.word()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sign_in_leads_nowhere_else() {
        for (next, expected) in [
            (Some("/tub/A1"), "/tub/A1"),
            (None, "/"),
            (Some("//example.invalid"), "/"),
            (Some("https://example.invalid/"), "/"),
            (Some("/\\example.invalid"), "/"),
            (Some("/a\r\nset-cookie: x"), "/"),
        ] {
            assert_eq!(inside(next), expected);
        }
    }
}
