//! How this service names places: stations, gridpoints and coordinates, and which of them belong together.

use serde::{Deserialize, Serialize};
use serde_json::Value;
use url::Url;

use crate::geo::Point;
use crate::weather::excerpt::excerpt;
use crate::weather::feeds::answer::FeedError;
use crate::weather::feeds::ask::below;
use crate::weather::feeds::text;
use crate::weather::fetch::{Accept, Fetcher};
use crate::weather::station::FeedKind;

/// °C; the service's own FAQ warns of temperatures in the thousands.
pub(super) const BELIEVABLE_C: std::ops::RangeInclusive<f64> = -60.0..=60.0;

/// Where `/points/{lat},{lon}` says a place's forecast and stations are.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
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

pub(super) fn is_name(text: &str) -> bool {
    (1..=20).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'-')
}

pub(super) fn point_url(base_url: &Url, place: Point) -> Url {
    // The service redirects coordinates with more than four decimals or trailing zeros.
    let short = |degrees: f64| {
        let text = format!("{degrees:.4}");
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    };
    below(base_url, &format!("points/{},{}", short(place.latitude), short(place.longitude)))
}

pub(super) async fn gridpoint_of(fetcher: &Fetcher, base_url: &Url, place: Point) -> Result<Gridpoint, FeedError> {
    parse_point(&fetcher.get(&point_url(base_url, place), Accept::GeoJson).await?.body)
}

pub(super) async fn nearest_station(fetcher: &Fetcher, base_url: &Url, place: Point) -> Result<String, FeedError> {
    let grid = gridpoint_of(fetcher, base_url, place).await?;
    let url = below(base_url, &format!("gridpoints/{}/{},{}/stations", grid.office, grid.x, grid.y));
    let answer = fetcher.get(&url, Accept::GeoJson).await?;
    let first = parse_stations(&answer.body)?.into_iter().next();
    first.ok_or_else(|| FeedError::shape("a list of stations", "no station is near the place", &answer.body))
}

/// A forecast needs a gridpoint or a place, observations a station or a place.
pub(in super::super) fn check_source(feed: FeedKind, source: &str) -> Result<(), FeedError> {
    match (feed.is_forecast(), Source::parse(source)?) {
        (true, Source::Station(_)) | (false, Source::Grid(_)) => Err(source_error(source)),
        _ => Ok(()),
    }
}

pub(super) enum Source {
    Station(String),
    Grid(Gridpoint),
    Place(Point),
}

impl Source {
    pub(super) fn parse(source: &str) -> Result<Self, FeedError> {
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

pub(super) fn source_error(source: &str) -> FeedError {
    FeedError::SourceId {
        feed: "National Weather Service",
        id: excerpt(source, 60),
        wanted: "`KZZ9` (station, for observations), `ZZZ/101,111` (gridpoint, for the forecast) or `35.6123,-135.0456` (place)",
    }
}
