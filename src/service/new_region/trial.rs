//! A region tried out in memory before it is saved: with its stations and their whole records, so that its past seasons can be
//! looked at, and nothing is left behind when a person says no.

use chrono::{DateTime, Utc};

use super::history::lacking;
use super::{Found, Ground};
use crate::service::caches::can_lend;
use crate::service::import::news_of;
use crate::service::station_choice::midnight_stations;
use crate::store::{Store, StoreError};
use crate::weather::nearby::by_nearness;
use crate::weather::{Station, StationId};

/// The region as it would be, in a store in memory.
pub struct Trial {
    store: Store,
    found: Found,
    /// Stations whose records are fetched.
    lacking: Vec<Station>,
}

impl Trial {
    /// Copies what the region stands on.
    ///
    /// # Errors
    /// When a store fails.
    pub async fn of(found: &Found, ground: &Ground, now: DateTime<Utc>) -> Result<Self, StoreError> {
        let store = Store::in_memory().await?;
        let stored: Vec<&Station> = ground.stations.iter().collect();
        let of_region = |id: &StationId| {
            let known = ground.stations.iter().find(|station| station.id == *id);
            known.or_else(|| found.new_stations.iter().find(|station| station.id == *id)).cloned()
        };
        let own: Vec<Station> = found.region.stations.iter().filter_map(of_region).collect();
        // Those by which the hour of reading is found.
        let beside =
            own.iter().flat_map(|station| midnight_stations(station, &stored)).map(|(_, station)| station.clone());
        let mut stations = own.clone();
        for station in beside {
            if stations.iter().all(|known| known.id != station.id) {
                stations.push(station);
            }
        }
        if let Some(leading) = own.first() {
            for lender in lenders(leading, ground).await? {
                if stations.iter().all(|known| known.id != lender.id) {
                    stations.push(lender);
                }
            }
        }
        store.add_missing_stations(&stations).await?;
        for station in &stations {
            store.add_versions(&station.id, &ground.store.record(&station.id).await?.versions).await?;
        }
        let lacking = lacking(&ground.store, &own, ground.today).await?;
        store.add_region(&found.region, now).await?;
        Ok(Self { store, found: found.clone(), lacking })
    }

    /// Holds the region, its stations and their records: for looking at its past seasons.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// Its stations whose records are not there yet: [`super::history::fetch`] puts them into [`Trial::store`].
    pub fn lacking(&self) -> &[Station] {
        &self.lacking
    }

    /// Saves region and stations in one transaction, then the records that were fetched, a transaction each: `weather backfill`
    /// fetches one that a crash left out.
    ///
    /// # Errors
    /// As [`Store::add_region`].
    pub async fn save(&self, store: &Store, now: DateTime<Utc>) -> Result<(), StoreError> {
        let mut stations = Vec::new();
        for station in &self.found.new_stations {
            // With the hour of reading that was found in its record.
            stations.push(self.store.station(&station.id).await?);
        }
        store.add_region_with(&self.found.region, &stations, now).await?;
        for done in self.store.backfills().await? {
            let record = self.store.record(&done.station).await?;
            let (news, _) = news_of(store, &done.station, record.versions).await?;
            let hour = self.store.station(&done.station).await?.observation_hour;
            store.put_backfill(&news, &done, hour).await?;
        }
        Ok(())
    }
}

/// So many stations at most are held ready to lend their past.
const LENDERS: usize = 3;

/// Stations of the store that would lend their past to the region's own where it has little, so that what is shown is what the
/// service would say.
async fn lenders(leading: &Station, ground: &Ground) -> Result<Vec<Station>, StoreError> {
    let mut lenders = Vec::new();
    for candidate in by_nearness(leading.place, Some(leading.elevation_m), ground.stations.clone()) {
        if lenders.len() == LENDERS {
            break;
        }
        let id = &candidate.station.id;
        if *id != leading.id && can_lend(&ground.store, id, ground.today).await? {
            lenders.push(candidate.station);
        }
    }
    Ok(lenders)
}
