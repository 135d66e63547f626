//! All regions as rows of one season: where each stands, its window with the doubt, what was sent and what was seen.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;

use super::held::past_note;
use super::left::{left_by_itself, left_from, left_words};
use super::rests_on::{RestsOn, report_of};
use super::why;
use crate::delivery::quiet_hours::QuietHours;
use crate::region::{Region, RegionId};
use crate::season::decide::{DecidedNotice, told_days};
use crate::season::status::{SeasonStanding, Shown};
use crate::season::{
    DateSpread, NoticeId, NoticeKind, NoticeStatus, Outlook, Profile, StageOutlook, WindowDays, days_between,
};
use crate::service::app::App;
use crate::store::StoreError;
use crate::store::field_reports::{ReportStanding, StoredReport};
use crate::store::notices::Notice;

/// A region's season at a glance.
#[derive(Clone, Debug, PartialEq)]
pub struct RegionRow {
    pub region: Region,
    /// The region's own day.
    pub today: NaiveDate,
    /// The day of the outlook behind the row; `None`: there is none yet.
    pub outlook_of: Option<NaiveDate>,
    /// By the heat alone.
    pub standing: SeasonStanding,
    /// Staff keep the word behind that.
    pub held_back: bool,
    /// Over, and most eggs have probably not hatched yet: the public page tells whoever sees eggs to wash today.
    pub is_late: bool,
    pub season: Option<i32>,
    pub days: Option<WindowDays>,
    /// When the window opens; a single day once that is known.
    pub opens: Option<DateSpread>,
    /// The day on which it most likely closes, with the hatch of the eggs.
    pub closes: Option<NaiveDate>,
    /// The day on which somebody saw that it had opened: it opened then or before.
    pub opened_by: Option<NaiveDate>,
    /// The chance (0-1) that it has opened.
    pub opened_chance: Option<f64>,
    /// What is wrong with the temperatures, in words.
    pub record_doubt: Option<String>,
    pub filled_days: u32,
    pub newest_real_day: Option<NaiveDate>,
    /// Those that went out and were not recalled, and on which day.
    pub sent: Vec<(NoticeKind, NaiveDate)>,
    /// Those that staff recalled after they had left, and on which day.
    pub recalled: Vec<(NoticeKind, NaiveDate)>,
    /// Those that left with nobody asked.
    pub left: Vec<Left>,
    pub waiting: Vec<NoticeKind>,
    pub seen: Vec<SeenMark>,
    /// Of the season, reports that nobody has judged; those without a day too.
    pub reports_wait: u32,
}

/// One notice that left by itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Left {
    pub id: NoticeId,
    pub kind: NoticeKind,
    pub region_name: String,
    pub zone: Tz,
    /// From when on its messages leave.
    pub at: DateTime<Utc>,
    /// How it left, as the page of a report says it too.
    pub how: String,
    /// The report because of which it left.
    pub report: Option<String>,
    /// Field reports moved the days that it tells, and it came up because of none of them.
    pub is_moved: bool,
    pub is_recalled: bool,
    /// Why staff recalled it, where they said so.
    pub recall_reason: Option<String>,
    /// Staff had held it before.
    pub was_held: bool,
    /// By whom, until when and why, where that hold ended by its time; only today's list has it.
    pub held: Option<String>,
    /// That a report that it rests on was set aside; only today's list has it.
    pub rests_on: Option<RestsOn>,
    /// As of [`Line`](super::today::Line); only today's list has it.
    pub overtook: Vec<String>,
}

/// What somebody saw, as a mark on a day.
#[derive(Clone, Debug, PartialEq)]
pub struct SeenMark {
    pub on: NaiveDate,
    /// The stage in words; `None`: looked and saw none.
    pub stage: Option<String>,
    pub confirmed: bool,
}

impl RegionRow {
    /// Days from the early to the late date of the window's opening; `None` where that is open, or not known.
    pub fn doubt_days(&self) -> Option<i64> {
        let spread = self.opens?;
        Some(days_between(spread.early?, spread.late?))
    }

    /// What the rows are sorted by: the window, those without one last.
    fn order(&self) -> (bool, Option<NaiveDate>, Option<NaiveDate>, String) {
        let days = self.days.filter(|_| self.standing != SeasonStanding::Unknown);
        (days.is_none(), days.map(|days| days.look_from), days.map(|days| days.deadline), self.region.name.clone())
    }
}

/// What the public pages show of a region, and when that was made.
///
/// A report that is confirmed in one region moves the others, too: their pages follow at once, and only the next cycle says
/// something of them, or the next minute where a notice is open. Staff are to see what the public sees.
pub type OnPage<'a> = &'a (dyn Fn(&RegionId) -> Option<(&'a Outlook, DateTime<Utc>)> + Sync);

/// The later word on a region: the last cycle's, or that of its page.
pub(super) fn later_word<'a>(
    region: &Region,
    kept: Option<(&'a Outlook, DateTime<Utc>)>,
    on_page: Option<(&'a Outlook, DateTime<Utc>)>,
) -> Option<&'a Outlook> {
    let words = [kept, on_page].into_iter().flatten();
    let of_profile = words.filter(|(outlook, _)| outlook.season.profile == region.profile);
    // Of a later day first of all; of two of the same moment the last one, that of the page.
    of_profile.max_by_key(|(outlook, made_at)| (outlook.today, *made_at)).map(|(outlook, _)| outlook)
}

/// The rows of these regions, sorted by their windows.
///
/// # Errors
/// When the store fails.
pub(super) async fn rows(
    app: &App,
    regions: &[&Region],
    now: DateTime<Utc>,
    on_page: OnPage<'_>,
) -> Result<Vec<RegionRow>, StoreError> {
    let kept: HashMap<RegionId, (Outlook, DateTime<Utc>)> = app
        .store
        .outlooks_in_use()
        .await?
        .into_iter()
        .map(|(outlook, made_at)| (outlook.season.region.clone(), (outlook, made_at)))
        .collect();
    let outlooks: HashMap<&RegionId, &Outlook> = regions
        .iter()
        .filter_map(|region| {
            let kept = kept.get(&region.id).map(|(outlook, made_at)| (outlook, *made_at));
            Some((&region.id, later_word(region, kept, on_page(&region.id))?))
        })
        .collect();
    let seasons: BTreeSet<(&str, i32)> =
        outlooks.values().map(|outlook| (outlook.season.profile.as_str(), outlook.season.year)).collect();
    let mut notices: HashMap<RegionId, Vec<Notice>> = HashMap::new();
    let mut reports: HashMap<RegionId, Vec<StoredReport>> = HashMap::new();
    let profiles: BTreeMap<&str, Arc<Profile>> =
        seasons.iter().filter_map(|(profile, _)| Some((*profile, app.profiles.get(profile)?))).collect();
    for (id, year) in &seasons {
        for notice in app.store.notices_of_season(id, *year).await? {
            notices.entry(notice.season.region.clone()).or_default().push(notice);
        }
        let Some(profile) = profiles.get(id) else { continue };
        let (from, to) = (profile.first_day(*year), profile.last_day(*year));
        for report in app.store.field_reports(None, from, to).await? {
            reports.entry(report.region.clone()).or_default().push(report);
        }
    }
    let mut rows: Vec<RegionRow> = regions
        .iter()
        .map(|region| {
            let outlook = outlooks.get(&region.id).copied();
            let profile = profiles.get(region.profile.as_str()).map(AsRef::as_ref);
            let of_season = |notice: &&Notice| outlook.is_some_and(|outlook| notice.season == outlook.season);
            let notices: Vec<&Notice> = notices.get(&region.id).into_iter().flatten().filter(of_season).collect();
            let reports = reports.get(&region.id).map_or(&[][..], Vec::as_slice);
            row(app, region, now, outlook.zip(profile), &notices, reports)
        })
        .collect();
    rows.sort_by_cached_key(RegionRow::order);
    Ok(rows)
}

pub(super) fn row(
    app: &App,
    region: &Region,
    now: DateTime<Utc>,
    known: Option<(&Outlook, &Profile)>,
    notices: &[&Notice],
    reports: &[StoredReport],
) -> RegionRow {
    let mut row = RegionRow {
        region: region.clone(),
        today: now.with_timezone(&region.time_zone).date_naive(),
        outlook_of: None,
        standing: SeasonStanding::Unknown,
        held_back: false,
        is_late: false,
        season: None,
        days: None,
        opens: None,
        closes: None,
        opened_by: None,
        opened_chance: None,
        record_doubt: None,
        filled_days: 0,
        newest_real_day: None,
        sent: Vec::new(),
        recalled: Vec::new(),
        left: Vec::new(),
        waiting: Vec::new(),
        seen: Vec::new(),
        reports_wait: 0,
    };
    let Some((outlook, profile)) = known else { return row };
    let policy = &app.config.policy;
    let told: Vec<DecidedNotice> = notices.iter().map(|notice| notice.told(region.time_zone)).collect();
    let days = WindowDays::of(profile, policy, outlook, told_days(&told));
    let shown = Shown::of(profile, policy, outlook, &days, region.release, &told);
    let opens = outlook.stage(&profile.window.opens);
    row.outlook_of = Some(outlook.today);
    row.standing = shown.by_heat;
    row.held_back = shown.is_held_back();
    row.season = Some(outlook.season.year);
    row.days = Some(days);
    row.opens = opens.map(spread_of);
    // As the public page has it.
    let closes = outlook.stage(&profile.window.closes);
    let is_told = notices
        .iter()
        .any(|notice| notice.kind == NoticeKind::TooLateToWash && notice.status() == NoticeStatus::Released);
    row.is_late = row.standing == SeasonStanding::Over
        && !is_told
        && closes.is_some_and(|closes| closes.chance_by(outlook.today) < policy.too_late_chance);
    row.closes = closes.map(spread_of).and_then(|closes| closes.median);
    row.opened_by = opens.filter(|opens| opens.seen()).and_then(|opens| opens.reached).map(|reached| reached.on);
    row.opened_chance = opens.map(|opens| opens.chance_by(row.today));
    row.record_doubt = why::doubt(&outlook.trust);
    row.filled_days = outlook.filled_days;
    row.newest_real_day = outlook.newest_real_day;
    let day = |at: DateTime<Utc>| at.with_timezone(&region.time_zone).date_naive();
    let quiet = QuietHours::from(&app.config.delivery);
    for notice in notices {
        let by_itself = left_by_itself(notice).and_then(|_| left_from(notice, quiet, region.time_zone));
        row.left.extend(by_itself.map(|from| left(notice, region, from, now)));
        if let Some(recall) = &notice.recall {
            row.recalled.push((notice.kind, day(recall.at)));
        } else if let Some(at) = notice.released_at() {
            row.sent.push((notice.kind, day(at)));
        } else if matches!(notice.status(), NoticeStatus::Waiting | NoticeStatus::Held) {
            row.waiting.push(notice.kind);
        }
    }
    let stage_name = |id: &crate::season::StageId| {
        let stage = profile.stages.iter().find(|stage| stage.id == *id);
        stage.map_or_else(|| id.to_string(), |stage| stage.names.en.clone())
    };
    row.reports_wait = reports.iter().filter(|report| report.standing == ReportStanding::New).count() as u32;
    row.seen = reports
        .iter()
        .filter(|report| report.day_known && report.standing != ReportStanding::Refused)
        .map(|report| SeenMark {
            on: report.observed_on,
            stage: report.stage.as_ref().map(stage_name),
            confirmed: report.standing == ReportStanding::Confirmed,
        })
        .collect();
    row
}

/// A single day once the stage is known to have come.
fn spread_of(stage: &StageOutlook) -> DateSpread {
    match stage.reached.filter(|_| stage.dates.is_empty()) {
        Some(reached) => DateSpread { early: Some(reached.on), median: Some(reached.on), late: Some(reached.on) },
        None => stage.spread,
    }
}

/// The row of one region as the last cycle left it, without what was seen there.
///
/// # Errors
/// When the store fails.
pub(super) async fn row_of(app: &App, region: &Region, now: DateTime<Utc>) -> Result<RegionRow, StoreError> {
    let outlook = app.store.newest_outlook(region).await?;
    let notices = match &outlook {
        Some(outlook) => app.store.notices_of_region(&outlook.season).await?,
        None => Vec::new(),
    };
    let profile = app.profiles.get(&region.profile);
    let known = outlook.as_ref().zip(profile.as_deref());
    Ok(row(app, region, now, known, &notices.iter().collect::<Vec<_>>(), &[]))
}

fn left(notice: &Notice, region: &Region, at: DateTime<Utc>, now: DateTime<Utc>) -> Left {
    Left {
        id: notice.id.clone(),
        kind: notice.kind,
        region_name: region.name.clone(),
        zone: region.time_zone,
        at,
        how: format!("it {}, as the region has it", left_words(" by itself", at, region.time_zone, now)),
        report: report_of(notice),
        is_moved: report_of(notice).is_none() && notice.told(region.time_zone).rests_on_reports(),
        is_recalled: notice.recall.is_some(),
        recall_reason: notice.recall_reason().map(str::to_owned),
        was_held: past_note(notice).is_some(),
        held: None,
        rests_on: None,
        overtook: Vec::new(),
    }
}
