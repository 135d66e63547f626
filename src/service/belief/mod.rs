//! What is believed of the heat that the insect needs, what field reports make of it, and the profile's next version: for commands
//! and for the desk.

pub mod again;
pub mod dates;
pub mod learn;
pub mod picture;
pub mod version;

use std::collections::BTreeSet;
use std::sync::Arc;

use chrono::{DateTime, NaiveTime, Utc};

use crate::region::Region;
use crate::season::Profile;
use crate::service::app::App;
use crate::store::StoreError;
use crate::text::{did_you_mean, near_key};

/// A profile and one of its seasons.
#[derive(Clone)]
pub struct Chosen {
    pub profile: Arc<Profile>,
    pub season: i32,
    pub now: DateTime<Utc>,
    /// The season as it is seen: now, or its last day.
    pub seen: DateTime<Utc>,
    pub is_over: bool,
}

/// Why there is no such profile or season.
#[derive(Debug, thiserror::Error)]
pub enum ChoiceFault {
    #[error("that season has not begun ({under_way} has)")]
    NotBegun { season: i32, under_way: i32 },
    #[error("one of {}", .known.join(", "))]
    Wanted { known: Vec<String> },
    #[error("profile `{id}` is unknown{} (known: {})", did_you_mean(.near.as_deref()), .known.join(", "))]
    Unknown { id: String, near: Option<String>, known: Vec<String> },
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// The profile, which may be left out while all regions have the same, and one of its seasons: the one under way if left out.
///
/// # Errors
/// See [`ChoiceFault`].
pub async fn choose(app: &App, profile: Option<&str>, season: Option<i32>) -> Result<Chosen, ChoiceFault> {
    let profile = profile_of(app, profile).await?;
    let now = app.clock.now();
    let under_way = profile.season_of(now.with_timezone(&app.config.schedule.time_zone).date_naive());
    let season = season.unwrap_or(under_way);
    if season > under_way {
        return Err(ChoiceFault::NotBegun { season, under_way });
    }
    let is_over = season < under_way;
    let end = profile.last_day(season).and_time(NaiveTime::from_hms_opt(12, 0, 0).unwrap_or_default()).and_utc();
    Ok(Chosen { profile, season, now, seen: if is_over { end } else { now }, is_over })
}

async fn profile_of(app: &App, asked: Option<&str>) -> Result<Arc<Profile>, ChoiceFault> {
    let profiles = app.profiles.all();
    let known = || profiles.iter().map(|profile| profile.id.clone()).collect::<Vec<_>>();
    let of_regions: BTreeSet<String> = app.store.regions().await?.into_iter().map(|region| region.profile).collect();
    let id = match (asked, of_regions.len()) {
        (Some(id), _) => id.to_owned(),
        (None, 1) => of_regions.into_iter().next().unwrap_or_default(),
        (None, _) if known().len() == 1 => known().concat(),
        (None, _) => return Err(ChoiceFault::Wanted { known: known() }),
    };
    profiles.shared(&id).ok_or_else(|| {
        let known = known();
        let near = near_key(&id, known.iter().map(String::as_str)).map(str::to_owned);
        ChoiceFault::Unknown { id, near, known }
    })
}

/// The regions of a profile that are not retired.
///
/// # Errors
/// When the store fails.
pub async fn regions_of(app: &App, profile: &Profile) -> Result<Vec<Region>, StoreError> {
    let mut regions = app.store.regions().await?;
    regions.retain(|region| region.profile == profile.id);
    Ok(regions)
}
