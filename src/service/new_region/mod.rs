//! A region from little more than a name and ZIP codes: where it is, how high, in which time zone and county, and which stations
//! stand for it, each with who says so. Commands and pages show that and ask; nothing is saved here but what services said.

mod ground;
mod height;
mod look_up;
mod moved;
mod no_station;
mod place;
mod stations;

pub mod history;
pub mod list;
pub mod trial;
pub mod write;

pub use ground::{Ground, GroundError, place_table};
pub use look_up::{LookUps, Service, Silence};
pub use moved::change_stands;
pub use no_station::{NoStation, Offer};
pub use place::{no_area, read_zips};

use chrono_tz::Tz;
use serde::Serialize;

use self::height::Height;
use self::place::{Known, far_from_all, words};
use self::stations::choose;
use crate::geo::{Point, distance_km};
use crate::region::{Band, OwnerReports, Region, RegionId, Release, Zip};
use crate::service::station_choice::{REACH_KM, new_station};
use crate::store::{Conflict, StoreError, TakenZip};
use crate::weather::feeds::nws::{County, PlaceFacts};
use crate::weather::{Station, StationId};

/// A region or station so near has the same clock, where nobody says better.
const SAME_CLOCK_KM: f64 = 100.0;

const MEND_DIGITS: &str = "mend them if it is not so";
const MEND_ZONE: &str = "give it with --zone, or as time_zone in a list";

/// What is wanted. What is missing is looked up.
#[derive(Clone, Debug)]
pub struct Wish {
    pub id: RegionId,
    pub name: String,
    /// As they were typed.
    pub zips: Vec<String>,
    pub latitude: Option<f64>,
    pub longitude: Option<f64>,
    pub elevation_m: Option<f64>,
    pub time_zone: Option<Tz>,
    pub county: Option<String>,
    pub state: Option<String>,
    pub band: Option<Band>,
    pub landmarks: Vec<String>,
    /// Its own first; chosen if there is none.
    pub stations: Vec<StationId>,
    /// Where no station is near, a grid's estimate.
    pub take_grid_point: bool,
    pub profile: String,
    pub release: Release,
    pub owner_reports: OwnerReports,
}

/// One thing found, and who says so.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Fact {
    pub what: &'static str,
    pub value: String,
    pub source: String,
}

/// What needs a word of a person before it is saved.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Doubt {
    pub what: String,
    /// What to do about it, as the end of the sentence.
    pub mend: String,
}

impl Doubt {
    /// As one sentence.
    pub fn words(&self) -> String {
        format!("{}: {}", self.what, self.mend)
    }
}

/// A region as it would be saved.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    pub region: Region,
    /// Of its stations those that the store does not have yet.
    pub new_stations: Vec<Station>,
    pub facts: Vec<Fact>,
    pub remarks: Vec<String>,
    pub doubts: Vec<Doubt>,
}

/// Why nothing was found.
#[derive(Debug, thiserror::Error)]
pub enum NewRegionError {
    /// What was wished for cannot be: a sentence each, with the mend.
    #[error("{}", .0.join("\n"))]
    Refused(Vec<String>),
    /// No station is good enough to be chosen unasked.
    #[error("{0}")]
    NoStation(Box<NoStation>),
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl NewRegionError {
    fn refused(what: impl Into<String>) -> Self {
        Self::Refused(vec![what.into()])
    }
}

/// Finds what a new region would be.
///
/// # Errors
/// [`NewRegionError::Refused`] with every fault that can be told at once; [`NewRegionError::NoStation`]; a store that fails.
pub async fn find(wish: &Wish, ground: &Ground) -> Result<Found, NewRegionError> {
    let region = beside_others(wish, ground).await?;
    complete(wish, region, ground).await
}

/// What can be said against a wish without asking any service: for whoever should not wait to hear of a slip.
///
/// # Errors
/// As [`find`].
pub async fn check_wish(wish: &Wish, ground: &Ground) -> Result<(), NewRegionError> {
    let region = beside_others(wish, ground).await?;
    let known = Known { table: &ground.table, stations: &ground.stations, regions: &ground.regions };
    place::find(&region.zips, coordinates(wish)?, &known).map(|_| ()).map_err(NewRegionError::Refused)
}

/// Beside ZIP codes that others have, what is wrong with the rest: for whoever is to hear of all at once.
pub fn faults_beside(wish: &Wish, taken: &[TakenZip], ground: &Ground) -> Vec<String> {
    let is_free = |zip: &Zip| taken.iter().all(|one| one.zip != *zip);
    let rest: Vec<Zip> = read_zips(&wish.zips).unwrap_or_default().into_iter().filter(is_free).collect();
    if rest.is_empty() {
        return Vec::new();
    }
    let known = Known { table: &ground.table, stations: &ground.stations, regions: &ground.regions };
    place::find(&rest, coordinates(wish).ok().flatten(), &known).err().unwrap_or_default()
}

/// The region as far as it was given, when it can stand beside those in use.
async fn beside_others(wish: &Wish, ground: &Ground) -> Result<Region, NewRegionError> {
    let region = sketch(wish)?;
    if ground.regions.iter().any(|other| other.id == region.id) {
        return Err(StoreError::from(Conflict::Exists { what: "region", id: region.id.to_string() }).into());
    }
    // Taken ZIP codes need no service, and while nobody is asked, unknown stations neither.
    let is_stored = |id: &StationId| ground.stations.iter().any(|station| station.id == *id);
    let stations = region.stations.iter().filter(|id| ground.look_ups.offline().is_some() || is_stored(id)).cloned();
    ground.store.check_beside_others(&Region { stations: stations.collect(), ..region.clone() }).await?;
    Ok(region)
}

/// As [`find`], of one of a list, which may move ZIP codes between its regions.
async fn complete(wish: &Wish, region: Region, ground: &Ground) -> Result<Found, NewRegionError> {
    let known = Known { table: &ground.table, stations: &ground.stations, regions: &ground.regions };
    let given = coordinates(wish)?;
    let placed = place::find(&region.zips, given, &known).map_err(NewRegionError::Refused)?;
    let mut facts = vec![Fact { what: "place", value: words(placed.place), source: placed.source.clone() }];
    let (mut remarks, mut doubts) = (placed.remarks, placed.doubts);
    if let Some(what) = far_from_all(placed.place, region.id.as_str(), &ground.regions) {
        doubts.push(Doubt { what, mend: MEND_DIGITS.into() });
    }

    let mut told = told_of(wish, placed.place, given.is_some(), ground).await?;
    doubts.append(&mut told.doubts);
    let (time_zone, zone_source) = match clock_of(wish, placed.place, &told.place, ground) {
        PlaceClock::Known(zone, source) => (zone, source),
        PlaceClock::Neighbour(zone, source) => {
            remarks.push(format!("its time zone, {zone}, is {source}, since nobody told that of the place"));
            (zone, source)
        }
        PlaceClock::OfSchedule(zone) => {
            doubts.push(Doubt {
                what: format!(
                    "its time zone is not known, and no region or station is near: it would get the schedule's, {zone}"
                ),
                mend: MEND_ZONE.into(),
            });
            (zone, "that of the schedule".into())
        }
    };
    let (county, state) = (wish.county.clone().or(told.county_name()), wish.state.clone().or(told.state()));

    let height = match wish.elevation_m {
        Some(metres) => Height::given(metres),
        None => {
            let grid = told.place.as_ref().map(|place| &place.grid).map_err(Clone::clone);
            match height::look_up(placed.place, grid, &ground.look_ups).await? {
                Ok(height) => height,
                Err(why) => {
                    let mut stations = ground.stations.clone();
                    stations.extend(listed_around(placed.place, time_zone, ground).await);
                    let around = height::around(placed.place, &stations);
                    height::of_stations(&around, &why).map_err(NewRegionError::refused)?
                }
            }
        }
    };
    if let Some(fault) = height.outside(wish.band.as_ref()) {
        return Err(NewRegionError::refused(fault));
    }
    let stations = choose(wish, placed.place, height.metres, time_zone, ground).await?;
    let height = height.against(&height::around(placed.place, &stations.seen));

    facts.push(height.fact());
    facts.push(Fact { what: "time zone", value: time_zone.to_string(), source: zone_source });
    for (what, value, given) in [("county", &county, &wish.county), ("state", &state, &wish.state)] {
        if let Some(value) = value {
            let source = if given.is_some() { "given" } else { Service::Nws.name() };
            facts.push(Fact { what, value: value.clone(), source: source.into() });
        }
    }
    remarks.append(&mut told.remarks);
    remarks.extend(height.remarks);
    doubts.extend(height.doubts);
    facts.extend(stations.facts);
    remarks.extend(stations.remarks);
    doubts.extend(stations.doubts);
    let region = Region {
        place: placed.place,
        elevation_m: height.metres,
        time_zone,
        county,
        state,
        stations: stations.ids,
        ..region
    };
    let faults = region.faults();
    if !faults.is_empty() {
        return Err(NewRegionError::Refused(faults));
    }
    Ok(Found { region, new_stations: stations.new, facts, remarks, doubts })
}

/// The region without what is looked up, when nothing is wrong with what was given.
fn sketch(wish: &Wish) -> Result<Region, NewRegionError> {
    let (zips, mut faults) = match place::read_zips(&wish.zips) {
        Ok(zips) => (zips, Vec::new()),
        Err(faults) => (Vec::new(), faults),
    };
    let region = Region {
        id: wish.id.clone(),
        name: wish.name.clone(),
        place: Point { latitude: 0.0, longitude: 0.0 },
        elevation_m: wish.elevation_m.unwrap_or_else(|| height_inside(wish.band.as_ref())),
        time_zone: wish.time_zone.unwrap_or_default(),
        profile: wish.profile.clone(),
        zips,
        stations: wish.stations.clone(),
        release: wish.release,
        owner_reports: wish.owner_reports,
        county: wish.county.clone(),
        state: wish.state.clone(),
        band: wish.band,
        landmarks: wish.landmarks.clone(),
        retired: false,
    };
    // Bad ZIP codes were named above, and stations may yet be chosen.
    let waits = |fault: &String| {
        (region.zips.is_empty() && fault.contains("ZIP"))
            || (region.stations.is_empty() && fault.contains("one station"))
    };
    faults.extend(region.faults().into_iter().filter(|fault| !waits(fault)));
    if faults.is_empty() { Ok(region) } else { Err(NewRegionError::Refused(faults)) }
}

/// A height that a band has, for a region whose height is not known yet.
fn height_inside(band: Option<&Band>) -> f64 {
    band.and_then(|band| band.from_m.or(band.to_m.map(|to| to - 1.0))).unwrap_or(0.0)
}

fn coordinates(wish: &Wish) -> Result<Option<Point>, NewRegionError> {
    match (wish.latitude, wish.longitude) {
        (Some(latitude), Some(longitude)) => Ok(Some(Point { latitude, longitude })),
        (None, None) => Ok(None),
        (Some(_), None) => Err(NewRegionError::refused("a latitude needs its longitude: give both, or neither")),
        (None, Some(_)) => Err(NewRegionError::refused("a longitude needs its latitude: give both, or neither")),
    }
}

/// What services told of a place.
struct ToldOf {
    /// Or why it is not known, as the middle of a sentence.
    place: Result<PlaceFacts, String>,
    county: Option<County>,
    remarks: Vec<String>,
    doubts: Vec<Doubt>,
}

impl ToldOf {
    fn county_name(&self) -> Option<String> {
        self.county.as_ref().map(|county| county.name.clone())
    }

    fn state(&self) -> Option<String> {
        let of_county = self.county.as_ref().and_then(|county| county.state.clone());
        of_county.or_else(|| self.place.as_ref().ok().and_then(|place| place.state.clone()))
    }
}

/// Stations that ACIS lists around a place. Whoever chooses stations asks for the same list, which is had once; that it cannot be
/// had is told there. One that had no value for long stands at its height all the same.
async fn listed_around(place: Point, zone: Tz, ground: &Ground) -> Vec<Station> {
    let Some(directory) = ground.look_ups.directory().filter(|_| !ground.look_ups.is_down(Service::Acis)) else {
        return Vec::new();
    };
    let Ok(listing) = directory.around(place, REACH_KM).await else { return Vec::new() };
    let is_new = |station: &Station| ground.stations.iter().all(|known| known.id != station.id);
    listing.stations.iter().filter_map(|listed| new_station(listed, zone)).filter(is_new).collect()
}

async fn told_of(wish: &Wish, place: Point, is_given: bool, ground: &Ground) -> Result<ToldOf, NewRegionError> {
    let mut told = ToldOf { place: Err("it was given".into()), county: None, remarks: Vec::new(), doubts: Vec::new() };
    if wish.elevation_m.is_some() && wish.time_zone.is_some() && wish.county.is_some() && wish.state.is_some() {
        return Ok(told);
    }
    told.place = match ground.look_ups.place(place).await? {
        Ok(facts) if facts.is_marine => {
            return Err(NewRegionError::refused(format!(
                "{} lies at sea, says {}: mend the coordinates, or leave them out",
                words(place),
                Service::Nws.name()
            )));
        }
        Ok(facts) => Ok(facts),
        Err(silence) => {
            if silence == Silence::NotThere && is_given {
                told.doubts.push(Doubt {
                    what: format!(
                        "{} does not know {}: it may lie at sea or outside of the United States",
                        Service::Nws.name(),
                        words(place)
                    ),
                    mend: "mend the coordinates if it is so".into(),
                });
            }
            let why = silence.words(Service::Nws);
            if wish.time_zone.is_none() || wish.county.is_none() {
                told.remarks.push(format!("time zone, county and state could not be looked up: {why}"));
            }
            Err(why)
        }
    };
    if let Ok(PlaceFacts { county_zone: Some(zone), .. }) = &told.place
        && (wish.county.is_none() || wish.state.is_none())
    {
        match ground.look_ups.county(zone).await? {
            Ok(county) => told.county = Some(county),
            Err(silence) => {
                told.remarks.push(format!("its county could not be looked up: {}", silence.words(Service::Nws)));
            }
        }
    }
    Ok(told)
}

/// A time zone and how it is known.
pub enum PlaceClock {
    /// Given, or told by the weather service; the text says who.
    Known(Tz, String),
    /// That of the region or station that the text names.
    Neighbour(Tz, String),
    /// Nobody knows better.
    OfSchedule(Tz),
}

/// From the person, the weather service, a region or a station near, or else the schedule.
fn clock_of(wish: &Wish, place: Point, told: &Result<PlaceFacts, String>, ground: &Ground) -> PlaceClock {
    if let Some(zone) = wish.time_zone {
        return PlaceClock::Known(zone, "given".into());
    }
    if let Ok(PlaceFacts { time_zone: Some(zone), .. }) = told {
        return PlaceClock::Known(*zone, Service::Nws.name().into());
    }
    clock_beside(place, &ground.regions, &ground.stations, ground.usual_zone)
}

/// That of the nearest region or station, or else the schedule's.
pub fn clock_beside(place: Point, regions: &[Region], stations: &[Station], usual: Tz) -> PlaceClock {
    let of_regions = regions.iter().map(|region| (region.place, region.time_zone, format!("region `{}`", region.id)));
    let of_stations =
        stations.iter().map(|station| (station.place, station.time_zone, format!("station {}", station.id)));
    let near = of_regions
        .chain(of_stations)
        .map(|(other, zone, who)| (distance_km(place, other), zone, who))
        .filter(|(km, ..)| *km <= SAME_CLOCK_KM)
        .min_by(|a, b| a.0.total_cmp(&b.0));
    match near {
        Some((km, zone, who)) => PlaceClock::Neighbour(zone, format!("that of {who}, {km:.0} km away")),
        None => PlaceClock::OfSchedule(usual),
    }
}
