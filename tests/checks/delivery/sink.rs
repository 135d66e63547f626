//! Postfix's own `smtp-sink` as the relay: a counterpart that was not written for this program. Its dump is the truth.

use std::collections::{BTreeMap, BTreeSet};
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use async_trait::async_trait;
use chrono::{NaiveTime, TimeDelta};
use treebell::clock::{Clock, SystemClock};
use treebell::config::{DeliveryConfig, EmailConfig, SmtpSecurity};
use treebell::delivery::state::DeliveryState;
use treebell::dispatch::channels::smtp::SmtpTransport;
use treebell::dispatch::channels::{Outgoing, Receipt, SendFailure, Transport};
use treebell::dispatch::personalise::AsWritten;
use treebell::dispatch::{Channels, Dispatcher, Drained};
use treebell::people::Channel;
use treebell::store::Store;

use super::smtp::{key_of, kind, outgoing};
use super::{Ledger, Seed, World, plain_config};
use crate::engines::on_each_engine;
use crate::support;

pub struct Sink {
    child: Child,
    folder: tempfile::TempDir,
    port: u16,
}

/// One copy as it was dumped.
pub struct Copy {
    pub to: String,
    pub key: String,
    pub message_id: String,
}

impl Sink {
    /// `None` with a loud skip when it is not installed.
    pub fn start(what: &str, options: &[&str]) -> Option<Self> {
        let program = ["/usr/sbin/smtp-sink", "/usr/local/sbin/smtp-sink"]
            .into_iter()
            .find(|path| std::path::Path::new(path).exists());
        let Some(program) = program else {
            support::skipped(what, "smtp-sink, as the package postfix brings it");
            return None;
        };
        let folder = tempfile::tempdir().unwrap();
        std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o777)).unwrap();
        for _ in 0..20 {
            let port = free_port();
            let mut command = Command::new(program);
            // The user is given up by a superuser and cannot be changed by anybody else.
            if std::fs::metadata("/proc/self").unwrap().uid() == 0 {
                command.args(["-u", "nobody"]);
            }
            let mut child = command
                .args(options)
                .arg("-D")
                .arg(folder.path().join("dump"))
                .args([format!("127.0.0.1:{port}").as_str(), "100"])
                .stderr(Stdio::null())
                .spawn()
                .unwrap();
            for _ in 0..250 {
                if listens(port) && child.try_wait().unwrap().is_none() {
                    return Some(Self { child, folder, port });
                }
                std::thread::sleep(Duration::from_millis(20));
            }
            let _ = child.kill();
            let _ = child.wait();
        }
        panic!("{program} does not start");
    }

    pub fn port(&self) -> u16 {
        self.port
    }

    pub fn config(&self) -> EmailConfig {
        EmailConfig {
            host: Some("127.0.0.1".into()),
            port: Some(self.port),
            security: SmtpSecurity::Plain,
            timeout_s: 20,
            ..EmailConfig::default()
        }
    }

    fn transport(&self) -> Arc<SmtpTransport> {
        Arc::new(SmtpTransport::new(&self.config()).unwrap())
    }

    /// Size of its dump in bytes.
    pub fn dumped(&self) -> u64 {
        std::fs::metadata(self.folder.path().join("dump")).map_or(0, |file| file.len())
    }

    /// Everything it took, repeats included.
    pub fn copies(&self) -> Vec<Copy> {
        let dump = std::fs::read(self.folder.path().join("dump")).unwrap_or_default();
        let dump = String::from_utf8_lossy(&dump).into_owned();
        format!("\n{dump}")
            .split("\nX-Client-Addr: ")
            .skip(1)
            .map(|copy| {
                let to = copy.lines().find_map(|line| line.strip_prefix("X-Rcpt-Args: <")).unwrap();
                let (_, message) = copy.split_once("\nReceived: ").unwrap();
                let (_, message) = message.split_once("(UTC)\n").or(message.split_once(")\n")).unwrap();
                let id = message.lines().find_map(|line| line.strip_prefix("Message-ID: ")).unwrap();
                Copy {
                    to: to.split('>').next().unwrap().to_owned(),
                    key: key_of(&format!("Message-ID: {id}\r\n\r\n")),
                    message_id: id.trim().to_owned(),
                }
            })
            .collect()
    }
}

impl Drop for Sink {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

pub fn free_port() -> u16 {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

pub fn listens(port: u16) -> bool {
    std::net::TcpStream::connect(("127.0.0.1", port)).is_ok()
}

/// Two relays behind one name: three of ten messages meet the bad one first.
struct TwoRelays {
    bad: Arc<SmtpTransport>,
    good: Arc<SmtpTransport>,
    met: Mutex<BTreeSet<String>>,
    unlucky: BTreeSet<String>,
}

#[async_trait]
impl Transport for TwoRelays {
    async fn send(&self, outgoing: &Outgoing) -> Result<Receipt, SendFailure> {
        let first = self.met.lock().unwrap().insert(outgoing.key.clone());
        let relay = if first && self.unlucky.contains(&outgoing.key) { &self.bad } else { &self.good };
        relay.send(outgoing).await
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_relay_that_keeps_the_message_and_drops_the_reply_gets_one_more_copy_under_the_same_name() {
    // Disconnects after the final dot without replying; the dump shows that it keeps the message.
    let what = "replies dropped by smtp-sink";
    on_each_engine(what, |store| async move {
        let (Some(bad), Some(good)) = (Sink::start(what, &["-q", "."]), Sink::start(what, &[])) else { return };
        let keys = Seed::new(Channel::Email, 100).put(&store).await;
        let unlucky: BTreeSet<String> =
            keys.iter().enumerate().filter(|(index, _)| index % 10 < 3).map(|(_, key)| key.clone()).collect();
        let drops = unlucky.len();
        let relays = TwoRelays { bad: bad.transport(), good: good.transport(), met: Mutex::default(), unlucky };
        let world = World::new(store, []);
        let dispatcher = world.dispatcher_over(Channels { email: Some(Arc::new(relays)), sms: None });
        world.play_out(&dispatcher).await;

        let copies: Vec<Copy> = bad.copies().into_iter().chain(good.copies()).collect();
        let mut names: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
        for copy in &copies {
            names.entry(&copy.to).or_default().insert(&copy.message_id);
        }
        assert!(names.len() == 100 && names.values().all(|names| names.len() == 1), "{names:?}");
        let ledger = Ledger::of(&world.store, copies.into_iter().map(|copy| copy.key)).await;
        let marked = i64::try_from(drops).unwrap();
        assert_eq!(ledger, Ledger { booked: 100, repeated: drops, marked, ..Ledger::default() });
        assert_eq!(world.store.uncertain_total().await.unwrap(), drops as u64);
    })
    .await;
}

async fn now_and_open(store: &Store, transport: Arc<dyn Transport>, messages: usize) -> Dispatcher {
    let mut seed = Seed::new(Channel::Email, messages);
    seed.not_before = SystemClock.now();
    seed.expires_at = seed.not_before + TimeDelta::days(1);
    seed.put(store).await;
    let mut config = plain_config();
    config.email.in_flight = 8;
    // A machine that stands still for a second loses no lease.
    (config.lease_s, config.retry_first_s) = (3, 1);
    let config = DeliveryConfig { quiet_until: NaiveTime::MIN, quiet_from: NaiveTime::MIN, ..config };
    let channels = Channels { email: Some(transport), sms: None };
    Dispatcher::new(store.clone(), Arc::new(SystemClock), channels, &config, Arc::new(AsWritten))
}

// The reply takes over twice the lease and comes before the timer.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_slow_reply_makes_no_repeat() {
    let what = "slow replies of smtp-sink";
    on_each_engine(what, |store| async move {
        let Some(sink) = Sink::start(what, &["-W", ".:7"]) else { return };
        let dispatcher = now_and_open(&store, sink.transport(), 16).await;
        let drained = dispatcher.run_until_idle(std::future::pending(), Duration::from_millis(1)).await;
        assert_eq!(drained, Drained { sent: 16, ..Drained::default() });
        let ledger = Ledger::of(&store, sink.copies().into_iter().map(|copy| copy.key)).await;
        assert_eq!(ledger, Ledger { booked: 16, ..Ledger::default() });
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_reply_after_the_timer_makes_a_repeat_that_is_marked() {
    let what = "replies of smtp-sink after the timer";
    on_each_engine(what, |store| async move {
        let Some(sink) = Sink::start(what, &["-W", ".:3"]) else { return };
        let config = EmailConfig { final_timeout_s: 1, ..sink.config() };
        let transport = SmtpTransport::new(&config).unwrap().with_text_timeout(Duration::ZERO);
        let dispatcher = now_and_open(&store, Arc::new(transport), 2).await;
        dispatcher.run_until_idle(std::future::pending(), Duration::from_secs(5)).await;
        let ledger = Ledger::of(&store, sink.copies().into_iter().map(|copy| copy.key)).await;
        // Twice unanswered, they are left to staff.
        assert_eq!(ledger, Ledger { booked: 2, repeated: 2, marked: 4, open: 2, ..Ledger::default() });
    })
    .await;
}

#[tokio::test]
async fn each_kind_of_refusal_at_each_command_is_sorted() {
    let (soft, hard, closing, silent) = ("-r", "-f", "-Q", "-q");
    for (how, at, wanted, kept) in [
        (soft, "CONNECT", "channel down", 0),
        (hard, "CONNECT", "channel down", 0),
        (closing, "CONNECT", "channel down", 0),
        (silent, "CONNECT", "channel down", 0),
        (soft, "EHLO", "channel down", 0),
        (hard, "EHLO", "channel down", 0),
        (closing, "EHLO", "channel down", 0),
        (silent, "EHLO", "channel down", 0),
        (soft, "MAIL", "try later", 0),
        (hard, "MAIL", "give up", 0),
        (closing, "MAIL", "channel down", 0),
        (silent, "MAIL", "try later", 0),
        (soft, "RCPT", "try later", 0),
        (hard, "RCPT", "give up", 0),
        (closing, "RCPT", "channel down", 0),
        (silent, "RCPT", "try later", 0),
        (soft, "DATA", "try later", 0),
        (hard, "DATA", "give up", 0),
        (closing, "DATA", "channel down", 0),
        (silent, "DATA", "try later", 0),
        // RFC 5321 section 4.2.5: refused after the dot it is still ours. The dump has it all the same.
        (soft, ".", "try later", 1),
        (hard, ".", "give up", 1),
        (closing, ".", "try later", 1),
        (silent, ".", "uncertain", 1),
    ] {
        let Some(sink) = Sink::start("refusals of smtp-sink", &[how, at]) else { return };
        let answer = sink.transport().send(&outgoing("k1")).await;
        assert_eq!(kind(&answer), wanted, "{how} {at}: {answer:?}");
        assert_eq!(sink.copies().len(), kept, "{how} {at}");
    }
}

#[tokio::test]
async fn a_soft_refusal_is_tried_as_planned_until_the_end_and_a_hard_one_never_again() {
    let what = "refusals of smtp-sink over time";
    on_each_engine(what, |store| async move {
        let (Some(soft), Some(hard)) = (Sink::start(what, &["-r", "RCPT"]), Sink::start(what, &["-f", "RCPT"])) else {
            return;
        };
        let mut seed = Seed::new(Channel::Email, 1);
        seed.expires_at = seed.not_before + TimeDelta::hours(5);
        let key = seed.put(&store).await.remove(0);
        let world = World::new(store, []);
        let dispatcher = world.dispatcher_over(Channels { email: Some(soft.transport()), sms: None });
        let mut plan = 60.0;
        loop {
            let drained = dispatcher.drain_due().await.unwrap();
            if drained.expired == 1 {
                break;
            }
            assert_eq!(drained, Drained { later: 1, ..Drained::default() });
            let due = dispatcher.next_due().await.unwrap().unwrap();
            let wait = (due - world.clock.now()).as_seconds_f64();
            assert!(due == seed.expires_at || (wait / plan - 1.0).abs() <= 0.101, "{wait} s, planned {plan} s");
            world.clock.set(due);
            plan *= 2.0;
        }
        let row = world.row(&key).await;
        assert_eq!((row.standing.state, row.standing.uncertain_count), (DeliveryState::Expired, 0));
        assert!((7..=9).contains(&row.attempts), "1 + 2 + 4 + … minutes within five hours: {}", row.attempts);

        seed.first = 1;
        let key = seed.put(&world.store).await.remove(0);
        world.clock.set(seed.not_before);
        let dispatcher = world.dispatcher_over(Channels { email: Some(hard.transport()), sms: None });
        assert_eq!(dispatcher.drain_due().await.unwrap().failed, 1);
        world.play_out(&dispatcher).await;
        assert_eq!((world.row(&key).await.standing.state, world.row(&key).await.attempts), (DeliveryState::Failed, 1));
        assert_eq!(soft.copies().len() + hard.copies().len(), 0);
    })
    .await;
}
