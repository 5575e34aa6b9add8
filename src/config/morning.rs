//! `[morning]` and `[sign_of_life]`.

use std::time::Duration;

use chrono::NaiveTime;

use super::fault::Cause;
use super::names::Names;
use super::plan::{MorningPlan, Secret, SignOfLifePlan};
use super::url;
use super::walk::{Desk, Section, Text};
use super::word::quoted;
use crate::climate::stamp::{DAY_MS, SECOND_MS};

/// How often the sign of life is given where the config does not say, ms.
const SIGN_EVERY_MS: i64 = 5 * 60 * SECOND_MS;

/// A time of day such as `07:30`.
pub(super) fn time_of_day(desk: &mut Desk<'_>, text: &Text<'_>) -> Option<NaiveTime> {
    let time = (text.text.len() == 5).then(|| NaiveTime::parse_from_str(text.text, "%H:%M").ok()).flatten();
    if time.is_none() {
        let sentence = format!("found {}, expected a time of day such as \"07:30\"", quoted(text.text));
        desk.fault(text.at, &text.path, Cause::Value, sentence);
    }
    time
}

pub(super) fn morning(desk: &mut Desk<'_>, root: &Section<'_>, messengers: &Names<()>) -> Option<MorningPlan> {
    let section = root.section(desk, "morning")?;
    section.only(desk, &["at", "to"]);
    let at = section.needed_text(desk, "at", "a time of day such as \"07:30\"");
    let at = at.and_then(|text| time_of_day(desk, &text));
    let expected = "a list of messengers such as [\"phone\"]";
    let to = section.needed(desk, "to", expected).and_then(|found| {
        let texts = found.texts(desk, expected)?;
        if texts.is_empty() {
            desk.fault(found.at, &found.path, Cause::Value, format!("found an empty list, expected {expected}"));
        }
        Some(texts)
    });
    let mut names: Vec<String> = Vec::new();
    for text in to? {
        if messengers.find(desk, &text).is_some() && !names.iter().any(|name| name == text.text) {
            names.push(text.text.to_owned());
        }
    }
    Some(MorningPlan { at: at?, to: names })
}

pub(super) fn sign_of_life(desk: &mut Desk<'_>, root: &Section<'_>) -> Option<SignOfLifePlan> {
    let section = root.section(desk, "sign_of_life")?;
    section.only(desk, &["url", "every"]);
    let url = section.needed_text(desk, "url", "the address that is asked for, https:// or http://");
    if let Some(url) = &url
        && let Err(why) = url::parse(url.text, ["https", "http"])
    {
        desk.fault(url.at, &url.path, Cause::Value, why);
    }
    let every = section.found("every").map(|found| found.duration(desk, SECOND_MS..=DAY_MS));
    let every_ms = every.map_or(Some(SIGN_EVERY_MS), |every| every)?;
    Some(SignOfLifePlan { url: Secret(url?.text.to_owned()), every: Duration::from_millis(every_ms.unsigned_abs()) })
}
