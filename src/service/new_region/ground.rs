//! What finding a region stands on: read once, for one region or for many.

use std::borrow::Cow;

use chrono::NaiveDate;
use chrono_tz::Tz;

use super::look_up::LookUps;
use crate::places::PlaceTable;
use crate::region::Region;
use crate::store::{Store, StoreError};
use crate::weather::Station;

/// What the store knows already, the table of places, and the services.
pub struct Ground {
    pub(super) store: Store,
    pub table: Cow<'static, PlaceTable>,
    /// In use.
    pub(super) stations: Vec<Station>,
    /// In use.
    pub regions: Vec<Region>,
    pub look_ups: LookUps,
    /// Where nobody says better.
    pub(super) usual_zone: Tz,
    /// In that zone.
    pub(super) today: NaiveDate,
}

impl Ground {
    /// # Errors
    /// When the store fails.
    pub async fn read(store: &Store, look_ups: LookUps, usual_zone: Tz, today: NaiveDate) -> Result<Self, StoreError> {
        Ok(Self {
            store: store.clone(),
            table: place_table(store).await?,
            stations: store.stations().await?,
            regions: store.regions().await?,
            look_ups,
            usual_zone,
            today,
        })
    }
}

/// The imported table of places, else the one inside the program.
///
/// # Errors
/// When the store fails.
pub async fn place_table(store: &Store) -> Result<Cow<'static, PlaceTable>, StoreError> {
    Ok(store.imported_places().await?.map_or_else(|| Cow::Borrowed(PlaceTable::built_in()), Cow::Owned))
}
