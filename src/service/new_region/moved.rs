//! A region that is moved keeps what it does not get anew: whether that still fits its new place.

use super::height::{DISAGREE_M, look_up};
use super::place;
use super::place::{Known, words};
use super::{Doubt, Ground, NewRegionError, Service};
use crate::geo::distance_km;
use crate::region::Region;
use crate::service::station_choice::rank::FARTHEST_KM;
use crate::weather::Station;
use crate::weather::nearby::{mirrored, wrong_sign_words};

/// Nearer than this a region has not moved: the last digits of its coordinates were mended.
const MOVED_KM: f64 = 2.0;

/// Whether a region can be changed so, as far as its place goes: beside its own stations, and where its ZIP codes are. Gives remarks
/// and what needs a word of a person.
///
/// # Errors
/// [`NewRegionError::Refused`] with the place that it would be; a store that fails.
pub async fn change_stands(
    before: &Region,
    after: &Region,
    ground: &Ground,
) -> Result<(Vec<String>, Vec<Doubt>), NewRegionError> {
    let own: Vec<Station> =
        ground.stations.iter().filter(|station| after.stations.contains(&station.id)).cloned().collect();
    if (after.place != before.place || after.stations != before.stations)
        && let Some(station) = mirrored(after.place, &own)
    {
        let words = wrong_sign_words("region", after.id.as_str(), after.place, station);
        return Err(NewRegionError::refused(words));
    }
    if after.place == before.place && after.zips == before.zips {
        return Ok((Vec::new(), Vec::new()));
    }
    let known = Known { table: &ground.table, stations: &ground.stations, regions: &ground.regions };
    let placed = place::find(&after.zips, Some(after.place), &known).map_err(NewRegionError::Refused)?;
    let mut remarks: Vec<String> = placed.remarks.into_iter().chain(placed.doubts.iter().map(Doubt::words)).collect();
    let (more, doubts) = doubts_of_a_move(before, after, ground).await?;
    remarks.extend(more);
    Ok((remarks, doubts))
}

/// What of a region was left as it was though its place moved, and no longer fits there. What was changed with the place is
/// taken as given. Remarks come first: what could not be compared.
///
/// # Errors
/// A store that fails.
pub async fn doubts_of_a_move(
    before: &Region,
    after: &Region,
    ground: &Ground,
) -> Result<(Vec<String>, Vec<Doubt>), NewRegionError> {
    let (mut remarks, mut doubts) = (Vec::new(), Vec::new());
    let km = distance_km(before.place, after.place);
    if km < MOVED_KM {
        return Ok((remarks, doubts));
    }
    let moved = format!("its place moved by {km:.0} km, to {}", words(after.place));
    let mut doubt =
        |what: String, mend: &str| doubts.push(Doubt { what: format!("{moved}, and {what}"), mend: mend.into() });

    let own: Option<&Station> =
        after.stations.first().and_then(|id| ground.stations.iter().find(|station| station.id == *id));
    if let Some(station) = own.filter(|_| after.stations == before.stations) {
        let km = distance_km(after.place, station.place);
        if km > FARTHEST_KM {
            doubt(
                format!("its station {} is {km:.0} km away now", station.id),
                "name others with --station, or as stations in a list",
            );
        }
    }

    let told = ground.look_ups.place(after.place).await?;
    match &told {
        Ok(facts) => {
            if let Some(zone) =
                facts.time_zone.filter(|zone| *zone != after.time_zone && after.time_zone == before.time_zone)
            {
                doubt(
                    format!("its time zone is still {}, where {} says {zone}", after.time_zone, Service::Nws.name()),
                    super::MEND_ZONE,
                );
            }
            if let Some(zone) = facts.county_zone.as_ref().filter(|_| after.county == before.county)
                && let Ok(county) = ground.look_ups.county(zone).await?
                && after.county.as_ref().is_some_and(|kept| *kept != county.name)
            {
                let kept = after.county.as_deref().unwrap_or_default();
                doubt(
                    format!("its county is still {kept}, where {} says {}", Service::Nws.name(), county.name),
                    "give it with --county, or as county in a list",
                );
            }
        }
        Err(silence) => remarks.push(format!(
            "{moved}; whether its time zone and county are still right could not be looked up: {}",
            silence.words(Service::Nws)
        )),
    }

    if after.elevation_m == before.elevation_m {
        let grid = told.as_ref().map(|facts| &facts.grid).map_err(|silence| silence.words(Service::Nws));
        match look_up(after.place, grid, &ground.look_ups).await? {
            Ok(height) if (height.metres - after.elevation_m).abs() > DISAGREE_M => doubt(
                format!(
                    "its elevation is still {:.0} m, where it is {:.0} m by {}",
                    after.elevation_m, height.metres, height.source
                ),
                "give it with --elevation-ft or --elevation-m, or in a list",
            ),
            Ok(_) => {}
            Err(why) => {
                remarks.push(format!("{moved}; whether its elevation is still right could not be looked up: {why}"))
            }
        }
    }
    Ok((remarks, doubts))
}
