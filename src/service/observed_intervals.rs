//! What many people saw, as the interval in which each stage began.

use std::collections::BTreeSet;

use chrono::NaiveDate;

use crate::id::StationId;
use crate::season::StageId;
use crate::season::profile::Profiles;
use crate::store::field_reports::StoredReport;
use crate::store::{Store, StoreError};

/// A stage began in a region after one day and no later than another.
pub struct ObservedInterval {
    /// The region's own station: its temperatures go with the dates.
    pub station: StationId,
    pub season: i32,
    pub stage: StageId,
    /// The last day, before it was seen, on which somebody looked and saw none.
    pub not_seen: Option<NaiveDate>,
    /// The first day on which it was seen.
    pub seen: NaiveDate,
}

/// One interval a region, season and stage that was seen, from confirmed reports of a known day. That a stage had not come
/// is taken from the look before a sighting, and from looks at trees that have the insect. Regions without a station do not
/// count.
///
/// # Errors
/// When the store cannot be read, or knows a report's region no more.
pub async fn observed_intervals(
    store: &Store,
    profiles: &Profiles,
    reports: &[StoredReport],
) -> Result<Vec<ObservedInterval>, StoreError> {
    let mut intervals = Vec::new();
    let regions: BTreeSet<_> = reports.iter().map(|stored| &stored.region).collect();
    for id in regions {
        let region = store.region(id).await?;
        let (Some(station), Some(profile)) = (region.stations.first(), profiles.get(&region.profile)) else { continue };
        let of_region = || reports.iter().filter(|stored| stored.region == *id && stored.counts());
        let seasons: BTreeSet<i32> = of_region().map(|stored| profile.season_of(stored.observed_on)).collect();
        for season in seasons {
            for stage in &profile.stages {
                let in_season = || of_region().filter(|stored| profile.season_of(stored.observed_on) == season);
                let shows = |stored: &&StoredReport| stored.stage.as_ref() == Some(&stage.id);
                let seen = in_season().filter(shows).map(|stored| stored.observed_on).min();
                let Some(seen) = seen else { continue };
                let looks_before = in_season().filter(shows).filter_map(|stored| stored.nothing_on);
                let empty_looks = in_season()
                    .filter(|stored| stored.not_yet.as_ref() == Some(&stage.id) && stored.infested == Some(true))
                    .map(|stored| stored.observed_on);
                let not_seen = looks_before.chain(empty_looks).filter(|day| *day < seen).max();
                intervals.push(ObservedInterval {
                    station: station.clone(),
                    season,
                    stage: stage.id.clone(),
                    not_seen,
                    seen,
                });
            }
        }
    }
    Ok(intervals)
}
