//! A start asks the store for no more where very many are subscribed.

use treebell::people::{Consent, Language, NewSubscriber};
use treebell::store::Store;
use treebell::store::enrol_many::Enrolling;
use treebell::watch::Readiness;
use treebell::web::{self, Site};

use super::pages::world;
use crate::people::{address, at};
use crate::web::support::World;

/// How often a transaction is begun and a connection lent until a service is ready, and whom it knows then.
async fn asked_until_ready(world: &World, people: usize) -> ((u64, u64), usize) {
    let zip = world.app.store.regions().await.unwrap()[0].zips[0].clone();
    let list: Vec<NewSubscriber> = (0..people)
        .map(|n| NewSubscriber {
            zips: vec![zip.clone()],
            heights: Vec::new(),
            addresses: vec![address(&format!("owner{n}@example.org"))],
            language: Language::En,
            consent: Consent::Given { evidence: "form".into() },
        })
        .collect();
    let store: &Store = &world.app.store;
    let mut tx = store.begin_large().await.unwrap();
    let enrolling = Enrolling::begin(&mut tx, at("2025-02-01T12:00:00Z")).await.unwrap();
    enrolling.enrol(&mut tx, &list.iter().collect::<Vec<_>>()).await.unwrap();
    tx.commit().await.unwrap();
    let before = store.lent();
    let site = Site::new(world.app.clone()).unwrap();
    Readiness::new(world.app.clone(), Some(web::router(&site))).until_ready().await;
    // What is looked at behind the first page comes to its end.
    site.ready().await.unwrap();
    let after = store.lent();
    ((after.0 - before.0, after.1 - before.1), store.subscribers(None).await.unwrap().len())
}

#[tokio::test]
async fn a_start_asks_as_much_with_many_people_as_with_few() {
    let (world, _) = world().await;
    treebell::service::region_views::renew_kept(&world.app).await.unwrap();
    let (few, known) = asked_until_ready(&world, 10).await;
    assert_eq!(known, 10);
    let (many, known) = asked_until_ready(&world, 2000).await;
    assert_eq!(known, 2000);
    assert_eq!(many, few);
    assert_eq!(many.0, 0, "nothing is written");
}
