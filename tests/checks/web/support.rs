//! A site on a store in memory, asked without a network.
#![allow(dead_code, reason = "each area uses its own part")]

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use axum::body::Body;
use axum::http::{HeaderMap, Request, StatusCode};
use http_body_util::BodyExt;
use tower::ServiceExt;
use treebell::clock::ManualClock;
use treebell::config::Config;
use treebell::message::Templates;
use treebell::season::profile::Profiles;
use treebell::service::app::App;
use treebell::store::Store;
use treebell::web::{self, Site};

pub struct World {
    pub app: App,
    pub clock: Arc<ManualClock>,
    pub router: axum::Router,
    pub site: Site,
    /// The next who asks waits until all is made anew.
    moved: AtomicBool,
}

/// An answer read to its end.
pub struct Answer {
    pub status: StatusCode,
    pub headers: HeaderMap,
    pub body: String,
}

impl Answer {
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or("")
    }
}

impl World {
    /// A site with nothing in its store, on a morning in March.
    pub async fn empty(change: impl FnOnce(&mut Config)) -> Self {
        Self::on(Store::in_memory().await.unwrap(), change)
    }

    pub fn on(store: Store, change: impl FnOnce(&mut Config)) -> Self {
        let mut config = Config::default();
        config.messages.public_url = "https://pinyon.example.org".into();
        change(&mut config);
        let clock = Arc::new(ManualClock::at("2025-03-10T16:00:00Z".parse().unwrap()));
        let templates = Templates::load(None).unwrap();
        let app = App::with_store(&config, clock.clone(), store, Profiles::default(), templates);
        let site = Site::new(app.clone()).unwrap();
        let world = Self::of(app, clock, site);
        // What the pages show first is only that all is being worked out.
        world.moved.store(true, Ordering::Release);
        world
    }

    pub fn of(app: App, clock: Arc<ManualClock>, site: Site) -> Self {
        Self { app, clock, router: web::router(&site), site, moved: AtomicBool::new(false) }
    }

    /// Noon of a day, by the world's clock. What is asked for next is made anew before.
    pub fn go_to(&self, day: chrono::NaiveDate) {
        self.clock.set(day.and_hms_opt(19, 0, 0).unwrap().and_utc());
        self.moved.store(true, Ordering::Release);
    }

    pub async fn ask(&self, request: Request<Body>) -> Answer {
        if self.moved.swap(false, Ordering::AcqRel) {
            self.site.ready().await.unwrap();
        }
        let response = self.router.clone().oneshot(request).await.unwrap();
        let (parts, body) = response.into_parts();
        let bytes = body.collect().await.unwrap().to_bytes();
        Answer { status: parts.status, headers: parts.headers, body: String::from_utf8_lossy(&bytes).into_owned() }
    }

    pub async fn get(&self, path: &str) -> Answer {
        self.ask(Request::get(path).body(Body::empty()).unwrap()).await
    }

    /// A form as a browser on our own page sends it.
    pub async fn post(&self, path: &str, form: &[(&str, &str)]) -> Answer {
        let body = url::form_urlencoded::Serializer::new(String::new()).extend_pairs(form).finish();
        let request = Request::post(path)
            .header("content-type", "application/x-www-form-urlencoded")
            .header("sec-fetch-site", "same-origin")
            .header("origin", "https://pinyon.example.org")
            .body(Body::from(body));
        self.ask(request.unwrap()).await
    }
}
