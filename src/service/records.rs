//! Station records, read once for all who look at them. Whoever makes a cache says how long it is good; none is ever written.

use std::collections::HashMap;
use std::sync::Arc;

use crate::assessment::past::StationHistory;
use crate::store::{Store, StoreError};
use crate::weather::StationId;

/// Station records in memory, read once from wherever they are kept.
#[derive(Clone)]
pub struct RecordCache {
    pub(super) from: Store,
    known: HashMap<StationId, Arc<StationHistory>>,
    /// Whether there are forecasts of a station.
    forecasts: HashMap<StationId, bool>,
}

impl RecordCache {
    pub fn new(from: Store) -> Self {
        Self { from, known: HashMap::new(), forecasts: HashMap::new() }
    }

    /// A station that was read before.
    pub fn known(&self, id: &StationId) -> Option<&Arc<StationHistory>> {
        self.known.get(id)
    }

    /// Whether any forecast of a station is kept: in most replays none is.
    ///
    /// # Errors
    /// When the store fails.
    pub(super) async fn has_forecast(&mut self, id: &StationId) -> Result<bool, StoreError> {
        if let Some(has) = self.forecasts.get(id) {
            return Ok(*has);
        }
        let has = self.from.has_forecast(id).await?;
        self.forecasts.insert(id.clone(), has);
        Ok(has)
    }

    /// # Errors
    /// When the station is unknown or the store fails.
    pub async fn get(&mut self, id: &StationId) -> Result<Arc<StationHistory>, StoreError> {
        if let Some(history) = self.known.get(id) {
            return Ok(Arc::clone(history));
        }
        let station = self.from.station(id).await?;
        let record = self.from.record(id).await?.index(station.time_zone);
        let history = Arc::new(StationHistory { station, record });
        self.known.insert(id.clone(), Arc::clone(&history));
        Ok(history)
    }
}
