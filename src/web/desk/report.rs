//! A field report, what staff say of it, and what it changes.

use std::collections::BTreeSet;
use std::time::Duration;

use axum::extract::{Form, Path, Query};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use chrono::{Datelike, NaiveDate, TimeDelta};
use minijinja::context;
use minijinja::value::Value;

use super::Upload;
use super::caller::Desk;
use super::notice::{app_of, by, fault_of, path_of, reach, undo_time};
use super::said::{Refused, done_of};
use super::sign_in::with_status;
use super::upload::taken;
use crate::delivery::quiet_hours::QuietHours;
use crate::language::Language;
use crate::region::Region;
use crate::season::learning::Untaught;
use crate::season::phrases::{capitalised, date};
use crate::season::{NoticeStatus, WindowDays, days_between};
use crate::service::app::App;
use crate::service::desk::comes_up::{CONFIRMING, ComesUp, KEEPING_DAY, in_words};
use crate::service::desk::effect::{Effect, RegionEffect, came_up, effect};
use crate::service::desk::far_off::far_off;
use crate::service::desk::nobody::{HAD_NOBODY, left_to_nobody};
use crate::service::desk::notice::{May, fate_beside, leaves_by_itself, leaves_from};
use crate::service::desk::reports::{Acted, ReportInDepth, act_at_once, report_in_depth};
use crate::service::desk::{DeskError, Hand, kind_words, local_with_year, reports};
use crate::service::field_reports::can_be_seen;
use crate::service::photographs::Photographs;
use crate::store::audit::AuditEntry;
use crate::store::field_reports::{Judgement, ReportSource, ReportStanding, StoredReport};
use crate::store::notices::NoticeState;
use crate::store::{Conflict, StoreError};
use crate::web::Fault;
use crate::web::forms::{Typed, field};

/// So long somebody waits for what follows from their word; the work goes on behind.
const PATIENCE: Duration = Duration::from_secs(3);

/// So long regions are worked out for one page.
const EFFECT_WITHIN: Duration = Duration::from_secs(5);

/// So many notices that came up are listed.
const MOST_NOTICES: usize = 12;

/// So long after the word on a report its page looks for notices that can still be stopped: over one night.
const STOPPABLE_FOR: TimeDelta = TimeDelta::days(1);

/// What may stand behind `?done=`.
const DONE: [&str; 8] = ["entered", "asks", "confirmed", "set-aside", "day", "photograph", "erased", "later"];

pub(super) async fn page(desk: Desk, Path(id): Path<String>, Query(query): Query<Typed>) -> Result<Response, Fault> {
    shown(&desk, &id, done_of(&DONE, &query), None, None).await
}

pub(super) async fn confirm(desk: Desk, Path(id): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    judged(&desk, &id, ("confirm", Judgement::Confirmed), &typed).await
}

pub(super) async fn set_aside(desk: Desk, Path(id): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    judged(&desk, &id, ("set-aside", Judgement::Refused), &typed).await
}

async fn judged(desk: &Desk, id: &str, (form, judgement): (&str, Judgement), typed: &Typed) -> Result<Response, Fault> {
    let why = field(typed, "why");
    let app = app_of(desk, Some(why))?;
    let hand = Hand { by: by(desk), reach: &reach(desk) };
    match reports::judge(&app, hand, id, judgement, why).await {
        Ok(region) => Ok(after(desk, id, &region, judgement).await),
        Err(DeskError::Reason(why)) => {
            let why = format!("Say why, in a few words without addresses: {why}.");
            refused(desk, id, Refused { form, why, typed }).await
        }
        Err(why) => Err(fault_of(why)),
    }
}

async fn after(desk: &Desk, id: &str, region: &Region, judgement: Judgement) -> Response {
    let acted = acted(desk, region).await;
    match (judgement, acted) {
        (Judgement::Confirmed, Acted::Done) => desk.to(&format!("/desk/report/{id}/effect?done=confirmed")),
        (Judgement::Refused, Acted::Done) => desk.to(&format!("/desk/report/{id}?done=set-aside")),
        (_, Acted::UnderWay | Acted::NextCycle) => desk.to(&format!("/desk/report/{id}?done=later")),
    }
}

/// What follows from a changed report: at once in its region, and behind that on the public pages.
pub(super) async fn acted(desk: &Desk, region: &Region) -> Acted {
    let app = desk.site().app();
    let done = act_at_once(app, region, undo_time(app), PATIENCE).await;
    let site = desk.site().clone();
    tokio::spawn(async move {
        if let Err(why) = site.views().renewed().await {
            why.log();
        }
    });
    done
}

pub(super) async fn mend_day(desk: Desk, Path(id): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let app = app_of(&desk, None)?;
    let wrong = |why: String| Refused { form: "day", why, typed: &typed };
    let Ok(day) = field(&typed, "day").parse::<NaiveDate>() else {
        return refused(&desk, &id, wrong("Give the day of the look, such as 2026-03-14.".to_owned())).await;
    };
    let stored = app.store.field_report(&id).await?;
    let sound = can_be_seen(day, desk.region()?, app.clock.now())
        .and_then(|()| crate::service::field_reports::before(stored.nothing_on, day));
    if let Err(why) = sound {
        return refused(&desk, &id, wrong(capitalised(&why.to_string()) + ".")).await;
    }
    if let Some(asks) = asks_day(&app, &stored, desk.region()?, day).await?
        && field(&typed, "announced") != asks.announced
    {
        return shown(&desk, &id, None, None, Some(asks)).await;
    }
    let hand = Hand { by: by(&desk), reach: &reach(&desk) };
    let region = reports::mend_day(&app, hand, &id, day).await.map_err(fault_of)?;
    acted(&desk, &region).await;
    Ok(desk.to(&format!("/desk/report/{id}?done=day")))
}

/// A day that sends something: nobody is written to before who keeps it has read to how many.
struct AsksDay {
    day: NaiveDate,
    /// What it sends.
    words: String,
    /// By which the form says that this was read.
    announced: String,
}

/// `None` where nobody is written to because of that day.
async fn asks_day(app: &App, stored: &StoredReport, region: &Region, day: NaiveDate) -> Result<Option<AsksDay>, Fault> {
    if stored.standing != ReportStanding::Confirmed {
        return Ok(None);
    }
    // What comes up is told of a report that does not count yet.
    let mended = StoredReport { observed_on: day, day_known: true, standing: ReportStanding::New, ..stored.clone() };
    let Some(comes_up) = would_send(app, &mended).await? else {
        let words = "Whether keeping this day sends a notice could not be worked out in time.".to_owned();
        return Ok(Some(AsksDay { day, words, announced: format!("{day} unknown") }));
    };
    if !comes_up.iter().any(ComesUp::sends_unasked) {
        return Ok(None);
    }
    let reach: Vec<String> = comes_up.iter().map(|one| format!("{} {}", one.kind.name(), one.recipients())).collect();
    let announced = format!("{day} {}", reach.join(", "));
    Ok(Some(AsksDay { day, words: in_words(&comes_up, region, KEEPING_DAY), announced }))
}

pub(super) async fn photograph(desk: Desk, Path(id): Path<String>) -> Result<Response, Fault> {
    let app = desk.site().app();
    let (Some(photograph), Some(photographs)) = (app.store.photograph_of(&id).await?, Photographs::of(&app.config))
    else {
        return Err(Fault::NotFound);
    };
    let read = photographs.read(&photograph.file).await;
    let bytes = read.map_err(|why| Fault::Inside(format!("the photograph of report {id} cannot be read: {why}")))?;
    let bytes = bytes.ok_or(Fault::NotFound)?;
    // Kept nowhere on the way, since the answer says nothing else of it.
    Ok(([(header::CONTENT_TYPE, "image/jpeg")], bytes).into_response())
}

pub(super) async fn put_photograph(desk: Desk, Path(id): Path<String>, upload: Upload) -> Result<Response, Fault> {
    let Upload { typed, photograph, .. } = upload;
    let wrong = |why: String| Refused { form: "photograph", why, typed: &typed };
    let Some(sent) = photograph else {
        return refused(&desk, &id, wrong("Choose a photograph.".to_owned())).await;
    };
    let new = match taken(&desk, sent).await {
        Ok(new) => new,
        Err((_, why)) => return refused(&desk, &id, wrong(why)).await,
    };
    let app = app_of(&desk, None)?;
    let hand = Hand { by: by(&desk), reach: &reach(&desk) };
    reports::put_photograph(&app, hand, &id, &new).await.map_err(fault_of)?;
    Ok(desk.to(&format!("/desk/report/{id}?done=photograph")))
}

pub(super) async fn drop_photograph(desk: Desk, Path(id): Path<String>) -> Result<Response, Fault> {
    let app = app_of(&desk, None)?;
    let hand = Hand { by: by(&desk), reach: &reach(&desk) };
    reports::drop_photograph(&app, hand, &id).await.map_err(fault_of)?;
    Ok(desk.to(&format!("/desk/report/{id}?done=erased")))
}

async fn refused(desk: &Desk, id: &str, refused: Refused<'_>) -> Result<Response, Fault> {
    with_status(shown(desk, id, None, Some(refused), None).await, StatusCode::UNPROCESSABLE_ENTITY)
}

/// Where a report stands, in a sentence.
pub(super) fn stands(report: &StoredReport) -> String {
    let by = report.change.by_words();
    let why = report.change.why.as_deref().map_or_else(String::new, |why| format!(": {why}"));
    match report.standing {
        ReportStanding::New => "It waits for a word of staff: until then it counts nowhere.".to_owned(),
        ReportStanding::Confirmed if report.moves_nothing() => {
            format!("Confirmed by {by}{why}. {}", moves_nothing(report.infested))
        }
        ReportStanding::Confirmed if !report.day_known => {
            format!("Confirmed by {by}{why}. It was told without the day of the look, and counts once it has one.")
        }
        ReportStanding::Confirmed => format!("Confirmed by {by}{why}. It counts."),
        ReportStanding::Refused => format!("Set aside by {by}{why}. It counts nowhere."),
    }
}

/// Why a look in vain moves no date.
fn moves_nothing(infested: Option<bool>) -> &'static str {
    match infested {
        Some(_) => "It moves no date: nothing was there yet, and the tree does not have the insect.",
        None => "It moves no date: nothing was there yet, and it is not known whether the tree has the insect.",
    }
}

/// In one word, as a tag.
pub(super) fn standing_word(report: &StoredReport) -> &'static str {
    match report.standing {
        ReportStanding::New => "waits",
        ReportStanding::Confirmed if report.moves_nothing() => "moves no date",
        ReportStanding::Confirmed if !report.day_known => "no day",
        ReportStanding::Confirmed => "counts",
        ReportStanding::Refused => "set aside",
    }
}

/// Who told it; of owners no name is kept.
pub(super) fn told_by(report: &StoredReport) -> &str {
    match (report.source, &report.person) {
        (ReportSource::Staff, Some(who)) => who,
        (ReportSource::Staff, None) => "staff",
        (ReportSource::Subscriber, _) => "an owner",
    }
}

/// `March 14, 2026`.
pub(super) fn long(day: NaiveDate) -> String {
    format!("{}, {}", date(Language::En, day), day.year())
}

async fn shown(
    desk: &Desk,
    id: &str,
    done: Option<&str>,
    refused: Option<Refused<'_>>,
    asks_day: Option<AsksDay>,
) -> Result<Response, Fault> {
    let app = desk.site().app();
    let ReportInDepth { report, region, saw, photograph, changes } =
        report_in_depth(app, id).await.map_err(fault_of)?;
    let zone = region.time_zone;
    let today = app.clock.now().with_timezone(&zone).date_naive();
    let typed = |name: &str| refused.as_ref().map_or("", |refused| field(refused.typed, name)).to_owned();
    let mine = desk.may_act_on(&region);
    let came_up = match done {
        Some("later") => notices_since(desk, &report, &region, Since::All).await?,
        // A report without a day begins to count with it.
        Some("day") if report.counts() => notices_since(desk, &report, &region, Since::All).await?,
        _ if report.counts() && app.clock.now() - report.change.at < STOPPABLE_FOR => {
            notices_since(desk, &report, &region, Since::StillToLeave).await?
        }
        _ => Vec::new(),
    };
    let asks = mine && report.standing != ReportStanding::Confirmed;
    let (sends, remark) = match asks {
        true => {
            let remark = far_off(app, &report, &region, photograph.is_some()).await.map_err(fault_of)?;
            (Some(would_send_words(app, &report, &region).await?), remark)
        }
        false => (None, None),
    };
    desk.page(
        "report",
        context! {
            id,
            saw => capitalised(&saw),
            region => &region.name,
            region_id => region.id.as_str(),
            looked_on => report.day_known.then(|| long(report.observed_on)),
            told_on => long(report.created_at.with_timezone(&zone).date_naive()),
            nothing_on => report.nothing_on.map(long),
            zip => report.zip.as_ref().map(ToString::to_string),
            tree => &report.tree,
            owner_tree => &report.owner_tree,
            told_by => told_by(&report),
            note => &report.note,
            infested => report.infested,
            standing => standing_word(&report),
            stands => stands(&report),
            is_new => report.standing == ReportStanding::New,
            is_confirmed => report.standing == ReportStanding::Confirmed,
            is_aside => report.standing == ReportStanding::Refused,
            mine,
            sends,
            remark,
            photograph => photograph.map(|of| context! { width => of.width, height => of.height }),
            takes_photographs => Photographs::of(&app.config).is_some(),
            changes => changes.iter().map(|entry| context! {
                detail => in_prose(&entry.detail, &region), ..change(entry, zone)
            }).collect::<Vec<_>>(),
            today => today.to_string(),
            asks_day => asks_day.as_ref().map(|asks| &asks.words),
            announced => asks_day.as_ref().map(|asks| &asks.announced),
            day => match (&asks_day, typed("day")) {
                (Some(asks), _) => asks.day.to_string(),
                (None, typed) if !typed.is_empty() => typed,
                (None, _) => report.observed_on.to_string(),
            },
            done,
            came_up,
            wrong => refused.as_ref().map(|refused| refused.form),
            wrong_why => refused.as_ref().map(|refused| refused.why.as_str()),
            typed_why => typed("why"),
        },
    )
}

/// What confirming a report sends, worked out while somebody waits for a page; `None`: not in time.
pub(super) async fn would_send(app: &App, report: &StoredReport) -> Result<Option<Vec<ComesUp>>, Fault> {
    let (work, of, runtime) = (app.clone(), report.clone(), tokio::runtime::Handle::current());
    let worked = tokio::task::spawn_blocking(move || runtime.block_on(effect(&work, &of, Duration::ZERO)));
    let Ok(worked) = tokio::time::timeout(PATIENCE, worked).await else { return Ok(None) };
    match worked.map_err(|why| Fault::Inside(format!("what a report sends was cut off: {why}")))? {
        Ok(found) => Ok(Some(found.comes_up)),
        // Where no dates can be worked out, nothing is decided either.
        Err(DeskError::NoDates { .. }) => Ok(Some(Vec::new())),
        Err(why) => Err(fault_of(why)),
    }
}

async fn would_send_words(app: &App, report: &StoredReport, region: &Region) -> Result<String, Fault> {
    Ok(match would_send(app, report).await? {
        Some(comes_up) => in_words(&comes_up, region, CONFIRMING),
        None => "Whether confirming it sends a notice could not be worked out in time: “What it would change” says it."
            .to_owned(),
    })
}

/// What the audit says of a report, with its days and its region as pages name them.
fn in_prose(detail: &str, region: &Region) -> String {
    let named = detail.replacen(&format!(" in {}, ", region.id), &format!(" in {}, ", region.name), 1);
    let word = |word: &str| {
        let bare = word.trim_end_matches([',', ';', ':', '.']);
        let mark = word.strip_prefix(bare).unwrap_or_default();
        bare.parse::<NaiveDate>().map_or_else(|_| word.to_owned(), |day| format!("{}{mark}", long(day)))
    };
    named.split(' ').map(word).collect::<Vec<_>>().join(" ")
}

/// A row of the audit, for who reads a page.
pub(super) fn change(entry: &AuditEntry, zone: chrono_tz::Tz) -> Value {
    context! {
        what => capitalised(&entry.act.replace('-', " ")),
        at => local_with_year(entry.at, zone),
        who => entry.account.as_deref().unwrap_or(&entry.actor),
        detail => &entry.detail,
        why => &entry.why,
    }
}

pub(super) async fn effect_page(
    desk: Desk,
    Path(id): Path<String>,
    Query(query): Query<Typed>,
) -> Result<Response, Fault> {
    let app = desk.site().app();
    let report = match app.store.field_report(&id).await {
        Err(StoreError::Conflict(Conflict::UnknownReport { .. })) => return Err(Fault::NotFound),
        report => report?,
    };
    let region = app.store.region(&report.region).await?;
    let profile = app.profiles.get(&region.profile);
    let (work, runtime) = (app.clone(), tokio::runtime::Handle::current());
    let of = report.clone();
    // Whole seasons are worked out: nobody's answer should stand behind that on one of the server's threads.
    let worked = tokio::task::spawn_blocking(move || runtime.block_on(effect(&work, &of, EFFECT_WITHIN)));
    let worked = worked.await.map_err(|why| Fault::Inside(format!("what a report changes was cut off: {why}")))?;
    let (found, fault) = match worked {
        Ok(found) => (Some(found), None),
        Err(why @ DeskError::NoDates { .. }) => (None, Some(capitalised(&why.to_string()) + ".")),
        Err(why) => return Err(fault_of(why)),
    };
    let mine = desk.may_act_on(&region);
    let has_photograph = app.store.photograph_of(&id).await?.is_some();
    let done = ["entered", "confirmed"].into_iter().find(|done| *done == field(&query, "done"));
    let is_confirmed = report.standing == ReportStanding::Confirmed;
    let remark = match mine && !is_confirmed {
        true => far_off(app, &report, &region, has_photograph).await.map_err(fault_of)?,
        false => None,
    };
    let came_up = match done {
        Some(_) => notices_since(&desk, &report, &region, Since::All).await?,
        None => Vec::new(),
    };
    desk.page(
        "report_effect",
        context! {
            id,
            saw => capitalised(&crate::service::field_reports::seen_words(profile.as_deref(), &report)),
            region => &region.name,
            looked_on => long(report.observed_on),
            is_confirmed,
            is_new => report.standing == ReportStanding::New,
            is_aside => report.standing == ReportStanding::Refused,
            mine,
            // Refused, the form is shown on the report's own page.
            wrong => (), wrong_why => (), typed_why => "",
            idle => report.moves_nothing().then(|| moves_nothing(report.infested)),
            done,
            came_up,
            fault,
            remark,
            // Where no dates can be worked out, nothing is decided either.
            sends => (!is_confirmed).then(|| {
                in_words(found.as_ref().map_or(&[][..], |found| &found.comes_up[..]), &region, CONFIRMING)
            }),
            found => found.as_ref().map(|found| told(found, &region)),
        },
    )
}

/// Which of the notices that came up are shown.
#[derive(Clone, Copy, PartialEq)]
enum Since {
    All,
    /// Those that can still be stopped.
    StillToLeave,
}

/// What came up since the word on a report, in its region and in others.
async fn notices_since(desk: &Desk, report: &StoredReport, region: &Region, which: Since) -> Result<Vec<Value>, Fault> {
    let app = desk.site().app();
    let mut lines = Vec::new();
    let mut found = came_up(app, report, region).await.map_err(fault_of)?;
    if which == Since::StillToLeave {
        found.retain(|notice| notice.state == NoticeState::Waiting && leaves_by_itself(notice).is_some());
    }
    let to_nobody = if found.is_empty() { BTreeSet::new() } else { left_to_nobody(app).await? };
    for notice in found.iter().take(MOST_NOTICES) {
        let of = app.store.region(&notice.season.region).await?;
        let leaves = leaves_from(notice, QuietHours::from(&app.config.delivery), of.time_zone, app.clock.now());
        let may = May::of(notice, app.clock.now());
        let mine = desk.may_act_on(&of);
        let went_to: u64 = match notice.status() {
            NoticeStatus::Released if notice.recall.is_none() => {
                app.store.delivery_words(&notice.id).await?.values().sum()
            }
            NoticeStatus::Waiting if leaves.is_some() => app.store.count_recipients(&of.id).await?.values().sum(),
            _ => 0,
        };
        let had_nobody = if to_nobody.contains(&notice.id) { HAD_NOBODY } else { "" };
        lines.push(context! {
            path => path_of(&notice.id),
            kind => kind_words(notice.kind),
            region => &of.name,
            stands => capitalised(&fate_beside(notice, leaves, of.time_zone, report)) + had_nobody,
            went_to,
            may_stop => mine && may.hold && leaves.is_some(),
            // Who joins may still get one that had nobody to go to: its own page says so.
            may_recall => mine && may.recall && had_nobody.is_empty(),
        });
    }
    Ok(lines)
}

fn told(found: &Effect, own: &Region) -> Value {
    let moved = |row: &&RegionEffect| row.moved_days.is_some_and(|days| days != 0) || row.without != row.with;
    let others: Vec<&RegionEffect> = found.regions.iter().filter(|row| row.region.id != own.id).collect();
    let (changed, same): (Vec<_>, Vec<_>) = others.iter().copied().partition(moved);
    context! {
        season => found.season,
        own => found.regions.iter().find(|row| row.region.id == own.id).map(row_of),
        changed => changed.into_iter().map(row_of).collect::<Vec<_>>(),
        same => same.len(),
        left => found.of_regions.saturating_sub(found.regions.len() + found.failed),
        failed => found.failed,
        // What is only missing yet is told apart.
        untaught => found.untaught.filter(|why| *why != Untaught::HeatUnknown).map(Untaught::words),
        awaits_heat => found.untaught == Some(Untaught::HeatUnknown),
        is_guessed => found.is_guessed,
    }
}

fn row_of(row: &RegionEffect) -> Value {
    let days = |of: &Option<WindowDays>| {
        of.map(|days| context! { look_from => date(Language::En, days.look_from), deadline => date(Language::En, days.deadline) })
    };
    let moves = |of: &dyn Fn(&WindowDays) -> NaiveDate| {
        let (without, with) = (row.without.as_ref()?, row.with.as_ref()?);
        match days_between(of(without), of(with)) {
            0 => None,
            days if days < 0 => Some(format!("{} earlier", counted(-days))),
            days => Some(format!("{} later", counted(days))),
        }
    };
    context! {
        id => row.region.id.as_str(),
        name => &row.region.name,
        without => days(&row.without),
        with => days(&row.with),
        look_moves => moves(&|days| days.look_from),
        deadline_moves => moves(&|days| days.deadline),
    }
}

fn counted(days: i64) -> String {
    if days == 1 { "1 day".to_owned() } else { format!("{days} days") }
}
