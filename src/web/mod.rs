//! The public face: server-rendered pages inside the same program, and the webhooks by which other programs call.
//!
//! ```text
//! server ─> guard (headers, origin, time-out, size) ─> language by path ─> one file a page ─> page template + words
//! ```
//!
//! English pages stand at `/…`, Spanish ones at `/es/…`. No page needs a script, a cookie or a session: what a person
//! may change is told by a token in the address. Nothing changes on a GET.

pub mod assets;
pub mod desk;
pub mod fault;
pub mod guard;
pub mod limits;
pub mod page;
pub mod server;
pub mod serving;
pub mod site;
pub mod templates;
pub mod views;
pub mod visit;
pub mod words;

mod alert;
mod cache;
mod confirm;
mod feeds;
mod forms;
mod guide;
mod home;
mod hook_doors;
mod jobs;
mod outlook_json;
mod places;
mod preferences;
mod privacy;
mod recalled;
mod region_page;
mod seen;
mod sign_up;
mod slash;
mod stop;
mod tried_lists;
mod turns;
mod webhooks;
mod window;
mod write_deadline;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware;

pub use fault::Fault;
pub use site::Site;
pub use visit::Visit;
pub use webhooks::{LARGEST as LARGEST_CALL, sign as sign_call};

use crate::language::Language;
use crate::links;

/// Largest body of a request that is not a webhook's, bytes: a form with every field full is far smaller.
const LARGEST_FORM: usize = 64 * 1024;

/// Everything that is answered.
pub fn router(site: &Site) -> Router {
    router_with(site, desk::ENTRIES)
}

/// As [`router`], with another table of the desk.
pub fn router_with(site: &Site, entries: &[desk::Entry]) -> Router {
    let pages = || {
        Router::new()
            .merge(home::routes())
            .merge(region_page::routes())
            .merge(feeds::routes())
            .merge(alert::routes())
            .merge(guide::routes())
            .merge(sign_up::routes())
            .merge(confirm::routes())
            .merge(preferences::routes())
            .merge(stop::routes())
            .merge(privacy::routes())
            .merge(seen::routes())
            .merge(slash::routes())
    };
    let spoken = |language: Language| {
        pages()
            .fallback(fault::not_found)
            .method_not_allowed_fallback(fault::method_not_allowed)
            .layer(axum::Extension(language))
    };
    let all: Router<Site> = Router::new()
        .merge(assets::routes())
        .merge(webhooks::routes())
        .merge(if site.credentials().is_some() { desk::routes(site, entries) } else { Router::new() })
        .merge(if site.credentials().is_some() { desk::programs::routes() } else { Router::new() })
        .merge(if site.practice().is_some() { desk::routes(site, desk::PRACTICE_ENTRIES) } else { Router::new() })
        .nest(links::language_prefix(Language::Es), spoken(Language::Es))
        .merge(spoken(Language::En))
        .layer(DefaultBodyLimit::max(LARGEST_FORM));
    // Behind a proxy that passes the whole path on, the pages stand below the public address's own path too.
    let all = match site.base() {
        "" => all,
        base => Router::new().nest(base, all.clone()).merge(all),
    };
    all.layer(middleware::from_fn_with_state(site.clone(), guard::guard)).with_state(site.clone())
}
