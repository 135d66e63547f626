//! A notice, and what staff do with it.

use axum::extract::{Form, Path, Query};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};
use minijinja::context;
use minijinja::value::Value;
use sha2::{Digest, Sha256};

use super::caller::Desk;
use super::reading::shown_reading;
use super::said::alone_words;
use super::sign_in::with_status;
use crate::delivery::pace::Estimate;
use crate::links::{notice_of_part, notice_part};
use crate::message::templates::chart_of;
use crate::people::account::Deed;
use crate::people::{Channel, Language};
use crate::region::Region;
use crate::season::{NoticeId, NoticeStatus};
use crate::service::app::App;
use crate::service::desk::notice::{NoticeInDepth, messages, notice_in_depth, standing_shown};
use crate::service::desk::rests_on::RestsOn;
use crate::service::desk::{DeskError, Hand, acts, channel_words, kind_words, local, wording};
use crate::store::{Conflict, StoreError};
use crate::timetable::place;
use crate::units::grouped_feet;
use crate::web::Fault;
use crate::web::forms::{Typed, field};

/// What may stand behind `?done=`.
const DONE: [&str; 9] =
    ["sent", "held", "called-off", "recalled", "undone", "reworded", "reworded-en", "reworded-es", "words-restored"];

/// The field in which somebody says that they send a notice though its days have moved.
const MOVED: &str = "moved";

/// What was asked for and cannot be had.
struct Refused<'a> {
    /// The form: `send`, `hold`, `call-off`, `recall` or `undo`; `hold-end` is that of a hold whose end is at fault, `hold-day` of
    /// one that ends on the wrong day, [`MOVED`] of a word to send what goes by days that hold no more.
    form: &'a str,
    why: String,
    typed: &'a Typed,
}

pub(super) async fn page(desk: Desk, Path(path): Path<String>, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let done = DONE.into_iter().find(|done| *done == field(&query, "done"));
    shown(&desk, &id_of(&path), done, None).await
}

/// The chart as the e-mail of a language shows it.
pub(super) async fn chart(desk: Desk, Path(path): Path<String>, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let language = Language::parse(field(&query, "language")).ok_or(Fault::NotFound)?;
    let written = desk.site().app().store.notice_text(&id_of(&path), Channel::Email, language).await?;
    let chart = written.as_ref().and_then(chart_of).ok_or(Fault::NotFound)?;
    Ok(([(header::CONTENT_TYPE, "image/png")], chart.png).into_response())
}

pub(super) async fn send(desk: Desk, Path(path): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let (app, id) = (app_of(&desk, None)?, id_of(&path));
    let undo = undo_time(&app);
    let seen = notice_in_depth(&app, &id, undo).await.map_err(fault_of)?;
    if field(&typed, "seen") != fingerprint(&seen) {
        let why = "It has changed since you looked at it: read it once more, then send it.".to_owned();
        return refused(&desk, &id, Refused { form: "send", why, typed: &typed }).await;
    }
    if asks_twice(&seen) && field(&typed, MOVED) != "yes" {
        let words = seen.old_words.as_deref().unwrap_or_default();
        let why = format!("{words} If you send it all the same, say so below.");
        return refused(&desk, &id, Refused { form: MOVED, why, typed: &typed }).await;
    }
    let sent = acts::send(&app, Hand { by: by(&desk), reach: &reach(&desk) }, &id, undo).await.map(|_| ());
    after(&desk, &id, ("send", "sent"), &typed, sent).await
}

pub(super) async fn hold(desk: Desk, Path(path): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let why = field(&typed, "why");
    let (app, id) = (app_of(&desk, Some(why))?, id_of(&path));
    let until = match until(&typed, desk.region()?) {
        Ok(until) => until,
        Err(why) => return refused(&desk, &id, Refused { form: "hold-end", why: why.to_owned(), typed: &typed }).await,
    };
    let held = acts::hold(&app, Hand { by: by(&desk), reach: &reach(&desk) }, &id, until, Some(why)).await;
    after(&desk, &id, ("hold", "held"), &typed, held).await
}

pub(super) async fn call_off(
    desk: Desk,
    Path(path): Path<String>,
    Form(typed): Form<Typed>,
) -> Result<Response, Fault> {
    let why = field(&typed, "why");
    let (app, id) = (app_of(&desk, Some(why))?, id_of(&path));
    let done = acts::call_off(&app, Hand { by: by(&desk), reach: &reach(&desk) }, &id, Some(why)).await;
    after(&desk, &id, ("call-off", "called-off"), &typed, done).await
}

pub(super) async fn recall(desk: Desk, Path(path): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let why = field(&typed, "why");
    let (app, id) = (app_of(&desk, Some(why))?, id_of(&path));
    let done = acts::recall(&app, Hand { by: by(&desk), reach: &reach(&desk) }, &id, Some(why)).await.map(|_| ());
    after(&desk, &id, ("recall", "recalled"), &typed, done).await
}

pub(super) async fn undo(desk: Desk, Path(path): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let (app, id) = (app_of(&desk, None)?, id_of(&path));
    let done = acts::undo(&app, Hand { by: by(&desk), reach: &reach(&desk) }, &id, undo_time(&app)).await;
    after(&desk, &id, ("undo", "undone"), &typed, done).await
}

pub(super) async fn restore_words(
    desk: Desk,
    Path(path): Path<String>,
    Form(typed): Form<Typed>,
) -> Result<Response, Fault> {
    let (app, id) = (app_of(&desk, None)?, id_of(&path));
    let done = wording::words_of_templates(&app, Hand { by: by(&desk), reach: &reach(&desk) }, &id).await;
    after(&desk, &id, ("restore-words", "words-restored"), &typed, done).await
}

/// The path of a notice's page below `/desk/notice/`.
pub(super) fn path_of(id: &NoticeId) -> String {
    notice_part(id.as_str())
}

/// The notice that a part of a path names.
pub(super) fn id_of(path: &str) -> NoticeId {
    NoticeId(notice_of_part(path))
}

/// The app with the store as this account uses it.
pub(super) fn app_of(desk: &Desk, why: Option<&str>) -> Result<App, Fault> {
    Ok(App { store: desk.store(why)?, ..desk.site().app().clone() })
}

pub(super) fn by(desk: &Desk) -> &str {
    desk.account().name.as_str()
}

/// The gate has found that they may act on the region; asked again where it is done.
pub(super) fn reach(desk: &Desk) -> impl Fn(&Region) -> bool + Sync + '_ {
    |region| desk.may_act_on(region)
}

pub(super) fn undo_time(app: &App) -> TimeDelta {
    TimeDelta::minutes(i64::from(app.config.desk.undo_min))
}

/// What cannot be told on a page of the notice itself.
pub(super) fn fault_of(why: DeskError) -> Fault {
    match why {
        DeskError::Store(StoreError::Conflict(
            Conflict::UnknownNotice { .. } | Conflict::UnknownRegion { .. } | Conflict::UnknownReport { .. },
        )) => Fault::NotFound,
        DeskError::Store(why) => Fault::Store(why),
        DeskError::NotYours { .. } => Fault::Forbidden,
        other => Fault::Inside(other.to_string()),
    }
}

async fn after(
    desk: &Desk,
    id: &NoticeId,
    (form, done): (&str, &str),
    typed: &Typed,
    came: Result<(), DeskError>,
) -> Result<Response, Fault> {
    match came {
        Ok(()) => Ok(desk.to(&format!("/desk/notice/{}?done={done}", path_of(id)))),
        Err(why) => match why {
            DeskError::Store(StoreError::Conflict(Conflict::UnknownNotice { .. })) => Err(Fault::NotFound),
            DeskError::Store(StoreError::Conflict(why)) => {
                refused(desk, id, Refused { form, why: stood_against(&why, desk)?, typed }).await
            }
            DeskError::Store(_) | DeskError::NotYours { .. } => Err(fault_of(why)),
            other => {
                let of_day = matches!(other, DeskError::HoldInThePast { .. } | DeskError::HoldTooLong { .. });
                let form = if of_day { "hold-day" } else { form };
                let why = crate::season::phrases::capitalised(&other.to_string()) + ".";
                refused(desk, id, Refused { form, why, typed }).await
            }
        },
    }
}

/// What stood in the way, for who looks at the page of the notice.
fn stood_against(why: &Conflict, desk: &Desk) -> Result<String, Fault> {
    Ok(match why {
        Conflict::NoticeLeft { .. } => {
            "It has left and cannot be taken back. A recall stops what has not gone out.".to_owned()
        }
        Conflict::NothingToUndo { .. } => "There is nothing to take back any more.".to_owned(),
        Conflict::NoticeExpired { expired_at, .. } => {
            let at = local(*expired_at, desk.region()?.time_zone);
            format!("It is of use until {at}, and nothing can leave before that.")
        }
        Conflict::NoticeOvertaken { by, .. } => {
            format!("“{}” has gone out in this region, and after it this one is of no use.", kind_words(*by))
        }
        Conflict::NoticeStatus { status: "released", .. } => {
            "Somebody was faster: it has left. Look at where it stands, and decide again.".to_owned()
        }
        Conflict::NoticeStatus { status, .. } => {
            let status = if *status == "cancelled" { "called off" } else { *status };
            format!("Somebody was faster: it is {status} now. Look at where it stands, and decide again.")
        }
        other => crate::season::phrases::capitalised(&other.to_string()) + ".",
    })
}

async fn refused(desk: &Desk, id: &NoticeId, refused: Refused<'_>) -> Result<Response, Fault> {
    with_status(shown(desk, id, None, Some(refused)).await, StatusCode::UNPROCESSABLE_ENTITY)
}

/// Until when a hold is to last; `None`: until somebody says more.
fn until(typed: &Typed, region: &Region) -> Result<Option<DateTime<Utc>>, &'static str> {
    if field(typed, "end") != "at" {
        // Whoever typed a day means the hold to end on it.
        return match field(typed, "day").trim() {
            "" => Ok(None),
            _ => Err(
                "A day is typed, but “somebody sends it or calls it off” is chosen. Choose “this day and time”, or empty the day.",
            ),
        };
    }
    let day = field(typed, "day").parse::<NaiveDate>();
    let day = day.map_err(|_| "Give the day on which the hold ends, such as 2026-03-14.")?;
    let time = NaiveTime::parse_from_str(field(typed, "time"), "%H:%M");
    let time = time.map_err(|_| "Give the time at which the hold ends, such as 09:00.")?;
    Ok(Some(place(day.and_time(time), region.time_zone)))
}

/// Whether it would tell people days that hold no more: whoever sends it says that they mean to.
fn asks_twice(seen: &NoticeInDepth) -> bool {
    seen.days_moved && seen.may.send
}

/// Of all that somebody looks at before they send it.
fn fingerprint(seen: &NoticeInDepth) -> String {
    let reads: Vec<_> = seen.reads.iter().map(|reading| (reading.language, &reading.message)).collect();
    let moved = seen.old_words.as_ref().filter(|_| seen.days_moved);
    let whole = format!("{:?}{:?}{:?}{:?}", seen.notice.reason, seen.notice.expires_at, reads, moved);
    hex::encode(&Sha256::digest(whole)[..8])
}

async fn shown(
    desk: &Desk,
    id: &NoticeId,
    done: Option<&str>,
    refused: Option<Refused<'_>>,
) -> Result<Response, Fault> {
    let app = desk.site().app();
    let seen = notice_in_depth(app, id, undo_time(app)).await.map_err(fault_of)?;
    let NoticeInDepth { notice, region, may, .. } = &seen;
    let zone = region.time_zone;
    let typed = |name: &str| refused.as_ref().map_or("", |refused| field(refused.typed, name)).to_owned();
    let whom: Vec<Value> = seen
        .whom
        .iter()
        .map(|((channel, language), count)| {
            context! { channel => channel_words(*channel), language => language.english_name(), count }
        })
        .collect();
    let why_report = linked_report(app, &seen).await?;
    desk.page(
        "notice",
        context! {
            path_of_notice => path_of(&notice.id),
            id => notice.id.as_str(),
            kind => kind_words(notice.kind),
            region => &region.name,
            region_id => region.id.as_str(),
            county => &region.county,
            feet => grouped_feet(region.elevation_m),
            year => notice.season.year,
            zone => zone.name(),
            standing => notice.standing_word(),
            tag => tag(&seen),
            all_out => seen.all_out,
            stands => &seen.stands,
            old_words => &seen.old_words,
            asks_twice => asks_twice(&seen),
            rests_on => seen.rests_on.as_ref().map(shown_rests_on),
            overtook => &seen.overtook,
            beside => &seen.beside,
            why => &seen.why.sentence,
            why_report,
            waits => &seen.why.waits,
            numbers => seen.why.numbers.iter().map(|(name, value)| context! { name => *name, value }).collect::<Vec<_>>(),
            decided_on => notice.decided_on.format("%B %-d").to_string(),
            to_nobody => seen.to_nobody(),
            nobody => seen.nobody(),
            had_nobody => seen.signed_up_since.is_some(),
            whom,
            recipients => seen.recipients(),
            reads => seen.reads.iter().map(shown_reading).collect::<Vec<_>>(),
            from => seen.goes.from.map(|at| local(at, zone)),
            if_sent_now => seen.goes.if_sent_now.map(|at| local(at, zone)),
            useless_from => seen.useless_from().map(|at| local(at, zone)),
            sent_by => sent_by(&seen),
            progress => seen.progress.iter().map(|(state, count)| context! { state => state.shown(), count }).collect::<Vec<_>>(),
            gone => seen.gone(),
            own_words => notice.own_words.as_ref().map(|own| context! { by => &own.by, at => local(own.at, zone) }),
            mine => desk.may_act_on(region),
            acts => desk.account().may(Deed::Act),
            send => may.send, hold => may.hold, call_off => may.call_off, reword => may.reword, undo => may.undo, recall => may.recall,
            held => notice.status() == NoticeStatus::Held,
            undo_min => app.config.desk.undo_min,
            seen => fingerprint(&seen),
            done,
            changed_alone => done.and_then(|done| done.strip_prefix("reworded-")).and_then(Language::parse).map(alone_words),
            wrong => refused.as_ref().map(|refused| refused.form),
            wrong_why => refused.as_ref().map(|refused| refused.why.as_str()),
            typed_why => typed("why"),
            typed_end => typed("end"),
            typed_day => typed("day"),
            typed_time => Some(typed("time")).filter(|text| !text.is_empty()).unwrap_or_else(|| "09:00".to_owned()),
        },
    )
}

/// The sentence that says why around the report that it names; `None`: it names none, or one that is there no more.
async fn linked_report(app: &App, seen: &NoticeInDepth) -> Result<Option<Value>, Fault> {
    let Some(id) = &seen.why.report else { return Ok(None) };
    let found = app.store.field_report(id).await;
    if let Err(StoreError::Conflict(Conflict::UnknownReport { .. })) = found {
        return Ok(None);
    }
    found?;
    let around = seen.why.sentence.split_once(id.as_str());
    Ok(around.map(|(before, after)| context! { id => id.as_str(), before, after }))
}

/// What has become of the report that a notice rests on.
pub(super) fn shown_rests_on(of: &RestsOn) -> Value {
    context! { report => &of.report, words => &of.words }
}

/// It is sent when nothing of it waits any more, and being sent from its first message on; until then, and with nobody to go to, it
/// has left.
fn tag(seen: &NoticeInDepth) -> &'static str {
    match seen.notice.standing_word() {
        "released" if seen.signed_up_since.is_some() => "left",
        "released" if seen.all_out => "sent",
        "released" if seen.is_to_come || seen.gone() == 0 => "left",
        "released" => "being sent",
        _ => standing_shown(&seen.notice),
    }
}

/// When all have it, a line for each channel.
fn sent_by(seen: &NoticeInDepth) -> Vec<String> {
    let line = |(channel, estimate): (Channel, &Estimate)| {
        let name = crate::season::phrases::capitalised(channel_words(channel));
        format!("{name}s: {}", estimated(estimate, seen.region.time_zone))
    };
    seen.all_sent_by().map(line).collect()
}

fn estimated(estimate: &Estimate, zone: chrono_tz::Tz) -> String {
    let late = match estimate.too_late {
        0 => String::new(),
        n => format!("; {} would come too late at this pace", messages(n)),
    };
    match estimate.all_sent_by {
        Some(at) => format!("all sent by {} at the earliest{late}", local(at, zone)),
        None => format!("none can be sent{late}"),
    }
}
