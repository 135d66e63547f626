//! What a usual year is like at the regions of a profile, and why one of them is early or late for its height.

use std::cmp::Reverse;
use std::collections::BTreeSet;
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;

use super::app::App;
use super::past_cache::{PastCache, StationSeasons, Watch};
use super::region_fault::RegionFault;
use crate::assessment::past_dates::{USUAL_SEASONS, Usual, median};
use crate::assessment::warmth::{CannotTell, HeatApart, StationSprings, Warmth, springs, warmth};
use crate::geo::{Point, distance_km};
use crate::region::{Region, RegionId};
use crate::season::{Profile, days_after, days_between};
use crate::store::StoreError;
use crate::weather::{Station, StationId};

/// So many stations at most have a say beside those that lead a region: more would tell little and take long.
const MOST_STATIONS: usize = 40;

/// The regions and stations of a profile in a usual year.
pub struct UsualYear {
    /// The day by which heat is compared: when windows of the regions usually open, set into the season under way.
    pub on: NaiveDate,
    regions: Vec<UsualRegion>,
    /// Those at which somebody measured: what height and latitude bring is judged by them alone.
    stations: Vec<StationSprings>,
    /// A grid's estimates, which lead a region: each is held against what was measured, never against another.
    grid_points: Vec<StationSprings>,
}

struct UsualRegion {
    region: Region,
    usual: Option<Usual>,
}

impl UsualYear {
    /// Reads the last thirty seasons of the stations in use. `None` when no region has a usual year.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn gather(
        app: &App,
        past: &mut PastCache,
        profile: &Arc<Profile>,
        season: i32,
        now: DateTime<Utc>,
        watch: &Watch,
    ) -> Result<Option<Self>, RegionFault> {
        let mut of_profile = app.store.regions().await?;
        of_profile.retain(|region| region.profile == profile.id);
        let leading: Vec<StationId> = distinct(of_profile.iter().filter_map(|region| region.stations.first()));
        let filling = of_profile.iter().flat_map(|region| region.stations.iter().skip(1));
        let mut wanted = leading.clone();
        let places: Vec<Point> = of_profile.iter().map(|region| region.place).collect();
        for id in distinct(filling).into_iter().chain(others(app, &places).await?) {
            if wanted.len() < leading.len().max(MOST_STATIONS) && !wanted.contains(&id) {
                wanted.push(id);
            }
        }
        let (mut regions, mut known) = (Vec::new(), Vec::new());
        for (done, id) in (0..).zip(&wanted) {
            watch(done, wanted.len() as u64);
            known.push(past.get(app, profile, id, season, now).await?);
        }
        for region in of_profile {
            let station = known.iter().find(|known| Some(&known.station.id) == region.stations.first());
            let usual = station.and_then(|known| known.usual);
            regions.push(UsualRegion { region, usual });
        }
        let first = profile.first_day(season);
        let openings = regions.iter().filter_map(|of| Some(days_between(first, of.usual?.opens)));
        let Some(days) = median(openings.collect()).and_then(|days| usize::try_from(days).ok()) else {
            return Ok(None);
        };
        let of_station = |known: &Arc<StationSeasons>| {
            let springs = springs(&profile.heat, &known.seasons, days);
            (springs.len() >= USUAL_SEASONS).then(|| StationSprings {
                station: known.station.id.clone(),
                name: known.station.name.clone(),
                elevation_m: known.station.elevation_m,
                latitude: known.station.place.latitude,
                springs,
            })
        };
        let (grid_points, measured): (Vec<_>, Vec<_>) = known.iter().partition(|known| known.station.is_grid_point());
        let grid_points = grid_points.into_iter().filter_map(of_station).collect();
        let stations = measured.into_iter().filter_map(of_station).collect();
        let on = days_after(first, u32::try_from(days).unwrap_or(u32::MAX));
        Ok(Some(Self { on, regions, stations, grid_points }))
    }

    /// Why a region is early or late for its height. `None` for one that is not among the profile's.
    pub fn why(&self, id: &RegionId) -> Option<Why> {
        let of = self.regions.iter().find(|of| of.region.id == *id)?;
        let station = of.region.stations.first()?;
        let here = self.warmth_at(station);
        let mut against_height: Vec<&UsualRegion> =
            self.regions.iter().filter(|other| is_against_height(of, other)).collect();
        let days_apart = |other: &UsualRegion| {
            of.usual.zip(other.usual).map_or(0, |(here, there)| days_between(here.opens, there.opens))
        };
        against_height.sort_by_key(|other| (Reverse(days_apart(other).abs()), other.region.id.clone()));
        let order = against_height.into_iter().take(MOST_PAIRS).map(|other| Pair {
            region: other.region.id.clone(),
            name: other.region.name.clone(),
            elevation_m: other.region.elevation_m,
            days_before: days_apart(other),
            heat: here.as_ref().ok().zip(self.warmth(other)).map(|(here, other)| HeatApart::of(here, &other)),
        });
        Some(Why {
            region: of.region.id.clone(),
            elevation_m: of.region.elevation_m,
            on: self.on,
            is_grid_point: self.grid_points.iter().any(|point| point.station == *station),
            usual: of.usual,
            order: order.collect(),
            warmth: here,
        })
    }

    fn warmth(&self, of: &UsualRegion) -> Option<Warmth> {
        self.warmth_at(of.region.stations.first()?).ok()
    }

    fn warmth_at(&self, station: &StationId) -> Result<Warmth, CannotTell> {
        match self.grid_points.iter().find(|point| point.station == *station) {
            Some(point) => warmth(&[self.stations.as_slice(), std::slice::from_ref(point)].concat(), station),
            None => warmth(&self.stations, station),
        }
    }
}

/// So many pairs are told.
const MOST_PAIRS: usize = 3;

/// Heights nearer than this are alike.
const ALIKE_M: f64 = 25.0;

/// Higher and yet earlier, or lower and yet later.
fn is_against_height(of: &UsualRegion, other: &UsualRegion) -> bool {
    let (Some(here), Some(there)) = (of.usual, other.usual) else { return false };
    let higher_m = of.region.elevation_m - other.region.elevation_m;
    let later = days_between(there.opens, here.opens);
    (higher_m > ALIKE_M && later < 0) || (higher_m < -ALIKE_M && later > 0)
}

/// Why a region stands where it does in the order.
#[derive(Clone, Debug, Serialize)]
pub struct Why {
    pub region: RegionId,
    pub elevation_m: f64,
    /// The day by which heat is compared.
    pub on: NaiveDate,
    /// Its heat is a grid's estimate, which nobody measured.
    pub is_grid_point: bool,
    pub usual: Option<Usual>,
    #[serde(serialize_with = "told_or_not")]
    pub warmth: Result<Warmth, CannotTell>,
    /// Regions that height alone would put on the other side, the farthest apart first.
    pub order: Vec<Pair>,
}

fn told_or_not<S: serde::Serializer>(warmth: &Result<Warmth, CannotTell>, to: S) -> Result<S::Ok, S::Error> {
    match warmth {
        Ok(warmth) => warmth.serialize(to),
        Err(why) => why.serialize(to),
    }
}

/// Another region that is earlier though higher, or later though lower.
#[derive(Clone, Debug, Serialize)]
pub struct Pair {
    pub region: RegionId,
    pub name: String,
    pub elevation_m: f64,
    /// By so many days this region's window usually opens before the other's; negative after it.
    pub days_before: i64,
    /// `None` where too little is known of one of the two.
    pub heat: Option<HeatApart>,
}

fn distinct<'a>(ids: impl Iterator<Item = &'a StationId>) -> Vec<StationId> {
    let mut seen = BTreeSet::new();
    ids.filter(|id| seen.insert((*id).clone())).cloned().collect()
}

/// Farther from all regions of the profile, a station's height and latitude are those of other mountains: some states' width.
/// Common practice, no source.
const REACH_KM: f64 = 500.0;

/// Stations with years enough to have a say, the nearest to any of these places first.
async fn others(app: &App, places: &[Point]) -> Result<Vec<StationId>, StoreError> {
    let km =
        |station: &Station| places.iter().map(|place| distance_km(*place, station.place)).fold(f64::INFINITY, f64::min);
    let stations = app.store.stations().await?;
    let mut near: Vec<(f64, Station)> = stations.into_iter().map(|station| (km(&station), station)).collect();
    near.retain(|(km, station)| *km <= REACH_KM && !station.is_grid_point());
    near.sort_by(|a, b| a.0.total_cmp(&b.0).then_with(|| a.1.id.cmp(&b.1.id)));
    let mut ids = Vec::new();
    for (_, station) in near {
        let extents = app.store.record_extents(&station.id).await?;
        let first = extents.iter().map(|extent| extent.first_day).min();
        let last = extents.iter().map(|extent| extent.last_day).max();
        let years = first.zip(last).map_or(0, |(first, last)| (last - first).num_days() / 365);
        if years + 1 >= USUAL_SEASONS as i64 {
            ids.push(station.id);
        }
    }
    Ok(ids)
}
