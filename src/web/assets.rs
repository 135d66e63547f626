//! Files that pages load: built in, named by their content, kept by browsers for a year.

use std::sync::LazyLock;

use axum::Router;
use axum::extract::Path;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use sha2::{Digest, Sha256};

use super::cache::SVG;
use super::{Fault, Site};

struct Asset {
    name: &'static str,
    kind: &'static str,
    bytes: &'static [u8],
}

macro_rules! drawing {
    ($name:literal) => {
        Asset { name: $name, kind: SVG, bytes: include_bytes!(concat!("assets/", $name)) }
    };
}

const ASSETS: &[Asset] = &[
    Asset { name: "style.css", kind: "text/css; charset=utf-8", bytes: include_bytes!("assets/style.css") },
    Asset { name: "desk.css", kind: "text/css; charset=utf-8", bytes: include_bytes!("assets/desk.css") },
    Asset { name: "mark.svg", kind: SVG, bytes: include_bytes!("assets/mark.svg") },
    drawing!("beans.svg"),
    drawing!("cotton.svg"),
    drawing!("tufts.svg"),
    drawing!("inner.svg"),
    drawing!("drought.svg"),
    drawing!("cast.svg"),
    drawing!("beetle.svg"),
];

/// Ten digits tell two versions of a file apart.
static TAGS: LazyLock<Vec<String>> =
    LazyLock::new(|| ASSETS.iter().map(|asset| hex::encode(&Sha256::digest(asset.bytes)[..5])).collect());

/// The path of a file: `/assets/<tag>/<name>`.
pub fn path(site: &Site, name: &str) -> String {
    let tag = ASSETS.iter().zip(TAGS.iter()).find(|(asset, _)| asset.name == name).map_or("none", |(_, tag)| tag);
    format!("{}/assets/{tag}/{name}", site.base())
}

pub(super) fn style_path(site: &Site) -> String {
    path(site, "style.css")
}

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/assets/{tag}/{name}", get(one)).route("/favicon.ico", get(mark))
}

/// A file under an old tag is given as it is now: an old page in a cache still finds its style.
async fn one(Path((_, name)): Path<(String, String)>) -> Result<Response, Fault> {
    let asset = ASSETS.iter().find(|asset| asset.name == name).ok_or(Fault::NotFound)?;
    Ok(sent(asset))
}

async fn mark() -> Result<Response, Fault> {
    one(Path((String::new(), "mark.svg".to_owned()))).await
}

fn sent(asset: &Asset) -> Response {
    ([(header::CONTENT_TYPE, asset.kind), (header::CACHE_CONTROL, "public, max-age=31536000, immutable")], asset.bytes)
        .into_response()
}
