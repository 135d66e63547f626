//! What is left of a notice that went out in part: who goes on with it, and when nobody may.

use treebell::region::Region;
use treebell::season::NoticeKind;
use treebell::store::Store;
use treebell::store::notices::NoticeRelease;

use crate::engines::on_each_engine;
use crate::people::notices::{notice, texts};
use crate::people::{at, subscribe, two_regions};

const INSPECT: &str = "pinyon-needle-scale/north/2026/inspect-now";

async fn execute(store: &Store, statement: &'static str) {
    let mut tx = store.begin().await.unwrap();
    sqlx::query(statement).execute(tx.conn()).await.unwrap();
    tx.commit().await.unwrap();
}

/// A notice of which all three recipients are still to be queued.
async fn half_queued(store: &Store) {
    two_regions(store).await;
    subscribe(store, &["00101"], &["a@example.org", "b@example.org"]).await;
    subscribe(store, &["00102"], &["c@example.org"]).await;
    store.put_notice(&notice(NoticeKind::InspectNow, NoticeRelease::Release), &texts()).await.unwrap();
    execute(store, "DELETE FROM deliveries").await;
    execute(store, "UPDATE notices SET queued_to = '/'").await;
}

async fn queued(store: &Store, id: &str) -> u64 {
    store.delivery_counts(&id.into()).await.unwrap().get("queued").copied().unwrap_or(0)
}

#[tokio::test]
async fn an_older_notice_goes_to_nobody_more_once_something_newer_was_told() {
    on_each_engine("overtaken", |store| async move {
        half_queued(&store).await;
        let mut newer = notice(NoticeKind::WashNow, NoticeRelease::Release);
        newer.decided_at = at("2026-04-22T12:00:00Z");
        store.put_notice(&newer, &texts()).await.unwrap();
        let rest = store.queue_rest(at("2026-04-22T12:01:00Z")).await.unwrap();
        assert!(rest.queued.is_empty() && rest.faults.is_empty(), "{rest:?}");
        assert_eq!(queued(&store, INSPECT).await, 0);
        assert_eq!(queued(&store, "pinyon-needle-scale/north/2026/wash-now").await, 3);
        assert!(store.half_queued().await.unwrap().is_empty());
    })
    .await;
}

#[tokio::test]
async fn what_fails_for_one_notice_keeps_no_other_back_and_takes_nothing_from_what_is_committed() {
    on_each_engine("one that fails", |store| async move {
        half_queued(&store).await;
        let south = treebell::season::SeasonKey {
            region: "south".into(),
            ..notice(NoticeKind::InspectNow, NoticeRelease::Release).season
        };
        subscribe(&store, &["00201"], &["south@example.org"]).await;
        let other = treebell::store::notices::NewNotice {
            season: south,
            ..notice(NoticeKind::InspectNow, NoticeRelease::Release)
        };
        store.put_notice(&other, &texts()).await.unwrap();
        execute(&store, "DELETE FROM deliveries").await;
        execute(&store, "UPDATE notices SET queued_to = '/'").await;
        // A row that no program of ours wrote.
        execute(&store, "UPDATE notices SET facts = 'x' WHERE region_id = 'north'").await;
        let rest = store.queue_rest(at("2026-04-21T12:01:00Z")).await.unwrap();
        assert_eq!(rest.faults.len(), 1, "{rest:?}");
        assert_eq!(rest.faults[0].0.as_str(), INSPECT);
        assert_eq!(rest.queued.into_values().collect::<Vec<_>>(), [1]);
        let own = store.queue_rest_of(&other_id(), at("2026-04-21T12:02:00Z")).await;
        assert!(own.faults.is_empty() && own.queued.is_empty(), "only its own: {own:?}");
    })
    .await;
}

fn other_id() -> treebell::season::NoticeId {
    "pinyon-needle-scale/south/2026/inspect-now".into()
}

#[tokio::test]
async fn a_region_that_is_retired_between_queues_nothing_more() {
    on_each_engine("retired between", |store| async move {
        half_queued(&store).await;
        store.retire_region(&"north".into(), at("2026-04-21T12:10:00Z")).await.unwrap();
        assert!(store.half_queued().await.unwrap().is_empty());
        // Whoever takes up its codes has not made it its own again.
        let south = store.region(&"south".into()).await.unwrap();
        let zips = vec![crate::people::zip("00101"), crate::people::zip("00201")];
        store.change_region(&Region { zips, ..south }).await.unwrap();
        store.queue_rest(at("2026-04-21T12:20:00Z")).await.unwrap();
        assert_eq!(queued(&store, INSPECT).await, 0);
    })
    .await;
}
