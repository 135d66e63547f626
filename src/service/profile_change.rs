//! What a profile's next version would change in the past seasons of its regions.

use std::collections::HashMap;
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;

use super::app::App;
use super::past_cache::{PastCache, Watch};
use super::region_fault::RegionFault;
use crate::assessment::past_dates::{PastDays, median, normal_period, past_days};
use crate::region::{Region, RegionId};
use crate::season::{Profile, days_between};
use crate::weather::StationId;

/// One region's past thirty seasons by one version and by another.
#[derive(Clone, Debug, Serialize)]
pub struct PastChange {
    pub region: RegionId,
    pub name: String,
    /// Seasons in which the window opens by either; only these are compared.
    pub seasons: u32,
    /// Seasons in which it opens by one version alone.
    pub only_before: u32,
    pub only_after: u32,
    /// The day from which to look, and the last day to wash; `None` without a season to compare.
    pub look_from: Option<Moved>,
    pub deadline: Option<Moved>,
}

/// One day of the window, before and after.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Moved {
    /// Medians, set into the season under way.
    pub before: NaiveDate,
    pub after: NaiveDate,
    /// By how many days it moves, season by season; above 0 is later.
    pub least: i64,
    pub median: i64,
    pub greatest: i64,
}

/// One entry a region, in the regions' order. Regions that share a station share the work.
///
/// # Errors
/// When a station cannot be read.
pub async fn past_changes(
    app: &App,
    before: &Arc<Profile>,
    after: &Arc<Profile>,
    regions: &[Region],
    now: DateTime<Utc>,
    watch: &Watch,
) -> Result<Vec<PastChange>, RegionFault> {
    let mut past = PastCache::default();
    let mut known: HashMap<StationId, Compared> = HashMap::new();
    let mut changes = Vec::with_capacity(regions.len());
    for (done, region) in (0..).zip(regions) {
        watch(done, regions.len() as u64);
        let station = region.stations.first().ok_or(RegionFault::NoStation)?;
        let season = before.season_of(now.with_timezone(&region.time_zone).date_naive());
        if !known.contains_key(station) {
            let was = days(app, &mut past, before, station, season, now).await?;
            let is = days(app, &mut past, after, station, season, now).await?;
            known.insert(station.clone(), Compared::of(before, season, &was, &is));
        }
        let Some(of) = known.get(station) else { continue };
        changes.push(PastChange {
            region: region.id.clone(),
            name: region.name.clone(),
            seasons: of.seasons,
            only_before: of.only_before,
            only_after: of.only_after,
            look_from: of.look_from,
            deadline: of.deadline,
        });
    }
    Ok(changes)
}

async fn days(
    app: &App,
    past: &mut PastCache,
    profile: &Arc<Profile>,
    station: &StationId,
    season: i32,
    now: DateTime<Utc>,
) -> Result<Vec<PastDays>, RegionFault> {
    let of = past.get(app, profile, station, season, now).await?;
    let (profile, policy) = (Arc::clone(profile), app.config.policy.clone());
    let work = move || past_days(&profile, &policy, &of.seasons, normal_period(season), &of.station.id);
    Ok(tokio::task::spawn_blocking(work).await?)
}

struct Compared {
    seasons: u32,
    only_before: u32,
    only_after: u32,
    look_from: Option<Moved>,
    deadline: Option<Moved>,
}

impl Compared {
    fn of(profile: &Profile, season: i32, before: &[PastDays], after: &[PastDays]) -> Self {
        let pairs: Vec<(&PastDays, &PastDays)> =
            before.iter().filter_map(|was| Some((was, after.iter().find(|is| is.season == was.season)?))).collect();
        let moved = |of: fn(&PastDays) -> NaiveDate| {
            let by = || pairs.iter().map(|(was, is)| days_between(of(was), of(is)));
            let usual = |days: Vec<i64>| Some(profile.first_day(season) + chrono::Duration::days(median(days)?));
            let in_season = |days: &PastDays| days_between(profile.first_day(days.season), of(days));
            Some(Moved {
                before: usual(pairs.iter().map(|(was, _)| in_season(was)).collect())?,
                after: usual(pairs.iter().map(|(_, is)| in_season(is)).collect())?,
                least: by().min()?,
                median: median(by().collect())?,
                greatest: by().max()?,
            })
        };
        Self {
            seasons: pairs.len() as u32,
            only_before: (before.len() - pairs.len()) as u32,
            only_after: (after.len() - pairs.len()) as u32,
            look_from: moved(|days| days.days.look_from),
            deadline: moved(|days| days.days.deadline),
        }
    }
}
