//! A look far off what was likely on its day: whoever confirms it is told so.

use std::sync::Arc;

use chrono::NaiveDate;
use tokio::runtime::Handle;

use super::DeskError;
use crate::language::Language;
use crate::region::Region;
use crate::season::{Outlook, Profile, StageId, StageOutlook, days_between, phrases};
use crate::service::app::App;
use crate::service::assess::{At, Given, with_reports};
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::cycle_cache::CycleCache;
use crate::service::learning::lessons;
use crate::store::field_reports::{ReportSource, ReportStanding, StoredReport};

/// An outlook older than this by so many days knows too little of the weather since. Own judgement, no source.
const STALE_DAYS: i64 = 14;

/// What is remarkable of a report, in a sentence; `None`: it lies within what was likely, or nothing can be said.
///
/// A stage that is seen had begun by then, so that no day is too late to see it; it is late not to have found it. What was likely
/// is told without the reports of the season: one that is far off, once it counts, must not vouch for itself and the next one.
///
/// # Errors
/// When the store fails.
pub async fn far_off(
    app: &App,
    report: &StoredReport,
    region: &Region,
    has_photograph: bool,
) -> Result<Option<String>, DeskError> {
    let Some(profile) = app.profiles.get(&region.profile).filter(|_| report.day_known) else { return Ok(None) };
    let of_its_day = app.store.outlook(&profile.id, &region.id, report.observed_on).await?;
    let outlook = match of_its_day {
        Some(outlook) => Some(outlook),
        None => app.store.newest_outlook(region).await?,
    };
    let season = profile.season_of(report.observed_on);
    let Some(outlook) = outlook.filter(|outlook| outlook.season.year == season) else { return Ok(None) };
    let outlook = without_reports(app, region, &profile, outlook).await?;
    let of_stage = |stage: &Option<StageId>| stage.as_ref().and_then(|stage| outlook.stage(stage));
    let early = of_stage(&report.stage).and_then(|stage| {
        let likely = range(stage).0?;
        let days = days_between(report.observed_on, likely);
        (days > 0).then(|| format!("This is {} before the earliest likely date ({})", counted(days), date(likely)))
    });
    let vain = match report.stage {
        Some(_) => report.nothing_on.zip(of_stage(&report.stage)),
        None if report.moves_nothing() => None,
        None => of_stage(&report.not_yet).map(|stage| (report.observed_on, stage)),
    };
    let late = vain.and_then(|(nothing_on, stage)| {
        let likely = range(stage).1?;
        let days = days_between(likely, nothing_on);
        let when = counted(days);
        (days > 0).then(|| format!("Nothing was there yet {when} after the latest likely date ({})", date(likely)))
    });
    let who = match report.source {
        ReportSource::Subscriber => "the owner",
        ReportSource::Staff => "who looked",
    };
    let look = if has_photograph { "look at the photograph or ask" } else { "ask" };
    let until = if report.standing == ReportStanding::Confirmed { "" } else { " before it counts" };
    Ok(early.or(late).map(|what| format!("{what}: {look} {who}{until}.")))
}

/// An outlook as it would be if nothing of its season had been reported; as it is where that cannot be told.
async fn without_reports(
    app: &App,
    region: &Region,
    profile: &Arc<Profile>,
    outlook: Outlook,
) -> Result<Outlook, DeskError> {
    if outlook.learned.is_none() && !outlook.stages.iter().any(StageOutlook::seen) {
        return Ok(outlook);
    }
    let days = (profile.first_day(outlook.season.year), outlook.today);
    let kept = app.store.outlook_before_reports(&profile.id, &region.id, days).await?;
    let kept = kept.filter(|kept| kept.season.year == outlook.season.year);
    if let Some(kept) = &kept
        && days_between(kept.today, outlook.today) <= STALE_DAYS
    {
        return Ok(kept.clone());
    }
    let (work, of, by, runtime) = (app.clone(), region.clone(), Arc::clone(profile), Handle::current());
    // A season is worked out: nobody's answer should stand behind that on one of the server's threads.
    let worked = tokio::task::spawn_blocking(move || runtime.block_on(worked_out(&work, &of, &by))).await;
    let worked = worked.ok().flatten().filter(|worked| worked.season.year == outlook.season.year);
    Ok(worked.or(kept).unwrap_or(outlook))
}

/// The season under way without its reports; `None` where it cannot be worked out.
async fn worked_out(app: &App, region: &Region, profile: &Profile) -> Option<Outlook> {
    let now = app.clock.now();
    let season = profile.season_of(now.with_timezone(&region.time_zone).date_naive());
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let known = lessons(app, &mut records, &mut seasons, profile, season, now).await.ok()?;
    let belief = known.earlier.of_region(profile, &region.id);
    let (mut cache, at) = (CycleCache::default(), At { region, profile, now });
    let given = [Given::of(&belief, &[])];
    let [without] = with_reports(app, &mut records, &mut seasons, &mut cache, at, given).await.ok()?;
    Some(without.outlook)
}

/// The 10 and 90 % points, or the day on which it came.
fn range(stage: &StageOutlook) -> (Option<NaiveDate>, Option<NaiveDate>) {
    match stage.reached.filter(|_| stage.dates.is_empty()) {
        Some(reached) => (Some(reached.on), Some(reached.on)),
        None => (stage.spread.early, stage.spread.late),
    }
}

fn date(day: NaiveDate) -> String {
    phrases::date(Language::En, day)
}

fn counted(days: i64) -> String {
    if days == 1 { "1 day".to_owned() } else { format!("{days} days") }
}
