//! A private Postfix beside our own sender: the same messages, the same sink, the same number of kills of the whole sender.
//! It is the measure of what a trusted mail queue does here, and no check of ours; so it runs only when
//! `TREEBELL_POSTFIX_KILLS` says with how many kills (`TREEBELL_MESSAGES` with how many messages).

use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use chrono::TimeDelta;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use treebell::clock::{Clock, SystemClock};
use treebell::config::{EmailConfig, SmtpSecurity};
use treebell::delivery::channels::Transport;
use treebell::delivery::channels::smtp::SmtpTransport;
use treebell::people::Channel;
use treebell::store::Store;

use super::kills::{Service, number, waiting};
use super::sink::{Sink, free_port, listens};
use super::smtp::outgoing;
use super::{Ledger, Seed};

struct Postfix {
    folder: tempfile::TempDir,
    port: u16,
    master: Option<Child>,
}

impl Postfix {
    /// Its own settings and queue; what it takes in is held until it is let go.
    fn new(sink: u16) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
        for name in ["conf", "queue", "queue/pid", "data"] {
            std::fs::create_dir(at(name)).unwrap();
            std::fs::set_permissions(at(name), std::fs::Permissions::from_mode(0o755)).unwrap();
        }
        std::fs::write(at("log"), "").unwrap();
        std::fs::set_permissions(at("log"), std::fs::Permissions::from_mode(0o666)).unwrap();
        shell(&format!("chown postfix {}", at("data").display()));
        let port = free_port();
        let main = format!(
            "compatibility_level = 3.6\nqueue_directory = {0}/queue\ndata_directory = {0}/data\n\
             command_directory = /usr/sbin\ndaemon_directory = /usr/lib/postfix/sbin\nmail_owner = postfix\n\
             setgid_group = postdrop\ninet_interfaces = 127.0.0.1\ninet_protocols = ipv4\nmynetworks = 127.0.0.0/8\n\
             myhostname = relay.example.org\nmydestination =\nlocal_recipient_maps =\nalias_maps =\n\
             relayhost = [127.0.0.1]:{sink}\nsmtpd_relay_restrictions = permit_mynetworks, reject\n\
             smtpd_recipient_restrictions = $hold permit_mynetworks, reject\nhold = check_client_access static:HOLD,\n\
             maillog_file_prefixes = {0}\nmaillog_file = {0}/log\nsmtp_tls_security_level = none\n\
             smtp_dns_support_level = disabled\nsmtp_host_lookup = native\nin_flow_delay = 0\n\
             smtp_destination_concurrency_limit = 4\ninitial_destination_concurrency = 4\n\
             queue_run_delay = 1s\nminimal_backoff_time = 1s\nmaximal_backoff_time = 2s\n",
            folder.path().display()
        );
        std::fs::write(at("conf/main.cf"), main).unwrap();
        let mut services = format!("127.0.0.1:{port} inet n - n - - smtpd\npostlog unix-dgram n - n - 1 postlogd\n");
        for (name, private, wake, limit, program) in [
            ("pickup", "n", "60", "1", "pickup"),
            ("cleanup", "n", "-", "0", "cleanup"),
            ("qmgr", "n", "300", "1", "qmgr"),
            ("rewrite", "-", "-", "-", "trivial-rewrite"),
            ("bounce", "-", "-", "0", "bounce"),
            ("defer", "-", "-", "0", "bounce"),
            ("trace", "-", "-", "0", "bounce"),
            ("flush", "n", "-", "0", "flush"),
            ("proxymap", "-", "-", "-", "proxymap"),
            ("smtp", "-", "-", "4", "smtp"),
            ("showq", "n", "-", "-", "showq"),
            ("error", "-", "-", "-", "error"),
            ("retry", "-", "-", "-", "error"),
            ("anvil", "-", "-", "1", "anvil"),
            ("scache", "-", "-", "1", "scache"),
            ("tlsmgr", "-", "-", "1", "tlsmgr"),
        ] {
            services.push_str(&format!("{name} unix {private} - n {wake} {limit} {program}\n"));
        }
        std::fs::write(at("conf/master.cf"), services).unwrap();
        let postfix = Self { folder, port, master: None };
        // Makes the queue's folders.
        shell(&format!("postfix -c {0} check; postfix -c {0} check", postfix.conf()));
        postfix
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

    /// What was held goes its way from the next start on.
    fn let_go(&self) {
        shell(&format!("postconf -c {0} hold= && postsuper -c {0} -H ALL", self.conf()));
    }

    fn waiting(&self) -> usize {
        let count = |name: &str| {
            let mut folders = vec![self.folder.path().join("queue").join(name)];
            let mut files = 0;
            while let Some(folder) = folders.pop() {
                for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
                    match entry.file_type() {
                        Ok(kind) if kind.is_dir() => folders.push(entry.path()),
                        _ => files += 1,
                    }
                }
            }
            files
        };
        ["incoming", "active", "deferred", "hold"].into_iter().map(count).sum()
    }
}

impl Drop for Postfix {
    fn drop(&mut self) {
        self.kill();
    }
}

fn shell(command: &str) {
    let done = Command::new("sh").args(["-c", command]).output().unwrap();
    assert!(done.status.success(), "{command}: {}", String::from_utf8_lossy(&done.stderr));
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

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn postfix_and_we_under_the_same_kills() {
    let Some(kills) = number("TREEBELL_POSTFIX_KILLS") else { return };
    let messages = number("TREEBELL_MESSAGES").unwrap_or(kills * 20);
    let most = (messages / kills) as u64 * 2;

    let Some(sink) = Sink::start("Postfix beside us", &[]) else { return };
    let mut dice = ChaCha8Rng::seed_from_u64(2026);
    let mut postfix = Postfix::new(sink.port());
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
    postfix.let_go();
    assert_eq!((postfix.waiting(), sink.copies().len()), (messages, 0));
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

    let Some(sink) = Sink::start("Postfix beside us", &[]) else { return };
    let mut dice = ChaCha8Rng::seed_from_u64(2026);
    let folder = tempfile::tempdir().unwrap();
    let address = format!("sqlite:{}", folder.path().join("t.sqlite").display());
    let store = Store::open(&address).await.unwrap();
    let mut seed = Seed::new(Channel::Email, messages);
    seed.not_before = SystemClock.now();
    seed.expires_at = seed.not_before + TimeDelta::days(1);
    seed.put(&store).await;
    let start = || {
        let gateway = ([127, 0, 0, 1], 1).into();
        Service::worker_at(&address, sink.port(), gateway, &[("TREEBELL_KILLED_CHANNEL", "email")])
    };
    let mut met = 0;
    for _ in 0..kills {
        met += usize::from(waiting(&store).await > 0);
        let service = start();
        some_arrived(&sink, most, &mut dice).await;
        service.kill();
    }
    let service = start();
    while waiting(&store).await > 0 {
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    service.kill();
    let ledger = Ledger::of(&store, sink.copies().into_iter().map(|copy| copy.key)).await;
    eprintln!("Treebell: {messages} messages, {kills} kills ({met} with mail waiting), {ledger:?}");
    assert_eq!((ledger.lost, ledger.silent), (0, 0));
}
