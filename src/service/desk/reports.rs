//! Field reports at the desk: which wait for a word, what each says, and what staff do with it.

use std::collections::BTreeMap;
use std::time::Duration;

use chrono::{NaiveDate, TimeDelta};
use tokio::runtime::Handle;
use tracing::warn;

use super::{DeskError, Hand};
use crate::people::csv::kept_reason;
use crate::region::{Region, RegionId};
use crate::service::app::App;
use crate::service::cycle;
use crate::service::field_reports::seen_words;
use crate::service::photographs::Photographs;
use crate::store::audit::AuditEntry;
use crate::store::field_reports::{
    Entered, Judgement, NewFieldReport, NewPhotograph, Photograph, ReportMend, ReportStanding, StandingChange,
    StoredReport,
};
use crate::text::Chain;

/// So many changes of a report are shown, the newest.
const CHANGES_SHOWN: u32 = 50;

/// One report in one line.
#[derive(Clone, Debug, PartialEq)]
pub struct ReportLine {
    pub report: StoredReport,
    pub region_name: String,
    /// What was seen, in words.
    pub saw: String,
    /// Whether it waits for a word of whoever looks.
    pub waits_for_me: bool,
}

/// The reports of a calendar year, those that wait for a word first, the newest looks first.
///
/// # Errors
/// When the store fails.
pub async fn reports(
    app: &App,
    hand: Hand<'_>,
    regions: &[Region],
    region: Option<&RegionId>,
    (from, to): (NaiveDate, NaiveDate),
) -> Result<Vec<ReportLine>, DeskError> {
    let by_id: BTreeMap<&RegionId, &Region> = regions.iter().map(|region| (&region.id, region)).collect();
    let mut lines: Vec<ReportLine> = app
        .store
        .field_reports(region, from, to)
        .await?
        .into_iter()
        .map(|report| {
            let region = by_id.get(&report.region).copied();
            let profile = region.and_then(|region| app.profiles.get(&region.profile));
            let is_new = report.standing == ReportStanding::New;
            ReportLine {
                saw: seen_words(profile.as_deref(), &report),
                region_name: region.map_or_else(|| report.region.to_string(), |region| region.name.clone()),
                waits_for_me: is_new && region.is_some_and(|region| (hand.reach)(region)),
                report,
            }
        })
        .collect();
    lines.sort_by(|a, b| {
        let order = |line: &ReportLine| (!line.waits_for_me, line.report.standing != ReportStanding::New);
        let newest_first = b.report.observed_on.cmp(&a.report.observed_on);
        order(a).cmp(&order(b)).then(newest_first).then_with(|| a.report.id.cmp(&b.report.id))
    });
    Ok(lines)
}

/// A report with all that is known of it.
#[derive(Clone, Debug, PartialEq)]
pub struct ReportInDepth {
    pub report: StoredReport,
    pub region: Region,
    pub saw: String,
    pub photograph: Option<Photograph>,
    /// What staff did with it, the newest first.
    pub changes: Vec<AuditEntry>,
}

/// # Errors
/// [`Conflict::UnknownReport`](crate::store::Conflict::UnknownReport).
pub async fn report_in_depth(app: &App, id: &str) -> Result<ReportInDepth, DeskError> {
    let report = app.store.field_report(id).await?;
    let region = app.store.region(&report.region).await?;
    let profile = app.profiles.get(&region.profile);
    Ok(ReportInDepth {
        saw: seen_words(profile.as_deref(), &report),
        photograph: app.store.photograph_of(id).await?,
        changes: app.store.audit_of(&format!("report/{id}"), CHANGES_SHOWN).await?,
        report,
        region,
    })
}

/// Keeps a report with its photograph; gives its id. Whoever has it count at once must be one who may confirm it.
///
/// # Errors
/// [`DeskError::NotYours`]; then the photograph is taken away again, as when the store fails.
pub async fn enter(
    app: &App,
    hand: Hand<'_>,
    new: &NewFieldReport,
    photograph: Option<&NewPhotograph>,
) -> Result<String, DeskError> {
    let done = enter_in_store(app, hand, new, photograph).await;
    let needless = match &done {
        Ok((_, replaced)) => replaced.as_deref(),
        Err(_) => photograph.map(|photograph| photograph.file.as_str()),
    };
    remove_file(app, needless).await;
    done.map(|(id, _)| id)
}

async fn enter_in_store(
    app: &App,
    hand: Hand<'_>,
    new: &NewFieldReport,
    photograph: Option<&NewPhotograph>,
) -> Result<(String, Option<String>), DeskError> {
    let region = app.store.region(&new.region).await?;
    if new.confirmed && !(hand.reach)(&region) {
        return Err(DeskError::NotYours { region: region.name });
    }
    let entered = Entered { report: new, by_account: Some(hand.by), photograph };
    Ok(app.store.enter_field_report(&entered, app.clock.now()).await?)
}

/// Staff stand behind a report, or set it aside and say why. Gives its region, in which it acts.
///
/// # Errors
/// [`DeskError::NotYours`], [`DeskError::Reason`].
pub async fn judge(app: &App, hand: Hand<'_>, id: &str, judgement: Judgement, why: &str) -> Result<Region, DeskError> {
    let region = region_of_hand(app, hand, id).await?;
    let why = match (judgement, why.trim()) {
        (Judgement::Confirmed, "") => None,
        (Judgement::Refused, "") => return Err(DeskError::Reason("nothing was given".to_owned())),
        (_, why) => Some(kept_reason(why).map_err(DeskError::Reason)?),
    };
    let now = app.clock.now();
    app.store.judge_field_reports(&[id.to_owned()], judgement, Some(hand.by), why.as_deref(), now).await?;
    Ok(region)
}

/// The day of the look, where it was not told or told wrong. Gives the region.
///
/// # Errors
/// [`DeskError::NotYours`].
pub async fn mend_day(app: &App, hand: Hand<'_>, id: &str, day: NaiveDate) -> Result<Region, DeskError> {
    let region = region_of_hand(app, hand, id).await?;
    let mend = ReportMend { observed_on: Some(day), ..ReportMend::default() };
    let why = format!("looked on {day}");
    app.store.mend_field_report(id, &mend, Some(hand.by), &why, app.clock.now()).await?;
    Ok(region)
}

/// Whether a report's newest change gave it another day, as [`mend_day`] and the command note it.
pub fn is_of_day(change: &StandingChange) -> bool {
    change.given_day().is_some()
}

/// Puts a photograph to a report, in the place of the one that it had.
///
/// # Errors
/// [`DeskError::NotYours`]; then the photograph is taken away again, as when the store fails.
pub async fn put_photograph(app: &App, hand: Hand<'_>, id: &str, photograph: &NewPhotograph) -> Result<(), DeskError> {
    let done = match region_of_hand(app, hand, id).await {
        Ok(_) => app.store.put_photograph(id, photograph, app.clock.now()).await.map_err(DeskError::from),
        Err(why) => Err(why),
    };
    let needless = match &done {
        Ok(replaced) => replaced.as_deref(),
        Err(_) => Some(photograph.file.as_str()),
    };
    remove_file(app, needless).await;
    done.map(|_| ())
}

/// Erases the photograph of a report.
///
/// # Errors
/// [`DeskError::NotYours`].
pub async fn drop_photograph(app: &App, hand: Hand<'_>, id: &str) -> Result<(), DeskError> {
    region_of_hand(app, hand, id).await?;
    let file = app.store.drop_photograph(id).await?;
    remove_file(app, file.as_deref()).await;
    Ok(())
}

async fn remove_file(app: &App, file: Option<&str>) {
    if let (Some(file), Some(photographs)) = (file, Photographs::of(&app.config)) {
        photographs.remove(file).await;
    }
}

async fn region_of_hand(app: &App, hand: Hand<'_>, id: &str) -> Result<Region, DeskError> {
    let report = app.store.field_report(id).await?;
    let region = app.store.region(&report.region).await?;
    if (hand.reach)(&region) { Ok(region) } else { Err(DeskError::NotYours { region: region.name }) }
}

/// How far the work is that follows from a changed report.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Acted {
    /// The region's dates are worked out anew, and what follows is decided.
    Done,
    /// It is under way.
    UnderWay,
    /// It failed, or the region is retired; the next cycle does what there is.
    NextCycle,
}

/// A changed report acts at once on its region. Nobody waits longer than `patience`; the work goes on behind. `undo`: how long a
/// notice that leaves because of it can still be held or called off.
pub async fn act_at_once(app: &App, region: &Region, undo: TimeDelta, patience: Duration) -> Acted {
    // Of a region that is retired nothing is worked out; its reports teach others by the next cycle.
    if region.retired {
        return Acted::NextCycle;
    }
    let (app, region, runtime) = (app.clone(), region.clone(), Handle::current());
    // Whole seasons are worked out: nobody's answer should stand behind that on one of the server's threads.
    let work = tokio::task::spawn_blocking(move || {
        let done = runtime.block_on(cycle::of_region(&app, &region, undo));
        if let Err(why) = &done {
            let why = Chain(why);
            warn!(region.id = %region.id, "what a field report changes in `{}` waits for the next cycle: {why}", region.id);
        }
        done.is_ok()
    });
    match tokio::time::timeout(patience, work).await {
        Ok(Ok(true)) => Acted::Done,
        Ok(_) => Acted::NextCycle,
        Err(_) => Acted::UnderWay,
    }
}
