//! Which notices saving a region brings up, told before it is saved.

use crate::assessment::season_model::Assessment;
use crate::people::Channel;
use crate::region::Region;
use crate::service::app::App;
use crate::service::assess::{At, with_beliefs};
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::cycle_cache::CycleCache;
use crate::service::desk::comes_up::{ComesUp, comes_up};
use crate::service::learning::lessons;
use crate::service::region_fault::RegionFault;
use crate::store::StoreError;
use crate::store::waiting_zips::Waiting;

/// What is decided once it is saved, by what is known now; `None` where its dates cannot be worked out. `own` has the records of
/// its stations, and whoever waits for its ZIP codes is reached as well.
pub(super) async fn due(
    app: &App,
    own: &App,
    region: &Region,
    waiting: &Waiting,
) -> Result<Option<Vec<ComesUp>>, StoreError> {
    let decided = match decided(app, own, region).await {
        Ok(decided) => decided,
        Err(RegionFault::Store(why)) => return Err(why),
        Err(_) => return Ok(None),
    };
    // The cycle that saving wakes gives no time to undo.
    let mut found = comes_up(app, region, &decided, app.clock.now(), 0).await?;
    for one in &mut found {
        *one.reach.entry(Channel::Email).or_default() += waiting.emails;
        *one.reach.entry(Channel::Sms).or_default() += waiting.phones;
    }
    Ok(Some(found))
}

/// As the cycle would look at it.
async fn decided(app: &App, own: &App, region: &Region) -> Result<Assessment, RegionFault> {
    let profile = &*app.profiles.get(&region.profile).ok_or_else(|| RegionFault::NoProfile(region.profile.clone()))?;
    let now = app.clock.now();
    let season = profile.season_of(now.with_timezone(&region.time_zone).date_naive());
    let (mut records, mut seasons, mut cache) =
        (RecordCache::new(app.store.clone()), SeasonCache::default(), CycleCache::default());
    let known = lessons(app, &mut records, &mut seasons, profile, season, now).await?;
    let belief = known.learned.of_region(profile, &region.id);
    // A region that comes back has a season already, which a store on trial does not know.
    cache.notices(&app.store, region, profile, season).await?;
    cache.reports(&app.store, profile, season).await?;
    // Anew: of one that is changed they have the season as it was.
    let (mut records, mut seasons) = (RecordCache::new(own.store.clone()), SeasonCache::default());
    let at = At { region, profile, now };
    let [decided] = with_beliefs(own, &mut records, &mut seasons, &mut cache, at, [&belief]).await?;
    Ok(decided)
}
