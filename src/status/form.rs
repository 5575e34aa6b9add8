//! What a person or a program sends to be logged, read as the commands read it.
//!
//! In: fields of a form, or the members of one JSON object. Out: a [`Deed`] and its moment, or one
//! sentence. The words are the logbook's (`harvested`) and the commands' (`harvest`). Left out:
//! whether the logbook allows it (`grow::check`).

use axum::body::Bytes;
use axum::extract::{FromRequest, Query, Request};
use axum::http::{Uri, header};

use crate::climate::Stamp;
use crate::grow::logbook::Deed;
use crate::grow::measures::{FRESH_MAX_G, mass_g};
use crate::grow::moment::{self, Moment};
use crate::grow::wrong::{Wrong, nearest};

/// The largest body taken: the longest note there may be, in the widest encoding, and room beside it.
pub(super) const BODY_BYTES_MAX: usize = 32 * 1024;

/// The words for what may be logged from the page.
const WORDS: [&str; 15] = [
    "looked",
    "colonised",
    "opened",
    "closed",
    "cased",
    "pins",
    "harvested",
    "rested",
    "soaked",
    "suspected",
    "discarded",
    "noted",
    "moved",
    "core",
    "take-back",
];

/// Fields by name.
#[derive(Debug, Default)]
pub(super) struct Fields(Vec<(String, String)>);

impl Fields {
    /// Reads the query and the body of `request`: a form's, or one JSON object of plain values.
    pub(super) async fn read(request: Request) -> Result<Fields, Wrong> {
        let mut fields = Fields::of_query(request.uri())?;
        let kind = request.headers().get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok());
        let kind = kind.unwrap_or("").split(';').next().unwrap_or("").trim().to_ascii_lowercase();
        let is_json = kind == "application/json";
        let body = Bytes::from_request(request, &())
            .await
            .map_err(|_| Wrong::Word(format!("the body cannot be read; send at most {} KiB", BODY_BYTES_MAX / 1024)))?;
        if body.is_empty() {
            return Ok(fields);
        }
        if is_json {
            fields.0.extend(json_fields(&body)?);
        } else {
            let text = std::str::from_utf8(&body).ok().map(str::trim);
            let uri = text.and_then(|text| format!("/?{text}").parse::<Uri>().ok());
            let uri = uri.ok_or_else(|| Wrong::Word("the body is no form; send name=value&name=value".to_owned()))?;
            fields.0.extend(Fields::of_query(&uri)?.0);
        }
        Ok(fields)
    }

    fn of_query(uri: &Uri) -> Result<Fields, Wrong> {
        Query::<Vec<(String, String)>>::try_from_uri(uri)
            .map(|Query(pairs)| Fields(pairs))
            .map_err(|_| Wrong::Word("the fields cannot be read; send name=value&name=value".to_owned()))
    }

    /// The field called `name`, if it is there and not blank.
    pub(super) fn get(&self, name: &str) -> Option<&str> {
        let found = self.0.iter().find(|(key, _)| key == name).map(|(_, value)| value.trim());
        found.filter(|value| !value.is_empty())
    }

    fn text(&self, name: &str) -> Option<String> {
        self.get(name).map(str::to_owned)
    }

    fn needed(&self, name: &str, what: &str) -> Result<String, Wrong> {
        self.text(name).ok_or_else(|| Wrong::Word(format!("\"{name}\" is missing: {what}")))
    }
}

fn json_fields(body: &[u8]) -> Result<Vec<(String, String)>, Wrong> {
    use serde_json::Value;
    let wrong = || Wrong::Word("the body is no JSON object of plain values".to_owned());
    let Ok(Value::Object(members)) = serde_json::from_slice(body) else { return Err(wrong()) };
    let plain = |value: Value| match value {
        Value::String(text) => Some(text),
        Value::Number(number) => Some(number.to_string()),
        Value::Bool(flag) => Some(flag.to_string()),
        Value::Null => Some(String::new()),
        Value::Array(_) | Value::Object(_) => None,
    };
    members.into_iter().map(|(name, value)| plain(value).map(|value| (name, value)).ok_or_else(wrong)).collect()
}

/// What is to be logged.
#[derive(Debug)]
pub(super) enum Asked {
    /// An entry.
    Log(Deed, Moment),
    /// The entry with this number is to be void, if it is of the last minutes.
    TakeBack(i64),
}

/// Reads what is to be logged at `now` in `timezone`.
///
/// # Errors
/// [`Wrong::Word`] for what means nothing.
pub(super) fn asked(fields: &Fields, timezone: chrono_tz::Tz, now: Stamp) -> Result<Asked, Wrong> {
    let word = fields.needed("deed", &format!("one of {}", WORDS.join(", ")))?;
    if matches!(word.as_str(), "take-back" | "taken-back") {
        let number = fields.needed("entry", "the number of the entry to take back")?;
        let number =
            number.parse().map_err(|_| Wrong::Word(format!("entry: \"{number}\" is no number of an entry")))?;
        return Ok(Asked::TakeBack(number));
    }
    let at = fields.get("at").map_or(Ok(Moment::exact(now)), |at| moment::parse(at, timezone, now))?;
    Ok(Asked::Log(deed(&word, fields)?, at))
}

fn deed(word: &str, fields: &Fields) -> Result<Deed, Wrong> {
    Ok(match word {
        "looked" => Deed::Looked,
        "colonised" => Deed::Colonised,
        "opened" | "open" => Deed::Opened { to: fields.text("to") },
        "closed" | "close" => Deed::Closed,
        "cased" => Deed::Cased,
        "pins" => Deed::Pins,
        "harvested" | "harvest" => harvest(fields)?,
        "rested" | "rest" => Deed::Rested,
        "soaked" => Deed::Soaked,
        "suspected" | "suspect" => Deed::Suspected { what: fields.text("what"), place: fields.text("where") },
        "discarded" | "discard" => {
            Deed::Discarded { because: fields.needed("because", "contaminated, spent or other")? }
        }
        "noted" | "note" => Deed::Noted { text: fields.needed("text", "what you saw")? },
        "moved" | "move" => Deed::Moved { to: fields.needed("to", "the space it goes to")? },
        "core" => {
            let probe = fields.needed("probe", "the core probe's name, or none")?;
            Deed::Core { probe: Some(probe).filter(|probe| probe != "none") }
        }
        "spawned" | "spawn" => {
            return Err(Wrong::Word("a tub begins with the command tubwatch spawn, not from here".to_owned()));
        }
        other => {
            let near = nearest(other, WORDS).map_or_else(|| WORDS.join(", "), |near| format!("the nearest is {near}"));
            return Err(Wrong::Word(format!("deed: nothing is called \"{other}\" here; {near}")));
        }
    })
}

fn harvest(fields: &Fields) -> Result<Deed, Wrong> {
    let mass = |name: &str| fields.get(name).or_else(|| fields.get(&format!("{name}_g")));
    let fresh = mass("fresh").ok_or_else(|| Wrong::Word("fresh: how many grams? Write it like 412".to_owned()))?;
    let flush = fields.get("flush").map(|text| {
        text.parse().map_err(|_| Wrong::Word(format!("flush: \"{text}\" is no number of a flush; they count from 1")))
    });
    Ok(Deed::Harvested {
        fresh_g: mass_g("fresh", fresh, FRESH_MAX_G)?,
        dry_g: mass("dry").map(|dry| mass_g("dry", dry, FRESH_MAX_G)).transpose()?,
        flush: flush.transpose()?,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use super::*;

    fn said(body: &str) -> Result<Deed, String> {
        let fields = Fields::of_query(&format!("/?{body}").parse().unwrap()).unwrap();
        match asked(&fields, chrono_tz::UTC, Stamp(1_795_586_400_000)) {
            Ok(Asked::Log(deed, _)) => Ok(deed),
            Ok(Asked::TakeBack(_)) => panic!("not asked for"),
            Err(wrong) => Err(wrong.text().to_owned()),
        }
    }

    #[test]
    fn words_of_the_commands_and_of_the_logbook() {
        let harvest = Deed::Harvested { fresh_g: 412.0, dry_g: None, flush: Some(2) };
        assert_eq!(said("deed=harvest&fresh=412&flush=2").unwrap(), harvest);
        assert_eq!(said("deed=harvested&fresh_g=412.0&flush=2&dry=").unwrap(), harvest);
        assert_eq!(said("deed=note&text=white+%26+dry").unwrap(), Deed::Noted { text: "white & dry".to_owned() });
        assert_eq!(said("deed=open").unwrap(), Deed::Opened { to: None });
    }

    #[test]
    fn what_means_nothing_is_said() {
        for (body, expected) in [
            ("", "\"deed\" is missing"),
            ("deed=harvestd", "the nearest is harvested"),
            ("deed=harvest", "how many grams"),
            ("deed=harvest&fresh=much", "is no mass"),
            ("deed=harvest&fresh=1&flush=x", "no number of a flush"),
            ("deed=spawn", "tubwatch spawn"),
            ("deed=moved", "\"to\" is missing"),
            ("deed=looked&at=soon", "is no time"),
        ] {
            let said = said(body).unwrap_err();
            assert!(said.contains(expected), "{body}: {said}");
        }
        assert!(json_fields(b"{\"deed\": [1]}").is_err() && json_fields(b"7").is_err());
    }
}
