//! Stop: a page with a button for people who follow the link, and the one-click of RFC 8058 for their mail programs. Both
//! are the same POST; a GET changes nothing, since programs that look at mail open every link in it.

use axum::Router;
use axum::extract::Path;
use axum::response::Response;
use axum::routing::get;
use minijinja::context;

use super::{Fault, Site, Visit};
use crate::service::subscribe::stop::{StopRequest, stop};
use crate::service::subscribe::tokens::{self, Purpose};

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/stop/{token}", get(asked).post(done))
}

async fn asked(visit: Visit, Path(_): Path<String>) -> Result<Response, Fault> {
    visit.page("stop", context! { done => false })
}

/// The same answer whosever token it is, also nobody's: 200 and no redirect, as mail programs want.
async fn done(visit: Visit, Path(token): Path<String>) -> Result<Response, Fault> {
    let app = visit.site.app();
    if let Some(address_key) = tokens::open(app.store.address_hash(), Purpose::Stop, &token) {
        stop(&app.store, &*app.clock, StopRequest::Address(&address_key.into()), "stop link").await?;
    }
    visit.page("stop", context! { done => true })
}
