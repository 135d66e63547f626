//! What the ground under the queue may do: a disk that fills up or gives errors, a database server that is restarted or takes
//! nothing, a worker that is stopped and goes on when another has its work.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use chrono::{NaiveTime, TimeDelta};
use sqlx::{AnyConnection, Connection};
use treebell::clock::SystemClock;
use treebell::config::DeliveryConfig;
use treebell::delivery::quiet_hours::QuietHours;
use treebell::dispatch::channels::Transport;
use treebell::dispatch::channels::scripted::ScriptedTransport;
use treebell::dispatch::channels::sms_http::SmsGateway;
use treebell::dispatch::channels::smtp::SmtpTransport;
use treebell::dispatch::personalise::AsWritten;
use treebell::dispatch::{Channels, Dispatcher, Drained};
use treebell::people::Channel;
use treebell::store::queue::ClaimRequest;
use treebell::store::{Engine, Store};

use super::gateway::FakeGateway;
use super::kills::{Service, number, seed, waiting};
use super::sink::free_port;
use super::smtp::{Act, Point, SmtpServer};
use super::{Ledger, NOON, Seed, at, lose_leases, plain_config};
use crate::engines::at_each_address;
use crate::support;
use crate::support::open_store;

fn dispatcher(store: &Store, channels: Channels, lease_s: u64) -> Dispatcher {
    let mut config = plain_config();
    (config.lease_s, config.uncertain_wait_min, config.retry_first_s) = (lease_s, 0, 1);
    let config = DeliveryConfig { quiet_until: NaiveTime::MIN, quiet_from: NaiveTime::MIN, ..config };
    Dispatcher::new(store.clone(), Arc::new(SystemClock), channels, &config, Arc::new(AsWritten))
}

/// Works the queue beside the check, until told to stop.
struct Working {
    stop: tokio::sync::oneshot::Sender<()>,
    task: tokio::task::JoinHandle<Drained>,
}

impl Working {
    fn begin(dispatcher: Dispatcher) -> Self {
        let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
        let task = tokio::spawn(async move { dispatcher.run(async { drop(stopped.await) }).await });
        Self { stop, task }
    }

    async fn end(self) -> Drained {
        self.stop.send(()).unwrap();
        self.task.await.unwrap()
    }
}

async fn until(what: &str, mut condition: impl AsyncFnMut() -> bool) {
    let begun = Instant::now();
    while !condition().await {
        assert!(begun.elapsed() < Duration::from_secs(90), "{what}: not within 90 s");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

/// A small file system of its own.
struct SmallDisk {
    folder: tempfile::TempDir,
}

impl SmallDisk {
    fn mount() -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", "size=24m", "tmpfs"]).arg(folder.path());
        let mounted = mount.stderr(Stdio::null()).status().is_ok_and(|status| status.success());
        mounted.then_some(Self { folder })
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn fill(&self) {
        let mut file = std::fs::File::create(self.path("filler")).unwrap();
        while std::io::Write::write(&mut file, &[1; 4096]).is_ok_and(|written| written > 0) {}
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(self.folder.path()).status();
    }
}

// Seen failing (no more is ever sent) when the connection on which SQLite ended a transaction by itself is kept.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_full_disk_stops_the_sending_and_room_lets_it_go_on_by_itself() {
    let Some(disk) = SmallDisk::mount() else {
        support::skipped("a full disk", "the right to mount a tmpfs");
        return;
    };
    let address = format!("sqlite:{}", disk.path("t.sqlite").display());
    let store = open_store(&address).await.unwrap();
    seed(&store, 0, 1000).await;
    // Folds the log into the file: from here on every commit needs new room.
    store.close().await;
    let store = open_store(&address).await.unwrap();
    let transport = Arc::new(ScriptedTransport::default());
    let channels: Arc<dyn Transport> = transport.clone();
    let working = Working::begin(dispatcher(&store, Channels::both(channels), 60));
    transport.has_taken(50).await;
    disk.fill();

    let (mut taken, mut since) = (0, Instant::now());
    until("the sending stops", async || {
        if transport.taken().len() != taken {
            (taken, since) = (transport.taken().len(), Instant::now());
        }
        since.elapsed() > Duration::from_secs(3)
    })
    .await;
    assert!(taken < 2000, "it was never full");
    // What was in flight when the disk filled up is all that is sent and not yet booked.
    let unbooked = waiting(&store).await - (2000 - taken as u64);
    assert!(unbooked <= 8, "{unbooked} sent and not booked");

    std::fs::remove_file(disk.path("filler")).unwrap();
    until("the sending goes on", async || waiting(&store).await == 0).await;
    let drained = working.end().await;
    eprintln!("full disk: stood still at {taken} with {unbooked} unbooked; {drained:?}");
    let ledger = Ledger::of(&store, transport.taken().into_iter().map(|one| one.key)).await;
    assert_eq!(ledger, Ledger { booked: 2000, ..Ledger::default() });
    store.close().await;
}

/// The program as it is installed, with what it says kept.
struct Running {
    child: Child,
    said: Arc<Mutex<String>>,
}

impl Running {
    /// The kernel ends a program that writes beyond the limit of its files, unless it is told to let the write fail.
    fn start(settings: &Path) -> Self {
        let mut child = Command::new("sh")
            .args(["-c", r#"trap "" XFSZ; exec "$@""#, "sh", env!("CARGO_BIN_EXE_treebell"), "--config"])
            .arg(settings)
            .arg("run")
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let said: Arc<Mutex<String>> = Arc::default();
        let (lines, kept) = (BufReader::new(child.stderr.take().unwrap()).lines(), said.clone());
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                let mut kept = kept.lock().unwrap();
                kept.push_str(&line);
                kept.push('\n');
            }
        });
        Self { child, said }
    }

    fn said(&self) -> String {
        self.said.lock().unwrap().clone()
    }

    /// The largest size its files may have from now on; only what it may set itself, so that it can be taken back.
    fn limit_files(&self, bytes: &str) {
        let limit = format!("--fsize={bytes}:");
        let done = Command::new("prlimit").args(["--pid", &self.child.id().to_string(), &limit]).status().unwrap();
        assert!(done.success());
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

// Every write to a file fails from one moment on with EFBIG, an I/O error to SQLite (SQLITE_IOERR_WRITE), and works again
// later. Seen failing (no more is ever sent) when the connection on which SQLite ended a transaction by itself is kept.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn errors_of_the_disk_stop_the_sending_and_it_goes_on_by_itself() {
    if Command::new("prlimit").arg("--version").stdout(Stdio::null()).status().is_err() {
        support::skipped("errors of the disk", "prlimit of util-linux");
        return;
    }
    const EACH: usize = 600;
    let folder = tempfile::tempdir().unwrap();
    let address = format!("sqlite:{}", folder.path().join("t.sqlite").display());
    let (relay, gateway) = (SmtpServer::start([]).await, FakeGateway::start([]).await);
    let store = open_store(&address).await.unwrap();
    seed(&store, 0, EACH).await;
    let settings = folder.path().join("treebell.toml");
    let text = format!(
        "[store]\naddress = \"{address}\"\n\
         [delivery]\nquiet_until = \"00:00:00\"\nquiet_from = \"23:59:59\"\nemail = {{ in_flight = 4 }}\nsms = {{ in_flight = 4 }}\n\
         [email]\nhost = \"127.0.0.1\"\nport = {}\nsecurity = \"plain\"\n\
         [messages]\npostal_address = \"1 Invented Way\"\nhelp_contact = \"505-555-0100\"\n\
         [sms]\nurl = \"http://{}/send\"\nreference_pointer = \"/id\"\n\
         form = {{ to = \"{{{{ to }}}}\", text = \"{{{{ text }}}}\", ref = \"{{{{ key }}}}\" }}\n",
        relay.address.port(),
        gateway.address,
    );
    std::fs::write(&settings, text).unwrap();
    let arrived = || relay.count() + gateway.count();
    let service = Running::start(&settings);
    let mut stood_at = Vec::new();
    for progress in [100, 500] {
        until("messages are sent", async || arrived() >= progress).await;
        service.limit_files("0");
        let at_the_fault = arrived();
        let (mut taken, mut since) = (0, Instant::now());
        until("the sending stops", async || {
            if arrived() != taken {
                (taken, since) = (arrived(), Instant::now());
            }
            since.elapsed() > Duration::from_secs(3)
        })
        .await;
        // What was in flight at that moment, on both channels, and no more.
        assert!(taken - at_the_fault <= 8, "{} sent that could not be recorded", taken - at_the_fault);
        assert!(taken < 2 * EACH, "all was sent before the fault");
        let unbooked = waiting(&store).await - (2 * EACH - taken) as u64;
        assert!(unbooked <= 8, "{unbooked} sent and not booked");
        let said = service.said();
        assert!(said.contains("nothing is sent while the store does not work") && said.contains("I/O"), "{said}");
        stood_at.push((taken, unbooked));
        service.limit_files("unlimited");
    }
    until("all is sent", async || waiting(&store).await == 0).await;
    let ledger = Ledger::of(&store, relay.kept_keys().into_iter().chain(gateway.taken_keys())).await;
    eprintln!("errors of the disk: stood still at (sent, unbooked) {stood_at:?}; {ledger:?}");
    // Its process lived, so it knew what had been answered and booked it in the end.
    assert_eq!(ledger, Ledger { booked: 2 * EACH, ..Ledger::default() });
    assert!(service.said().contains("the store works again"));
    store.close().await;
}

/// A PostgreSQL server of this check's own.
struct Cluster {
    programs: PathBuf,
    folder: tempfile::TempDir,
    port: u16,
}

impl Cluster {
    fn start() -> Option<Self> {
        let mut versions: Vec<PathBuf> = std::fs::read_dir("/usr/lib/postgresql")
            .ok()?
            .filter_map(|entry| Some(entry.ok()?.path().join("bin")))
            .filter(|bin| bin.join("initdb").exists())
            .collect();
        versions.sort();
        let cluster = Self { programs: versions.pop()?, folder: tempfile::tempdir().unwrap(), port: free_port() };
        if superuser() {
            let owned = Command::new("chown").arg("postgres").arg(cluster.folder.path()).status();
            assert!(owned.unwrap().success());
        }
        cluster.run("initdb", &["-A", "trust", "-U", "postgres", "--no-sync"]);
        cluster.run("pg_ctl", &["-w", "-l", cluster.file("log").as_str(), "-o", &cluster.options(), "start"]);
        Some(cluster)
    }

    fn address(&self) -> String {
        format!("postgres://postgres@127.0.0.1:{}/postgres", self.port)
    }

    /// Whether every transaction from now on may only read.
    async fn read_only(&self, on: bool) {
        let mut connection = AnyConnection::connect(&self.address()).await.unwrap();
        let set = format!("ALTER SYSTEM SET default_transaction_read_only = {on}");
        for statement in [set.as_str(), "SELECT CAST(pg_reload_conf() AS TEXT)"] {
            sqlx::raw_sql(sqlx::AssertSqlSafe(statement)).execute(&mut connection).await.unwrap();
        }
        // The postmaster tells the sessions, each of which looks when its next statement comes.
        loop {
            let mut fresh = AnyConnection::connect(&self.address()).await.unwrap();
            let row = sqlx::query("SELECT current_setting('default_transaction_read_only')");
            let now: String = sqlx::Row::get(&row.fetch_one(&mut fresh).await.unwrap(), 0);
            if (now == "on") == on {
                return;
            }
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }

    fn file(&self, name: &str) -> String {
        self.folder.path().join(name).to_str().unwrap().to_owned()
    }

    fn options(&self) -> String {
        format!("-p {} -k {} -c listen_addresses=127.0.0.1", self.port, self.folder.path().display())
    }

    /// The server refuses to be run by the superuser.
    fn run(&self, program: &str, arguments: &[&str]) {
        let program = self.programs.join(program);
        let mut command = match superuser() {
            true => {
                let mut command = Command::new("runuser");
                command.args(["-u", "postgres", "--"]).arg(&program);
                command
            }
            false => Command::new(&program),
        };
        command.current_dir("/").args(["-D", &self.file("data")]).args(arguments);
        let done = command.stdout(Stdio::null()).stderr(Stdio::null()).status().unwrap();
        assert!(done.success(), "{program:?} {arguments:?}: {done}");
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        if Path::new(&self.file("data/postmaster.pid")).exists() {
            self.run("pg_ctl", &["-m", "immediate", "stop"]);
        }
    }
}

fn superuser() -> bool {
    std::os::unix::fs::MetadataExt::uid(&std::fs::metadata("/proc/self").unwrap()) == 0
}

// As it is after a failover to a copy that may only be read.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_database_server_that_takes_nothing_stops_the_sending_and_it_goes_on_by_itself() {
    let Some(cluster) = Cluster::start() else {
        support::skipped("a database server that takes nothing", "PostgreSQL's programs in /usr/lib/postgresql");
        return;
    };
    let store = open_store(&cluster.address()).await.unwrap();
    seed(&store, 0, 600).await;
    let transport = Arc::new(ScriptedTransport::default());
    let channels: Arc<dyn Transport> = transport.clone();
    let working = Working::begin(dispatcher(&store, Channels::both(channels), 60));
    transport.has_taken(100).await;
    cluster.read_only(true).await;
    let at_the_fault = transport.taken().len();
    let (mut taken, mut since) = (0, Instant::now());
    until("the sending stops", async || {
        if transport.taken().len() != taken {
            (taken, since) = (transport.taken().len(), Instant::now());
        }
        since.elapsed() > Duration::from_secs(3)
    })
    .await;
    assert!(taken < 1200, "all was sent before the fault");
    // Sessions learn of the new setting one by one, so more than what was in flight may have gone; all of it is booked or known.
    let unbooked = waiting(&store).await - (1200 - taken as u64);
    assert!(unbooked <= 8, "{unbooked} sent and not booked");
    cluster.read_only(false).await;
    until("all is sent", async || waiting(&store).await == 0).await;
    let drained = working.end().await;
    let ledger = Ledger::of(&store, transport.taken().into_iter().map(|one| one.key)).await;
    eprintln!(
        "a server that takes nothing: {at_the_fault} sent, then stood still at {taken} with {unbooked} unbooked; {drained:?}"
    );
    assert_eq!(ledger, Ledger { booked: 1200, ..Ledger::default() });
    store.close().await;
}

// `TREEBELL_AWAY_S` for one more absence of so many seconds.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_database_server_that_goes_and_comes_back_costs_nothing_but_marks() {
    let Some(cluster) = Cluster::start() else {
        support::skipped("a restart of the database server", "PostgreSQL's programs in /usr/lib/postgresql");
        return;
    };
    let cluster = Arc::new(cluster);
    let store = open_store(&cluster.address()).await.unwrap();
    let absences = [(0, 100), (3, 200), (0, 300)];
    let long = number("TREEBELL_AWAY_S").map(|away_s| (away_s as u64, 400));
    seed(&store, 0, 600).await;
    let (relay, gateway) = (SmtpServer::start([]).await, FakeGateway::start([]).await);
    let channels = Channels {
        email: Some(Arc::new(SmtpTransport::new(&relay.config()).unwrap())),
        sms: Some(Arc::new(SmsGateway::new(&gateway.config(), "t").map_err(|_| "faults").unwrap())),
    };
    let working = Working::begin(dispatcher(&store, channels, 2));
    let arrived = || relay.count() + gateway.count();
    for (away_s, progress) in absences.into_iter().chain(long) {
        until("more was sent", async || arrived() >= progress).await;
        let cluster = cluster.clone();
        tokio::task::spawn_blocking(move || {
            cluster.run("pg_ctl", &["-m", "immediate", "stop"]);
            std::thread::sleep(Duration::from_secs(away_s));
            cluster.run("pg_ctl", &["-w", "-l", cluster.file("log").as_str(), "-o", &cluster.options(), "start"]);
        })
        .await
        .unwrap();
        let (back, before) = (Instant::now(), arrived());
        until("sending goes on", async || arrived() > before).await;
        eprintln!("away for {away_s} s: sending went on {:?} after its return", back.elapsed());
        assert!(back.elapsed() < Duration::from_secs(30), "{:?}", back.elapsed());
    }
    let back = Instant::now();
    until("all is sent", async || waiting(&store).await == 0).await;
    let took = back.elapsed();
    let drained = working.end().await;
    let arrived = relay.kept_keys().into_iter().chain(gateway.taken_keys());
    let ledger = Ledger::of(&store, arrived).await;
    eprintln!("database server away again and again: all sent {took:?} after that, {ledger:?}, {drained:?}");
    assert_eq!((ledger.booked, ledger.lost, ledger.silent, ledger.open), (1200, 0, 0, 0), "{ledger:?}");
    store.close().await;
}

fn signal(name: &str, service: &Service) {
    assert!(Command::new("kill").args([name, &service.id().to_string()]).status().unwrap().success());
}

// Seen failing (the others wait for ever) when the server does not end the session of one that stands still.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_worker_that_stands_still_inside_a_transaction_holds_up_the_others_for_seconds_only() {
    at_each_address("standing still inside a transaction", |address| async move {
        let one = open_store(&address).await.unwrap();
        if one.engine() == Engine::Sqlite {
            return;
        }
        let other = open_store(&address).await.unwrap();
        Seed::new(Channel::Email, 2).put(&one).await;
        let ask = |now, most| ClaimRequest {
            channel: Channel::Email,
            now,
            lease: TimeDelta::seconds(60),
            worker: "w",
            most,
            in_flight: Some(4),
            windows: &[],
            quiet: QuietHours::new(NaiveTime::MIN, NaiveTime::MIN),
        };
        let now = at(NOON);
        let held = one.claim(&ask(now, 1)).await.unwrap().taken.remove(0).lease;
        // As it is in the middle of a claim and of a renewal.
        let mut tx = one.begin().await.unwrap();
        sqlx::query("SELECT CAST(pg_advisory_xact_lock($1) AS TEXT)")
            .bind(0x7472_6565_0001_i64)
            .execute(tx.conn())
            .await
            .unwrap();
        sqlx::query("UPDATE deliveries SET lease_until = lease_until + 1 WHERE id = $1")
            .bind(&held.delivery)
            .execute(tx.conn())
            .await
            .unwrap();
        let begun = Instant::now();
        let later = now + TimeDelta::seconds(61);
        let claimed = tokio::time::timeout(Duration::from_secs(60), other.claim(&ask(later, 4))).await;
        let claimed = claimed.expect("the others wait for ever").unwrap();
        assert_eq!(claimed.taken.len(), 1);
        assert_eq!(lose_leases(&other, later).await, 1, "its delivery is free, too");
        eprintln!("held up for {:?}", begun.elapsed());
        assert!(begun.elapsed() < Duration::from_secs(30));
        // It goes on: what it was about to do is void, and it works again.
        tx.commit().await.unwrap_err();
        assert!(one.renew_leases(&[held], later, TimeDelta::seconds(60)).await.unwrap().is_empty());
        one.close().await;
        other.close().await;
    })
    .await;
}

// PostgreSQL only: a store on SQLite has one worker. `TREEBELL_ZOMBIES` for more rounds.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stopped_worker_that_goes_on_after_its_lease_changes_nothing() {
    let rounds = number("TREEBELL_ZOMBIES").unwrap_or(9);
    at_each_address("a stopped worker", |address| async move {
        let store = open_store(&address).await.unwrap();
        if store.engine() == Engine::Sqlite {
            return;
        }
        let (relay, gateway) = (SmtpServer::start([]).await, FakeGateway::start([]).await);
        let settings = [("TREEBELL_KILLED_CHANNEL", "email"), ("TREEBELL_KILLED_IN_FLIGHT", "1")];
        let worker = || Service::worker_with(&address, &relay, &gateway, &settings);
        let (mut seeded, mut texts_out) = (0, 0);
        for round in 0..rounds {
            // Before the dot it lets go; after it, the relay has the whole message of the sleeper too.
            let point = [Point::Mail, Point::Data, Point::Dot][round % 3];
            texts_out += usize::from(point == Point::Dot);
            relay.act([Act::Wait(point)]);
            seeded = seed(&store, seeded, 1).await;
            let sleeper = worker();
            // On a busy machine its lease may run out before that point: it lets go, sends that one later, and takes another.
            while tokio::time::timeout(Duration::from_secs(60), relay.has_reached()).await.is_err() {
                relay.act([Act::Wait(point)]);
                seeded = seed(&store, seeded, 1).await;
            }
            signal("-STOP", &sleeper);
            let other = worker();
            let sent = |channel| {
                let store = store.clone();
                async move {
                    let counts = store.queue_counts().await.unwrap();
                    counts.get(&(channel, treebell::delivery::state::DeliveryState::Sent)).copied().unwrap_or(0)
                }
            };
            until("the other takes over", async || sent(Channel::Email).await == seeded as u64).await;
            other.kill();
            relay.gate.add_permits(1);
            signal("-CONT", &sleeper);
            // It has one in flight at a time: when it has sent another, it is through with the first.
            seeded = seed(&store, seeded, 1).await;
            until("the sleeper goes on", async || sent(Channel::Email).await == seeded as u64).await;
            sleeper.kill();
        }
        let ledger = Ledger::on(&[Channel::Email], &store, relay.kept_keys()).await;
        eprintln!("{rounds} workers stopped past their lease, {texts_out} of them with the text gone: {ledger:?}");
        assert_eq!((ledger.booked, ledger.lost, ledger.silent, ledger.open), (seeded, 0, 0, 0), "{ledger:?}");
        // Their leases last a second: on a busy machine one more may run out, which is marked like the others.
        let surplus = ledger.marked - i64::try_from(rounds).unwrap();
        assert!((0..=1 + ledger.marked / 50).contains(&surplus), "{ledger:?}");
        assert!((texts_out..=texts_out + surplus as usize).contains(&ledger.repeated), "{ledger:?}");
        store.close().await;
    })
    .await;
}
