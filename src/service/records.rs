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
}

impl RecordCache {
    pub fn new(from: Store) -> Self {
        Self { from, known: HashMap::new() }
    }

    /// A station that was read before.
    pub fn known(&self, id: &StationId) -> Option<&Arc<StationHistory>> {
        self.known.get(id)
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
