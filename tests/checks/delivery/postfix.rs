//! A private Postfix beside our own sender: the same messages, the same sink, the same kills of the whole sender. It is the
//! measure of what a trusted mail queue does here. Few kills by default; `TREEBELL_POSTFIX_KILLS` says how many
//! (`TREEBELL_MESSAGES` with how many messages). `TREEBELL_POSTFIX_LOAD` has both send so many messages undisturbed and
//! prints the time: a measurement, and no check.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use chrono::TimeDelta;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use treebell::clock::{Clock, SystemClock};
use treebell::config::{EmailConfig, SmtpSecurity};
use treebell::dispatch::channels::Transport;
use treebell::dispatch::channels::smtp::SmtpTransport;
use treebell::people::Channel;
use treebell::store::Store;

use super::kills::{IN_FLIGHT, Service, number, waiting};
use super::private_postfix;
use super::sink::{Sink, free_port, listens};
use super::smtp::outgoing;
use super::{Ledger, Seed};
use crate::support::{open_store, skipped};

struct Postfix {
    folder: tempfile::TempDir,
    port: u16,
    master: Option<Child>,
}

impl Postfix {
    /// Its own settings and queue; what it takes in is held until it is let go.
    fn new(sink: u16, in_flight: usize) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let port = free_port();
        private_postfix::set_up(folder.path(), port, sink, in_flight);
        Self { folder, port, master: None }
    }

    fn conf(&self) -> String {
        self.folder.path().join("conf").display().to_string()
    }

    async fn start(&mut self) {
        let mut master = Command::new("/usr/lib/postfix/sbin/master");
        let master = master.args(["-c", &self.conf(), "-s"]).stdout(Stdio::null()).stderr(Stdio::null());
        self.master = Some(master.spawn().unwrap());
        for _ in 0..1000 {
            if listens(self.port) {
                return;
            }
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        panic!(
            "Postfix does not start: {}",
            std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
        );
    }

    /// The master and everything it has started, at once: they are one process group.
    fn kill(&mut self) {
        let Some(mut master) = self.master.take() else { return };
        let of_it = children(master.id());
        let killed = Command::new("kill").args(["-KILL", "--", &format!("-{}", master.id())]).status().unwrap();
        assert!(killed.success());
        master.wait().unwrap();
        while of_it.iter().any(|pid| Path::new(&format!("/proc/{pid}/exe")).exists()) {
            std::thread::sleep(Duration::from_millis(1));
        }
    }

    /// Takes in messages and rests with all of them in its queue.
    async fn filled(sink: u16, in_flight: usize, messages: usize) -> Self {
        let mut postfix = Self::new(sink, in_flight);
        postfix.start().await;
        let config = EmailConfig {
            host: Some("127.0.0.1".into()),
            port: Some(postfix.port),
            security: SmtpSecurity::Plain,
            ..EmailConfig::default()
        };
        let load = SmtpTransport::new(&config).unwrap();
        for index in 0..messages {
            let mut one = outgoing(&format!("k{index}"));
            one.to = format!("owner{index}@example.org");
            load.send(&one).await.unwrap();
        }
        postfix.kill();
        private_postfix::let_go(postfix.folder.path());
        assert_eq!(postfix.waiting(), messages);
        postfix
    }

    fn waiting(&self) -> usize {
        private_postfix::waiting(self.folder.path())
    }
}

impl Drop for Postfix {
    fn drop(&mut self) {
        self.kill();
    }
}

fn children(parent: u32) -> Vec<u32> {
    let said = Command::new("ps").args(["-o", "pid=", "--ppid", &parent.to_string()]).output().unwrap();
    String::from_utf8_lossy(&said.stdout).split_whitespace().filter_map(|pid| pid.parse().ok()).collect()
}

/// Lets some more messages arrive, then a moment pass that has nothing to do with the last arrival: a kill right after an
/// arrival would always meet the moment before its booking. Copies in the sink are told by the size of its dump: reading
/// it whole before every kill would take too long.
async fn some_arrived(sink: &Sink, most: u64, dice: &mut ChaCha8Rng) {
    let wanted = sink.dumped() + dice.random_range(0..most) * 1000;
    let begun = std::time::Instant::now();
    while sink.dumped() < wanted && begun.elapsed() < Duration::from_secs(5) {
        tokio::time::sleep(Duration::from_micros(500)).await;
    }
    tokio::time::sleep(Duration::from_micros(dice.random_range(0..10_000))).await;
}

/// A store with e-mails to send, and how a worker on it is started.
struct Ours {
    store: Store,
    address: String,
    _folder: tempfile::TempDir,
}

impl Ours {
    async fn filled(messages: usize) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let address = format!("sqlite:{}", folder.path().join("t.sqlite").display());
        let store = open_store(&address).await.unwrap();
        let mut seed = Seed::new(Channel::Email, messages);
        seed.not_before = SystemClock.now();
        seed.expires_at = seed.not_before + TimeDelta::days(1);
        seed.put(&store).await;
        Self { store, address, _folder: folder }
    }

    fn start(&self, sink: u16, in_flight: usize) -> Service {
        let gateway = ([127, 0, 0, 1], 1).into();
        let in_flight = in_flight.to_string();
        let settings = [("TREEBELL_KILLED_CHANNEL", "email"), ("TREEBELL_KILLED_IN_FLIGHT", in_flight.as_str())];
        Service::worker_at(&self.address, sink, gateway, &settings)
    }
}

// How many repeats the one or the other has in few kills is chance: the figures are for the eye, what is checked is ours.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn postfix_and_we_under_the_same_kills() {
    const WHAT: &str = "Postfix under the same kills";
    let kills = number("TREEBELL_POSTFIX_KILLS").unwrap_or(5);
    let messages = number("TREEBELL_MESSAGES").unwrap_or(kills * 20);
    let most = (messages / kills) as u64 * 2;

    let Some(sink) = sink_and_postfix(WHAT) else { return };
    let mut dice = ChaCha8Rng::seed_from_u64(2026);
    let mut postfix = Postfix::filled(sink.port(), IN_FLIGHT, messages).await;
    assert_eq!(sink.copies().len(), 0);
    let mut met = 0;
    for _ in 0..kills {
        met += usize::from(postfix.waiting() > 0);
        postfix.start().await;
        some_arrived(&sink, most, &mut dice).await;
        postfix.kill();
    }
    postfix.start().await;
    for _ in 0..6000 {
        if postfix.waiting() == 0 {
            break;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    postfix.kill();
    let mut copies: BTreeMap<String, usize> = (0..messages).map(|index| (format!("k{index}"), 0)).collect();
    for copy in sink.copies() {
        *copies.get_mut(&copy.key).unwrap() += 1;
    }
    let lost = copies.values().filter(|copies| **copies == 0).count();
    let repeated: usize = copies.values().map(|copies| copies.saturating_sub(1)).sum();
    eprintln!(
        "Postfix: {messages} messages, {kills} kills ({met} with mail waiting), lost {lost}, repeated {repeated}"
    );

    let Some(sink) = sink_and_postfix(WHAT) else { return };
    let mut dice = ChaCha8Rng::seed_from_u64(2026);
    let ours = Ours::filled(messages).await;
    let mut met = 0;
    for _ in 0..kills {
        met += usize::from(waiting(&ours.store).await > 0);
        let service = ours.start(sink.port(), IN_FLIGHT);
        some_arrived(&sink, most, &mut dice).await;
        service.kill();
    }
    let service = ours.start(sink.port(), IN_FLIGHT);
    while waiting(&ours.store).await > 0 {
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    service.kill();
    let ledger = Ledger::of(&ours.store, sink.copies().into_iter().map(|copy| copy.key)).await;
    eprintln!("Treebell: {messages} messages, {kills} kills ({met} with mail waiting), {ledger:?}");
    assert_eq!((ledger.lost, ledger.silent), (0, 0));
    assert!(ledger.repeated <= kills * IN_FLIGHT, "{ledger:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn postfix_and_we_at_full_speed() {
    let Some(messages) = number("TREEBELL_POSTFIX_LOAD") else { return };
    // Postfix's own default.
    let in_flight = number("TREEBELL_POSTFIX_IN_FLIGHT").unwrap_or(20);
    for round in 1..=3 {
        let Some(sink) = sink_and_postfix("Postfix and we at full speed") else { return };
        let mut postfix = Postfix::filled(sink.port(), in_flight, messages).await;
        let begun = Instant::now();
        postfix.start().await;
        while postfix.waiting() > 0 {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        let theirs = messages as f64 / begun.elapsed().as_secs_f64();
        postfix.kill();

        let Some(sink) = sink_and_postfix("Postfix and we at full speed") else { return };
        let ours = Ours::filled(messages).await;
        let begun = Instant::now();
        let service = ours.start(sink.port(), in_flight);
        while waiting(&ours.store).await > 0 {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        let own = messages as f64 / begun.elapsed().as_secs_f64();
        service.kill();
        eprintln!(
            "round {round}: {messages} messages, {in_flight} in flight: Postfix {theirs:.0}/s, Treebell {own:.0}/s, ratio {:.2}",
            own / theirs
        );
    }
}

/// A sink, where there is a Postfix that this user may set up.
fn sink_and_postfix(what: &str) -> Option<Sink> {
    let may = Command::new("id").arg("-u").output().is_ok_and(|id| id.stdout == b"0\n");
    if !may || !Path::new("/usr/lib/postfix/sbin/master").exists() {
        skipped(what, "Postfix in /usr/lib/postfix, and the rights of root to set up a private one");
        return None;
    }
    Sink::start(what, &[])
}
