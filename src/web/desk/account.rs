//! One's own account: what it may do, its second factor, its password, and where it is signed in.

use axum::extract::{Form, Query};
use axum::http::StatusCode;
use axum::response::Response;
use chrono::{DateTime, Utc};
use minijinja::context;
use minijinja::value::Value;
use tokio::time::Instant;

use super::caller::Desk;
use super::invitation::{NOT_ALIKE, in_words};
use super::second_factor::recovery_codes;
use super::sign_in::{in_words as wait_in_words, waiting, with_status};
use crate::people::account::Role;
use crate::service::desk::{self, PasswordChanged, PasswordGiven, shortest};
use crate::store::accounts::sessions::StoredSession;
use crate::web::Fault;
use crate::web::forms::{self, Typed, field};

/// What may stand behind `?done=`.
const DONE: [&str; 3] = ["ended", "others", "password"];

pub(super) async fn page(desk: Desk, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let done = DONE.into_iter().find(|done| *done == field(&query, "done"));
    shown(&desk, done, None, None).await
}

/// `wrong`: the form whose code or password was not right; `wait`: how long the next password has to wait.
async fn shown(desk: &Desk, done: Option<&str>, wrong: Option<&str>, wait: Option<String>) -> Result<Response, Fault> {
    let (store, now) = (&desk.site().door().store, desk.site().door().clock.now());
    let account = desk.account();
    let sessions = store.desk_sessions(&account.name, now).await?;
    let sessions: Vec<Value> = sessions
        .iter()
        .map(|session| {
            context! {
                nth => nth_alike(session, &sessions),
                id => &session.id,
                here => session.id == desk.session.id,
                browser => &session.browser,
                network => &session.network,
                since => told(desk, session.created_at),
                seen => told(desk, session.seen_at),
            }
        })
        .collect();
    let codes = store.recovery_codes_left(&account.name).await?;
    desk.page(
        "account",
        context! {
            name => account.name.as_str(),
            role => account.role.name(),
            everywhere => account.role == Role::Administrator,
            regions => account.reach.regions.iter().map(ToString::to_string).collect::<Vec<_>>(),
            counties => account.reach.counties.iter().map(ToString::to_string).collect::<Vec<_>>(),
            has_factor => desk.stored.factor.is_some(),
            password_since => desk.stored.password_at.map(|at| told(desk, at)),
            codes,
            sessions,
            done,
            wrong,
            wait,
        },
    )
}

/// Of several sessions whose browsers call themselves alike the number of this one, in the order in which they began.
fn nth_alike(session: &StoredSession, all: &[StoredSession]) -> Option<usize> {
    let alike = || all.iter().filter(|other| other.browser == session.browser);
    let began = |of: &StoredSession| (of.created_at, of.id.clone());
    (alike().count() > 1).then(|| alike().filter(|other| began(other) <= began(session)).count())
}

/// A moment in the schedule's zone.
fn told(desk: &Desk, at: DateTime<Utc>) -> String {
    at.with_timezone(&desk.site().app().config.schedule.time_zone).format("%B %-d, %Y, %-I:%M %p %Z").to_string()
}

pub(super) async fn password_page(desk: Desk) -> Result<Response, Fault> {
    password_form(&desk, context! {})
}

fn password_form(desk: &Desk, faults: Value) -> Result<Response, Fault> {
    let usual = context! {
        who => desk.account().name.as_str(),
        least => shortest(desk.stored.factor.is_some()),
        old_fault => None::<&str>,
        new_fault => None::<&str>,
        wait => None::<&str>,
    };
    desk.page("password", context! { ..faults, ..usual })
}

pub(super) async fn password_sent(desk: Desk, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let since = Instant::now();
    let typed = |name: &str| typed.get(name).map_or("", String::as_str);
    let (old, new, again) = (typed("old"), typed("password"), typed("again"));
    let refused = |faults: Value| with_status(password_form(&desk, faults), StatusCode::UNPROCESSABLE_ENTITY);
    if new != again {
        return refused(context! { new_fault => NOT_ALIKE });
    }
    let (app, place) = (desk.site().door(), desk.caller.place());
    let credentials = desk.caller.credentials()?;
    let done = desk::change_password(app, credentials, (&desk.session, &desk.stored), (old, new), place).await?;
    forms::on_the_beat(since).await;
    match done {
        PasswordChanged::Done(begun) => Ok(desk.caller.on_with(&begun, "/desk/account?done=password")),
        PasswordChanged::Wrong => refused(context! { old_fault => "This is not your password." }),
        PasswordChanged::Over => Ok(desk.to("/desk/sign-in?ended=yes")),
        PasswordChanged::Faulty(fault) => refused(context! { new_fault => in_words(fault) }),
        PasswordChanged::Wait(wait) => waiting(password_form(&desk, context! { wait => wait_in_words(wait) }), wait),
        PasswordChanged::Busy => super::sign_in::busy(password_form(&desk, context! { wait => "a minute" })),
    }
}

/// Another phone, or the first one for who need not have one.
pub(super) async fn another_factor(desk: Desk, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let since = Instant::now();
    let (app, credentials) = (desk.site().door(), desk.caller.credentials()?);
    if desk.stored.factor.is_none() {
        let password = typed.get("password").map_or("", String::as_str);
        let signed = (&*desk.session, &*desk.stored);
        let given = desk::start_first(app, credentials, signed, password, desk.caller.place()).await?;
        forms::on_the_beat(since).await;
        return match given {
            PasswordGiven::Right => Ok(desk.to("/desk/second-factor")),
            PasswordGiven::Wrong => wrong_code(&desk, "password").await,
            PasswordGiven::Wait(wait) => waiting(shown(&desk, None, None, Some(wait_in_words(wait))).await, wait),
            PasswordGiven::Busy => super::sign_in::busy(shown(&desk, None, None, Some("a minute".into())).await),
        };
    }
    let right = desk::start_anew(app, credentials, (&desk.session, &desk.stored), field(&typed, "code")).await?;
    forms::on_the_beat(since).await;
    if right { Ok(desk.to("/desk/second-factor")) } else { wrong_code(&desk, "factor").await }
}

pub(super) async fn new_codes(desk: Desk, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let since = Instant::now();
    let (app, credentials) = (desk.site().door(), desk.caller.credentials()?);
    let codes =
        desk::new_recovery_codes(app, credentials, (&desk.session, &desk.stored), field(&typed, "code")).await?;
    forms::on_the_beat(since).await;
    match codes {
        Some(codes) => recovery_codes(&desk.caller, &codes, "/desk/account"),
        None => wrong_code(&desk, "codes").await,
    }
}

async fn wrong_code(desk: &Desk, form: &str) -> Result<Response, Fault> {
    with_status(shown(desk, None, Some(form), None).await, StatusCode::UNPROCESSABLE_ENTITY)
}

pub(super) async fn end_one(desk: Desk, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let (app, id) = (desk.site().door(), field(&typed, "session"));
    desk::end_one(app, desk.caller.credentials()?, &desk.stored, id).await?;
    Ok(desk.to("/desk/account?done=ended"))
}

pub(super) async fn end_others(desk: Desk) -> Result<Response, Fault> {
    let credentials = desk.caller.credentials()?;
    desk::end_others(desk.site().door(), credentials, (&desk.session, &desk.stored)).await?;
    Ok(desk.to("/desk/account?done=others"))
}
