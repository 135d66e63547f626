//! What one field report changes: the dates of every region without it and with it.

use std::time::Duration;

use chrono::DateTime;
use chrono::Utc;
use tokio::sync::Semaphore;
use tokio::time::Instant;

use super::DeskError;
use crate::geo::distance_km;
use crate::region::Region;
use crate::season::learning::{HeatedReport, Learned, Untaught};
use crate::season::{FieldReport, NoticeStatus, Profile, WindowDays};
use crate::service::app::App;
use crate::service::assess::{At, moved_days, with_reports};
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::cycle_cache::CycleCache;
use crate::service::learning::{Lessons, lessons_if};
use crate::service::region_fault::RegionFault;
use crate::service::season_chart::shown_days;
use crate::store::field_reports::{ReportStanding, StoredReport};
use crate::store::notices::Notice;

/// One at a time: whole seasons of many regions are worked out.
static TURN: Semaphore = Semaphore::const_new(1);

/// What a report changes if it is confirmed, or has changed since it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Effect {
    /// The season whose dates are told: that of now.
    pub season: i32,
    /// The report's own region first, the others from near to far.
    pub regions: Vec<RegionEffect>,
    /// How many regions there are, and how many of them could not be worked out.
    pub of_regions: usize,
    pub failed: usize,
    /// Why it teaches nothing about other regions; `None`: it does.
    pub untaught: Option<Untaught>,
}

/// A region's days without the report and with it; `None` where nothing can be said.
#[derive(Clone, Debug, PartialEq)]
pub struct RegionEffect {
    pub region: Region,
    pub without: Option<WindowDays>,
    pub with: Option<WindowDays>,
    /// By so many days the opening of the window moves; above 0 is later.
    pub moved_days: Option<i64>,
}

/// Works out what a report changes, region by region, until `within` has passed; its own region is always there.
///
/// # Errors
/// When the store fails, or the report's own region cannot be worked out.
pub async fn effect(app: &App, report: &StoredReport, within: Duration) -> Result<Effect, DeskError> {
    let _turn = TURN.acquire().await;
    let begun = Instant::now();
    let now = app.clock.now();
    let own = app.store.region(&report.region).await?;
    let unknown = || DeskError::NoDates { region: own.name.clone() };
    let profile = app.profiles.get(&own.profile).ok_or_else(unknown)?;
    let season = profile.season_of(now.with_timezone(&own.time_zone).date_naive());
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let known = lessons_if(app, &mut records, &mut seasons, &profile, season, now, Some(&report.id)).await;
    let Lessons { learned: with, taught, untaught, .. } = known.map_err(not_worked_out(&own))?;
    let others: Vec<HeatedReport> = taught.iter().filter(|of| of.report.id != report.id).cloned().collect();
    let without = Learned::from(&profile, season, &others, &app.config.reports.detection);
    let why_untaught = untaught.iter().find(|(of, _)| of.id == report.id).map(|(_, why)| *why);

    let (mut regions, retired): (Vec<Region>, Vec<Region>) = app
        .store
        .all_regions()
        .await?
        .into_iter()
        .filter(|region| region.profile == profile.id)
        .partition(|region| !region.retired);
    drop(retired);
    let far = |region: &Region| (region.id != own.id, distance_km(region.place, own.place));
    regions.sort_by(|a, b| {
        let ((a_other, a_far), (b_other, b_far)) = (far(a), far(b));
        a_other.cmp(&b_other).then(a_far.total_cmp(&b_far)).then_with(|| a.id.cmp(&b.id))
    });
    let looked = Looked { profile: &profile, season, now, with: &with, without: &without, report };
    let mut found =
        Effect { season, regions: Vec::new(), of_regions: regions.len(), failed: 0, untaught: why_untaught };
    for region in regions {
        if region.id != own.id {
            if begun.elapsed() >= within {
                break;
            }
            // Records of a whole state would fill the memory.
            (records, seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
        }
        match looked.at(app, &mut records, &mut seasons, region.clone()).await {
            Ok(effect) => found.regions.push(effect),
            Err(why) if region.id == own.id => return Err(not_worked_out(&own)(why)),
            Err(_) => found.failed += 1,
        }
    }
    Ok(found)
}

/// The notices of the season that came up since a report got the standing that it has, the first one first; those that were
/// never to go out are left aside.
///
/// # Errors
/// When the store fails.
pub async fn came_up(app: &App, report: &StoredReport, region: &Region) -> Result<Vec<Notice>, DeskError> {
    let Some(profile) = app.profiles.get(&region.profile) else { return Ok(Vec::new()) };
    let season = profile.season_of(app.clock.now().with_timezone(&region.time_zone).date_naive());
    let mut notices = app.store.notices_of_season(&profile.id, season).await?;
    notices.retain(|notice| notice.decided_at >= report.change.at && notice.status() != NoticeStatus::Skipped);
    Ok(notices)
}

fn not_worked_out(region: &Region) -> impl Fn(RegionFault) -> DeskError + '_ {
    |why| match why {
        RegionFault::Store(why) => DeskError::Store(why),
        _ => DeskError::NoDates { region: region.name.clone() },
    }
}

struct Looked<'a> {
    profile: &'a Profile,
    season: i32,
    now: DateTime<Utc>,
    with: &'a Learned,
    without: &'a Learned,
    report: &'a StoredReport,
}

impl Looked<'_> {
    async fn at(
        &self,
        app: &App,
        records: &mut RecordCache,
        seasons: &mut SeasonCache,
        region: Region,
    ) -> Result<RegionEffect, RegionFault> {
        let Looked { profile, season, now, report, .. } = *self;
        let mut cache = CycleCache::default();
        let all = cache.reports(&app.store, profile, season).await?;
        let others: Vec<FieldReport> = all.iter().filter(|of| of.id != report.id).cloned().collect();
        let mut counted = others.clone();
        let is_of_season = profile.season_of(report.observed_on) == season;
        let confirmed = StoredReport { standing: ReportStanding::Confirmed, ..report.clone() };
        counted.extend(confirmed.for_decision().filter(|_| is_of_season));
        let at = At { region: &region, profile, now };
        let here = |learned: &Learned| learned.of_region(profile, &region.id);
        let (by_others, by_all) = (here(self.without), here(self.with));
        let known = [(&by_others, &others[..]), (&by_all, &counted[..])];
        let [without, with] = with_reports(app, records, seasons, &mut cache, at, known).await?;
        let moved_days = moved_days(&without.outlook, &with.outlook, &profile.window.opens);
        Ok(RegionEffect {
            without: shown_days(profile, &without.outlook, &without.days),
            with: shown_days(profile, &with.outlook, &with.days),
            moved_days,
            region,
        })
    }
}
