//! The gridpoint forecast of daily maxima and minima.

use std::collections::BTreeSet;

use async_trait::async_trait;
use chrono::{DateTime, Duration, NaiveDate, Utc};
use chrono_tz::Tz;
use serde_json::Value;
use url::Url;

use super::points::{BELIEVABLE_C, Source, gridpoint_of, source_error};
use super::time_span::interval;
use crate::weather::feeds::answer::{FeedError, Parsed, plain_reading};
use crate::weather::feeds::ask::{Feed, FeedQuery, below};
use crate::weather::feeds::unit::Unit;
use crate::weather::fetch::{Accept, Fetcher};
use crate::weather::reading::{Element, TenthsC};
use crate::weather::station::{FeedKind, StationId};

/// Older forecasts are not used: a stuck server has been seen to serve days-old ones with status 200.
const STALE_AFTER_H: i64 = 18;
/// A window of the daily maximum runs 13 hours, of the minimum 14; a shorter first one has begun, and its day's
/// extreme belongs to the observations.
const WHOLE_WINDOW_H: i64 = 10;

/// One answer of `/gridpoints/{office}/{x},{y}`.
#[derive(Clone, Debug, PartialEq)]
pub struct GridForecast {
    pub made: Option<DateTime<Utc>>,
    pub parsed: Parsed,
}

/// Reads the daily maxima and minima of a gridpoint. A maximum belongs to the local day on which its window begins, a
/// minimum to the one on which it ends; a merged window is spread over its days.
///
/// # Errors
/// When the answer has no properties to read.
pub fn parse_forecast(
    body: &[u8],
    station: &StationId,
    zone: Tz,
    now: DateTime<Utc>,
) -> Result<GridForecast, FeedError> {
    const WANTED: &str = "a gridpoint forecast";
    let answer: Value = serde_json::from_slice(body).map_err(|why| FeedError::shape(WANTED, why.to_string(), body))?;
    let properties = answer
        .get("properties")
        .and_then(Value::as_object)
        .ok_or_else(|| FeedError::shape(WANTED, "it has no `properties`", body))?;
    let made =
        properties.get("updateTime").and_then(Value::as_str).and_then(|text| DateTime::parse_from_rfc3339(text).ok());
    let mut parsed = Parsed::default();
    for (element, name) in [(Element::Max, "maxTemperature"), (Element::Min, "minTemperature")] {
        let Some(layer) = properties.get(name) else {
            parsed.reject(name, "layer is not there", "");
            continue;
        };
        let code = layer.get("uom").and_then(Value::as_str).unwrap_or("wmoUnit:degC");
        let Some(unit) = Unit::of_code(code) else {
            parsed.reject(name, "not a unit of temperature", code);
            continue;
        };
        let mut taken: BTreeSet<NaiveDate> = BTreeSet::new();
        for (index, entry) in layer.get("values").and_then(Value::as_array).into_iter().flatten().enumerate() {
            let place = format!("{name}.values[{index}]");
            take_window(entry, element, unit, station, zone, now, &place, &mut taken, &mut parsed);
        }
    }
    Ok(GridForecast { made: made.map(|made| made.to_utc()), parsed })
}

#[expect(clippy::too_many_arguments, reason = "one step of one loop, split off to be read by itself")]
fn take_window(
    entry: &Value,
    element: Element,
    unit: Unit,
    station: &StationId,
    zone: Tz,
    now: DateTime<Utc>,
    place: &str,
    taken: &mut BTreeSet<NaiveDate>,
    out: &mut Parsed,
) {
    let value = entry.get("value").unwrap_or(&Value::Null);
    if value.is_null() {
        out.missing += 1;
        return;
    }
    let Some(value) = value.as_f64() else { return out.reject(place, "not a number", &value.to_string()) };
    let celsius = if unit == Unit::Fahrenheit { crate::units::f_to_c(value) } else { value };
    if !BELIEVABLE_C.contains(&celsius) {
        return out.reject(place, "no believable temperature", &format!("{celsius} °C"));
    }
    let text = entry.get("validTime").and_then(Value::as_str).unwrap_or("");
    let Some((start, end)) = interval(text, now) else { return out.reject(place, "not a span of time", text) };
    if end - start < Duration::hours(WHOLE_WINDOW_H) {
        return out.reject(place, "the window has begun: its day belongs to the observations", text);
    }
    if end - start > Duration::days(31) {
        return out.reject(place, "a window of more than a month", text);
    }
    let local = |at: DateTime<Utc>| at.with_timezone(&zone).date_naive();
    // Windows: maximum about 7 to 19 h local standard time, minimum about 19 to 8 h. The hours added or taken away
    // only keep a window that reaches a little over midnight from gaining a day.
    let (first, last) = match element {
        Element::Max => (local(start), local(end - Duration::hours(6))),
        Element::Min => (local(start + Duration::hours(6)), local(end - Duration::seconds(1))),
    };
    for day in first.iter_days().take_while(|day| *day <= last) {
        if taken.insert(day) {
            let mut reading = plain_reading(station, day, element, TenthsC::from_c(celsius), FeedKind::NwsForecast);
            reading.observation_hour = Some(24);
            out.readings.push(reading);
        } else {
            out.reject(place, "a second value for the same day", text);
        }
    }
}

/// Asks for the gridpoint forecast. The source is a gridpoint (`ZZZ/101,111`) or a place (`35.6123,-135.0456`).
pub struct Forecast;

#[async_trait]
impl Feed for Forecast {
    async fn pull(&self, fetcher: &Fetcher, base_url: &Url, ask: &FeedQuery<'_>) -> Result<Parsed, FeedError> {
        let grid = match Source::parse(ask.source)? {
            Source::Grid(grid) => grid,
            Source::Place(place) => gridpoint_of(fetcher, base_url, place).await?,
            Source::Station(_) => return Err(source_error(ask.source)),
        };
        let url = below(base_url, &format!("gridpoints/{}/{},{}", grid.office, grid.x, grid.y));
        let answer = fetcher.get(&url, Accept::GeoJson).await?;
        let forecast = parse_forecast(&answer.body, ask.station, ask.time_zone, ask.now)?;
        if let Some(made) = forecast.made {
            let age_h = (ask.now - made).num_hours();
            if age_h > STALE_AFTER_H {
                return Err(FeedError::StaleForecast { made, age_h });
            }
        }
        Ok(forecast.parsed)
    }
}
