//! What the service tells of a place beside its weather: time zone, county, state, and the height of its forecast's cell.

use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use url::Url;

use super::points::{Gridpoint, is_name, parse_point, point_url};
use crate::geo::Point;
use crate::region::ELEVATIONS_M;
use crate::units::feet_to_m;
use crate::weather::feeds::answer::FeedError;
use crate::weather::feeds::ask::below;
use crate::weather::fetch::{Accept, Fetcher};

/// What `/points/{lat},{lon}` says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlaceFacts {
    pub grid: Gridpoint,
    /// `None` where the answer names none, or one that we do not know.
    pub time_zone: Option<Tz>,
    /// Id of its county's zone, such as `XAC001`: see [`county`].
    pub county_zone: Option<String>,
    /// Two letters: of the county's zone, else of the nearest town.
    pub state: Option<String>,
    /// It lies at sea.
    pub is_marine: bool,
}

/// What `/zones/county/{id}` says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct County {
    pub name: String,
    pub state: Option<String>,
}

/// Reads an answer of `/points/{lat},{lon}`.
///
/// # Errors
/// When it names no gridpoint.
pub fn parse_place(body: &[u8]) -> Result<PlaceFacts, FeedError> {
    let grid = parse_point(body)?;
    // It was JSON a line ago.
    let answer: Value = serde_json::from_slice(body).unwrap_or_default();
    let text = |pointer: &str| answer.pointer(pointer).and_then(Value::as_str);
    let county_zone =
        text("/properties/county").and_then(|address| address.rsplit('/').next()).filter(|id| is_name(id));
    // XAC001: the state, C for county, its number.
    let of_zone = county_zone.and_then(|id| id.get(..2).filter(|_| id.get(2..3) == Some("C")));
    let state =
        of_zone.or_else(|| text("/properties/relativeLocation/properties/state")).filter(|state| is_state(state));
    Ok(PlaceFacts {
        grid,
        time_zone: text("/properties/timeZone").and_then(|name| name.parse().ok()),
        state: state.map(str::to_owned),
        county_zone: county_zone.map(str::to_owned),
        is_marine: text("/properties/type") == Some("marine"),
    })
}

/// Reads the height of the cell, metres, from an answer of `/gridpoints/{office}/{x},{y}`.
///
/// # Errors
/// When it has none that can be.
pub fn parse_elevation(body: &[u8]) -> Result<f64, FeedError> {
    const WANTED: &str = "a gridpoint with its elevation";
    #[derive(Deserialize)]
    struct Answer {
        properties: Properties,
    }
    #[derive(Deserialize)]
    struct Properties {
        elevation: Option<Quantity>,
    }
    #[derive(Deserialize)]
    struct Quantity {
        #[serde(rename = "unitCode")]
        unit: Option<String>,
        value: Option<f64>,
    }
    let answer: Answer = serde_json::from_slice(body).map_err(|why| FeedError::shape(WANTED, why.to_string(), body))?;
    let Some(Quantity { unit, value: Some(value) }) = answer.properties.elevation else {
        return Err(FeedError::shape(WANTED, "it tells no elevation", body));
    };
    // `wmoUnit:m`, with whatever stands before the colon in its time.
    let metres = match unit.as_deref().and_then(|unit| unit.rsplit(':').next()).unwrap_or("m") {
        "m" => value,
        "ft" | "[ft_i]" => feet_to_m(value),
        other => return Err(FeedError::shape(WANTED, format!("its elevation is in `{other}`"), body)),
    };
    if ELEVATIONS_M.contains(&metres) {
        Ok(metres)
    } else {
        Err(FeedError::shape(WANTED, format!("no place on land lies at {metres} m"), body))
    }
}

/// Reads an answer of `/zones/county/{id}`.
///
/// # Errors
/// When it has no name.
pub fn parse_county(body: &[u8]) -> Result<County, FeedError> {
    const WANTED: &str = "a county";
    let answer: Value = serde_json::from_slice(body).map_err(|why| FeedError::shape(WANTED, why.to_string(), body))?;
    let text = |pointer: &str| answer.pointer(pointer).and_then(Value::as_str).map(crate::text::one_line);
    let name = text("/properties/name").filter(|name| (1..=60).contains(&name.chars().count()));
    let name = name.ok_or_else(|| FeedError::shape(WANTED, "it has no name", body))?;
    Ok(County { name, state: text("/properties/state").filter(|state| is_state(state)) })
}

fn is_state(text: &str) -> bool {
    text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_uppercase())
}

/// Asks what the service knows of a place.
///
/// # Errors
/// When no usable answer came; [`crate::weather::fetch::FetchError::NotThere`] for a place outside of the United States.
pub async fn place_facts(fetcher: &Fetcher, base_url: &Url, place: Point) -> Result<PlaceFacts, FeedError> {
    parse_place(&fetcher.get(&point_url(base_url, place), Accept::GeoJson).await?.body)
}

/// Asks how high the cell of a forecast lies, metres: some 2.5 km wide, so a town in a gorge may lie far below it.
///
/// # Errors
/// When no usable answer came.
pub async fn cell_elevation_m(fetcher: &Fetcher, base_url: &Url, grid: &Gridpoint) -> Result<f64, FeedError> {
    let url = below(base_url, &format!("gridpoints/{}/{},{}", grid.office, grid.x, grid.y));
    parse_elevation(&fetcher.get(&url, Accept::GeoJson).await?.body)
}

/// Asks for the name of a county.
///
/// # Errors
/// When no usable answer came.
pub async fn county(fetcher: &Fetcher, base_url: &Url, zone: &str) -> Result<County, FeedError> {
    let url = below(base_url, &format!("zones/county/{zone}"));
    parse_county(&fetcher.get(&url, Accept::GeoJson).await?.body)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Shape as recorded from the service; the place is invented.
    const POINT: &str = r#"{"type":"Feature","properties":{"gridId":"ZZZ","gridX":101,"gridY":111,"timeZone":"America/Phoenix",
        "relativeLocation":{"properties":{"city":"Sample","state":"XB"}},
        "county":"https://api.weather.gov/zones/county/XAC001","type":"land"}}"#;

    #[test]
    fn a_point_tells_zone_county_and_state() {
        let facts = parse_place(POINT.as_bytes()).unwrap();
        assert_eq!(facts.grid, Gridpoint { office: "ZZZ".into(), x: 101, y: 111 });
        assert_eq!(facts.time_zone, Some(chrono_tz::America::Phoenix));
        assert_eq!(
            (facts.county_zone.as_deref(), facts.state.as_deref(), facts.is_marine),
            (Some("XAC001"), Some("XA"), false)
        );
        let bare = parse_place(
            br#"{"properties":{"gridId":"ZZZ","gridX":1,"gridY":2,"timeZone":"Mars/Base","type":"marine"}}"#,
        );
        let bare = bare.unwrap();
        assert_eq!((bare.time_zone, bare.county_zone, bare.state, bare.is_marine), (None, None, None, true));
        let town = POINT.replace("XAC001", "").replace("zones/county/", "zones/county/..%2f");
        let town = parse_place(town.as_bytes()).unwrap();
        assert_eq!((town.county_zone, town.state.as_deref()), (None, Some("XB")));
        assert!(parse_place(br#"{"title":"Unexpected Problem","status":500}"#).is_err());
    }

    #[test]
    fn a_cell_tells_its_height_in_metres_or_feet() {
        let body = |unit: &str, value: &str| {
            format!(r#"{{"properties":{{"elevation":{{"unitCode":"{unit}","value":{value}}},"temperature":{{}}}}}}"#)
        };
        let height =
            |unit: &str, value: &str| parse_elevation(body(unit, value).as_bytes()).map_err(|why| why.to_string());
        assert_eq!(height("wmoUnit:m", "2099.4624").unwrap(), 2099.4624);
        assert_eq!(height("unit:m", "-3").unwrap(), -3.0);
        assert_eq!(height("wmoUnit:ft", "1000").unwrap(), 304.8);
        assert!(height("wmoUnit:km", "2").unwrap_err().contains("in `km`"));
        assert!(height("wmoUnit:m", "12000").unwrap_err().contains("no place on land"));
        assert!(height("wmoUnit:m", "null").unwrap_err().contains("no elevation"));
        assert!(parse_elevation(b"{}").is_err());
    }

    #[test]
    fn a_county_has_a_name() {
        let body = br#"{"type":"Feature","geometry":null,"properties":{"@type":"wx:Zone","id":"XAC001","type":"county","name":"Sample\nMesa","state":"XA"}}"#;
        assert_eq!(parse_county(body).unwrap(), County { name: "Sample Mesa".into(), state: Some("XA".into()) });
        assert!(parse_county(br#"{"properties":{"name":""}}"#).is_err());
    }
}
