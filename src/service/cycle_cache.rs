//! What the store holds of the seasons under way, read once a cycle and not once a region.

use std::collections::HashMap;
use std::sync::Arc;

use chrono::{DateTime, Utc};

use super::app::App;
use super::caches::{RecordCache, SeasonCache};
use super::learning::{self, Lessons};
use super::region_fault::RegionFault;
use crate::region::{Region, RegionId};
use crate::season::{FieldReport, Profile};
use crate::store::field_reports::StoredReport;
use crate::store::notices::ToldNotice;
use crate::store::outlooks::LastOutlook;
use crate::store::{Store, StoreError};

/// What the store holds of the seasons under way, read once a cycle and not once a region.
#[derive(Default)]
pub(crate) struct CycleCache {
    notices: HashMap<(String, i32), HashMap<RegionId, Vec<ToldNotice>>>,
    reports: HashMap<(String, i32), Arc<[FieldReport]>>,
    last_outlooks: HashMap<String, HashMap<RegionId, LastOutlook>>,
    lessons: HashMap<(String, i32), Arc<Lessons>>,
}

impl CycleCache {
    /// What is believed of a profile in a season, and from which reports: worked out once.
    pub(super) async fn lessons(
        &mut self,
        app: &App,
        records: &mut RecordCache,
        seasons: &mut SeasonCache,
        profile: &Profile,
        season: i32,
        now: DateTime<Utc>,
    ) -> Result<Arc<Lessons>, RegionFault> {
        let key = (profile.id.clone(), season);
        if let Some(lessons) = self.lessons.get(&key) {
            return Ok(Arc::clone(lessons));
        }
        let lessons = Arc::new(learning::lessons(app, records, seasons, profile, season, now).await?);
        self.lessons.insert(key, Arc::clone(&lessons));
        Ok(lessons)
    }

    pub(super) async fn notices(
        &mut self,
        store: &Store,
        region: &Region,
        profile: &Profile,
        season: i32,
    ) -> Result<&[ToldNotice], StoreError> {
        let key = (profile.id.clone(), season);
        if !self.notices.contains_key(&key) {
            self.notices.insert(key.clone(), store.told_of_season(&profile.id, season).await?);
        }
        Ok(self.notices.get(&key).and_then(|of| of.get(&region.id)).map_or(&[], Vec::as_slice))
    }

    /// Of all regions, without those that staff refused.
    pub(super) async fn reports(
        &mut self,
        store: &Store,
        profile: &Profile,
        season: i32,
    ) -> Result<Arc<[FieldReport]>, StoreError> {
        let key = (profile.id.clone(), season);
        if let Some(reports) = self.reports.get(&key) {
            return Ok(Arc::clone(reports));
        }
        let stored = store.field_reports(None, profile.first_day(season), profile.last_day(season)).await?;
        let kept: Arc<[FieldReport]> = stored.into_iter().filter_map(StoredReport::for_decision).collect();
        self.reports.insert(key, Arc::clone(&kept));
        Ok(kept)
    }

    pub(super) async fn last_outlook(
        &mut self,
        store: &Store,
        region: &Region,
        profile: &Profile,
    ) -> Result<Option<LastOutlook>, StoreError> {
        if !self.last_outlooks.contains_key(&profile.id) {
            self.last_outlooks.insert(profile.id.clone(), store.last_outlooks(&profile.id).await?);
        }
        Ok(self.last_outlooks.get(&profile.id).and_then(|days| days.get(&region.id)).copied())
    }
}
