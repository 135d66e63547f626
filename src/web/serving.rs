//! The pages, served until the service ends, and what ends with them.

use axum::Router;
use futures::FutureExt;
use tokio::net::TcpListener;

use super::Site;
use super::server::{self, Doors};

/// Answers as [`server::serve_behind`] does until `shutdown`, which also ends the work on regions that staff try out.
pub async fn serve(
    site: &Site,
    doors: Doors,
    listener: TcpListener,
    router: Router,
    shutdown: impl Future<Output = ()> + Send,
) {
    let shutdown = shutdown.shared();
    let end = async {
        shutdown.clone().await;
        site.region_drafts().end().await;
    };
    tokio::join!(server::serve_behind(doors, listener, router, shutdown.clone()), end);
}
