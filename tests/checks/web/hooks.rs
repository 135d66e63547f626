//! The doors for other programs: texts, reports, and E7: forged, replayed, old, re-serialised, with a changed key.

use std::sync::Arc;

use axum::body::Body;
use axum::http::Request;
use chrono::{DateTime, TimeDelta, Utc};
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;
use sqlx::Row;
use treebell::clock::Clock;
use treebell::config::Secret;
use treebell::delivery::channels::scripted::{Script, ScriptedTransport};
use treebell::delivery::dispatcher::AsWritten;
use treebell::delivery::state::DeliveryState;
use treebell::delivery::{Channels, Dispatcher};
use treebell::people::Channel;
use treebell::store::Store;
use treebell::store::queue::DeliveryFilter;

use super::support::{Answer, World};
use crate::delivery::{Seed, at, plain_config, rows};
use crate::engines::on_each_engine;

pub struct Doors {
    pub world: World,
    folder: tempfile::TempDir,
}

impl Doors {
    pub fn on(store: Store, signed: bool) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let file = |name: &str, text: &str| {
            std::fs::write(folder.path().join(name), text).unwrap();
            Secret::File(folder.path().join(name))
        };
        let (path, old, new) =
            (file("path", "s3cret-path\n"), file("old", "whsec_b2xkIGtleQ=="), file("new", "new key"));
        let world = World::on(store, |config| {
            config.hooks.path = Some(path);
            config.hooks.secrets = if signed { vec![old, new] } else { Vec::new() };
            config.hooks.text.from = "from".into();
        });
        Self { world, folder }
    }

    async fn get(&self, door: &str) -> Answer {
        self.world.get(&format!("/hooks/s3cret-path/{door}")).await
    }

    async fn signed(&self, key: &[u8], id: &str, at: DateTime<Utc>, body: &str, sent: &str) -> Answer {
        let mut mac = <Hmac<Sha256> as KeyInit>::new_from_slice(key).unwrap();
        mac.update(format!("{id}.{}.{body}", at.timestamp()).as_bytes());
        let signature = base64(&mac.finalize().into_bytes());
        let request = Request::post("/hooks/s3cret-path/text")
            .header("content-type", "application/json")
            .header("webhook-id", id)
            .header("webhook-timestamp", at.timestamp().to_string())
            .header("webhook-signature", format!("v1,bm9uc2Vuc2U= v1,{signature}"))
            .body(Body::from(sent.to_owned()));
        self.world.ask(request.unwrap()).await
    }

    async fn letters(&self) -> i64 {
        let store = self.world.parts.store.clone();
        sqlx::query("SELECT COUNT(*) AS n FROM letters")
            .fetch_one(&mut *store.read().await.unwrap())
            .await
            .unwrap()
            .get("n")
    }
}

pub fn base64(bytes: &[u8]) -> String {
    const SIGNS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::new();
    for part in bytes.chunks(3) {
        let word = part.iter().chain([&0, &0]).take(3).fold(0_usize, |word, byte| (word << 8) | usize::from(*byte));
        for at in 0..4 {
            out.push(if at <= part.len() { SIGNS[(word >> (18 - 6 * at)) & 63] as char } else { '=' });
        }
    }
    out
}

#[tokio::test]
async fn doors_are_closed_without_their_secret_and_say_what_is_missing() {
    let doors = Doors::on(Store::in_memory().await.unwrap(), false);
    let text = "from=%2B15055550150&text=HELP";
    assert_eq!(doors.world.get(&format!("/hooks/guess/text?{text}")).await.status, 404);
    assert_eq!(doors.get(&format!("other?{text}")).await.status, 404);
    let closed = World::empty(|_| {}).await;
    assert_eq!(closed.get(&format!("/hooks/s3cret-path/text?{text}")).await.status, 404);
    let answer = doors.get("text?from=%2B15055550150").await;
    assert_eq!(
        (answer.status.as_u16(), answer.body.as_str()),
        (400, r#"{"fault":"the field `text` is missing (hooks.text)"}"#)
    );
    let answer = doors.get(&format!("text?{text}")).await;
    assert_eq!((answer.status.as_u16(), answer.body.as_str()), (200, ""), "nothing a gateway could send on");
    assert_eq!(doors.letters().await, 1);
    let form = doors.world.post("/hooks/s3cret-path/text", &[("from", "15055550151"), ("text", "STOP")]).await;
    assert_eq!(form.status, 200);
    assert_eq!(doors.letters().await, 2);
    let put = Request::put("/hooks/s3cret-path/text").body(Body::empty()).unwrap();
    assert_eq!(doors.world.ask(put).await.status, 405);
}

#[tokio::test]
async fn only_a_signature_in_time_over_the_very_bytes_opens_and_a_replay_does_nothing() {
    let doors = Doors::on(Store::in_memory().await.unwrap(), true);
    let now = doors.world.clock.now();
    let body = r#"{"from":"+15055550150","text":"HELP"}"#;
    let (old, new): (&[u8], &[u8]) = (b"old key", b"new key");
    let plain = doors.get("text?from=%2B15055550150&text=HELP").await;
    assert_eq!(plain.status, 401, "no signature");
    assert_eq!(doors.signed(b"guess", "m0", now, body, body).await.status, 401);
    let other = r#"{"from": "+15055550150", "text": "HELP"}"#;
    assert_eq!(doors.signed(old, "m0", now, body, other).await.status, 401, "the same JSON in other bytes");
    for minutes in [-6, 6] {
        let at = now + TimeDelta::minutes(minutes);
        assert_eq!(doors.signed(old, "m0", at, body, body).await.status, 401, "{minutes} minutes");
    }
    assert_eq!(doors.letters().await, 0);
    assert_eq!(doors.signed(old, "m1", now - TimeDelta::minutes(4), body, body).await.status, 200);
    assert_eq!(doors.letters().await, 1);
    let again = doors.signed(old, "m1", now, body, body).await;
    assert_eq!((again.status.as_u16(), again.body.as_str()), (200, "taken before\n"));
    assert_eq!(doors.letters().await, 1);
    assert_eq!(doors.signed(new, "m2", now, body, body).await.status, 200, "both keys hold while one is changed");
    assert_eq!(doors.letters().await, 2);
    std::fs::write(doors.folder.path().join("old"), "whsec_b3RoZXI=").unwrap();
    assert_eq!(doors.signed(old, "m3", now, body, body).await.status, 401, "a key that was taken away is worthless");
}

/// A9 through the door: reports in every order, twice, and of messages that nobody knows.
#[tokio::test]
async fn reports_move_a_delivery_forward_whatever_their_order() {
    on_each_engine("reports by hook", |store| async move {
        let seed = Seed::new(Channel::Sms, 6);
        let keys = seed.put(&store).await;
        let doors = Doors::on(store.clone(), false);
        let steps = ["8", "4", "1"];
        let orders = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];
        for (key, order) in keys.iter().zip(orders) {
            for at in order {
                for _twice in 0..2 {
                    let answer = doors.get(&format!("report?ref={key}&status={}", steps[at])).await;
                    assert_eq!(answer.status, 200);
                }
            }
        }
        assert_eq!(doors.get("report?ref=nobody&status=1").await.status, 200);
        assert_eq!(doors.get("report?id=unknown&status=1").await.status, 200);
        assert_eq!(doors.get("report?ref=x&status=32").await.body, "nothing new\n");
        assert_eq!(doors.get("report?status=1").await.status, 400);
        for row in rows(&store).await.into_values() {
            assert_eq!(row.standing.state, DeliveryState::Delivered);
        }
    })
    .await;
}

/// E2: stops that race sends. After the door's 200 no message to that phone reaches the gateway. 300 races an engine; with
/// TREEBELL_RACES=10000 as many as that. Taking away the look before the first byte (`Store::may_still_go`) or the wait
/// for workers (`Texts::wait_for_workers`) lets messages arrive after it.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn nothing_is_handed_over_after_a_stop_was_answered() {
    let races: usize = std::env::var("TREEBELL_RACES").ok().and_then(|text| text.parse().ok()).unwrap_or(300);
    on_each_engine("stop against send", |store| async move {
        let doors = Arc::new(Doors::on(store.clone(), false));
        doors.world.clock.set(at(crate::delivery::NOON));
        let batch = 20;
        let (mut before, mut kept_back) = (0, 0);
        for round in 0..races.div_ceil(batch) {
            let mut seed = Seed::new(Channel::Sms, batch);
            seed.region = Box::leak(format!("mesa-{round}").into_boxed_str());
            seed.first = (round * batch) % 5000;
            // The same phones as in an earlier round begin afresh.
            let mut tx = store.begin().await.unwrap();
            for clear in ["DELETE FROM suppressions", "UPDATE addresses SET status = 'confirmed'"] {
                sqlx::query(clear).execute(tx.conn()).await.unwrap();
            }
            tx.commit().await.unwrap();
            let keys = seed.put(&store).await;
            // Ids as the store makes them, so that a stop finds its deliveries.
            let mut tx = store.begin().await.unwrap();
            for (index, key) in keys.iter().enumerate() {
                let phone = crate::people::address(&seed.address(index));
                let id = store.address_hash().of(&phone);
                sqlx::query("UPDATE addresses SET id = $1 WHERE address = $2")
                    .bind(&id)
                    .bind(phone.expose())
                    .execute(tx.conn())
                    .await
                    .unwrap();
                sqlx::query("UPDATE deliveries SET address_id = $1 WHERE id = $2")
                    .bind(&id)
                    .bind(key)
                    .execute(tx.conn())
                    .await
                    .unwrap();
            }
            tx.commit().await.unwrap();
            let transport = Arc::new(ScriptedTransport::new(std::iter::empty::<Script>()));
            let clock: Arc<dyn Clock> = doors.world.clock.clone();
            let channels = Channels { email: None, sms: Some(transport.clone()) };
            let dispatcher = Dispatcher::new(store.clone(), clock, channels, &plain_config(), Arc::new(AsWritten));
            let stops = futures::future::join_all((0..batch).map(|index| {
                let (doors, transport, phone) = (doors.clone(), transport.clone(), seed.address(index));
                async move {
                    let wait = (index * 7 + round * 3) % 60;
                    tokio::time::sleep(std::time::Duration::from_millis(wait as u64)).await;
                    let said = url::form_urlencoded::byte_serialize(phone.as_bytes()).collect::<String>();
                    let answer = doors.get(&format!("text?from={said}&text=STOP&id={round}-{index}")).await;
                    assert_eq!(answer.status, 200);
                    // What had arrived when the answer was there.
                    (phone.clone(), notices_to(&transport, &phone))
                }
            }));
            let (answered, drained) = tokio::join!(stops, dispatcher.drain_due());
            drained.unwrap();
            dispatcher.drain_due().await.unwrap();
            for (phone, at_answer) in answered {
                let in_the_end = notices_to(&transport, &phone);
                assert_eq!(in_the_end, at_answer, "a message to a phone that had its stop answered, round {round}");
                before += in_the_end;
                kept_back += 1 - in_the_end;
                let all = transport.taken().iter().filter(|one| one.to == phone).count();
                assert_eq!(all - in_the_end, 1, "exactly one answer to the stop");
            }
        }
        println!("{races} races: {before} sent before the stop, {kept_back} kept back");
        let open = DeliveryFilter { state: Some(DeliveryState::Queued), ..DeliveryFilter::default() };
        assert!(store.deliveries(&open).await.unwrap().is_empty());
    })
    .await;
}

/// Messages to a phone but for the answer to its stop.
fn notices_to(transport: &ScriptedTransport, phone: &str) -> usize {
    let is_notice = |message: &treebell::message::Message| matches!(message, treebell::message::Message::Sms { text } if text.starts_with("Look at your trees"));
    transport.taken().iter().filter(|one| one.to == phone && is_notice(&one.message)).count()
}

#[tokio::test]
async fn the_page_of_the_question_is_there_in_both_languages_and_a_foreign_token_opens_nothing() {
    let world = World::empty(|_| {}).await;
    let english = world.get(&format!("/seen/{}", "0".repeat(64))).await;
    assert_eq!((english.status.as_u16(), english.body.contains("This question is closed")), (200, true));
    assert!(world.get("/es/seen/x").await.body.contains("Esta pregunta está cerrada"));
    let posted = world.post("/seen/x", &[("saw", "eggs")]).await;
    assert!(posted.body.contains("This question is closed"));
    assert_eq!(world.post("/seen/x", &[("saw", "everything")]).await.status, 400);
}
