//! The records of a region's stations: which are missing, and fetching them.

use std::sync::Arc;

use chrono::NaiveDate;

use super::Ground;
use crate::clock::Clock;
use crate::config::FeedsConfig;
use crate::service::backfill::{Backfiller, StationBackfill};
use crate::service::station_choice::recent_whole_seasons;
use crate::store::{Store, StoreError};
use crate::weather::Station;

/// With fewer whole seasons among the last thirty in the store, a station's whole record is fetched.
const SEASONS_WANTED: u32 = 20;

/// Those of the stations whose whole record was never fetched and is short in the store.
///
/// # Errors
/// When the store fails.
pub async fn lacking(store: &Store, stations: &[Station], today: NaiveDate) -> Result<Vec<Station>, StoreError> {
    let done = store.backfills().await?;
    let mut lacking = Vec::new();
    for station in stations.iter().filter(|station| done.iter().all(|one| one.station != station.id)) {
        if recent_whole_seasons(&store.record(&station.id).await?, today) < SEASONS_WANTED {
            lacking.push(station.clone());
        }
    }
    Ok(lacking)
}

/// Fetches the whole records of stations into a store, if services may be asked. `heard` as [`Backfiller::fetch_all`] has it.
///
/// # Errors
/// When the store fails; a source that fails is told in the outcome.
pub async fn fetch(
    store: &Store,
    stations: &[Station],
    ground: &Ground,
    feeds: &FeedsConfig,
    clock: Arc<dyn Clock>,
    heard: &(dyn Fn(usize, Option<&Station>) + Sync),
) -> Result<Vec<StationBackfill>, StoreError> {
    let Some(fetcher) = ground.look_ups.fetcher() else { return Ok(Vec::new()) };
    let backfiller = Backfiller {
        store: store.clone(),
        fetcher: Arc::clone(fetcher),
        directory: ground.look_ups.directory().cloned(),
        feeds: feeds.clone(),
        clock,
        again: false,
        only: None,
    };
    backfiller.fetch_all(stations, heard).await
}
