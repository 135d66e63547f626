//! A region's season as it stands now: what is stored, brought to the pure assessment.

use std::sync::Arc;

use chrono::{DateTime, Utc};

use super::caches::{CycleCache, RecordCache, SeasonCache};
use super::forecast;
use super::region_fault::RegionFault;
use crate::assessment::season_model::{Assessment, DayFacts, SeasonModel};
use crate::region::Region;
use crate::season::Profile;
use crate::season::decide::DecidedNotice;
use crate::service::app::App;

/// A region's outlook and what would be decided now, with nothing written.
///
/// # Errors
/// See [`RegionFault`].
pub async fn look(
    app: &App,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    region: &Region,
    now: DateTime<Utc>,
) -> Result<Assessment, RegionFault> {
    let profile = app.profiles.get(&region.profile).ok_or_else(|| RegionFault::NoProfile(region.profile.clone()))?;
    let season = profile.season_of(now.with_timezone(&region.time_zone).date_naive());
    let model = seasons.get(app, records, region, profile, season, now).await?;
    look_at(app, records, &model, &mut CycleCache::default(), region, profile, now).await
}

/// As [`look`], with the season's model in hand and what the store holds read once for many regions.
///
/// # Errors
/// See [`RegionFault`].
pub(crate) async fn look_at(
    app: &App,
    records: &RecordCache,
    model: &SeasonModel,
    cache: &mut CycleCache,
    region: &Region,
    profile: &Profile,
    now: DateTime<Utc>,
) -> Result<Assessment, RegionFault> {
    let today = now.with_timezone(&region.time_zone).date_naive();
    let stored = cache.notices(&app.store, region, profile, model.key.year).await?;
    let told: Vec<DecidedNotice> = stored.iter().map(|notice| notice.told(region.time_zone)).collect();
    let station = model.station();
    let history = records.known(&station.id).map(Arc::as_ref);
    let (forecast, forecast_fit) = forecast::fitted(&records.from, history, station, now, &app.config.weather).await?;
    let facts = DayFacts {
        today,
        now,
        forecast: &forecast,
        forecast_fit,
        told: &told,
        reports: cache.reports(&app.store, profile, model.key.year).await?,
    };
    Ok(model.assess(&app.config.weather, &app.config.policy, region.release, &facts))
}
