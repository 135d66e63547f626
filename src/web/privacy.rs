//! What is kept about people, how long, who sees it, how to have it erased.

use axum::Router;
use axum::response::Response;
use axum::routing::get;
use minijinja::context;

use super::{Fault, Site, Visit};
use crate::service::daemon::{ASKED_KEPT_DAYS, STOPPED_KEPT_DAYS};

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/privacy", get(shown))
}

async fn shown(visit: Visit) -> Result<Response, Fault> {
    visit.page("privacy", context! { asked_days => ASKED_KEPT_DAYS, stopped_days => STOPPED_KEPT_DAYS })
}
