//! The cycle: assess every region, decide, and write what follows in one transaction a region. Where nothing follows, the
//! outlooks of many regions share one.
//!
//! A second run over the same facts changes nothing. The daemon, `once` and replay run this same code; they differ in
//! the clock, in where station records come from, and in what stands at the end of the queue. What is done between two
//! runs stands in `anew.rs`.

mod anew;

use std::collections::HashMap;

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use serde::Serialize;
use tracing::{error, info, warn};

pub use self::anew::minute;
use super::assess;
use super::caches::{RecordCache, SeasonCache};
use super::cycle_cache::CycleCache;
use super::event::{Event, Step};
use super::moved_dates::{LookedAt, Moves};
use super::notice_writer::{NoticeWriter, Writing};
use super::region_fault::RegionFault;
use super::region_views::by_station;
use super::season_chart;
use crate::assessment::season_model::{Assessment, DayFacts};
use crate::people::Channel;
use crate::progress::Part;
use crate::region::{Region, RegionId};
use crate::season::decide::{Answer, Decision, SkipReason};
use crate::season::{NoticeId, NoticeKind, Outlook, Profile, RecordTrust};
use crate::service::app::App;
use crate::store::StoreError;
use crate::store::notices::{self, DueOutcome, NoticeRelease, Put, QueuedRest};
use crate::store::staff_log::StaffKind;
use crate::store::{outlooks, regions, staff_log};
use crate::text::Chain;

/// Outlooks of so many regions of which nothing else is to be written are written together: a transaction each would be most of
/// the work of a cycle.
const QUIET_AT_ONCE: usize = 64;

/// One cycle under way.
struct Round {
    now: DateTime<Utc>,
    /// So long what leaves at once can still be stopped.
    undo: TimeDelta,
    cache: CycleCache,
    moves: Moves,
    report: CycleReport,
}

impl Round {
    fn new(now: DateTime<Utc>, undo: TimeDelta) -> Self {
        let (cache, moves, report) = (CycleCache::default(), Moves::default(), CycleReport::default());
        Self { now, undo, cache, moves, report }
    }
}

/// What one cycle came to.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct CycleReport {
    pub regions: u32,
    /// Days looked at again or for the first time, missed ones included.
    pub days_assessed: u32,
    pub decided: Vec<NoticeId>,
    pub released: Vec<NoticeId>,
    /// Notices that nobody sent while they were of use.
    #[serde(skip)]
    pub ended: Vec<NoticeId>,
    pub deliveries: u64,
    /// What went wrong, by region; the others were done.
    pub faults: Vec<String>,
    /// Work beside the regions that failed, such as asking people what they saw.
    pub failed_work: Vec<String>,
}

impl CycleReport {
    fn note_fault(&mut self, region: &RegionId, why: &RegionFault) {
        let why = Chain(why);
        error!(region.id = %region, "region `{region}` could not be served: {why}");
        self.faults.push(format!("region `{region}`: {why}"));
    }

    fn note_rest(&mut self, rest: &QueuedRest) {
        let said = |(id, why): &(NoticeId, StoreError)| {
            format!("some recipients of notice `{id}` are still to be queued: {}", Chain(why))
        };
        self.failed_work.extend(rest.faults.iter().map(said));
    }
}

/// One cycle over all regions that are not retired: missed days first, then today; then notices whose hour has come
/// are let out.
///
/// # Errors
/// When the store cannot be read at all. What fails for one region is in the report.
pub async fn run(
    app: &App,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    watch: &mut (dyn FnMut(Event) + Send),
) -> Result<CycleReport, StoreError> {
    let regions = app.store.regions().await?;
    // Regions of one station one after the other: they share what was worked out last.
    let together = by_station(&regions).into_iter().flatten().collect();
    over(app, records, seasons, vec![together], watch).await
}

/// As [`run`], with records read afresh, and let go after the last region that shares its station: those of a whole state
/// would fill the memory.
///
/// # Errors
/// As [`run`].
pub async fn run_afresh(app: &App, watch: &mut (dyn FnMut(Event) + Send)) -> Result<CycleReport, StoreError> {
    let regions = app.store.regions().await?;
    let mut records = RecordCache::new(app.store.clone());
    over(app, &mut records, &mut SeasonCache::default(), by_station(&regions), watch).await
}

/// One region now, between two cycles: what a field report or staff have just changed acts at once there. In other regions it acts by
/// the next [`minute`] where a notice is open, else by the next cycle; they tell staff of dates that moved. What would leave at once
/// leaves after `undo`, and not in quiet hours: until then whoever brought it up can hold it or call it off.
///
/// # Errors
/// See [`RegionFault`]; then the next cycle does it.
pub async fn of_region(app: &App, region: &Region, undo: TimeDelta) -> Result<(), RegionFault> {
    let (mut records, mut seasons) = (RecordCache::new(app.store.clone()), SeasonCache::default());
    let now = app.clock.now();
    let mut round = Round::new(now, undo);
    take_up_words(app).await;
    let served = serve(app, &mut records, &mut seasons, &mut round, region, &mut |_| {}).await?;
    if let Served::Quiet(outlook) = served {
        app.store.put_outlook(&outlook, now).await?;
    }
    app.queued.notify_one();
    Ok(())
}

async fn take_up_words(app: &App) {
    if let Err(why) = app.renew_words().await {
        error!("the words of messages stay as they were: {}", Chain(&why));
    }
}

/// Over groups of regions, then the notices that are due.
async fn over(
    app: &App,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    groups: Vec<Vec<&Region>>,
    watch: &mut (dyn FnMut(Event) + Send),
) -> Result<CycleReport, StoreError> {
    let now = app.clock.now();
    let mut round = Round::new(now, TimeDelta::zero());
    if let Err(why) = app.profiles.renew(&app.store).await {
        error!("the profiles in use stay as they were: {}", Chain(&why));
    }
    take_up_words(app).await;
    // What was held until now is decided like what waits.
    app.store.end_holds(now).await?;
    // Before anything newer is decided: an older notice must not come behind it.
    round.report.note_rest(&app.store.queue_rest(now).await?);
    let mut notices = Vec::new();
    let mut note = |region: &RegionId, event: Event| notices.push((region.clone(), event));
    let mut outlooks = serve_all(app, records, seasons, &mut round, groups, &mut note).await;
    // In the order of regions, whatever order they were served in.
    outlooks.sort_by(|a, b| a.season.region.cmp(&b.season.region));
    notices.sort_by(|(a, _): &(RegionId, Event), (b, _)| a.cmp(b));
    if let Some(day) = outlooks.iter().map(|outlook| outlook.today).max() {
        watch(Event::Day { day, outlooks });
    }
    notices.into_iter().map(|(_, event)| event).for_each(&mut *watch);
    round.moves.tell_staff(app, now, LookedAt::All).await;
    release_due(app, now, &mut round.report, watch).await?;
    Ok(round.report)
}

/// Serves groups of regions, and gives the outlooks that were written; what was read for one group is not kept for the next.
async fn serve_all(
    app: &App,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    round: &mut Round,
    groups: Vec<Vec<&Region>>,
    note: &mut (dyn FnMut(&RegionId, Event) + Send),
) -> Vec<Outlook> {
    let (mut outlooks, mut quiet) = (Vec::new(), Vec::new());
    for (at, group) in groups.into_iter().enumerate() {
        if at > 0 {
            *records = RecordCache::new(app.store.clone());
            *seasons = SeasonCache::default();
        }
        for region in group {
            app.progress.made(Part::Schedule);
            round.report.regions += 1;
            let mut note_here = |event| note(&region.id, event);
            match serve(app, records, seasons, round, region, &mut note_here).await {
                Ok(Served::Written(outlook)) => outlooks.push(outlook),
                Ok(Served::Quiet(outlook)) => quiet.push(outlook),
                Err(why) => round.report.note_fault(&region.id, &why),
            }
            if quiet.len() >= QUIET_AT_ONCE {
                outlooks.extend(write_quiet(app, std::mem::take(&mut quiet), round).await);
            }
        }
    }
    outlooks.extend(write_quiet(app, quiet, round).await);
    outlooks
}

/// Writes outlooks of many regions, and gives those that were written: where they cannot be written together, each is tried.
async fn write_quiet(app: &App, outlooks: Vec<Outlook>, round: &mut Round) -> Vec<Outlook> {
    if app.store.put_outlooks(&outlooks, round.now).await.is_ok() {
        return outlooks;
    }
    let mut written = Vec::with_capacity(outlooks.len());
    for outlook in outlooks {
        match app.store.put_outlook(&outlook, round.now).await {
            Ok(()) => written.push(outlook),
            Err(why) => round.report.note_fault(&outlook.season.region, &RegionFault::from(why)),
        }
    }
    written
}

/// Lets out the notices whose hour has come. One that would leave by itself, but rests on reports that have changed since, stays
/// until its region has been decided anew; staff are told once.
///
/// # Errors
/// When the store fails.
pub async fn release_due(
    app: &App,
    now: DateTime<Utc>,
    report: &mut CycleReport,
    watch: &mut (dyn FnMut(Event) + Send),
) -> Result<(), StoreError> {
    for due in app.store.release_due(now).await? {
        let notice = app.store.notice(&due.notice).await?;
        let step = match due.outcome {
            DueOutcome::Left { deliveries } => {
                info!(notice.id = %due.notice, deliveries, "released notice `{}`", due.notice);
                report.released.push(due.notice.clone());
                report.deliveries += deliveries;
                goes_out(app, &due.notice).await?
            }
            DueOutcome::Overtaken { by } => {
                info!(notice.id = %due.notice, "notice `{}` was overtaken by `{}`", due.notice, by.name());
                Step::Skipped { reason: SkipReason::Overtaken { by }.to_string() }
            }
            DueOutcome::PastUse => {
                warn!(notice.id = %due.notice, "notice `{}` was not confirmed while it was of use", due.notice);
                let text = format!(
                    "{} in `{}` never went out: nobody sent it while it was of use",
                    notice.kind.name(),
                    notice.season.region
                );
                let (key, region) = (format!("missed/{}", due.notice), &notice.season.region);
                app.store.tell_staff(&key, Some(region), StaffKind::Missed, &text, now).await?;
                report.ended.push(due.notice.clone());
                Step::Skipped { reason: "nobody confirmed it while it was of use".into() }
            }
            DueOutcome::KeptBack => {
                let region = &notice.season.region;
                let text = format!(
                    "{} in `{region}` did not leave at its hour: field reports have changed since it was decided, and it \
                     stays until its region has been decided anew",
                    notice.kind.name()
                );
                let key = format!("kept-back/{}", due.notice);
                if app.store.tell_staff(&key, Some(region), StaffKind::Learned, &text, now).await? {
                    warn!(notice.id = %due.notice, "{text}");
                }
                continue;
            }
        };
        let zone = app.store.region(&notice.season.region).await?.time_zone;
        let day = now.with_timezone(&zone).date_naive();
        watch(Event::Notice { day, region: notice.season.region, kind: notice.kind, step });
    }
    Ok(())
}

/// One region: the days missed since its last outlook, then today.
async fn serve(
    app: &App,
    records: &mut RecordCache,
    seasons: &mut SeasonCache,
    round: &mut Round,
    region: &Region,
    watch: &mut (dyn FnMut(Event) + Send),
) -> Result<Served, RegionFault> {
    let Round { now, undo, cache, moves, report } = round;
    let (now, undo) = (*now, *undo);
    let profile = app.profiles.get(&region.profile).ok_or_else(|| RegionFault::NoProfile(region.profile.clone()))?;
    let today = now.with_timezone(&region.time_zone).date_naive();
    let season = profile.season_of(today);
    let model = seasons.get(app, records, region, &profile, season, now).await?;

    let last = cache.last_outlook(&app.store, region, &profile).await?;
    let lessons = cache.lessons(app, records, seasons, &profile, season, now).await?;
    let before = moves.before(&app.store, &lessons, &profile, region, last).await?;
    let belief = lessons.learned.of_region(&profile, &region.id);
    for day in missed_days(app, last.map(|last| last.day), &profile, season, today) {
        app.progress.made(Part::Schedule);
        let reports = cache.reports(&app.store, &profile, season).await?;
        let reports = &*reports;
        // A missed day is assessed for the record with what is known now; it announces nothing. What it would have
        // announced is decided today, while it is of use.
        let facts =
            DayFacts { today: day, now, forecast: &[], forecast_fit: None, told: &[], reports, belief: &belief };
        let missed = model.assess(&app.config.weather, &app.config.policy, region.release, &facts);
        app.store.put_outlook(&missed.outlook, now).await?;
        report.days_assessed += 1;
    }

    let assessment = assess::look_at(app, records, seasons, cache, region, &profile, now).await?;
    report.days_assessed += 1;
    moves.note(before, &assessment.outlook);
    let Decision { verdicts, remarks } = &assessment.decision;
    if remarks.is_empty() && verdicts.iter().all(|verdict| matches!(verdict.answer, Answer::Quiet { .. })) {
        return Ok(Served::Quiet(assessment.outlook));
    }
    let says_something = assessment
        .decision
        .verdicts
        .iter()
        .any(|verdict| matches!(verdict.answer, Answer::Announce(_) | Answer::Free(_) | Answer::Renew(_)));
    let charts = if says_something && app.config.messages.chart_in_email {
        season_chart::for_email(region, &profile, &model, &assessment).await
    } else {
        HashMap::new()
    };
    let written = Writing { region, profile: &profile, station: model.station(), charts: &charts, undo };
    let done = commit(app, written, &assessment, now).await?;
    report.deliveries += done.deliveries;
    for decided in &done.decided {
        if matches!(decided.outcome, Outcome::Released) {
            // Of very many recipients only the first were queued with the notice.
            let rest = app.store.queue_rest_of(&decided.notice, now).await;
            report.deliveries += rest.deliveries();
            report.note_rest(&rest);
        }
    }
    for Decided { kind, notice, outcome } in done.decided {
        report.decided.push(notice.clone());
        let step = match outcome {
            Outcome::Released => {
                let step = goes_out(app, &notice).await?;
                report.released.push(notice);
                step
            }
            Outcome::WaitsUnlessHeld => Step::WaitsUnlessHeld,
            Outcome::WaitsForStaff => Step::WaitsForStaff,
            Outcome::Skipped(reason) => Step::Skipped { reason },
        };
        watch(Event::Notice { day: today, region: region.id.clone(), kind, step });
    }
    Ok(Served::Written(assessment.outlook))
}

/// What the turn of a region came to.
enum Served {
    Written(Outlook),
    /// Nothing is to be written but this.
    Quiet(Outlook),
}

/// The days between the last outlook and today, as far back as is worth it and the season goes.
fn missed_days(
    app: &App,
    last: Option<NaiveDate>,
    profile: &Profile,
    season: i32,
    today: NaiveDate,
) -> impl Iterator<Item = NaiveDate> + use<> {
    let reach = today.checked_sub_days(Days::new(u64::from(app.config.schedule.catch_up_days))).unwrap_or(today);
    let from = last.map_or(today, |last| last.succ_opt().unwrap_or(last)).max(reach).max(profile.first_day(season));
    from.iter_days().take_while(move |day| *day < today)
}

/// Writes the outlook, the notices and the remarks of one assessment together.
async fn commit(
    app: &App,
    writing: Writing<'_>,
    assessment: &Assessment,
    now: DateTime<Utc>,
) -> Result<Committed, RegionFault> {
    let outlook = &assessment.outlook;
    let Writing { region, profile, .. } = writing;
    let writer = NoticeWriter { app, writing, outlook, days: assessment.days, now };
    let (mut decided, mut deliveries) = (Vec::new(), 0);
    let mut tx = app.store.begin().await?;
    outlooks::put_outlook(&mut tx, outlook, now).await?;
    for verdict in &assessment.decision.verdicts {
        let kind = verdict.kind;
        let id = NoticeId::of(&outlook.season, kind);
        let outcome = match &verdict.answer {
            Answer::Quiet { .. } => continue,
            Answer::Announce(terms) => {
                let (new, texts) = writer.word(kind, terms)?;
                match notices::put_notice(&mut tx, &new, &texts).await? {
                    Put::AlreadyThere => continue,
                    Put::Written { deliveries: queued } => deliveries += queued,
                }
                Outcome::of(&new.fate)
            }
            // The words of staff speak of what the notice waited with: they let it out themselves, as long as it is of use.
            Answer::Free(terms) | Answer::Renew(terms) if notices::has_own_words(&mut tx, &id).await? => {
                if !notices::keep_words(&mut tx, &id, writer.expires_at(terms)).await? {
                    continue;
                }
                Outcome::WaitsForStaff
            }
            Answer::Renew(terms) => {
                let (new, texts) = writer.word(kind, terms)?;
                notices::renew(&mut tx, &new, &texts).await?;
                info!(region.id = %region.id, notice.id = %id, "new words in region `{}`: {verdict}", region.id);
                continue;
            }
            Answer::Free(terms) => {
                let (new, texts) = writer.word(kind, terms)?;
                deliveries += notices::renew(&mut tx, &new, &texts).await?;
                Outcome::of(&new.fate)
            }
            Answer::AskFirst { approval_needed } => {
                notices::ask_first(&mut tx, &id, approval_needed).await?;
                Outcome::WaitsForStaff
            }
            Answer::Skip { reason } => {
                let new = writer.skipped(kind, reason)?;
                if notices::put_notice(&mut tx, &new, &[]).await? == Put::AlreadyThere {
                    notices::skip(&mut tx, &id, &new.reason).await?;
                }
                let text = format!("{} in {} was skipped: {reason}", kind.name(), region.name);
                let key = format!("skipped/{id}");
                staff_log::tell_staff(&mut tx, &key, Some(&region.id), StaffKind::Skipped, &text, now).await?;
                let added_on =
                    regions::added_at(&mut tx, &region.id).await?.with_timezone(&region.time_zone).date_naive();
                let was_over = over_since(reason).is_some_and(|day| day < added_on);
                if !was_over && is_a_loss(reason, outlook.trust == RecordTrust::Sound) {
                    let text = match &outlook.trust {
                        RecordTrust::Sound => text,
                        doubt => format!("{text}; the temperatures are in doubt: {doubt}"),
                    };
                    let key = format!("missed/{id}");
                    staff_log::tell_staff(&mut tx, &key, Some(&region.id), StaffKind::Missed, &text, now).await?;
                }
                Outcome::Skipped(reason.to_string())
            }
        };
        info!(region.id = %region.id, notice.id = %id, "decided for region `{}`: {verdict}", region.id);
        decided.push(Decided { kind, notice: id, outcome });
    }
    for remark in &assessment.decision.remarks {
        let key = format!("{}/{}/{}/{}", profile.id, region.id, outlook.season.year, remark.key());
        staff_log::tell_staff(&mut tx, &key, Some(&region.id), remark.into(), &remark.to_string(), now).await?;
    }
    tx.commit().await?;
    Ok(Committed { decided, deliveries })
}

/// Whether people go without something that they should have had. A notice that another one has overtaken is no loss.
fn is_a_loss(reason: &SkipReason, data_is_sound: bool) -> bool {
    match reason {
        SkipReason::PastUse { .. } | SkipReason::SeasonOver { .. } => true,
        SkipReason::WindowOpen { .. } | SkipReason::WindowClosed { .. } => !data_is_sound,
        SkipReason::Overtaken { .. } | SkipReason::InspectNeverSent | SkipReason::DeadlineStands => false,
    }
}

/// The day from which a skipped notice was of no use. What lies before a region was added, nobody there could have been told.
fn over_since(reason: &SkipReason) -> Option<NaiveDate> {
    match reason {
        SkipReason::PastUse { until: day } | SkipReason::SeasonOver { ended: day } => Some(*day),
        SkipReason::WindowOpen { since } | SkipReason::WindowClosed { since } => Some(*since),
        SkipReason::Overtaken { .. } | SkipReason::InspectNeverSent | SkipReason::DeadlineStands => None,
    }
}

/// What a commit changed.
struct Committed {
    decided: Vec<Decided>,
    deliveries: u64,
}

/// One notice of a commit.
struct Decided {
    kind: NoticeKind,
    /// Its id.
    notice: NoticeId,
    outcome: Outcome,
}

/// Where a commit left a notice.
enum Outcome {
    Released,
    WaitsUnlessHeld,
    WaitsForStaff,
    /// With the reason, in words.
    Skipped(String),
}

impl Outcome {
    fn of(fate: &NoticeRelease) -> Self {
        match fate {
            NoticeRelease::Release => Self::Released,
            NoticeRelease::Wait { .. } => Self::WaitsUnlessHeld,
            NoticeRelease::WaitForApproval { .. } | NoticeRelease::Skip => Self::WaitsForStaff,
        }
    }
}

/// How many messages of a notice are on their way by each channel.
pub(super) async fn goes_out(app: &App, notice: &NoticeId) -> Result<Step, StoreError> {
    let by_channel = app.store.delivery_channels(notice).await?;
    let count = |channel| by_channel.get(&channel).map_or(0, |count| u32::try_from(*count).unwrap_or(u32::MAX));
    let deadline = app.store.notice(notice).await?.deadline();
    Ok(Step::GoesOut { emails: count(Channel::Email), texts: count(Channel::Sms), deadline })
}
