//! Practice: the clock that staff move, what happened while it moved, and the messages that went. Only there in practice.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use axum::extract::{Form, Path, Query};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::Response;
use chrono::{DateTime, Utc};
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::notice::{by, fault_of, path_of, reach};
use super::sign_in::with_status;
use crate::delivery::quiet_hours::QuietHours;
use crate::language::Language;
use crate::people::Channel;
use crate::people::account::Deed;
use crate::season::phrases;
use crate::service::desk::left::left_by_itself;
use crate::service::desk::nobody::{HAD_NOBODY, left_to_nobody};
use crate::service::desk::notice::{fate, leaves_from};
use crate::service::desk::today::{Waiting, waiting};
use crate::service::desk::{Hand, channel_words, kind_words, local};
use crate::service::practice::{Lived, Practice, PracticeFault, Standing, Step, Went};
use crate::store::notices::NoticeState;
use crate::web::Fault;
use crate::web::forms::{Typed, field};

/// Whoever moves the clock waits so long for the answer; a longer move is shown as under way.
const PATIENCE: Duration = Duration::from_secs(8);

/// While a new season is made the page is looked at again after so many seconds.
const LOOK_AGAIN: &str = "2";

/// While the clock moves the page asks for the one that comes when it stands. Until that is there the old one stays as it is, with
/// whatever somebody has opened on it.
const WAIT_FOR: &str = "/desk/practice?wait=yes";

/// So long that answer may take; then the page says that the clock moves on. The guard of all pages gives it a little longer.
const LONGEST_WAIT: Duration = Duration::from_secs(45);

/// Groups of messages that are listed.
const MOST_GROUPS: usize = 200;

/// Notices that are listed of one move.
const MOST_NOTICES: usize = 30;

/// A text is listed by its beginning, characters.
const SHOWN: usize = 90;

pub(super) async fn page(desk: Desk, Query(query): Query<Typed>) -> Result<Response, Fault> {
    if field(&query, "wait") == "yes" {
        practice(&desk)?.settled(LONGEST_WAIT).await;
    }
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
    let happened = match &lived {
        Some(lived) => Some(shown_lived(desk, lived, &names).await?),
        None => None,
    };
    let mut response = desk.page(
        "practice",
        context! {
            day => now.with_timezone(&zone).format("%A, %B %-d, %Y").to_string(),
            at => local(now, zone),
            season => practice.season(),
            last_day => practice.last_day().format("%B %-d").to_string(),
            may_act => desk.account().may(Deed::Act),
            over => now.with_timezone(&zone).date_naive() >= practice.last_day(),
            doing,
            begun => begun && doing.is_none() && lived.is_none(),
            wrong,
            lived => happened,
            notices_wait => waits.notices,
            reports_wait => waits.reports,
        },
    )?;
    let again = match doing {
        Some("moving") => Some(format!("1; url={}", desk.site().path(Language::En, WAIT_FOR))),
        Some(_) => Some(LOOK_AGAIN.to_owned()),
        None => None,
    };
    if let Some(again) = again {
        let again = HeaderValue::from_str(&again)
            .map_err(|why| Fault::Inside(format!("the page of the practice has no address: {why}")))?;
        response.headers_mut().insert(header::REFRESH, again);
    }
    Ok(response)
}

async fn shown_lived(desk: &Desk, lived: &Lived, names: &BTreeMap<&str, &str>) -> Result<Value, Fault> {
    let app = desk.site().app();
    let (zone, quiet) = (app.config.schedule.time_zone, QuietHours::from(&app.config.delivery));
    let (mut left, mut sent, mut decided) = (Vec::new(), Vec::new(), Vec::new());
    let mut leave_later = 0_usize;
    let to_nobody = match lived.released.is_empty() {
        true => BTreeSet::new(),
        false => left_to_nobody(app).await?,
    };
    let gone = lived.released.iter().take(MOST_NOTICES);
    let rest = lived.decided.iter().filter(|id| !lived.released.contains(id)).take(MOST_NOTICES);
    for id in gone.chain(rest) {
        // One that another program has taken away is told no more.
        let Ok(notice) = app.store.notice(id).await else { continue };
        let into = match notice.state {
            NoticeState::Released { .. } if left_by_itself(&notice).is_some() => &mut left,
            NoticeState::Released { .. } => &mut sent,
            _ => &mut decided,
        };
        let waits = matches!(notice.state, NoticeState::Waiting);
        let leaves = leaves_from(&notice, quiet, zone, app.clock.now());
        leave_later += usize::from(waits && leaves.is_some());
        let region = notice.season.region.as_str();
        // Quiet hours are those of where people live.
        let its_own = app.store.region(&notice.season.region).await.map_or(zone, |region| region.time_zone);
        let had_nobody = if to_nobody.contains(id) { HAD_NOBODY } else { "" };
        into.push(context! {
            path => path_of(id),
            kind => kind_words(notice.kind),
            region => names.get(region).copied().unwrap_or(region),
            stands => phrases::capitalised(&fate(&notice, quiet, its_own, app.clock.now())) + had_nobody,
        });
    }
    Ok(context! {
        from => local(lived.from, zone),
        to => local(lived.to, zone),
        cycles => lived.cycles,
        left, sent, decided, leave_later,
        messages => lived.messages,
        reports => lived.reports,
        faults => &lived.faults,
        season_over => lived.season_over,
    })
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
