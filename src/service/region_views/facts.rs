//! The facts that views come from as they stand now, and the digest that tells whether one is old.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use sha2::{Digest, Sha256};
use tracing::error;

use super::make;
use crate::region::{Region, RegionId};
use crate::season::Profile;
use crate::season::profile::Profiles;
use crate::service::app::App;
use crate::service::forecast::FORECAST_GOOD_HOURS;
use crate::store::StoreError;
use crate::store::notices::{Notice, NoticeState};
use crate::store::region_views::{MadeFrom, StationMark};
use crate::text::Chain;
use crate::weather::StationId;

/// Raised when the same facts are to be worked out or packed otherwise: then all that is kept is old. The program's version
/// and the sources that word and draw (`make.rs`) count too.
const MAKE: &str = "3";

/// What views are made from.
pub struct Source {
    pub app: App,
    /// The notices of a season that was played elsewhere, in place of those in the store.
    pub played: Option<Vec<Notice>>,
}

/// The facts of one look at the store. Read before a view is made: what changes in between makes the view old at the next
/// look.
pub struct Facts {
    pub now: DateTime<Utc>,
    pub regions: Vec<Region>,
    /// The notices of each region's season under way.
    notices: BTreeMap<RegionId, Vec<Notice>>,
    profiles: Arc<Profiles>,
    marks: HashMap<StationId, StationMark>,
    /// Digest of what all regions share.
    shared: [u8; 32],
}

impl Source {
    /// # Errors
    /// When the store fails.
    pub async fn facts(&self) -> Result<Facts, StoreError> {
        let Self { app, .. } = self;
        if let Err(why) = app.profiles.renew(&app.store).await {
            error!("the profiles in use stay as they were: {}", Chain(&why));
        }
        let (now, profiles, regions) = (app.clock.now(), app.profiles.all(), app.store.regions().await?);
        let marks = app.store.station_marks().await?;
        let config = &app.config;
        let stations = serde_json::to_string(&app.store.stations().await?)
            .map_err(|why| StoreError::corrupt(format!("stations: {why}")))?;
        let mut shared = Sha256::new();
        for part in [
            MAKE,
            env!("CARGO_PKG_VERSION"),
            make::digest(),
            &format!("{:?} {:?} {:?}", config.weather, config.policy, config.reports.detection),
            &stations,
            &app.store.reports_mark().await?,
        ] {
            shared.update(part.len().to_be_bytes());
            shared.update(part);
        }
        let notices = self.notices(&regions, &profiles, now).await?;
        Ok(Facts { now, regions, notices, profiles, marks, shared: shared.finalize().into() })
    }

    /// The notices of each region's season under way, as they stand now.
    async fn notices(
        &self,
        regions: &[Region],
        profiles: &Profiles,
        now: DateTime<Utc>,
    ) -> Result<BTreeMap<RegionId, Vec<Notice>>, StoreError> {
        let mut seasons: Vec<(&Profile, i32)> = Vec::new();
        for region in regions {
            let Some(profile) = profiles.get(&region.profile) else { continue };
            let season = (profile, profile.season_of(now.with_timezone(&region.time_zone).date_naive()));
            if !seasons.iter().any(|(known, year)| (&known.id, *year) == (&season.0.id, season.1)) {
                seasons.push(season);
            }
        }
        let mut by_region: BTreeMap<RegionId, Vec<Notice>> = BTreeMap::new();
        for (profile, year) in seasons {
            let all = match &self.played {
                Some(played) => as_of(played, &profile.id, year, now),
                None => self.app.store.notices_of_season(&profile.id, year).await?,
            };
            for notice in all {
                by_region.entry(notice.season.region.clone()).or_default().push(notice);
            }
        }
        Ok(by_region)
    }
}

/// The notices of a season as they stood at an instant.
fn as_of(played: &[Notice], profile: &str, year: i32, now: DateTime<Utc>) -> Vec<Notice> {
    let known = |notice: &&Notice| {
        (notice.season.profile.as_str(), notice.season.year) == (profile, year) && notice.decided_at <= now
    };
    let mut then: Vec<Notice> = played.iter().filter(known).cloned().collect();
    for notice in then.iter_mut().filter(|notice| notice.released_at().is_some_and(|at| at > now)) {
        notice.state = NoticeState::Waiting;
    }
    then
}

impl Facts {
    /// The region's day.
    pub fn today(&self, region: &Region) -> NaiveDate {
        self.now.with_timezone(&region.time_zone).date_naive()
    }

    pub fn profile(&self, region: &Region) -> Option<&Profile> {
        self.profiles.get(&region.profile)
    }

    /// The notices of the season that a region is in on a day.
    pub fn notices<'a>(
        &'a self,
        region: &'a Region,
        profile: &'a Profile,
        today: NaiveDate,
    ) -> impl Iterator<Item = &'a Notice> {
        let season = profile.season_of(today);
        let all = self.notices.get(&region.id).map_or(&[][..], Vec::as_slice);
        all.iter().filter(move |notice| notice.season.profile == profile.id && notice.season.year == season)
    }

    /// Whether a view still holds that was made from this.
    pub fn hold(&self, region: &Region, made_from: &MadeFrom) -> bool {
        self.digest(region, made_from) == made_from.digest
    }

    /// How often the past of a station was written to.
    pub fn past_writes(&self, station: &StationId) -> i64 {
        self.marks.get(station).map_or(0, |mark| mark.past_writes)
    }

    /// Digest of all that a region's view comes from, of which `made_from` names the stations beside its own.
    pub fn digest(&self, region: &Region, made_from: &MadeFrom) -> String {
        let MadeFrom { helper, others, .. } = made_from;
        let today = self.today(region);
        let mut digest = Sha256::new();
        digest.update(self.shared);
        let mut put = |part: String| {
            digest.update(part.len().to_be_bytes());
            digest.update(part);
        };
        put(format!("{region:?} {today}"));
        if let Some(profile) = self.profile(region) {
            put(format!("{profile:?}"));
            for notice in self.notices(region, profile, today) {
                let (told, status) = (notice.told(region.time_zone), notice.status());
                let recalled = notice.recall.as_ref().map(|recall| (recall.at, recall.gone, recall.maybe));
                put(format!("{told:?} {status:?} {:?} {} {recalled:?}", notice.released_at(), notice.expires_at));
            }
        }
        for station in region.stations.iter().chain(helper) {
            let mark = self.marks.get(station).copied().unwrap_or_default();
            // A forecast grows stale without anybody writing.
            let good = mark.forecast_at.is_some_and(|at| self.now - at <= TimeDelta::hours(FORECAST_GOOD_HOURS));
            put(format!("{station} {} {good}", mark.writes));
        }
        for station in others {
            put(format!("{station} {}", self.past_writes(station)));
        }
        if helper.is_some() {
            // Any station may have come to have more years to lend.
            put(self.marks.values().map(|mark| mark.past_writes).sum::<i64>().to_string());
        }
        hex::encode(&digest.finalize()[..16])
    }
}
