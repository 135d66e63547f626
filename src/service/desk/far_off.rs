//! A look far off what was likely on its day: whoever confirms it is told so.

use chrono::NaiveDate;

use super::DeskError;
use crate::language::Language;
use crate::region::Region;
use crate::season::{StageId, StageOutlook, days_between, phrases};
use crate::service::app::App;
use crate::store::field_reports::{ReportSource, ReportStanding, StoredReport};

/// What is remarkable of a report, in a sentence; `None`: it lies within what was likely, or nothing can be said.
///
/// A stage that is seen had begun by then, so that no day is too late to see it; it is late not to have found it.
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
