//! What height makes in days around a region: its own stations and others within reach, brought to the pure measure.

use chrono::{DateTime, Utc};

use super::app::App;
use super::caches::RecordCache;
use super::kept_pasts;
use super::reached_days::Reached;
use super::region_fault::RegionFault;
use crate::assessment::past::{Asked, OwnPast};
use crate::geo::distance_km;
use crate::region::Region;
use crate::season::Profile;
use crate::season::lapse::{FEWEST_STATIONS, HeightEffect, StationDays};
use crate::weather::record::Known;
use crate::weather::settled::PastUse;
use crate::weather::{Station, StationId};

/// Stations farther off live under other weather; as far as a station is chosen unasked.
const REACH_KM: f64 = 80.0;

/// More stations tell little more, and each record takes its time to read.
const MOST_STATIONS: usize = 12;

/// What height makes in days around a region, and what that comes from.
pub struct Around {
    /// `None` where it cannot be measured.
    pub effect: Option<HeightEffect>,
    /// The stations beside the region's own whose past seasons were, or would be, looked at.
    pub others: Vec<StationId>,
}

/// What height makes in days around a region, by the heat of the stage that opens the window. `past_writes`: how often the past
/// of a station was written to.
///
/// # Errors
/// When the store fails, or the work is ended.
pub async fn around(
    app: &App,
    records: &mut RecordCache,
    region: &Region,
    profile: &Profile,
    now: DateTime<Utc>,
    past_writes: &(dyn Fn(&StationId) -> i64 + Sync),
) -> Result<Around, RegionFault> {
    let marks = profile.heat_marks();
    let mut around = Around { effect: None, others: Vec::new() };
    let Some((_, target)) = marks.iter().find(|(stage, _)| *stage == profile.window.opens) else { return Ok(around) };
    let today = now.with_timezone(&region.time_zone).date_naive();
    let season = profile.season_of(today);
    let near = within_reach(region, records.from.stations().await?);
    around.others = near.iter().map(|of| of.id.clone()).filter(|id| !region.stations.contains(id)).collect();
    // Records are not read for nothing.
    if near.len() < FEWEST_STATIONS {
        return Ok(around);
    }
    let mut stations = Vec::with_capacity(near.len());
    for station in near {
        let key = (station.id.clone(), format!("{} {target}", profile.id), season, past_writes(&station.id));
        let reached = match app.reached_days.of(&key, today) {
            Some(reached) => reached,
            None => {
                let reached = reached_days(app, records, &station.id, profile, season, *target, now).await?;
                app.reached_days.keep(key, today, reached.clone());
                reached
            }
        };
        stations.push(StationDays { elevation_m: station.elevation_m, reached });
    }
    around.effect = HeightEffect::measured(&stations);
    Ok(around)
}

/// The region's own stations and the nearest others; a grid's estimates are no measure of what height makes.
fn within_reach(region: &Region, stations: Vec<Station>) -> Vec<Station> {
    let is_own = |station: &Station| region.stations.contains(&station.id);
    let km = |station: &Station| distance_km(region.place, station.place);
    let mut near: Vec<Station> = stations
        .into_iter()
        .filter(|station| !station.is_grid_point() && (is_own(station) || km(station) <= REACH_KM))
        .collect();
    near.sort_by(|a, b| is_own(b).cmp(&is_own(a)).then(km(a).total_cmp(&km(b))).then_with(|| a.id.cmp(&b.id)));
    near.truncate(MOST_STATIONS);
    near
}

/// By past season, days from its start to the day on which this station's own record reached the sum.
async fn reached_days(
    app: &App,
    records: &mut RecordCache,
    id: &StationId,
    profile: &Profile,
    season: i32,
    target: f64,
    now: DateTime<Utc>,
) -> Result<Reached, RegionFault> {
    let rules = &app.config.weather;
    let known = Known::At { instant: now, bulk_latency_days: rules.bulk_latency_days };
    let asked = Asked { profile, season, rules, known };
    let seen = kept_pasts::seen(app, records, id, &asked, PastUse::Years).await?;
    let past = match seen.and_then(|seen| seen.own) {
        Some(own) => own.past,
        None => OwnPast::of(&*records.get(id).await?, &asked),
    };
    Ok(past.days_of(profile, target))
}
