//! Whether people can be served: found out by doing what a visitor does.

use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::extract::Request;
use axum::http::StatusCode;
use tower::ServiceExt;
use tracing::{info, warn};

use crate::service::app::App;
use crate::text::Chain;

/// Who asks whether the service is ready will not wait longer.
const PATIENCE: Duration = Duration::from_secs(5);

/// Between two looks at the start.
const LOOK_AGAIN: Duration = Duration::from_millis(250);

/// Asks the store, and the first page where this process serves pages. Cheap to clone.
#[derive(Clone)]
pub struct Readiness {
    app: App,
    pages: Option<Router>,
}

impl Readiness {
    /// `pages`: what answers visitors, when this process serves any.
    pub fn new(app: App, pages: Option<Router>) -> Self {
        Self { app, pages }
    }

    pub(super) fn app(&self) -> &App {
        &self.app
    }

    /// # Errors
    /// Why nobody could be served now.
    pub async fn look(&self) -> Result<(), String> {
        match tokio::time::timeout(PATIENCE, self.ask()).await {
            Ok(found) => found,
            Err(_) => Err(format!("no answer within {} s", PATIENCE.as_secs())),
        }
    }

    async fn ask(&self) -> Result<(), String> {
        self.app.store.ping().await.map_err(|why| format!("the store: {}", Chain(&why)))?;
        let Some(pages) = &self.pages else { return Ok(()) };
        let ask = Request::get("/").body(Body::empty()).map_err(|why| why.to_string())?;
        let answer = pages.clone().oneshot(ask).await.unwrap_or_else(|never| match never {});
        match answer.status() {
            StatusCode::OK => Ok(()),
            other => Err(format!("the first page answers with {other}")),
        }
    }

    /// Comes true once people can be served.
    pub async fn until_ready(self) {
        let mut told = None;
        loop {
            match self.look().await {
                Ok(()) => break,
                Err(why) if told.as_ref() != Some(&why) => {
                    warn!("not ready yet: {why}");
                    told = Some(why);
                }
                Err(_) => {}
            }
            tokio::time::sleep(LOOK_AGAIN).await;
        }
        if told.is_some() {
            info!("ready now");
        }
    }
}
