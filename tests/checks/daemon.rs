//! The built program as a daemon: it pulls from local services, decides and delivers over a real SMTP conversation and an
//! HTTP gateway without a hand on it; told to stop, it stops; killed and started again, it loses nothing.
//!
//! The daemon lives in real time, so the insect here is an invented one whose window opens today.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use chrono::{Datelike, Days, NaiveDate, Utc};
use rand::{RngExt, SeedableRng};
use sqlx::{AnyConnection, Connection};
use treebell::heat::{Cutoff, DayTemperatures, HeatRule, Method};
use treebell::season::{NoticeKind, NoticeStatus};
use treebell::store::Store;
use treebell::store::queue::DeliveryFilter;
use wiremock::matchers::{method, path};
use wiremock::{Mock, MockServer, Request, Respond, ResponseTemplate};

use crate::delivery::Ledger;
use crate::delivery::gateway::FakeGateway;
use crate::delivery::smtp::SmtpServer;
use crate::engines::Databases;
use crate::support;
use crate::support::open_store;

/// The same two days over and over, °F: three weeks of one value would be taken for a stuck instrument.
const DAYS_F: [(&str, &str); 2] = [("59", "32"), ("61", "33")];

/// They in °C, to the tenth as the record keeps them.
const DAYS_C: [DayTemperatures; 2] =
    [DayTemperatures { max_c: 15.0, min_c: 0.0 }, DayTemperatures { max_c: 16.1, min_c: 0.6 }];

fn nth(day: NaiveDate) -> usize {
    day.num_days_from_ce().rem_euclid(2) as usize
}

/// Who is told when a cycle is killed.
const PEOPLE: usize = 180;

/// Days from the invented biofix to today.
const SEASON_DAYS: u64 = 100;

/// Answers as ACIS does: a row a day from `sdate` to the day before today, missing after that.
struct Acis {
    today: NaiveDate,
}

impl Respond for Acis {
    fn respond(&self, request: &Request) -> ResponseTemplate {
        let asked: serde_json::Value = serde_json::from_slice(&request.body).unwrap();
        let day = |name: &str| asked[name].as_str().unwrap().parse::<NaiveDate>().unwrap();
        let rows: Vec<serde_json::Value> = day("sdate")
            .iter_days()
            .take_while(|date| *date <= day("edate"))
            .map(|date| {
                let known = date < self.today;
                let (max, min) = if known { DAYS_F[nth(date)] } else { ("M", "M") };
                serde_json::json!([date.to_string(), [max, " ", 24], [min, " ", 24]])
            })
            .collect();
        ResponseTemplate::new(200).set_body_json(serde_json::json!({
            "meta": {"uid": 990_001, "name": "SAMPLE RIDGE", "ll": [-135.0, 31.0], "elev": 5000.0, "sids": ["990001 2"]},
            "data": rows
        }))
    }
}

struct Town {
    folder: tempfile::TempDir,
    /// Of the store.
    address: String,
    acis: MockServer,
    relay: SmtpServer,
    gateway: FakeGateway,
}

impl Town {
    /// Services on loopback, settings, a profile, a station, a region and `people`, half of them by text.
    async fn build(people: usize, sms_per_second: Option<f64>) -> Self {
        Self::build_on(None, people, sms_per_second).await
    }

    /// On this store; without one on a file in the town's folder.
    async fn build_on(address: Option<String>, people: usize, sms_per_second: Option<f64>) -> Self {
        let acis = MockServer::start().await;
        let today = Utc::now().with_timezone(&zone()).date_naive();
        Mock::given(method("POST")).and(path("/StnData")).respond_with(Acis { today }).mount(&acis).await;
        let folder = tempfile::tempdir().unwrap();
        let file = format!("sqlite:{}", folder.path().join("treebell.sqlite").display());
        let town = Self {
            folder,
            address: address.unwrap_or(file),
            acis,
            relay: SmtpServer::start([]).await,
            gateway: FakeGateway::start([]).await,
        };
        town.write("profiles/invented.toml", &profile(today));
        town.write("treebell.toml", &town.settings(sms_per_second));
        let rows: String = (0..people)
            .map(|at| match at % 2 {
                0 => format!("00101,p{at:04}@example.org,,en,invented for a test\n"),
                _ => format!("00101,,+1505555{:04},es,invented for a test\n", 100 + at / 2),
            })
            .collect();
        town.write("people.csv", &format!("zip,email,phone,language,consent\n{rows}"));
        town.command(&["store", "init"]);
        town.command(&[
            "station",
            "add",
            "ZZ-RIDGE",
            "--name",
            "Sample Ridge",
            "--lat",
            "31",
            "--lon",
            "-135",
            "--elevation-m",
            "1524",
            "--zone",
            zone().name(),
            "--source",
            "acis:ZZ1 6",
        ]);
        town.command(&[
            "region",
            "add",
            "sample-ridge",
            "--name",
            "Sample Ridge",
            "--zip",
            "00101",
            "--lat",
            "31",
            "--lon",
            "-135",
            "--elevation-m",
            "1524",
            "--zone",
            zone().name(),
            "--station",
            "ZZ-RIDGE",
            "--profile",
            "invented",
            "--release",
            "at-once",
            "--yes",
        ]);
        town.command(&["subscriber", "import", town.path("people.csv").to_str().unwrap()]);
        town
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn write(&self, name: &str, text: &str) {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    }

    fn settings(&self, sms_per_second: Option<f64>) -> String {
        let sms_pace = sms_per_second.map_or_else(String::new, |rate| format!(", per_second = {rate:.1}"));
        format!(
            "[store]\naddress = \"{}\"\n[profiles]\nfolder = \"{}\"\n[schedule]\ntime_zone = \"{}\"\n\
             [feeds]\ncontact = \"test@example.org\"\nacis = {{ base_url = \"{}/\" }}\n\
             [policy]\npast_years_needed = 0\n\
             [delivery]\nquiet_until = \"00:00:00\"\nquiet_from = \"23:59:59\"\nlease_s = 5\nretry_first_s = 1\nuncertain_wait_min = 0\n\
             email = {{ in_flight = 4 }}\nsms = {{ in_flight = 4{sms_pace} }}\n\
             [email]\nhost = \"127.0.0.1\"\nport = {}\nsecurity = \"plain\"\n\
             [messages]\npostal_address = \"1 Invented Way\"\nhelp_contact = \"505-555-0100\"\n\
             [sms]\nurl = \"http://{}/send\"\nreference_pointer = \"/id\"\nform = {{ to = \"{{{{ to }}}}\", text = \"{{{{ text }}}}\", ref = \"{{{{ key }}}}\" }}\n",
            self.address,
            self.path("profiles").display(),
            zone().name(),
            self.acis.uri(),
            self.relay.address.port(),
            self.gateway.address,
        )
    }

    fn treebell(&self) -> Command {
        let mut command = Command::new(assert_cmd::cargo::cargo_bin!("treebell"));
        command.arg("--config").arg(self.path("treebell.toml"));
        command
    }

    fn command(&self, args: &[&str]) {
        let done = self.treebell().args(args).output().unwrap();
        assert!(done.status.success(), "treebell {args:?}: {}", String::from_utf8_lossy(&done.stderr));
    }

    fn start(&self, log: &Path) -> Child {
        let log = std::fs::OpenOptions::new().create(true).append(true).open(log).unwrap();
        self.treebell().arg("run").stdout(Stdio::null()).stderr(log).spawn().unwrap()
    }

    async fn store(&self) -> Store {
        open_store(&self.address).await.unwrap()
    }

    /// A cycle that was cut off again and again is not begun at once: here the time of its pause passes.
    async fn let_the_pause_pass(&self) {
        let store = self.store().await;
        let mut tx = store.begin().await.unwrap();
        sqlx::query("UPDATE unfinished_tries SET last_began_at = last_began_at - 86400000")
            .execute(tx.conn())
            .await
            .unwrap();
        tx.commit().await.unwrap();
        store.close().await;
    }

    /// One cycle in a process of its own.
    fn cycle(&self) -> Child {
        self.treebell().args(["once", "--patience", "0"]).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
    }

    /// How long a cycle takes here until its notice is queued.
    async fn until_queued(&self) -> Duration {
        let store = self.store().await;
        let begun = Instant::now();
        let mut child = self.cycle();
        while store.queue_counts().await.unwrap().is_empty() {
            assert!(begun.elapsed() < Duration::from_secs(60));
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        let takes = begun.elapsed();
        child.kill().unwrap();
        child.wait().unwrap();
        store.close().await;
        takes
    }

    /// The released notices, of which there may be one; each must have all its deliveries.
    async fn notices_in_full(&self) -> usize {
        let store = self.store().await;
        let deliveries = store.deliveries(&DeliveryFilter::default()).await.unwrap();
        let year = (Utc::now().with_timezone(&zone()).date_naive() - Days::new(SEASON_DAYS)).year();
        let notices = store.notices_of_season("invented", year).await.unwrap();
        store.close().await;
        let released: Vec<_> = notices.iter().filter(|notice| notice.status() == NoticeStatus::Released).collect();
        assert!(
            released.len() <= 1
                && deliveries.iter().all(|one| released.first().is_some_and(|notice| notice.id == one.notice.as_str()))
        );
        assert_eq!(deliveries.len(), released.len() * PEOPLE, "a notice and its deliveries");
        // Decided and let out are one step here, since the region's notices leave at once.
        assert!(notices.iter().all(|notice| notice.status() != NoticeStatus::Waiting), "decided and not queued");
        released.len()
    }

    /// Waits until as many deliveries as wanted were made and all of them have ended.
    async fn all_sent(&self, wanted: usize, log: &Path) {
        let begun = Instant::now();
        loop {
            let store = self.store().await;
            let rows = store.deliveries(&DeliveryFilter::default()).await.unwrap();
            store.close().await;
            let open = rows.iter().filter(|row| row.standing.state.name() != "sent").count();
            if rows.len() == wanted && open == 0 {
                return;
            }
            let log = || std::fs::read_to_string(log).unwrap_or_default();
            assert!(begun.elapsed() < Duration::from_secs(120), "{} made, {open} open\n{}", rows.len(), log());
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }
}

/// A zone in which it is about noon now, so that the day does not end during the test.
fn zone() -> chrono_tz::Tz {
    let hour = chrono::Timelike::hour(&Utc::now()) as i32;
    let east = 12 - hour;
    // POSIX sign: Etc/GMT-5 lies five hours east.
    let name = if east >= 0 { format!("Etc/GMT-{east}") } else { format!("Etc/GMT+{}", -east) };
    name.parse().unwrap()
}

/// An insect whose eggs are laid from yesterday on, given the same weather every day.
fn profile(today: NaiveDate) -> String {
    let mut biofix = today - Days::new(SEASON_DAYS);
    if (biofix.month(), biofix.day()) == (2, 29) {
        biofix = biofix + Days::new(1);
    }
    let rule = HeatRule::new(Method::SingleSine, 4.0, Some(30.0), Cutoff::Horizontal).unwrap();
    // To the day before yesterday, so that an observed day stands over it whatever the hour.
    let days = biofix.iter_days().take_while(|day| *day < today - Days::new(1));
    let sum: f64 = days.map(|day| rule.degree_days(DAYS_C[nth(day)], None)).sum();
    let mut text =
        std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/config/profiles/pinyon-needle-scale.toml"))
            .unwrap()
            .parse::<toml::Table>()
            .unwrap();
    text.insert("id".into(), "invented".into());
    let fix = text["biofix"].as_table_mut().unwrap();
    fix.insert("month".into(), i64::from(biofix.month()).into());
    fix.insert("day".into(), i64::from(biofix.day()).into());
    for stage in text["stages"].as_array_mut().unwrap() {
        let stage = stage.as_table_mut().unwrap();
        if stage["id"].as_str() == Some("egg-laying-begins") {
            stage.insert("degree_days_c".into(), (sum - 1.0).into());
        }
    }
    toml::to_string(&text).unwrap()
}

fn terminate(child: &Child) {
    let done = Command::new("kill").arg("-TERM").arg(child.id().to_string()).status().unwrap();
    assert!(done.success());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_daemon_pulls_decides_and_delivers_and_stops_when_told() {
    let town = Town::build(20, None).await;
    let log = town.path("log");
    let mut child = town.start(&log);
    town.all_sent(20, &log).await;

    let emails = town.relay.kept();
    assert_eq!((emails.len(), town.gateway.taken().len()), (10, 10));
    assert!(emails.iter().all(|mail| mail.contains("Sample Ridge")), "{}", emails[0]);
    assert!(town.gateway.taken().iter().all(|text| text["text"].contains("STOP")));

    let begun = Instant::now();
    terminate(&child);
    let status = child.wait().unwrap();
    assert!(status.success(), "{status}\n{}", std::fs::read_to_string(&log).unwrap());
    assert!(begun.elapsed() < Duration::from_secs(10), "stopped after {:?}", begun.elapsed());

    let store = town.store().await;
    let today = Utc::now().with_timezone(&zone()).date_naive();
    let notices = store.notices_of_season("invented", (today - Days::new(SEASON_DAYS)).year()).await.unwrap();
    let told: Vec<_> = notices.iter().map(|notice| (notice.kind, notice.status())).collect();
    assert!(told.contains(&(NoticeKind::InspectNow, NoticeStatus::Released)), "{told:?}");
    assert!(told.contains(&(NoticeKind::GetReady, NoticeStatus::Skipped)), "{told:?}");
    store.close().await;

    // Nobody hears a thing twice: another cycle over the same facts changes nothing.
    let once = town.treebell().args(["once", "--patience", "1"]).output().unwrap();
    assert!(once.status.success(), "{}", String::from_utf8_lossy(&once.stderr));
    assert_eq!((town.relay.kept().len(), town.gateway.taken().len()), (10, 10));
    // No address stands in the log.
    let log = std::fs::read_to_string(&log).unwrap();
    assert!(!log.contains("@example.org") && !log.contains("+1505555"), "{log}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_daemon_killed_at_any_point_and_started_again_loses_nothing_and_marks_every_repeat() {
    // Slow texts, so that the kills find some in flight and some still queued.
    let town = Town::build(80, Some(40.0)).await;
    let log = town.path("log");
    let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(7);
    for _ in 0..12 {
        let mut child = town.start(&log);
        tokio::time::sleep(Duration::from_millis(dice.random_range(5..900))).await;
        child.kill().unwrap();
        child.wait().unwrap();
        town.let_the_pause_pass().await;
    }
    let mut child = town.start(&log);
    town.all_sent(80, &log).await;
    terminate(&child);
    child.wait().unwrap();

    let store = town.store().await;
    let arrived = town.relay.kept_keys().into_iter().chain(town.gateway.taken_keys());
    let ledger = Ledger::of(&store, arrived).await;
    assert_eq!((ledger.booked, ledger.lost, ledger.silent, ledger.open), (80, 0, 0, 0), "{ledger:?}");
    store.close().await;
}

// A notice is decided, written and queued in one transaction: wherever a cycle is killed, there is all of it or nothing. Every
// other kill comes in the middle of the queueing: there each row takes a while (SQLite), or one of them waits for a lock that
// this check holds (PostgreSQL). `TREEBELL_CYCLE_KILLS` for more than 10 on each engine. Seen failing
// (decided and not queued) when `put_notice` ends its transaction before it queues.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_cycle_killed_at_any_time_leaves_a_notice_with_all_its_deliveries_or_none() {
    let kills = std::env::var("TREEBELL_CYCLE_KILLS").map_or(10, |text| text.parse().unwrap());
    let town = Town::build(PEOPLE, None).await;
    let (database, before, slow) = (town.path("treebell.sqlite"), town.path("before.sqlite"), town.path("slow.sqlite"));
    // Folds the log of what the commands wrote into the file.
    town.store().await.close().await;
    assert!(!town.path("treebell.sqlite-wal").exists());
    std::fs::copy(&database, &before).unwrap();
    let store = town.store().await;
    let mut tx = store.begin().await.unwrap();
    sqlx::query(
        "CREATE TRIGGER takes_its_time AFTER INSERT ON deliveries BEGIN SELECT COUNT(*) FROM \
         (WITH RECURSIVE c (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c LIMIT 20000) SELECT n FROM c); END",
    )
    .execute(tx.conn())
    .await
    .unwrap();
    tx.commit().await.unwrap();
    store.close().await;
    std::fs::copy(&database, &slow).unwrap();
    let make = |from: &Path| {
        for side in ["-wal", "-shm"] {
            let _ = std::fs::remove_file(format!("{}{side}", database.display()));
        }
        std::fs::copy(from, &database).unwrap();
    };
    make(&before);
    let takes = town.until_queued().await;
    make(&slow);
    let takes_slowly = town.until_queued().await;
    let in_the_middle = takes_slowly.saturating_sub(takes);
    let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(13);
    let mut with = [0; 2];
    for kill in 0..kills {
        make([&before, &slow][kill % 2]);
        let mut child = town.cycle();
        let wait = match kill % 2 {
            0 => takes.mul_f64(dice.random_range(0.3..1.5)),
            _ => takes + in_the_middle.mul_f64(dice.random_range(0.0..1.1)),
        };
        tokio::time::sleep(wait).await;
        child.kill().unwrap();
        child.wait().unwrap();
        with[kill % 2] += town.notices_in_full().await;
    }
    eprintln!(
        "SQLite: {kills} cycles killed, half of them at any time: {} after the notice was queued; half within {in_the_middle:?} of \
         queueing: {}; the others before",
        with[0], with[1]
    );
    // The last is taken up where it was left.
    assert!(town.cycle().wait().unwrap().success());
    assert_eq!(town.notices_in_full().await, 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_cycle_killed_on_a_server_leaves_a_notice_with_all_its_deliveries_or_none() {
    let kills = std::env::var("TREEBELL_CYCLE_KILLS").map_or(10, |text| text.parse().unwrap());
    let Some(mut databases) = Databases::on_server().await else {
        support::skipped("cycles killed on a server", "PostgreSQL at TREEBELL_TEST_POSTGRES or 127.0.0.1:5432");
        return;
    };
    databases.create("before").await;
    databases.create("work").await;
    let mut town = Town::build_on(Some(databases.address("before")), PEOPLE, None).await;
    // At the row that `stop_at` names queueing waits until this check lets go of the lock.
    let store = town.store().await;
    let mut tx = store.begin().await.unwrap();
    for statement in [
        "CREATE TABLE stop_at (row BIGINT NOT NULL)",
        "CREATE SEQUENCE rows_queued",
        "CREATE FUNCTION stop_there() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN \
         IF nextval('rows_queued') = (SELECT row FROM stop_at) THEN PERFORM pg_advisory_xact_lock_shared(42); END IF; \
         RETURN NEW; END $$",
        "CREATE TRIGGER stop_there BEFORE INSERT ON deliveries FOR EACH ROW EXECUTE FUNCTION stop_there()",
    ] {
        sqlx::query(statement).execute(tx.conn()).await.unwrap();
    }
    tx.commit().await.unwrap();
    store.close().await;
    town.address = databases.address("work");
    town.write("treebell.toml", &town.settings(None));
    databases.copy("work", "before").await;
    let takes = town.until_queued().await;
    let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(14);
    let mut with = 0;
    for kill in 0..kills {
        databases.copy("work", "before").await;
        let mut lock = AnyConnection::connect(&town.address).await.unwrap();
        if kill % 2 == 0 {
            let mut child = town.cycle();
            tokio::time::sleep(takes.mul_f64(dice.random_range(0.3..1.5))).await;
            child.kill().unwrap();
            child.wait().unwrap();
        } else {
            sqlx::query("SELECT CAST(pg_advisory_lock(42) AS TEXT)").execute(&mut lock).await.unwrap();
            let row = dice.random_range(1..=PEOPLE as i64);
            sqlx::query("INSERT INTO stop_at VALUES ($1)").bind(row).execute(&mut lock).await.unwrap();
            let mut child = town.cycle();
            let begun = Instant::now();
            while databases.sessions("work").await.1 == 0 {
                assert!(begun.elapsed() < Duration::from_secs(60), "queueing never came to row {row}");
                tokio::time::sleep(Duration::from_millis(2)).await;
            }
            child.kill().unwrap();
            child.wait().unwrap();
        }
        lock.close().await.unwrap();
        // What the dead one had sent to the server is carried out or rolled back before its sessions end.
        let begun = Instant::now();
        while databases.sessions("work").await.0 > 0 {
            assert!(begun.elapsed() < Duration::from_secs(60));
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
        let queued = town.notices_in_full().await;
        assert!(kill % 2 == 0 || queued == 0, "killed in the middle of queueing, and it is there");
        with += queued;
    }
    eprintln!(
        "PostgreSQL: {kills} cycles killed, half of them at any time: {with} after the notice was queued; half at a row of \
         queueing: none is there"
    );
    databases.copy("work", "before").await;
    assert!(town.cycle().wait().unwrap().success());
    assert_eq!(town.notices_in_full().await, 1);
}

// The one that is there holds the file, and to make it worse it is in the middle of a long transaction: whoever waits for that takes
// ten seconds; the best of three counts, since a busy machine may take its time for the start alone. Without the lock a second
// service would send beside the first.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_second_service_on_one_file_is_refused_and_waits_for_nothing() {
    let town = Town::build(2, None).await;
    let store = town.store().await;
    let _held = store.lock_service().await.unwrap();
    let mut tx = store.begin().await.unwrap();
    sqlx::query("UPDATE addresses SET status_at = status_at + 1").execute(tx.conn()).await.unwrap();
    let mut quickest = Duration::MAX;
    for command in ["run", "once", "run"] {
        let begun = Instant::now();
        let second = town.treebell().arg(command).output().unwrap();
        quickest = quickest.min(begun.elapsed());
        let said = String::from_utf8_lossy(&second.stderr).into_owned();
        assert_eq!(second.status.code(), Some(3), "{command}: {said}");
        assert!(said.contains("treebell.sqlite.lock"), "{command}: {said}");
    }
    eprintln!("a second service was refused after {quickest:?}");
    assert!(quickest < Duration::from_secs(8), "{quickest:?}");
    drop(tx);
    store.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn when_the_feed_is_away_nothing_is_sent_and_when_it_returns_all_is() {
    let town = Town::build(4, None).await;
    town.acis.reset().await;
    Mock::given(method("POST")).respond_with(ResponseTemplate::new(404)).mount(&town.acis).await;
    let once = |town: &Town| town.treebell().args(["once", "--patience", "1"]).output().unwrap();
    let done = once(&town);
    // For a cron that looks at nothing else.
    assert_eq!(done.status.code(), Some(5), "{}", String::from_utf8_lossy(&done.stderr));
    assert!(String::from_utf8_lossy(&done.stderr).contains("no source of station"), "{done:?}");
    assert_eq!((town.relay.kept().len(), town.gateway.taken().len()), (0, 0));

    town.acis.reset().await;
    let today = Utc::now().with_timezone(&zone()).date_naive();
    Mock::given(method("POST")).and(path("/StnData")).respond_with(Acis { today }).mount(&town.acis).await;
    let done = once(&town);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    assert_eq!((town.relay.kept().len(), town.gateway.taken().len()), (2, 2));
}
