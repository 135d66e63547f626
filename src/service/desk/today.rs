//! Today: what needs a word, what goes out by itself, what is wrong, and how all regions stand.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Datelike, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

use super::notice::leaves_by_itself;
pub use super::regions::{OnPage, RegionRow, SeenMark};
use super::{DeskError, Hand, kind_words, regions, why};
use crate::alarms::AlarmKind;
use crate::delivery::quiet_hours::QuietHours;
use crate::people::Channel;
use crate::region::{Region, RegionId};
use crate::season::status::SeasonStanding;
use crate::season::{NoticeId, NoticeKind};
use crate::service::app::App;
use crate::store::field_reports::{ReportStanding, StoredReport};
use crate::store::notices::{Notice, NoticeState, ReleasePlan};

/// Messages that failed are shown for so long.
const FAILED_SHOWN: TimeDelta = TimeDelta::days(7);

/// A window that opens within so many days, 8 times in 10, is a sharp one. A rule of ours, no source.
const WIDE_DAYS: i64 = 21;

/// Which regions are shown.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Filters {
    pub county: Option<String>,
    pub standing: Option<SeasonStanding>,
    pub doubt: Option<Doubt>,
}

/// What is in doubt of a region.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Doubt {
    /// The temperatures, so that nothing leaves unasked.
    Temperatures,
    /// The dates: the window may open over more than three weeks, or the range has no end.
    Dates,
}

impl Doubt {
    pub const ALL: [Doubt; 2] = [Doubt::Temperatures, Doubt::Dates];

    pub fn name(self) -> &'static str {
        match self {
            Doubt::Temperatures => "temperatures",
            Doubt::Dates => "dates",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|doubt| doubt.name() == name)
    }

    fn is_in(self, row: &RegionRow) -> bool {
        match self {
            Doubt::Temperatures => row.record_doubt.is_some(),
            Doubt::Dates => row.opens.is_some() && row.doubt_days().is_none_or(|days| days > WIDE_DAYS),
        }
    }
}

impl Filters {
    fn let_through(&self, row: &RegionRow) -> bool {
        let county = self.county.as_ref().is_none_or(|county| row.region.county.as_ref() == Some(county));
        let standing = self.standing.is_none_or(|standing| row.standing == standing);
        county && standing && self.doubt.is_none_or(|doubt| doubt.is_in(row))
    }
}

/// The one screen.
#[derive(Clone, Debug, PartialEq)]
pub struct Today {
    pub now: DateTime<Utc>,
    /// The first to die comes first.
    pub needs_word: Vec<Line>,
    /// The first to leave comes first.
    pub leaves: Vec<Line>,
    pub wrong: Vec<Trouble>,
    /// Those that the filters let through, by their windows.
    pub regions: Vec<RegionRow>,
    /// How many there are with every filter off.
    pub of_regions: usize,
    /// Field reports of this calendar year in these regions that nobody has judged, as the list of reports has them.
    pub reports_wait: usize,
    /// To choose from.
    pub counties: Vec<String>,
}

/// One notice in one line.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    pub id: NoticeId,
    pub kind: NoticeKind,
    pub region: RegionId,
    pub region_name: String,
    pub county: Option<String>,
    pub elevation_m: f64,
    pub zone: Tz,
    /// The last day to wash that it tells.
    pub deadline: Option<NaiveDate>,
    pub reach: BTreeMap<Channel, u64>,
    /// When it leaves by itself.
    pub leaves_at: Option<DateTime<Utc>>,
    /// It leaves on the region's own today.
    pub leaves_today: bool,
    /// When it dies by itself.
    pub dies_at: DateTime<Utc>,
    /// Why somebody is asked, or how it leaves.
    pub why: String,
    /// Staff have sent it, and it can still be taken back.
    pub undoable: bool,
    pub held: bool,
}

impl Line {
    pub fn recipients(&self) -> u64 {
        self.reach.values().sum()
    }
}

/// Something that is wrong.
#[derive(Clone, Debug, PartialEq)]
pub struct Trouble {
    pub title: String,
    pub what: String,
    pub mend: String,
    pub region: Option<RegionId>,
    pub urgent: bool,
    pub since: Option<DateTime<Utc>>,
}

/// Today, of the regions in somebody's reach, as the last cycle left them.
///
/// # Errors
/// When the store fails.
pub async fn today(app: &App, hand: Hand<'_>, filters: &Filters) -> Result<Today, DeskError> {
    today_beside(app, hand, filters, &|_| None).await
}

/// As [`today`], with the days that the public pages show where these are newer.
///
/// # Errors
/// When the store fails.
pub async fn today_beside(
    app: &App,
    hand: Hand<'_>,
    filters: &Filters,
    on_page: OnPage<'_>,
) -> Result<Today, DeskError> {
    let now = app.clock.now();
    let all = app.store.regions().await?;
    let mine: Vec<&Region> = all.iter().filter(|region| (hand.reach)(region)).collect();
    let rows = regions::rows(app, &mine, now, on_page).await?;
    let by_id: BTreeMap<&RegionId, &Region> = mine.iter().map(|region| (&region.id, *region)).collect();
    let (needs_word, leaves) = lines(app, &by_id, now).await?;
    let wrong = wrong(app, &by_id, &rows, now).await?;
    let counties: BTreeSet<String> = mine.iter().filter_map(|region| region.county.clone()).collect();
    let of_regions = rows.len();
    let reports_wait = reports_waiting(app, &by_id, now).await?;
    let regions = rows.into_iter().filter(|row| filters.let_through(row)).collect();
    Ok(Today {
        now,
        needs_word,
        leaves,
        wrong,
        regions,
        of_regions,
        reports_wait,
        counties: counties.into_iter().collect(),
    })
}

/// What waits for a word, counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Waiting {
    pub notices: usize,
    /// As [`Today::reports_wait`].
    pub reports: usize,
}

/// How much of the regions in somebody's reach waits for a word.
///
/// # Errors
/// When the store fails.
pub async fn waiting(app: &App, hand: Hand<'_>) -> Result<Waiting, DeskError> {
    let now = app.clock.now();
    let all = app.store.regions().await?;
    let mine: BTreeMap<&RegionId, &Region> =
        all.iter().filter(|region| (hand.reach)(region)).map(|region| (&region.id, region)).collect();
    let (needs_word, _) = lines(app, &mine, now).await?;
    Ok(Waiting { notices: needs_word.len(), reports: reports_waiting(app, &mine, now).await? })
}

async fn reports_waiting(
    app: &App,
    regions: &BTreeMap<&RegionId, &Region>,
    now: DateTime<Utc>,
) -> Result<usize, DeskError> {
    let year = now.with_timezone(&app.config.schedule.time_zone).year();
    let edge = |month, day| NaiveDate::from_ymd_opt(year, month, day);
    let (Some(first), Some(last)) = (edge(1, 1), edge(12, 31)) else { return Ok(0) };
    let reports = app.store.field_reports(None, first, last).await?;
    let waits = |report: &&StoredReport| report.standing == ReportStanding::New && regions.contains_key(&report.region);
    Ok(reports.iter().filter(waits).count())
}

/// What needs a word, and what leaves by itself.
async fn lines(
    app: &App,
    regions: &BTreeMap<&RegionId, &Region>,
    now: DateTime<Utc>,
) -> Result<(Vec<Line>, Vec<Line>), DeskError> {
    let waiting = app.store.notices_waiting().await?;
    if waiting.is_empty() {
        return Ok((Vec::new(), Vec::new()));
    }
    let reach = app.store.waiting_reach().await?;
    let quiet = QuietHours::from(&app.config.delivery);
    let (mut needs_word, mut leaves) = (Vec::new(), Vec::new());
    for notice in waiting.iter().filter(|notice| notice.expires_at > now) {
        let Some(region) = regions.get(&notice.season.region) else { continue };
        let line = line(notice, region, &reach, quiet, now);
        if line.leaves_at.is_some() { leaves.push(line) } else { needs_word.push(line) }
    }
    leaves.sort_by(|a, b| (a.leaves_at, &a.id).cmp(&(b.leaves_at, &b.id)));
    Ok((needs_word, leaves))
}

fn line(
    notice: &Notice,
    region: &Region,
    reach: &BTreeMap<(RegionId, Channel), u64>,
    quiet: QuietHours,
    now: DateTime<Utc>,
) -> Line {
    let zone = region.time_zone;
    let leaves_at = leaves_by_itself(notice).map(|at| quiet.next_allowed(at.max(now), zone));
    let today = now.with_timezone(&zone).date_naive();
    let of_channel = |channel| Some((channel, *reach.get(&(region.id.clone(), channel))?));
    let why = match (&notice.state, &notice.plan) {
        (NoticeState::Held { .. }, _) => {
            notice.staff_note.as_deref().map_or_else(|| "Held.".to_owned(), super::whole_sentence)
        }
        (NoticeState::Leaving { by }, _) => format!("{by} has sent it."),
        (_, ReleasePlan::WhenConfirmed(needed)) => why::approval(needed),
        _ => "It leaves by itself unless it is held.".to_owned(),
    };
    Line {
        id: notice.id.clone(),
        kind: notice.kind,
        region: region.id.clone(),
        region_name: region.name.clone(),
        county: region.county.clone(),
        elevation_m: region.elevation_m,
        zone,
        deadline: notice.deadline(),
        reach: Channel::ALL.into_iter().filter_map(of_channel).collect(),
        leaves_today: leaves_at.is_some_and(|at| at.with_timezone(&zone).date_naive() == today),
        leaves_at,
        dies_at: notice.expires_at,
        why,
        undoable: notice.undoable && matches!(notice.state, NoticeState::Leaving { .. }),
        held: matches!(notice.state, NoticeState::Held { .. }),
    }
}

/// Alarms that are open, messages that failed, temperatures in doubt.
async fn wrong(
    app: &App,
    regions: &BTreeMap<&RegionId, &Region>,
    rows: &[RegionRow],
    now: DateTime<Utc>,
) -> Result<Vec<Trouble>, DeskError> {
    // These stand in the queue above.
    let of_queue = [AlarmKind::NoticeWaits, AlarmKind::NoticeLeaves, AlarmKind::NoticeRunsOut];
    let mut wrong: Vec<Trouble> = app
        .store
        .alarms(None)
        .await?
        .into_iter()
        .filter(|alarm| !of_queue.contains(&alarm.kind))
        .filter(|alarm| alarm.region.as_ref().is_none_or(|region| regions.contains_key(region)))
        .map(|alarm| Trouble {
            title: crate::season::phrases::capitalised(alarm.kind.title()),
            what: alarm.what,
            mend: alarm.mend,
            region: alarm.region,
            urgent: alarm.urgent,
            since: Some(alarm.raised_at),
        })
        .collect();
    wrong.sort_by_key(|trouble| (!trouble.urgent, std::cmp::Reverse(trouble.since)));
    let failed: Vec<(&str, u64)> = app
        .store
        .failed_since(now - FAILED_SHOWN)
        .await?
        .into_iter()
        .filter_map(|(region, count)| Some((regions.get(&region)?.name.as_str(), count)))
        .collect();
    if !failed.is_empty() {
        let total: u64 = failed.iter().map(|(_, count)| count).sum();
        let names = few(failed.iter().map(|(name, count)| format!("{name} ({count})")));
        wrong.push(Trouble {
            title: "Messages failed".to_owned(),
            what: format!("{} of the last 7 days did not arrive: {names}.", super::notice::messages(total)),
            mend: "see why: `treebell deliveries --state failed`, `--state bounced`, `--state expired`.".to_owned(),
            region: None,
            urgent: false,
            since: None,
        });
    }
    let doubtful: Vec<&RegionRow> = rows.iter().filter(|row| row.record_doubt.is_some()).collect();
    if !doubtful.is_empty() {
        let names = few(doubtful
            .iter()
            .map(|row| format!("{} ({})", row.region.name, row.record_doubt.as_deref().unwrap_or_default())));
        wrong.push(Trouble {
            title: "Temperatures are in doubt".to_owned(),
            what: format!("There nothing leaves unasked: {names}."),
            mend: "see which days are missing: `treebell weather status`.".to_owned(),
            region: None,
            urgent: false,
            since: None,
        });
    }
    Ok(wrong)
}

/// The first of many, and how many more there are.
fn few(all: impl Iterator<Item = String>) -> String {
    const SHOWN: usize = 5;
    let all: Vec<String> = all.collect();
    let shown = all.iter().take(SHOWN).cloned().collect::<Vec<_>>().join(", ");
    if all.len() > SHOWN { format!("{shown} and {} more", all.len() - SHOWN) } else { shown }
}

/// `Inspect now for Cedar Flat`.
pub fn title(line: &Line) -> String {
    format!("{} for {}", kind_words(line.kind), line.region_name)
}
