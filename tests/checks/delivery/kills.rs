//! A real process is killed at seeded random times, again and again, while it sends over SMTP and HTTP. The relay and the
//! gateway live in this process, so their books survive: what arrived is joined with what was booked.
//!
//! `TREEBELL_KILLS=500` makes the run as long as one likes; without it there are 40 kills on each engine.

use std::collections::BTreeSet;
use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

use chrono::{NaiveTime, TimeDelta};
use rand::{RngExt, SeedableRng};
use treebell::clock::{Clock, SystemClock};
use treebell::config::DeliveryConfig;
use treebell::delivery::channels::sms_http::SmsGateway;
use treebell::delivery::channels::smtp::SmtpTransport;
use treebell::delivery::dispatcher::AsWritten;
use treebell::delivery::state::DeliveryState;
use treebell::delivery::{Channels, Dispatcher};
use treebell::people::Channel;
use treebell::store::{Engine, Store};

use super::gateway::FakeGateway;
use super::smtp::SmtpServer;
use super::{Ledger, Seed, plain_config, rows};
use crate::engines::at_each_address;

const IN_FLIGHT: usize = 4;

// Taken away one by one, each made this fail: the attempt's row with the claim (silent repeats), `take_over` and the
// recovery of leases (deliveries stay open), the fence (an uncertain one booked twice), and a Message-ID drawn by lot (a
// repeat cannot be joined with what was booked).
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_process_killed_at_any_time_loses_nothing_and_marks_every_repeat() {
    let kills: usize = std::env::var("TREEBELL_KILLS").ok().and_then(|text| text.parse().ok()).unwrap_or(40);
    at_each_address("kills", |address| async move {
        let relay = SmtpServer::start([]).await;
        let gateway = FakeGateway::start([]).await;
        let store = Store::open(&address).await.unwrap();
        let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(2026);
        let mut seeded = 0;
        for _ in 0..kills {
            // Enough to be in the middle of it whenever the kill comes.
            while waiting(&store).await < 150 {
                seeded = seed(&store, seeded, 100).await;
            }
            let arrived = || relay.count() + gateway.count();
            let before = arrived();
            let mut child = start(&address, &relay, &gateway);
            // One in three dies while it takes over, the others in the middle of sending, however fast this machine is.
            let more = if dice.random_bool(0.3) { 0 } else { dice.random_range(1..60) };
            while arrived() < before + more {
                tokio::task::yield_now().await;
            }
            tokio::time::sleep(Duration::from_micros(dice.random_range(0..3000))).await;
            child.kill().unwrap();
            child.wait().unwrap();
        }
        let mut child = start(&address, &relay, &gateway);
        let mut by_hand = BTreeSet::new();
        while waiting(&store).await > 0 {
            // In flight at so many kills that it is left to staff: here they are.
            for (key, row) in rows(&store).await {
                if row.standing.state == DeliveryState::Uncertain && !row.standing.may_repeat() {
                    store.retry_delivery(&key, SystemClock.now()).await.unwrap();
                    by_hand.insert(key);
                }
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        child.kill().unwrap();
        child.wait().unwrap();

        let arrived: Vec<String> = relay.kept_keys().into_iter().chain(gateway.taken_keys()).collect();
        let copies = arrived.len();
        let ledger = Ledger::of(&store, arrived).await;
        eprintln!("{:?}: {kills} kills, {copies} copies, {ledger:?}, left to staff {}", store.engine(), by_hand.len());
        assert_eq!((ledger.lost, ledger.silent, ledger.open), (0, 0, 0), "{ledger:?}");
        assert_eq!(ledger.booked, seeded * 2);
        // Two channels with so many in flight each; what a kill leaves can be killed once more.
        assert!(ledger.repeated <= kills * IN_FLIGHT * 2, "{ledger:?}");
        assert!(ledger.marked > 0, "no kill met a message in flight: {ledger:?}");
        store.close().await;
    })
    .await;
}

async fn seed(store: &Store, first: usize, count: usize) -> usize {
    let now = SystemClock.now();
    for channel in Channel::ALL {
        let mut seed = Seed::new(channel, count);
        seed.first = first;
        seed.not_before = now;
        seed.expires_at = now + TimeDelta::days(1);
        seed.put(store).await;
    }
    first + count
}

/// Deliveries that have not ended.
async fn waiting(store: &Store) -> u64 {
    let open = [DeliveryState::Queued, DeliveryState::Leased, DeliveryState::Uncertain];
    store.queue_counts().await.unwrap().into_iter().filter(|((_, state), _)| open.contains(state)).map(|(_, n)| n).sum()
}

/// This very program again, as a service; returns once it has the store and begins to send.
fn start(address: &str, relay: &SmtpServer, gateway: &FakeGateway) -> Child {
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "--nocapture", "delivery::kills::the_process_that_is_killed"])
        .env("TREEBELL_KILLED_STORE", address)
        .env("TREEBELL_KILLED_RELAY", relay.address.port().to_string())
        .env("TREEBELL_KILLED_GATEWAY", gateway.address.to_string())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    assert!(lines.any(|line| line.unwrap().contains(READY)), "the child did not start");
    child
}

const READY: &str = "ready to be killed";

/// Not a check by itself: the check above runs it in a process of its own.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_process_that_is_killed() {
    let Ok(address) = std::env::var("TREEBELL_KILLED_STORE") else { return };
    let port = std::env::var("TREEBELL_KILLED_RELAY").unwrap().parse().unwrap();
    let gateway = std::env::var("TREEBELL_KILLED_GATEWAY").unwrap();
    let store = Store::open(&address).await.unwrap();
    let _lock = store.lock_service().await;
    let mut config = plain_config();
    (config.email.in_flight, config.sms.in_flight) = (IN_FLIGHT, IN_FLIGHT);
    // Shorter than in life, so that the check need not wait for it.
    (config.lease_s, config.uncertain_wait_min, config.retry_first_s) = (2, 0, 1);
    let config = DeliveryConfig { quiet_until: NaiveTime::MIN, quiet_from: NaiveTime::MIN, ..config };

    let mut email = treebell::config::EmailConfig { port: Some(port), ..treebell::config::EmailConfig::default() };
    (email.host, email.security) = (Some("127.0.0.1".into()), treebell::config::SmtpSecurity::Plain);
    let mut sms = treebell::config::SmsConfig { url: Some(format!("http://{gateway}/send")), ..Default::default() };
    for (name, value) in [("to", "{{ to }}"), ("text", "{{ text }}"), ("ref", "{{ key }}")] {
        sms.form.insert(name.into(), value.into());
    }
    sms.reference_pointer = Some("/id".into());
    let channels = Channels {
        email: Some(Arc::new(SmtpTransport::new(&email).unwrap())),
        sms: Some(Arc::new(SmsGateway::new(&sms, "t").map_err(|_| "faults").unwrap())),
    };
    let dispatcher = Dispatcher::new(store.clone(), Arc::new(SystemClock), channels, &config, Arc::new(AsWritten));
    println!("{READY}");
    if store.engine() == Engine::Sqlite {
        dispatcher.take_over().await.unwrap();
    }
    dispatcher.run(std::future::pending()).await;
}
