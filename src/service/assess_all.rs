//! Many regions looked at together: those of one station after the other, stations side by side.

use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, Utc};
use tokio::task::JoinSet;

use super::app::App;
use super::assess::look_at;
use super::caches::{RecordCache, SeasonCache};
use super::cycle_cache::CycleCache;
use super::region_fault::RegionFault;
use crate::assessment::season_model::Assessment;
use crate::region::Region;
use crate::weather::StationId;

/// Stations at once, at most: each may hold whole records.
const MOST_AT_ONCE: usize = 4;

/// A region, the moment from which it is looked at, and its place among all.
type Place = (usize, Region, DateTime<Utc>);

/// What came of one.
pub type Looked = (Region, Result<Assessment, RegionFault>);

/// Outlooks of many regions and what would be decided, each as known at its moment, in the order given; nothing is
/// written but what a station's past came to. Records are let go after the last region that shares their station.
///
/// # Errors
/// When the work is cut off.
pub async fn look_at_all(app: &App, regions: Vec<(Region, DateTime<Utc>)>) -> Result<Vec<Looked>, RegionFault> {
    let mut groups: BTreeMap<Option<StationId>, Vec<Place>> = BTreeMap::new();
    for (at, (region, now)) in regions.into_iter().enumerate() {
        groups.entry(region.stations.first().cloned()).or_default().push((at, region, now));
    }
    // Twice the processors: while some wait for the store, others are worked out.
    let at_once = std::thread::available_parallelism().map_or(2, |cores| 2 * cores.get());
    let at_once = at_once.min(MOST_AT_ONCE).min(groups.len());
    let left = Arc::new(Mutex::new(groups.into_values().collect::<Vec<_>>()));
    let mut work = JoinSet::new();
    for _ in 0..at_once {
        work.spawn(look_at_some(app.clone(), Arc::clone(&left)));
    }
    let mut looked: BTreeMap<usize, Looked> = BTreeMap::new();
    while let Some(some) = work.join_next().await {
        looked.extend(some?);
    }
    Ok(looked.into_values().collect())
}

/// Takes group after group until none is left.
async fn look_at_some(app: App, left: Arc<Mutex<Vec<Vec<Place>>>>) -> Vec<(usize, Looked)> {
    // What the store holds of seasons, by the moment from which it was read.
    let mut stored: HashMap<DateTime<Utc>, CycleCache> = HashMap::new();
    let mut looked = Vec::new();
    loop {
        let group = left.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let Some(group) = group else { return looked };
        let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
        for (at, region, now) in group {
            let seen = match app.profiles.get(&region.profile) {
                Some(profile) => {
                    let stored = stored.entry(now).or_default();
                    look_at(&app, &mut records, &mut seasons, stored, &region, &profile, now).await
                }
                None => Err(RegionFault::NoProfile(region.profile.clone())),
            };
            looked.push((at, (region, seen)));
        }
    }
}
