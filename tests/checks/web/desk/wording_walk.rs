//! The words of messages, and what was learned, in a browser; `tests/browser/desk_wording.mjs` does the walking. With
//! `SHOTS=FOLDER` it leaves pictures.

use std::path::Path;
use std::process::Command;
use std::sync::Arc;

use tokio::net::TcpListener;
use treebell::people::Key;
use treebell::randomness::Randomness;
use treebell::secret::Secret;
use treebell::service::app::App;
use treebell::store::Store;
use treebell::web::{self, Site, server};

use super::super::browser::browser;
use super::browser::{acceptor, proxy};
use super::notices::{check, invitation};
use crate::learning::World;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_administrator_changes_words_on_a_phone_and_looks_at_what_was_learned() {
    let Some((modules, chromium)) = browser("the walk through words and learning") else { return };
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("desk-key");
    std::fs::write(&key, Key::draw(&Randomness::seeded(5)).expose()).unwrap();
    let world = World::build(Store::in_memory().await.unwrap()).await;
    let (first, second) = (world.regions[0].clone(), world.regions[1].clone());
    // Of years before too, so that there is something to fit.
    for year in [2022, 2023, 2024] {
        world.set(chrono::NaiveDate::from_ymd_opt(year, 1, 1).unwrap());
        let seen = world.day_of(&first, 160.0 + f64::from(year - 2022) * 20.0).await;
        world.set(seen + chrono::Days::new(1));
        world.report(&first.id, seen, "eggs", Some(seen - chrono::Days::new(3)), true).await;
    }
    world.set(chrono::NaiveDate::from_ymd_opt(2025, 1, 1).unwrap());
    let seen_on = world.day_of(&first, 140.0).await;
    let later = world.day_of(&second, 150.0).await;
    world.set(seen_on.max(later) + chrono::Days::new(4));
    world.report(&first.id, seen_on, "eggs", Some(seen_on - chrono::Days::new(5)), true).await;
    world.report(&second.id, later, "eggs", None, true).await;
    world.report(&second.id, later + chrono::Days::new(1), "nothing", None, false).await;
    let now = world.app.clock.now();
    let invited = invitation(&world.app.store, now).await;

    let listener = server::listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let outside = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let base = format!("https://localhost:{}", outside.local_addr().unwrap().port());
    tokio::spawn(proxy(outside, acceptor(), listener.local_addr().unwrap().port()));
    let mut config = (*world.app.config).clone();
    config.messages.public_url = base.as_str().into();
    config.desk.enabled = true;
    config.desk.keys = vec![Secret::File(key)];
    let app = App { config: Arc::new(config), ..world.app.clone() };
    let site = Site::new(app).unwrap();
    tokio::spawn(server::serve(listener, web::router(&site), std::future::pending()));

    let shots = std::env::var("SHOTS").ok();
    let walked = tokio::task::spawn_blocking(move || {
        let mut node = Command::new("node");
        node.arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser/desk_wording.mjs"))
            .env("BASE", &base)
            .env("INVITATION", &invited)
            .env("NOW", now.timestamp_millis().to_string())
            .env("MODULES", &modules)
            .env("CHROMIUM", &chromium)
            .env_remove("SHOTS");
        if let Some(shots) = shots {
            node.env("SHOTS", shots);
        }
        node.output().unwrap()
    });
    check(&walked.await.unwrap(), 13);
}
