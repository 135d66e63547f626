//! Hourly observations of a station, and the daily extremes made of them.

use std::collections::{BTreeMap, BTreeSet};

use async_trait::async_trait;
use chrono::{DateTime, Days, FixedOffset, NaiveDate, Offset, TimeZone, Timelike, Utc};
use chrono_tz::{OffsetComponents, Tz};
use serde_json::Value;
use url::Url;

use super::points::{BELIEVABLE_C, Source, nearest_station, source_error};
use crate::weather::feeds::answer::{FeedError, Parsed, RejectedLine, plain_reading};
use crate::weather::feeds::ask::{Feed, FeedQuery, below};
use crate::weather::feeds::unit::Unit;
use crate::weather::fetch::{Accept, FetchError, Fetcher};
use crate::weather::reading::{Element, TenthsC};
use crate::weather::station::{FeedKind, StationId};

/// Hours of a day that must have an observation before its extremes are believed (common practice, no source).
pub const HOURS_NEEDED: usize = 20;

/// The service keeps observations for three to seven days; there is no use in asking for older ones.
const KEPT_DAYS: u64 = 8;
/// Pages of 500 five-minute observations.
const MOST_PAGES: usize = 10;

/// One answer of `/stations/{id}/observations`.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ObservationPage {
    /// Instant and °C of every observation that may be used.
    pub temperatures: Vec<(DateTime<Utc>, f64)>,
    pub rejected_lines: Vec<RejectedLine>,
    /// Observations without a temperature.
    pub missing: u64,
    /// The next page, if there is one.
    pub next: Option<String>,
}

/// Reads one page of observations.
///
/// # Errors
/// When the answer is not a collection of features.
pub fn parse_observations(body: &[u8]) -> Result<ObservationPage, FeedError> {
    const WANTED: &str = "a list of observations";
    let answer: Value = serde_json::from_slice(body).map_err(|why| FeedError::shape(WANTED, why.to_string(), body))?;
    let features = answer
        .get("features")
        .and_then(Value::as_array)
        .ok_or_else(|| FeedError::shape(WANTED, "it has no list `features`", body))?;
    let mut found = ObservationPage {
        next: answer.pointer("/pagination/next").and_then(Value::as_str).map(str::to_owned),
        ..ObservationPage::default()
    };
    for (index, feature) in features.iter().enumerate() {
        let mut parsed = Parsed::default();
        let observation = observation(feature, &format!("features[{index}]"), &mut parsed);
        found.missing += parsed.missing;
        found.rejected_lines.append(&mut parsed.rejected_lines);
        found.temperatures.extend(observation);
    }
    Ok(found)
}

fn observation(feature: &Value, place: &str, out: &mut Parsed) -> Option<(DateTime<Utc>, f64)> {
    let properties = feature.get("properties").unwrap_or(&Value::Null);
    let stamp = properties.get("timestamp").and_then(Value::as_str).unwrap_or("");
    let Ok(at) = DateTime::parse_from_rfc3339(stamp) else {
        out.reject(place, "not an instant", stamp);
        return None;
    };
    let temperature = properties.get("temperature").unwrap_or(&Value::Null);
    let value = temperature.get("value").unwrap_or(&Value::Null);
    if value.is_null() {
        out.missing += 1;
        return None;
    }
    let code = temperature.get("unitCode").and_then(Value::as_str).unwrap_or("");
    let celsius = match (value.as_f64(), Unit::of_code(code)) {
        (Some(value), Some(Unit::Celsius)) => value,
        (Some(value), Some(Unit::Fahrenheit)) => crate::units::f_to_c(value),
        (None, _) => {
            out.reject(place, "not a number", &value.to_string());
            return None;
        }
        (_, _) => {
            out.reject(place, "not a unit of temperature", code);
            return None;
        }
    };
    // MADIS letters; written `qc:V` in older answers. Z is not checked yet, T notes a virtual temperature.
    let letter = temperature.get("qualityControl").and_then(Value::as_str).unwrap_or("");
    let against = match letter.rsplit(':').next().unwrap_or("") {
        "X" => Some("MADIS flag X: failed the validity check"),
        "Q" => Some("MADIS flag Q: failed a check against other times or stations"),
        "B" => Some("MADIS flag B: on the list of stations to reject"),
        _ => None,
    };
    if let Some(reason) = against {
        out.reject(place, reason, &format!("{celsius:.1} °C at {stamp}"));
        return None;
    }
    if !BELIEVABLE_C.contains(&celsius) {
        out.reject(place, "no believable temperature", &format!("{celsius} °C at {stamp}"));
        return None;
    }
    Some((at.to_utc(), celsius))
}

/// Daily extremes of the local-standard day (the zone's winter clock all year, as climate days are kept), of every
/// day with observations in at least [`HOURS_NEEDED`] of its hours. Sampled: the true extreme lies between two samples.
pub fn daily_extremes(station: &StationId, temperatures: &[(DateTime<Utc>, f64)], zone: Tz) -> Parsed {
    #[derive(Default)]
    struct Day {
        hours: BTreeSet<u32>,
        extremes: Option<(f64, f64)>,
    }
    let mut days: BTreeMap<NaiveDate, Day> = BTreeMap::new();
    for (at, celsius) in temperatures {
        let local = at.with_timezone(&standard_offset(zone, *at));
        let day = days.entry(local.date_naive()).or_default();
        day.hours.insert(local.hour());
        let (max, min) = day.extremes.unwrap_or((*celsius, *celsius));
        day.extremes = Some((max.max(*celsius), min.min(*celsius)));
    }
    let mut parsed = Parsed::default();
    for (date, day) in days {
        let Some((max, min)) = day.extremes else { continue };
        if day.hours.len() < HOURS_NEEDED {
            let seen = format!("{} of 24", day.hours.len());
            parsed.reject(date.to_string(), "too few hours have an observation", &seen);
            continue;
        }
        for (element, celsius) in [(Element::Max, max), (Element::Min, min)] {
            let mut reading =
                plain_reading(station, date, element, TenthsC::from_c(celsius), FeedKind::NwsObservations);
            reading.observation_hour = Some(24);
            reading.sampled = true;
            parsed.readings.push(reading);
        }
    }
    parsed
}

/// The zone's offset without summer time.
fn standard_offset(zone: Tz, at: DateTime<Utc>) -> FixedOffset {
    let offset = zone.offset_from_utc_datetime(&at.naive_utc());
    let seconds = i32::try_from(offset.base_utc_offset().num_seconds()).unwrap_or(0);
    FixedOffset::east_opt(seconds).unwrap_or_else(|| offset.fix())
}

/// Asks for hourly observations. The source is a station (`KZZ9`) or a place (`35.6123,-135.0456`: then its nearest one).
pub struct Observations;

#[async_trait]
impl Feed for Observations {
    async fn pull(&self, fetcher: &Fetcher, base_url: &Url, ask: &FeedQuery<'_>) -> Result<Parsed, FeedError> {
        let station = match Source::parse(ask.source)? {
            Source::Station(id) => id,
            Source::Place(place) => nearest_station(fetcher, base_url, place).await?,
            Source::Grid(_) => return Err(source_error(ask.source)),
        };
        let offset = standard_offset(ask.time_zone, ask.now);
        let oldest = ask.now.with_timezone(&offset).date_naive() - Days::new(KEPT_DAYS);
        let start = midnight(offset, ask.from.max(oldest)).unwrap_or(ask.now);
        let end = midnight(offset, ask.to + Days::new(1)).unwrap_or(ask.now).min(ask.now);
        let mut url = below(base_url, &format!("stations/{station}/observations"));
        let stamp = |at: DateTime<Utc>| at.format("%Y-%m-%dT%H:%M:%SZ").to_string();
        url.set_query(Some(&format!("start={}&end={}&limit=500", stamp(start), stamp(end))));

        let mut all = ObservationPage::default();
        for _ in 0..MOST_PAGES {
            let answer = fetcher.get(&url, Accept::GeoJson).await?;
            let page = parse_observations(&answer.body)?;
            let empty = page.temperatures.is_empty() && page.missing == 0 && page.rejected_lines.is_empty();
            all.temperatures.extend(page.temperatures);
            all.rejected_lines.extend(page.rejected_lines);
            all.missing += page.missing;
            // A last page may still offer a next one; it is empty.
            match page.next {
                Some(next) if !empty => url = next_page(base_url, &next)?,
                _ => break,
            }
        }
        let mut parsed = daily_extremes(ask.station, &all.temperatures, ask.time_zone);
        // The day that still runs has too few hours by nature: nothing to tell.
        let today = ask.now.with_timezone(&offset).date_naive().to_string();
        parsed.rejected_lines.retain(|line| line.place != today);
        parsed.rejected_lines.append(&mut all.rejected_lines);
        parsed.missing = all.missing;
        Ok(parsed)
    }
}

/// The page the service names, always below our own base address, whoever the answer says it is.
fn next_page(base_url: &Url, next: &str) -> Result<Url, FeedError> {
    let named = Url::parse(next).map_err(|why| FetchError::bad_address(next, why))?;
    let Some(at) = named.path().find("/stations/") else {
        return Err(FetchError::bad_address(next, "no page of a station's observations").into());
    };
    let mut url = below(base_url, named.path().get(at + 1..).unwrap_or(""));
    url.set_query(named.query());
    Ok(url)
}

fn midnight(offset: FixedOffset, day: NaiveDate) -> Option<DateTime<Utc>> {
    offset.from_local_datetime(&day.and_hms_opt(0, 0, 0)?).single().map(|at| at.to_utc())
}
