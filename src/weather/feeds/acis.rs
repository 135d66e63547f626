//! The regional climate centres' ACIS services: `StnData` for one station, `MultiStnData` for many.
//!
//! Values are text in °F (the observers' own unit). An answer does not repeat what was asked, so reading one needs the
//! [`Question`]. Application errors arrive with status 200.

use async_trait::async_trait;
use chrono::{Days, NaiveDate};
use serde_json::{Value, json};
use url::Url;

use super::answer::{FeedError, Parsed, plain_reading};
use super::ask::{Feed, FeedQuery, below};
use super::text;
use super::unit::Unit;
use crate::weather::excerpt::excerpt;
use crate::weather::fetch::Fetcher;
use crate::weather::reading::Element;
use crate::weather::station::{FeedKind, StationId};

/// What was asked: needed to read the answer.
#[derive(Clone, Debug)]
pub struct Question<'a> {
    /// One entry an element asked for, in order; `None` for one that is not ours.
    pub elements: &'a [Option<Element>],
    /// Whether `"add":"f,t"` was asked: then each value comes as `[value, flags, hour]`.
    pub flags_and_hour: bool,
    pub unit: Unit,
    pub from: NaiveDate,
    pub to: NaiveDate,
}

impl Question<'_> {
    /// What [`Acis`] asks.
    pub fn ours(from: NaiveDate, to: NaiveDate) -> Question<'static> {
        Question {
            elements: &[Some(Element::Max), Some(Element::Min)],
            flags_and_hour: true,
            unit: Unit::Fahrenheit,
            from,
            to,
        }
    }

    fn days(&self) -> usize {
        usize::try_from((self.to - self.from).num_days() + 1).unwrap_or(0)
    }

    /// `selector` is `sid` for one station, `sids` for many.
    fn body(&self, selector: &str, stations: Value) -> Value {
        json!({
            selector: stations,
            "sdate": self.from.to_string(),
            "edate": self.to.to_string(),
            "elems": [
                {"name": "maxt", "interval": "dly", "add": "f,t"},
                {"name": "mint", "interval": "dly", "add": "f,t"},
            ],
            "meta": ["uid", "sids"],
        })
    }
}

/// Reads an answer of `StnData`: rows begin with their date.
///
/// # Errors
/// When the service said no, or the answer has no `data`.
pub fn parse_station(body: &[u8], station: &StationId, question: &Question<'_>) -> Result<Parsed, FeedError> {
    let answer = answer(body)?;
    let rows = rows(&answer, body)?;
    let mut parsed = Parsed::default();
    for (index, row) in rows.iter().enumerate() {
        let place = format!("data[{index}]");
        let Some((date, cells)) = row.as_array().and_then(|row| row.split_first()) else {
            parsed.reject(place, "not a row of a date and values", &row.to_string());
            continue;
        };
        let Some(day) = date.as_str().and_then(day) else {
            parsed.reject(place, "not a date", &date.to_string());
            continue;
        };
        take_row(station, day, cells, question, &place, &mut parsed);
    }
    Ok(parsed)
}

/// One station's part of a `MultiStnData` answer.
#[derive(Clone, Debug, PartialEq)]
pub struct StationPart {
    /// `None` for a station that was not asked for.
    pub station: Option<StationId>,
    pub parsed: Parsed,
}

/// Reads an answer of `MultiStnData`: rows carry no date, row *k* is `from` plus *k* days. Stations come in any order
/// and those without data may be left out. `name` finds our id by the station's ACIS names (`id type`).
///
/// # Errors
/// When the service said no, or the answer has no `data`.
pub fn parse_many(
    body: &[u8],
    question: &Question<'_>,
    name: impl Fn(&[String]) -> Option<StationId>,
) -> Result<Vec<StationPart>, FeedError> {
    let answer = answer(body)?;
    let mut parts = Vec::new();
    let entries = rows(&answer, body)?;
    if entries.len() > MOST_STATIONS {
        return Err(FeedError::shape(WANTED, format!("it is about {} stations", entries.len()), body));
    }
    for (index, entry) in entries.iter().enumerate() {
        let sids: Vec<String> = entry
            .pointer("/meta/sids")
            .and_then(Value::as_array)
            .map(|sids| sids.iter().filter_map(|sid| Some(sid.as_str()?.trim().to_owned())).collect())
            .unwrap_or_default();
        let mut parsed = Parsed::default();
        let station = name(&sids);
        let data = entry.get("data").and_then(Value::as_array);
        match (&station, data) {
            (None, _) => parsed.reject(format!("data[{index}]"), "a station that was not asked for", &sids.join(", ")),
            (_, None) => parsed.reject(format!("data[{index}]"), "a station without rows", &entry.to_string()),
            (Some(station), Some(data)) => {
                // With a single day the rows may come without the list around them.
                let one_row = [Value::Array(data.clone())];
                let bare = question.days() == 1 && data.first().is_some_and(|first| is_cell(first, question));
                let rows = if bare { &one_row[..] } else { &data[..] };
                if rows.len() == question.days() {
                    for (at, row) in rows.iter().enumerate() {
                        let place = format!("data[{index}].data[{at}]");
                        let day = question.from + Days::new(at as u64);
                        match row.as_array() {
                            Some(cells) => take_row(station, day, cells, question, &place, &mut parsed),
                            None => parsed.reject(place, "not a row of values", &row.to_string()),
                        }
                    }
                } else {
                    // Without dates, a missing row would shift every later day.
                    let seen = format!("{} rows for {} days", rows.len(), question.days());
                    parsed.reject(format!("data[{index}]"), "not one row a day", &seen);
                }
            }
        }
        parts.push(StationPart { station, parsed });
    }
    Ok(parts)
}

pub(super) const WANTED: &str = "an ACIS answer";

/// No state has as many.
const MOST_STATIONS: usize = 10_000;

pub(super) fn answer(body: &[u8]) -> Result<Value, FeedError> {
    let answer: Value = serde_json::from_slice(body).map_err(|why| FeedError::shape(WANTED, why.to_string(), body))?;
    match answer.get("error") {
        Some(error) => {
            let said = error.as_str().map_or_else(|| error.to_string(), str::to_owned);
            Err(FeedError::Refused { said: excerpt(&said, 200) })
        }
        None => Ok(answer),
    }
}

pub(super) fn rows<'a>(answer: &'a Value, body: &[u8]) -> Result<&'a Vec<Value>, FeedError> {
    answer.get("data").and_then(Value::as_array).ok_or_else(|| FeedError::shape(WANTED, "it has no list `data`", body))
}

pub(super) fn day(text: &str) -> Option<NaiveDate> {
    match text::date(text) {
        text::Date::Day(day) => Some(day),
        _ => None,
    }
}

/// A value as asked for: bare text, or a list that begins with it.
fn is_cell(value: &Value, question: &Question<'_>) -> bool {
    if question.flags_and_hour {
        value.as_array().and_then(|list| list.first()).is_some_and(|first| !first.is_array())
    } else {
        !value.is_array()
    }
}

fn take_row(
    station: &StationId,
    day: NaiveDate,
    cells: &[Value],
    question: &Question<'_>,
    place: &str,
    out: &mut Parsed,
) {
    if cells.len() != question.elements.len() {
        let seen = Value::Array(cells.to_vec()).to_string();
        return out.reject(place, "not as many values as elements asked for", &seen);
    }
    for (element, cell) in question.elements.iter().zip(cells) {
        let Some(element) = *element else { continue };
        let place = || format!("{place} {}", element.name());
        let (value, flags, hour) = match cell.as_array().map(Vec::as_slice) {
            None => (cell, None, None),
            Some([value, flags, hour]) => (value, Some(flags), Some(hour)),
            Some([value]) => (value, None, None),
            Some(_) => {
                out.reject(place(), "not a value with flags and hour", &cell.to_string());
                continue;
            }
        };
        let text = match value {
            Value::String(text) => text.trim().to_owned(),
            Value::Null => String::new(),
            other => other.to_string(),
        };
        let number = match text.as_str() {
            "" | "M" => {
                out.missing += 1;
                continue;
            }
            "S" => {
                out.reject(place(), "part of a later total, no value of this day", &text);
                continue;
            }
            text => match text::decimal(text) {
                Some(number) => number,
                None if text.contains('A') => {
                    out.reject(place(), "gathered over several days", text);
                    continue;
                }
                None => {
                    out.reject(place(), "not a number", text);
                    continue;
                }
            },
        };
        let mut reading = plain_reading(station, day, element, question.unit.to_tenths(number), FeedKind::Acis);
        reading.observation_hour =
            hour.and_then(Value::as_i64).and_then(|hour| u8::try_from(hour).ok()).filter(|hour| *hour <= 24);
        // The letters are not published; whatever stands there, the centre had something to say against the value.
        let flags = flags.and_then(Value::as_str).unwrap_or("").trim();
        if !flags.is_empty() {
            reading.source_rejects = Some(format!("ACIS flag {}", excerpt(flags, 8)));
        }
        out.readings.push(reading);
    }
}

/// Asks `StnData` for one station.
pub struct Acis;

#[async_trait]
impl Feed for Acis {
    async fn pull(&self, fetcher: &Fetcher, base_url: &Url, ask: &FeedQuery<'_>) -> Result<Parsed, FeedError> {
        let question = Question::ours(ask.from, ask.to);
        let body = question.body("sid", json!(sid(ask.source)?));
        let answer = fetcher.post_json(&below(base_url, "StnData"), &body).await?;
        parse_station(&answer.body, ask.station, &question)
    }
}

/// Asks `StnData` for a station's whole period of record, in one request.
///
/// # Errors
/// As [`Feed::pull`]; an answer beyond `feeds.largest_json_mib` is none.
pub(super) async fn whole_record(fetcher: &Fetcher, base_url: &Url, ask: &FeedQuery<'_>) -> Result<Parsed, FeedError> {
    let question = Question::ours(ask.from, ask.to);
    let mut body = question.body("sid", json!(sid(ask.source)?));
    // Until today and not `por`: so both ends do not hang on what the service calls the record's last day.
    body["sdate"] = json!("por");
    let answer = fetcher.post_json(&below(base_url, "StnData"), &body).await?;
    parse_station(&answer.body, ask.station, &question)
}

/// Stations asked for at once: politeness, the service publishes no limit.
pub const MOST_AT_ONCE: usize = 100;

/// Asks `MultiStnData` for many stations, each given as (our id, ACIS id). Stations that do not come back are not in
/// the answer.
///
/// # Errors
/// When an id is not of ACIS's form, or the service gave no usable answer.
pub async fn pull_many(
    fetcher: &Fetcher,
    base_url: &Url,
    stations: &[(StationId, String)],
    from: NaiveDate,
    to: NaiveDate,
) -> Result<Vec<(StationId, Parsed)>, FeedError> {
    let question = Question::ours(from, to);
    let mut found = Vec::new();
    for some in stations.chunks(MOST_AT_ONCE) {
        let sids = some.iter().map(|(_, id)| sid(id)).collect::<Result<Vec<_>, _>>()?;
        let body = question.body("sids", json!(sids));
        let answer = fetcher.post_json(&below(base_url, "MultiStnData"), &body).await?;
        let name = |names: &[String]| {
            let known = |asked: &str| names.iter().any(|name| same_station(name, asked));
            some.iter().find(|(_, asked)| known(asked)).map(|(station, _)| station.clone())
        };
        let parts = parse_many(&answer.body, &question, name)?;
        found.extend(parts.into_iter().filter_map(|part| Some((part.station?, part.parsed))));
    }
    Ok(found)
}

/// `USC00299001 6` names the same station as itself, in any case; without a type code the bare id decides.
fn same_station(name: &str, asked: &str) -> bool {
    let asked = asked.trim();
    name.eq_ignore_ascii_case(asked)
        || (!asked.contains(' ') && name.split(' ').next().is_some_and(|id| id.eq_ignore_ascii_case(asked)))
}

pub(super) fn sid(source: &str) -> Result<&str, FeedError> {
    let sid = source.trim();
    let fits = (1..=40).contains(&sid.len())
        && sid.bytes().all(|b| b.is_ascii_alphanumeric() || b == b' ' || b == b'-' || b == b'_')
        && sid.split(' ').count() <= 2;
    if fits {
        Ok(sid)
    } else {
        Err(FeedError::SourceId {
            feed: "ACIS",
            id: excerpt(source, 60),
            wanted: "`USC00290692 6` (id, blank, type code)",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn june(day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 6, day).unwrap()
    }

    #[test]
    fn a_station_answer_is_read_with_hours_and_missing_codes() {
        let body = r#"{"meta":{"uid":990001},"data":[
            ["2026-06-12",["84"," ",7],["45","",7]],
            ["2026-06-13",["M"," ",-1],["M"," ",-1]],
            ["2026-06-14",["86","Q",0],["S"," ",7]],
            ["2026-06-15",["79A"," ",24],["T"," ",24]],
            ["2026-06-1x",["79"," ",24],["44"," ",24]],
            ["2026-06-16",["79"," ",24]]]}"#;
        let parsed = parse_station(body.as_bytes(), &"A".into(), &Question::ours(june(12), june(16))).unwrap();
        let values: Vec<_> = parsed.readings.iter().map(|r| (r.day_reported, r.value.0, r.observation_hour)).collect();
        // 84 °F = 28.9 °C, 45 °F = 7.2 °C, 86 °F = 30.0 °C.
        assert_eq!(values, [(june(12), 289, Some(7)), (june(12), 72, Some(7)), (june(14), 300, Some(0))]);
        assert_eq!(parsed.readings[2].source_rejects.as_deref(), Some("ACIS flag Q"));
        assert_eq!(parsed.missing, 2);
        let reasons: Vec<_> = parsed.rejected_lines.iter().map(|r| r.reason).collect();
        assert_eq!(
            reasons,
            [
                "part of a later total, no value of this day",
                "gathered over several days",
                "not a number",
                "not a date",
                "not as many values as elements asked for"
            ]
        );
    }

    #[test]
    fn many_stations_are_joined_by_name_and_counted_by_day() {
        let body = r#"{"data":[
            {"meta":{"uid":2,"sids":["299002 2","USC00299002 6"]},"data":[[["71"," ",24],["39"," ",24]],[["73"," ",24],["41"," ",24]]]},
            {"meta":{"uid":1,"sids":["USC00299001 6"]},"data":[[["84"," ",7],["45"," ",7]]]},
            {"meta":{"uid":3,"sids":["USC00299003 6"]},"data":[]}]}"#;
        let name = |sids: &[String]| {
            sids.iter().find_map(|s| s.strip_suffix(" 6")).filter(|s| *s != "USC00299003").map(StationId::from)
        };
        let parts = parse_many(body.as_bytes(), &Question::ours(june(12), june(13)), name).unwrap();
        assert_eq!(parts[0].parsed.readings.len(), 4);
        assert_eq!(parts[0].parsed.readings[2].day_reported, june(13));
        assert_eq!(parts[1].parsed.rejected_lines[0].to_string(), "data[1]: not one row a day (`1 rows for 2 days`)");
        assert_eq!(parts[2].parsed.rejected_lines[0].reason, "a station that was not asked for");
    }

    #[test]
    fn a_single_day_may_come_without_its_list() {
        let question = Question::ours(june(12), june(12));
        for body in [
            r#"{"data":[{"meta":{"sids":["X 6"]},"data":[["84"," ",7],["45"," ",7]]}]}"#,
            r#"{"data":[{"meta":{"sids":["X 6"]},"data":[[["84"," ",7],["45"," ",7]]]}]}"#,
        ] {
            let parts = parse_many(body.as_bytes(), &question, |_| Some("X".into())).unwrap();
            assert_eq!(parts[0].parsed.readings.len(), 2, "{body}");
        }
    }

    #[test]
    fn errors_with_status_200_are_errors() {
        let read = |body: &str| {
            parse_station(body.as_bytes(), &"A".into(), &Question::ours(june(12), june(12))).unwrap_err().to_string()
        };
        assert_eq!(read(r#"{"error":"Need sId"}"#), "the service said no: Need sId");
        assert_eq!(read("{}"), "the answer is not an ACIS answer: it has no list `data`; it begins `{}`");
    }

    #[test]
    fn ids_are_checked_before_anything_is_sent() {
        assert!(sid("USC00290692 6").is_ok() && sid("klnk").is_ok());
        for bad in ["", "a b c", "a\"b", "ü 6"] {
            assert!(sid(bad).is_err(), "{bad}");
        }
    }
}
