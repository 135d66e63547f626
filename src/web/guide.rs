//! "Is it needle scale?": a short key with our own drawings.

use axum::Router;
use axum::http::HeaderMap;
use axum::response::Response;
use axum::routing::get;
use minijinja::context;

use super::home::HTML;
use super::{Fault, Site, Visit, assets, page};
use crate::web::cache::CachedAnswer;

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/guide", get(guide))
}

/// Drawings of the guide, by the name of their words.
const DRAWINGS: [&str; 7] = ["beans", "cotton", "tufts", "inner", "drought", "cast", "beetle"];

async fn guide(visit: Visit, asked: HeaderMap) -> Result<Response, Fault> {
    let views = visit.site.views().get().await?;
    let cached = views.answer("/guide", visit.language, || {
        let drawings = DRAWINGS.map(|name| (name, assets::path(&visit.site, &format!("{name}.svg"))));
        let drawings: std::collections::BTreeMap<_, _> = drawings.into_iter().collect();
        Ok(CachedAnswer::new(HTML, page::html(&visit, "guide", context! { drawings })?))
    })?;
    Ok(cached.answer(&asked))
}
