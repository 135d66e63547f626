//! The last past seasons of stations, read and cut once for all regions that ask.

use std::collections::HashMap;
use std::sync::Arc;

use chrono::{DateTime, Days, Utc};

use super::app::App;
use super::region_fault::RegionFault;
use crate::assessment::past::{Asked, OwnPast, StationHistory};
use crate::assessment::past_dates::{NORMAL_SEASONS, Usual, normal_period, openings, usual};
use crate::heat::projection::PastSeason;
use crate::season::Profile;
use crate::weather::record::Known;
use crate::weather::{Station, StationId};

/// How far a long piece of work is: steps done, and of how many.
pub type Watch = Arc<dyn Fn(u64, u64) + Send + Sync>;

/// A watch that shows nothing.
pub fn unwatched() -> Watch {
    Arc::new(|_, _| {})
}

/// Days before the first season that are read too: what a day is judged by, and what a line over a gap hangs on.
const LEAD_DAYS: u64 = 40;

/// A station and its own past seasons of the last thirty.
pub struct StationSeasons {
    pub station: Station,
    pub seasons: Vec<PastSeason>,
    /// When the window opens there in a usual year, set into the season asked for.
    pub usual: Option<Usual>,
}

/// By the profile with its version, the station and the season that has these before it.
#[derive(Default)]
pub struct PastCache(HashMap<(String, u32, StationId, i32), Arc<StationSeasons>>);

impl PastCache {
    /// The station's own seasons of the thirty before `season`, as known at `now`.
    ///
    /// # Errors
    /// When the station cannot be read.
    pub async fn get(
        &mut self,
        app: &App,
        profile: &Arc<Profile>,
        id: &StationId,
        season: i32,
        now: DateTime<Utc>,
    ) -> Result<Arc<StationSeasons>, RegionFault> {
        let key = (profile.id.clone(), profile.version, id.clone(), season);
        if let Some(known) = self.0.get(&key) {
            return Ok(Arc::clone(known));
        }
        let station = app.store.station(id).await?;
        let first = profile.first_day(season.saturating_sub(NORMAL_SEASONS));
        let first = first.checked_sub_days(Days::new(LEAD_DAYS)).unwrap_or(first);
        let record = app.store.record_since(id, first).await?;
        let (profile, rules) = (Arc::clone(profile), app.config.weather.clone());
        let work = tokio::task::spawn_blocking(move || {
            let record = record.index(station.time_zone);
            let history = StationHistory { station, record };
            let known = Known::At { instant: now, bulk_latency_days: rules.bulk_latency_days };
            let asked = Asked { profile: &profile, season, rules: &rules, known };
            let wanted = normal_period(season);
            let mut seasons = OwnPast::of(&history, &asked).into_seasons();
            seasons.retain(|past| wanted.contains(&past.season));
            let usual = usual(&profile, season, &openings(&profile, &seasons, wanted));
            StationSeasons { station: history.station, seasons, usual }
        });
        let made = Arc::new(work.await?);
        self.0.insert(key, Arc::clone(&made));
        Ok(made)
    }
}
