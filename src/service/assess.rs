//! A region's season as it stands now: what is stored, brought to the pure assessment.

use std::sync::Arc;

use chrono::{DateTime, Utc};

use super::caches::{CycleCache, RecordCache, SeasonCache};
use super::forecast;
use super::region_fault::RegionFault;
use crate::assessment::season_model::{Assessment, DayFacts, SeasonModel};
use crate::region::Region;
use crate::season::Profile;
use crate::season::decide::Told;
use crate::service::app::Parts;

/// A region's outlook and what would be decided now, with nothing written.
///
/// # Errors
/// See [`RegionFault`].
pub async fn look(
    parts: &Parts,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    region: &Region,
    now: DateTime<Utc>,
) -> Result<Assessment, RegionFault> {
    let profile = parts.profiles.get(&region.profile).ok_or_else(|| RegionFault::NoProfile(region.profile.clone()))?;
    let season = profile.season_of(now.with_timezone(&region.time_zone).date_naive());
    let model = seasons.get(parts, records, region, profile, season, now).await?;
    look_at(parts, records, &model, &mut CycleCache::default(), region, profile, now).await
}

/// As [`look`], with the season's model in hand and what the store holds read once for many regions.
///
/// # Errors
/// See [`RegionFault`].
pub(crate) async fn look_at(
    parts: &Parts,
    records: &RecordCache,
    model: &SeasonModel,
    cache: &mut CycleCache,
    region: &Region,
    profile: &Profile,
    now: DateTime<Utc>,
) -> Result<Assessment, RegionFault> {
    let today = now.with_timezone(&region.time_zone).date_naive();
    let stored = cache.notices(&parts.store, region, profile, model.key.year).await?;
    let told: Vec<Told> = stored.iter().map(|notice| notice.told(region.time_zone)).collect();
    let station = model.station();
    let history = records.known(&station.id).map(Arc::as_ref);
    let (forecast, forecast_fit) =
        forecast::fitted(&records.from, history, station, now, &parts.config.weather).await?;
    let facts = DayFacts {
        today,
        now,
        forecast: &forecast,
        forecast_fit,
        told: &told,
        reports: cache.reports(&parts.store, profile, model.key.year).await?,
    };
    Ok(model.assess(&parts.config.weather, &parts.config.policy, region.release, &facts))
}
