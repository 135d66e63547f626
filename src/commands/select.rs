//! What a command's arguments name: regions, stations, profiles. A name that is not known is a usage fault that says what is.

use crate::commands::error::CommandError;
use crate::store::Store;
use crate::weather::{Station, StationId};

/// The stations named, or all.
pub async fn chosen_stations(store: &Store, names: &[String]) -> Result<Vec<Station>, CommandError> {
    if names.is_empty() {
        return Ok(store.stations().await?);
    }
    let mut stations = Vec::new();
    for name in names {
        stations.push(store.station(&StationId::from(name.as_str())).await?);
    }
    Ok(stations)
}
