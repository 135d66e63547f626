//! The NCEI access data service, dataset `daily-summaries`, as JSON or CSV.
//!
//! We never send `units`: then values are the archive's own tenths of °C, as blank-padded text, and nothing is rounded twice.

use async_trait::async_trait;
use serde_json::{Map, Value};
use url::Url;

use super::access_csv::{self, Cell};
use super::answer::{FeedError, Parsed};
use super::ask::{Feed, FeedQuery};
use super::ghcn_dly;
use super::text::{self, Date};
use super::unit::Unit;
use crate::weather::excerpt::excerpt;
use crate::weather::fetch::{Accept, Fetcher};
use crate::weather::reading::Element;
use crate::weather::station::FeedKind;

const WANTED: &str = "a list of daily summaries";

/// Reads a JSON answer: an array of flat objects, one a station and day, every value text. `unit` as for
/// [`access_csv::parse`]; for an answer to our own question it is [`Unit::TenthsC`].
///
/// # Errors
/// When the answer is not such a list, or its unit is unknown.
pub fn parse_json(body: &[u8], unit: Option<Unit>) -> Result<Parsed, FeedError> {
    let rows: Vec<Value> = match serde_json::from_slice(body) {
        Ok(Value::Array(rows)) => rows,
        Ok(Value::Object(object)) => return Err(refusal(&object, body)),
        Ok(_) => return Err(FeedError::shape(WANTED, "it is a single value", body)),
        Err(why) => return Err(FeedError::shape(WANTED, why.to_string(), body)),
    };
    let values: Vec<String> = rows
        .iter()
        .flat_map(|row| ELEMENTS.iter().filter_map(move |(_, name)| cell(row.as_object()?, name)))
        .take(text::SAMPLE)
        .collect();
    let unit = text::decide_unit(unit, None, &text::evidence(values.iter().map(String::as_str)))?;

    let mut parsed = Parsed::default();
    for (index, row) in rows.iter().enumerate() {
        let place = format!("[{index}]");
        let Some(row) = row.as_object() else {
            parsed.reject(place, "not an object", &row.to_string());
            continue;
        };
        let station = cell(row, "STATION").unwrap_or_default();
        let Some(station) = access_csv::station_id(&station) else {
            parsed.reject(place, "not a station's id", &station);
            continue;
        };
        let date = cell(row, "DATE").unwrap_or_default();
        let Date::Day(day) = text::date(&date) else {
            parsed.reject(place, "not a date", &date);
            continue;
        };
        let number = |name| cell(row, name).and_then(|text| text::decimal(&text));
        if let (Some(latitude), Some(longitude)) = (number("LATITUDE"), number("LONGITUDE")) {
            let name = cell(row, "NAME").unwrap_or_default();
            parsed.saw_station(access_csv::seen(&station, &name, latitude, longitude, number("ELEVATION")));
        }
        for (element, name) in ELEMENTS {
            let raw = cell(row, name).unwrap_or_default();
            let attributes = cell(row, &format!("{name}_ATTRIBUTES")).unwrap_or_default();
            Cell { station: &station, day, element, feed: FeedKind::DailySummaries, unit }.take(
                &place,
                &raw,
                &attributes,
                &mut parsed,
            );
        }
    }
    Ok(parsed)
}

/// Reads an answer asked for as CSV; an empty one may be no byte at all.
///
/// # Errors
/// As [`access_csv::parse`].
pub fn parse_csv(body: &[u8], unit: Option<Unit>) -> Result<Parsed, FeedError> {
    access_csv::parse(body, unit, FeedKind::DailySummaries)
}

const ELEMENTS: [(Element, &str); 2] = [(Element::Max, "TMAX"), (Element::Min, "TMIN")];

/// A field as text: the service writes text, but a number is as clear. Null is as good as absent.
fn cell(row: &Map<String, Value>, name: &str) -> Option<String> {
    match row.get(name)? {
        Value::String(text) => Some(text.clone()),
        Value::Null => None,
        other => Some(other.to_string()),
    }
}

fn refusal(object: &Map<String, Value>, body: &[u8]) -> FeedError {
    let said = ["errorMessage", "message", "error", "detail", "title"].iter().find_map(|key| cell(object, key));
    match said {
        Some(said) => FeedError::Refused { said: excerpt(&said, 200) },
        None => FeedError::shape(WANTED, "it is a single object", body),
    }
}

/// Asks the service for one station.
pub struct DailySummaries;

#[async_trait]
impl Feed for DailySummaries {
    async fn pull(&self, fetcher: &Fetcher, base_url: &Url, ask: &FeedQuery<'_>) -> Result<Parsed, FeedError> {
        let id = ghcn_dly::station_id(ask.source)?;
        let mut url = base_url.clone();
        url.set_query(Some(&format!(
            "dataset=daily-summaries&stations={id}&startDate={}&endDate={}&dataTypes=TMAX,TMIN&format=json&includeAttributes=true",
            ask.from, ask.to
        )));
        let answer = fetcher.get(&url, Accept::Json).await?;
        if answer.body.iter().all(u8::is_ascii_whitespace) {
            return Ok(Parsed::default());
        }
        let mut parsed = parse_json(&answer.body, Some(Unit::TenthsC))?;
        keep_station(&mut parsed, id);
        Ok(parsed)
    }
}

/// Leaves only the station that was asked for; another one in the answer is told.
pub(super) fn keep_station(parsed: &mut Parsed, id: &str) {
    let Parsed { readings, rejected_lines, .. } = parsed;
    readings.retain(|reading| {
        let ours = reading.station.0.eq_ignore_ascii_case(id);
        if !ours {
            rejected_lines.push(super::RejectedLine {
                place: reading.day_reported.to_string(),
                reason: "another station than the one asked for",
                seen: excerpt(&reading.station.0, 40),
            });
        }
        ours
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn padded_tenths_with_attributes_are_read() {
        let body = r#"[
            {"DATE":"2026-06-14","STATION":"USW00099902","TMAX":"  301","TMAX_ATTRIBUTES":",,W,2400","TMIN":"  117","TMIN_ATTRIBUTES":",,W,2359"},
            {"DATE":"2026-06-15","STATION":"USW00099902","TMAX":"  461","TMAX_ATTRIBUTES":",X,W,2400"},
            {"DATE":"2026-06-16","STATION":"USW00099902","TMAX":"     ","TMIN":"-9999"},
            {"DATE":"2026-06-17","STATION":"USW00099902","TMIN":"  1x7"},
            7]"#;
        let parsed = parse_json(body.as_bytes(), None).unwrap();
        assert_eq!(
            parsed.readings.iter().map(|r| (r.value.0, r.observation_hour)).collect::<Vec<_>>(),
            [(301, Some(24)), (117, Some(24)), (461, Some(24))]
        );
        assert_eq!(parsed.readings[2].source_rejects.as_deref(), Some("GHCN quality flag X: bounds"));
        assert_eq!(parsed.missing, 4);
        let told: Vec<String> = parsed.rejected_lines.iter().map(ToString::to_string).collect();
        assert_eq!(told, ["[3] minimum: not a whole number, as tenths of °C are (`1x7`)", "[4]: not an object (`7`)"]);
    }

    #[test]
    fn units_that_cannot_be_known_are_demanded() {
        let body = br#"[{"DATE":"2026-05-10","STATION":"USC00099901","TMAX":"77","TMIN":"48"}]"#;
        assert!(matches!(parse_json(body, None), Err(FeedError::UnitUnknown)));
        assert_eq!(parse_json(body, Some(Unit::Fahrenheit)).unwrap().readings[0].value.0, 250);
    }

    #[test]
    fn empty_and_refusing_answers_differ() {
        assert_eq!(parse_json(b"[]", None).unwrap(), Parsed::default());
        assert_eq!(parse_csv(b"", None).unwrap(), Parsed::default());
        let refused = br#"{"errorCode":"400","errorMessage":"bad dataTypes","errors":[]}"#;
        assert_eq!(parse_json(refused, None).unwrap_err().to_string(), "the service said no: bad dataTypes");
        let cut = parse_json(br#"[{"DATE":"2026-05-10","STA"#, None).unwrap_err().to_string();
        assert!(cut.starts_with("the answer is not a list of daily summaries: EOF"), "{cut}");
    }
}
