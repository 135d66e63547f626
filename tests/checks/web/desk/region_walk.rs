//! A region added and changed, and people, in a browser; `tests/browser/desk_regions.mjs` does the walking. With `SHOTS=FOLDER` it leaves
//! pictures.

use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;

use tokio::net::TcpListener;
use treebell::people::Key;
use treebell::places;
use treebell::randomness::Randomness;
use treebell::secret::Secret;
use treebell::service::app::App;
use treebell::store::Store;
use treebell::web::{self, Site, server};

use super::super::browser::browser;
use super::browser::{acceptor, proxy};
use super::notices::{check, invitation};
use crate::learning::World;
use crate::people::subscribe;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn staff_add_a_region_and_look_after_people_on_a_phone() {
    let Some((modules, chromium)) = browser("the walk through regions and people") else { return };
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("desk-key");
    std::fs::write(&key, Key::draw(&Randomness::seeded(5)).expose()).unwrap();
    let world = World::build(Store::in_memory().await.unwrap()).await;
    let region = world.regions[0].clone();
    world.set(world.day_of(&region, 140.0).await);
    world.cycle().await;
    let store = &world.app.store;
    // Beside a station with a past, and where there is none.
    let own = store.station(&region.stations[0]).await.unwrap();
    let mut table = "zip,latitude,longitude\n".to_owned();
    writeln!(table, "00391,{:.4},{:.4}", own.place.latitude + 0.05, own.place.longitude).unwrap();
    writeln!(table, "00399,{:.4},{:.4}", own.place.latitude + 6.0, own.place.longitude).unwrap();
    let now = world.app.clock.now();
    store.import_places(&places::read(table.as_bytes(), "invented").unwrap(), now).await.unwrap();
    let zip = region.zips[0].as_str();
    subscribe(store, &[zip], &["juniper.owner@example.org", "+15055550101"]).await;
    subscribe(store, &[zip], &["second@example.org"]).await;
    subscribe(store, &["00391"], &["waiting@example.org"]).await;
    let invited = invitation(store, now).await;

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
    let list = folder.path().join("people.csv");
    let rows = format!(
        "zip,email,consent\n{zip},third@example.org,signed form\n{zip},fourth at example.org,signed form\n0010,fifth@example.org,form\n"
    );
    std::fs::write(&list, rows).unwrap();

    let shots = std::env::var("SHOTS").ok();
    let (of, name, zip) = (region.id.to_string(), region.name.clone(), zip.to_owned());
    let walked = tokio::task::spawn_blocking(move || {
        let mut node = Command::new("node");
        node.arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser/desk_regions.mjs"))
            .env("BASE", &base)
            .env("INVITATION", &invited)
            .env("NOW", now.timestamp_millis().to_string())
            .env("LIST", &list)
            .env("REGION", &of)
            .env("NAME", &name)
            .env("ZIP", &zip)
            .env("MODULES", &modules)
            .env("CHROMIUM", &chromium)
            .env_remove("SHOTS");
        if let Some(shots) = shots {
            node.env("SHOTS", shots);
        }
        node.output().unwrap()
    });
    check(&walked.await.unwrap(), 16);
    let added = store.region(&"alta-mesa".into()).await.unwrap();
    assert_eq!(added.stations[0], own.id, "it stands on the station beside it");
    assert!(store.subscribers(None).await.unwrap().iter().any(|one| one.language.code() == "es"), "somebody was added");
}
