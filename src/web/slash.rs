//! The paths of pages with a slash behind, as people type them and programs write them: they lead to the page.

use axum::Router;
use axum::http::{StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;

use super::{Site, Visit};

/// Pages without a token. What is reached by a token comes from a link of ours, which has no slash behind.
const PAGES: [&str; 8] =
    ["/region/{id}", "/guide", "/privacy", "/find", "/sign-up", "/wish", "/confirm", "/preferences"];

pub(super) fn routes() -> Router<Site> {
    PAGES.iter().fold(Router::new(), |router, path| router.route(&format!("{path}/"), get(without_slash)))
}

/// For good to the same address without its last slash, in the same language and with its query.
async fn without_slash(visit: Visit, uri: Uri) -> Response {
    let path = visit.path.strip_suffix('/').unwrap_or(&visit.path);
    let page = visit.site.path(visit.language, path);
    let to = match uri.query() {
        Some(query) => format!("{page}?{query}"),
        None => page,
    };
    (StatusCode::PERMANENT_REDIRECT, [(header::LOCATION, to)]).into_response()
}
