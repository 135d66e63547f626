//! What a command's arguments name: regions, stations, the moment looked at.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};

use super::error::CommandError;
use crate::geo::Point;
use crate::region::{Region, RegionId};
use crate::service::app::App;
use crate::store::Store;
use crate::text::{did_you_mean, near_key};
use crate::timetable::place;
use crate::weather::nearby::wrong_sign_words;
use crate::weather::{Station, StationId};

/// The regions named, or all.
pub async fn chosen_regions(app: &App, names: &[RegionId]) -> Result<Vec<Region>, CommandError> {
    let all = app.store.regions().await?;
    if let Some(unknown) = names.iter().find(|name| all.iter().all(|region| region.id != **name)) {
        let near = did_you_mean(near_key(unknown.as_str(), all.iter().map(|region| region.id.as_str())));
        return Err(CommandError::Usage(format!("there is no region `{unknown}`{near}")));
    }
    Ok(all.into_iter().filter(|region| names.is_empty() || names.contains(&region.id)).collect())
}

/// The stations named, or all.
pub async fn chosen_stations(store: &Store, names: &[StationId]) -> Result<Vec<Station>, CommandError> {
    if names.is_empty() {
        return Ok(store.stations().await?);
    }
    let mut stations = Vec::new();
    for name in names {
        stations.push(store.station(name).await?);
    }
    Ok(stations)
}

/// A place that lies beside a station only with the other sign of its longitude.
pub fn wrong_sign(what: &str, id: &str, place: Point, station: &Station) -> CommandError {
    CommandError::Usage(wrong_sign_words(what, id, place, station))
}

/// `now`, or the morning of the day asked for.
pub fn moment(on: Option<NaiveDate>, region: &Region, now: DateTime<Utc>) -> DateTime<Utc> {
    match on {
        None => now,
        Some(day) => place(day.and_time(NaiveTime::from_hms_opt(7, 0, 0).unwrap_or_default()), region.time_zone),
    }
}
