//! The records of a region's stations: which are missing, and fetching them.

use std::sync::Arc;

use chrono::NaiveDate;

use super::Ground;
use crate::clock::Clock;
use crate::config::FeedsConfig;
use crate::service::backfill::{Backfiller, Outcome, StationBackfill};
use crate::service::station_choice::recent_whole_seasons;
use crate::store::{Store, StoreError};
use crate::weather::Station;
use crate::weather::feeds::chain;

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

const LATER: &str = "`treebell weather backfill` fetches it";

/// That the records of stations were not fetched, and `why`.
pub fn not_fetched(stations: &[Station], why: &str) -> String {
    let names: Vec<&str> = stations.iter().map(|station| station.id.as_str()).collect();
    format!("the history of {} is short or not there, and {why}: {LATER}", names.join(", "))
}

/// What staff should know of a record that was fetched or could not be.
pub fn notes(one: &StationBackfill) -> Vec<String> {
    let of = match &one.outcome {
        Outcome::Fetched(fetched) if !fetched.hour.is_known() => Some(format!(
            "station {id}: hour of reading unknown: nobody tells it, and no midnight station with a record is near to \
             hold it against, so maxima of a morning reader stand a day late; `treebell station change {id} \
             --observation-hour HOUR` sets it if you know it",
            id = one.station
        )),
        Outcome::Fetched(_) | Outcome::Before { .. } => None,
        Outcome::NoSource => {
            Some(format!("station {} has no source with a whole record: `weather import` takes files", one.station))
        }
        Outcome::Failed => {
            let why: Vec<String> = one.failed.iter().map(|(_, why)| chain(why)).collect();
            Some(format!("the record of station {} could not be had ({}): {LATER}", one.station, why.join("; ")))
        }
    };
    of.into_iter().chain(one.remarks.iter().map(|remark| format!("station {}: {remark}", one.station))).collect()
}
