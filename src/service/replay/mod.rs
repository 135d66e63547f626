//! Replay: the same cycle over a past season, with that season's clock and only what could be known each day.
//!
//! Nothing is sent: notices and deliveries live in a store in memory, and messages are written to a folder if one is
//! given. Regions, stations and subscribers are those of today; field reports of these regions stand each day as they stood
//! then. A season's past years are the years before it; where fewer than ten of those are on record, all other years stand
//! in and the season says so.

mod end;
mod parts;
mod play;
mod played;
mod sum_up;
mod summary;

pub use played::{MessageCount, PlayedNotice, Unsent};
pub use summary::{RegionSummary, summarise};

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;

use super::caches::RecordCache;
use super::region_fault::RegionFault;
use crate::assessment::past::PastFrom;
use crate::dispatch::dispatcher::DispatchError;
use crate::id::StationId;
use crate::people::{Consent, NewSubscriber};
use crate::region::{Region, RegionId};
use crate::season::{Profile, WindowDays};
use crate::service::app::App;
use crate::service::subscribe::SignUpError;
use crate::store::addresses::AddressStatus;
use crate::store::field_reports::ReportHistory;
use crate::store::learning::FreezeWord;
use crate::store::{Store, StoreError};
use crate::weather::Station;
use parts::Cut;

/// One region's season as it would have gone.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RegionSeason {
    pub region: RegionId,
    pub name: String,
    pub elevation_m: f64,
    pub station: StationId,
    pub year: i32,
    /// Which other years the projection leant on.
    pub past: PastFrom,
    pub past_years: usize,
    /// When our heat numbers of the window's opening and close were reached by the complete record; `None` when the record
    /// does not get there. When eggs were there nobody knows.
    pub opened: Option<NaiveDate>,
    pub closed: Option<NaiveDate>,
    /// The days of the window by the complete record, with what the profile believes before any report; `None` when the
    /// record does not reach its opening.
    pub window: Option<WindowDays>,
    /// In the order in which they were decided.
    pub notices: Vec<PlayedNotice>,
    /// The question some days after "inspect now", which nobody answers in a replay.
    pub asked: Option<PlayedQuestion>,
    /// Days of the season to its close or its end …
    pub days: u32,
    /// … and how many of those had to be filled.
    pub filled_days: u32,
}

/// The question what people saw: one address a person.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PlayedQuestion {
    /// The region's day.
    pub on: NaiveDate,
    pub emails: u64,
    pub texts: u64,
}

#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Dispatch(#[from] DispatchError),
    #[error("people could not be asked what they saw")]
    Question(#[from] SignUpError),
    #[error("region `{region}` cannot be replayed")]
    Region { region: RegionId, source: RegionFault },
    #[error("there is no region to replay: add one with `treebell region add`")]
    NoRegion,
    #[error("region `{0}` is not known; `treebell region list` shows the regions")]
    UnknownRegion(RegionId),
    #[error(
        "no station of these regions has any temperature of season {0}; `treebell weather status` shows what there is"
    )]
    NoSeason(i32),
}

/// The world in which a replay is played: a copy of regions, stations and people in memory, and the real records.
#[derive(Clone)]
pub struct ReplayWorld {
    app: App,
    records: RecordCache,
    regions: Vec<Region>,
    people: Vec<NewSubscriber>,
    /// Of these regions and all seasons.
    reports: Vec<ReportHistory>,
    /// What staff said of learning, when.
    freezes: Vec<FreezeWord>,
    /// How long after a decision somebody plays the staff and confirms it; `None`: nobody does.
    confirmed_after: Option<chrono::Duration>,
    /// Where the season is played, if it is to be kept.
    kept_in: Option<Store>,
    cut: Cut,
}

impl ReplayWorld {
    /// Reads regions (all, or those named) and the subscribers from the app's own store, and the stations' records unless there
    /// are so many that they are read part by part.
    ///
    /// # Errors
    /// No region, an unknown one, or a store that fails.
    pub async fn read(app: &App, only: &[RegionId]) -> Result<Self, ReplayError> {
        let all = app.store.regions().await?;
        if let Some(unknown) = only.iter().find(|id| all.iter().all(|region| region.id != **id)) {
            return Err(ReplayError::UnknownRegion(unknown.clone()));
        }
        let regions: Vec<Region> =
            all.into_iter().filter(|region| only.is_empty() || only.contains(&region.id)).collect();
        if regions.is_empty() {
            return Err(ReplayError::NoRegion);
        }
        let mut people = Vec::new();
        for subscriber in app.store.subscribers(None).await? {
            let confirmed = subscriber.addresses.into_iter().filter(|held| held.status == AddressStatus::Confirmed);
            let addresses: Vec<_> = confirmed.map(|held| held.address).collect();
            // Everybody stays where they live today, whether they have said so or not. Who lives at another height than that of
            // the regions played is not told of theirs.
            let (mut zips, mut heights) = (Vec::new(), Vec::new());
            for home in subscriber.homes {
                let lives = home.region.as_ref().and_then(|id| regions.iter().find(|region| region.id == *id));
                if lives.is_none() && regions.iter().any(|region| region.zips.contains(&home.zip)) {
                    continue;
                }
                heights.extend(lives.and_then(|region| region.band).map(|band| (home.zip.clone(), band)));
                zips.push(home.zip);
            }
            if !addresses.is_empty() && !zips.is_empty() {
                let consent = Consent::Given { evidence: "copied for a replay".into() };
                people.push(NewSubscriber { zips, heights, addresses, language: subscriber.language, consent });
            }
        }
        let mut reports = app.store.field_report_histories(None, NaiveDate::MIN, NaiveDate::MAX).await?;
        reports.retain(|history| regions.iter().any(|region| region.id == *history.region()));
        let freezes = app.store.freeze_words().await?;
        let (app, records, cut) = (app.clone(), RecordCache::new(app.store.clone()), Cut::default());
        let world = Self { app, records, regions, people, reports, freezes, confirmed_after: None, kept_in: None, cut };
        if world.parts().len() > 1 { Ok(world) } else { world.with_records().await }
    }

    /// The same, with staff who confirm every notice that waits for their word so long after it was decided.
    pub fn with_staff(self, confirmed_after: chrono::Duration) -> Self {
        Self { confirmed_after: Some(confirmed_after), ..self }
    }

    /// The same, played in a store that holds the regions, stations and people already, and that keeps the season.
    pub fn kept_in(self, store: Store) -> Self {
        Self { kept_in: Some(store), ..self }
    }

    pub fn regions(&self) -> &[Region] {
        &self.regions
    }

    /// The first biofix of the season among the regions' profiles.
    fn first_day(&self, season: i32) -> NaiveDate {
        self.profiles().map(|profile| profile.first_day(season)).min().unwrap_or_default()
    }

    fn profiles(&self) -> impl Iterator<Item = Arc<Profile>> {
        self.regions.iter().filter_map(|region| self.app.profiles.get(&region.profile))
    }

    /// The last day of the season on which the region's own station has a value, of a record in memory.
    fn last_record_day_of(&self, region: &Region, season: i32) -> Option<NaiveDate> {
        let profile = self.app.profiles.get(&region.profile)?;
        let history = self.records.known(region.stations.first()?)?;
        history.record.last_day_between(profile.first_day(season), profile.last_day(season))
    }

    async fn scratch(&self, now: DateTime<Utc>) -> Result<Store, ReplayError> {
        let store = Store::in_memory().await?;
        let ids = self.regions.iter().flat_map(|region| &region.stations);
        let stations: BTreeMap<&StationId, &Station> =
            ids.filter_map(|id| Some((id, &self.records.known(id)?.station))).collect();
        let stations: Vec<Station> = stations.into_values().cloned().collect();
        store.put_regions_with(&self.regions, &stations, now).await?;
        for word in &self.freezes {
            store.freeze_learning(word).await?;
        }
        for person in &self.people {
            store.add_subscriber(person, now).await?;
        }
        Ok(store)
    }
}
