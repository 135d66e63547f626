//! Today: what needs a word, what goes out by itself, what is wrong, and how all regions stand.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Datelike, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;

use super::held::{ACTS_READ, by_and_why, hold_end, said_of_ended};
use super::left::{OF_REPORT, OF_REPORT_ASIDE, left_because_of, left_words};
use super::nobody::{HAD_NOBODY, left_to_nobody};
use super::notice::leaves_from;
use super::old_words::Words;
use super::overtaken::{beside, by_later};
pub use super::regions::{Left, OnPage, RegionRow, SeenMark};
use super::rests_on::{Over, RestsOn, reports_over, rests_on, was_moved_by_one_of};
pub use super::sending::Sending;
use super::sending::sending;
use super::troubles::wrong;
pub use super::troubles::{MendingPage, Trouble};
use super::{DeskError, Hand, kind_words, local, regions, whole_sentence, why};
use crate::delivery::quiet_hours::QuietHours;
use crate::people::Channel;
use crate::region::{Region, RegionId};
use crate::season::status::SeasonStanding;
use crate::season::{NoticeId, NoticeKind};
use crate::service::app::App;
use crate::store::acts::Act;
use crate::store::field_reports::{ReportStanding, StoredReport};
use crate::store::notices::{Notice, NoticeState, ReleasePlan};
use crate::store::{Conflict, StoreError};

/// A notice that left by itself is shown for so long.
const LEFT_SHOWN: TimeDelta = TimeDelta::days(2);

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
    /// Held, each to an end of its own: nobody is asked before that.
    pub held: Vec<Line>,
    /// The first to leave comes first.
    pub leaves: Vec<Line>,
    /// Sent by staff, with messages that still wait; the last to leave comes first.
    pub sending: Vec<Sending>,
    /// Left with nobody asked, a short time ago; the last comes first.
    pub left: Vec<Left>,
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
    /// The days by which its words go.
    pub words: Words,
    /// That they are of an earlier day, or go by days that hold no more.
    pub old_words: Option<String>,
    /// What has become of the report that it rests on.
    pub rests_on: Option<RestsOn>,
    /// A sentence for each notice that staff held and that this one overtook.
    pub overtook: Vec<String>,
    /// As of [`NoticeInDepth`](super::notice::NoticeInDepth).
    pub beside: Vec<String>,
}

impl Line {
    pub fn recipients(&self) -> u64 {
        self.reach.values().sum()
    }
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
    let Lines { mut needs_word, mut held, mut leaves } = lines(app, &by_id, now).await?;
    let mut left = left(&rows, now);
    let row_of: BTreeMap<&RegionId, &RegionRow> = rows.iter().map(|row| (&row.region.id, row)).collect();
    let holds = app.store.notices_skipped_from_hold(now.year()).await?;
    let mut overtook = by_later(app, &by_id, &holds).await?;
    for line in [&mut needs_word, &mut held, &mut leaves].into_iter().flatten() {
        let today = now.with_timezone(&line.zone).date_naive();
        line.old_words = line.words.old(app, row_of.get(&line.region).copied(), today).map(|old| old.words);
        line.overtook = overtook.remove(&line.id).unwrap_or_default();
    }
    let to_nobody = if left.is_empty() { BTreeSet::new() } else { left_to_nobody(app).await? };
    let mut over = BTreeMap::new();
    for left in &mut left {
        if let Some(report) = &left.report {
            (left.how, left.rests_on) = how_left(app, report, left, now).await?;
        }
        if left.is_moved {
            left.rests_on = moved_by(app, left, &mut over).await?;
        }
        if to_nobody.contains(&left.id) {
            left.how += HAD_NOBODY;
        }
        if left.was_held {
            left.held = said_of_ended(app, &app.store.notice(&left.id).await?, left.zone).await?;
        }
        left.overtook = overtook.remove(&left.id).unwrap_or_default();
    }
    let sending = sending(app, &by_id, now).await?;
    let wrong = wrong(app, &by_id, &rows, &holds, now).await?;
    let counties: BTreeSet<String> = mine.iter().filter_map(|region| region.county.clone()).collect();
    let of_regions = rows.len();
    let reports_wait = reports_waiting(app, &by_id, now).await?;
    let regions = rows.into_iter().filter(|row| filters.let_through(row)).collect();
    Ok(Today {
        now,
        needs_word,
        held,
        leaves,
        sending,
        left,
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
    let Lines { needs_word, .. } = lines(app, &mine, now).await?;
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

/// Those that left by themselves in the last days.
fn left(rows: &[RegionRow], now: DateTime<Utc>) -> Vec<Left> {
    let lately = |left: &&Left| left.at > now - LEFT_SHOWN;
    let mut left: Vec<Left> = rows.iter().flat_map(|row| &row.left).filter(lately).cloned().collect();
    left.sort_by(|a, b| b.at.cmp(&a.at).then_with(|| a.id.cmp(&b.id)));
    left
}

/// How one left because of a report, and that this was set aside or is one of another season, as its own page says it; the
/// report may be there no more.
async fn how_left(
    app: &App,
    report: &str,
    left: &Left,
    now: DateTime<Utc>,
) -> Result<(String, Option<RestsOn>), DeskError> {
    let words = |of: &str| left_words(&format!(" {of},"), left.at, left.zone, now);
    match app.store.field_report(report).await {
        Ok(report) if report.standing != ReportStanding::New => {
            let notice = app.store.notice(&left.id).await?;
            let rests_on = rests_on(app, &notice, left.zone).await?;
            let is_of_it = rests_on.as_ref().is_some_and(|of| of.report.as_ref() == Some(&report.id));
            let how = match is_of_it || report.refused() {
                true => words(OF_REPORT_ASIDE),
                false => left_because_of(&report, left.at, left.zone, now),
            };
            Ok((how, rests_on))
        }
        Ok(_) | Err(StoreError::Conflict(Conflict::UnknownReport { .. })) => Ok((words(OF_REPORT), None)),
        Err(why) => Err(why.into()),
    }
}

/// What has become of a report that may have moved the days of one that left. `over`: what was read for others, by profile and
/// season.
async fn moved_by(
    app: &App,
    left: &Left,
    over: &mut BTreeMap<(String, i32), Vec<Over>>,
) -> Result<Option<RestsOn>, DeskError> {
    let notice = app.store.notice(&left.id).await?;
    let season = (notice.season.profile.clone(), notice.season.year);
    let reports = match over.remove(&season) {
        Some(read) => read,
        None => reports_over(app, &season.0, season.1).await?,
    };
    let found = was_moved_by_one_of(app, &notice, left.zone, &reports).await;
    over.insert(season, reports);
    found
}

/// Notices that have not left.
#[derive(Default)]
struct Lines {
    needs_word: Vec<Line>,
    held: Vec<Line>,
    leaves: Vec<Line>,
}

async fn lines(app: &App, regions: &BTreeMap<&RegionId, &Region>, now: DateTime<Utc>) -> Result<Lines, DeskError> {
    let mut lines = Lines::default();
    let waiting = app.store.notices_waiting().await?;
    if waiting.is_empty() {
        return Ok(lines);
    }
    let reach = app.store.waiting_reach().await?;
    let quiet = QuietHours::from(&app.config.delivery);
    for notice in waiting.iter().filter(|notice| notice.expires_at > now) {
        let Some(region) = regions.get(&notice.season.region) else { continue };
        let mut line = line(notice, region, &reach, quiet, now);
        line.rests_on = rests_on(app, notice, line.zone).await?;
        line.beside = beside(notice, &waiting, now);
        if let Some(held) = said_of_ended(app, notice, region.time_zone).await? {
            line.why = format!("{} {held}", line.why);
        }
        match notice.state {
            NoticeState::Held { until } => {
                line.why = held_words(app, notice, until, &line).await?;
                // One without an end waits for somebody, and nothing else would call them.
                if until.is_some() { lines.held.push(line) } else { lines.needs_word.push(line) }
            }
            _ if line.leaves_at.is_some() => lines.leaves.push(line),
            _ => lines.needs_word.push(line),
        }
    }
    lines.leaves.sort_by(|a, b| (a.leaves_at, &a.id).cmp(&(b.leaves_at, &b.id)));
    Ok(lines)
}

/// `Held since … by M. Reyes, until …; then it asks for a word again. The crew looks first.`
async fn held_words(
    app: &App,
    notice: &Notice,
    until: Option<DateTime<Utc>>,
    line: &Line,
) -> Result<String, DeskError> {
    let at = |instant| local(instant, line.zone);
    let acts = app.store.audit_of(&format!("notice/{}", notice.id), ACTS_READ).await?;
    let held = acts.iter().find(|entry| entry.act == Act::NoticeHeld.as_str());
    let since = held.map_or_else(String::new, |entry| format!(" since {}", at(entry.at)));
    let note = notice.staff_note.as_deref().unwrap_or_default();
    let (by, why) = by_and_why(note);
    let by = if by.is_empty() { String::new() } else { format!(" by {by}") };
    let end = match (until, line.leaves_at) {
        (Some(until), Some(leaves)) if leaves == until => {
            format!("until {}, when it leaves by itself", hold_end(until, line.zone))
        }
        (Some(until), Some(leaves)) => {
            format!("until {}; then it leaves by itself, on {}", hold_end(until, line.zone), at(leaves))
        }
        (Some(until), None) => format!("until {}; then it asks for a word again", hold_end(until, line.zone)),
        (None, _) => "with no end: somebody has to send it or call it off".to_owned(),
    };
    let why = if why.is_empty() { String::new() } else { format!(" {}", whole_sentence(why)) };
    Ok(format!("Held{since}{by}, {end}.{why}"))
}

fn line(
    notice: &Notice,
    region: &Region,
    reach: &BTreeMap<(RegionId, Channel), u64>,
    quiet: QuietHours,
    now: DateTime<Utc>,
) -> Line {
    let zone = region.time_zone;
    let leaves_at = leaves_from(notice, quiet, zone, now);
    let today = now.with_timezone(&zone).date_naive();
    let of_channel = |channel| Some((channel, *reach.get(&(region.id.clone(), channel))?));
    let why = match (&notice.state, &notice.plan) {
        // Said by whoever reads who held it.
        (NoticeState::Held { .. }, _) => String::new(),
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
        words: Words::of(notice, zone),
        old_words: None,
        rests_on: None,
        overtook: Vec::new(),
        beside: Vec::new(),
    }
}

/// `Inspect now for Cedar Flat`.
pub fn title(line: &Line) -> String {
    format!("{} for {}", kind_words(line.kind), line.region_name)
}
