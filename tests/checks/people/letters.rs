//! Transactional messages to one person: queued once, sent at once, to those their kind may go to, and forgotten after.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::{AnyConnection, Connection, Row};
use treebell::delivery::state::DeliveryState;
use treebell::dispatch::channels::scripted::Script;
use treebell::message::{Message, TransactionalKind};
use treebell::people::Consent;
use treebell::people::{Channel, Language};
use treebell::store::addresses::AddressStatus;
use treebell::store::queue::DeliveryFilter;
use treebell::store::suppression::may_go;
use treebell::store::transactional::{NewTransactional, Put};

use super::{address, at, say_stop, subscribe, subscriber, two_regions};
use crate::delivery::{NOON, Seed, World, rows};
use crate::engines::{at_each_address, on_each_engine};
use crate::support::open_store;

fn letter(kind: TransactionalKind, to: &str, fact: &str, now: DateTime<Utc>) -> NewTransactional {
    let to = address(to);
    let message = match to.channel() {
        Channel::Sms => Message::Sms { text: format!("a {} letter", kind.name()) },
        Channel::Email => Message::Email {
            subject: kind.name().into(),
            text: "words".into(),
            html: "<p>words</p>".into(),
            calendar: None,
            chart_png: None,
        },
    };
    let expires_at = now + TimeDelta::hours(6);
    NewTransactional { kind, to, language: Language::En, message, fact: fact.into(), expires_at }
}

/// A store of the first release with a delivery in each kind of state and its attempts, then opened by this program.
#[tokio::test]
async fn deliveries_of_an_older_store_outlive_the_coming_of_letters() {
    at_each_address("migrating deliveries", |address| async move {
        sqlx::any::install_default_drivers();
        let is_sqlite = address.starts_with("sqlite:");
        let url = if is_sqlite { format!("{address}?mode=rwc") } else { address.clone() };
        let mut old = AnyConnection::connect(&url).await.unwrap();
        let base = include_str!("../../../src/store/migrations/0001_base.sql");
        let base = if is_sqlite { base.replace("/*clustered*/", "WITHOUT ROWID") } else { base.to_owned() };
        sqlx::raw_sql(sqlx::AssertSqlSafe(base)).execute(&mut old).await.unwrap();
        for text in [
            "CREATE TABLE schema_migrations (version BIGINT PRIMARY KEY, name TEXT NOT NULL)",
            "INSERT INTO schema_migrations (version, name) VALUES (1, 'base')",
            "INSERT INTO regions (id, name, latitude, longitude, elevation_m, time_zone, profile, release_policy, hold_hours, created_at)
             VALUES ('mesa', 'Mesa', 35, -135, 2000, 'America/Denver', 'p', 'at-once', 0, 0)",
            "INSERT INTO notices (id, profile, region_id, season, kind, status, reason, facts, decided_on, decided_at, expires_at, priority)
             VALUES ('p/mesa/2026/inspect-now', 'p', 'mesa', 2026, 'inspect-now', 'released', '{}', '{}', 1, 1, 2, 1)",
        ] {
            sqlx::query(text).execute(&mut old).await.unwrap();
        }
        for (at, state) in DeliveryState::ALL.iter().enumerate() {
            for text in [
                format!(
                    "INSERT INTO deliveries (id, notice_id, address_id, channel, language, state, priority, not_before, expires_at,
                         time_zone, attempts, fence, lease_until, lease_owner, uncertain_count, answers_lost, provider_ref,
                         last_error, created_at, updated_at)
                     VALUES ('d{at}', 'p/mesa/2026/inspect-now', 'a{at}', 'sms', 'es', '{}', 7, 11, 12, 'America/Denver', 3, 4, 13, 'w',
                             1, 1, 'ref{at}', 'why', 14, 15)",
                    state.name()
                ),
                format!(
                    "INSERT INTO attempts (delivery_id, fence, channel, started_at, ended_at, outcome, detail)
                     VALUES ('d{at}', 4, 'sms', 20, 21, 'accepted', 'fine')"
                ),
            ] {
                sqlx::query(sqlx::AssertSqlSafe(text)).execute(&mut old).await.unwrap();
            }
        }
        const ALL: &str = "SELECT d.id, d.notice_id, d.address_id, d.channel, d.language, d.state, d.priority, d.not_before, \
             d.expires_at, d.time_zone, d.attempts, d.fence, d.lease_until, d.lease_owner, d.uncertain_count, d.answers_lost, \
             d.provider_ref, d.last_error, d.created_at, d.updated_at, a.fence AS tried, a.detail \
             FROM deliveries d JOIN attempts a ON a.delivery_id = d.id ORDER BY d.id";
        let as_text = |rows: Vec<sqlx::any::AnyRow>| -> Vec<String> {
            rows.iter()
                .map(|row| {
                    let columns = (0..row.len()).map(|at| {
                        row.try_get::<Option<String>, _>(at).map(|text| format!("{text:?}")).unwrap_or_else(|_| {
                            format!("{:?}", row.get::<Option<i64>, _>(at))
                        })
                    });
                    columns.collect::<Vec<_>>().join("|")
                })
                .collect()
        };
        let before = as_text(sqlx::query(ALL).fetch_all(&mut old).await.unwrap());
        assert_eq!(before.len(), DeliveryState::ALL.len());
        old.close().await.unwrap();

        let store = open_store(&address).await.unwrap();
        let mut connection = store.read().await.unwrap();
        assert_eq!(as_text(sqlx::query(ALL).fetch_all(&mut *connection).await.unwrap()), before);
        let indexes = if is_sqlite {
            "SELECT name FROM sqlite_master WHERE type = 'index' AND tbl_name = 'deliveries' AND name LIKE 'deliveries%'"
        } else {
            "SELECT CAST(indexname AS TEXT) AS name FROM pg_catalog.pg_indexes
             WHERE schemaname = current_schema() AND tablename = 'deliveries' AND indexname NOT LIKE '%key'"
        };
        let mut indexes: Vec<String> =
            sqlx::query(indexes).fetch_all(&mut *connection).await.unwrap().iter().map(|row| row.get("name")).collect();
        indexes.sort();
        indexes.retain(|name| name != "deliveries_pkey");
        let wanted = ["by_address", "end", "of_letter", "of_notice", "provider", "turn", "wake"];
        assert_eq!(indexes, wanted.map(|name| format!("deliveries_{name}")));
        drop(connection);
        // Attempts still belong to their deliveries, and a delivery to a notice or a transactional message.
        for text in [
            "DELETE FROM deliveries WHERE id = 'd1'",
            "UPDATE deliveries SET notice_id = NULL WHERE id = 'd1'",
            "UPDATE deliveries SET letter_id = 'nobody' WHERE id = 'd1'",
        ] {
            let mut tx = store.begin().await.unwrap();
            assert!(sqlx::query(text).execute(tx.conn()).await.is_err(), "{text}");
        }
        store.close().await;
    })
    .await;
}

#[tokio::test]
async fn a_letter_is_queued_once_and_leaves_at_night_before_notices_and_the_answer_to_a_text_after_them() {
    on_each_engine("letters in the queue", |store| async move {
        let seed = Seed::new(Channel::Sms, 3);
        seed.put(&store).await;
        let mut world = World::new(store, []);
        world.config.sms.in_flight = 1;
        let night = at("2026-04-11T08:00:00Z"); // two in the morning in Denver
        world.clock.set(night);
        let new = letter(TransactionalKind::Help, "+15055550150", "text 1", night);
        let Put::Queued { delivery } = world.store.put_transactional(&new, night).await.unwrap() else {
            panic!("queued")
        };
        assert_eq!(world.store.put_transactional(&new, night).await.unwrap(), Put::AlreadyThere);
        let other = NewTransactional { fact: "text 2".into(), ..new.clone() };
        assert!(matches!(world.store.put_transactional(&other, night).await.unwrap(), Put::Queued { .. }));
        let dispatcher = world.dispatcher();
        let drained = dispatcher.drain_due().await.unwrap();
        assert_eq!(drained.sent, 2, "the notices sleep");
        let row = world.row(&delivery).await;
        assert_eq!((row.notice.as_str(), row.standing.state), ("letter/help", DeliveryState::Sent));
        let arrived = world.transport.taken();
        assert_eq!(arrived[0].to, "+15055550150");
        assert_eq!(arrived[0].message, Message::Sms { text: "a help letter".into() });

        // In the morning, with room for one at a time, what somebody asked for on a page overtakes the notices, and the answer
        // to a text comes after them.
        world.clock.set(at("2026-04-11T15:00:00Z"));
        let now = at("2026-04-11T15:00:00Z");
        world.store.put_transactional(&letter(TransactionalKind::Help, "+15055550151", "x", now), now).await.unwrap();
        world
            .store
            .put_transactional(&letter(TransactionalKind::Confirm, "+15055550152", "y", now), now)
            .await
            .unwrap();
        dispatcher.drain_due().await.unwrap();
        let order: Vec<String> = world.transport.taken()[2..].iter().map(|one| one.to.clone()).collect();
        assert_eq!((order[0].as_str(), order[4].as_str()), ("+15055550152", "+15055550151"));
        assert_eq!(order.len(), 5);
        assert!(world.store.backlog(Channel::Sms).await.unwrap().is_empty());
    })
    .await;
}

#[tokio::test]
async fn a_letter_that_is_in_flight_at_a_crash_is_marked_and_repeated_as_a_notice_is() {
    on_each_engine("letters and crashes", |store| async move {
        let world = World::new(store, []);
        let now = at(NOON);
        world.store.put_transactional(&letter(TransactionalKind::Help, "+15055550150", "x", now), now).await.unwrap();
        let dying =
            world.dispatcher().dying_when(|point| point == treebell::dispatch::dispatcher::CrashPoint::AfterClaim);
        assert!(dying.drain_due().await.is_err());
        world.clock.advance(TimeDelta::seconds(61));
        assert_eq!(world.lose_leases().await, 1);
        world.play_out(&world.dispatcher()).await;
        let row = rows(&world.store).await.into_values().next().unwrap();
        assert_eq!((row.standing.state, row.standing.uncertain_count), (DeliveryState::Sent, 1));
        assert_eq!(world.transport.taken().len(), 1);
        // Past its end nothing is repeated.
        let late = letter(TransactionalKind::Help, "+15055550152", "y", now);
        let at_end = late.expires_at;
        world.store.put_transactional(&late, now).await.unwrap();
        world.clock.set(at_end);
        world.play_out(&world.dispatcher()).await;
        assert_eq!(world.transport.taken().len(), 1);
    })
    .await;
}

#[test]
fn who_is_suppressed_gets_the_answer_to_the_stop_and_nothing_else() {
    use TransactionalKind::*;
    let statuses =
        [None, Some(AddressStatus::Unconfirmed), Some(AddressStatus::Confirmed), Some(AddressStatus::Stopped)];
    for kind in TransactionalKind::ALL {
        for status in statuses {
            assert_eq!(may_go(kind, status, true), kind == Stopped, "{kind:?} {status:?}");
            let for_anybody = matches!(kind, Confirm | NotCovered | WhichZip | NotUnderstood | Help);
            let for_subscribers = kind != Stopped && status == Some(AddressStatus::Confirmed);
            assert_eq!(may_go(kind, status, false), for_anybody || for_subscribers, "{kind:?} {status:?}");
        }
    }
}

#[tokio::test]
async fn a_letter_is_withdrawn_when_its_addressee_says_stop_first_and_the_answer_goes_out_once() {
    on_each_engine("letters and stops", |store| async move {
        two_regions(&store).await;
        let mut asked = subscriber(&["00101"], &["+15055550150"], Language::En);
        asked.consent = Consent::Asked { evidence: "text".into() };
        store.add_subscriber(&asked, at(NOON)).await.unwrap();
        let world = World::new(store, []);
        let now = at(NOON);
        let put = |kind, fact: &'static str| {
            let store = world.store.clone();
            async move { store.put_transactional(&letter(kind, "+15055550150", fact, now), now).await.unwrap() }
        };
        assert_eq!(put(TransactionalKind::Welcome, "w").await, Put::NotAllowed, "it is not confirmed");
        assert!(matches!(put(TransactionalKind::Confirm, "c").await, Put::Queued { .. }));
        assert_eq!(put(TransactionalKind::Stopped, "s").await, Put::NotAllowed, "it said no stop");
        say_stop(&world.store, &address("+15055550150"), "text", now).await;
        assert!(matches!(put(TransactionalKind::Stopped, "s").await, Put::Queued { .. }));
        assert_eq!(put(TransactionalKind::Help, "h").await, Put::NotAllowed);
        // Said twice, the answer is not called back.
        say_stop(&world.store, &address("+15055550150"), "text", now).await;
        world.play_out(&world.dispatcher()).await;
        let texts: Vec<_> = world.transport.taken().into_iter().map(|one| one.message).collect();
        assert_eq!(texts, [Message::Sms { text: "a stopped letter".into() }]);
    })
    .await;
}

#[tokio::test]
async fn a_letter_is_forgotten_a_day_after_its_end_and_at_once_when_its_owner_is() {
    on_each_engine("forgotten letters", |store| async move {
        two_regions(&store).await;
        subscribe(&store, &["00101"], &["owner@example.org"]).await;
        let world = World::new(store, [Script::Accept, Script::TakeAndLoseAnswer]);
        let now = at(NOON);
        for (kind, to) in [
            (TransactionalKind::Help, "+15055550150"),
            (TransactionalKind::Help, "+15055550151"),
            (TransactionalKind::Welcome, "owner@example.org"),
        ] {
            world.store.put_transactional(&letter(kind, to, "x", now), now).await.unwrap();
        }
        let kept = || {
            let store = world.store.clone();
            async move {
                sqlx::query("SELECT COUNT(*) AS n FROM letters WHERE address <> '' AND body <> ''")
                    .fetch_one(&mut *store.read().await.unwrap())
                    .await
                    .unwrap()
                    .get::<i64, _>("n")
            }
        };
        assert_eq!(world.store.erase_ended_transactional(now + TimeDelta::days(9)).await.unwrap(), 0, "none has ended");
        world.store.remove_subscriber(&address("owner@example.org"), "asked", now).await.unwrap();
        assert_eq!(kept().await, 2);
        world.dispatcher().drain_due().await.unwrap();
        assert_eq!(world.store.erase_ended_transactional(now + TimeDelta::hours(23)).await.unwrap(), 0);
        // The one that is still in doubt keeps its words until it can no longer be repeated.
        assert_eq!(world.store.erase_ended_transactional(now + TimeDelta::hours(25)).await.unwrap(), 1);
        assert_eq!(world.store.erase_ended_transactional(now + TimeDelta::hours(31)).await.unwrap(), 1);
        assert_eq!(kept().await, 0);
        let all = world.store.deliveries(&DeliveryFilter::default()).await.unwrap();
        assert_eq!(all.len(), 3);
        assert!(all.iter().all(|row| row.address.is_none()));
    })
    .await;
}
