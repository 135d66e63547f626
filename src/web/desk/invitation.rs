//! The link of an invitation: a first password.

use axum::extract::{Form, Path};
use axum::http::StatusCode;
use axum::response::Response;
use minijinja::context;

use super::caller::Caller;
use super::sign_in::{after_password, busy, with_status};
use crate::service::desk::{self, Accepted, PasswordFault};
use crate::web::Fault;
use crate::web::forms::Typed;

pub(super) async fn page(caller: Caller, Path(token): Path<String>) -> Result<Response, Fault> {
    shown(&caller, &token, None).await
}

async fn shown(caller: &Caller, token: &str, fault: Option<String>) -> Result<Response, Fault> {
    match desk::invited(caller.visit.site.door(), token).await? {
        Some((name, least)) => caller.page("invitation", context! { who => name.as_str(), least, token, fault }),
        None => useless(caller),
    }
}

fn useless(caller: &Caller) -> Result<Response, Fault> {
    with_status(caller.page("invitation_useless", context! {}), StatusCode::NOT_FOUND)
}

pub(super) async fn sent(
    caller: Caller,
    Path(token): Path<String>,
    Form(typed): Form<Typed>,
) -> Result<Response, Fault> {
    let typed = |name: &str| typed.get(name).map_or("", String::as_str);
    let (password, again) = (typed("password"), typed("again"));
    let refused =
        async |why: String| with_status(shown(&caller, &token, Some(why)).await, StatusCode::UNPROCESSABLE_ENTITY);
    if password != again {
        return refused(NOT_ALIKE.to_owned()).await;
    }
    let app = caller.visit.site.door();
    let place = caller.place();
    let done = desk::accept(app, caller.credentials()?, (&token, password), place, caller.session_id()).await?;
    match done {
        Accepted::Done(begun) => Ok(caller.on_with(&begun, &after_password(begun.stage, ""))),
        Accepted::Faulty(fault) => refused(in_words(fault)).await,
        Accepted::Useless => useless(&caller),
        Accepted::Busy => busy(shown(&caller, &token, Some(BUSY.to_owned())).await),
    }
}

const BUSY: &str = "Many people sign in at this moment. Nothing was set: wait a minute and send it again.";

pub(super) const NOT_ALIKE: &str = "The two do not match. Type the same password twice.";

pub(super) fn in_words(fault: PasswordFault) -> String {
    match fault {
        PasswordFault::TooShort { least } => {
            format!("Too short: {least} characters or more. A few words in a row are easy to remember.")
        }
        PasswordFault::TooLong => format!("Too long: {} characters at most.", desk::LONGEST),
        PasswordFault::TooCommon => {
            "This is among the first passwords that a guesser tries. Choose another one.".into()
        }
        PasswordFault::HoldsName => "There is not much in it beside a name. Choose another one.".into(),
    }
}
