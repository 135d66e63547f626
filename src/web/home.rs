//! The first page: what it is, in one screen.

use axum::Router;
use axum::response::Response;
use axum::routing::get;
use minijinja::context;

use super::{Fault, Site, Visit};

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/", get(home))
}

async fn home(visit: Visit) -> Result<Response, Fault> {
    visit.page("home", context! {})
}
