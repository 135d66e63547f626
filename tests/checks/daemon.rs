//! The built program as a daemon: it pulls from local services, decides and delivers over a real SMTP conversation and an
//! HTTP gateway without a hand on it; told to stop, it stops; killed and started again, it loses nothing.
//!
//! The daemon lives in real time, so the insect here is an invented one whose window opens today.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use chrono::{Datelike, Days, NaiveDate, Utc};
use rand::{RngExt, SeedableRng};
use treebell::heat::{Cutoff, DayTemperatures, HeatRule, Method};
use treebell::season::{NoticeKind, NoticeStatus};
use treebell::store::Store;
use treebell::store::queue::DeliveryFilter;
use wiremock::matchers::{method, path};
use wiremock::{Mock, MockServer, Request, Respond, ResponseTemplate};

use crate::delivery::Ledger;
use crate::delivery::gateway::FakeGateway;
use crate::delivery::smtp::SmtpServer;

/// The same two days over and over, °F: three weeks of one value would be taken for a stuck instrument.
const DAYS_F: [(&str, &str); 2] = [("59", "32"), ("61", "33")];

/// They in °C, to the tenth as the record keeps them.
const DAYS_C: [DayTemperatures; 2] =
    [DayTemperatures { max_c: 15.0, min_c: 0.0 }, DayTemperatures { max_c: 16.1, min_c: 0.6 }];

fn nth(day: NaiveDate) -> usize {
    day.num_days_from_ce().rem_euclid(2) as usize
}

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
    acis: MockServer,
    relay: SmtpServer,
    gateway: FakeGateway,
}

impl Town {
    /// Services on loopback, settings, a profile, a station, a region and `people`, half of them by text.
    async fn build(people: usize, sms_per_second: Option<f64>) -> Self {
        let acis = MockServer::start().await;
        let today = Utc::now().with_timezone(&zone()).date_naive();
        Mock::given(method("POST")).and(path("/StnData")).respond_with(Acis { today }).mount(&acis).await;
        let town = Self {
            folder: tempfile::tempdir().unwrap(),
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
            "[store]\naddress = \"sqlite:{}\"\n[profiles]\nfolder = \"{}\"\n[schedule]\ntime_zone = \"{}\"\n\
             [feeds]\ncontact = \"test@example.org\"\nacis = {{ base_url = \"{}/\" }}\n\
             [policy]\npast_years_needed = 0\n\
             [delivery]\nquiet_until = \"00:00:00\"\nquiet_from = \"23:59:59\"\nlease_s = 5\nretry_first_s = 1\nuncertain_wait_min = 0\n\
             email = {{ in_flight = 4 }}\nsms = {{ in_flight = 4{sms_pace} }}\n\
             [email]\nhost = \"127.0.0.1\"\nport = {}\nsecurity = \"plain\"\n\
             [sms]\nurl = \"http://{}/send\"\nreference_pointer = \"/id\"\nform = {{ to = \"{{{{ to }}}}\", text = \"{{{{ text }}}}\", ref = \"{{{{ key }}}}\" }}\n",
            self.path("treebell.sqlite").display(),
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
        Store::open(&format!("sqlite:{}", self.path("treebell.sqlite").display())).await.unwrap()
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

    // A second service on the same file is refused at once, and says so. Without the lock it would send beside the first.
    let begun = Instant::now();
    let mut second = town.treebell().arg("run").stderr(Stdio::piped()).spawn().unwrap();
    while second.try_wait().unwrap().is_none() {
        if begun.elapsed() > Duration::from_secs(20) {
            second.kill().unwrap();
            panic!("a second service works on the same file");
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let second = second.wait_with_output().unwrap();
    assert_eq!(second.status.code(), Some(3), "{}", String::from_utf8_lossy(&second.stderr));

    let begun = Instant::now();
    terminate(&child);
    let status = child.wait().unwrap();
    assert!(status.success(), "{status}\n{}", std::fs::read_to_string(&log).unwrap());
    assert!(begun.elapsed() < Duration::from_secs(10), "stopped after {:?}", begun.elapsed());

    let store = town.store().await;
    let today = Utc::now().with_timezone(&zone()).date_naive();
    let notices = store.notices_of_season("invented", (today - Days::new(SEASON_DAYS)).year()).await.unwrap();
    let told: Vec<_> = notices.iter().map(|notice| (notice.kind, notice.status)).collect();
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

// A notice is decided, written and queued in one transaction: wherever a cycle is killed, there is all of it or nothing.
// `TREEBELL_CYCLE_KILLS` for more than 25.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_cycle_killed_at_any_time_leaves_a_notice_with_all_its_deliveries_or_none() {
    const PEOPLE: usize = 180;
    let kills = std::env::var("TREEBELL_CYCLE_KILLS").map_or(25, |text| text.parse().unwrap());
    let town = Town::build(PEOPLE, None).await;
    let (database, before) = (town.path("treebell.sqlite"), town.path("before.sqlite"));
    // Folds the log of what the commands wrote into the file.
    town.store().await.close().await;
    assert!(!town.path("treebell.sqlite-wal").exists());
    std::fs::copy(&database, &before).unwrap();
    let as_before = || {
        for side in ["-wal", "-shm"] {
            let _ = std::fs::remove_file(format!("{}{side}", database.display()));
        }
        std::fs::copy(&before, &database).unwrap();
    };
    let once = || town.treebell().args(["once", "--patience", "0"]).stderr(Stdio::null()).spawn().unwrap();
    let queued = async || {
        let store = town.store().await;
        let deliveries = store.deliveries(&DeliveryFilter::default()).await.unwrap();
        let year = (Utc::now().with_timezone(&zone()).date_naive() - Days::new(SEASON_DAYS)).year();
        let notices = store.notices_of_season("invented", year).await.unwrap();
        store.close().await;
        let released: Vec<_> = notices.iter().filter(|notice| notice.status == NoticeStatus::Released).collect();
        assert!(
            released.len() <= 1 && deliveries.iter().all(|one| Some(&one.notice) == released.first().map(|n| &n.id))
        );
        assert_eq!(deliveries.len(), released.len() * PEOPLE, "a notice and its deliveries");
        released.len()
    };
    // How long it takes here until all is queued.
    let begun = Instant::now();
    let mut child = once();
    loop {
        let store = town.store().await;
        let counts = store.queue_counts().await.unwrap();
        store.close().await;
        if !counts.is_empty() {
            break;
        }
        assert!(begun.elapsed() < Duration::from_secs(60));
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    let takes = begun.elapsed();
    child.kill().unwrap();
    child.wait().unwrap();

    let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(13);
    let mut with = 0;
    for _ in 0..kills {
        as_before();
        let mut child = once();
        tokio::time::sleep(takes.mul_f64(dice.random_range(0.3..1.2))).await;
        child.kill().unwrap();
        child.wait().unwrap();
        with += queued().await;
    }
    eprintln!("{kills} cycles killed: {with} after the notice was queued, the others before");
    // The last is taken up where it was left.
    assert!(once().wait().unwrap().success());
    assert_eq!(queued().await, 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn when_the_feed_is_away_nothing_is_sent_and_when_it_returns_all_is() {
    let town = Town::build(4, None).await;
    town.acis.reset().await;
    Mock::given(method("POST")).respond_with(ResponseTemplate::new(404)).mount(&town.acis).await;
    let once = |town: &Town| town.treebell().args(["once", "--patience", "1"]).output().unwrap();
    let done = once(&town);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    assert!(String::from_utf8_lossy(&done.stderr).contains("no source of station"), "{done:?}");
    assert_eq!((town.relay.kept().len(), town.gateway.taken().len()), (0, 0));

    town.acis.reset().await;
    let today = Utc::now().with_timezone(&zone()).date_naive();
    Mock::given(method("POST")).and(path("/StnData")).respond_with(Acis { today }).mount(&town.acis).await;
    let done = once(&town);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    assert_eq!((town.relay.kept().len(), town.gateway.taken().len()), (2, 2));
}
