//! Practice: the clock that staff move, what happened while it moved, and the messages that went. Only there in practice.

use std::collections::BTreeMap;
use std::time::Duration;

use axum::extract::{Form, Path, Query};
use axum::http::{HeaderName, HeaderValue, StatusCode};
use axum::response::Response;
use chrono::{DateTime, Utc};
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::notice::{by, fault_of, path_of, reach};
use super::sign_in::with_status;
use crate::people::Channel;
use crate::season::{NoticeId, phrases};
use crate::service::desk::today::{Waiting, waiting};
use crate::service::desk::{Hand, channel_words, kind_words, local};
use crate::service::practice::{Lived, Practice, PracticeFault, Standing, Step, Went, kind_of};
use crate::web::Fault;
use crate::web::forms::{Typed, field};

/// Whoever moves the clock waits so long for the answer; a longer move is shown as under way.
const PATIENCE: Duration = Duration::from_secs(8);

/// While something is under way the page is looked at again after so many seconds.
const LOOK_AGAIN_S: &str = "2";

/// Groups of messages that are listed.
const MOST_GROUPS: usize = 200;

/// Notices that are listed of one move.
const MOST_NOTICES: usize = 30;

/// A text is listed by its beginning, characters.
const SHOWN: usize = 90;

pub(super) async fn page(desk: Desk, Query(query): Query<Typed>) -> Result<Response, Fault> {
    shown(&desk, field(&query, "done") == "begun", None).await
}

pub(super) async fn step(desk: Desk, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let Some(step) = Step::parse(field(&typed, "step")) else {
        return Err(Fault::BadRequest("a move of the clock names no step that there is"));
    };
    match practice(&desk)?.step(step, PATIENCE).await {
        Ok(()) => Ok(desk.to("/desk/practice")),
        Err(why) => refused(&desk, why).await,
    }
}

pub(super) async fn begin_again(desk: Desk) -> Result<Response, Fault> {
    match practice(&desk)?.begin_again().await {
        Ok(()) => Ok(desk.to("/desk/practice?done=begun")),
        Err(why) => refused(&desk, why).await,
    }
}

async fn refused(desk: &Desk, why: PracticeFault) -> Result<Response, Fault> {
    let why = phrases::capitalised(&why.to_string()) + ".";
    with_status(shown(desk, false, Some(why)).await, StatusCode::CONFLICT)
}

/// A site without practice has none of these routes.
fn practice(desk: &Desk) -> Result<&dyn Practice, Fault> {
    desk.site().practice().map(|practice| &**practice).ok_or(Fault::NotFound)
}

async fn shown(desk: &Desk, begun: bool, wrong: Option<String>) -> Result<Response, Fault> {
    let practice = practice(desk)?;
    let (doing, lived) = match practice.standing() {
        Standing::Still(lived) => (None, lived),
        Standing::Moving(_) => (Some("moving"), None),
        Standing::Making => (Some("making"), None),
    };
    let zone = desk.site().app().config.schedule.time_zone;
    let now = practice.now();
    let regions = desk.site().app().store.all_regions().await?;
    let names: BTreeMap<&str, &str> = regions.iter().map(|region| (region.id.as_str(), region.name.as_str())).collect();
    let waits = match doing {
        None => waiting(desk.site().app(), Hand { by: by(desk), reach: &reach(desk) }).await.map_err(fault_of)?,
        Some(_) => Waiting::default(),
    };
    let mut response = desk.page(
        "practice",
        context! {
            day => now.with_timezone(&zone).format("%A, %B %-d, %Y").to_string(),
            at => local(now, zone),
            season => practice.season(),
            last_day => practice.last_day().format("%B %-d").to_string(),
            over => now.with_timezone(&zone).date_naive() >= practice.last_day(),
            doing,
            begun => begun && doing.is_none() && lived.is_none(),
            wrong,
            lived => lived.as_ref().map(|lived| shown_lived(desk, lived, &names)),
            notices_wait => waits.notices,
            reports_wait => waits.reports,
        },
    )?;
    if doing.is_some() {
        response.headers_mut().insert(HeaderName::from_static("refresh"), HeaderValue::from_static(LOOK_AGAIN_S));
    }
    Ok(response)
}

fn shown_lived(desk: &Desk, lived: &Lived, names: &BTreeMap<&str, &str>) -> Value {
    let zone = desk.site().app().config.schedule.time_zone;
    let notices =
        |ids: &[NoticeId]| ids.iter().take(MOST_NOTICES).map(|id| shown_notice(id, names)).collect::<Vec<_>>();
    context! {
        from => local(lived.from, zone),
        to => local(lived.to, zone),
        cycles => lived.cycles,
        decided => notices(&lived.decided),
        released => notices(&lived.released),
        messages => lived.messages,
        reports => lived.reports,
        faults => &lived.faults,
        season_over => lived.season_over,
    }
}

/// `pinyon-needle-scale/dos-vientos/2025/wash-now`: its kind and its region.
fn shown_notice(id: &NoticeId, names: &BTreeMap<&str, &str>) -> Value {
    let region = id.as_str().split('/').nth(1).unwrap_or_default();
    context! {
        path => path_of(id),
        kind => kind_of(id).map_or_else(|| id.to_string(), kind_words),
        region => names.get(region).copied().unwrap_or(region),
    }
}

pub(super) async fn messages(desk: Desk) -> Result<Response, Fault> {
    let went = practice(&desk)?.messages(MOST_GROUPS).await.map_err(unreadable)?;
    let is_all = went.len() < MOST_GROUPS;
    desk.page(
        "practice_messages",
        context! { groups => went.iter().map(|went| shown_group(&desk, went)).collect::<Vec<_>>(), is_all },
    )
}

fn shown_group(desk: &Desk, went: &Went) -> Value {
    let zone = desk.site().app().config.schedule.time_zone;
    let at = |at: DateTime<Utc>| local(at, zone);
    let says = went.says.split_whitespace().collect::<Vec<_>>().join(" ");
    let short: String = says.chars().take(SHOWN).collect();
    context! {
        file => &went.file,
        says => if short.len() < says.len() { format!("{}…", short.trim_end()) } else { says },
        channel => channel_words(went.channel),
        is_text => went.channel == Channel::Sms,
        count => went.count,
        first => at(went.first_at),
        last => (went.last_at > went.first_at).then(|| at(went.last_at)),
    }
}

pub(super) async fn message(desk: Desk, Path(file): Path<String>) -> Result<Response, Fault> {
    let found = practice(&desk)?.message(&file).await.map_err(unreadable)?.ok_or(Fault::NotFound)?;
    desk.page(
        "practice_message",
        context! {
            channel => phrases::capitalised(channel_words(found.channel)),
            to => found.to,
            subject => found.subject,
            text => found.text,
            attached => found.attached,
        },
    )
}

fn unreadable(why: std::io::Error) -> Fault {
    Fault::Inside(format!("the messages of the practice cannot be read: {why}"))
}
