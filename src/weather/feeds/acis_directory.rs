//! ACIS as a directory: which stations lie around a place and from when to when each has values (`StnMeta`), and the height
//! of a grid's cell (`GridData`).

use std::collections::HashMap;
use std::ops::RangeInclusive;
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{Datelike, NaiveDate};
use serde_json::{Value, json};
use url::Url;

use super::acis;
use super::acis_grid::{self, Cell, Grid};
use super::answer::{FeedError, Parsed, RejectedLine, Rejections};
use super::ask::below;
use super::usual_sources;
use crate::geo::Point;
use crate::units::feet_to_m;
use crate::weather::excerpt::excerpt;
use crate::weather::fetch::{FetchError, Fetcher};
use crate::weather::settings::FeedsConfig;
use crate::weather::station::{FeedKind, SourceRef, StationId};

/// Asks ACIS where stations are. Cheap to clone; all clones know what one was told.
#[derive(Clone, Debug)]
pub struct AcisDirectory {
    fetcher: Arc<Fetcher>,
    base_url: Url,
    /// What was listed so far, by a station's name at ACIS: nobody is asked twice about one.
    listed: Arc<Mutex<HashMap<String, ListedStation>>>,
    /// The last lists around places, by the square asked for.
    around: Arc<Mutex<Vec<(String, Listing)>>>,
}

/// A station as ACIS lists it.
#[derive(Clone, Debug, PartialEq)]
pub struct ListedStation {
    /// Its GHCN id where it has one, else `ACIS-` and ACIS's own number.
    pub id: StationId,
    /// For its maxima and minima; never empty.
    pub sources: Vec<SourceRef>,
    pub name: String,
    /// Two letters; empty where not told.
    pub state: String,
    pub place: Point,
    pub elevation_m: Option<f64>,
    /// Days of the first and the last maximum and minimum; `None` where it never had any. An end in the year 9999 is open.
    pub maxima: Option<RangeInclusive<NaiveDate>>,
    pub minima: Option<RangeInclusive<NaiveDate>>,
}

impl ListedStation {
    /// The days on which it can have both values.
    pub fn both(&self) -> Option<RangeInclusive<NaiveDate>> {
        let (maxima, minima) = (self.maxima.as_ref()?, self.minima.as_ref()?);
        let both = *maxima.start().max(minima.start())..=*maxima.end().min(minima.end());
        (!both.is_empty()).then_some(both)
    }
}

/// What a list held.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Listing {
    pub stations: Vec<ListedStation>,
    /// Entries that could not be used, with the reason.
    pub left_out: Rejections,
}

/// For the regions of a list that are found at the same time.
const LISTS_KEPT: usize = 8;
/// No list around a place has as many.
const MOST_LISTED: usize = 10_000;
/// A day in summer that both grids have: for asking what a cell is like.
const CELL_DAY: (i32, u32, u32) = (2020, 7, 1);
/// One degree of latitude, km (a meridian of 20,004 km over 180 degrees).
const KM_PER_DEGREE: f64 = 111.13;

impl AcisDirectory {
    /// # Errors
    /// When `feeds.acis.base_url` is no address.
    pub fn new(fetcher: Arc<Fetcher>, feeds: &FeedsConfig) -> Result<Self, FetchError> {
        let base_url = &feeds.acis.base_url;
        let base_url = base_url.url().map_err(|why| FetchError::bad_address(&base_url.to_string(), why))?.clone();
        Ok(Self { fetcher, base_url, listed: Arc::default(), around: Arc::default() })
    }

    /// Stations in a square around a place, in whatever order they came: one request, or none if the same was asked just before.
    ///
    /// # Errors
    /// When no usable answer came.
    pub async fn around(&self, place: Point, within_km: f64) -> Result<Listing, FeedError> {
        let square = bounding_box(place, within_km);
        if let Some(listing) = self.asked_before(&square) {
            return Ok(listing);
        }
        let body = json!({"bbox": square, "elems": ELEMENTS, "meta": META});
        let answer = self.fetcher.post_json(&below(&self.base_url, "StnMeta"), &body).await?;
        let listing = read_listing(&answer.body)?;
        let mut listed = self.listed.lock().unwrap_or_else(PoisonError::into_inner);
        for station in &listing.stations {
            let names = station.sources.iter().filter(|source| source.feed == FeedKind::Acis);
            listed.extend(names.map(|source| (source.id.clone(), station.clone())));
        }
        let mut around = self.around.lock().unwrap_or_else(PoisonError::into_inner);
        if around.len() >= LISTS_KEPT {
            around.remove(0);
        }
        around.push((square, listing.clone()));
        Ok(listing)
    }

    fn asked_before(&self, square: &str) -> Option<Listing> {
        let known = self.around.lock().unwrap_or_else(PoisonError::into_inner);
        known.iter().find(|(of, _)| of == square).map(|(_, listing)| listing.clone())
    }

    /// One station by its name at ACIS (`USC00299001 6`): one request, or none if it was listed before. `None` where ACIS does not
    /// know it.
    ///
    /// # Errors
    /// When no usable answer came.
    pub async fn find(&self, source: &str) -> Result<Option<ListedStation>, FeedError> {
        if let Some(station) = self.listed.lock().unwrap_or_else(PoisonError::into_inner).get(source) {
            return Ok(Some(station.clone()));
        }
        let body = json!({"sids": acis::sid(source)?, "elems": ELEMENTS, "meta": META});
        let answer = self.fetcher.post_json(&below(&self.base_url, "StnMeta"), &body).await?;
        Ok(read_listing(&answer.body)?.stations.into_iter().next())
    }

    /// The days of many stations, each given as (our id, ACIS id), up to 100 a request. Those that do not come back have none.
    ///
    /// # Errors
    /// When no usable answer came.
    pub async fn days_of(
        &self,
        stations: &[(StationId, String)],
        from: NaiveDate,
        to: NaiveDate,
    ) -> Result<Vec<(StationId, Parsed)>, FeedError> {
        acis::pull_many(&self.fetcher, &self.base_url, stations, from, to).await
    }

    /// The cell of a grid that a place lies in: one request. `None` where the grid has no values: the sea, another country.
    ///
    /// # Errors
    /// When no usable answer came.
    pub async fn cell(&self, grid: Grid, place: Point) -> Result<Option<Cell>, FeedError> {
        let (year, month, day) = CELL_DAY;
        let day = NaiveDate::from_ymd_opt(year, month, day).unwrap_or_default();
        let body = acis_grid::body(grid, place, day, day);
        let answer = self.fetcher.post_json(&below(&self.base_url, "GridData"), &body).await?;
        acis_grid::cell(&answer.body, place)
    }

    /// For those who tell how many requests a piece of work took.
    pub fn fetcher(&self) -> &Fetcher {
        &self.fetcher
    }
}

const ELEMENTS: [&str; 2] = ["maxt", "mint"];
const META: [&str; 7] = ["uid", "name", "state", "sids", "ll", "elev", "valid_daterange"];

/// West, south, east, north in degrees, as ACIS wants it.
fn bounding_box(place: Point, within_km: f64) -> String {
    let north = within_km / KM_PER_DEGREE;
    // Towards the poles degrees of longitude shrink; nobody has pines there.
    let east = north / place.latitude.to_radians().cos().max(0.05);
    let (west, east) = ((place.longitude - east).max(-180.0), (place.longitude + east).min(180.0));
    let (south, north) = ((place.latitude - north).max(-90.0), (place.latitude + north).min(90.0));
    format!("{west:.4},{south:.4},{east:.4},{north:.4}")
}

/// Reads an answer of `StnMeta` to a question for `maxt` and `mint`, in this order.
///
/// # Errors
/// When the service said no, or the answer has no `meta`.
pub fn read_listing(body: &[u8]) -> Result<Listing, FeedError> {
    let answer = acis::answer(body)?;
    let entries = answer
        .get("meta")
        .and_then(Value::as_array)
        .ok_or_else(|| FeedError::shape(acis::WANTED, "it has no list `meta`", body))?;
    if entries.len() > MOST_LISTED {
        return Err(FeedError::shape(acis::WANTED, format!("it lists {} stations", entries.len()), body));
    }
    let (mut stations, mut left_out) = (Vec::new(), Vec::new());
    for (index, entry) in entries.iter().enumerate() {
        match read_entry(entry) {
            Ok(station) => stations.push(station),
            Err(reason) => left_out.push(RejectedLine {
                place: format!("meta[{index}]"),
                reason,
                seen: excerpt(entry.get("name").and_then(Value::as_str).unwrap_or(""), 40),
            }),
        }
    }
    Ok(Listing { stations, left_out: Rejections::of(left_out) })
}

fn read_entry(entry: &Value) -> Result<ListedStation, &'static str> {
    let text = |key: &str, longest: usize| excerpt(entry.get(key).and_then(Value::as_str).unwrap_or(""), longest);
    let degrees = |at: usize| entry.get("ll").and_then(|ll| ll.get(at)).and_then(Value::as_f64);
    let place = match (degrees(1), degrees(0)) {
        (Some(latitude), Some(longitude))
            if (-90.0..=90.0).contains(&latitude) && (-180.0..=180.0).contains(&longitude) =>
        {
            Point { latitude, longitude }
        }
        _ => return Err("without a place"),
    };
    let names: Vec<(String, u32)> = entry
        .get("sids")
        .and_then(Value::as_array)
        .map(|sids| sids.iter().filter_map(|sid| named(sid.as_str()?)).collect())
        .unwrap_or_default();
    let (id, sources) = identity(&names, entry.get("uid").and_then(Value::as_u64))?;
    let [maxima, minima] =
        [0_usize, 1].map(|at| entry.get("valid_daterange").and_then(|all| all.get(at)).and_then(range));
    Ok(ListedStation {
        id,
        sources,
        name: text("name", 60),
        state: text("state", 2),
        place,
        elevation_m: entry
            .get("elev")
            .and_then(Value::as_f64)
            .map(feet_to_m)
            .filter(|metres| crate::region::ELEVATIONS_M.contains(metres)),
        maxima,
        minima,
    })
}

/// ACIS's codes of the kinds of station ids.
const COOP: u32 = 2;
const GHCN: u32 = 6;
const THREADEX: u32 = 9;
const COCORAHS: u32 = 10;

/// `USC00299001 6`.
fn named(sid: &str) -> Option<(String, u32)> {
    let sid = acis::sid(sid).ok()?;
    let (id, code) = sid.rsplit_once(' ')?;
    Some((id.to_owned(), code.parse().ok()?))
}

/// Our id, and where its temperatures are: of a station with a GHCN id the usual sources of such a one.
fn identity(names: &[(String, u32)], uid: Option<u64>) -> Result<(StationId, Vec<SourceRef>), &'static str> {
    if let Some((id, _)) = names.iter().find(|(_, code)| *code == GHCN) {
        let id = StationId(id.clone());
        let sources = usual_sources(&id);
        if sources.iter().any(|source| source.feed == FeedKind::Acis) {
            return Ok((id, sources));
        }
    }
    // Records stitched from several sites are for contests of extremes, and CoCoRaHS measures no temperature.
    let usable = names.iter().filter(|(_, code)| ![THREADEX, COCORAHS].contains(code));
    let (name, code) =
        usable.min_by_key(|(_, code)| (*code != COOP, *code)).ok_or("without an id that stands for one site")?;
    let uid = uid.ok_or("without ACIS's own number")?;
    let source = SourceRef { feed: FeedKind::Acis, id: format!("{name} {code}") };
    Ok((StationId(format!("ACIS-{uid}")), vec![source]))
}

/// `["1948-03-01","2026-11-20"]`; an empty list stands for no values.
fn range(value: &Value) -> Option<RangeInclusive<NaiveDate>> {
    let end = |at: usize| value.get(at).and_then(Value::as_str).and_then(acis::day).filter(|day| day.year() > 0);
    let range = end(0)?..=end(1)?;
    (!range.is_empty()).then_some(range)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(year: i32, month: u32, day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(year, month, day).unwrap()
    }

    #[test]
    fn a_list_is_read_with_ids_heights_and_days() {
        let body = r#"{"meta":[
            {"uid":990001,"name":"EXAMPLE MESA 2 NW","state":"XA","sids":["299001 2","USC00299001 6","EXMN5 7"],
             "ll":[-135.0456,35.6123],"elev":6900.0,"valid_daterange":[["1948-03-01","2026-11-20"],["1950-01-01","9999-12-31"]]},
            {"uid":990002,"name":"SAMPLE RIDGE","sids":["XAR1 7","9 16"],"ll":[-135.1,35.7],"valid_daterange":[[],["2001-05-01","2010-01-01"]]},
            {"uid":990003,"name":"STITCHED","sids":["XAXthr 9"],"ll":[-135.1,35.7]},
            {"uid":990004,"name":"NOWHERE","sids":["USC00299004 6"]},
            {"uid":990005,"sids":["USC00299005 6"],"ll":[-135,35],"elev":99999,"valid_daterange":[["0000-01-01","2000-01-01"],["2001-01-01","2000-01-01"]]}]}"#;
        let listing = read_listing(body.as_bytes()).unwrap();
        let [mesa, ridge, strange] = listing.stations.as_slice() else { panic!("{listing:?}") };
        assert_eq!(
            (mesa.id.0.as_str(), mesa.name.as_str(), mesa.state.as_str()),
            ("USC00299001", "EXAMPLE MESA 2 NW", "XA")
        );
        // 6900 ft are 2103.12 m.
        assert!((mesa.elevation_m.unwrap() - 2103.12).abs() < 1e-9 && mesa.place.longitude == -135.0456);
        assert_eq!(mesa.both(), Some(day(1950, 1, 1)..=day(2026, 11, 20)));
        assert!(mesa.sources.iter().any(|source| source.id == "USC00299001 6"));
        assert_eq!((ridge.id.0.as_str(), ridge.sources[0].id.as_str(), ridge.both()), ("ACIS-990002", "XAR1 7", None));
        assert_eq!((strange.elevation_m, &strange.maxima, &strange.minima), (None, &None, &None));
        let told: Vec<String> = listing.left_out.examples.iter().map(ToString::to_string).collect();
        assert_eq!(
            told,
            ["meta[2]: without an id that stands for one site (`STITCHED`)", "meta[3]: without a place (`NOWHERE`)",]
        );
    }

    #[test]
    fn an_error_or_another_document_is_no_list() {
        let said = |body: &str| read_listing(body.as_bytes()).unwrap_err().to_string();
        assert_eq!(said(r#"{"error":"bbox is wrong"}"#), "the service said no: bbox is wrong");
        assert!(said("{}").contains("it has no list `meta`"));
        assert!(said("<html>").contains("the answer is not an ACIS answer"));
        assert_eq!(read_listing(br#"{"meta":[]}"#).unwrap(), Listing::default());
    }

    #[test]
    fn a_box_around_a_place_is_as_wide_as_high() {
        let place = Point { latitude: 60.0, longitude: -135.0 };
        // At 60 degrees a degree of longitude is half as long.
        assert_eq!(bounding_box(place, 111.13), "-137.0000,59.0000,-133.0000,61.0000");
        assert_eq!(bounding_box(Point { latitude: 0.0, longitude: 180.0 }, 111.13), "179.0000,-1.0000,180.0000,1.0000");
    }
}
