//! What has become of the report that a notice rests on: whoever is asked for a word on the notice, or looks at one that has left,
//! is told.

use chrono::{DateTime, Datelike, NaiveDate, Utc};
use chrono_tz::Tz;

use super::had_counted::{Spell, may_rest_on, spells_over};
use super::{DeskError, local};
use crate::language::Language;
use crate::season::NoticeStatus;
use crate::season::decide::{Reason, Terms};
use crate::season::phrases::date;
use crate::service::app::App;
use crate::service::field_reports::long;
use crate::store::field_reports::{ReportHistory, StoredReport};
use crate::store::notices::{Notice, NoticeState};
use crate::store::{Conflict, StoreError};

/// A report that was given a day of another year by a slip of the hand is looked for in so many years before.
const SLIP_OF_YEARS: i32 = 1;

/// The report behind a notice whose reason is that something was seen.
pub(super) fn report_of(notice: &Notice) -> Option<String> {
    let terms = serde_json::from_value::<Terms>(notice.reason.clone()).ok()?;
    terms.reason.report().map(str::to_owned)
}

/// Whether a notice came up because of this report.
pub fn is_of(notice: &Notice, report: &StoredReport) -> bool {
    report_of(notice).as_ref() == Some(&report.id)
}

/// A report that is not any more as it was when a notice came up because of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RestsOn {
    /// Its id; `None`: it is there no more.
    pub report: Option<String>,
    /// What has become of it, in a sentence.
    pub words: String,
}

/// `None`: the notice rests on no report, the report is as it was, or the notice was never to leave. Of one that has left it is told
/// only that the report was set aside or is one of another season: what was sent stays as it is. The same is told of a report that may
/// have moved its days.
pub(super) async fn rests_on(app: &App, notice: &Notice, zone: Tz) -> Result<Option<RestsOn>, DeskError> {
    match came_of(app, notice, zone).await? {
        None => was_moved_by(app, notice, zone).await,
        found => Ok(found),
    }
}

/// What has become of the report because of which a notice came up.
async fn came_of(app: &App, notice: &Notice, zone: Tz) -> Result<Option<RestsOn>, DeskError> {
    let left_at = match notice.status() {
        NoticeStatus::Waiting | NoticeStatus::Held => None,
        NoticeStatus::Released => notice.released_at(),
        NoticeStatus::Skipped | NoticeStatus::Cancelled => return Ok(None),
    };
    let terms = serde_json::from_value::<Terms>(notice.reason.clone());
    let Ok(Terms { reason: Reason::Seen { report: id, on, .. }, .. }) = terms else { return Ok(None) };
    let history = match app.store.field_report_history(&id).await {
        Err(StoreError::Conflict(Conflict::UnknownReport { .. })) => {
            let words = "The report it rests on is there no more.".to_owned();
            return Ok(left_at.is_none().then_some(RestsOn { report: None, words }));
        }
        history => history?,
    };
    let aside = set_aside(&history, left_at, app.clock.now(), zone);
    let words = match left_at {
        None => aside.or_else(|| other_day(history.now(), on)),
        // Then it is no longer behind this season's notice, as if it had been set aside.
        Some(_) => {
            aside.or_else(|| other_day(history.now(), on).filter(|_| is_of_other_season(app, notice, history.now())))
        }
    };
    Ok(words.map(|words| RestsOn { report: Some(id), words }))
}

/// What has become of a report that may have moved the days of a notice which has left, or which staff have sent: the one that was
/// set aside last, and how many more.
async fn was_moved_by(app: &App, notice: &Notice, zone: Tz) -> Result<Option<RestsOn>, DeskError> {
    let is_out = matches!(notice.state, NoticeState::Released { .. } | NoticeState::Leaving { .. });
    if !is_out || !notice.told(zone).rests_on_reports() {
        return Ok(None);
    }
    let over = reports_over(app, &notice.season.profile, notice.season.year).await?;
    was_moved_by_one_of(app, notice, zone, &over).await
}

/// A report that counted for a season and does so no longer, with when it did.
pub(super) type Over = (ReportHistory, Vec<Spell>);

/// Those of a season, in the order in which they came to count no longer.
pub(super) async fn reports_over(app: &App, profile: &str, year: i32) -> Result<Vec<Over>, DeskError> {
    let Some(profile) = app.profiles.get(profile) else { return Ok(Vec::new()) };
    let (from, to) = (profile.first_day(year.saturating_sub(SLIP_OF_YEARS)), profile.last_day(year));
    let all = app.store.field_report_histories(None, from, to).await?;
    let with_spells = all.into_iter().map(|history| {
        let spells = spells_over(&history, &profile, year);
        (history, spells)
    });
    let mut over: Vec<Over> = with_spells.filter(|(_, spells)| !spells.is_empty()).collect();
    over.sort_by_key(|(history, _)| history.now().change.at);
    Ok(over)
}

/// As [`rests_on`], of a notice that has left and of such reports of its season.
pub(super) async fn was_moved_by_one_of(
    app: &App,
    notice: &Notice,
    zone: Tz,
    over: &[Over],
) -> Result<Option<RestsOn>, DeskError> {
    let (year, own) = (notice.season.year, report_of(notice));
    let mut found = Vec::new();
    for (history, spells) in over {
        if own.as_ref() == Some(&history.now().id) || !may_rest_on(notice, spells, zone) {
            continue;
        }
        let region = app.store.region(history.region()).await?;
        if region.profile == notice.season.profile {
            found.push((history, region.name));
        }
    }
    let Some((history, region)) = found.pop() else { return Ok(None) };
    let report = history.now();
    let day = long(report.observed_on);
    let what = match history.standing_since(app.clock.now()).filter(|_| report.refused()) {
        Some(change) => {
            let (at, by) = (local(change.at, zone), change.by_words());
            format!("a look of {day} in {region}, has been set aside since, on {at}, by {by}.")
        }
        None => format!("a look in {region}, has the day {day} now: it counts for season {year} no longer."),
    };
    let more = match found.len() {
        0 => String::new(),
        1 => " 1 more report like it counts no longer.".to_owned(),
        n => format!(" {n} more reports like it count no longer."),
    };
    let words = format!("Field reports moved the days that it tells. One that may be among them, {what}{more}");
    Ok(Some(RestsOn { report: Some(report.id.clone()), words }))
}

/// Whether a report's day lies in another season than a notice.
fn is_of_other_season(app: &App, notice: &Notice, report: &StoredReport) -> bool {
    let profile = app.profiles.get(&notice.season.profile);
    profile.is_some_and(|profile| profile.season_of(report.observed_on) != notice.season.year)
}

/// That a report was set aside: of one on which a notice rests that had left before, at which hour.
fn set_aside(history: &ReportHistory, left_at: Option<DateTime<Utc>>, now: DateTime<Utc>, zone: Tz) -> Option<String> {
    let report = history.now();
    let change = history.standing_since(now).filter(|_| report.refused())?;
    let by = change.by_words();
    if left_at.is_some_and(|left| change.at >= left) {
        let at = local(change.at, zone);
        return Some(format!("The report it rests on has been set aside since, on {at}, by {by}."));
    }
    let on = date(Language::En, change.at.with_timezone(&zone).date_naive());
    Some(format!("The report it rests on was set aside on {on} by {by}."))
}

/// That a report has another day than `on`, the one that the notice has.
fn other_day(report: &StoredReport, on: NaiveDate) -> Option<String> {
    let is_other = report.day_known && report.observed_on != on;
    let is_of_year = report.observed_on.year() == on.year();
    let day = |of| if is_of_year { date(Language::En, of) } else { long(of) };
    is_other
        .then(|| format!("The report it rests on is now told as seen on {}, not {}.", day(report.observed_on), day(on)))
}
