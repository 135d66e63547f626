//! What is read or worked out once and used for many regions: station records, seasons under way, what the store holds of
//! them. Whoever makes a cache says how long it is good; none is ever written.

use std::collections::HashMap;
use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, Utc};
use tracing::info;

use super::kept_pasts;
pub use super::records::RecordCache;
use super::region_fault::RegionFault;
use crate::assessment::kept_past::KeptSeasons;
use crate::assessment::past::{Asked, ENOUGH_YEARS, OwnPast, PastFrom, StationHistory, StationPast};
use crate::assessment::season_model::{RecentWork, SeasonModel, StationsSeason};
use crate::language::Language;
use crate::region::{Region, RegionId};
use crate::season::{Profile, phrases};
use crate::service::app::App;
use crate::store::{Store, StoreError};
use crate::weather::nearby::by_nearness;
use crate::weather::record::Known;
use crate::weather::settled::PastUse;
use crate::weather::{Station, StationId};

/// Models of the seasons under way.
#[derive(Default)]
pub struct SeasonCache {
    /// By region and year, with the day on which each was made.
    models: HashMap<(RegionId, i32), (Arc<SeasonModel>, NaiveDate)>,
    /// By profile, station and year: regions that share a station share its past.
    pasts: HashMap<(String, StationId, i32), Arc<StationPast>>,
    /// By profile, stations and year, with the past each was made with: regions that share all stations share their days.
    stations: HashMap<(String, Vec<StationId>, i32), SharedDays>,
    recent: Arc<RecentWork>,
}

/// A season's days of stations, and the past that they were made with.
type SharedDays = (Arc<StationPast>, Arc<StationsSeason>);

/// A model that stands on borrowed years is made anew after so many days, since every day that both stations have tells
/// more of how they differ.
const BORROWED_GOOD_DAYS: u64 = 7;

impl SeasonCache {
    /// The model of a region's season, made with what is known at `now` if it is not yet.
    ///
    /// # Errors
    /// When a station cannot be read.
    pub async fn get(
        &mut self,
        app: &App,
        records: &mut RecordCache,
        region: &Region,
        profile: &Profile,
        season: i32,
        now: DateTime<Utc>,
    ) -> Result<Arc<SeasonModel>, RegionFault> {
        let key = (region.id.clone(), season);
        let today = now.with_timezone(&region.time_zone).date_naive();
        if let Some((model, made)) = self.models.get(&key)
            && (model.borrowed().is_none() || today < *made + Days::new(BORROWED_GOOD_DAYS))
        {
            return Ok(Arc::clone(model));
        }
        let rules = &app.config.weather;
        let known = Known::At { instant: now, bulk_latency_days: rules.bulk_latency_days };
        let asked = Asked { profile, season, rules, known };
        let (past, stations) = self.past_and_stations(app, records, &region.stations, &asked, today).await?;
        let model = Arc::new(SeasonModel::new(region, &asked, stations, past, Arc::clone(&self.recent)));
        if model.past_from == PastFrom::AllOthers {
            info!(region.id = %region.id, season, "few earlier years on record: the projection leans on all other years");
        }
        if let Some(borrowed) = model.borrowed() {
            info!(region.id = %region.id, season, "{}", phrases::borrowed_words(Language::En, borrowed));
        }
        self.models.insert(key, (Arc::clone(&model), today));
        Ok(model)
    }

    /// The past of the first of these stations, and the season's days of all.
    async fn past_and_stations(
        &mut self,
        app: &App,
        records: &mut RecordCache,
        ids: &[StationId],
        asked: &Asked<'_>,
        today: NaiveDate,
    ) -> Result<SharedDays, RegionFault> {
        let primary = ids.first().ok_or(RegionFault::NoStation)?;
        let key = (asked.profile.id.clone(), ids.to_vec(), asked.season);
        if let Some((of, stations)) = self.stations.get(&key)
            && self.known_past(primary, asked).is_some_and(|past| Arc::ptr_eq(of, &past))
        {
            return Ok((Arc::clone(of), Arc::clone(stations)));
        }
        let shared = match self.seen(app, records, ids, asked, today).await? {
            Some(seen) => seen,
            None => {
                let mut own = Vec::with_capacity(ids.len());
                for id in ids {
                    own.push(records.get(id).await?);
                }
                let past = self.past(app, records, own.first().ok_or(RegionFault::NoStation)?, asked, today).await?;
                let stations = StationsSeason::new(asked, own, &past).ok_or(RegionFault::NoStation)?;
                (past, Arc::new(stations))
            }
        };
        self.stations.insert(key, (Arc::clone(&shared.0), Arc::clone(&shared.1)));
        Ok(shared)
    }

    /// As the season under way sees them, without the whole of their records where their pasts are kept; `None` where
    /// those are needed.
    async fn seen(
        &mut self,
        app: &App,
        records: &mut RecordCache,
        ids: &[StationId],
        asked: &Asked<'_>,
        today: NaiveDate,
    ) -> Result<Option<SharedDays>, RegionFault> {
        if asked.season != asked.profile.season_of(today) {
            return Ok(None);
        }
        let (mut past, mut histories, mut normals) = (None, Vec::new(), Vec::new());
        for id in ids {
            let used = if past.is_none() { PastUse::Years } else { PastUse::Normals };
            let Some(seen) = kept_pasts::seen(app, records, id, asked, used).await? else { return Ok(None) };
            if let Some(KeptSeasons { past: own, skill_digest }) = seen.own {
                past = match self.known_past(id, asked) {
                    Some(known) => Some(known),
                    None => Some(self.of_own(app, id, own, skill_digest, asked).await?),
                };
            }
            histories.push(seen.history);
            normals.push(seen.normals);
        }
        Ok(past.zip(StationsSeason::with_normals(histories, normals).map(Arc::new)))
    }

    /// Of this station and season, unless it must be made anew.
    fn known_past(&self, station: &StationId, asked: &Asked<'_>) -> Option<Arc<StationPast>> {
        let key = (asked.profile.id.clone(), station.clone(), asked.season);
        self.pasts.get(&key).filter(|past| past.borrowed.is_none()).map(Arc::clone)
    }

    /// A station's past as a season sees it, with a neighbour's help where it has few years.
    pub(super) async fn past(
        &mut self,
        app: &App,
        records: &mut RecordCache,
        primary: &Arc<StationHistory>,
        asked: &Asked<'_>,
        today: NaiveDate,
    ) -> Result<Arc<StationPast>, RegionFault> {
        let id = &primary.station.id;
        if let Some(past) = self.known_past(id, asked) {
            return Ok(past);
        }
        let own = OwnPast::of(primary, asked);
        let helper = if own.is_enough() { None } else { helper(records, primary, asked, today).await? };
        let Some((helper, near)) = helper else {
            let digest = own.skill_digest(asked.profile);
            return self.of_own(app, id, own, digest, asked).await;
        };
        let (profile, rules, primary) = (asked.profile.clone(), asked.rules.clone(), Arc::clone(primary));
        let (season, known) = (asked.season, asked.known);
        // Some tenths of a second of arithmetic for a long record: other work of this process goes on meanwhile.
        let work = tokio::task::spawn_blocking(move || {
            let asked = Asked { profile: &profile, season, rules: &rules, known };
            StationPast::with_help(own, &primary, &helper, near, &asked)
        });
        Ok(self.know(id, asked, work.await?))
    }

    /// Of a station's own seasons alone, with what is known of how good projections from them have been.
    async fn of_own(
        &mut self,
        app: &App,
        id: &StationId,
        own: OwnPast,
        digest: [u8; 32],
        asked: &Asked<'_>,
    ) -> Result<Arc<StationPast>, RegionFault> {
        let kept = app.skills.kept(&app.store, id, digest).await;
        let is_kept = kept.is_some();
        let (profile, rules, skills) = (asked.profile.clone(), asked.rules.clone(), Arc::clone(&app.skills));
        let (season, known) = (asked.season, asked.known);
        let work = tokio::task::spawn_blocking(move || {
            let asked = Asked { profile: &profile, season, rules: &rules, known };
            StationPast::own(own, &asked, kept, |basis| skills.made(basis))
        });
        let past = self.know(id, asked, work.await?);
        if !is_kept {
            app.skills.keep(&app.store, id, digest, &past.skill, app.clock.now()).await;
        }
        Ok(past)
    }

    fn know(&mut self, station: &StationId, asked: &Asked<'_>, past: StationPast) -> Arc<StationPast> {
        let past = Arc::new(past);
        self.pasts.insert((asked.profile.id.clone(), station.clone(), asked.season), Arc::clone(&past));
        past
    }

    /// Forgets the seasons of other years.
    pub fn keep_only(&mut self, season: i32) {
        self.models.retain(|(_, year), _| *year == season);
        self.pasts.retain(|(_, _, year), _| *year == season);
        self.stations.retain(|(_, _, year), _| *year == season);
    }
}

/// Whether a record is long enough to lend: what a short one cannot give need not be read.
pub(super) async fn can_lend(store: &Store, id: &StationId, today: NaiveDate) -> Result<bool, StoreError> {
    let extents = store.record_extents(id).await?;
    let first = extents.iter().map(|extent| extent.first_day).min();
    let last = extents.iter().map(|extent| extent.last_day).max();
    let years = first.zip(last).map_or(0, |(first, last)| (last.min(today) - first).num_days() / 365);
    Ok(years + 1 >= ENOUGH_YEARS as i64)
}

/// The best station that has years to lend, by distance and height, and whether it is near enough to be taken unasked.
async fn helper(
    records: &mut RecordCache,
    primary: &StationHistory,
    asked: &Asked<'_>,
    today: NaiveDate,
) -> Result<Option<(Arc<StationHistory>, bool)>, StoreError> {
    let Station { place, elevation_m, .. } = primary.station;
    for candidate in by_nearness(place, Some(elevation_m), records.from.stations().await?) {
        let id = &candidate.station.id;
        if *id == primary.station.id {
            continue;
        }
        if !can_lend(&records.from, id, today).await? {
            continue;
        }
        let history = records.get(id).await?;
        if OwnPast::of(&history, asked).is_enough() {
            return Ok(Some((history, candidate.is_near())));
        }
    }
    Ok(None)
}
