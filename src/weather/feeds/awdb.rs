//! The NRCS AWDB REST service: daily extremes of SNOTEL and kindred stations.
//!
//! Days run from midnight to midnight Pacific Standard Time; a value is filed under the day it closes.

use async_trait::async_trait;
use serde::Deserialize;
use url::Url;

use super::answer::{FeedError, Parsed, plain_reading};
use super::ask::{Feed, FeedQuery, below};
use super::ghcn_flags;
use super::text::{self, Date};
use super::unit::Unit;
use crate::weather::excerpt::excerpt;
use crate::weather::fetch::{Accept, Fetcher};
use crate::weather::station::{FeedKind, StationId};

#[derive(Deserialize)]
struct StationAnswer {
    #[serde(rename = "stationTriplet", default)]
    triplet: String,
    #[serde(default)]
    data: Vec<ElementAnswer>,
}

#[derive(Deserialize)]
struct ElementAnswer {
    #[serde(rename = "stationElement")]
    element: Option<StationElement>,
    #[serde(default)]
    values: Vec<ValueAnswer>,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct StationElement {
    element_code: Option<String>,
    duration_name: Option<String>,
    stored_unit_code: Option<String>,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct ValueAnswer {
    date: Option<String>,
    value: Option<f64>,
    qc_flag: Option<String>,
}

/// Reads an answer of `data`; readings carry the station's triplet as id.
///
/// # Errors
/// When the answer is not a list of stations.
pub fn parse(body: &[u8]) -> Result<Parsed, FeedError> {
    const WANTED: &str = "a list of AWDB stations";
    let stations: Vec<StationAnswer> =
        serde_json::from_slice(body).map_err(|why| FeedError::shape(WANTED, why.to_string(), body))?;
    let mut parsed = Parsed::default();
    for (at, station) in stations.iter().enumerate() {
        if station.triplet.is_empty() || station.triplet.len() > 40 {
            parsed.reject(format!("[{at}]"), "not a station's triplet", &station.triplet);
            continue;
        }
        let id = StationId(station.triplet.clone());
        for (index, series) in station.data.iter().enumerate() {
            take_series(&id, series, &format!("[{at}].data[{index}]"), &mut parsed);
        }
    }
    Ok(parsed)
}

fn take_series(station: &StationId, series: &ElementAnswer, place: &str, out: &mut Parsed) {
    let Some(header) = &series.element else {
        return out.reject(place, "values without their element", "");
    };
    let Some(element) = ghcn_flags::element_of(header.element_code.as_deref().unwrap_or("")) else { return };
    if header.duration_name.as_deref().is_some_and(|name| name != "DAILY") {
        return out.reject(place, "not daily values", header.duration_name.as_deref().unwrap_or(""));
    }
    let code = header.stored_unit_code.as_deref().unwrap_or("");
    let Some(unit) = Unit::of_code(code) else {
        return out.reject(place, "not a unit of temperature", code);
    };
    for (index, entry) in series.values.iter().enumerate() {
        let place = || format!("{place}.values[{index}]");
        let date = entry.date.as_deref().unwrap_or("");
        // Daily dates may come with a time, as hourly ones do.
        let Date::Day(day) = text::date(date.get(..10).unwrap_or(date)) else {
            out.reject(place(), "not a date", date);
            continue;
        };
        // Old SNOTEL records write -99.9 where a value is missing.
        let Some(value) = entry.value.filter(|value| *value > -99.0) else {
            out.missing += 1;
            continue;
        };
        let mut reading = plain_reading(station, day, element, unit.to_tenths(value.clamp(-1e5, 1e5)), FeedKind::Awdb);
        reading.observation_hour = Some(24);
        match entry.qc_flag.as_deref().map_or("", str::trim) {
            "S" => reading.source_rejects = Some("AWDB quality flag S: suspect".to_owned()),
            // Estimates: from another station, backwards, or by hand.
            "K" | "X" | "B" => reading.sampled = true,
            _ => {}
        }
        out.readings.push(reading);
    }
}

/// Asks for one station's daily extremes.
pub struct Awdb;

#[async_trait]
impl Feed for Awdb {
    async fn pull(&self, fetcher: &Fetcher, base_url: &Url, ask: &FeedQuery<'_>) -> Result<Parsed, FeedError> {
        let triplet = triplet(ask.source)?;
        let mut url = below(base_url, "data");
        // The colons stay as they are: one client found that the service wants them so.
        url.set_query(Some(&format!(
            "stationTriplets={triplet}&elements=TMAX,TMIN&duration=DAILY&beginDate={}&endDate={}&periodRef=END&returnFlags=true",
            ask.from, ask.to
        )));
        let answer = fetcher.get(&url, Accept::Json).await?;
        let mut parsed = parse(&answer.body)?;
        super::daily_summaries::keep_station(&mut parsed, triplet);
        Ok(parsed)
    }
}

pub(super) fn triplet(source: &str) -> Result<&str, FeedError> {
    let triplet = source.trim();
    let part = |part: &str| {
        (1..=12).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'-')
    };
    if triplet.split(':').count() == 3 && triplet.split(':').all(part) {
        Ok(triplet)
    } else {
        Err(FeedError::SourceId {
            feed: "AWDB",
            id: excerpt(source, 60),
            wanted: "`9901:XA:SNTL` (station, state, network)",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_converted_from_their_stored_unit_and_flags_are_honoured() {
        let body = r#"[{"stationTriplet":"9901:XA:SNTL","data":[
            {"stationElement":{"elementCode":"TMAX","durationName":"DAILY","storedUnitCode":"degF"},"values":[
                {"date":"2026-06-13","value":71.2,"qcFlag":"V","qaFlag":"P"},
                {"date":"2026-06-14","value":null,"qcFlag":"N"},
                {"date":"2026-06-15","value":73.9,"qcFlag":"S"},
                {"date":"2026-06-16","value":-99.9},
                {"date":"2026-06-17 00:00","value":50.0,"qcFlag":"K"},
                {"value":50.0}]},
            {"stationElement":{"elementCode":"TMIN","durationName":"DAILY","storedUnitCode":"degC"},"values":[{"date":"2026-06-13","value":4.5}]},
            {"stationElement":{"elementCode":"TMIN","durationName":"HOURLY","storedUnitCode":"degC"},"values":[]},
            {"stationElement":{"elementCode":"TMIN","durationName":"DAILY","storedUnitCode":"in"},"values":[]},
            {"stationElement":{"elementCode":"WTEQ"},"values":[]}]}]"#;
        let parsed = parse(body.as_bytes()).unwrap();
        // 71.2 °F = 21.8 °C, 73.9 °F = 23.3 °C, 50 °F = 10 °C.
        assert_eq!(parsed.readings.iter().map(|r| r.value.0).collect::<Vec<_>>(), [218, 233, 100, 45]);
        assert_eq!(parsed.readings[1].source_rejects.as_deref(), Some("AWDB quality flag S: suspect"));
        assert!(parsed.readings[2].sampled && parsed.readings.iter().all(|r| r.observation_hour == Some(24)));
        assert_eq!(parsed.missing, 2);
        let reasons: Vec<_> = parsed.rejected_lines.iter().map(|r| r.reason).collect();
        assert_eq!(reasons, ["not a date", "not daily values", "not a unit of temperature"]);
    }

    #[test]
    fn an_unknown_station_gives_an_empty_list() {
        assert_eq!(parse(b"[]").unwrap(), Parsed::default());
        assert!(parse(b"{}").is_err());
    }

    #[test]
    fn triplets_are_checked() {
        assert!(triplet("9901:XA:SNTL").is_ok());
        for bad in ["9901", "9901:XA", "9901:XA:SNTL:x", "99 01:XA:SNTL", "::"] {
            assert!(triplet(bad).is_err(), "{bad}");
        }
    }
}
