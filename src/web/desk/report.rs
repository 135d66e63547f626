//! A field report, and what staff say of it.

use std::time::Duration;

use axum::extract::{Form, Path, Query};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use chrono::{NaiveDate, TimeDelta};
use minijinja::context;
use minijinja::value::Value;

use super::Upload;
use super::caller::Desk;
use super::came_of::{Since, notices_since, rested_on_it, resting_elsewhere};
use super::elsewhere::{Beside, may_act_elsewhere};
use super::next_report;
use super::notice::{app_of, by, fault_of, reach, undo_time};
use super::said::{Refused, done_of};
use super::sign_in::with_status;
use super::upload::taken;
use crate::region::Region;
use crate::season::phrases::capitalised;
use crate::service::app::App;
use crate::service::desk::comes_up::{CONFIRMING, ComesUp, KEEPING_DAY, in_words};
use crate::service::desk::effect::{Effect, effect};
use crate::service::desk::far_off::far_off;
use crate::service::desk::reports::{Acted, ReportInDepth, act_at_once, report_in_depth};
use crate::service::desk::{DeskError, Hand, local_with_year, reports};
use crate::service::field_reports::{self, can_be_seen};
use crate::service::photographs::Photographs;
use crate::store::audit::AuditEntry;
use crate::store::field_reports::{Judgement, ReportSource, ReportStanding, StoredReport};
use crate::web::Fault;
use crate::web::forms::{Typed, field};

/// So long somebody waits for what follows from their word; the work goes on behind.
const PATIENCE: Duration = Duration::from_secs(3);

/// So long other regions are worked out beside the button that confirms a report; its own page of them has more time.
const ELSEWHERE_WITHIN: Duration = Duration::from_millis(1500);

/// So long after the word on a report its page looks for notices that can still be stopped: over one night.
const STOPPABLE_FOR: TimeDelta = TimeDelta::days(1);

/// What may stand behind `?done=`.
const DONE: [&str; 9] =
    ["entered", "asks", "confirmed", "set-aside", "day", "same-day", "photograph", "erased", "later"];

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
    let sound =
        can_be_seen(day, desk.region()?, app.clock.now()).and_then(|()| field_reports::before(stored.nothing_on, day));
    if let Err(why) = sound {
        return refused(&desk, &id, wrong(capitalised(&why.in_prose()) + ".")).await;
    }
    if stored.day_known && stored.observed_on == day {
        return Ok(desk.to(&format!("/desk/report/{id}?done=same-day")));
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

/// A day that sends something, or that moves the report into another season: who keeps it has read that before.
struct AsksDay {
    day: NaiveDate,
    /// What it does.
    words: String,
    /// Whether people are written to because of it, or may be.
    sends: bool,
    may_elsewhere: bool,
    /// By which the form says that this was read.
    announced: String,
}

/// `None` where nobody is written to because of that day, and the report stays in its season.
async fn asks_day(app: &App, stored: &StoredReport, region: &Region, day: NaiveDate) -> Result<Option<AsksDay>, Fault> {
    if stored.standing != ReportStanding::Confirmed {
        return Ok(None);
    }
    // What comes up is told of a report that does not count yet.
    let mended = StoredReport { observed_on: day, day_known: true, standing: ReportStanding::New, ..stored.clone() };
    let (sends, reach, may_elsewhere) = match worked_out(app, &mended, Duration::ZERO).await? {
        Worked::NotInTime => {
            let words = "Whether keeping this day sends a notice could not be worked out in time.".to_owned();
            (Some(words), vec!["unknown".to_owned()], true)
        }
        Worked::Found(found) if found.comes_up.iter().any(ComesUp::sends_unasked) => {
            let reach = |one: &ComesUp| format!("{} {}", one.kind.name(), one.recipients());
            let words = in_words(&found.comes_up, region, KEEPING_DAY);
            (Some(words), found.comes_up.iter().map(reach).collect(), may_act_elsewhere(&found))
        }
        Worked::Found(found) => (None, Vec::new(), may_act_elsewhere(&found)),
        Worked::NoDates => (None, Vec::new(), false),
    };
    let season = other_season(app, stored, region, day);
    if sends.is_none() && season.is_none() {
        return Ok(None);
    }
    let read = season.iter().map(|(year, _)| format!("season {year}"));
    let announced = format!("{day} {}", reach.into_iter().chain(read).collect::<Vec<_>>().join(", "));
    let is_sent = sends.is_some();
    let words: Vec<String> = season.into_iter().map(|(_, words)| words).chain(sends).collect();
    Ok(Some(AsksDay { day, words: words.join(" "), sends: is_sent, may_elsewhere, announced }))
}

/// The season into which a day moves a report, and that in a sentence; `None`: it stays in its own.
fn other_season(app: &App, stored: &StoredReport, region: &Region, day: NaiveDate) -> Option<(i32, String)> {
    let profile = app.profiles.get(&region.profile)?;
    let (was, is) = (profile.season_of(stored.observed_on), profile.season_of(day));
    let counts = if stored.day_known { "will no longer count" } else { "will not count" };
    let words = format!("{} is a day of season {is}: the report {counts} for season {was}.", long(day));
    (was != is).then_some((is, words))
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
    let why = report.change.why.as_deref();
    // A change of what it says is kept as another word of the same standing.
    let said = |standing: &str| match (why, reports::is_of_day(&report.change)) {
        (Some(what), true) => format!("{standing}. Changed since, by {by}: {}", with_long_days(what)),
        (Some(why), false) => format!("{standing} by {by}: {why}"),
        (None, _) => format!("{standing} by {by}"),
    };
    match report.standing {
        ReportStanding::New => "It waits for a word of staff: until then it counts nowhere.".to_owned(),
        ReportStanding::Confirmed if report.moves_nothing() => {
            format!("{}. {}", said("Confirmed"), moves_nothing(report.infested))
        }
        ReportStanding::Confirmed if !report.day_known => {
            format!("{}. It was told without the day of the look, and counts once it has one.", said("Confirmed"))
        }
        ReportStanding::Confirmed => format!("{}. It counts.", said("Confirmed")),
        ReportStanding::Refused => format!("{}. It counts nowhere.", said("Set aside")),
    }
}

/// Why a look in vain moves no date.
pub(super) fn moves_nothing(infested: Option<bool>) -> &'static str {
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
    field_reports::long(day)
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
    let mut came_up = match done {
        Some("later") => notices_since(desk, &report, &region, Since::All).await?,
        // A report without a day begins to count with it.
        Some("day") if report.counts() => notices_since(desk, &report, &region, Since::All).await?,
        _ if report.counts() && app.clock.now() - report.change.at < STOPPABLE_FOR => {
            notices_since(desk, &report, &region, Since::StillToLeave).await?
        }
        _ => notices_since(desk, &report, &region, Since::Left).await?,
    };
    came_up.extend(resting_elsewhere(desk, &report, &region, None).await?);
    came_up.extend(rested_on_it(desk, &report, &region).await?);
    let asks = mine && report.standing != ReportStanding::Confirmed;
    let told = match asks {
        true => Some(beside_button(app, &report, &region).await?),
        false => None,
    };
    let (sends, beside) = told.unzip();
    let remark = match mine && (asks || asks_day.is_some() || done == Some("day")) {
        true => far_off(app, &on_day(&report, asks_day.as_ref()), &region, photograph.is_some()).await,
        false => Ok(None),
    };
    let remark = remark.map_err(fault_of)?;
    let next = next_report::after(desk, done).await?;
    let had_counted = done == Some("set-aside")
        && report.day_known
        && !report.moves_nothing()
        && app.store.field_report_history(id).await?.was_ever_confirmed();
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
            elsewhere => beside.as_ref().and_then(Beside::words),
            may_elsewhere => beside == Some(Beside::NotWorkedOut) && !report.moves_nothing(),
            remark,
            photograph => photograph.map(|of| context! { width => of.width, height => of.height }),
            takes_photographs => Photographs::of(&app.config).is_some(),
            changes => changes.iter().map(|entry| context! {
                detail => in_prose(&entry.detail, &region), ..change(entry, zone)
            }).collect::<Vec<_>>(),
            today => today.to_string(),
            asks_day => asks_day.as_ref().map(|asks| context! {
                words => &asks.words, sends => asks.sends, may_elsewhere => asks.may_elsewhere
            }),
            announced => asks_day.as_ref().map(|asks| &asks.announced),
            day => match (&asks_day, typed("day")) {
                (Some(asks), _) => asks.day.to_string(),
                (None, typed) if !typed.is_empty() => typed,
                (None, _) => report.observed_on.to_string(),
            },
            done,
            had_counted,
            next,
            came_up,
            wrong => refused.as_ref().map(|refused| refused.form),
            wrong_why => refused.as_ref().map(|refused| refused.why.as_str()),
            typed_why => typed("why"),
        },
    )
}

/// The report as it would be by the day that somebody is asked to keep.
fn on_day(report: &StoredReport, asks: Option<&AsksDay>) -> StoredReport {
    let (observed_on, day_known) = asks.map_or((report.observed_on, report.day_known), |asks| (asks.day, true));
    StoredReport { observed_on, day_known, ..report.clone() }
}

/// What a report changes, as far as it was worked out while somebody waited for a page.
enum Worked {
    Found(Effect),
    /// No dates can be worked out: then nothing is decided either.
    NoDates,
    NotInTime,
}

/// `within`: so long other regions are worked out.
async fn worked_out(app: &App, report: &StoredReport, within: Duration) -> Result<Worked, Fault> {
    let (work, of, runtime) = (app.clone(), report.clone(), tokio::runtime::Handle::current());
    let worked = tokio::task::spawn_blocking(move || runtime.block_on(effect(&work, &of, within)));
    let Ok(worked) = tokio::time::timeout(PATIENCE, worked).await else { return Ok(Worked::NotInTime) };
    match worked.map_err(|why| Fault::Inside(format!("what a report sends was cut off: {why}")))? {
        Ok(found) => Ok(Worked::Found(found)),
        Err(DeskError::NoDates { .. }) => Ok(Worked::NoDates),
        Err(why) => Err(fault_of(why)),
    }
}

/// What confirming a report sends in its own region; `None`: that could not be worked out in time.
pub(super) async fn would_send(app: &App, report: &StoredReport) -> Result<Option<Vec<ComesUp>>, Fault> {
    Ok(match worked_out(app, report, Duration::ZERO).await? {
        Worked::Found(found) => Some(found.comes_up),
        Worked::NoDates => Some(Vec::new()),
        Worked::NotInTime => None,
    })
}

/// What stands beside the button that confirms a report: what it sends in its own region, and what it does in the others.
async fn beside_button(app: &App, report: &StoredReport, region: &Region) -> Result<(String, Beside), Fault> {
    let worked = worked_out(app, report, ELSEWHERE_WITHIN).await?;
    let sends = match &worked {
        Worked::Found(found) => in_words(&found.comes_up, region, CONFIRMING),
        Worked::NoDates => in_words(&[], region, CONFIRMING),
        Worked::NotInTime => {
            "Whether confirming it sends a notice could not be worked out in time: “What it would change” says it."
                .to_owned()
        }
    };
    let found = match &worked {
        Worked::Found(found) => Some(found),
        Worked::NoDates | Worked::NotInTime => None,
    };
    Ok((sends, Beside::of(found, region, report.observed_on)))
}

/// What the audit says of a report, with its days and its region as pages name them.
fn in_prose(detail: &str, region: &Region) -> String {
    with_long_days(&detail.replacen(&format!(" in {}, ", region.id), &format!(" in {}, ", region.name), 1))
}

/// Words with their days as people write them.
fn with_long_days(words: &str) -> String {
    let word = |word: &str| {
        let bare = word.trim_end_matches([',', ';', ':', '.']);
        let mark = word.strip_prefix(bare).unwrap_or_default();
        bare.parse::<NaiveDate>().map_or_else(|_| word.to_owned(), |day| format!("{}{mark}", long(day)))
    };
    words.split(' ').map(word).collect::<Vec<_>>().join(" ")
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
