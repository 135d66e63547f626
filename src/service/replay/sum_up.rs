//! What a region's season came to, looked back on from its end.

use chrono::{DateTime, Days, Utc};

use super::{PlayedNotice, PlayedQuestion, RegionSeason, ReplayWorld};
use crate::assessment::season_model::DayFacts;
use crate::people::Channel;
use crate::region::Region;
use crate::season::StageId;
use crate::season::belief::SeasonBelief;
use crate::season::learning::Learned;
use crate::service::app::App;
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::region_fault::RegionFault;
use crate::store::notices::Notice;

/// So long after our heat number was reached all that the days of a window hang on is on record.
const WINDOW_DAYS: u64 = 90;

impl ReplayWorld {
    pub(super) async fn sum_up(
        &self,
        app: &App,
        records: &mut RecordCache,
        models: &mut SeasonCache,
        region: &Region,
        (season, now): (i32, DateTime<Utc>),
        told: &[&Notice],
    ) -> Result<RegionSeason, RegionFault> {
        let profile =
            &*app.profiles.get(&region.profile).ok_or_else(|| RegionFault::NoProfile(region.profile.clone()))?;
        let model = models.get(app, records, region, profile, season, now).await?;
        // On borrowed years it is made anew each week: the last one hangs on how long the others were played.
        let is_of_a_week = self.kept_in.is_none() && model.borrowed().is_some();
        let model = if is_of_a_week {
            SeasonCache::default().get(app, records, region, profile, season, now).await?
        } else {
            model
        };
        // The whole season with all that was ever received.
        let end = profile.last_day(season);
        // The day of our heat number, whatever was believed of the insect.
        let belief = SeasonBelief::certain(profile);
        let facts =
            DayFacts { today: end, now, forecast: &[], forecast_fit: None, told: &[], reports: &[], belief: &belief };
        let truth = model.look_back(&app.config.weather, &app.config.policy, region.release, &facts);
        let reached = |stage: &StageId| {
            truth.outlook.stage(stage).and_then(|stage| stage.reached).filter(|reached| reached.on_real_days)
        };
        let opened = reached(&profile.window.opens).map(|reached| reached.on);
        let closed = reached(&profile.window.closes).map(|reached| reached.on);
        let until = closed.unwrap_or(end);
        let season_days = || truth.heat.iter().filter(|day| day.day <= until);
        let filled = season_days().filter(|day| !day.origin.is_real()).count();
        let window = opened.map(|opened| {
            let belief = Learned::prior(profile, season).of_region(profile, &region.id);
            let today = end.min(opened + Days::new(WINDOW_DAYS));
            let facts = DayFacts { today, belief: &belief, ..facts };
            model.look_back(&app.config.weather, &app.config.policy, region.release, &facts).days
        });

        let (mut notices, mut asked) = (Vec::new(), None);
        for notice in told.iter().filter(|notice| notice.season.profile == profile.id) {
            if let Some((at, by_channel)) = app.store.asked_after(&notice.id).await? {
                let count = |channel| by_channel.get(&channel).copied().unwrap_or(0);
                asked = Some(PlayedQuestion {
                    on: at.with_timezone(&region.time_zone).date_naive(),
                    emails: count(Channel::Email),
                    texts: count(Channel::Sms),
                });
            }
            notices.push(PlayedNotice::of(app, profile, region, opened, notice).await?);
        }
        Ok(RegionSeason {
            region: region.id.clone(),
            name: region.name.clone(),
            elevation_m: region.elevation_m,
            station: model.station().id.clone(),
            year: season,
            past: model.past_from,
            past_years: model.past_years(),
            opened,
            closed,
            window,
            notices,
            asked,
            days: u32::try_from(season_days().count()).unwrap_or(u32::MAX),
            filled_days: u32::try_from(filled).unwrap_or(u32::MAX),
        })
    }
}
