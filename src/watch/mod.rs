//! What those who run the service look at: metrics, health and readiness, on a listener of their own.
//!
//! Nothing here is public: no page links to it, no proxy passes it on, and it is off until `watch.listen` is set.

mod readiness;
mod reading;

use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use tracing::error;

pub use readiness::Readiness;

/// <https://prometheus.io/docs/instrumenting/exposition_formats/#basic-info>
const METRICS_TYPE: &str = "text/plain; version=0.0.4; charset=utf-8";

/// `/metrics`, `/healthz`, `/readyz`.
pub fn router(readiness: Readiness) -> Router {
    Router::new()
        .route("/metrics", get(metrics))
        .route("/healthz", get(healthy))
        .route("/readyz", get(ready))
        .with_state(readiness)
}

async fn metrics(State(readiness): State<Readiness>) -> Response {
    let app = readiness.app();
    match reading::of(app).await.and_then(|reading| app.metrics.text(reading)) {
        Ok(text) => ([(header::CONTENT_TYPE, METRICS_TYPE)], text).into_response(),
        Err(why) => {
            error!("the metrics cannot be given: {why}");
            (StatusCode::INTERNAL_SERVER_ERROR, "the log says why\n").into_response()
        }
    }
}

/// The process is there and answers; nothing else is looked at.
async fn healthy() -> &'static str {
    "alive\n"
}

async fn ready(State(readiness): State<Readiness>) -> Response {
    match readiness.look().await {
        Ok(()) => "ready\n".into_response(),
        Err(why) => (StatusCode::SERVICE_UNAVAILABLE, format!("not ready: {why}\n")).into_response(),
    }
}
