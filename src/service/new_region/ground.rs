//! What finding a region stands on: read once, for one region or for many.

use std::borrow::Cow;
use std::sync::Arc;
use std::time::Duration;

use chrono::NaiveDate;
use chrono_tz::Tz;

use super::look_up::LookUps;
use crate::clock::Clock;
use crate::config::{Config, FeedsConfig};
use crate::places::PlaceTable;
use crate::region::Region;
use crate::store::{Store, StoreError};
use crate::weather::Station;
use crate::weather::fetch::{FetchError, Fetcher, Limits, RealSleeper};

/// Whoever waits for an answer should not wait for minutes.
const MOST_TRIES: u32 = 2;
const LONGEST_WAIT: Duration = Duration::from_secs(10);

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

/// Why there is no ground to stand on.
#[derive(Debug, thiserror::Error)]
pub enum GroundError {
    #[error(transparent)]
    Fetcher(FetchError),
    /// The settings name no address of a service.
    #[error(transparent)]
    LookUps(FetchError),
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl Ground {
    /// With the services that the settings name. `unasked`: why none is to be asked, as the middle of a sentence.
    ///
    /// # Errors
    /// See [`GroundError`].
    pub async fn of(
        store: &Store,
        config: &Config,
        clock: Arc<dyn Clock>,
        unasked: Option<&str>,
    ) -> Result<Self, GroundError> {
        let now = clock.now();
        let unnamed = FeedsConfig::default().contact;
        let fetcher = match unasked {
            Some(why) => Err(why.to_owned()),
            None if !config.feeds.look_up => Err("nobody was asked (feeds.look_up is false)".to_owned()),
            None if config.feeds.contact == unnamed => {
                Err("nobody was asked, since feeds.contact is not set and the services want to know who calls"
                    .to_owned())
            }
            None => {
                let limits = Limits::of(&config.feeds);
                let (tries, longest_wait) = (limits.tries.min(MOST_TRIES), limits.longest_wait.min(LONGEST_WAIT));
                let limits = Limits { tries, longest_wait, redirects: false, ..limits };
                let randomness = store.randomness().clone();
                let fetcher = Fetcher::with(&config.feeds, limits, clock, randomness, Arc::new(RealSleeper));
                Ok(Arc::new(fetcher.map_err(GroundError::Fetcher)?))
            }
        };
        let look_ups = LookUps::new(store, &config.feeds, fetcher, now).map_err(GroundError::LookUps)?;
        let zone = config.schedule.time_zone;
        Ok(Self::read(store, look_ups, zone, now.with_timezone(&zone).date_naive()).await?)
    }

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
