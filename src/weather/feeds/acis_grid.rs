//! ACIS `GridData`: daily extremes that others estimated for a place from the stations around it, on a grid.
//!
//! An answer's rows are `[date, maximum, minimum]` in °F, and -999 stands for no value; `meta.elev` is the height of the
//! grid's cell in feet. As with all of ACIS, an error comes with status 200. Shape: our reference of feeds, no daily answer
//! is at hand.

use async_trait::async_trait;
use chrono::{NaiveDate, TimeZone};
use chrono_tz::{OffsetComponents, Tz};
use serde_json::{Value, json};
use url::Url;

use super::acis;
use super::answer::{FeedError, Parsed, plain_reading};
use super::ask::{Feed, FeedQuery, below};
use super::text;
use super::unit::Unit;
use crate::geo::Point;
use crate::units::{feet_to_m, to_decimetre};
use crate::weather::excerpt::excerpt;
use crate::weather::fetch::Fetcher;
use crate::weather::reading::Element;
use crate::weather::station::{FeedKind, SourceRef, Station, StationId};

/// A grid of daily extremes of the contiguous United States.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grid {
    /// Of the PRISM group, cells of about 4 km.
    Prism,
    /// Interpolated by the Northeast Regional Climate Center, cells of about 5 km.
    Nrcc,
}

impl Grid {
    pub const ALL: [Grid; 2] = [Grid::Prism, Grid::Nrcc];

    pub fn name(self) -> &'static str {
        match self {
            Grid::Prism => "prism",
            Grid::Nrcc => "nrcc",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|grid| grid.name() == name)
    }

    /// As ACIS counts its grids.
    pub fn number(self) -> u32 {
        match self {
            Grid::Prism => 21,
            Grid::Nrcc => 1,
        }
    }

    /// As people know it.
    pub fn title(self) -> &'static str {
        match self {
            Grid::Prism => "PRISM",
            Grid::Nrcc => "NRCC interpolated",
        }
    }

    /// Who is to be named beside what comes of its data.
    pub fn makers(self) -> &'static str {
        match self {
            Grid::Prism => "PRISM Group, Oregon State University",
            Grid::Nrcc => "Northeast Regional Climate Center",
        }
    }

    /// Whose data it is and what they ask of users: see [`Self::TERMS_NOTE`].
    pub fn terms(self) -> &'static str {
        match self {
            Grid::Prism => {
                "PRISM Group, Oregon State University, https://prism.oregonstate.edu: free to use with the group named as \
                 the source and the day on which the data were made"
            }
            Grid::Nrcc => {
                "Northeast Regional Climate Center, by way of the Applied Climate Information System, \
                 https://www.rcc-acis.org: name both as the source"
            }
        }
    }

    /// What staff should know of [`Self::terms`] before they publish; nobody else needs it.
    pub const TERMS_NOTE: &str = "these terms are from memory: read them there before you publish";

    /// Daily values of a point begin here in both grids.
    pub fn first_day() -> NaiveDate {
        NaiveDate::from_ymd_opt(1981, 1, 1).unwrap_or_default()
    }

    /// Local hour at which the grid's days end, where that is known. PRISM's days end at 12:00 UTC and are named after the day
    /// on which they end (its documentation, by our reference of feeds), so its maxima are yesterday's as a morning reader's
    /// are. Summer time is left out: the stations behind the grid keep standard time. Of the other grid it is not told.
    pub fn day_ends_at(self, zone: Tz, day: NaiveDate) -> Option<u8> {
        if self != Grid::Prism {
            return None;
        }
        let ahead = zone.offset_from_utc_date(&day).base_utc_offset().num_hours();
        // Midnight as the end of a day.
        u8::try_from((12 + ahead).rem_euclid(24)).ok().map(|hour| if hour == 0 { 24 } else { hour })
    }
}

/// A source's name of a grid and a place: `21:-135.0456,35.6123`, longitude first as ACIS asks for it.
pub fn source_of(grid: Grid, place: Point) -> SourceRef {
    SourceRef {
        feed: FeedKind::AcisGrid,
        id: format!("{}:{:.4},{:.4}", grid.number(), place.longitude, place.latitude),
    }
}

/// Before the place in the id of a grid point that is not PRISM's: two grids may stand at one place.
const NRCC_ID: &str = "NRCC-";

/// Our id of a grid point: `GRID-35.6123N-135.0456W` of PRISM, `GRID-NRCC-35.6123N-135.0456W` of the other grid.
pub fn id_of(grid: Grid, place: Point) -> StationId {
    let side = |degrees: f64, positive: char, negative: char| {
        format!("{:.4}{}", degrees.abs(), if degrees < 0.0 { negative } else { positive })
    };
    let of = if grid == Grid::Nrcc { NRCC_ID } else { "" };
    StationId(format!("GRID-{of}{}-{}", side(place.latitude, 'N', 'S'), side(place.longitude, 'E', 'W')))
}

/// Reads what [`id_of`] wrote.
pub fn grid_of_id(id: &StationId) -> Option<(Grid, Point)> {
    let degrees = |text: &str, positive: char, negative: char| {
        let number = text::decimal(text.strip_suffix([positive, negative])?)?;
        Some(if text.ends_with(negative) { -number } else { number })
    };
    let rest = id.as_str().strip_prefix("GRID-")?;
    let (grid, rest) = rest.strip_prefix(NRCC_ID).map_or((Grid::Prism, rest), |rest| (Grid::Nrcc, rest));
    let (latitude, longitude) = rest.split_once('-')?;
    let place = Point { latitude: degrees(latitude, 'N', 'S')?, longitude: degrees(longitude, 'E', 'W')? };
    let fits = (-90.0..=90.0).contains(&place.latitude) && (-180.0..=180.0).contains(&place.longitude);
    fits.then_some((grid, place))
}

/// Reads what [`source_of`] wrote.
///
/// # Errors
/// [`FeedError::SourceId`] with the form that is wanted.
pub fn grid_and_place(source: &str) -> Result<(Grid, Point), FeedError> {
    let read = || {
        let (grid, place) = source.trim().split_once(':')?;
        let grid = Grid::ALL.into_iter().find(|known| known.number().to_string() == grid.trim())?;
        let (longitude, latitude) = place.split_once(',')?;
        let place = Point { latitude: text::decimal(latitude.trim())?, longitude: text::decimal(longitude.trim())? };
        let fits = (-90.0..=90.0).contains(&place.latitude) && (-180.0..=180.0).contains(&place.longitude);
        fits.then_some((grid, place))
    };
    read().ok_or_else(|| FeedError::SourceId {
        feed: "ACIS grid",
        id: excerpt(source, 60),
        wanted: "`21:-135.0456,35.6123` (grid 21 or 1, colon, longitude, comma, latitude)",
    })
}

/// The grid behind a station, if it is a grid point.
pub fn grid_of(station: &Station) -> Option<Grid> {
    let source = station.sources.iter().find(|source| source.feed.is_grid())?;
    grid_and_place(&source.id).ok().map(|(grid, _)| grid)
}

/// The cell of a grid that a place lies in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cell {
    /// Its centre where the answer tells it, else the place asked for.
    pub place: Point,
    pub elevation_m: f64,
}

/// A grid point as a station: at the place asked for, at the height of its cell, which is what its temperatures are of.
pub fn station(grid: Grid, place: Point, cell: &Cell, time_zone: Tz) -> Station {
    let source = source_of(grid, place);
    // As the source has it, rounded.
    let place = grid_and_place(&source.id).map_or(place, |(_, place)| place);
    Station {
        id: id_of(grid, place),
        name: format!("{} grid, {:.3} {:.3}", grid.title(), place.latitude, place.longitude),
        place,
        elevation_m: to_decimetre(cell.elevation_m),
        time_zone,
        observation_hour: None,
        sources: vec![source],
    }
}

/// The question for some days of a place.
pub(super) fn body(grid: Grid, place: Point, from: NaiveDate, to: NaiveDate) -> Value {
    json!({
        "loc": format!("{:.4},{:.4}", place.longitude, place.latitude),
        "grid": grid.number().to_string(),
        "sdate": from.to_string(),
        "edate": to.to_string(),
        "elems": [{"name": "maxt", "interval": "dly"}, {"name": "mint", "interval": "dly"}],
        "meta": ["ll", "elev"],
    })
}

/// Reads the cell that an answer is about. `None` where it has no values: the sea, another country.
///
/// # Errors
/// When the service said no, or the answer has no `data` or no height.
pub(super) fn cell(body: &[u8], asked: Point) -> Result<Option<Cell>, FeedError> {
    let answer = acis::answer(body)?;
    let has_value = acis::rows(&answer, body)?
        .iter()
        .filter_map(Value::as_array)
        .any(|row| row.len() == 3 && row.iter().skip(1).any(|value| matches!(fahrenheit(value), Fahrenheit::Value(_))));
    if !has_value {
        return Ok(None);
    }
    let number = |pointer: &str| answer.pointer(pointer).and_then(Value::as_f64);
    let feet = number("/meta/elev")
        .filter(|feet| (-1500.0..=30_000.0).contains(feet))
        .ok_or_else(|| FeedError::shape(acis::WANTED, "it does not tell the height of the grid's cell", body))?;
    let place = match (number("/meta/ll/1"), number("/meta/ll/0")) {
        (Some(latitude), Some(longitude)) => Point { latitude, longitude },
        _ => asked,
    };
    Ok(Some(Cell { place, elevation_m: feet_to_m(feet) }))
}

/// Reads an answer's days. `ends_at` gives the hour at which a day ends.
///
/// # Errors
/// When the service said no, or the answer has no `data`.
pub fn parse(body: &[u8], station: &StationId, ends_at: impl Fn(NaiveDate) -> Option<u8>) -> Result<Parsed, FeedError> {
    let answer = acis::answer(body)?;
    let mut parsed = Parsed::default();
    for (index, row) in acis::rows(&answer, body)?.iter().enumerate() {
        let place = format!("data[{index}]");
        let Some([date, max, min]) = row.as_array().map(Vec::as_slice) else {
            parsed.reject(place, "not a row of date, maximum and minimum", &row.to_string());
            continue;
        };
        let Some(day) = date.as_str().and_then(acis::day) else {
            parsed.reject(place, "not a date", &date.to_string());
            continue;
        };
        for (element, value) in [(Element::Max, max), (Element::Min, min)] {
            match fahrenheit(value) {
                Fahrenheit::None => parsed.missing += 1,
                Fahrenheit::Unreadable => {
                    let place = format!("{place} {}", element.name());
                    parsed.reject(place, "not a number", &value.to_string());
                }
                Fahrenheit::Value(value) => {
                    let tenths = Unit::Fahrenheit.to_tenths(value);
                    let mut reading = plain_reading(station, day, element, tenths, FeedKind::AcisGrid);
                    reading.observation_hour = ends_at(day);
                    // An estimate: the true extremes may lie beyond.
                    reading.sampled = true;
                    parsed.readings.push(reading);
                }
            }
        }
    }
    Ok(parsed)
}

enum Fahrenheit {
    Value(f64),
    /// The grid has none there.
    None,
    Unreadable,
}

fn fahrenheit(value: &Value) -> Fahrenheit {
    let number = match value {
        Value::Null => return Fahrenheit::None,
        Value::String(text) => match text.trim() {
            "" | "M" => return Fahrenheit::None,
            text => text::decimal(text),
        },
        other => other.as_f64(),
    };
    match number {
        Some(number) if number <= -999.0 => Fahrenheit::None,
        Some(number) => Fahrenheit::Value(number),
        None => Fahrenheit::Unreadable,
    }
}

/// Asks `GridData` for one place.
pub struct AcisGrid;

#[async_trait]
impl Feed for AcisGrid {
    async fn pull(&self, fetcher: &Fetcher, base_url: &Url, ask: &FeedQuery<'_>) -> Result<Parsed, FeedError> {
        let (grid, place) = grid_and_place(ask.source)?;
        let from = ask.from.max(Grid::first_day());
        if from > ask.to {
            return Ok(Parsed::default());
        }
        let answer = fetcher.post_json(&below(base_url, "GridData"), &body(grid, place, from, ask.to)).await?;
        parse(&answer.body, ask.station, |day| grid.day_ends_at(ask.time_zone, day))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLACE: Point = Point { latitude: 35.6123, longitude: -135.0456 };

    #[test]
    fn a_source_and_an_id_name_grid_and_place() {
        assert_eq!(source_of(Grid::Prism, PLACE).id, "21:-135.0456,35.6123");
        assert_eq!(id_of(Grid::Prism, PLACE).0, "GRID-35.6123N-135.0456W");
        assert_eq!(id_of(Grid::Nrcc, PLACE).0, "GRID-NRCC-35.6123N-135.0456W");
        for grid in Grid::ALL {
            assert_eq!(grid_of_id(&id_of(grid, PLACE)), Some((grid, PLACE)));
            assert_eq!(grid_and_place(&source_of(grid, PLACE).id).unwrap(), (grid, PLACE));
            assert_eq!(Grid::parse(grid.name()), Some(grid));
        }
        for bad in ["", "21", "3:-135,35", "21:-135", "21:35,-135", "21:x,35", "21:-181,35", "21:-135,NaN"] {
            assert!(grid_and_place(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn days_of_an_answer_are_read_and_its_missing_values_counted() {
        let body = r#"{"meta":{"ll":[-135.0417,35.6250],"elev":6900},"data":[
            ["2026-06-12",84,45],["2026-06-13",-999,"-999"],["2026-06-14","86.4",null],
            ["2026-06",80,40],["2026-06-16","x",40],["2026-06-17",80]]}"#;
        let parsed = parse(body.as_bytes(), &"G".into(), |_| Some(5)).unwrap();
        let values: Vec<_> = parsed.readings.iter().map(|r| (r.day_reported.to_string(), r.value.0)).collect();
        // 84 °F = 28.9 °C, 45 °F = 7.2 °C, 86.4 °F = 30.2 °C, 40 °F = 4.4 °C.
        let wanted = [("2026-06-12", 289), ("2026-06-12", 72), ("2026-06-14", 302), ("2026-06-16", 44)];
        assert_eq!(values, wanted.map(|(day, value)| (day.to_owned(), value)));
        assert!(parsed.readings.iter().all(|r| r.sampled && r.observation_hour == Some(5)));
        assert_eq!(parsed.missing, 3);
        let told: Vec<_> = parsed.rejected_lines.iter().map(|line| line.reason).collect();
        assert_eq!(told, ["not a date", "not a number", "not a row of date, maximum and minimum"]);
    }

    #[test]
    fn a_cell_has_a_height_in_metres_and_the_sea_has_none() {
        let answer = |elev: &str, max: &str| {
            let body =
                format!(r#"{{"meta":{{"ll":[-135.0417,35.6250],"elev":{elev}}},"data":[["2020-07-01",{max},50]]}}"#);
            cell(body.as_bytes(), PLACE).map_err(|why| why.to_string())
        };
        let found = answer("6900", "84").unwrap().unwrap();
        assert_eq!((found.place.longitude, found.place.latitude), (-135.0417, 35.625));
        assert!((found.elevation_m - 2103.12).abs() < 1e-9);
        assert!(answer("-999999", "84").unwrap_err().contains("does not tell the height"));
        let sea = r#"{"meta":{"ll":[-140,30],"elev":-999},"data":[["2020-07-01",-999,-999]]}"#;
        assert_eq!(cell(sea.as_bytes(), PLACE).unwrap(), None);
        let error = cell(br#"{"error":"Invalid loc"}"#, PLACE).unwrap_err().to_string();
        assert_eq!(error, "the service said no: Invalid loc");
    }

    #[test]
    fn a_prism_day_ends_in_the_morning_of_the_day_it_is_named_after_all_year() {
        let day = |month| NaiveDate::from_ymd_opt(2026, month, 15).unwrap();
        // 12:00 UTC is 5 a.m. Mountain Standard Time, 4 a.m. Pacific Standard Time.
        for month in [1, 7] {
            assert_eq!(Grid::Prism.day_ends_at(Tz::America__Denver, day(month)), Some(5));
            assert_eq!(Grid::Prism.day_ends_at(Tz::America__Los_Angeles, day(month)), Some(4));
        }
        assert_eq!(Grid::Nrcc.day_ends_at(Tz::America__Denver, day(7)), None);
    }
}
