//! The code of the second factor.

use axum::extract::{Form, Query};
use axum::http::StatusCode;
use axum::response::Response;
use minijinja::context;
use tokio::time::Instant;

use super::caller::{Caller, redirect};
use super::sign_in::{in_words, waiting, with_status};
use super::{cookies, return_path};
use crate::service::desk::{self, CodeGiven};
use crate::web::Fault;
use crate::web::forms::{self, Typed, field};

pub(super) async fn page(caller: Caller, Query(query): Query<Typed>) -> Result<Response, Fault> {
    shown(&caller, field(&query, "next"), false, None)
}

fn shown(caller: &Caller, next: &str, wrong: bool, wait: Option<String>) -> Result<Response, Fault> {
    let (_, account) = caller.started()?;
    // Who practises needs no authenticator app.
    let practice_code = caller.visit.site.practice().and_then(|practice| practice.code(account));
    caller.page("code", context! { who => account.account.name.as_str(), next, wrong, wait, practice_code })
}

pub(super) async fn sent(caller: Caller, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let since = Instant::now();
    let next = field(&typed, "next");
    let app = caller.visit.site.door();
    let code = field(&typed, "code");
    let done = desk::by_code(app, caller.credentials()?, caller.started()?, code, caller.place()).await?;
    forms::on_the_beat(since).await;
    match done {
        CodeGiven::Right(begun) => Ok(caller.on_with(&begun, return_path::or_home(next))),
        CodeGiven::Wrong => with_status(shown(&caller, next, true, None), StatusCode::UNPROCESSABLE_ENTITY),
        CodeGiven::Wait(wait) => waiting(shown(&caller, next, false, Some(in_words(wait))), wait),
        CodeGiven::Over => Ok(over(&caller)),
    }
}

/// Back to the beginning.
pub(super) fn over(caller: &Caller) -> Response {
    let mut response = redirect(&caller.visit.site, "/desk/sign-in?over=yes");
    cookies::add(&mut response, &cookies::no_session());
    response
}
