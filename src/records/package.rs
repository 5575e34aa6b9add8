//! `datapackage.json`: what each file and column of an export is, as a Tabular Data Package (Data Package
//! specification version 1), so that a program or a stranger can read the folder in ten years.
//!
//! In: the site's name, when it was made, how fine the climate is. Out: the descriptor. Every column has a
//! type, a unit where it is a measure, and its meaning. Pure.

use serde_json::{Value, json};

use super::export::Every;
use super::package_fields::{ALERTS, CLIMATE, FLUSHES, Field, HEAT_RUNS, LOG, QUALITY, TUBS};
use crate::climate::Stamp;

/// The descriptor's file in the folder.
pub(super) const FILE: &str = "datapackage.json";

/// The descriptor of an export.
pub(super) fn descriptor(site: &str, created: Stamp, every: Every) -> Value {
    let climate: Vec<&Field> = match every {
        Every::Hourly => CLIMATE.iter().collect(),
        Every::Raw => CLIMATE.iter().chain([&QUALITY]).collect(),
    };
    let rows = match every {
        Every::Hourly => "The climate, a row an hour and probe; good readings only",
        Every::Raw => "The climate, a row for each message of a probe, with its quality",
    };
    json!({
        "profile": "tabular-data-package",
        "name": slug(site),
        "title": format!("Climate beside yields: {site}"),
        "description": "Made by tubwatch. Times are RFC 3339 with the site's offset, temperatures °C, masses grams. An empty \
                        cell means not measured or not known, never zero; every climate figure stands beside its coverage.",
        "created": created.rfc3339(),
        "resources": [
            resource("climate", rows, &climate, None),
            resource("tubs", "A row for each filling of a tub, bag, block, bottle or bed", &all(&TUBS), Some(json!("id"))),
            resource("flushes", "A row for each flush that was picked, its climate beside its yield", &all(&FLUSHES), Some(json!(["id", "flush"]))),
            resource("heat_runs", "A row for each heat run of substrate", &all(&HEAT_RUNS), Some(json!("run"))),
            resource("log", "The logbook; nothing is ever erased", &all(&LOG), Some(json!("entry"))),
            resource("alerts", "Every alert with its times", &all(&ALERTS), Some(json!("id"))),
        ],
    })
}

fn all(fields: &[Field]) -> Vec<&Field> {
    fields.iter().collect()
}

fn resource(name: &str, title: &str, fields: &[&Field], key: Option<Value>) -> Value {
    let mut schema = json!({
        "fields": fields.iter().map(|field| field_json(field)).collect::<Vec<_>>(),
        "missingValues": [""],
    });
    if let Some(key) = key {
        schema["primaryKey"] = key;
    }
    json!({
        "profile": "tabular-data-resource",
        "name": name,
        "path": format!("{name}.csv"),
        "title": title,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": { "delimiter": ",", "lineTerminator": "\r\n", "quoteChar": "\"", "doubleQuote": true, "header": true },
        "schema": schema,
    })
}

fn field_json(field: &Field) -> Value {
    let mut json = json!({ "name": field.name, "type": field.kind, "description": field.meaning });
    if !field.unit.is_empty() {
        json["unit"] = field.unit.into();
    }
    if field.kind == "datetime" {
        // The default format of version 1 knows UTC only; these carry an offset.
        json["format"] = "any".into();
    }
    json
}

/// The site's name as a package's: lower-case letters, digits and hyphens.
fn slug(site: &str) -> String {
    let letters = site.to_lowercase();
    let plain: String =
        letters.chars().map(|letter| if letter.is_ascii_alphanumeric() { letter } else { '-' }).collect();
    let slug = plain.split('-').filter(|part| !part.is_empty()).collect::<Vec<_>>().join("-");
    if slug.is_empty() { "tubwatch".to_owned() } else { slug }
}
