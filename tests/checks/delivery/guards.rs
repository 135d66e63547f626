//! Guards that no other check here would miss at once.

use std::sync::{Arc, Mutex};

use async_trait::async_trait;
use chrono::TimeDelta;
use sqlx::Row;
use treebell::delivery::state::DeliveryState;
use treebell::dispatch::channels::smtp::SmtpTransport;
use treebell::dispatch::channels::{Outgoing, Receipt, SendFailure, Transport};
use treebell::dispatch::{Channels, Drained};
use treebell::people::Channel;
use treebell::store::{Engine, Store};

use super::smtp::{Act, Point, SmtpServer};
use super::{Ledger, Seed, World};
use crate::engines::{at_each_address, on_each_engine};
use crate::support::open_store;

/// Looks into the store at the moment in which the first byte would leave.
struct Witness {
    store: Store,
    seen: Mutex<Vec<(String, i64)>>,
}

#[async_trait]
impl Transport for Witness {
    async fn send(&self, outgoing: &Outgoing) -> Result<Receipt, SendFailure> {
        // On a connection of its own, so only what is committed is seen.
        let row = sqlx::query(
            "SELECT d.state, d.fence, (SELECT COUNT(*) FROM attempts a \
                 WHERE a.delivery_id = d.id AND a.fence = d.fence AND a.ended_at IS NULL) AS begun \
             FROM deliveries d WHERE d.id = $1",
        )
        .bind(&outgoing.key)
        .fetch_one(&mut *self.store.read().await.unwrap())
        .await
        .unwrap();
        let (state, begun): (String, i64) = (row.get("state"), row.get("begun"));
        self.seen.lock().unwrap().push((state, begun));
        Ok(Receipt::default())
    }
}

// Seen failing without the attempt's row, and with the lease committed after the answer.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_leaves_before_its_lease_and_attempt_are_on_record() {
    at_each_address("attempt before the first byte", |address| async move {
        let (store, other) = (open_store(&address).await.unwrap(), open_store(&address).await.unwrap());
        Seed::new(Channel::Email, 10).put(&store).await;
        Seed::new(Channel::Sms, 10).put(&store).await;
        let witness = Arc::new(Witness { store: other.clone(), seen: Mutex::default() });
        let world = World::new(store.clone(), []);
        let drained = world.dispatcher_over(Channels::both(witness.clone())).drain_due().await.unwrap();
        assert_eq!(drained, Drained { sent: 20, ..Drained::default() });
        assert_eq!(*witness.seen.lock().unwrap(), vec![("leased".to_owned(), 1); 20]);
        store.close().await;
        other.close().await;
    })
    .await;
}

// What a power cut leaves is not played here: a machine would have to lose its unsynced writes. SQLite's own promise is
// relied on (a commit under WAL with FULL is synced before it returns); this holds the settings that the promise needs. Seen failing with
// NORMAL in place of FULL.
#[tokio::test]
async fn every_connection_that_writes_syncs_each_commit() {
    at_each_address("synchronous commits", |address| async move {
        let store = open_store(&address).await.unwrap();
        let ask = async |conn: &mut sqlx::AnyConnection, text: &'static str| -> String {
            let row = sqlx::query(text).fetch_one(conn).await.unwrap();
            row.try_get::<String, _>(0).or_else(|_| row.try_get::<i64, _>(0).map(|n| n.to_string())).unwrap()
        };
        match store.engine() {
            Engine::Sqlite => {
                let mut tx = store.begin().await.unwrap();
                for (pragma, wanted) in [
                    ("PRAGMA synchronous", "2"),
                    ("PRAGMA journal_mode", "wal"),
                    ("PRAGMA foreign_keys", "1"),
                    ("PRAGMA mmap_size", "0"),
                ] {
                    assert_eq!(ask(tx.conn(), pragma).await, wanted, "{pragma} of the writer");
                }
                // All readers at once: they write nothing, whatever they are asked.
                let mut readers = Vec::new();
                while readers.len() < 4 {
                    readers.push(store.read().await.unwrap());
                }
                for reader in &mut readers {
                    assert_eq!(ask(&mut *reader, "PRAGMA query_only").await, "1");
                    assert_eq!(ask(&mut *reader, "PRAGMA journal_mode").await, "wal");
                }
            }
            Engine::Postgres => {
                for _ in 0..3 {
                    let mut tx = store.begin().await.unwrap();
                    let wait = ask(tx.conn(), "SELECT current_setting('synchronous_commit')").await;
                    assert_ne!(wait, "off", "a commit would be forgotten by a crash of the server");
                }
            }
        }
        store.close().await;
    })
    .await;
}

// A worker that was stopped in the middle of the talk and goes on when another has its message. Seen failing without the
// question before the text: the relay then has a copy from each.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_worker_that_wakes_after_its_lease_lets_go_before_the_text() {
    on_each_engine("a late riser", |store| async move {
        let key = Seed::new(Channel::Email, 1).put(&store).await.remove(0);
        let server = SmtpServer::start([Act::Wait(Point::Data)]).await;
        let world = World::new(store, []);
        let channels = || Channels { email: Some(Arc::new(SmtpTransport::new(&server.config()).unwrap())), sms: None };
        let (sleeper, other) = (world.dispatcher_over(channels()), world.dispatcher_over(channels()));
        let (drained, ()) = tokio::join!(sleeper.drain_due(), async {
            server.has_reached().await;
            world.clock.advance(TimeDelta::seconds(61));
            assert_eq!(other.drain_due().await.unwrap(), Drained { sent: 1, uncertain: 1, ..Drained::default() });
            server.gate.add_permits(1);
        });
        assert_eq!(drained.unwrap(), Drained { stale: 1, ..Drained::default() });
        assert_eq!(server.kept_keys(), std::slice::from_ref(&key));
        let row = world.row(&key).await;
        assert_eq!((row.standing.state, row.standing.uncertain_count), (DeliveryState::Sent, 1));
    })
    .await;
}

// The relay takes a part of a long text and hangs up. The client sees its writing fail before the final dot, so nobody can
// have the message: it is tried again and not marked. A short text is gone whole before the hang-up is seen.
// Seen failing when every break counts as one after the dot.
#[tokio::test]
async fn a_connection_cut_inside_a_long_text_leaves_nothing_in_doubt() {
    on_each_engine("cut inside the text", |store| async move {
        let keys = Seed::new(Channel::Email, 3).put(&store).await;
        // More than socket buffers hold.
        let mut tx = store.begin().await.unwrap();
        sqlx::query("UPDATE notice_texts SET html = $1 WHERE channel = 'email'")
            .bind(format!("<p>{}</p>", "Look at your trees. ".repeat(1_000_000)))
            .execute(tx.conn())
            .await
            .unwrap();
        tx.commit().await.unwrap();
        let server = SmtpServer::start([Act::CutText(1), Act::CutText(100_000), Act::CutText(3_000_000)]).await;
        let mut world = World::new(store, []);
        world.config.email.in_flight = 1;
        let transport = Arc::new(SmtpTransport::new(&server.config()).unwrap());
        let dispatcher = world.dispatcher_over(Channels { email: Some(transport), sms: None });
        assert_eq!(dispatcher.drain_due().await.unwrap(), Drained { later: 3, ..Drained::default() });
        for key in &keys {
            assert_eq!(world.row(key).await.last_error.as_deref(), Some("the connection broke inside the text"));
        }
        world.play_out(&dispatcher).await;
        let ledger = Ledger::of(&world.store, server.kept_keys()).await;
        assert_eq!(ledger, Ledger { booked: 3, ..Ledger::default() });
    })
    .await;
}

// A gateway that asks for a year must not hold the queue until all of it has expired. Seen failing without the limit.
#[tokio::test]
async fn no_gateway_is_left_alone_for_longer_than_a_day() {
    use super::gateway::{Act, FakeGateway};
    use treebell::dispatch::channels::sms_http::SmsGateway;
    on_each_engine("Retry-After of a year", |store| async move {
        Seed::new(Channel::Sms, 3).put(&store).await;
        for asked in ["31536000", "18446744073709551615", "Sat, 10 Apr 2027 18:00:00 GMT"] {
            let headers: &'static str = format!("Retry-After: {asked}\r\n").leak();
            let gateway = FakeGateway::start([Act::Refuse(429, headers, "")]).await;
            let mut world = World::new(store.clone(), []);
            world.config.sms.in_flight = 1;
            let now = super::at(super::NOON);
            let transport = Arc::new(SmsGateway::new(&gateway.config(), "t").map_err(|_| "faults").unwrap());
            let dispatcher = world.dispatcher_over(Channels { email: None, sms: Some(transport) });
            assert_eq!(dispatcher.drain_due().await.unwrap().later, 1, "{asked}");
            assert_eq!(dispatcher.next_due().await.unwrap(), Some(now + TimeDelta::days(1)), "{asked}");
            // As it was, for the next one.
            let mut tx = store.begin().await.unwrap();
            sqlx::query("UPDATE deliveries SET not_before = $1")
                .bind(now.timestamp_millis())
                .execute(tx.conn())
                .await
                .unwrap();
            tx.commit().await.unwrap();
        }
    })
    .await;
}
