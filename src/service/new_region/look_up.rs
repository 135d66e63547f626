//! What services outside say of a place. Each answer is kept, so that a list that was cut off asks only for what is missing,
//! and a service that could not be reached is left alone for the rest of the run.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, Utc};
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::geo::Point;
use crate::store::{Store, StoreError};
use crate::weather::feeds::acis_directory::AcisDirectory;
use crate::weather::feeds::acis_grid::Grid;
use crate::weather::feeds::nws::{self, County, Gridpoint, PlaceFacts};
use crate::weather::feeds::{FeedError, chain};
use crate::weather::fetch::{FetchError, Fetcher};
use crate::weather::settings::{BaseUrl, FeedsConfig};

/// Who is asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Service {
    Nws,
    Acis,
}

impl Service {
    /// As people are told.
    pub fn name(self) -> &'static str {
        match self {
            Service::Nws => "the National Weather Service",
            Service::Acis => "ACIS",
        }
    }
}

/// Why a service said nothing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Silence {
    /// Nobody was asked; the text says why.
    Offline(String),
    /// It has no such place.
    NotThere,
    /// It was asked, now or before in this run, and gave nothing.
    Failed(String),
}

impl Silence {
    /// As the middle of a sentence.
    pub fn words(&self, service: Service) -> String {
        match self {
            Silence::Offline(why) => why.clone(),
            Silence::NotThere => format!("{} has no such place", service.name()),
            Silence::Failed(why) => format!("{} gave nothing: {why}", service.name()),
        }
    }
}

type Told<T> = Result<Result<T, Silence>, StoreError>;

/// The services, or why they are not asked.
pub struct LookUps {
    store: Store,
    nws: BaseUrl,
    online: Result<Online, String>,
    now: DateTime<Utc>,
    /// Services that could not be reached, or failed too often.
    down: Mutex<BTreeMap<Service, String>>,
    /// How often in a row each answered with a failure.
    failed: Mutex<BTreeMap<Service, u32>>,
}

/// After so many failures in a row a service is left alone.
const FAILURES: u32 = 2;

struct Online {
    fetcher: Arc<Fetcher>,
    directory: AcisDirectory,
}

impl LookUps {
    /// `Err` holds why nobody is asked, as the middle of a sentence.
    ///
    /// # Errors
    /// When the settings name no address of ACIS.
    pub fn new(
        store: &Store,
        feeds: &FeedsConfig,
        fetcher: Result<Arc<Fetcher>, String>,
        now: DateTime<Utc>,
    ) -> Result<Self, FetchError> {
        let online = match fetcher {
            Ok(fetcher) => Ok(Online { directory: AcisDirectory::new(Arc::clone(&fetcher), feeds)?, fetcher }),
            Err(why) => Err(why),
        };
        Ok(Self {
            store: store.clone(),
            nws: feeds.nws.base_url.clone(),
            online,
            now,
            down: Mutex::default(),
            failed: Mutex::default(),
        })
    }

    /// For those who ask ACIS themselves; `None` while nobody is asked.
    pub fn directory(&self) -> Option<&AcisDirectory> {
        self.online.as_ref().ok().map(|online| &online.directory)
    }

    /// As [`LookUps::directory`].
    pub fn fetcher(&self) -> Option<&Arc<Fetcher>> {
        self.online.as_ref().ok().map(|online| &online.fetcher)
    }

    /// Why nobody is asked, if so.
    pub fn offline(&self) -> Option<&str> {
        self.online.as_ref().err().map(String::as_str)
    }

    /// Whether a service is left alone for the rest of the run.
    pub fn is_down(&self, service: Service) -> bool {
        self.down.lock().unwrap_or_else(PoisonError::into_inner).contains_key(&service)
    }

    /// Counts an answer that was a failure, or begins anew after one that was none. Gives whether it was one too many.
    fn count(&self, service: Service, is_failure: bool) -> bool {
        let mut failed = self.failed.lock().unwrap_or_else(PoisonError::into_inner);
        let count = failed.entry(service).or_default();
        *count = if is_failure { *count + 1 } else { 0 };
        *count >= FAILURES
    }

    /// What the weather service knows of a place.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn place(&self, place: Point) -> Told<PlaceFacts> {
        let question = format!("nws-point {:.4},{:.4}", place.latitude, place.longitude);
        self.ask(Service::Nws, &question, |online, base_url| async move {
            nws::place_facts(&online.fetcher, base_url.url().map_err(|why| bad(base_url, why))?, place).await
        })
        .await
    }

    /// How high the forecast's cell lies, metres.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn forecast_cell_m(&self, grid: &Gridpoint) -> Told<f64> {
        let question = format!("nws-cell {}/{},{}", grid.office, grid.x, grid.y);
        self.ask(Service::Nws, &question, |online, base_url| async move {
            nws::cell_elevation_m(&online.fetcher, base_url.url().map_err(|why| bad(base_url, why))?, grid).await
        })
        .await
    }

    /// Name and state of a county.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn county(&self, zone: &str) -> Told<County> {
        self.ask(Service::Nws, &format!("nws-county {zone}"), |online, base_url| async move {
            nws::county(&online.fetcher, base_url.url().map_err(|why| bad(base_url, why))?, zone).await
        })
        .await
    }

    /// How high the cell of the climate grid lies, metres.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn climate_cell_m(&self, place: Point) -> Told<f64> {
        let question = format!("acis-cell {:.4},{:.4}", place.latitude, place.longitude);
        let cell = self
            .ask(Service::Acis, &question, |online, _| async move {
                let cell = online.directory.cell(Grid::Prism, place).await?;
                Ok(cell.map(|cell| cell.elevation_m))
            })
            .await?;
        Ok(cell.and_then(|metres| metres.ok_or(Silence::NotThere)))
    }

    async fn ask<'a, T, F>(
        &'a self,
        service: Service,
        question: &str,
        ask: impl FnOnce(&'a Online, &'a BaseUrl) -> F,
    ) -> Told<T>
    where
        T: Serialize + DeserializeOwned,
        F: Future<Output = Result<T, FeedError>>,
    {
        if let Some(kept) = self.store.place_answer(question, self.now).await?
            && let Ok(told) = serde_json::from_str(&kept.answer)
        {
            return Ok(Ok(told));
        }
        let online = match &self.online {
            Ok(online) => online,
            Err(why) => return Ok(Err(Silence::Offline(why.clone()))),
        };
        if let Some(why) = self.down.lock().unwrap_or_else(PoisonError::into_inner).get(&service) {
            return Ok(Err(Silence::Failed(why.clone())));
        }
        match ask(online, &self.nws).await {
            Ok(told) => {
                self.count(service, false);
                if let Ok(answer) = serde_json::to_string(&told) {
                    self.store.keep_place_answer(question, &answer, self.now).await?;
                }
                Ok(Ok(told))
            }
            Err(FeedError::Fetch(FetchError::NotThere { .. })) => {
                self.count(service, false);
                Ok(Err(Silence::NotThere))
            }
            Err(why) => {
                // "The next pull" is nobody's here.
                let said = chain(&why).trim_end_matches("; the next pull tries again").to_owned();
                let is_down = match why {
                    FeedError::Fetch(
                        FetchError::Unreachable { .. } | FetchError::TooSlow { .. } | FetchError::ComeBack { .. },
                    ) => true,
                    FeedError::Fetch(
                        FetchError::Failing { .. }
                        | FetchError::Refused { .. }
                        | FetchError::BrokenOff { .. }
                        | FetchError::Html { .. },
                    ) => self.count(service, true),
                    _ => false,
                };
                if is_down {
                    self.down.lock().unwrap_or_else(PoisonError::into_inner).insert(service, said.clone());
                }
                Ok(Err(Silence::Failed(said)))
            }
        }
    }
}

fn bad(address: &BaseUrl, why: crate::weather::settings::BaseUrlError) -> FeedError {
    FetchError::bad_address(&address.to_string(), why).into()
}
