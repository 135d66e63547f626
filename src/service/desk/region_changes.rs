//! What was changed of a region, in words: the audit keeps it as the fields of a record.

use std::collections::BTreeSet;

use serde_json::{Map, Value};

use crate::language::Language;
use crate::region::{Band, Release};
use crate::units::grouped_feet;

/// Fields of a region and their names at the desk, in the order in which they are told.
const FIELDS: [(&str, &str); 15] = [
    ("name", "Name"),
    ("id", "Short name"),
    ("zips", "ZIP codes"),
    ("band", "Heights"),
    ("landmarks", "Landmarks"),
    ("elevation_m", "Elevation"),
    ("place", "Place"),
    ("county", "County"),
    ("state", "State"),
    ("time_zone", "Time zone"),
    ("stations", "Stations"),
    ("release", "Notices leave"),
    ("owner_reports", "What owners report counts"),
    ("profile", "The insect’s profile"),
    ("retired", "Out of use"),
];

/// The detail of an act on a region, as the audit has it, for whoever reads a page. What is no record of fields stays as it is.
pub fn in_words(detail: &str) -> String {
    if let Ok(Value::Object(fields)) = serde_json::from_str(detail) {
        return added(&fields);
    }
    changed(detail).unwrap_or_else(|| detail.to_owned())
}

fn added(fields: &Map<String, Value>) -> String {
    let told = FIELDS.iter().filter_map(|(field, name)| {
        let value = fields.get(*field)?;
        (!is_empty(value)).then(|| format!("{name}: {}", value_words(field, value)))
    });
    told.collect::<Vec<_>>().join("; ")
}

/// Of `name: "North" → "North Rim"; zips: […] → […]`.
fn changed(detail: &str) -> Option<String> {
    let mut told: Vec<(usize, String)> = Vec::new();
    for part in outside(detail, "; ") {
        let (field, values) = part.split_once(": ")?;
        let values = outside(values, " → ");
        let [before, after] = values.as_slice() else { return None };
        let (before, after): (Value, Value) = (serde_json::from_str(before).ok()?, serde_json::from_str(after).ok()?);
        let at = FIELDS.iter().position(|(of, _)| *of == field);
        let name = at.and_then(|at| FIELDS.get(at)).map_or(field, |(_, name)| *name);
        told.push((at.unwrap_or(FIELDS.len()), format!("{name}: {}", change_words(field, &before, &after))));
    }
    told.sort_by_key(|(at, _)| *at);
    Some(told.into_iter().map(|(_, words)| words).collect::<Vec<_>>().join("; "))
}

/// Of a list what came and what went, else from what to what.
fn change_words(field: &str, before: &Value, after: &Value) -> String {
    let set = |value: &Value| -> BTreeSet<String> { value.as_array().into_iter().flatten().map(plain).collect() };
    let (old, new) = (set(before), set(after));
    let came = new.difference(&old).cloned().collect::<Vec<_>>().join(", ");
    let went = old.difference(&new).cloned().collect::<Vec<_>>().join(", ");
    match (came.as_str(), went.as_str()) {
        ("", "") => format!("from {} to {}", value_words(field, before), value_words(field, after)),
        (came, "") => format!("{came} added"),
        ("", went) => format!("{went} taken out"),
        (came, went) => format!("{came} added, {went} taken out"),
    }
}

fn is_empty(value: &Value) -> bool {
    match value {
        Value::Null | Value::Bool(false) => true,
        Value::String(text) => text.is_empty(),
        Value::Array(all) => all.is_empty(),
        Value::Bool(true) | Value::Number(_) | Value::Object(_) => false,
    }
}

fn value_words(field: &str, value: &Value) -> String {
    let known = match field {
        "elevation_m" => value.as_f64().map(|metres| format!("{} ft", grouped_feet(metres))),
        "place" => place(value),
        "band" => serde_json::from_value::<Band>(value.clone()).ok().map(|band| band.words(Language::En)),
        "release" => serde_json::from_value::<Release>(value.clone()).ok().map(release),
        "owner_reports" => match value.as_str() {
            Some("at-once") => Some("at once".to_owned()),
            Some("when-confirmed") => Some("when staff confirm it".to_owned()),
            _ => None,
        },
        _ => None,
    };
    known.unwrap_or_else(|| plain(value))
}

fn place(value: &Value) -> Option<String> {
    let of = |name: &str| value.get(name)?.as_f64();
    Some(format!("{}, {}", of("latitude")?, of("longitude")?))
}

/// How notices of a region leave.
pub fn release(release: Release) -> String {
    match release {
        Release::AtOnce => "at once".to_owned(),
        Release::UnlessHeld { hours } => format!("after {hours} hours, unless staff hold them"),
        Release::WhenConfirmed => "only when staff confirm them".to_owned(),
    }
}

fn plain(value: &Value) -> String {
    match value {
        Value::Null => "nothing".to_owned(),
        Value::Bool(is) => if *is { "yes" } else { "no" }.to_owned(),
        Value::String(text) => text.clone(),
        Value::Array(all) if all.is_empty() => "none".to_owned(),
        Value::Array(all) => all.iter().map(plain).collect::<Vec<_>>().join(", "),
        Value::Number(_) | Value::Object(_) => value.to_string(),
    }
}

/// The parts of a text between signs that stand in no quoted words.
fn outside<'a>(text: &'a str, sign: &str) -> Vec<&'a str> {
    let (mut parts, mut from, mut quoted, mut escaped) = (Vec::new(), 0, false, false);
    for (at, c) in text.char_indices() {
        match c {
            _ if escaped => escaped = false,
            '\\' if quoted => escaped = true,
            '"' => quoted = !quoted,
            _ if !quoted && text[at..].starts_with(sign) => {
                parts.push(&text[from..at]);
                from = at + sign.len();
            }
            _ => {}
        }
    }
    parts.push(&text[from..]);
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_is_told_from_what_to_what() {
        for (detail, wanted) in [
            (
                r#"zips: ["00101","00102"] → ["00101","00103"]; name: "North; → \" \"" → "North Rim""#,
                "Name: from North; → \" \" to North Rim; ZIP codes: 00103 added, 00102 taken out",
            ),
            (
                r#"elevation_m: 1565.0 → 1584.96; county: null → "Mesa"; retired: false → true"#,
                "Elevation: from 5,135 ft to 5,200 ft; County: from nothing to Mesa; Out of use: from no to yes",
            ),
            (
                r#"release: {"when":"unless-held","hours":24} → {"when":"when-confirmed"}; owner_reports: "when-confirmed" → "at-once""#,
                "Notices leave: from after 24 hours, unless staff hold them to only when staff confirm them; \
                 What owners report counts: from when staff confirm it to at once",
            ),
            (r#"stations: ["A","B"] → ["B","A"]"#, "Stations: from A, B to B, A"),
            (r#"band: null → {"from_m":null,"to_m":1981.2}"#, "Heights: from nothing to below 6,500 ft"),
            (
                r#"place: {"latitude":35.0,"longitude":-106.5} → {"latitude":35.1,"longitude":-106.5}"#,
                "Place: from 35, -106.5 to 35.1, -106.5",
            ),
            ("2 notices that waited are called off", "2 notices that waited are called off"),
            ("nothing differs", "nothing differs"),
            ("odd: words → of another program", "odd: words → of another program"),
            ("", ""),
        ] {
            assert_eq!(in_words(detail), wanted, "{detail}");
        }
    }

    #[test]
    fn a_region_that_was_added_is_told_without_its_record() {
        let record = r#"{"id":"north","name":"North","place":{"latitude":35.0,"longitude":-106.5},"elevation_m":1565.0,
            "time_zone":"America/Denver","profile":"pinyon-needle-scale","zips":["00101","00102"],"stations":["A"],
            "release":{"when":"at-once"},"owner_reports":"when-confirmed","county":null,"state":null,"band":null,
            "landmarks":[],"retired":false}"#;
        let said = in_words(record);
        assert!(
            said.starts_with("Name: North; Short name: north; ZIP codes: 00101, 00102; Elevation: 5,135 ft"),
            "{said}"
        );
        assert!(said.contains("Notices leave: at once") && !said.contains(['{', '"']), "{said}");
        assert!(!said.contains("County") && !said.contains("Out of use"), "{said}");
    }
}
