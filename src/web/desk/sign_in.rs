//! By name and password; and out again.

use axum::extract::{Form, Query};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::Response;
use chrono::TimeDelta;
use minijinja::context;
use tokio::time::Instant;

use super::caller::{Caller, redirect};
use super::{cookies, return_path};
use crate::service::desk::{self, SignIn};
use crate::store::accounts::sessions::Stage;
use crate::web::Fault;
use crate::web::forms::{self, Typed, field};

pub(super) async fn page(caller: Caller, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let next = field(&query, "next");
    if caller.signed.as_ref().is_some_and(|(session, _)| session.stage == Stage::Whole) {
        return Ok(redirect(&caller.visit.site, return_path::or_home(next)));
    }
    let note = ["ended", "out", "over", "invited"].into_iter().find(|note| !field(&query, note).is_empty());
    caller.page("sign_in", context! { name => "", next, note, wrong => false, wait => None::<String> })
}

pub(super) async fn sent(caller: Caller, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let since = Instant::now();
    let app = caller.visit.site.door();
    let (name, next) = (field(&typed, "name"), field(&typed, "next"));
    let password = typed.get("password").map_or("", String::as_str);
    let done =
        desk::by_password(app, caller.credentials()?, (name, password), caller.place(), caller.session_id()).await?;
    // Whether there is such an account must not show in the time, either.
    forms::on_the_beat(since).await;
    let again = |wrong: bool, wait: Option<String>| {
        caller.page("sign_in", context! { name, next, note => None::<&str>, wrong, wait })
    };
    match done {
        SignIn::NoFactor => Ok(redirect(&caller.visit.site, "/desk/sign-in?invited=yes")),
        SignIn::Begun(begun) => Ok(caller.on_with(&begun, &after_password(begun.stage, next))),
        SignIn::Refused => with_status(again(true, None), StatusCode::UNPROCESSABLE_ENTITY),
        SignIn::Wait(wait) => waiting(again(false, Some(in_words(wait))), wait),
        SignIn::Busy => busy(again(false, Some("a minute".into()))),
    }
}

/// Where to once the password was right.
pub(super) fn after_password(stage: Stage, next: &str) -> String {
    match stage {
        Stage::Code => return_path::after("/desk/code", next),
        Stage::SetUp => return_path::after("/desk/second-factor", next),
        Stage::Whole => return_path::or_home(next).to_owned(),
    }
}

pub(super) async fn out(caller: Caller) -> Result<Response, Fault> {
    let started = caller.started()?;
    desk::sign_out(caller.visit.site.door(), caller.credentials()?, started).await?;
    let mut response = redirect(&caller.visit.site, "/desk/sign-in?out=yes");
    cookies::add(&mut response, &cookies::no_session());
    Ok(response)
}

pub(super) fn with_status(response: Result<Response, Fault>, status: StatusCode) -> Result<Response, Fault> {
    let mut response = response?;
    *response.status_mut() = status;
    Ok(response)
}

/// Says also to programs how long to wait.
pub(super) fn waiting(response: Result<Response, Fault>, wait: TimeDelta) -> Result<Response, Fault> {
    let mut response = with_status(response, StatusCode::TOO_MANY_REQUESTS)?;
    response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(whole_seconds(wait)));
    Ok(response)
}

pub(super) fn busy(response: Result<Response, Fault>) -> Result<Response, Fault> {
    let mut response = with_status(response, StatusCode::SERVICE_UNAVAILABLE)?;
    response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("60"));
    Ok(response)
}

fn whole_seconds(wait: TimeDelta) -> i64 {
    (wait.num_milliseconds() + 999) / 1000
}

/// `30 seconds`, `2 minutes`, `5 hours`: rounded up.
pub(super) fn in_words(wait: TimeDelta) -> String {
    let seconds = whole_seconds(wait).max(1);
    let (number, unit) = match seconds {
        ..=90 => (seconds, "second"),
        91..=5400 => ((seconds + 59) / 60, "minute"),
        _ => ((seconds + 3599) / 3600, "hour"),
    };
    format!("{number} {unit}{}", if number == 1 { "" } else { "s" })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wait_is_told_rounded_up() {
        for (ms, words) in [
            (1, "1 second"),
            (29_001, "30 seconds"),
            (90_000, "90 seconds"),
            (91_000, "2 minutes"),
            (900_000, "15 minutes"),
            (86_399_000, "24 hours"),
            (5_401_000, "2 hours"),
        ] {
            assert_eq!(in_words(TimeDelta::milliseconds(ms)), words);
        }
    }
}
