//! What several of these commands take: a profile and a season.

use std::collections::BTreeSet;
use std::sync::Arc;

use chrono::{DateTime, NaiveTime, Utc};

use crate::commands::error::CommandError;
use crate::config::Config;
use crate::season::Profile;
use crate::service::app::App;
use crate::text::{did_you_mean, near_key};

/// Whose belief is meant.
#[derive(Debug, clap::Args)]
pub struct Which {
    /// Profile; may be left out while all regions have the same
    #[arg(long, value_name = "PROFILE")]
    profile: Option<String>,
    /// Year of the season; the one under way if left out
    #[arg(long, value_name = "YEAR")]
    season: Option<i32>,
}

/// A profile and one of its seasons.
pub struct Chosen {
    pub profile: Arc<Profile>,
    pub season: i32,
    pub now: DateTime<Utc>,
    /// The season as it is seen: now, or its last day.
    pub seen: DateTime<Utc>,
    pub is_over: bool,
}

impl Which {
    pub async fn choose(&self, app: &App, config: &Config) -> Result<Chosen, CommandError> {
        let profile = self.profile(app).await?;
        let now = app.clock.now();
        let today = now.with_timezone(&config.schedule.time_zone).date_naive();
        let under_way = profile.season_of(today);
        let season = self.season.unwrap_or(under_way);
        if season > under_way {
            return Err(CommandError::Usage(format!("--season {season}: that season has not begun ({under_way} has)")));
        }
        let is_over = season < under_way;
        let end = profile.last_day(season).and_time(NaiveTime::from_hms_opt(12, 0, 0).unwrap_or_default()).and_utc();
        Ok(Chosen { profile, season, now, seen: if is_over { end } else { now }, is_over })
    }

    async fn profile(&self, app: &App) -> Result<Arc<Profile>, CommandError> {
        let profiles = app.profiles.all();
        let known: Vec<&str> = profiles.iter().map(|profile| profile.id.as_str()).collect();
        let of_regions: BTreeSet<String> =
            app.store.regions().await?.into_iter().map(|region| region.profile).collect();
        let id = match (&self.profile, of_regions.len()) {
            (Some(id), _) => id.clone(),
            (None, 1) => of_regions.into_iter().next().unwrap_or_default(),
            (None, _) if known.len() == 1 => known.concat(),
            (None, _) => return Err(CommandError::Usage(format!("--profile is wanted: one of {}", known.join(", ")))),
        };
        profiles.shared(&id).ok_or_else(|| {
            let near = did_you_mean(near_key(&id, known.iter().copied()));
            CommandError::Usage(format!("profile `{id}` is unknown{near} (known: {})", known.join(", ")))
        })
    }
}
