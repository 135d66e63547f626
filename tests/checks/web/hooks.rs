//! The webhooks for other programs: texts and reports; calls that are forged, replayed, old, re-serialised or signed by
//! a key that was changed; stops that race sends.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use async_trait::async_trait;
use axum::body::Body;
use axum::http::Request;
use chrono::{DateTime, TimeDelta, Utc};
use hmac::{Hmac, KeyInit, Mac};
use rand::{RngExt, SeedableRng};
use sha2::Sha256;
use sqlx::Row;
use tokio::sync::Notify;
use treebell::clock::Clock;
use treebell::config::Secret;
use treebell::delivery::state::DeliveryState;
use treebell::dispatch::channels::{Outgoing, Receipt, SendFailure, Transport};
use treebell::dispatch::personalise::{Addressee, AsWritten, Personalised, Personaliser};
use treebell::dispatch::{Channels, Dispatcher};
use treebell::message::Message;
use treebell::people::Channel;
use treebell::store::Store;
use treebell::store::queue::DeliveryFilter;
pub use treebell::text::base64;

use super::support::{Answer, World};
use crate::delivery::{Seed, at, plain_config, rows};
use crate::engines::on_each_engine;

pub struct Webhooks {
    pub world: World,
    folder: tempfile::TempDir,
}

impl Webhooks {
    pub fn on(store: Store, signed: bool) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let file = |name: &str, text: &str| {
            std::fs::write(folder.path().join(name), text).unwrap();
            Secret::File(folder.path().join(name))
        };
        let bounce = file("bounce", "the bounce key, long\n");
        let (path, old, new) = (
            file("path", "s3cret-path-0042\n"),
            file("old", "whsec_dGhlIG9sZCBrZXksIGxvbmc="),
            file("new", "the new key, long"),
        );
        let world = World::on(store, |config| {
            config.hooks.path = Some(path);
            config.hooks.secrets = if signed { vec![old, new] } else { Vec::new() };
            config.hooks.bounce_secret = Some(bounce);
            config.web.trusted_proxies = vec!["127.0.0.1".parse().unwrap()];
            config.hooks.text.from = "from".into();
        });
        Self { world, folder }
    }

    async fn get(&self, door: &str) -> Answer {
        self.world.get(&format!("/hooks/s3cret-path-0042/{door}")).await
    }

    async fn signed(&self, key: &[u8], id: &str, at: DateTime<Utc>, body: &str, sent: &str) -> Answer {
        let mut mac = <Hmac<Sha256> as KeyInit>::new_from_slice(key).unwrap();
        mac.update(format!("{id}.{}.{body}", at.timestamp()).as_bytes());
        let signature = base64(&mac.finalize().into_bytes());
        let request = Request::post("/hooks/s3cret-path-0042/text")
            .header("content-type", "application/json")
            .header("webhook-id", id)
            .header("webhook-timestamp", at.timestamp().to_string())
            .header("webhook-signature", format!("v1,bm9uc2Vuc2U= v1,{signature}"))
            .body(Body::from(sent.to_owned()));
        self.world.ask(request.unwrap()).await
    }

    async fn letters(&self) -> i64 {
        let store = self.world.app.store.clone();
        sqlx::query("SELECT COUNT(*) AS n FROM letters")
            .fetch_one(&mut *store.read().await.unwrap())
            .await
            .unwrap()
            .get("n")
    }
}

#[tokio::test]
async fn doors_are_closed_without_their_secret_and_say_what_is_missing() {
    let webhooks = Webhooks::on(Store::in_memory().await.unwrap(), false);
    let text = "from=%2B15055550150&text=HELP";
    assert_eq!(webhooks.world.get(&format!("/hooks/guess/text?{text}")).await.status, 404);
    assert_eq!(webhooks.get(&format!("other?{text}")).await.status, 404);
    let closed = World::empty(|_| {}).await;
    assert_eq!(closed.get(&format!("/hooks/s3cret-path-0042/text?{text}")).await.status, 404);
    let answer = webhooks.get("text?from=%2B15055550150").await;
    assert_eq!(
        (answer.status.as_u16(), answer.body.as_str()),
        (400, r#"{"fault":"the field `text` is missing (hooks.text)"}"#)
    );
    let answer = webhooks.get(&format!("text?{text}")).await;
    assert_eq!((answer.status.as_u16(), answer.body.as_str()), (200, ""), "nothing a gateway could send on");
    assert_eq!(webhooks.letters().await, 1);
    let form = webhooks.world.post("/hooks/s3cret-path-0042/text", &[("from", "15055550151"), ("text", "STOP")]).await;
    assert_eq!(form.status, 200);
    assert_eq!(webhooks.letters().await, 2);
    let put = Request::put("/hooks/s3cret-path-0042/text").body(Body::empty()).unwrap();
    assert_eq!(webhooks.world.ask(put).await.status, 405);
}

#[tokio::test]
async fn only_a_signature_in_time_over_the_very_bytes_opens_and_a_replay_does_nothing() {
    let webhooks = Webhooks::on(Store::in_memory().await.unwrap(), true);
    let now = webhooks.world.clock.now();
    let body = r#"{"from":"+15055550150","text":"HELP"}"#;
    let (old, new): (&[u8], &[u8]) = (b"the old key, long", b"the new key, long");
    let plain = webhooks.get("text?from=%2B15055550150&text=HELP").await;
    assert_eq!(plain.status, 401, "no signature");
    assert_eq!(webhooks.signed(b"guess", "m0", now, body, body).await.status, 401);
    let other = r#"{"from": "+15055550150", "text": "HELP"}"#;
    assert_eq!(webhooks.signed(old, "m0", now, body, other).await.status, 401, "the same JSON in other bytes");
    for minutes in [-6, 6] {
        let at = now + TimeDelta::minutes(minutes);
        assert_eq!(webhooks.signed(old, "m0", at, body, body).await.status, 401, "{minutes} minutes");
    }
    assert_eq!(webhooks.letters().await, 0);
    assert_eq!(webhooks.signed(old, "m1", now - TimeDelta::minutes(4), body, body).await.status, 200);
    assert_eq!(webhooks.letters().await, 1);
    let again = webhooks.signed(old, "m1", now, body, body).await;
    assert_eq!((again.status.as_u16(), again.body.as_str()), (200, "taken before\n"));
    assert_eq!(webhooks.letters().await, 1);
    assert_eq!(webhooks.signed(new, "m2", now, body, body).await.status, 200, "both keys hold while one is changed");
    assert_eq!(webhooks.letters().await, 2);
    std::fs::write(webhooks.folder.path().join("old"), "whsec_YW5vdGhlciBrZXksIGxvbmc=").unwrap();
    assert_eq!(webhooks.signed(old, "m3", now, body, body).await.status, 401, "a key that was taken away is worthless");
    // Five minutes either way, to the second.
    for (seconds, status) in [(300, 200), (-300, 200), (301, 401), (-301, 401)] {
        let at = now + TimeDelta::seconds(seconds);
        let answer = webhooks.signed(new, &format!("at{seconds}"), at, body, body).await;
        assert_eq!(answer.status, status, "{seconds} s");
    }
}

#[tokio::test]
async fn who_guesses_at_path_or_signature_is_told_to_wait_and_a_right_call_is_always_heard() {
    let webhooks = Webhooks::on(Store::in_memory().await.unwrap(), true);
    let now = webhooks.world.clock.now();
    let body = r#"{"from":"+15055550150","text":"HELP"}"#;
    let from = async |client: &str, path: &str, key: &[u8], id: &str| {
        let at = webhooks.world.clock.now();
        let mut mac = <Hmac<Sha256> as KeyInit>::new_from_slice(key).unwrap();
        mac.update(format!("{id}.{}.{body}", at.timestamp()).as_bytes());
        let request = Request::post(format!("/hooks/{path}/text"))
            .header("x-forwarded-for", client)
            .header("content-type", "application/json")
            .header("webhook-id", id)
            .header("webhook-timestamp", at.timestamp().to_string())
            .header("webhook-signature", format!("v1,{}", base64(&mac.finalize().into_bytes())));
        webhooks.world.ask(request.body(Body::from(body)).unwrap()).await.status.as_u16()
    };
    let (right, key): (&str, &[u8]) = ("s3cret-path-0042", b"the new key, long");
    assert_eq!(from("198.51.100.7", right, key, "g0").await, 200);
    for at in 0..10 {
        assert_eq!(from("203.0.113.9", &format!("guess-{at:010}"), key, "g1").await, 404);
        assert_eq!(from("203.0.113.9", right, b"guess", "g1").await, 401);
    }
    assert_eq!(from("203.0.113.9", "guess-0000000011", key, "g1").await, 429);
    assert_eq!(from("203.0.113.200", right, b"guess", "g1").await, 429, "the same network");
    // A gateway of the same network that has never called before, and any other: a STOP may be among its calls. Before,
    // guesses were counted before path and signature were compared.
    assert_eq!(from("203.0.113.200", right, key, "g1").await, 200);
    for network in 0..100 {
        for _ in 0..11 {
            from(&format!("192.0.{network}.1"), "guess-0000000012", key, "g2").await;
        }
    }
    assert_eq!(from("192.1.2.1", right, key, "g2").await, 200, "after more wrong calls than are written down");
    webhooks.world.clock.set(now + TimeDelta::minutes(61));
    assert_eq!(from("203.0.113.9", "guess-0000000013", key, "g1").await, 404, "an hour later");
}

#[tokio::test]
async fn a_secret_that_is_rewritten_badly_stays_as_it_was_and_a_good_one_holds_at_once() {
    let webhooks = Webhooks::on(Store::in_memory().await.unwrap(), true);
    let now = webhooks.world.clock.now();
    let body = r#"{"from":"+15055550150","text":"HELP"}"#;
    let new: &[u8] = b"the new key, long";
    for (at, bad) in ["", "\n", "short", "whsec_", "whsec_?"].into_iter().enumerate() {
        for name in ["new", "path"] {
            std::fs::write(webhooks.folder.path().join(name), bad).unwrap();
        }
        assert_eq!(
            webhooks.signed(b"", &format!("e{at}"), now, body, body).await.status,
            401,
            "`{bad}`: the empty key"
        );
        assert_eq!(webhooks.signed(new, &format!("b{at}"), now, body, body).await.status, 200, "`{bad}`");
    }
    std::fs::write(webhooks.folder.path().join("path"), "with/a/slash/in/it").unwrap();
    assert_eq!(webhooks.signed(new, "b9", now, body, body).await.status, 200);
    std::fs::write(webhooks.folder.path().join("new"), "the next key, long").unwrap();
    assert_eq!(webhooks.signed(b"the next key, long", "b10", now, body, body).await.status, 200);
    assert_eq!(webhooks.signed(new, "b11", now, body, body).await.status, 401);
}

/// A signature is over id, time and body. Nothing else of a signed call may have an effect.
#[tokio::test]
async fn of_a_signed_call_only_what_is_signed_counts() {
    let webhooks = Webhooks::on(Store::in_memory().await.unwrap(), true);
    let now = webhooks.world.clock.now();
    let sign = |id: &str, at: DateTime<Utc>, body: &str| {
        let mut mac = <Hmac<Sha256> as KeyInit>::new_from_slice(b"the new key, long").unwrap();
        mac.update(format!("{id}.{}.{body}", at.timestamp()).as_bytes());
        format!("v1,{}", base64(&mac.finalize().into_bytes()))
    };
    let body = r#"{"from":"+15055550150","text":"HELP"}"#;
    let call = async |query: &str, id: &str, at: DateTime<Utc>, signature: String, body: &'static str| {
        let request = Request::post(format!("/hooks/s3cret-path-0042/text{query}"))
            .header("content-type", "application/json")
            .header("webhook-id", id)
            .header("webhook-timestamp", at.timestamp().to_string())
            .header("webhook-signature", signature);
        webhooks.world.ask(request.body(Body::from(body)).unwrap()).await.status.as_u16()
    };
    let good = sign("s1", now, body);
    assert_eq!(call("", "s2", now, good.clone(), body).await, 401, "another id");
    assert_eq!(call("", "s1", now + TimeDelta::seconds(1), good.clone(), body).await, 401, "another time");
    let without_prefix = good.trim_start_matches("v1,").to_owned();
    for bad in
        [without_prefix, good.replace("v1,", "v2,"), good[..good.len() - 2].to_owned(), "v1,".into(), String::new()]
    {
        assert_eq!(call("", "s1", now, bad.clone(), body).await, 401, "`{bad}`");
    }
    assert_eq!(webhooks.letters().await, 0);
    // Who stands between may add to the address, and it is not looked at.
    let empty = r#"{"text":"STOP"}"#;
    let status = call("?from=%2B15055550151", "s3", now, sign("s3", now, empty), empty).await;
    assert_eq!(status, 400, "its sender is not signed");
    assert_eq!(webhooks.letters().await, 0);
    // Twenty copies at the same time have one effect.
    let copies = futures::future::join_all((0..20).map(|_| call("", "s1", now, good.clone(), body))).await;
    assert_eq!(copies, [200; 20]);
    assert_eq!(webhooks.letters().await, 1);
}

/// Through the webhook too: reports in every order, twice, and of messages that nobody knows.
#[tokio::test]
async fn reports_move_a_delivery_forward_whatever_their_order() {
    on_each_engine("reports by hook", |store| async move {
        let seed = Seed::new(Channel::Sms, 6);
        let keys = seed.put(&store).await;
        // Of a message that was never tried no report is taken.
        let mut tx = store.begin().await.unwrap();
        sqlx::query("UPDATE deliveries SET attempts = 1").execute(tx.conn()).await.unwrap();
        tx.commit().await.unwrap();
        let webhooks = Webhooks::on(store.clone(), false);
        let steps = ["8", "4", "1"];
        let orders = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];
        for (key, order) in keys.iter().zip(orders) {
            for at in order {
                for _twice in 0..2 {
                    let answer = webhooks.get(&format!("report?ref={key}&status={}", steps[at])).await;
                    assert_eq!(answer.status, 200);
                }
            }
        }
        assert_eq!(webhooks.get("report?ref=nobody&status=1").await.status, 200);
        assert_eq!(webhooks.get("report?id=unknown&status=1").await.status, 200);
        assert_eq!(webhooks.get("report?ref=x&status=32").await.body, "nothing new\n");
        assert_eq!(webhooks.get("report?status=1").await.status, 400);
        for row in rows(&store).await.into_values() {
            assert_eq!(row.standing.state, DeliveryState::Delivered);
        }
    })
    .await;
}

/// Stops that race sends, a quarter of them each before the claim, between claim and look, while the send is under way and
/// after it, by chance delays around that moment. After the webhook's 200 no message to that phone reaches the gateway,
/// and the stop is answered once. 300 races an engine; with TREEBELL_RACES=10000 as many as that.
///
/// Taken away once: without the look before the first byte (`Store::may_still_go` always true) messages go to phones whose
/// stop was committed before it; without the wait for workers (`Stopping::in_force`) messages arrive after the 200.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn nothing_is_handed_over_after_a_stop_was_answered() {
    let races: usize = std::env::var("TREEBELL_RACES").ok().and_then(|text| text.parse().ok()).unwrap_or(300);
    on_each_engine("stop against send", |store| async move {
        let webhooks = Arc::new(Webhooks::on(store.clone(), false));
        webhooks.world.clock.set(at(crate::delivery::NOON));
        let batch = 20;
        // By where the stop came in: sent, kept back.
        let mut seen: BTreeMap<Came, (usize, usize)> = BTreeMap::new();
        let mut held = 0;
        for round in 0..races.div_ceil(batch) {
            let seed = race_seed(&store, round, batch).await;
            let mut chance = rand_chacha::ChaCha8Rng::seed_from_u64(round as u64);
            let lanes: Arc<Vec<Lane>> = Arc::new(
                (0..batch).map(|index| Lane::new(seed.address(index), Came::ALL[index % 4], &mut chance)).collect(),
            );
            let gateway = Arc::new(RaceGateway { lanes: lanes.clone(), answers: Mutex::default() });
            let clock: Arc<dyn Clock> = webhooks.world.clock.clone();
            let channels = Channels { email: None, sms: Some(gateway.clone()) };
            let before = Arc::new(BeforeTheLook { lanes: lanes.clone(), store: store.clone() });
            let dispatcher = Arc::new(Dispatcher::new(store.clone(), clock, channels, &plain_config(), before));
            let late = Duration::from_millis(chance.random_range(0..8));
            let stops: Vec<_> = (0..batch)
                .map(|index| {
                    let (webhooks, lanes) = (webhooks.clone(), lanes.clone());
                    tokio::spawn(async move { lanes[index].stop(&webhooks, &format!("{round}-{index}")).await })
                })
                .collect();
            let sender = dispatcher.clone();
            let drained = tokio::spawn(async move {
                tokio::time::sleep(late).await;
                sender.drain_due().await
            });
            let came = futures::future::join_all(stops).await;
            drained.await.unwrap().unwrap();
            dispatcher.drain_due().await.unwrap();
            for (lane, came) in lanes.iter().zip(came) {
                let (came, at_answer) = came.unwrap();
                let in_the_end = lane.taken.count();
                assert_eq!(
                    in_the_end, at_answer,
                    "a message to a phone that had its stop answered, {came:?}, round {round}"
                );
                if lane.stopped_before_look.load(Ordering::SeqCst) {
                    held += 1;
                    assert_eq!(in_the_end, 0, "its stop was committed before the look, round {round}");
                }
                let answers = gateway.answers.lock().unwrap().iter().filter(|to| **to == lane.phone).count();
                assert_eq!(answers, 1, "exactly one answer to the stop");
                let (sent, kept_back) = seen.entry(came).or_default();
                *sent += in_the_end;
                *kept_back += 1 - in_the_end;
            }
        }
        println!(
            "{races} races on {:?}, {held} with the stop committed before the look; (sent, kept back): {seen:?}",
            store.engine()
        );
        for came in Came::ALL {
            let (sent, kept_back) = seen.get(&came).copied().unwrap_or_default();
            assert!((sent + kept_back) * 100 >= races * 15, "too few races {came:?}: {seen:?}");
        }
        let open = DeliveryFilter { state: Some(DeliveryState::Queued), ..DeliveryFilter::default() };
        assert!(store.deliveries(&open).await.unwrap().is_empty());
    })
    .await;
}

/// When a stop came in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Came {
    BeforeTheClaim,
    BetweenClaimAndLook,
    WhileUnderWay,
    AfterTheSend,
}

impl Came {
    const ALL: [Came; 4] = [Came::BeforeTheClaim, Came::BetweenClaimAndLook, Came::WhileUnderWay, Came::AfterTheSend];
}

/// A moment of a send: how often and when it came, and a signal for who waits for it.
#[derive(Default)]
struct Moment {
    at: Mutex<Vec<Instant>>,
    told: Notify,
}

impl Moment {
    fn comes(&self) {
        self.at.lock().unwrap().push(Instant::now());
        self.told.notify_waiters();
    }

    fn count(&self) -> usize {
        self.at.lock().unwrap().len()
    }

    fn is_before(&self, instant: Instant) -> bool {
        self.at.lock().unwrap().first().is_some_and(|at| *at <= instant)
    }

    async fn wait(&self) {
        loop {
            let told = self.told.notified();
            if self.count() > 0 {
                return;
            }
            tokio::time::timeout(Duration::from_secs(60), told).await.expect("the send gets there");
        }
    }
}

/// One phone, its message and its stop.
struct Lane {
    phone: String,
    aim: Came,
    /// The worker waits before its look until the stop is committed.
    is_held: bool,
    /// Delays of a few ms: of the stop, of the worker before its look, of the gateway before it has the message and before
    /// it answers.
    delays: [Duration; 4],
    claimed: Moment,
    begun: Moment,
    taken: Moment,
    done: Moment,
    stop_is_committed: AtomicBool,
    stopped_before_look: AtomicBool,
}

impl Lane {
    fn new(phone: String, aim: Came, chance: &mut rand_chacha::ChaCha8Rng) -> Self {
        let mut delay = |most: u64| Duration::from_millis(chance.random_range(0..=most));
        let stop = match aim {
            Came::BeforeTheClaim => delay(3),
            Came::BetweenClaimAndLook => delay(1),
            Came::WhileUnderWay => delay(8),
            Came::AfterTheSend => delay(5),
        };
        let delays = [stop, delay(4), delay(8), delay(8)];
        Self {
            phone,
            aim,
            is_held: aim == Came::BetweenClaimAndLook && chance.random_bool(0.7),
            delays,
            claimed: Moment::default(),
            begun: Moment::default(),
            taken: Moment::default(),
            done: Moment::default(),
            stop_is_committed: AtomicBool::new(false),
            stopped_before_look: AtomicBool::new(false),
        }
    }

    /// Says stop at its moment. Gives when it came in, and how many messages had arrived when it was answered.
    async fn stop(&self, webhooks: &Webhooks, id: &str) -> (Came, usize) {
        match self.aim {
            Came::BeforeTheClaim => {}
            Came::BetweenClaimAndLook => self.claimed.wait().await,
            Came::WhileUnderWay => self.begun.wait().await,
            Came::AfterTheSend => self.done.wait().await,
        }
        tokio::time::sleep(self.delays[0]).await;
        let since = Instant::now();
        let came = match () {
            () if !self.claimed.is_before(since) => Came::BeforeTheClaim,
            () if !self.begun.is_before(since) => Came::BetweenClaimAndLook,
            () if !self.done.is_before(since) => Came::WhileUnderWay,
            () => Came::AfterTheSend,
        };
        let said: String = url::form_urlencoded::byte_serialize(self.phone.as_bytes()).collect();
        let door = format!("text?from={said}&text=STOP&id={id}");
        let (answer, ()) = tokio::join!(webhooks.get(&door), self.sees_the_commit(&webhooks.world.app.store));
        assert_eq!(answer.status, 200);
        (came, self.taken.count())
    }

    /// Tells a worker that is held when the stop is in the store.
    async fn sees_the_commit(&self, store: &Store) {
        let key = store.address_hash().of(&crate::people::address(&self.phone));
        while self.is_held && !self.stop_is_committed.load(Ordering::SeqCst) {
            let find = sqlx::query("SELECT since FROM suppressions WHERE address_key = $1").bind(key.as_str());
            let found = find.fetch_optional(&mut *store.read().await.unwrap()).await.unwrap();
            self.stop_is_committed.store(found.is_some(), Ordering::SeqCst);
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
    }
}

/// Stands where a worker has claimed a message and not yet looked whether it may still go.
struct BeforeTheLook {
    lanes: Arc<Vec<Lane>>,
    store: Store,
}

impl Personaliser for BeforeTheLook {
    fn personalise(&self, message: &Message, to: &Addressee<'_>) -> Result<Personalised, String> {
        let key = |lane: &Lane| self.store.address_hash().of(&crate::people::address(&lane.phone));
        if is_notice(message)
            && let Some(lane) = self.lanes.iter().find(|lane| key(lane) == *to.address_id)
        {
            lane.claimed.comes();
            tokio::task::block_in_place(|| {
                let committed = || lane.stop_is_committed.load(Ordering::SeqCst);
                let begun = Instant::now();
                while lane.is_held && !committed() && begun.elapsed() < Duration::from_secs(10) {
                    std::thread::sleep(Duration::from_millis(1));
                }
                if !lane.is_held {
                    std::thread::sleep(lane.delays[1]);
                }
                lane.stopped_before_look.store(committed(), Ordering::SeqCst);
            });
        }
        AsWritten.personalise(message, to)
    }
}

/// A gateway that takes its time, before it has a message and before it answers.
struct RaceGateway {
    lanes: Arc<Vec<Lane>>,
    /// Whom the answer to a stop went to.
    answers: Mutex<Vec<String>>,
}

#[async_trait]
impl Transport for RaceGateway {
    async fn send(&self, outgoing: &Outgoing) -> Result<Receipt, SendFailure> {
        match self.lanes.iter().find(|lane| lane.phone == outgoing.to) {
            Some(lane) if is_notice(&outgoing.message) => {
                lane.begun.comes();
                tokio::time::sleep(lane.delays[2]).await;
                lane.taken.comes();
                tokio::time::sleep(lane.delays[3]).await;
                lane.done.comes();
            }
            _ => self.answers.lock().unwrap().push(outgoing.to.clone()),
        }
        Ok(Receipt::default())
    }
}

fn is_notice(message: &Message) -> bool {
    matches!(message, Message::Sms { text } if text.starts_with("Look at your trees"))
}

/// A notice to phones that are confirmed, with ids as the store makes them, so that a stop finds its deliveries.
async fn race_seed(store: &Store, round: usize, batch: usize) -> Seed {
    let mut seed = Seed::new(Channel::Sms, batch);
    seed.region = Box::leak(format!("mesa-{round}").into_boxed_str());
    seed.first = (round * batch) % 500;
    // The same phones as in an earlier round begin afresh.
    let mut tx = store.begin().await.unwrap();
    for clear in ["DELETE FROM suppressions", "UPDATE addresses SET status = 'confirmed'"] {
        sqlx::query(clear).execute(tx.conn()).await.unwrap();
    }
    tx.commit().await.unwrap();
    let keys = seed.put(store).await;
    let mut tx = store.begin().await.unwrap();
    for (index, key) in keys.iter().enumerate() {
        let phone = crate::people::address(&seed.address(index));
        let id = store.address_hash().of(&phone);
        for (update, by) in [
            ("UPDATE addresses SET id = $1 WHERE address = $2", phone.expose()),
            ("UPDATE deliveries SET address_id = $1 WHERE id = $2", key.as_str()),
        ] {
            sqlx::query(update).bind(id.as_str()).bind(by).execute(tx.conn()).await.unwrap();
        }
    }
    tx.commit().await.unwrap();
    seed
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
