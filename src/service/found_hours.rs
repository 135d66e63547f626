//! At what hours a record was read, found when all of it comes in: fetched, or out of a file.

use chrono::{DateTime, Datelike, Utc};

use super::station_choice::{is_fixed, midnight_stations};
use crate::store::{Store, StoreError};
use crate::weather::reading_hour::{
    Era, ReadingHour, eras, filed_maxima, is_long_enough, maxima_of, put_hours, told_hour,
};
use crate::weather::{Reading, Station};

/// An hour found in the record is made the station's own when its era reaches so near to this year.
const ERA_IS_CURRENT_YEARS: i32 = 2;

/// Told by the source, or set by staff, or found beside a midnight station of the store. What was found is put on each
/// reading of its era that no source told the hour of, and made the station's own where it holds today: observers told
/// their hours from the 1980s on, if at all, and what they wrote down before needs its day too. A record that comes in
/// again is looked at again, since the station's own hour says nothing of earlier eras; an hour that staff set to what the
/// record does not show of today holds for all of it. `remarks` hears what was found, in words for staff.
///
/// # Errors
/// When the store fails.
pub(super) async fn find_hour(
    store: &Store,
    station: &mut Station,
    readings: &mut [Reading],
    now: DateTime<Utc>,
    remarks: &mut Vec<String>,
) -> Result<ReadingHour, StoreError> {
    let told = told_hour(readings).map(|hour| ReadingHour::Told { hour });
    let known = told.clone().or(station.observation_hour.map(|hour| ReadingHour::Set { hour }));
    let untold = readings.iter().filter(|reading| reading.observation_hour.is_none_or(|hour| hour == 0)).count();
    if untold == 0 || is_fixed(station) {
        return Ok(known.unwrap_or(ReadingHour::ByConstruction));
    }
    let maxima = maxima_of(readings);
    // A file of a year or a month, of which a folder may hold thousands, is held against nothing.
    let stored = if is_long_enough(&maxima) { store.stations().await? } else { Vec::new() };
    let this_year = now.with_timezone(&station.time_zone).year();
    for (distance_km, midnight) in midnight_stations(station, &stored.iter().collect::<Vec<_>>()) {
        let eras = eras(&maxima, &filed_maxima(&store.record(&midnight.id).await?));
        // A file may end long ago: then it shows nothing of today that could speak against what is set.
        let Some(is_current) = eras.last().map(|era| era.last >= this_year - ERA_IS_CURRENT_YEARS) else { continue };
        let words = eras.iter().map(Era::words).collect::<Vec<_>>().join("; ");
        let found = ReadingHour::Found { neighbour: midnight.id.clone(), distance_km, eras: eras.clone() };
        if is_current && station.observation_hour.is_some() && station.observation_hour != found.setting() {
            break;
        }
        let put = put_hours(readings, &eras);
        remarks.push(format!(
            "no source tells the hour of {untold} of its readings; beside midnight station {} ({distance_km:.0} km \
             away) its record shows {words}: {put} readings were put on their day by that",
            midnight.id
        ));
        if let Some(told) = told {
            return Ok(told);
        }
        // Kept with the record.
        if let (Some(hour), true, None) = (found.setting(), is_current, station.observation_hour) {
            station.observation_hour = Some(hour);
            remarks.push(format!("its hour of reading is set to {hour}: `treebell station change` sets another"));
        }
        return Ok(found);
    }
    Ok(known.unwrap_or(ReadingHour::Unknown))
}
