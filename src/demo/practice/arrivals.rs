//! Temperatures and forecasts come in as the clock of a practice moves, as they do in earnest: what is yet to come lies in no
//! store, so that no page and no command can show it.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};

use crate::demo::ground::forecasts_by_issue;
use crate::demo::state::State;
use crate::demo::weather::StateWeather;
use crate::store::weather::{ForecastValue, add_forecast, add_versions};
use crate::store::{Store, StoreError};
use crate::weather::{StationId, Version};

/// Corrections of a day come in no later than that after it.
const LATEST: TimeDelta = TimeDelta::days(60);

/// What is yet to come of one practice.
pub(super) struct Arrivals {
    stations: Vec<StationArrivals>,
    /// All that came by then is in the store.
    taken_to: Mutex<DateTime<Utc>>,
}

struct StationArrivals {
    id: StationId,
    /// In the order of their receipt.
    versions: Vec<Version>,
    forecasts: BTreeMap<DateTime<Utc>, Vec<ForecastValue>>,
}

impl Arrivals {
    /// All that comes in after an instant, up to some weeks past the last day of the practice.
    pub fn of(state: &State, weather: &StateWeather, after: DateTime<Utc>, last_day: NaiveDate) -> Self {
        let last = (last_day.and_time(chrono::NaiveTime::MIN) + LATEST).and_utc();
        let today = after.date_naive();
        let stations = state.stations.iter().enumerate().map(|(at, station)| {
            let mut versions = weather.versions(at);
            versions.retain(|version| version.received_at > after && version.received_at <= last);
            versions.sort_by_key(|version| version.received_at);
            let mut forecasts = forecasts_by_issue(weather, at, (today, last_day));
            forecasts.retain(|received_at, _| *received_at > after);
            StationArrivals { id: station.station.id.clone(), versions, forecasts }
        });
        Self { stations: stations.collect(), taken_to: Mutex::new(after) }
    }

    /// Puts into the store what has come in by now.
    ///
    /// # Errors
    /// When the store fails; then it comes with the next call.
    pub async fn take_in(&self, store: &Store, now: DateTime<Utc>) -> Result<(), StoreError> {
        let from = *self.taken_to.lock().unwrap_or_else(PoisonError::into_inner);
        if now <= from {
            return Ok(());
        }
        let due: Vec<_> = self.stations.iter().map(|station| (station, station.between(from, now))).collect();
        if due
            .iter()
            .any(|(station, versions)| !versions.is_empty() || station.forecasts_between(from, now).next().is_some())
        {
            let mut tx = store.begin().await?;
            for (station, versions) in due {
                if !versions.is_empty() {
                    add_versions(&mut tx, &station.id, versions).await?;
                }
                for (received_at, values) in station.forecasts_between(from, now) {
                    add_forecast(&mut tx, &station.id, values, *received_at).await?;
                }
            }
            tx.commit().await?;
        }
        *self.taken_to.lock().unwrap_or_else(PoisonError::into_inner) = now;
        Ok(())
    }
}

impl StationArrivals {
    /// Received after `from` and by `to`.
    fn between(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> &[Version] {
        let first = self.versions.partition_point(|version| version.received_at <= from);
        let end = self.versions.partition_point(|version| version.received_at <= to);
        self.versions.get(first..end).unwrap_or_default()
    }

    fn forecasts_between(
        &self,
        from: DateTime<Utc>,
        to: DateTime<Utc>,
    ) -> impl Iterator<Item = (&DateTime<Utc>, &Vec<ForecastValue>)> {
        self.forecasts.range((std::ops::Bound::Excluded(from), std::ops::Bound::Included(to)))
    }
}
