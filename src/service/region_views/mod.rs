//! What people are shown of each region: worked out anew when something that it comes from has changed, and kept in the
//! store, so that a service that starts shows at once what was known when the last one ended.

mod facts;
mod kept;
mod make;
mod packed;

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};
use tokio::runtime::Handle;
use tracing::{error, warn};

use crate::assessment::season_model::{Assessment, SeasonModel};
use crate::chart::{HeatUnit, Look, season_heat};
use crate::language::Language;
use crate::region::{Region, RegionId};
use crate::season::lapse::HeightEffect;
use crate::season::{Outlook, PastScore, Profile, WindowDays};
use crate::service::app::App;
use crate::service::assess;
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::cycle_cache::CycleCache;
use crate::service::height_effect;
use crate::service::region_fault::RegionFault;
use crate::service::season_chart;
use crate::store::StoreError;
use crate::store::region_views::MadeFrom;
use crate::text::Chain;
use crate::weather::StationId;
use crate::weather::feeds::acis_grid::{Grid, grid_of};
pub use facts::{Facts, Source};
pub use packed::Packed;

/// Widths of the season's chart, CSS pixels.
pub const CHART_WIDTHS: [u32; 3] = [340, 620, 900];

/// What was worked out of a region.
#[derive(Clone, Debug, PartialEq)]
pub struct Seen {
    pub made_at: DateTime<Utc>,
    /// The region's day on which it was looked at.
    pub today: NaiveDate,
    /// `None` when the region could not be assessed; the log says why.
    pub known: Option<Known>,
    pub made_from: MadeFrom,
}

/// What is known of a region that could be assessed.
#[derive(Clone, Debug, PartialEq)]
pub struct Known {
    pub outlook: Outlook,
    pub station: String,
    /// The grid whose estimates stand in for a station.
    pub grid: Option<Grid>,
    pub days: WindowDays,
    /// How good projections of the window's opening have been; empty where there are too few past seasons to tell.
    pub skill: Vec<PastScore>,
    /// What height makes in days around here, where that can be measured.
    pub height_effect: Option<HeightEffect>,
    /// The chance that eggs have begun to hatch is still below that from which on it is too late.
    pub is_hatch_to_come: bool,
    /// SVG, by language and width.
    pub charts: BTreeMap<(Language, u32), Packed>,
}

/// Regions that share a station are worked out together, and what they share is let go after them: the records of all
/// stations would fill the memory.
pub fn by_station(regions: &[Region]) -> Vec<Vec<&Region>> {
    let mut groups: BTreeMap<Option<&StationId>, Vec<&Region>> = BTreeMap::new();
    for region in regions {
        groups.entry(region.stations.first()).or_default().push(region);
    }
    groups.into_values().collect()
}

/// Makes what is shown of regions.
pub struct Maker<'a> {
    app: &'a App,
    facts: &'a Facts,
    stored: CycleCache,
    records: RecordCache,
    seasons: SeasonCache,
    station: Option<StationId>,
}

impl<'a> Maker<'a> {
    pub fn new(app: &'a App, facts: &'a Facts) -> Self {
        let records = RecordCache::new(app.store.clone());
        let (stored, seasons) = (CycleCache::default(), SeasonCache::default());
        Self { app, facts, stored, records, seasons, station: None }
    }

    /// What is to be shown of a region now; `None` when its profile is not known. Regions that share their first station are
    /// best given one after the other.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn make(&mut self, region: &Region) -> Result<Option<Seen>, StoreError> {
        let Some(profile) = self.facts.profile(region) else {
            warn!(region.id = %region.id, "region `{}` has no page: its profile `{}` is not known", region.id, region.profile);
            return Ok(None);
        };
        if self.station.as_ref() != region.stations.first() {
            // Read anew each time: what the store holds may have been revised.
            self.records = RecordCache::new(self.app.store.clone());
            self.seasons = SeasonCache::default();
            self.station = region.stations.first().cloned();
        }
        let (known, made_from) = match self.known(region, profile).await {
            Ok((known, made_from)) => (Some(known), made_from),
            Err(RegionFault::Store(why)) => return Err(why),
            Err(why) => {
                let why = Chain(&why);
                error!(region.id = %region.id, "the page of region `{}` says nothing of its season: {why}", region.id);
                (None, MadeFrom::default())
            }
        };
        let made_from = MadeFrom { digest: self.facts.digest(region, &made_from), ..made_from };
        Ok(Some(Seen { made_at: self.facts.now, today: self.facts.today(region), known, made_from }))
    }

    /// What is known of a region, and from which stations beside its own; the digest is still to be made.
    async fn known(&mut self, region: &Region, profile: &Profile) -> Result<(Known, MadeFrom), RegionFault> {
        let Self { app, facts, stored, records, seasons, .. } = self;
        let now = facts.now;
        let season = profile.season_of(facts.today(region));
        let model = seasons.get(app, records, region, profile, season, now).await?;
        let assessment = assess::look_at(app, records, seasons, stored, region, profile, now).await?;
        let past_writes = |id: &StationId| facts.past_writes(id);
        let around = height_effect::around(app, records, region, profile, now, &past_writes).await?;
        let known = Known::of(region, profile, &model, assessment, app.config.policy.too_late_chance);
        let helper = model.borrowed().map(|borrowed| borrowed.station.clone());
        let known = Known { height_effect: around.effect, ..known };
        Ok((known, MadeFrom { digest: String::new(), helper, others: around.others }))
    }
}

impl Known {
    /// Everything that is shown of a region, in every language, comes from this one assessment.
    fn of(
        region: &Region,
        profile: &Profile,
        model: &SeasonModel,
        assessment: Assessment,
        too_late_chance: f64,
    ) -> Self {
        let today = assessment.outlook.today;
        let mut charts = BTreeMap::new();
        for language in Language::ALL {
            let chart = season_chart::drawn(region, profile, model, &assessment, today, language);
            for width in CHART_WIDTHS {
                let look =
                    Look { width, language, unit: HeatUnit::Fahrenheit, dark_too: true, id: region.id.to_string() };
                charts.insert((language, width), Packed::of(season_heat(&chart, &look).as_bytes()));
            }
        }
        let outlook = assessment.outlook;
        let (station, grid) = (model.station().name.clone(), grid_of(model.station()));
        let days = assessment.days;
        let skill = model.skill().rows(&profile.window.opens).to_vec();
        let closes = outlook.stage(&profile.window.closes);
        let is_hatch_to_come = closes.is_some_and(|closes| closes.chance_by(today) < too_late_chance);
        Self { outlook, station, grid, days, skill, height_effect: None, charts, is_hatch_to_come }
    }
}

/// What is kept of a region, however old; `None` when there is nothing, or it cannot be read.
///
/// # Errors
/// When the store fails.
pub async fn kept(app: &App, region: &RegionId) -> Result<Option<Seen>, StoreError> {
    let Some(stored) = app.store.view(region).await? else { return Ok(None) };
    let seen = kept::read(&stored);
    if seen.is_none() {
        warn!(region.id = %region, "what was kept for the page of region `{region}` cannot be read and is made anew");
    }
    Ok(seen)
}

/// Keeps what is shown of a region. What could not be worked out is not kept: the next start tries again.
///
/// # Errors
/// When the store fails.
pub async fn keep(app: &App, region: &RegionId, seen: &Seen) -> Result<(), StoreError> {
    if seen.known.is_none() {
        return Ok(());
    }
    app.store.put_view(region, &kept::stored(seen)?).await
}

/// Works out and keeps all that is old; gives how many regions that were.
///
/// # Errors
/// When the store fails, for any region: the others are kept all the same.
pub async fn renew_kept(app: &App) -> Result<usize, RegionFault> {
    let turn = Arc::clone(&app.views_turn).lock_owned().await;
    let (app, runtime) = (app.clone(), Handle::current());
    // Who waits for this may be cut short by a shutdown: then the work ends, too.
    let wanted = Arc::new(());
    let is_wanted = Arc::downgrade(&wanted);
    // Whole seasons are worked out and drawn: not on a thread that others wait for.
    let work = tokio::task::spawn_blocking(move || {
        let _turn = turn;
        runtime.block_on(renew_kept_here(&app, &|| is_wanted.strong_count() > 0))
    });
    Ok(work.await??)
}

async fn renew_kept_here(app: &App, is_wanted: &(dyn Fn() -> bool + Sync)) -> Result<usize, StoreError> {
    let source = Source { app: app.clone(), played: None };
    let (facts, kept) = (source.facts().await?, app.store.views_made_from().await?);
    let mut maker = Maker::new(app, &facts);
    let (mut made, mut fault) = (0, None);
    for region in by_station(&facts.regions).into_iter().flatten() {
        if !is_wanted() {
            break;
        }
        app.progress.made(crate::progress::Part::Schedule);
        if kept.get(&region.id).is_some_and(|from| facts.hold(region, from)) {
            continue;
        }
        let kept = match maker.make(region).await {
            Ok(Some(seen)) => keep(app, &region.id, &seen).await,
            Ok(None) => continue,
            Err(why) => Err(why),
        };
        match kept {
            Ok(()) => made += 1,
            Err(why) => {
                error!(region.id = %region.id, "what is shown of region `{}` is not renewed: {}", region.id, Chain(&why));
                fault = fault.or(Some(why));
            }
        }
    }
    fault.map_or(Ok(made), Err)
}
