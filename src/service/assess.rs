//! A region's season as it stands now: what is stored, brought to the pure assessment.

use chrono::{DateTime, Utc};

use super::caches::{RecordCache, SeasonCache};
use super::cycle_cache::CycleCache;
use super::forecast;
use super::region_fault::RegionFault;
use crate::assessment::season_model::{Assessment, DayFacts};
use crate::region::Region;
use crate::season::belief::SeasonBelief;
use crate::season::decide::DecidedNotice;
use crate::season::learning::Places;
use crate::season::{FieldReport, LearnedNote, Outlook, Profile, StageId, days_between};
use crate::service::app::App;
use crate::store::field_reports::StoredReport;
use crate::store::notices::ToldNotice;

/// A region's outlook and what would be decided now, with nothing written.
///
/// # Errors
/// See [`RegionFault`].
pub async fn look(
    app: &App,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    region: &Region,
    now: DateTime<Utc>,
) -> Result<Assessment, RegionFault> {
    let profile = &*app.profiles.get(&region.profile).ok_or_else(|| RegionFault::NoProfile(region.profile.clone()))?;
    look_at(app, records, seasons, &mut CycleCache::default(), region, profile, now).await
}

/// As [`look`], with what the store holds read once for many regions.
///
/// # Errors
/// See [`RegionFault`].
pub(crate) async fn look_at(
    app: &App,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    cache: &mut CycleCache,
    region: &Region,
    profile: &Profile,
    now: DateTime<Utc>,
) -> Result<Assessment, RegionFault> {
    let season = profile.season_of(now.with_timezone(&region.time_zone).date_naive());
    let lessons = cache.lessons(app, records, seasons, profile, season, now).await?;
    let belief = lessons.learned.of_region(profile, &region.id);
    let at = At { region, profile, now };
    if !lessons.has_news() {
        let [assessment] = with_beliefs(app, records, seasons, cache, at, [&belief]).await?;
        return Ok(assessment);
    }
    let earlier = lessons.earlier.of_region(profile, &region.id);
    let [mut assessment, without] = with_beliefs(app, records, seasons, cache, at, [&belief, &earlier]).await?;
    let opens = &profile.window.opens;
    let moved_days = moved_days(&without.outlook, &assessment.outlook, opens).unwrap_or(0);
    let Places { sightings, zeros } = lessons.learned.places();
    let frozen = lessons.frozen.contains_key(&season);
    assessment.outlook.learned = Some(LearnedNote { sightings, zeros, moved_days, frozen });
    Ok(assessment)
}

/// Days from a stage's most likely date in one outlook to that in another.
pub fn moved_days(from: &Outlook, to: &Outlook, stage: &StageId) -> Option<i64> {
    let median = |outlook: &Outlook| outlook.stage(stage)?.spread.median;
    Some(days_between(median(from)?, median(to)?))
}

/// Whose season is looked at, and when.
#[derive(Clone, Copy)]
pub struct At<'a> {
    pub region: &'a Region,
    pub profile: &'a Profile,
    pub now: DateTime<Utc>,
}

/// A region's season by several beliefs of what the insect needs, one assessment each.
///
/// # Errors
/// See [`RegionFault`].
pub(crate) async fn with_beliefs<const N: usize>(
    app: &App,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    cache: &mut CycleCache,
    at: At<'_>,
    beliefs: [&SeasonBelief; N],
) -> Result<[Assessment; N], RegionFault> {
    let At { region, profile, now } = at;
    let season = profile.season_of(now.with_timezone(&region.time_zone).date_naive());
    let reports = cache.reports(&app.store, profile, season).await?;
    let given = beliefs.map(|belief| Given::of(belief, &reports));
    with_reports(app, records, seasons, cache, at, given).await
}

/// What one assessment knows beside the temperatures.
#[derive(Clone, Copy)]
pub(crate) struct Given<'a> {
    pub belief: &'a SeasonBelief,
    /// Those that the decision is to know.
    pub reports: &'a [FieldReport],
    /// Confirmed reports, as if they had never been: what was decided because of them was not told either.
    pub untold: &'a [Untold<'a>],
}

/// A confirmed report of the season, as if it had never been.
#[derive(Clone, Copy)]
pub(crate) struct Untold<'a> {
    pub report: &'a StoredReport,
    /// When it was first confirmed: a notice of before cannot have come of it.
    pub since: DateTime<Utc>,
    /// Whether it teaches: then other regions go by it, too.
    pub teaches: bool,
}

impl Untold<'_> {
    /// Whether a notice came of it, or may have come of it.
    fn is_behind(&self, region: &Region, notice: &ToldNotice) -> bool {
        if notice.told.report.as_deref() == Some(self.report.id.as_str()) {
            return true;
        }
        let rests_on_it = self.report.region == region.id || (self.teaches && notice.told.rests_on_reports());
        rests_on_it && notice.decided_at >= self.since
    }
}

impl<'a> Given<'a> {
    pub fn of(belief: &'a SeasonBelief, reports: &'a [FieldReport]) -> Self {
        Self { belief, reports, untold: &[] }
    }

    fn knows(&self, region: &Region, notice: &ToldNotice) -> bool {
        !self.untold.iter().any(|report| report.is_behind(region, notice))
    }
}

/// As [`with_beliefs`], each with the reports that the decision is to know.
///
/// # Errors
/// See [`RegionFault`].
pub(crate) async fn with_reports<const N: usize>(
    app: &App,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    cache: &mut CycleCache,
    at: At<'_>,
    given: [Given<'_>; N],
) -> Result<[Assessment; N], RegionFault> {
    let At { region, profile, now } = at;
    let today = now.with_timezone(&region.time_zone).date_naive();
    let season = profile.season_of(today);
    let model = seasons.get(app, records, region, profile, season, now).await?;
    let stored = cache.notices(&app.store, region, profile, season).await?;
    // A look at a day that is over knows nothing of what was decided later.
    let known: Vec<&ToldNotice> = stored.iter().filter(|notice| notice.decided_at <= now).collect();
    let (forecast, forecast_fit) = if records.has_forecast(&model.station().id).await? {
        forecast::fitted(&records.from, model.history(), now, &app.config.weather).await?
    } else {
        (Vec::new(), None)
    };
    Ok(given.map(|given| {
        let Given { belief, reports, .. } = given;
        let told: Vec<DecidedNotice> =
            known.iter().filter(|notice| given.knows(region, notice)).map(|notice| notice.told.clone()).collect();
        let facts = DayFacts { belief, today, now, forecast: &forecast, forecast_fit, told: &told, reports };
        model.assess(&app.config.weather, &app.config.policy, region.release, &facts)
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::NoticeKind;
    use crate::season::decide::Standing;
    use crate::store::field_reports::{NewFieldReport, Seen};

    /// Before, the days of other regions "without" a report were those of notices that had come of it.
    #[test]
    fn without_a_report_nobody_was_told_what_came_of_it_in_other_regions_either() {
        let at = |hour: u32| format!("2025-03-10T{hour:02}:00:00Z").parse::<DateTime<Utc>>().unwrap();
        let report = NewFieldReport {
            seen: Seen::stage(Some("egg-laying-begins".into()), None),
            confirmed: true,
            ..NewFieldReport::bare("north", "2025-03-08")
        };
        let report = report.under("f-1".into(), at(12));
        let notice = |hour, learned_days| ToldNotice {
            decided_at: at(hour),
            told: DecidedNotice {
                kind: NoticeKind::InspectNow,
                decided_on: "2025-03-10".parse().unwrap(),
                standing: Standing::Released { on: "2025-03-10".parse().unwrap() },
                deadline: None,
                learned_days,
                report: None,
                expires_on: None,
            },
        };
        let mut of_report = notice(11, None);
        of_report.told.report = Some("f-1".into());
        let (north, south) = (Region::bare("north"), Region::bare("south"));
        for (of, told, teaches, is_behind) in [
            (&south, notice(13, Some(-23)), true, true),
            (&south, notice(11, Some(-23)), true, false),
            (&south, notice(13, Some(0)), true, false),
            (&south, notice(13, None), true, false),
            (&south, notice(13, Some(-23)), false, false),
            (&north, notice(13, None), false, true),
            (&north, notice(11, None), false, false),
            (&north, of_report, false, true),
        ] {
            let untold = Untold { report: &report, since: report.change.at, teaches };
            assert_eq!(untold.is_behind(of, &told), is_behind, "{told:?} of {} ({teaches})", of.id);
        }
    }
}
