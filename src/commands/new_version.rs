//! A profile's next version: the dates that it changes, and its way into use.

use chrono::{DateTime, Utc};

use super::ask::Said;
use super::dates::{RegionDates, table};
use super::error::CommandError;
use crate::assessment::season_model::Assessment;
use crate::region::Region;
use crate::season::Profile;
use crate::season::belief::SeasonBelief;
use crate::season::learning::Learned;
use crate::service::app::App;
use crate::service::assess::{At, with_beliefs};
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::cycle_cache::CycleCache;
use crate::service::region_fault::RegionFault;
use crate::store::StoreError;
use crate::store::learning::AdoptedProfile;
use crate::text::Chain;

/// A profile, and what reports teach on top of it.
#[derive(Clone, Copy)]
pub struct Believed<'a> {
    pub profile: &'a Profile,
    pub learned: &'a Learned,
}

/// What regions say at an instant and what they would say. One that cannot be looked at is named and left out.
pub async fn dates_now(
    app: &App,
    seen: DateTime<Utc>,
    before: Believed<'_>,
    after: Believed<'_>,
    regions: &[Region],
) -> Vec<RegionDates> {
    let mut dates = Vec::new();
    for region in regions {
        let both = async {
            Ok::<_, RegionFault>((one(app, seen, region, before).await?, one(app, seen, region, after).await?))
        };
        match both.await {
            Ok((was, is)) => dates.push(RegionDates::of(region, (before.profile, &was), (after.profile, &is))),
            Err(why) => eprintln!("left out: region `{}`: {}", region.id, Chain(&why)),
        }
    }
    dates
}

/// With caches of its own, since a model belongs to one version of the profile.
async fn one(app: &App, seen: DateTime<Utc>, region: &Region, by: Believed<'_>) -> Result<Assessment, RegionFault> {
    let belief: SeasonBelief = by.learned.of_region(by.profile, &region.id);
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let at = At { region, profile: by.profile, now: seen };
    let [assessment] = with_beliefs(app, &mut records, &mut seasons, &mut CycleCache::default(), at, [&belief]).await?;
    Ok(assessment)
}

pub fn dates_words(profile: &Profile, dates: &[RegionDates], after: &str) -> String {
    if dates.is_empty() { String::new() } else { format!("\nDates\n{}", table(profile, dates, after)) }
}

/// The highest version of a profile that was ever adopted; 0 when none was.
pub async fn newest_version(app: &App, id: &str) -> Result<u32, StoreError> {
    let adopted = app.store.adopted_profiles().await?;
    Ok(adopted.into_iter().filter(|of| of.profile == id).map(|of| of.version).max().unwrap_or(0))
}

/// Keeps a version, which the service takes up at its next cycle.
///
/// # Errors
/// When somebody kept that version before, or the store fails.
pub async fn keep(app: &App, made: &Profile, said: &Said, now: DateTime<Utc>) -> Result<(), CommandError> {
    let (id, version) = (&made.id, made.version);
    let kept = AdoptedProfile {
        profile: id.clone(),
        version,
        text: made.to_toml(),
        adopted_at: now,
        adopted_by: said.by.clone(),
        why: said.why.clone(),
    };
    app.store.adopt_profile(&kept).await?;
    eprintln!("version {version} of profile `{id}` is kept; the service takes it up at its next cycle");
    Ok(())
}
