//! A real process is killed at seeded random times, again and again, while it sends over SMTP and HTTP. The relay and the
//! gateway live in this process, so their records survive: what arrived is joined with what was booked.
//!
//! `TREEBELL_KILLS=500 TREEBELL_MESSAGES=10000` is the full size (messages on each channel); without them there are 65 kills
//! on each engine.

use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Read};
use std::net::SocketAddr;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use chrono::{NaiveTime, TimeDelta};
use rand::{RngExt, SeedableRng};
use treebell::clock::{Clock, SystemClock};
use treebell::config::{DeliveryConfig, EmailConfig, SmsConfig, SmtpSecurity};
use treebell::delivery::state::DeliveryState;
use treebell::dispatch::channels::sms_http::SmsGateway;
use treebell::dispatch::channels::smtp::SmtpTransport;
use treebell::dispatch::personalise::AsWritten;
use treebell::dispatch::{Channels, Dispatcher};
use treebell::people::Channel;
use treebell::store::queue::DeliveryFilter;
use treebell::store::{Engine, Store};

use super::gateway::FakeGateway;
use super::smtp::SmtpServer;
use super::{Ledger, Seed, plain_config};
use crate::engines::at_each_address;
use crate::support::open_store;

pub const IN_FLIGHT: usize = 4;

/// Kills on each engine.
pub fn kills() -> usize {
    number("TREEBELL_KILLS").unwrap_or(65)
}

pub fn number(name: &str) -> Option<usize> {
    std::env::var(name).ok().map(|text| text.parse().unwrap_or_else(|why| panic!("{name}={text}: {why}")))
}

// Seen failing with each of these taken away: the mark on what a vanished worker had in hand (silent repeats), the Message-ID
// made from the key (copies that were never queued). Without the recovery of leases it was seen not to end.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_process_killed_at_any_time_loses_nothing_and_marks_every_repeat() {
    let kills = kills();
    let messages = number("TREEBELL_MESSAGES").unwrap_or(kills * 12);
    at_each_address("kills", |address| async move {
        let relay = SmtpServer::start([]).await;
        let gateway = FakeGateway::start([]).await;
        let store = open_store(&address).await.unwrap();
        let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(2026);
        let mut seeded = 0;
        for kill in 0..kills {
            // Enough to be in the middle of it whenever the kill comes.
            while waiting(&store).await < 150 {
                seeded = seed(&store, seeded, 100).await;
            }
            let arrived = || relay.count() + gateway.count();
            let before = arrived();
            let service = Service::start(&store, &address, &relay, &gateway);
            // So many that the messages last to the end. One in three dies while it takes over, the others in the middle
            // of sending, however fast this machine is.
            let share = (messages * 2).saturating_sub(before) / (kills - kill) * 5 / 2;
            let more = if dice.random_bool(0.3) { 0 } else { dice.random_range(1..=share.max(1)) };
            while arrived() < before + more {
                if waiting(&store).await < 50 {
                    seeded = seed(&store, seeded, 100).await;
                }
                tokio::time::sleep(Duration::from_millis(1)).await;
            }
            tokio::time::sleep(Duration::from_micros(dice.random_range(0..3000))).await;
            service.kill();
        }
        if seeded < messages {
            seeded = seed(&store, seeded, messages - seeded).await;
        }
        let service = Service::start(&store, &address, &relay, &gateway);
        let mut by_hand = BTreeSet::new();
        while waiting(&store).await > 0 {
            // In flight at so many kills that it is left to staff: here they are.
            let doubtful = DeliveryFilter { state: Some(DeliveryState::Uncertain), ..DeliveryFilter::default() };
            for row in store.deliveries(&doubtful).await.unwrap() {
                if !row.standing.may_repeat() {
                    store.retry_delivery(&row.id, SystemClock.now()).await.unwrap();
                    by_hand.insert(row.id);
                }
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        service.kill();

        for (channel, arrived) in [(Channel::Email, relay.kept_keys()), (Channel::Sms, gateway.taken_keys())] {
            let copies = arrived.len();
            let ledger = Ledger::on(&[channel], &store, arrived).await;
            eprintln!("{:?} {}: {kills} kills, {copies} copies, {ledger:?}", store.engine(), channel.name());
            assert_eq!((ledger.lost, ledger.silent, ledger.open), (0, 0, 0), "{ledger:?}");
            assert_eq!(ledger.booked, seeded);
            // So many in flight at each kill; what a kill leaves can be killed once more.
            assert!(ledger.repeated <= kills * IN_FLIGHT, "{ledger:?}");
            assert!(ledger.marked > 0, "no kill met a message in flight: {ledger:?}");
        }
        eprintln!("{:?}: left to staff {}", store.engine(), by_hand.len());
        store.close().await;
    })
    .await;
}

// SIGTERM is no crash: what is in flight is answered first, so nothing is marked and nothing repeated.
#[cfg(unix)]
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_service_that_is_told_to_stop_leaves_nothing_in_doubt() {
    let folder = tempfile::tempdir().unwrap();
    let address = format!("sqlite:{}", folder.path().join("treebell.sqlite").display());
    let (relay, gateway) = (SmtpServer::start([]).await, FakeGateway::start([]).await);
    let store = open_store(&address).await.unwrap();
    seed(&store, 0, 300).await;
    for more in [1, 50, 100] {
        let before = relay.count() + gateway.count();
        let service = Service::installed(&address, &relay, &gateway);
        while relay.count() + gateway.count() < before + more {
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        tokio::task::spawn_blocking(|| service.terminate()).await.unwrap();
        let counts = store.queue_counts().await.unwrap();
        assert!(
            counts.keys().all(|(_, state)| !matches!(state, DeliveryState::Leased | DeliveryState::Uncertain)),
            "{counts:?}"
        );
        let sent: u64 = counts.iter().filter(|((_, state), _)| *state == DeliveryState::Sent).map(|(_, n)| n).sum();
        assert_eq!(usize::try_from(sent).unwrap(), relay.count() + gateway.count());
    }
    let ledger = Ledger::of(&store, relay.kept_keys().into_iter().chain(gateway.taken_keys())).await;
    assert_eq!((ledger.repeated, ledger.marked), (0, 0), "{ledger:?}");
}

pub async fn seed(store: &Store, first: usize, count: usize) -> usize {
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
pub async fn waiting(store: &Store) -> u64 {
    let open = [DeliveryState::Queued, DeliveryState::Leased, DeliveryState::Uncertain];
    store.queue_counts().await.unwrap().into_iter().filter(|((_, state), _)| open.contains(state)).map(|(_, n)| n).sum()
}

/// A process that sends, until it is killed.
pub struct Service {
    child: Child,
    /// Kept until the process is gone.
    _settings: Option<tempfile::TempDir>,
}

impl Service {
    /// On SQLite the program as it is installed. On PostgreSQL, where a dead worker's leases must run out, a worker with
    /// leases shorter than the settings allow: this very test program again.
    pub fn start(store: &Store, address: &str, relay: &SmtpServer, gateway: &FakeGateway) -> Self {
        match store.engine() {
            Engine::Sqlite => Self::installed(address, relay, gateway),
            Engine::Postgres => Self::worker(address, relay, gateway),
        }
    }

    fn installed(address: &str, relay: &SmtpServer, gateway: &FakeGateway) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let settings = folder.path().join("treebell.toml");
        let text = format!(
            r#"
            [store]
            address = '{address}'
            [delivery]
            quiet_until = "00:00:00"
            quiet_from = "23:59:59"
            uncertain_wait_min = 0
            retry_first_s = 1
            email = {{ in_flight = {IN_FLIGHT} }}
            sms = {{ in_flight = {IN_FLIGHT} }}
            [messages]
            postal_address = "1 Invented Way"
            help_contact = "505-555-0100"
            [email]
            host = "127.0.0.1"
            port = {}
            security = "plain"
            [sms]
            url = "http://{}/send"
            form = {{ to = "{{{{ to }}}}", text = "{{{{ text }}}}", ref = "{{{{ key }}}}" }}
            reference_pointer = "/id"
            "#,
            relay.address.port(),
            gateway.address,
        );
        std::fs::write(&settings, text).unwrap();
        let mut child = Command::new(env!("CARGO_BIN_EXE_treebell"))
            .arg("--config")
            .arg(&settings)
            .arg("run")
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        wait_for("treebell is at work", child.stderr.take().unwrap());
        Self { child, _settings: Some(folder) }
    }

    fn worker(address: &str, relay: &SmtpServer, gateway: &FakeGateway) -> Self {
        Self::worker_with(address, relay, gateway, &[])
    }

    pub fn worker_with(address: &str, relay: &SmtpServer, gateway: &FakeGateway, settings: &[(&str, &str)]) -> Self {
        Self::worker_at(address, relay.address.port(), gateway.address, settings)
    }

    /// `settings`: see [`the_worker_that_kills_itself`].
    pub fn worker_at(address: &str, relay: u16, gateway: SocketAddr, settings: &[(&str, &str)]) -> Self {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "--nocapture", "delivery::kills::the_worker_that_kills_itself"])
            .env("TREEBELL_KILLED_STORE", address)
            .env("TREEBELL_KILLED_RELAY", relay.to_string())
            .env("TREEBELL_KILLED_GATEWAY", gateway.to_string())
            .envs(settings.iter().copied())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        wait_for(READY, child.stdout.take().unwrap());
        Self { child, _settings: None }
    }

    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Waits for one that kills itself.
    pub fn kills_itself(mut self) {
        let status = self.child.wait().unwrap();
        assert_eq!(std::os::unix::process::ExitStatusExt::signal(&status), Some(9), "{status}");
    }

    #[cfg(unix)]
    fn terminate(mut self) {
        let asked = Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status().unwrap();
        assert!(asked.success());
        assert!(self.child.wait().unwrap().success());
    }
}

/// A check that fails leaves no process behind.
impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Reads what a process says until it says this, and goes on reading so that it is never held up.
pub fn wait_for(mark: &str, output: impl Read + Send + 'static) {
    let mut lines = BufReader::new(output).lines();
    let mut said = Vec::new();
    for line in lines.by_ref() {
        let line = line.unwrap();
        if line.contains(mark) {
            std::thread::spawn(move || lines.for_each(drop));
            return;
        }
        said.push(line);
    }
    panic!("the process did not start: {said:#?}");
}

const READY: &str = "ready to be killed";

/// Not a check by itself: checks run it in a process of its own. Beside the addresses its environment may say: how many
/// in flight, the only channel, and at which visit of which [`CrashPoint`] it kills itself.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_worker_that_kills_itself() {
    let Ok(address) = std::env::var("TREEBELL_KILLED_STORE") else { return };
    let port = std::env::var("TREEBELL_KILLED_RELAY").unwrap().parse().unwrap();
    let gateway = std::env::var("TREEBELL_KILLED_GATEWAY").unwrap();
    let only = std::env::var("TREEBELL_KILLED_CHANNEL").ok();
    let dies = std::env::var("TREEBELL_KILLED_AT").ok();
    let store = open_store(&address).await.unwrap();
    let mut config = plain_config();
    let in_flight = number("TREEBELL_KILLED_IN_FLIGHT").unwrap_or(IN_FLIGHT);
    (config.email.in_flight, config.sms.in_flight) = (in_flight, in_flight);
    (config.lease_s, config.uncertain_wait_min, config.retry_first_s) = (1, 0, 1);
    let config = DeliveryConfig { quiet_until: NaiveTime::MIN, quiet_from: NaiveTime::MIN, ..config };

    let email = EmailConfig {
        host: Some("127.0.0.1".into()),
        port: Some(port),
        security: SmtpSecurity::Plain,
        ..EmailConfig::default()
    };
    let fields = [("to", "{{ to }}"), ("text", "{{ text }}"), ("ref", "{{ key }}")];
    let sms = SmsConfig {
        url: Some(format!("http://{gateway}/send")),
        form: fields.into_iter().map(|(name, value)| (name.to_owned(), value.to_owned())).collect(),
        reference_pointer: Some("/id".into()),
        ..SmsConfig::default()
    };
    let mut channels = Channels {
        email: Some(Arc::new(SmtpTransport::new(&email).unwrap())),
        sms: Some(Arc::new(SmsGateway::new(&sms, "t").map_err(|_| "faults").unwrap())),
    };
    match only.as_deref() {
        Some("email") => channels.sms = None,
        Some("sms") => channels.email = None,
        _ => {}
    }
    let alone = store.engine() == Engine::Sqlite;
    let mut dispatcher = Dispatcher::new(store, Arc::new(SystemClock), channels, &config, Arc::new(AsWritten));
    if let Some((point, visit)) = dies.as_deref().and_then(|text| text.split_once(' ')) {
        let (point, visit) = (point.to_owned(), visit.parse::<usize>().unwrap());
        let met = AtomicUsize::new(0);
        dispatcher = dispatcher.dying_when(move |at| {
            if format!("{at:?}") == point && met.fetch_add(1, Ordering::Relaxed) == visit {
                Command::new("kill").args(["-KILL", &std::process::id().to_string()]).status().unwrap();
                loop {
                    std::thread::park();
                }
            }
            false
        });
    }
    if alone {
        dispatcher.take_over().await.unwrap();
    }
    println!("{READY}");
    dispatcher.run(std::future::pending()).await;
}
