//! The notices that came up since a word on a report: because of it, beside it, and in other regions.

use chrono::{DateTime, Utc};

use super::DeskError;
use super::effect::not_worked_out;
use super::had_counted::{may_rest_on, spells_over};
use super::held::{hold_note, skipped_at};
use super::notice::leaves_by_itself;
use super::rests_on::is_of;
use crate::region::Region;
use crate::season::NoticeStatus;
use crate::service::app::App;
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::learning::lessons;
use crate::store::field_reports::StoredReport;
use crate::store::notices::Notice;

/// The notices of the report's season that came up because of it, and after them the others of its region that came up since the
/// newest word on it, with those that staff held and that were skipped since. Others that were never to go out are left aside; those
/// of other regions have their own reasons. What left because of it stays there, also once it was set aside or is one of another
/// season.
///
/// # Errors
/// When the store fails.
pub async fn came_up(app: &App, report: &StoredReport, region: &Region) -> Result<Vec<Notice>, DeskError> {
    let Some(profile) = app.profiles.get(&region.profile) else { return Ok(Vec::new()) };
    let (season, now) = (profile.season_of(report.observed_on), app.clock.now());
    let since = report.change.at;
    let first = app.store.field_report_history(&report.id).await?.first_confirmed(now).unwrap_or(since);
    let mut notices = app.store.notices_of_season(&profile.id, season).await?;
    let under_way = profile.season_of(now.with_timezone(&region.time_zone).date_naive());
    if under_way != season {
        let mut left = app.store.notices_of_season(&profile.id, under_way).await?;
        left.retain(|notice| is_of(notice, report) && notice.released_at().is_some());
        notices.extend(left);
    }
    let mut found = Vec::new();
    for notice in notices {
        let is_of_it = is_of(&notice, report);
        if notice.season.region != region.id && !is_of_it {
            continue;
        }
        let is_since = match notice.status() {
            NoticeStatus::Skipped if hold_note(&notice).is_some() => {
                skipped_at(app, &notice).await?.is_some_and(|at| at >= since)
            }
            NoticeStatus::Skipped => false,
            _ => notice.decided_at >= since || (is_of_it && is_let_out(&notice, first)),
        };
        if is_since {
            found.push(notice);
        }
    }
    found.sort_by_key(|notice| !is_of(notice, report));
    Ok(found)
}

/// Of one that was decided before and had waited: whether it leaves, or has left since.
fn is_let_out(notice: &Notice, since: DateTime<Utc>) -> bool {
    leaves_by_itself(notice).is_some() || notice.released_at().is_some_and(|at| at >= since)
}

/// The notices of other regions that rest on a report which counts, in the order in which they were decided: those of its season,
/// as long as that is under way, that were decided since it was confirmed and tell days that reports have moved. `teaches`: whether
/// the other regions go by it, where that is known; `None`: it is worked out.
///
/// # Errors
/// When the store fails.
pub async fn rests_elsewhere(
    app: &App,
    report: &StoredReport,
    region: &Region,
    teaches: Option<bool>,
) -> Result<Vec<Notice>, DeskError> {
    let Some(profile) = app.profiles.get(&region.profile) else { return Ok(Vec::new()) };
    let now = app.clock.now();
    let season = profile.season_of(now.with_timezone(&region.time_zone).date_naive());
    let may_teach = report.counts() && !report.moves_nothing() && teaches != Some(false);
    if !may_teach || profile.season_of(report.observed_on) != season {
        return Ok(Vec::new());
    }
    let history = app.store.field_report_history(&report.id).await?;
    let since = history.standing_since(now).map_or(report.change.at, |change| change.at);
    let mut found = app.store.notices_of_season(&profile.id, season).await?;
    found.retain(|notice| {
        let is_elsewhere = notice.season.region != region.id;
        is_elsewhere && notice.decided_at >= since && notice.told(region.time_zone).rests_on_reports()
    });
    // What is skipped tells nobody anything.
    found.retain(|notice| notice.status() != NoticeStatus::Skipped);
    if found.is_empty() || teaches.is_some() {
        return Ok(found);
    }
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let known = lessons(app, &mut records, &mut seasons, &profile, season, now).await;
    let known = known.map_err(not_worked_out(region))?;
    let teaches = known.taught.iter().any(|heated| heated.report.id == report.id);
    Ok(if teaches { found } else { Vec::new() })
}

/// The notices of other regions that have left, or that staff have sent, and that may rest on a report which counted for the season
/// under way then and counts for it no longer, in the order in which they were decided. Which other regions it had taught cannot be
/// worked out any more.
///
/// # Errors
/// When the store fails.
pub async fn rested_elsewhere(app: &App, report: &StoredReport, region: &Region) -> Result<Vec<Notice>, DeskError> {
    let Some(profile) = app.profiles.get(&region.profile) else { return Ok(Vec::new()) };
    let season = profile.season_of(app.clock.now().with_timezone(&region.time_zone).date_naive());
    let spells = spells_over(&app.store.field_report_history(&report.id).await?, &profile, season);
    if spells.is_empty() {
        return Ok(Vec::new());
    }
    let mut found = app.store.notices_of_season(&profile.id, season).await?;
    found.retain(|notice| notice.season.region != region.id && may_rest_on(notice, &spells, region.time_zone));
    Ok(found)
}
