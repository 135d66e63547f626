//! What a visitor sees when something is wrong: what it was, and what to do.

use std::time::Duration;

use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use tracing::error;

use crate::service::subscribe::SignUpError;
use crate::store::StoreError;
use crate::text::Chain;

/// Why a page cannot be given. Each has words of its own in `words/*/fault.toml`.
#[derive(Debug, thiserror::Error)]
pub enum Fault {
    #[error("no such page")]
    NotFound,
    #[error("not by this method")]
    Method,
    /// The form was sent from another site or cannot be read.
    #[error("the request was not understood: {0}")]
    BadRequest(&'static str),
    /// Signed in, but not for this.
    #[error("not for this account")]
    Forbidden,
    /// A form of the desk without its token, or with one of another session.
    #[error("the form is not of this session")]
    StaleForm,
    /// More than is read.
    #[error("more was sent than is read")]
    TooLarge,
    #[error("too many requests")]
    TooMany,
    /// Nothing was worked out of the region yet; soon it is.
    #[error("not worked out yet")]
    NotYet,
    /// Nobody waits this long.
    #[error("a page took longer than {} s", .0.as_secs())]
    TooSlow(Duration),
    #[error("the store failed")]
    Store(#[from] StoreError),
    /// A fault of ours, told in the log only.
    #[error("{0}")]
    Inside(String),
}

impl Fault {
    pub fn status(&self) -> StatusCode {
        match self {
            Fault::NotFound => StatusCode::NOT_FOUND,
            Fault::Method => StatusCode::METHOD_NOT_ALLOWED,
            Fault::BadRequest(_) | Fault::StaleForm => StatusCode::BAD_REQUEST,
            Fault::Forbidden => StatusCode::FORBIDDEN,
            Fault::TooLarge => StatusCode::PAYLOAD_TOO_LARGE,
            Fault::TooMany => StatusCode::TOO_MANY_REQUESTS,
            Fault::NotYet | Fault::Store(_) | Fault::TooSlow(_) => StatusCode::SERVICE_UNAVAILABLE,
            Fault::Inside(_) => StatusCode::INTERNAL_SERVER_ERROR,
        }
    }

    /// Name of its words.
    pub(super) fn name(&self) -> &'static str {
        match self {
            Fault::NotFound => "not_found",
            Fault::Method | Fault::BadRequest(_) => "not_understood",
            Fault::TooLarge => "too_large",
            Fault::TooMany => "too_many",
            Fault::NotYet => "not_yet",
            Fault::Forbidden => "forbidden",
            Fault::StaleForm => "stale",
            Fault::Store(_) | Fault::TooSlow(_) | Fault::Inside(_) => "ours",
        }
    }

    pub(super) fn log(&self) {
        match self {
            Fault::Store(why) => error!("a page could not be given: {why}"),
            Fault::TooSlow(_) => error!("{self}"),
            Fault::Inside(why) => error!("a page could not be given: {why}"),
            _ => {}
        }
    }
}

impl From<SignUpError> for Fault {
    fn from(why: SignUpError) -> Self {
        match why {
            SignUpError::Store(why) => Fault::Store(why),
            SignUpError::Words(_) => Fault::Inside(Chain(&why).to_string()),
        }
    }
}

/// Handlers return faults with `?`; [`super::guard`] puts the page in their place, since only it knows the visit.
impl IntoResponse for Fault {
    fn into_response(self) -> Response {
        let mut response =
            (self.status(), [(header::CONTENT_TYPE, "text/plain; charset=utf-8")], self.name()).into_response();
        response.extensions_mut().insert(std::sync::Arc::new(self));
        response
    }
}

pub(super) async fn not_found() -> Fault {
    Fault::NotFound
}

pub(super) async fn method_not_allowed() -> Fault {
    Fault::Method
}
