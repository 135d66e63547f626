//! What cannot be of a station, said before it is saved.

use crate::commands::error::CommandError;
use crate::commands::select::wrong_sign;
use crate::geo::Point;
use crate::region::ELEVATIONS_M;
use crate::text::is_hidden;
use crate::weather::Station;
use crate::weather::feeds::{FeedError, has_secret};
use crate::weather::nearby::mirrored;

/// Stations of one state lie beside each other: a forgotten minus is told by the others.
///
/// # Errors
/// When it lies beside another only with the other sign of its longitude.
pub(super) fn check_sign(station: &Station, mut others: Vec<Station>) -> Result<(), CommandError> {
    others.retain(|other| other.id != station.id);
    let beside = mirrored(station.place, &others);
    beside.map_or(Ok(()), |other| Err(wrong_sign("station", &station.id.0, station.place, other)))
}

/// # Errors
/// Everything that cannot be of a station, in one sentence.
pub(super) fn check(station: &Station) -> Result<(), CommandError> {
    let Point { latitude, longitude } = station.place;
    let id = &station.id.0;
    let mut faults = Vec::new();
    if id.is_empty() || id.chars().count() > 40 || id.chars().any(|c| c.is_whitespace() || is_hidden(c) || c == ',') {
        faults.push(format!("the id `{id}` must be 1 to 40 visible characters without blanks and commas"));
    }
    if station.name.trim().is_empty() || station.name.chars().any(is_hidden) {
        faults.push("the name is empty or holds a character that is not seen".into());
    }
    if !(-90.0..=90.0).contains(&latitude) {
        faults.push(format!("latitude {latitude} must lie between -90 and 90"));
    }
    if !(-180.0..=180.0).contains(&longitude) {
        faults.push(format!("longitude {longitude} must lie between -180 and 180"));
    }
    if station.sources.iter().any(has_secret) {
        faults.push(FeedError::SecretInSource.to_string());
    }
    if station.mixes_kinds() {
        faults.push(
            "a grid point has sources of a grid only, since nobody could tell its estimates from measured values"
                .into(),
        );
    }
    if !ELEVATIONS_M.contains(&station.elevation_m) {
        faults.push(format!("elevation {} m must lie between -430 and 8849 m", station.elevation_m));
    }
    if faults.is_empty() { Ok(()) } else { Err(CommandError::Usage(format!("station `{id}`: {}", faults.join("; ")))) }
}
