//! The store, regions and subscribers: the same behaviour on both engines.

use sqlx::Row;
use treebell::store::{Store, StoreError};

use crate::engines::{at_each_address, on_each_engine};

#[tokio::test]
async fn a_store_is_made_migrated_and_opened_again() {
    at_each_address("opening a store twice", |address| async move {
        let first = Store::open(&address).await.unwrap();
        let mut tx = first.begin().await.unwrap();
        sqlx::query("INSERT INTO staff_log (id, at, kind, text) VALUES ($1, $2, 'test', 'seen')")
            .bind("a")
            .bind(1_i64)
            .execute(tx.conn())
            .await
            .unwrap();
        tx.commit().await.unwrap();
        let tx = first.begin().await.unwrap();
        drop(tx);
        let second = Store::open(&address).await.unwrap();
        let row = sqlx::query("SELECT COUNT(*) AS n FROM staff_log")
            .fetch_one(&mut *second.read().await.unwrap())
            .await
            .unwrap();
        assert_eq!(row.get::<i64, _>("n"), 1);
        first.close().await;
        second.close().await;
    })
    .await;
}

#[tokio::test]
async fn a_store_of_a_newer_program_is_refused() {
    at_each_address("a newer schema", |address| async move {
        let store = Store::open(&address).await.unwrap();
        let mut tx = store.begin().await.unwrap();
        sqlx::query("INSERT INTO schema_migrations (version, name) VALUES (9999, 'later')")
            .execute(tx.conn())
            .await
            .unwrap();
        tx.commit().await.unwrap();
        store.close().await;
        match Store::open(&address).await {
            Err(StoreError::TooNew { found: 9999, .. }) => {}
            other => panic!("{other:?}"),
        }
    })
    .await;
}

#[tokio::test]
async fn a_second_service_is_refused_until_the_first_has_gone() {
    at_each_address("the service lock", |address| async move {
        let (first, second) = (Store::open(&address).await.unwrap(), Store::open(&address).await.unwrap());
        let mut lock = first.lock_service().await.unwrap();
        assert!(lock.still_held().await);
        let said = second.lock_service().await.unwrap_err();
        assert!(matches!(said, StoreError::InUse { .. }), "{said}");
        assert!(said.to_string().contains("lock"), "{said}");
        drop(lock);
        first.close().await;
        let mut tries = 0;
        // A server notices a closed connection a moment later.
        while let Err(why) = second.lock_service().await {
            tries += 1;
            assert!(tries < 200, "{why}");
            tokio::task::yield_now().await;
        }
        second.close().await;
    })
    .await;
}

#[tokio::test]
async fn a_dropped_transaction_leaves_nothing() {
    on_each_engine("rollback", |store| async move {
        let mut tx = store.begin().await.unwrap();
        sqlx::query("INSERT INTO staff_log (id, at, kind, text) VALUES ('a', 1, 'test', 'seen')")
            .execute(tx.conn())
            .await
            .unwrap();
        drop(tx);
        let tx = store.begin().await.unwrap();
        tx.commit().await.unwrap();
        let row = sqlx::query("SELECT COUNT(*) AS n FROM staff_log")
            .fetch_one(&mut *store.read().await.unwrap())
            .await
            .unwrap();
        assert_eq!(row.get::<i64, _>("n"), 0);
    })
    .await;
}
