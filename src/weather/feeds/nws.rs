//! The National Weather Service's API: hourly observations to daily extremes, and the gridpoint forecast of daily
//! maxima and minima.

use std::collections::{BTreeMap, BTreeSet};

use async_trait::async_trait;
use chrono::{DateTime, Days, Duration, FixedOffset, Months, NaiveDate, Offset, SubsecRound, TimeZone, Timelike, Utc};
use chrono_tz::{OffsetComponents, Tz};
use serde::Deserialize;
use serde_json::Value;
use url::Url;

use super::{Ask, Feed, FeedError, Parsed, Unit, ghcn_dly, plain_reading, text};
use crate::geo::Point;
use crate::weather::fetch::{Accept, FetchError, Fetcher};
use crate::weather::{Element, FeedKind, StationId, TenthsC};

/// Hours of a day that must have an observation before its extremes are believed (common practice, no source).
pub const HOURS_NEEDED: usize = 20;
/// Older forecasts are not used: a stuck server has been seen to serve days-old ones with status 200.
const STALE_AFTER_H: i64 = 18;
/// A window of the daily maximum runs 13 hours, of the minimum 14; a shorter first one has begun, and its day's
/// extreme belongs to the observations.
const WHOLE_WINDOW_H: i64 = 10;
/// °C; the service's own FAQ warns of temperatures in the thousands.
const BELIEVABLE_C: std::ops::RangeInclusive<f64> = -60.0..=60.0;

/// One answer of `/stations/{id}/observations`.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ObservationPage {
    /// Instant and °C of every observation that may be used.
    pub temperatures: Vec<(DateTime<Utc>, f64)>,
    pub rejected_lines: Vec<super::RejectedLine>,
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

/// ISO 8601: start/end, start/duration or duration/end; `NOW` stands for this moment.
pub(super) fn interval(text: &str, now: DateTime<Utc>) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
    let (left, right) = text.trim().split_once('/')?;
    let instant = |text: &str| {
        if text == "NOW" {
            return Some(now.trunc_subsecs(0));
        }
        DateTime::parse_from_rfc3339(text).ok().map(|at| at.to_utc())
    };
    let (start, end) = match (Span::parse(left), Span::parse(right)) {
        (None, None) => (instant(left)?, instant(right)?),
        (None, Some(span)) => {
            let start = instant(left)?;
            (start, span.after(start)?)
        }
        (Some(span), None) => {
            let end = instant(right)?;
            (span.before(end)?, end)
        }
        (Some(_), Some(_)) => return None,
    };
    (start < end).then_some((start, end))
}

/// An ISO 8601 duration such as `PT13H`, `P1DT6H`, `P7DT20H`, `P1W`, `PT30M`, `P1M`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Span {
    months: u32,
    days: u64,
    seconds: i64,
}

impl Span {
    fn parse(text: &str) -> Option<Self> {
        let mut rest = text.strip_prefix('P')?;
        let mut span = Span::default();
        let mut in_time = false;
        let mut parts = 0;
        while !rest.is_empty() {
            if let Some(after) = rest.strip_prefix('T') {
                if in_time || after.is_empty() {
                    return None;
                }
                in_time = true;
                rest = after;
                continue;
            }
            let digits = rest.find(|c: char| !c.is_ascii_digit())?;
            let (number, after) = rest.split_at(digits);
            let number: u32 = number.parse().ok().filter(|number| *number <= 1_000_000)?;
            let mut characters = after.chars();
            let wide = i64::from(number);
            match (in_time, characters.next()?) {
                (false, 'Y') => span.months = span.months.checked_add(number.checked_mul(12)?)?,
                (false, 'M') => span.months = span.months.checked_add(number)?,
                (false, 'W') => span.days = span.days.checked_add(u64::from(number) * 7)?,
                (false, 'D') => span.days = span.days.checked_add(u64::from(number))?,
                (true, 'H') => span.seconds = span.seconds.checked_add(wide * 3600)?,
                (true, 'M') => span.seconds = span.seconds.checked_add(wide * 60)?,
                (true, 'S') => span.seconds = span.seconds.checked_add(wide)?,
                _ => return None,
            }
            rest = characters.as_str();
            parts += 1;
        }
        (parts > 0).then_some(span)
    }

    fn after(self, start: DateTime<Utc>) -> Option<DateTime<Utc>> {
        start
            .checked_add_months(Months::new(self.months))?
            .checked_add_days(Days::new(self.days))?
            .checked_add_signed(Duration::try_seconds(self.seconds)?)
    }

    fn before(self, end: DateTime<Utc>) -> Option<DateTime<Utc>> {
        end.checked_sub_months(Months::new(self.months))?
            .checked_sub_days(Days::new(self.days))?
            .checked_sub_signed(Duration::try_seconds(self.seconds)?)
    }
}

/// Where `/points/{lat},{lon}` says a place's forecast and stations are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Gridpoint {
    pub office: String,
    pub x: i64,
    pub y: i64,
}

#[derive(Deserialize)]
struct PointAnswer {
    properties: PointProperties,
}

#[derive(Deserialize)]
struct PointProperties {
    #[serde(rename = "gridId")]
    office: Option<String>,
    #[serde(rename = "gridX")]
    x: Option<i64>,
    #[serde(rename = "gridY")]
    y: Option<i64>,
}

/// Reads an answer of `/points/{lat},{lon}`.
///
/// # Errors
/// When it names no gridpoint.
pub fn parse_point(body: &[u8]) -> Result<Gridpoint, FeedError> {
    const WANTED: &str = "a point with its gridpoint";
    let answer: PointAnswer =
        serde_json::from_slice(body).map_err(|why| FeedError::shape(WANTED, why.to_string(), body))?;
    match answer.properties {
        PointProperties { office: Some(office), x: Some(x), y: Some(y) } if is_name(&office) => {
            Ok(Gridpoint { office, x, y })
        }
        _ => Err(FeedError::shape(
            WANTED,
            "gridId, gridX or gridY is not there (is the place in the United States?)",
            body,
        )),
    }
}

/// Reads a list of stations, nearest first as the service gives it: their ids.
///
/// # Errors
/// When it is not a list of features.
pub fn parse_stations(body: &[u8]) -> Result<Vec<String>, FeedError> {
    const WANTED: &str = "a list of stations";
    let answer: Value = serde_json::from_slice(body).map_err(|why| FeedError::shape(WANTED, why.to_string(), body))?;
    let features = answer
        .get("features")
        .and_then(Value::as_array)
        .ok_or_else(|| FeedError::shape(WANTED, "it has no list `features`", body))?;
    let id = |feature: &Value| feature.pointer("/properties/stationIdentifier")?.as_str().map(str::to_owned);
    Ok(features.iter().filter_map(id).filter(|id| is_name(id)).collect())
}

fn is_name(text: &str) -> bool {
    (1..=20).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'-')
}

/// The service keeps observations for three to seven days; there is no use in asking for older ones.
const KEPT_DAYS: u64 = 8;
/// Pages of 500 five-minute observations.
const MOST_PAGES: usize = 10;

/// Asks for hourly observations. The source is a station (`KZZ9`) or a place (`35.6123,-135.0456`: then its nearest one).
pub struct Observations;

#[async_trait]
impl Feed for Observations {
    async fn pull(&self, fetcher: &Fetcher, base_url: &Url, ask: &Ask<'_>) -> Result<Parsed, FeedError> {
        let station = match Source::parse(ask.source)? {
            Source::Station(id) => id,
            Source::Place(place) => nearest_station(fetcher, base_url, place).await?,
            Source::Grid(_) => return Err(source_error(ask.source)),
        };
        let offset = standard_offset(ask.time_zone, ask.now);
        let oldest = ask.now.with_timezone(&offset).date_naive() - Days::new(KEPT_DAYS);
        let start = midnight(offset, ask.from.max(oldest)).unwrap_or(ask.now);
        let end = midnight(offset, ask.to + Days::new(1)).unwrap_or(ask.now).min(ask.now);
        let mut url = ghcn_dly::below(base_url, &format!("stations/{station}/observations"));
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
    let named = Url::parse(next).map_err(|why| FetchError::bad_address(next, why.to_string()))?;
    let Some(at) = named.path().find("/stations/") else {
        return Err(FetchError::bad_address(next, "no page of a station's observations".into()).into());
    };
    let mut url = ghcn_dly::below(base_url, named.path().get(at + 1..).unwrap_or(""));
    url.set_query(named.query());
    Ok(url)
}

fn midnight(offset: FixedOffset, day: NaiveDate) -> Option<DateTime<Utc>> {
    offset.from_local_datetime(&day.and_hms_opt(0, 0, 0)?).single().map(|at| at.to_utc())
}

/// Asks for the gridpoint forecast. The source is a gridpoint (`ZZZ/101,111`) or a place (`35.6123,-135.0456`).
pub struct Forecast;

#[async_trait]
impl Feed for Forecast {
    async fn pull(&self, fetcher: &Fetcher, base_url: &Url, ask: &Ask<'_>) -> Result<Parsed, FeedError> {
        let grid = match Source::parse(ask.source)? {
            Source::Grid(grid) => grid,
            Source::Place(place) => gridpoint_of(fetcher, base_url, place).await?,
            Source::Station(_) => return Err(source_error(ask.source)),
        };
        let url = ghcn_dly::below(base_url, &format!("gridpoints/{}/{},{}", grid.office, grid.x, grid.y));
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

async fn gridpoint_of(fetcher: &Fetcher, base_url: &Url, place: Point) -> Result<Gridpoint, FeedError> {
    // The service redirects coordinates with more than four decimals or trailing zeros.
    let short = |degrees: f64| {
        let text = format!("{degrees:.4}");
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    };
    let url = ghcn_dly::below(base_url, &format!("points/{},{}", short(place.latitude), short(place.longitude)));
    parse_point(&fetcher.get(&url, Accept::GeoJson).await?.body)
}

async fn nearest_station(fetcher: &Fetcher, base_url: &Url, place: Point) -> Result<String, FeedError> {
    let grid = gridpoint_of(fetcher, base_url, place).await?;
    let url = ghcn_dly::below(base_url, &format!("gridpoints/{}/{},{}/stations", grid.office, grid.x, grid.y));
    let answer = fetcher.get(&url, Accept::GeoJson).await?;
    let first = parse_stations(&answer.body)?.into_iter().next();
    first.ok_or_else(|| FeedError::shape("a list of stations", "no station is near the place", &answer.body))
}

/// A forecast needs a gridpoint or a place, observations a station or a place.
pub(super) fn check_source(feed: FeedKind, source: &str) -> Result<(), FeedError> {
    match (feed.is_forecast(), Source::parse(source)?) {
        (true, Source::Station(_)) | (false, Source::Grid(_)) => Err(source_error(source)),
        _ => Ok(()),
    }
}

enum Source {
    Station(String),
    Grid(Gridpoint),
    Place(Point),
}

impl Source {
    fn parse(source: &str) -> Result<Self, FeedError> {
        let text = source.trim();
        if is_name(text) && !text.starts_with('-') {
            return Ok(Source::Station(text.to_owned()));
        }
        let pair = |text: &str| {
            let (a, b) = text.split_once(',')?;
            Some((text::decimal(a)?, text::decimal(b)?))
        };
        if let Some((office, cell)) = text.split_once('/') {
            if let (true, Some((x, y))) = (is_name(office), pair(cell))
                && x.fract() == 0.0
                && y.fract() == 0.0
                && x >= 0.0
                && y >= 0.0
            {
                return Ok(Source::Grid(Gridpoint { office: office.to_owned(), x: x as i64, y: y as i64 }));
            }
        } else if let Some((latitude, longitude)) = pair(text)
            && (-90.0..=90.0).contains(&latitude)
            && (-180.0..=180.0).contains(&longitude)
        {
            return Ok(Source::Place(Point { latitude, longitude }));
        }
        Err(source_error(source))
    }
}

fn source_error(source: &str) -> FeedError {
    FeedError::SourceId {
        feed: "National Weather Service",
        id: super::clean(source, 60),
        wanted: "`KZZ9` (station, for observations), `ZZZ/101,111` (gridpoint, for the forecast) or `35.6123,-135.0456` (place)",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono_tz::America::Denver;

    fn utc(text: &str) -> DateTime<Utc> {
        DateTime::parse_from_rfc3339(text).unwrap().to_utc()
    }

    fn day(month: u32, day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, month, day).unwrap()
    }

    #[test]
    fn a_day_runs_by_standard_time_also_in_summer() {
        // 06:59 UTC is 23:59 Mountain Standard Time of the day before, though summer clocks show 00:59.
        let hours: Vec<(DateTime<Utc>, f64)> =
            (0..24).map(|h| (utc("2026-06-14T07:00:00Z") + Duration::hours(h), 10.0 + h as f64)).collect();
        let mut with_edges = hours.clone();
        with_edges.push((utc("2026-06-14T06:59:00Z"), 99.0));
        let parsed = daily_extremes(&"A".into(), &with_edges, Denver);
        let values: Vec<_> = parsed.readings.iter().map(|r| (r.day_reported, r.element, r.value.0)).collect();
        assert_eq!(values, [(day(6, 14), Element::Max, 330), (day(6, 14), Element::Min, 100)]);
        assert!(parsed.readings.iter().all(|r| r.sampled && r.observation_hour == Some(24)));
        assert_eq!(parsed.rejected_lines[0].to_string(), "2026-06-13: too few hours have an observation (`1 of 24`)");
    }

    #[test]
    fn twenty_hours_are_enough_and_nineteen_are_not() {
        let hours = |n: i64| -> Vec<(DateTime<Utc>, f64)> {
            // Five-minute records do not make up for missing hours.
            (0..n * 12).map(|m| (utc("2026-01-14T07:00:00Z") + Duration::minutes(5 * m), 1.0)).collect()
        };
        assert_eq!(daily_extremes(&"A".into(), &hours(20), Denver).readings.len(), 2);
        assert_eq!(daily_extremes(&"A".into(), &hours(19), Denver).readings.len(), 0);
    }

    #[test]
    fn observations_are_judged_by_their_madis_letter() {
        let one = |value: &str, letter: &str, unit: &str| {
            format!(
                r#"{{"features":[{{"properties":{{"timestamp":"2026-06-14T20:53:00+00:00","temperature":{{"unitCode":"{unit}","value":{value},"qualityControl":{letter}}}}}}}]}}"#
            )
        };
        let read =
            |value: &str, letter: &str, unit: &str| parse_observations(one(value, letter, unit).as_bytes()).unwrap();
        for good in ["\"V\"", "\"S\"", "\"C\"", "\"G\"", "\"Z\"", "\"qc:V\"", "null"] {
            assert_eq!(read("27.8", good, "wmoUnit:degC").temperatures.len(), 1, "{good}");
        }
        for bad in ["\"X\"", "\"Q\"", "\"qc:B\""] {
            let page = read("27.8", bad, "unit:degC");
            assert!(page.temperatures.is_empty() && page.rejected_lines[0].reason.starts_with("MADIS flag"), "{bad}");
        }
        assert_eq!(read("null", "\"V\"", "wmoUnit:degC").missing, 1);
        assert_eq!(read("3500", "\"V\"", "wmoUnit:degC").rejected_lines[0].reason, "no believable temperature");
        assert_eq!(read("300", "\"V\"", "wmoUnit:K").rejected_lines[0].reason, "not a unit of temperature");
        assert!((read("50", "\"V\"", "degF").temperatures[0].1 - 10.0).abs() < 1e-9);
    }

    #[test]
    fn spans_of_time_are_read_in_every_form() {
        let now = utc("2026-06-14T12:00:00Z");
        let hours =
            |text: &str| interval(text, now).map(|(a, b)| (a.format("%dT%H").to_string(), (b - a).num_minutes()));
        assert_eq!(hours("2026-06-14T14:00:00+00:00/PT13H"), Some(("14T14".into(), 780)));
        assert_eq!(hours("2026-06-14T14:00:00+00:00/P1DT6H"), Some(("14T14".into(), 1800)));
        assert_eq!(hours("2026-06-14T14:00:00-06:00/P1W"), Some(("14T20".into(), 10080)));
        assert_eq!(hours("2026-06-14T14:00:00Z/2026-06-15T03:30:00Z"), Some(("14T14".into(), 810)));
        assert_eq!(hours("PT13H/2026-06-15T03:00:00Z"), Some(("14T14".into(), 780)));
        assert_eq!(hours("NOW/PT90M"), Some(("14T12".into(), 90)));
        assert_eq!(hours("2026-06-14T14:00:00Z/P1M"), Some(("14T14".into(), 30 * 1440)));
        for bad in [
            "",
            "/",
            "PT1H/PT1H",
            "2026-06-14T14:00:00Z/PT",
            "2026-06-14T14:00:00Z/P",
            "2026-06-14T14:00:00Z/PT1X",
            "2026-06-14T14:00:00Z/P99999999999D",
            "2026-06-14T14:00:00Z/2026-06-14T14:00:00Z",
            "2026-06-14T14:00:00Z/PT1HT1H",
        ] {
            assert_eq!(interval(bad, now), None, "{bad}");
        }
    }

    fn forecast(max: &str, min: &str) -> Parsed {
        let body = format!(
            r#"{{"properties":{{"updateTime":"2026-06-14T11:20:00+00:00","maxTemperature":{{"uom":"wmoUnit:degC","values":[{max}]}},"minTemperature":{{"uom":"wmoUnit:degC","values":[{min}]}}}}}}"#
        );
        parse_forecast(body.as_bytes(), &"A".into(), Denver, utc("2026-06-14T12:00:00Z")).unwrap().parsed
    }

    #[test]
    fn a_maximum_belongs_to_the_start_and_a_minimum_to_the_end_of_its_window() {
        let parsed = forecast(
            r#"{"validTime":"2026-06-14T14:00:00+00:00/PT13H","value":28.3}"#,
            r#"{"validTime":"2026-06-15T02:00:00+00:00/PT14H","value":7.2}"#,
        );
        let values: Vec<_> = parsed.readings.iter().map(|r| (r.day_reported, r.element, r.value.0)).collect();
        assert_eq!(values, [(day(6, 14), Element::Max, 283), (day(6, 15), Element::Min, 72)]);
    }

    #[test]
    fn merged_windows_are_spread_over_their_days() {
        // Three equal maxima: 14 June 8 h to 16 June 21 h local; two equal minima: 14 June 20 h to 16 June 10 h.
        let parsed = forecast(
            r#"{"validTime":"2026-06-14T14:00:00+00:00/P2DT13H","value":28.3}"#,
            r#"{"validTime":"2026-06-15T02:00:00+00:00/P1DT14H","value":7.2}"#,
        );
        let days: Vec<_> = parsed.readings.iter().map(|r| (r.element, r.day_reported)).collect();
        assert_eq!(
            days,
            [
                (Element::Max, day(6, 14)),
                (Element::Max, day(6, 15)),
                (Element::Max, day(6, 16)),
                (Element::Min, day(6, 15)),
                (Element::Min, day(6, 16))
            ]
        );
    }

    #[test]
    fn begun_unbelievable_and_strange_windows_are_told() {
        let parsed = forecast(
            r#"{"validTime":"2026-06-14T21:00:00+00:00/PT6H","value":28.3},{"validTime":"2026-06-15T14:00:00Z/PT13H","value":2800},
               {"validTime":"2026-06-16T14:00:00Z/PT13H","value":null},{"validTime":"then","value":2},{"validTime":"2026-06-17T14:00:00Z/PT13H","value":"x"}"#,
            "",
        );
        assert!(parsed.readings.is_empty());
        assert_eq!(parsed.missing, 1);
        let reasons: Vec<_> = parsed.rejected_lines.iter().map(|r| r.reason).collect();
        assert_eq!(
            reasons,
            [
                "the window has begun: its day belongs to the observations",
                "no believable temperature",
                "not a span of time",
                "not a number"
            ]
        );
    }

    #[test]
    fn sources_are_read_in_their_three_forms() {
        assert!(matches!(Source::parse("KZZ9"), Ok(Source::Station(_))));
        assert!(matches!(Source::parse("ZZZ/101,111"), Ok(Source::Grid(Gridpoint { x: 101, y: 111, .. }))));
        assert!(matches!(Source::parse("35.6123,-135.0456"), Ok(Source::Place(_))));
        for bad in ["", "KZ/9", "ZZZ/1.5,2", "95,0", "../x", "ZZZ/101,111/stations"] {
            assert!(Source::parse(bad).is_err(), "{bad}");
        }
    }
}
