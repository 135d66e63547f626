//! A second factor is set up: the picture, the secret as text, the first code, and the recovery codes, shown once.

use axum::extract::{Form, Query};
use axum::http::StatusCode;
use axum::response::Response;
use minijinja::context;
use minijinja::value::Value;

use super::caller::{Caller, keep};
use super::code::over;
use super::pictures::qr_code;
use super::return_path;
use super::sign_in::with_status;
use crate::language::Language;
use crate::service::desk::{self, FactorSet, form_token, pending_secret, setup_uri};
use crate::web::Fault;
use crate::web::forms::{Typed, field};

pub(super) async fn page(caller: Caller, Query(query): Query<Typed>) -> Result<Response, Fault> {
    shown(&caller, field(&query, "next"), false)
}

fn shown(caller: &Caller, next: &str, wrong: bool) -> Result<Response, Fault> {
    let (session, account) = caller.started()?;
    // A session of before the role wanted a second factor has none begun.
    let Some((secret, spelled)) = pending_secret(caller.credentials()?, (session, account)) else {
        return Ok(over(caller));
    };
    let name = &account.account.name;
    let uri = setup_uri(&secret, name, &caller.visit.site.app().config.messages.sender_name);
    let picture = Value::from_safe_string(qr_code(&uri).unwrap_or_default());
    caller.page("second_factor", context! { who => name.as_str(), picture, uri, spelled, next, wrong })
}

pub(super) async fn sent(caller: Caller, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let next = field(&typed, "next");
    let app = caller.visit.site.door();
    let code = field(&typed, "code");
    let done = desk::set_factor(app, caller.credentials()?, caller.started()?, code, caller.place()).await?;
    match done {
        FactorSet::Done { begun, codes } => {
            // The page's forms are sent with the session that begins here.
            let caller = Caller { form_token: form_token(&begun.token).into(), ..caller };
            let mut response = recovery_codes(&caller, &codes, return_path::or_home(next))?;
            keep(&mut response, &begun);
            Ok(response)
        }
        FactorSet::Wrong => with_status(shown(&caller, next, true), StatusCode::UNPROCESSABLE_ENTITY),
        FactorSet::Over => Ok(over(&caller)),
    }
}

/// They stand in no store and at no address: this answer is the only place.
pub(super) fn recovery_codes(caller: &Caller, codes: &[String], on: &str) -> Result<Response, Fault> {
    caller.page("recovery_codes", context! { codes => codes.to_vec(), on => caller.visit.site.path(Language::En, on) })
}
