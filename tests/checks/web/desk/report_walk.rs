//! Field reports and a region in a browser; `tests/browser/desk_reports.mjs` does the walking. With `SHOTS=FOLDER` it leaves pictures.

use std::path::Path;
use std::process::Command;
use std::sync::Arc;

use tokio::net::TcpListener;
use treebell::people::Key;
use treebell::randomness::Randomness;
use treebell::secret::Secret;
use treebell::service::app::App;
use treebell::store::Store;
use treebell::store::field_reports::{NewFieldReport, ReportSource, Seen};
use treebell::web::{self, Site, server};

use super::super::browser::browser;
use super::browser::{acceptor, proxy};
use super::notices::{check, invitation};
use crate::learning::World;
use crate::people::subscribe;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn staff_enter_and_judge_reports_on_a_phone_and_look_at_a_region() {
    let Some((modules, chromium)) = browser("the walk through field reports") else { return };
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("desk-key");
    std::fs::write(&key, Key::draw(&Randomness::seeded(5)).expose()).unwrap();
    let world = World::build(Store::in_memory().await.unwrap()).await;
    let region = world.regions[0].clone();
    // A week after eggs were seen at the lowest region.
    let seen_on = world.day_of(&region, 140.0).await;
    let today = seen_on + chrono::Days::new(7);
    world.set(today);
    world.cycle().await;
    let store = &world.app.store;
    let zip = region.zips[0].as_str();
    subscribe(store, &[zip], &["a@example.org", "+15055550101"]).await;
    let profile = world.app.profiles.get(&region.profile).unwrap();
    let owners = NewFieldReport {
        region: region.id.clone(),
        zip: Some(region.zips[0].clone()),
        observed_on: seen_on,
        tree: None,
        seen: Seen::at(profile.sight("eggs").unwrap(), None),
        nothing_on: None,
        confirmed: false,
        source: ReportSource::Subscriber,
        person: Some("somebody".into()),
        note: Some("answered our question".into()),
    };
    let now = world.app.clock.now();
    store.add_field_report(&owners, now).await.unwrap();
    let invited = invitation(store, now).await;

    let listener = server::listen("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let outside = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let base = format!("https://localhost:{}", outside.local_addr().unwrap().port());
    tokio::spawn(proxy(outside, acceptor(), listener.local_addr().unwrap().port()));
    let mut config = (*world.app.config).clone();
    config.messages.public_url = base.as_str().into();
    config.desk.enabled = true;
    config.desk.keys = vec![Secret::File(key)];
    config.desk.photographs = Some(folder.path().join("photographs"));
    let app = App { config: Arc::new(config), ..world.app.clone() };
    let site = Site::new(app).unwrap();
    tokio::spawn(server::serve(listener, web::router(&site), std::future::pending()));
    let photograph = folder.path().join("tree.jpg");
    let picture = image::RgbImage::from_fn(1200, 900, |x, y| {
        let needle = (x * 7 + y * 3) % 90 < 6 || (x * 2 + y * 11) % 130 < 5;
        image::Rgb(if needle { [70, 110, 60] } else { [150 + (y / 12) as u8, 160, 150] })
    });
    picture.save(&photograph).unwrap();

    let shots = std::env::var("SHOTS").ok();
    let walked = tokio::task::spawn_blocking(move || {
        let mut node = Command::new("node");
        node.arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser/desk_reports.mjs"))
            .env("BASE", &base)
            .env("INVITATION", &invited)
            .env("NOW", now.timestamp_millis().to_string())
            .env("PHOTOGRAPH", &photograph)
            .env("REGION", region.id.as_str())
            .env("NAME", &region.name)
            .env("MODULES", &modules)
            .env("CHROMIUM", &chromium)
            .env_remove("SHOTS");
        if let Some(shots) = shots {
            node.env("SHOTS", shots);
        }
        node.output().unwrap()
    });
    check(&walked.await.unwrap(), 11);
    let left = std::fs::read_dir(folder.path().join("photographs")).unwrap().count();
    assert_eq!(left, 0, "what was erased in the walk is gone");
}
