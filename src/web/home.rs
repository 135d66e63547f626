//! The first page: what it is, in one screen; and the way from a ZIP code to its region.

use std::collections::BTreeMap;

use axum::Router;
use axum::extract::Query;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::get;
use minijinja::context;
use minijinja::value::Value;

use super::page;
use super::views::RegionView;
use super::{Fault, Site, Visit, assets};
use crate::links::region_path;
use crate::region::Zip;
use crate::season::phrases;
use crate::web::cache::CachedAnswer;

pub(super) const HTML: &str = "text/html; charset=utf-8";

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/", get(home)).route("/find", get(find))
}

async fn home(visit: Visit, asked: HeaderMap) -> Result<Response, Fault> {
    let views = visit.site.views().get().await?;
    let cached = views.answer("/", visit.language, || {
        let regions: Vec<Value> = views.regions.iter().map(|view| row(&visit, view)).collect();
        let drawing = assets::path(&visit.site, "cotton.svg");
        Ok(CachedAnswer::new(HTML, page::html(&visit, "home", context! { regions, drawing })?))
    })?;
    Ok(cached.answer(&asked))
}

/// A region in the list of all.
fn row(visit: &Visit, view: &RegionView) -> Value {
    let days = view.days();
    let date = |day| phrases::date(visit.language, day);
    context! {
        id => view.region.id.as_str(),
        name => &view.region.name,
        standing => view.shown.standing.name(),
        said => view.said(),
        backing => view.shown.backing.name(),
        held_back => view.shown.is_held_back(),
        look_from => days.map(|days| date(days.look_from)),
        best => days.and_then(|days| days.best).map(|best| phrases::span(visit.language, best)),
        wash_by => days.map(|days| date(days.deadline)),
    }
}

/// From a ZIP code to its region; to an honest answer where there is none.
async fn find(visit: Visit, Query(typed): Query<BTreeMap<String, String>>) -> Result<Response, Fault> {
    let text: String = typed.get("zip").map(String::as_str).unwrap_or_default().trim().chars().take(20).collect();
    let Ok(zip) = Zip::parse(&text) else {
        let shown = context! { wrong => true, zip => text };
        let mut response = visit.page("find", shown)?;
        *response.status_mut() = StatusCode::BAD_REQUEST;
        return Ok(response);
    };
    let views = visit.site.views().get().await?;
    match views.covering(&zip) {
        [region] => {
            // The code goes along, so that nobody types it twice.
            Ok(Redirect::to(&visit.link(&format!("{}?zip={zip}", region_path(region)))).into_response())
        }
        several => {
            let heights: Vec<Value> = several
                .iter()
                .filter_map(|id| views.region(id))
                .map(|view| {
                    let landmarks = view.region.landmarks.join(", ");
                    let words = view.region.band.map(|band| phrases::capitalised(&band.words(visit.language)));
                    context! { words, landmarks, ..row(&visit, view) }
                })
                .collect();
            visit.page("find", context! { wrong => false, zip => zip.as_str(), heights })
        }
    }
}
